"""Chances, plans, warnings and tables of the design chapter for several invented studies, for ``tests.kept``."""

from __future__ import annotations

import re
import tempfile
from dataclasses import asdict
from functools import partial
from itertools import product
from pathlib import Path
from typing import Any

import pandas as pd

from studykit.core.errors import BadInput
from studykit.design import figures, operating, world
from studykit.design import tables as designset
from studykit.design.advice import advise
from studykit.design.assumptions import aims_of, expectations, filed_proposal, guess_from_pilot, guess_of, propose
from studykit.design.blocks import by_moments, count_block
from studykit.design.cheapest import Aim, Costs, Limits, aim_chances, cheapest, for_budget, frontier, price
from studykit.design.operating import BOTH, DesignSize, Side
from studykit.design.scenario import Cell, read_scenario
from studykit.design.simulation import Trouble, simulate_studies
from studykit.inference import Margin
from studykit.sampling.order import make_plan
from studykit.study.definition import Assumption, Study
from tests.design.test_assumptions import BASE, GOOD, stock, study
from tests.design.test_tables import every_table, view_of
from tests.kept import Cases, Kept, columns, condensed, kept

P = BASE["analytes"]["P"]
FEW = 512
COSTS = Costs(container=40, sample=10, determination=6, fixed=100)
BELOW, ABOVE = Side(sign=-1, log=True), Side(sign=1)
SIDES = (BOTH, BELOW, ABOVE)


def _operating() -> Kept:
    out: list[tuple[str, Any]] = []
    words: list[str] = []
    guesses = (Assumption(s_r=2, sd_container_depth=1, gradient=3), Assumption(s_r=1, gradient=-6, shape="lowest only"))
    sizes = (DesignSize(containers=1, depths=3, replicates=2), DesignSize(containers=4, depths=3),
             DesignSize(containers=9, depths=2), DesignSize(containers=5, depths=4, replicates=2, scatter="pooled"),
             DesignSize(containers=6, depths=3, scatter="own gradient"))
    for (i, size), (j, guess) in product(enumerate(sizes), enumerate(guesses)):
        for k, side in enumerate(SIDES if size.scatter == "unstructured" else SIDES[:1]):
            got = [operating.chances(size, guess, m, alpha=a, studies=FEW, side=side) for m, a in ((5.0, 0.05), (8.0, 0.1))]
            for g in got:
                out.append((f"chances {i} {j} {k} {len(out)}", condensed([
                    g.homogeneous, g.stratified, g.inconclusive, g.gradient_seen, g.se, g.df, g.studies,
                    g.error("stratified")])))
            words += [g.method for g in got[:1]]
            out.append((f"alone {i} {j} {k}", condensed([
                operating.homogeneous_chance(size, guess, 6.0, studies=FEW, side=side),
                operating.resolvable_margin(size, guess, studies=FEW, side=side),
                operating.resolvable_margin(size, guess, chance=0.5, alpha=0.1, studies=FEW, side=side)])))
            out.append((f"zones {i} {j} {k}", condensed(operating.zone_effects(guess, size.depths, side))))
        out.append((f"size {i} {j}", condensed([size.samples, size.determinations, size.df,
                                                operating.depth_mean_sd(size, guess)])))
        out += columns(f"chances {i} {j}", operating.chances(size, guess, 5.0, studies=FEW).to_table())
    out.append(("share", condensed([operating.beyond_share_bound(n, a) for n, a in product((1, 5, 40), (0.05, 0.1))])))
    out.append(("replicates", condensed([operating.best_replicates(Assumption(s_r=2, sd_container_depth=s), c, d)
                                         for s, c, d in ((0.0, 5, 2), (0.0, 0, 2), (0.7, 5, 2), (3.0, 40, 9))])))
    return kept(out, words)


AIMS = (Aim(analyte="P", guess=Assumption(s_r=2, sd_container_depth=0.5), margin=4.0, unit="%", relative=True),
        Aim(analyte="Si", guess=Assumption(s_r=6, gradient=26), margin=18.0, unit="mg/kg"),
        Aim(analyte="w", guess=Assumption(s_r=3, sd_container_depth=1), margin=9.0, unit="%", relative=True, side=BELOW))


