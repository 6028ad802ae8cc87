"""The numerical helpers of the quality stage at, below and above their limits, for ``tests.kept``."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import product
from typing import Any

import numpy as np
import pandas as pd

from studykit.quality import (
    ceiling,
    controls,
    copies,
    disorder,
    doubtful,
    frame,
    massbalance,
    memory,
    plausibility,
    reading_order,
    replicates,
    reweighted,
    rules,
    runs,
    shifts,
    slips,
    unseen,
)
from studykit.quality.elsewhere import Middles, Others
from studykit.quality.explain import transpositions
from studykit.quality.flags import CheckResult, Flag, Scatter, working_table
from tests.kept import Kept, columns, condensed, kept
from tests.quality_cases import build, study_of

NAN = float("nan")
Cells = list[tuple[str, Any]]


def said(flags: Iterable[Flag]) -> list[str]:
    """Flags as words."""
    return [f"{f.rule} | {f.concern} | {f.where} | {f.analyte} | {' '.join(f.samples)} | {f.evidence}" for f in flags]


def check(name: str, c: CheckResult) -> tuple[Cells, list[str]]:
    """A check's table, and its words."""
    return list(columns(name, c.table)), [f"{name}: {c.note}", *said(c.flags)]


def middles() -> Kept:
    """Quantiles, spreads, robust lines and means."""
    out: Cells = []
    rng = np.random.default_rng(5)
    x = np.round(rng.normal(size=(9, 4)), 2)
    x[2, 1] = x[5, 1] = x[0, 2] = NAN
    x[:, 3] = NAN
    for n, q in product((1, 2, 3, 4, 9), (0.0, 0.2, 0.25, 0.5, 0.75, 1.0)):
        out.append((f"quantile {n} {q}", condensed(frame.quantile(x[:n], q))))
    out.append(("nothing", condensed(frame.quantile(x[:0], 0.5))))
    for n, lost in product((1, 2, 3, 4, 9), (0.0, 0.4, 0.95)):
        out.append((f"spread {n} {lost}", condensed(frame.spread(x[:n], lost))))
    for n in (2, 3, 6):
        line = np.column_stack([np.ones(n), np.arange(n) - 1.0, 2.0 * np.arange(n)])
        for s, rounds in ((0.0, 15), (0.3, 6)):
            out.append((f"line {n} {s}", condensed(reweighted.robust_line(line, np.arange(n) ** 2 / 3 + 0.1, s, rounds))))
    s = np.where(np.isfinite(x), 0.2, np.inf)
    for n in (1, 2, 9):
        out.append((f"mean {n}", condensed([*shifts.robust_mean(x[:n], s[:n])])))
    out.append(("rho", condensed(frame.rho(np.array([NAN, 0.0, -1.0, 6.0])))))
    out.append(("sums", condensed(frame.summing(np.array([1, -1, 0, 1]), 3).toarray())))
    out += [
        (f"independent {n}", condensed(frame._independent(rng.normal(size=(n, 3)) + rng.normal(size=(n, 1)))))
        for n in (3, 5, 6, 20)
    ]
    table = np.round(rng.normal(size=(7, 3)), 1)
    table[1, 0] = table[4, 2] = NAN
    for rows in ([], [0], [1, 4], [0, 2, 3, 5, 6], list(range(7))):
        at = np.array(rows, dtype=np.intp)
        out.append((f"without {rows}", condensed(Middles(table).without(at))))
        found, left = Others(table, np.array([0, 2, 4, 5])).without(at)
        out.append((f"others without {rows}", condensed([*found, left])))
    for depth, y, scale in (
        ([-1, -2, -3], [1, 2, 4], 0.5),
        ([-1, -2, -3], [1, 4, 2], 0.5),
        ([-1, -1, -3], [1, 2, 0], 0.1),
        ([-1, -2, -3], [1, NAN, 4], 0.5),
        ([-1, -2, -3], [1, 4, 2], 0.0),
    ):
        out.append(
            (
                f"monotone {depth} {y} {scale}",
                condensed(disorder._monotone(np.array(depth, float), np.array(y, float), scale)),
            )
        )
    return kept(out)