def _aims() -> Kept:
    out: list[tuple[str, Any]] = []
    words: list[str] = []
    limits = Limits(depths=(3,), max_containers=14, max_replicates=2)
    for a in AIMS:
        out.append((f"{a.analyte} / sizes", condensed([
            a.shown(7.0), a.scaled(7.0), a.margin_at(5.0), a.farthest(3), a.beyond_by(2.0, 3).guess.gradient,
            a.scattered().guess.sd_container_depth, a.untyped_profiles, a.with_margin(3.0).margin])))
        words += [a.right_word, a.right_at(3), a.with_gradient(1.5 * a.margin).right_at(4)]
        got = aim_chances(a, DesignSize(containers=7, depths=3), 0.05, FEW)
        out.append((f"{a.analyte} / chances", condensed([got.homogeneous, got.stratified])))
        found = world.about_cheapest(a, COSTS, limits, target=0.7)
        out.append((f"{a.analyte} / about", condensed([found.size.containers, found.size.replicates, found.cost, found.lowest]
                                                      if found else [])))
    found_all = cheapest(AIMS[:1], COSTS, limits, target=0.7)
    bought = for_budget(AIMS[:1], COSTS, limits, 900.0)
    for name, result in (("cheapest", found_all), ("budget", bought)):
        out += columns(name, result.to_table())
        out.append((f"{name} / tried", condensed([x for c in result.tried for x in (c.cost, c.lowest, c.every)])))
        words.append(result.proof())
    out.append(("frontier", condensed([x for c in frontier(found_all.tried) for x in (c.cost, c.lowest)])))
    out.append(("price", condensed([price(AIMS[:2], DesignSize(containers=3, depths=3), COSTS).cost])))
    for n, number in ((1, 1), (5, 1), (5, 2)):
        drawn = world.drawn_study(AIMS[0], DesignSize(containers=n, depths=3, replicates=2), number)
        out.append((f"drawn {n} {number}", condensed([*drawn.pair, drawn.estimate, drawn.low, drawn.high,
                                                      *drawn.cells.ravel()])))
        words.append(drawn.word)
    fewer = Limits(depths=(3,), max_containers=8, max_replicates=1)
    seen = world.explore(AIMS[0], DesignSize(containers=4, depths=3), COSTS, fewer, target=0.6)
    out.append(("explored", condensed([seen.cost, seen.smallest_margin, *(x for row in seen.curve for x in row)])))
    return kept(out, words)


def _simulated() -> Kept:
    out: list[tuple[str, Any]] = []
    troubles = (None, Trouble(missing=0.2), Trouble(sd_gradient=4.0, settled_share=0.4), Trouble(limit=-2.0))
    for k, trouble in enumerate(troubles):
        size = DesignSize(containers=5, depths=3, replicates=1 + k % 2)
        made = simulate_studies(AIMS[:2], size, trouble, studies=100, seed=k)
        out += columns(f"simulated {k}", made.to_table())
        out.append((f"whole {k}", condensed([made.all_homogeneous, made.any_stratified, made.not_assessed])))
    cells = (Cell(containers=6, depths=2, difference=5, s_r=1.5, sd_container_depth=2),
             Cell(containers=5, tails=4, sd_gradient=2), Cell(containers=5, difference=8, lost=0.1, sd_container=3),
             Cell(containers=4, level=50, limit=48, s_r=2, difference=-4),
             Cell(containers=7, depths=3, determinations=2, s_r=3, sd_gradient=1, sd_container_depth=1))
    for k, cell in enumerate(cells):
        for margin in (Margin.relative(5), Margin.absolute(4.0)):
            counts, _ = count_block("ab" * 32, cell, margin, 0.05, k, 60)
            out.append((f"block {k} {margin.scale}", condensed(counts)))
    return kept(out)


def _tables(k: int) -> Kept:
    """Every table of the chapter for one study, its plan and its warnings."""
    s, containers = STUDIES[k]()
    view = view_of(s, containers)
    out: list[tuple[str, Any]] = []
    for name, table in every_table(view).items():
        out += columns(name, table)
    out += columns("components", designset.components_table(view))
    plan = propose(s, lots=2)
    out.append(("plan", condensed([plan.samples, plan.determinations])))
    if containers["container"].nunique() > 1:
        filed = filed_proposal(s, view.size, containers, make_plan(s, containers).samples)
        out.append(("filed", condensed([filed.samples, filed.determinations])))
        out += columns("filed", filed.to_table())
    found = designset.search(view)
    words = [designset.proof(view, found), designset.untyped_words(view, found), designset.two_more(view),
             designset.cautions(view), *designset.early_words(view, False),  # type: ignore[arg-type]
             figures.curve_alt(view, "gradient", figures.curve(view, "gradient")), figures.cost_alt(found)]
    words += [f"{a.topic} | {a.what} | {a.why} | {a.cure}" for a in advise(s, view.size, containers)]
    return kept(out, words)