def limits() -> Kept:
    """Small decisions at, below and above their limits."""
    out: Cells = []
    words: list[str] = []
    tens = [
        replicates._power_of_ten(a, b)
        for a, b in product((1.0, 7.9, 8.0, 10.0, 12.5, 12.6, 100.0, 0.1, 0.0), (1.0, 0.0, -1.0))
    ]
    out.append(("powers of ten", condensed(tens)))
    ratio = pd.Series([1.0, 10.0, 9.0, 8.0, 7.0, 6.0, 5.0, 12.0, 13.0, 15.0, 20.0, 0.1, NAN, 1e-3, 1100.0])
    out.append(("power", condensed(slips._power(ratio))))
    for stock, fluid, middle, reads, spread, n in product(
        (NAN, 0.0, 1.0, -1.0), (NAN, 1.0), (NAN, 50.0), (NAN, 5.0), (1.1, 9.0), (2, 3)
    ):
        row = {
            "by_stock": stock,
            "by_fluid": fluid,
            "middle_of_limits": middle,
            "check_fluid": reads,
            "ratio": spread,
            "containers": n,
        }
        power, by = slips._judge(row)
        words.append(f"{row}: {power:g} {by}")
    words = [f"judged {len(words)}: {condensed(words)}"]
    reads, should = {"check_fluid": 50.0, "stock": 0.0}, {"middle_of_limits": 5.0, "nominal": 7.0}
    out.append(
        (
            "misfit",
            condensed(
                [
                    slips._misfit(r, s, p)
                    for r in (reads, {"check_fluid": 4.0, "stock": 90.0}, {"check_fluid": 0.0, "stock": 0.0})
                    for s in (should, {"middle_of_limits": 0.0, "nominal": 9.0})
                    for p in (0, 1, -1)
                ]
            ),
        )
    )
    room = [
        doubtful.room_for_a_slip(*x)
        for x in (
            (-1, 9, 0, 0),
            (0, 9, 0, 0),
            (1, 9.9, 0, 0),
            (1, 10, 0, 0),
            (1, 10, 9, 0),
            (1, 10, 8.9, 0),
            (1, 10, 0, 10),
            (1, 10, 0, 9.9),
        )
    ]
    out.append(("room", condensed(room)))
    size = np.array([1.0, 2.0, 4.0])
    out.append(
        (
            "reached",
            condensed(
                [
                    unseen.reached(size, np.array(n), s)
                    for n in ([0.9, 0.9, 0.9], [0.5, 0.8, 0.9], [0.1, 0.8, 0.7], [0.1, 0.2, 0.9])
                    for s in (0.5, 0.8)
                ]
            ),
        )
    )
    out.append(
        (
            "shared",
            condensed(
                [
                    memory.consensus(np.array(r))[1]
                    for r in ([0.1, 0.1, 0.3], [0.1, 0.0, NAN], [0.1, 0.119, 0.14], [NAN], [0.1, 0.11, 0.2, 0.21, 0.22])
                ]
            ),
        )
    )
    out.append(
        (
            "sets",
            condensed(
                [
                    len(memory.consensus(0.1 * np.exp(np.array([0.0, x, 2 * x])))[0])
                    for x in (0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4)
                ]
            ),
        )
    )
    for value in (12.0, 1.02, 0.0, 100.0, 120.5, NAN, -3.0, 1234567.0, 0.012):
        words += [f"{value} from {text} {number:.9g}" for text, number in transpositions(value)]
    out.append(
        ("places", condensed([*runs.places(np.array([3.0, NAN, 7.0, 4.0])), *runs.places(np.array([2.0, 2.0]))]))
    )
    out.append(
        ("ranges", condensed([controls.range_factor(k, p, d) for k, p, d in ((2, 0.95, np.inf), (3, 0.9, 5.0))]))
    )
    for away in (
        [3.0, -3.0, 3.001, 0],
        [2.0, 2.001, 0, 0],
        [2.001, 2.002, 0, -2.5],
        [-2.1, -2.1, 2.1, 0],
        [2.0, -2.0, 0, 0],
        [0.5] * 9,
        [0.5] * 10,
        [0.9] * 5 + [0.0] + [0.9] * 5,
        [1.0] * 11,
        [-1.1] * 10 + [2.5],
    ):
        for u in (0.0, 0.3):
            at = np.array(away, float)
            run = np.array(["A", "A", "B", "B"] * 3, dtype=object)[: at.size]
            words += [
                f"{away} {u} {rule}: {np.flatnonzero(hit).tolist()}" for rule, hit in rules.broken(run, at, 1.0, u)
            ]
    chances = copies.Chances(
        scatter={"a": 2.0, "b": 3.0},
        own={"a": 0.5, "b": 9.0},
        together=pd.DataFrame([[1, 0.5], [0.5, 1]], index=["a", "b"], columns=["a", "b"]),
    )
    out.append(
        (
            "copies",
            condensed(
                [
                    chances.s("a"),
                    chances.s("b"),
                    chances.dependence(["a", "b"]),
                    chances.dependence(["a", "c"]),
                    copies.Chances(scatter={}).dependence(["a", "b", "c"]),
                ]
            ),
        )
    )
    out.append(
        (
            "uneven",
            condensed(
                [
                    plausibility.uneven(np.array(c))
                    for c in ([5] * 10, [20, 1, 1, 1, 1, 20, 1, 1, 1, 3], [9, 8, 7, 6, 5, 4, 3, 3, 3, 2])
                ]
            ),
        )
    )
    out.append(
        (
            "steps",
            condensed(
                [
                    ceiling._step_at(t, np.array(v))
                    for t, v in ((100.0, [99.7, 100, 101]), (9.9, [9.9, 9.85, 10]), (0.0, [0.0, 1.25]), (-1.0, [-1.5]))
                ]
            ),
        )
    )
    out.append(
        (
            "within",
            condensed(
                [
                    ceiling._within(np.arange(n) % 7 + 0.1 * np.arange(n), np.arange(n) // k)
                    for n in (4, 12, 30)
                    for k in (1, 2, 5)
                ]
            ),
        )
    )
    return kept(out, words)


def gaps() -> Kept:
    """What shifts of a run cost and save."""
    out: Cells = []
    out.append(
        (
            "cost",
            condensed(
                [shifts.cost(g, s, a) for g, s, a in product((-1.0, 0.0, 0.5, NAN), (0.1, 1e6, 2e6), (0.0, 0.3))]
            ),
        )
    )
    grid = product(
        ((0.1, 0.05), (NAN, 0.05), (-0.2, 0.02)), ((0.1, 0.03), (0.3, 1e9), (-0.15, 0.04)), ((NAN, NAN), (50.0, 90.0))
    )
    for k, (containers, fluid, levels) in enumerate(grid):
        g = shifts.Gap(column=0, containers=containers, fluid=fluid, usual=0.04, off=0.2, se_off=0.05, levels=levels)
        best = g.best
        out.append(
            (
                f"gap {k}",
                condensed(
                    [
                        best,
                        g.both,
                        g.near(0.1),
                        g.near(-0.01),
                        g.gain(0.1, 0.0),
                        g.gain(0.0, 0.2),
                        g.lean(0.1),
                        *(g.offset() if g.both else ()),
                    ]
                ),
            )
        )
    return kept(out)


def repeats() -> Kept:
    """Pooled repeats, their chances, what is left out of them, and what is said of them."""
    out: Cells = []
    words: list[str] = []
    pooled = []
    cases = (
        ((0.1, -0.2, 0.1, 0.15), 0.1),
        ((0.1, 0.1, 5.0), 0.1),
        ((0.1, 3.0), 0.1),
        ((4.0,), 0.1),
        ((0.01,) * 8, 0.1),
        ((0.3,) * 7, 0.1),
        ((0.1, 0.2), NAN),
        ((0.1, 0.1, 0.59), 0.1),
        ((0.1, 0.1, 0.61), 0.1),
        ((0.29,), 0.1),
        ((0.31,), 0.1),
        ((), 0.1),
        ((*tuple(0.1 * (-1) ** k for k in range(12)), 9.0, -8.0), 0.1),
    )
    for k, (x, published) in enumerate(cases):
        for kind in ("same sample", "same zone"):
            p = replicates.PooledRepeatability(
                analyte=f"a{k:02d}",
                kind=kind,
                s=float(np.sqrt(np.mean(np.square(x)))) if x else NAN,
                df=len(x),
                published=published,
                relative=k % 2 == 0,
                unit="mg/kg",
                contrasts=x,
                averaged=1.0 + k % 3,
            )
            kept_ = replicates.tamed(p)
            out.append((f"tamed {k} {kind}", condensed([kept_.s, kept_.df, kept_.apart, *kept_.contrasts])))
            if x and kept_.df:
                pooled.append(kept_)
                out.append(
                    (
                        f"pooled {k} {kind}",
                        condensed(
                            [
                                p.least,
                                *p.standard,
                                *p.interval(),
                                *p.interval(0.9),
                                p.p_larger(),
                                p.p_larger(1.6),
                                p.p_smaller(),
                                *p.shown_s()[:4],
                            ]
                        ),
                    )
                )
    cells, told = check(
        "repeatability", replicates.check_repeatability(tuple(pooled), {"a03"}, {"a00": 0.3, "a05": 0.21, "a06": 1.0})
    )
    return kept([*out, *cells], [*words, *told])


def results(rows: list[tuple[Any, ...]], **more: Any) -> pd.DataFrame:
    """Results by hand: sample, analyte, value, as written."""
    t = pd.DataFrame(rows, columns=["sample", "analyte", "value", "as_written"])
    return t.assign(
        **{
            "qualifier": "",
            "limit": NAN,
            "unit": "mg/kg",
            "replicate": 1,
            "run": "1",
            "run_order": np.arange(len(t)) + 1.0,
            "source_file": "a.csv",
            "source_row": np.arange(len(t)) + 2,
        }
        | more
    )


def plausible() -> Kept:
    """Checks of single numbers on tables made by hand."""
    out: Cells = []
    words: list[str] = []
    study = study_of()
    rng = np.random.default_rng(8)
    values = {
        "P": [f"{v:.0f}" for v in 5 * np.round(rng.normal(340, 30, 60) / 5)],
        "Zn": [f"{v:.1f}" for v in rng.normal(355, 9, 60)],
        "S": [f"{v:.3g}" for v in rng.normal(9800, 500, 60)],
        "Si": [f"{v:.2f}".rstrip("0") for v in rng.normal(9.9, 0.6, 60)],
        "Ca": [f"{v:.0f}" for v in np.r_[np.zeros(2), rng.normal(1200, 20, 58)]],
        "Mo": [f"{min(v, 71):.1f}" for v in rng.normal(70, 2, 60)],
    }
    t = results([(f"B{k:02d}", a, float(v), v) for a, own in values.items() for k, v in enumerate(own)])
    t.loc[t.index[::7], "source_file"] = "b.csv"
    steps = plausibility.reporting_steps(t)
    out += columns("steps", steps)
    some = {"P": 6.0, "Zn": 5.3, "S": 90.0, "Ca": 24.0, "Si": 0.02, "Mo": 0.1}
    limited = t.copy()
    low = limited.index[5::11]
    limited.loc[low, ["qualifier", "as_written"]] = ["<", "<"]
    limited.loc[low, "limit"] = limited.loc[low, "value"] * np.resize([0.1, 0.32, 0.34, 2.0, 4.0], len(low))
    samples = pd.DataFrame(
        {
            "sample": [f"B{k:02d}" for k in range(60)],
            "container": [f"C{k // 3}" for k in range(60)],
            "height": [(0.83, 0.5, 0.17)[k % 3] for k in range(60)],
            "kind": "spot",
        }
    )
    working = t.merge(samples, on="sample").assign(depth="x", y=np.log(t["value"].where(t["value"] > 0)), relative=True)
    odd = t.copy()
    odd.loc[odd.index[[1, 70]], "value"] = [-1.0, 1e6 + 1]
    odd.loc[odd.index[[130, 200]], "value"] = [7e5, 5e5]
    marked = t.assign(
        marks=np.where(np.arange(len(t)) % 50 == 3, "struck", np.where(np.arange(len(t)) == 9, "hidden", ""))
    )
    for name, c in (
        ("rounding", plausibility.rounding(steps, study, some)),
        ("digits", plausibility.digit_preference(t, steps)),
        ("odd limits", plausibility.odd_limits(limited)),
        ("odd limits, by zones", plausibility.odd_limits(limited, samples)),
        ("zinc", plausibility.zinc_to_phosphorus(t)),
        ("zinc of two", plausibility.zinc_to_phosphorus(t[t["sample"] < "B02"])),
        ("impossible", plausibility.impossible_values(odd, {"B00"})),
        ("marked", plausibility.marked_cells(marked, str.lower)),
        ("curve", ceiling.saturated_curve(working, steps)),
    ):
        cells, told = check(name, c)
        out += cells
        words += told
    order = working[working["analyte"] == "P"].assign(
        run_order=np.tile([3.0, 2.0, 1.0], 20), depth=np.tile(["a", "b", "c"], 20)
    )
    for name, own in (
        ("one order", order),
        ("two runs", order.assign(run=np.where(np.arange(60) % 3 == 0, "1", "2"))),
        ("mixed runs", order.assign(run=np.where(np.arange(60) % 5 < 2, "1", "2"))),
        ("few", order.head(6)),
    ):
        cells, told = check(name, reading_order.depth_order(own))
        out += cells
        words += (
            told + said(reading_order.split_containers(own))
            + said(reading_order.split_containers(own, frozenset({("B00", "P", "1")})))
        )
        out.append((f"inflation, {name}", condensed([reading_order.inflation(own)])))
    return kept(out, words)


def balances() -> Kept:
    """Shares of zones, chances of closures, and the checks of a clean study's duplicates and controls."""
    out: Cells = []
    words: list[str] = []
    study = study_of()
    for heights, box, rho in (
        ((0.83, 0.5, 0.17), {"vessel": "pail", "liquid_height_mm": 320.0}, None),
        ((0.1, 0.9), {"vessel": "pail", "fill_volume_l": 15.0}, (900.0, 950.0)),
        ((0.1, 0.4, 0.9), {"vessel": "x"}, (NAN, 1.0, 2.0)),
        ((0.5,), {"vessel": "pail"}, None),
    ):
        share, how = massbalance.zone_shares(study, box, heights, rho)
        out.append((f"shares {heights}", condensed(share)))
        words.append(how)
    for k, closure in enumerate(([97.0, 98.0, 96.5], [97.0, 98.0], [97.0, 97.0, 97.0], [103.0, 104.0, 102.0, 103.5])):
        for whole in ("its own mixed sample", massbalance.OF_THE_LOT):
            g = pd.DataFrame(
                {"closure_percent": closure, "sd_percent": 1.5, "df": 6.0, "whole_is": whole, "analyte": "P"}
            )
            out.append(
                (f"together {k} {whole}", condensed([massbalance._p_together(g.assign(p_less=p)) for p in (0.5, NAN)]))
            )
    case = build(2, duplicates=4, count=4)

    t = working_table(*case.tables())
    s = dict.fromkeys(study.analytes, 0.02)
    pairs = replicates.duplicate_pairs(study, t, s, {"P": 0.03})
    out += columns("pairs", pairs)
    for p in replicates.pooled_repeatability(t, s):
        out.append((f"pooled {p.analyte} {p.kind}", condensed([p.s, p.df, p.averaged, *p.contrasts])))
    cells, told = check(
        "duplicates", replicates.check_duplicates(pairs.assign(p=pairs["p"] * np.resize([1e-9, 1, 1], len(pairs))))
    )
    for treatment in ("remixed control", "layered control"):
        cells += columns(treatment, controls.depth_ranges(t, treatment, {a: Scatter(s=0.02, df=8) for a in s}, study))
    found = controls.assess_controls(
        study,
        t,
        case.samples,
        case.results,
        {a: Scatter(s=0.02, df=8) for a in s},
        limits=pd.DataFrame({"analyte": list(s), "low": 60.0, "high": 400.0}),
    )
    return kept(
        [*out, *cells, *columns("controls", found.table)], [*words, *told, *found.sentences, *said(found.flags)]
    )