def _warned() -> Kept:
    """Warnings of many studies, in full."""
    words: list[str] = []
    cases: tuple[tuple[Study, DesignSize, pd.DataFrame | None], ...] = tuple(
        (s, DesignSize(containers=n, depths=3, replicates=r), table)
        for s in (study(), study(scope="container", sampling__heel=False), study(sampling__duplicates=0, share_percent=10),
                  study(analytes__P=P | {"margin": {"relative_percent": 1}}, design__budget=700),
                  study(design__budget=500, design__cost_per_analyte={"P": 10, "water": 1}),
                  study(factors={"depths": ["upper", "middle", "lower"], "fixed": ["lot", "age_months"],
                                 "by_depth": ["age_months"]}))
        for n, r, table in ((1, 1, GOOD.head(1)), (4, 1, stock("AABB", "xyxy", (12, 12, 24, 36))),
                            (4, 2, stock("AAAA", "xxxx")), (5, 1, stock("AAABB", "xxxyy", (1, 2, 3, 4, 90)))))
    for s, size, table in cases:
        words += [f"{size.containers} {size.replicates} {a.topic} | {a.what} | {a.why} | {a.cure}"
                  for a in advise(s, size, table)]
    g = guess_from_pilot(2.0, 1.5, 0.5, 3.0)
    return kept([("pilot", condensed([g.s_r, g.sd_container_depth, g.sd_container, g.gradient]))], words)


def _lying() -> tuple[Study, pd.DataFrame]:
    return study(design__guesses={"P": {"s_r": 2.0, "gradient": 15}, "water": {"s_r": 30.0}}, design__containers=5,
                 design__max_containers=7), stock("AABBB", "xyxyx", (6, 6, 12, 12, 24))


def _one() -> tuple[Study, pd.DataFrame]:
    return study(scope="container", design=BASE["design"] | {"containers": 1, "max_replicates": 3}), GOOD.head(1)


def _budget() -> tuple[Study, pd.DataFrame]:
    return study(design__budget=900, design__containers=4, design__max_containers=6, design__max_replicates=2), GOOD.head(4)


REPEATS = ({"s_r": 2.0}, {"s_r_percent": 2.0}, {"r": 5.0}, {"r_percent": 5.0})


def _guesses() -> Kept:
    """What is guessed of one analyte from each kind of statement, with and without a level, under each kind of margin."""
    out: list[tuple[str, Any]] = []
    words: list[str] = []
    margins = {"relative_percent": 10}, {"absolute": 30}
    for k, (own, margin, level) in enumerate(product((*REPEATS, None), margins, (400, None))):
        said = {"repeatability": own | {"source": "chart"}} if own else {"method_key": "ASTM D5185-18"}
        p = {x: v for x, v in (P | {"margin": margin, "nominal": level} | said).items() if v is not None}
        s = study(design__guesses={}, analytes__P=p)
        got = guess_of(s, "P")
        out.append((f"guess {k}", condensed([got.s_r, got.sd_container_depth] if got else [])))
        words.append(got.source if got else "nothing")
        out += columns(f"expected {k}", expectations(s, {"P": 7.0}))
        words += [f"{a.analyte} {a.margin:.9g} {a.unit} {a.relative} {a.side} {a.guess.gradient:.9g}"
                  for a in aims_of(s, {"P": 7.0})]
    return kept(out, words)


GRID = """title = "Pails"
margin = {margin}
studies = {studies}
seed = 3
{more}
[grid]
containers = {containers}
depths = {depths}
difference = {difference}
s_r = {s_r}
"""


def _scenarios() -> Kept:
    """Grids as read, with their faults, and which cells are drawn by their moments."""
    words: list[str] = []
    out: list[tuple[str, Any]] = []
    plain = {"margin": "{ relative_percent = 5 }", "studies": 2500, "more": "", "containers": "[6, 12]", "depths": 2,
             "difference": "[0, 5]", "s_r": 1.5}
    changed: tuple[dict[str, Any], ...] = (
        {}, {"more": "alpha = 0.1"}, {"more": "alpha = 0.5"}, {"more": "alpha = 0"}, {"more": "alpha = 0.49"}, {"studies": 0},
        {"studies": 1}, {"studies": 100000000}, {"studies": 100000001}, {"studies": 2.5}, {"containers": 1}, {"containers": 2},
        {"containers": 1000}, {"containers": 1001}, {"containers": "[]"}, {"depths": 1}, {"depths": 20}, {"depths": 21},
        {"depths": 2.5}, {"difference": '"x"'}, {"difference": -1e9}, {"difference": -1.1e9}, {"difference": -100},
        {"s_r": 0}, {"s_r": -1}, {"s_r": "true"}, {"s_r": "nan"}, {"s_r": "[1, 1]"}, {"margin": "{ absolute = 2 }"},
        {"margin": "5"}, {"margin": "{ relative_percent = 0 }"}, {"more": "color = 1"}, {"s_r": "1\ntails = 2"},
        {"s_r": "1\ntails = 3"}, {"s_r": "1\ntails = [0, 1]"}, {"s_r": "1\nlost = 0.9"}, {"s_r": "1\nlost = 0.89"},
        {"s_r": "1\nwhat = 0"}, {"s_r": "1\nlimit = 5\nlevel = 4"}, {"s_r": "0\nsd_container_depth = 0"},
        {"more": "alpha = 0.2"}, {"more": "alpha = 0.0001"}, {"more": "alpha = 0.21"})
    with tempfile.TemporaryDirectory() as folder:
        for k, change in enumerate(changed):
            path = Path(folder) / f"{k}.toml"
            path.write_text(re.sub(r"\{(\w+)\}", lambda m, c=change: str({**plain, **c}[m[1]]), GRID), encoding="utf-8")
            try:
                s = read_scenario(path)
            except BadInput as error:
                words += [f"{k} {f.row} {f.column} {f.value}: {f.reason}; {f.remedy}" for f in error.faults]
                continue
            out.append((f"grid {k}", condensed([s.studies, s.seed, s.alpha, s.margin.low, s.margin.high, *(
                x for c in s.cells for x in asdict(c).values())])))
            words.append(f"{k} {s.key_of(s.cells[-1])}")
    cells = (Cell(), Cell(tails=3), Cell(lost=0.1), Cell(limit=1), Cell(containers=3), Cell(containers=4), Cell(s_r=0.0),
             Cell(difference=-99.0), Cell(difference=99.0), Cell(s_r=30.0), Cell(sd_gradient=40.0),
             Cell(s_r=0, sd_container_depth=1))
    margins = Margin.relative(5), Margin.absolute(4.0)
    out.append(("by moments", condensed([by_moments(c, m) for c in cells for m in margins])))
    for cost, sample in ((0.0, 1.0), (1.0, -1.0), (1.0, 0.0)):
        try:
            words.append(f"{operating.best_replicates(Assumption(s_r=2, sd_container_depth=1), sample, cost):g}")
        except ValueError as error:
            words.append(str(error))
    return kept(out, words)


def _aged() -> Kept:
    """What ages tell of time: one, two nearly alike, a lone one, one at the oldest, visits."""
    words = []
    for ages in ((12, 12, 12, 12), (12, 12.2, 24, 24), (12, 12.3, 24, 24), (12, 18, 24, 36), (12, 18, 36, 36), (1, 2, 3, 90),
                 (12, 12.5, 13, 25), (12, 12.5, 13, 24.9), (60, 61, 62, 2)):
        told = advise(study(time={"course": "linear"}), DesignSize(containers=4, depths=3), stock("AABB", "xyxy", ages))
        words += [f"{ages} {a.topic} | {a.what} | {a.why} | {a.cure}" for a in told
                  if a.topic in ("ages", "lone age", "confounded factors", "small groups")]
    return kept((), words)


STUDIES = (_lying, _one, _budget)
QUICK: Cases = {"chances": _operating, "aims": _aims, "simulated": _simulated, "warnings": _warned,
                "guesses": _guesses, "scenarios": _scenarios, "ages": _aged,
                **{f"study {k}": partial(_tables, k) for k in range(len(STUDIES))}}
SLOW: Cases = {}
