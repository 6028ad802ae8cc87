"""Runs that read apart, over small invented studies: gaps, errors and every explanation worked out again with plain loops."""

from __future__ import annotations

import math
import statistics
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from studykit.quality import shifts as library
from studykit.quality.explain import Candidate, Scene
from studykit.quality.frame import Fit, Frame
from studykit.quality.reweighted import robust_line
from studykit.quality.shifts import (
    Gap,
    _by_blanks,
    _by_offset,
    _by_one_amount,
    _fluid_gaps,
    _gaps,
    _of_two,
    cost,
    costs,
    robust_mean,
    shift_table,
    shifts,
)

ANALYTES = ("P", "Zn", "S", "Ca", "KV")
"""KV is absolute: its y is the reading itself."""
SCALE = np.array([1.0, 1, 1, 1, 50])
NAN = math.nan
Pair = tuple[float, float]
Told = tuple[Any, ...]


def scene(seed: int, runs: int, boxes: int = 11) -> Scene:
    """Containers of a few lots in runs of their own (one in two), check fluid and blanks, and runs that are off somehow."""
    rng = np.random.default_rng(seed)
    k, names = len(ANALYTES), [f"R{r + 1}" for r in range(runs)]
    home = list(rng.integers(0, runs, boxes))
    home[:runs] = range(runs) if seed % 6 else [0] * runs  # a run may have no container
    boxes += seed % 4 == 0  # all lots of two
    home = [*home, 0][:boxes]
    lots = [str(x) for x in (rng.choice(["A", "B", "C", "D"], boxes, p=[0.4, 0.3, 0.2, 0.1]) if seed % 4 else
                             np.repeat(["A", "B", "C", "D", "E", "F"], 2)[:boxes])]
    rows: list[tuple[str, str, int, str, str]] = []
    for b in range(boxes):
        rows += [(f"C{b}", "spot", b, names[home[b] if b != boxes - 1 or z else 0], lots[b]) for z in range(3)]
    for r, run in enumerate(names):
        rows += [("", "check fluid", boxes, run, "")] * int(rng.choice([0, 1, 2, 3], p=[0.1, 0.1, 0.6, 0.2]))
        rows += [("", "blank", -1, run, "")] * int(rng.integers(0, 3) if r else 1)
    t = pd.DataFrame(rows, columns=["container", "kind", "code", "run", "lot"])
    t = t.iloc[rng.permutation(len(t))].reset_index(drop=True)
    at, kind = t["code"].to_numpy(np.intp), t["kind"].to_numpy(object)
    at = np.where(kind == "check fluid", boxes, at)
    run = np.array([names.index(x) for x in t["run"]])
    off = rng.normal(0, 0.01, (runs, k)) * SCALE  # by run and analyte, all of it
    fluid = np.zeros((runs, k))  # its check fluid alone, besides
    bad, how = int(rng.integers(0, runs)), seed % 5
    size = float(rng.choice([-0.25, 0.2, 0.4]))
    if how == 1:
        off[bad] += size * SCALE * (rng.random(k) < 0.8)
    elif how == 2:
        fluid[bad] += size * SCALE * (rng.random(k) < 0.8)
    elif how == 3:
        off[bad, rng.integers(0, k)] += size
    level = np.where(np.arange(k) < 4, math.log(100), 100.0)
    u = rng.normal(0, 0.03, (boxes + 1, k)) * SCALE + level
    u[boxes] += np.array([0.5, -1.5, 0.3, 2.0, 50])
    u[:boxes] += np.array([off[h] for h in home])
    y = u[np.maximum(at, 0)] + rng.normal(0, 0.03, (len(t), k)) * SCALE
    y[at == boxes] += (off + fluid)[run[at == boxes]]
    raw = np.where(at[:, None] < 0, rng.uniform(0, 2, y.shape), y)
    if how in (0, 4):  # an amount on everything in the run, its blanks too
        amount = float(rng.choice([-15.0, 20.0, 60.0]))
        y[(run == bad) & (at == boxes), :3] = np.log(np.exp(y[(run == bad) & (at == boxes), :3]) + amount * 0.9)
        own = [b for b in range(boxes) if home[b] == bad]
        u[own, :3] = np.log(np.exp(u[own, :3]) + amount)
        y[(run == bad) & (at < boxes) & (at >= 0), :3] = u[at[(run == bad) & (at < boxes) & (at >= 0)], :3]
        raw[(run == bad) & (at < 0)] += max(amount, 0.0) * rng.choice([0.0, 1.0])
    y[rng.random(y.shape) < 0.05], raw[rng.random(y.shape) < 0.1] = NAN, NAN
    u[rng.integers(0, boxes), rng.integers(0, k)] = NAN
    reference = np.exp(level + np.array([0.5, -1.5, 0.3, 2.0, 0]))
    reference[4] = 150.0
    reference = np.where(rng.random(k) < 0.2, NAN, reference)
    stated = np.where(rng.random(k) < 0.2, rng.choice([NAN, 0.0]), 0.02 * SCALE)
    su = (0.05 if seed % 2 else 0.01) * SCALE
    if seed % 9 == 0:
        su[1] = np.inf
    f = Frame(rows=t.assign(sample=[f"S{i}" for i in range(len(t))]), analytes=ANALYTES, y=y, value=y, raw=raw,
              relative=np.arange(k) < 4, stated=stated, at=at, place=np.where(at < boxes, 0, 1),
              names=(*(f"C{b}" for b in range(boxes)), "check fluid"), labels=("spot", "check fluid"),
              zone=kind == "spot", reference=reference, unsure=np.where(rng.random(k) < 0.5, 0.0, 0.02 * reference))
    s = rng.uniform(0.02, 0.05, y.shape) * SCALE
    m = Fit(level=u, profile=np.zeros((2, k)), rate=np.ones(boxes + 1), rate_spread=0.0, e=y * 0, s=s, u=u * 0, su=su,
            kinds=u, typical=y, share=0.8, share_u=0.8)
    return Scene(f=f, y=y, m=m, live=np.isfinite(y))


# -- by hand -----------------------------------------------------------------------------------------------------


def paid(gap: float, se: float, at: float) -> float:
    """Student's t with eight degrees of freedom, in nats."""
    return 4.5 * math.log(1 + ((gap - at) / se) ** 2 / 8) if is_known((gap, se)) else 0.0


def is_known(x: Pair) -> bool:
    return math.isfinite(x[0]) and x[1] < 1e6


def middle(x: list[float]) -> float:
    x = [v for v in x if not math.isnan(v)]
    return statistics.median(x) if x else NAN


def mean_of(x: list[float], s: list[float]) -> Pair:
    """Eight rounds of reweighting by Student's t with six degrees of freedom, from the median on."""
    known = [(a, b) for a, b in zip(x, s, strict=True) if math.isfinite(a) and math.isfinite(b)]
    if not known:
        return NAN, 1e300
    m = statistics.median(a for a, _ in known)
    for _ in range(8):
        w = [7 / (6 + ((a - m) / b) ** 2) / b**2 for a, b in known]
        m = sum(v * a for v, (a, _) in zip(w, known, strict=True)) / sum(w)
    return m, 1 / sum(1 / b**2 for _, b in known)


class Plain:
    """What a scene says of its runs, as lists and dictionaries."""

    def __init__(self, sc: Scene) -> None:
        f, self.sc, self.boxes = sc.f, sc, len(sc.f.names) - 1
        self.run, self.kind = list(f.rows["run"]), list(f.rows["kind"])
        self.runs = sorted(set(self.run))
        self.rows = {r: [i for i, x in enumerate(self.run) if x == r] for r in self.runs}
        self.fluid = {r: [i for i in self.rows[r] if self.kind[i] == "check fluid"] for r in self.runs}
        where = [{self.run[i] for i in range(len(f.at)) if f.at[i] == b} for b in range(self.boxes)]
        self.home = [next(iter(w)) if len(w) == 1 else "" for w in where]
        lot = {int(f.at[i]): f.rows["lot"][i] for i in range(len(f.at)) if f.zone[i]}
        lots = [lot[b] for b in range(self.boxes)]
        count = {x: lots.count(x) for x in sorted(set(lots))}
        many, twos = [x for x in count if count[x] > 2][1:], [x for x in count if count[x] == 2]
        own = [*many, *(twos if any(n != 2 for n in count.values()) else twos[1:])]
        self.columns = np.array([[1.0, *(float(x == o) for o in own)] for x in lots])
        self.means = {(r, a): mean_of([sc.y[i, a] for i in self.fluid[r]], [sc.m.s[i, a] for i in self.fluid[r]])
                      for r in self.runs for a in range(len(ANALYTES))}

    def usual(self, a: int) -> float:
        stated = self.sc.f.stated[a]
        return stated if stated > 0 else middle([self.sc.m.s[i, a] for i in range(len(self.run)) if self.sc.f.zone[i]])

    def of_containers(self, run: str, a: int) -> Pair:
        """The run's own column in a robust regression on lots; its error from the squares that the lots leave of it."""
        m = self.sc.m
        ok = [b for b in range(self.boxes) if self.home[b] and math.isfinite(m.level[b, a]) and math.isfinite(m.su[a])]
        box = np.array([float(self.home[b] == run) for b in ok])
        if not 0 < box.sum() < len(ok):
            return NAN, 1e9
        kinds = self.columns[ok]
        left = float(((box - kinds @ np.linalg.lstsq(kinds, box)[0]) ** 2).sum())
        if left < 1e-9:
            return NAN, 1e9
        x, y, su = np.column_stack([kinds, box]), m.level[ok, a], float(m.su[a])
        one = robust_line(x, y)
        two = robust_line(x, y - x @ one, su, 6)
        apart = statistics.median(abs(v) for v, b in zip(y - x @ (one + two), box, strict=True) if b)
        return float(one[-1] + two[-1]), su / math.sqrt(left) * max(1.0, apart / 1.5 / su)

    def of_many(self, run: str, a: int) -> Pair:
        """A run's containers about a line through all of them: twelve rounds of reweighting from their mean."""
        m = self.sc.m
        ok = [b for b in range(self.boxes) if self.home[b] and math.isfinite(m.level[b, a]) and math.isfinite(m.su[a])]
        own = [k for k, b in enumerate(ok) if self.home[b] == run]
        if not 0 < len(own) < len(ok):
            return NAN, 1e9
        x, y, su = self.columns[ok], m.level[ok, a], float(m.su[a])
        one = np.array([float(k in own) for k in range(len(ok))])
        free = float(((one - x @ np.linalg.lstsq(x, one)[0]) ** 2).sum())
        if free < 1e-6 * len(own):
            return NAN, 1e9
        left = (y - x @ robust_line(x, y))[own].tolist()
        c = sum(left) / len(left)
        for _ in range(11):
            w = [7 / (6 + ((v - c) / su) ** 2) for v in left]
            c = sum(p * v for p, v in zip(w, left, strict=True)) / sum(w)
        return c, su / math.sqrt(free) * max(1.0, statistics.median(abs(v - c) for v in left) / 1.5 / su)

    def of_fluid(self, run: str, a: int) -> Pair:
        """Against the other one of two, against the middle of more; the least error of another run's mean added."""
        mean, var = self.means[run, a]
        others = [self.means[r, a] for r in self.runs if r != run]
        known = [m for m, _ in (*others, (mean, var)) if not math.isnan(m)]
        if len(self.runs) == 2:
            return mean - others[0][0], math.sqrt(var + (0.0 if math.isnan(others[0][0]) else others[0][1]))
        gap = mean - statistics.median(known) if len(known) > 1 else NAN
        return gap, math.sqrt(var + (min(v for _, v in others) if known else 0.0))

    def gap(self, run: str, a: int) -> Gap | None:
        f, (mean, var) = self.sc.f, self.means[run, a]
        stock, fluid = self.of_containers(run, a), self.of_fluid(run, a)
        if not (is_known(stock) or is_known(fluid)):
            return None
        level = middle([self.sc.m.level[b, a] for b in range(self.boxes) if self.home[b] == run])
        should = math.log(f.reference[a]) if f.relative[a] else f.reference[a]
        unsure = f.unsure[a] / (f.reference[a] if f.relative[a] else 1.0)
        levels = (math.exp(level - stock[0]), math.exp(mean - fluid[0])) if f.relative[a] else (NAN, NAN)
        return Gap(column=a, containers=stock, fluid=fluid, usual=self.usual(a), off=mean - should, levels=levels,
                   se_off=math.sqrt(self.usual(a) ** 2 + var + (0.0 if math.isnan(unsure) else unsure) ** 2))


def ordinary(usual: float, x: float) -> float:
    return x if -usual <= x <= usual else math.copysign(usual, x)


def best(g: Gap) -> float:
    known = [x for x in (g.containers, g.fluid) if is_known(x)]
    return sum(x / s**2 for x, s in known) / sum(1 / s**2 for _, s in known) if known else NAN


def saved(g: Gap, stock: float, fluid: float) -> float:
    usual = ordinary(g.usual, best(g))
    return paid(*g.containers, usual) + paid(*g.fluid, usual) - paid(*g.containers, stock) - paid(*g.fluid, fluid)


def leans(g: Gap, amount: float) -> float:
    return paid(g.off, g.se_off, 0.0) - paid(g.off, g.se_off, amount)


def offset(g: Gap) -> tuple[float, float, float]:
    """The best of nine amounts between what containers and check fluid say, of those that leave a fiftieth."""
    stock, fluid = g.levels
    ends = stock * (math.exp(g.containers[0]) - 1), fluid * (math.exp(g.fluid[0]) - 1)
    tries = [b for b in (ends[0] + (ends[1] - ends[0]) * k / 8 for k in range(9)) if b > -0.98 * min(stock, fluid)]
    if not tries:
        return NAN, NAN, NAN
    return max(((b, math.log(1 + b / stock), math.log(1 + b / fluid)) for b in tries), key=lambda x: saved(g, *x[1:]))


def of_blanks(p: Plain, run: str, a: int, amount: float) -> float:
    read = {x: [p.sc.f.raw[i, a] for i, k in enumerate(p.kind) if k == "blank" and (p.run[i] == run) == x
                and not math.isnan(p.sc.f.raw[i, a])] for x in (True, False)}
    if not read[True] or not amount > 0:
        return 0.0
    more = statistics.fmean(read[True]) - (statistics.fmean(read[False]) if read[False] else 0.0)
    return max(0.0, paid(more, 0.3 * amount, 0.0) - paid(more, 0.3 * amount, amount))


def by_hand(sc: Scene, of: str = "") -> list[tuple[float, Told]]:
    """Every explanation with what the limits of the check fluid say of it."""
    p, out = Plain(sc), list[tuple[float, Told]]()
    gaps = {r: [g for a in range(len(ANALYTES)) if (g := p.gap(r, a)) is not None] for r in p.runs}
    looked = math.log(max(2, sum(map(len, gaps.values()))))
    for run in (r for r in p.runs if of in ("", r)):
        fluid = p.fluid[run]
        rest = [i for i in p.rows[run] if i not in fluid]

        def tell(cause: str, rows: list[int], of: list[Gap], amount: float, gain: float, price: float,
                 run: str = run) -> None:
            lean = 0.0 if cause == "run and stock" else sum(leans(g, amount) for g in of)
            columns = [g.column for g in of]
            out.append((lean, (cause, tuple(rows), tuple(columns), gain, price, f"run {run}", amount, "",
                               [[sc.y[i, a] - amount for a in columns] for i in rows])))

        for g in gaps[run]:
            (c, _), (f, _), both = g.containers, g.fluid, is_known(g.containers) and is_known(g.fluid)
            for cause, rows, amount, stock, check in (
                    ("run shift", p.rows[run], best(g), best(g), best(g)),
                    ("check fluid", fluid, f, ordinary(g.usual, c), f), ("run and stock", rest, c, c, ordinary(g.usual, f))):
                if (cause == "run shift" or both) and saved(g, stock, check) > 2:
                    tell(cause, rows, [g], amount, saved(g, stock, check), looked + 0.5)
            b, stock, check = offset(g) if both and sc.f.relative[g.column] else (NAN, NAN, NAN)
            if not math.isnan(b) and saved(g, stock, check) > 2:
                read = [sc.y[i, g.column] for i in p.rows[run]]
                left = [[x if math.isnan(x) or math.exp(x) <= b else math.log(math.exp(x) - b)] for x in read]
                out.append((leans(g, check), (
                    "run offset", tuple(p.rows[run]), (g.column,), saved(g, stock, check) + of_blanks(p, run, g.column, b),
                    looked + 1.5, f"run {run}", b, "", left)))
        for alone in (False, True):
            own = [g for g in gaps[run] if sc.f.relative[g.column]]
            own = [g for g in own if is_known(g.containers) and is_known(g.fluid)] if alone else own
            tries = []
            for amount in (g.fluid[0] if alone else best(g) for g in own):
                each = {g.column: saved(g, ordinary(g.usual, g.containers[0]) if alone else amount, amount) for g in own}
                used = [g for g in own if each[g.column] > 0.5]
                if len(used) > 2:
                    net = sum(each[g.column] for g in used) - math.log(math.comb(len(own), len(used)))
                    tries.append((net, amount, used))
            if tries and max(t[0] for t in tries) >= 2:
                net, amount, used = max(tries, key=lambda t: t[0])
                tell("check fluid" if alone else "run shift", fluid if alone else p.rows[run], used, amount, net,
                     math.log(len(p.runs)) + 4.0)
    return out


def of_two(tries: list[tuple[float, Told]]) -> list[Told]:
    """Of two runs that say the same the one that the limits favour by two nats; else either, told as the first."""
    told: dict[tuple[str, tuple[int, ...]], tuple[float, Told]] = {}
    for lean, c in tries:
        key = (c[0], c[2])
        if key not in told:
            told[key] = lean, c
            continue
        before, old = told[key]
        if abs(lean - before) < 2:
            told[key] = lean, (*old[:7], f"either {old[5][4:]} and {c[5][4:]}", old[8])
        elif lean > before:
            told[key] = lean, c
    return [(*c[:3], c[3] + min(lean, 0.0), *c[4:]) for lean, c in told.values()]


def told(c: Candidate) -> Told:
    return (c.cause, c.rows, c.columns, c.gain, c.price, c.place, c.amount, c.detail, c.readings.tolist())


def same(found: list[Told], expected: list[Told], where: object) -> None:
    assert [(*x[:3], x[5], x[7]) for x in found] == [(*x[:3], x[5], x[7]) for x in expected], where
    flat = [[v for x in made for v in (x[3], x[4], x[6], *(y for row in x[8] for y in row))] for made in (found, expected)]
    np.testing.assert_allclose(*flat, rtol=1e-7, atol=1e-9, err_msg=str(where))


def rows_of(sc: Scene) -> list[tuple[str, Any]]:
    return [(r, np.array(rows)) for r, rows in Plain(sc).rows.items()]


@pytest.mark.parametrize("runs", [2, 3, 4])
def test_every_shift_of_a_run_is_that_of_plain_loops(runs: int) -> None:
    """The same explanations in the same order, with their bottles, analytes, gain, price, amount and readings."""
    seen = set()
    for seed in range(5):
        sc = scene(100 * runs + seed, runs)
        expected = by_hand(sc)
        found = [told(c) for c in shifts(sc, rows_of(sc))]
        same(found, of_two(expected) if runs == 2 else [c for _, c in expected], seed)
        seen |= {x[0] for x in found} | {"several" for x in found if len(x[2]) > 2}
    assert {"run shift", "check fluid", "run and stock", "run offset", "several"} <= seen
    few = np.arange(len(ANALYTES)) == 0  # of two runs and one analyte two gaps are known
    alone = replace(sc, y=np.where(few, sc.y, NAN), m=replace(sc.m, level=np.where(few, sc.m.level, NAN)))
    expected = by_hand(alone)
    same([told(c) for c in shifts(alone, rows_of(alone))], of_two(expected) if runs == 2 else [c for _, c in expected], "alone")
    if runs > 2:
        same([told(c) for c in shifts(sc, rows_of(sc), of="R2")], [c for _, c in by_hand(sc, "R2")], "R2")


@pytest.mark.parametrize("runs", [1, 2, 5])
def test_gaps_of_runs_and_their_errors_are_those_of_plain_loops(runs: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Run by run, and from so many runs on all at once; what is known of the check fluid is taken as it is."""
    for seed in range(2):
        sc = scene(seed, runs)
        p = Plain(sc)
        for many in (False, True):
            monkeypatch.setattr(library, "MANY", runs if many else runs + 1)
            t = shift_table(sc, rows_of(sc))
            assert list(zip(t["run"], t["analyte"], t["column"], strict=True)) == [
                (r, x, a) for r in p.runs for a, x in enumerate(ANALYTES)]
            stock = p.of_many if many else p.of_containers
            expected = [(*stock(r, a), *(p.of_fluid(r, a) if runs > 1 else (NAN, math.sqrt(p.means[r, a][1]))), p.usual(a))
                        for r in p.runs for a in range(len(ANALYTES))]
            np.testing.assert_allclose(t[["containers", "containers_se", "check_fluid", "check_fluid_se", "usual"]], expected,
                                       rtol=1e-7, atol=1e-9, err_msg=f"{seed} {many}")
    given = (np.full((runs, 5), 3.0), np.full((runs, 5), 4.0))
    assert shift_table(sc, rows_of(sc), given)["check_fluid_se"].round(9).nunique() == 1


@pytest.mark.parametrize("seed", range(3))
def test_robust_means_are_those_of_plain_loops(seed: int) -> None:
    """Readings and scatters not known, columns without any."""
    rng = np.random.default_rng(seed)
    x, s = rng.normal(5, 1, (5, 8)) * 10.0 ** rng.integers(0, 2, (5, 8)), rng.uniform(0.2, 2, (5, 8))
    x[rng.random(x.shape) < 0.3], s[rng.random(x.shape) < 0.2] = NAN, np.inf
    x[:, 0] = NAN
    expected = [mean_of(list(a), list(b)) for a, b in zip(x.T, s.T, strict=True)]
    np.testing.assert_allclose(np.array(robust_mean(x, s)).T, expected)


def test_what_blanks_say_of_an_offset_and_what_gaps_cost_is_that_of_plain_loops() -> None:
    for seed in range(8):
        sc = scene(5 * seed, 3)
        p = Plain(sc)
        for run, rows in rows_of(sc):
            for a, amount in ((0, 20.0), (1, 1.0), (2, 60.0), (0, -20.0), (1, 0.0)):
                assert _by_blanks(sc, rows, a, amount) == pytest.approx(of_blanks(p, run, a, amount), abs=1e-12)
    rng = np.random.default_rng(3)
    gap, se, at = rng.normal(0, 2, 20), rng.choice([0.5, 1.0, 1e6, 1e9], 20), rng.normal(0, 1, 20)
    gap[:4] = NAN
    assert costs(gap, se, at).tolist() == pytest.approx([paid(*x) for x in zip(gap, se, at, strict=True)])
    assert costs(gap, se).tolist() == pytest.approx([paid(g, s, 0.0) for g, s in zip(gap, se, strict=True)])


def test_of_two_runs_the_limits_name_one_or_neither() -> None:
    """Leans that differ by two nats exactly, by less and by more; what speaks against it is taken off."""
    one = Candidate(cause="run shift", rows=(0,), columns=(1,), readings=np.zeros((1, 1)), gain=9.0, price=1.0, place="run R1")
    other = replace(one, place="run R2", gain=8.0)
    for first, second in ((0.0, 2.0), (2.0, 0.0), (0.0, 1.75), (1.0, -0.75), (-3.0, -1.0), (-1.0, -4.0), (-1.0, -1.5)):
        found = [told(c) for c in _of_two([(first, one), (second, other), (first, replace(one, columns=(2,)))])]
        assert found == of_two([(first, told(one)), (second, told(other)), (first, told(replace(one, columns=(2,))))])


@pytest.mark.parametrize("runs", [1, 2, 3])
def test_what_is_known_of_each_run_is_that_of_plain_loops(runs: int) -> None:
    """Gaps, what the check fluid should read, how sure that is, and what the others read; how many are known of all runs."""
    for seed in (1, 2):
        sc = scene(seed, runs)
        p = Plain(sc)
        found, known = _gaps(sc, rows_of(sc), p.runs[:1])
        every = {r: [g for a in range(len(ANALYTES)) if runs > 1 and (g := p.gap(r, a)) is not None] for r in p.runs}
        assert known == sum(map(len, every.values()))
        assert [[g.column for g in found[r]] for r in p.runs] == [[g.column for g in every[r]] if r == p.runs[0] else []
                                                                  for r in p.runs]
        for g, x in zip(found[p.runs[0]], every[p.runs[0]], strict=True):
            flat = [(*one.containers, *one.fluid, one.usual, one.off, one.se_off, *one.levels) for one in (g, x)]
            np.testing.assert_allclose(*flat, rtol=1e-7, atol=1e-9)


def test_gaps_of_a_check_fluid_that_some_runs_have_not_are_those_of_plain_loops() -> None:
    rng = np.random.default_rng(4)
    for n in (1, 2, 3, 3, 4, 4):
        mean, var = rng.normal(0, 1, (n, 8)), rng.choice([0.01, 0.02, 0.05], (n, 8))
        mean[rng.random(mean.shape) < 0.5] = NAN
        var[np.isnan(mean)] = 1e300
        gap, se = _fluid_gaps(mean, var)
        for r, a in np.ndindex(n, 8):
            others = [i for i in range(n) if i != r]
            known = [mean[i, a] for i in range(n) if not math.isnan(mean[i, a]) and (n > 2 or i != r)]
            expected = mean[r, a] - statistics.median(known) if len(known) > (n > 2) else NAN
            about = min(var[i, a] for i in others) if known and others else 0.0
            assert gap[r, a] == pytest.approx(expected, nan_ok=True), (n, r, a)
            assert se[r, a] == pytest.approx(math.sqrt(var[r, a] + about)), (n, r, a)


def test_a_study_without_lots_is_one_whose_containers_are_all_of_one_lot() -> None:
    sc = scene(1, 3)
    one, none = (replace(sc, f=replace(sc.f, rows=t)) for t in (sc.f.rows.assign(lot="A"), sc.f.rows.drop(columns="lot")))
    pd.testing.assert_frame_equal(shift_table(one, rows_of(one)), shift_table(none, rows_of(one)))


def known(containers: Pair, fluid: Pair, **more: Any) -> Gap:
    return Gap(**({"column": 0, "containers": containers, "fluid": fluid, "usual": 0.02, "off": 0.3, "se_off": 0.1,
                   "levels": (100.0, 50.0)} | more))


def test_edges_of_what_is_known_and_of_what_an_offset_leaves() -> None:
    assert cost(3.0, 1e6, 0.0) == 0.0  # a million stands for not known, as more does
    assert known((2.0, 1e6), (5.0, 2.0)).best == 5.0
    assert not known((2.0, 1e6), (5.0, 2.0)).both
    assert known((0.1, 0.1), (0.1, 0.1)).lean(0.3) == pytest.approx(4.5 * math.log(1 + 9 / 8))  # three errors off, or none
    nothing = known((-5.0, 0.1), (-5.0, 0.1)).offset()  # it would take away 99 of 100, and of 50 more than 49
    assert len(nothing) == 3 and all(map(math.isnan, nothing))  # noqa: PT018
    g = known((math.log(1.4), 0.02), (math.log(1.8), 0.02))
    amount = offset(g)[0]
    assert g.offset() == pytest.approx(offset(g))
    assert amount == pytest.approx(40)
    sc = scene(1, 3)
    y = np.log(amount + np.array([0.5, 2.0, 60.0, -3.0, 1e-9]))[:, None]
    sc = replace(sc, y=np.concatenate([y, sc.y[5:, :1]]), f=replace(sc.f, relative=np.array([True])))
    ((_, c),) = _by_offset(sc, "R1", np.arange(4), g, 1.0)
    assert c.readings.ravel().tolist() == pytest.approx([math.log(0.5), math.log(2), math.log(60), float(y[3, 0])])


def test_six_analytes_of_which_four_are_off_by_one_amount_pay_for_the_choice() -> None:
    """C(6, 4) = 15 sets of four."""
    sc = scene(1, 3)
    gaps = [known((0.3, 0.02), (0.3, 0.02), column=a) for a in range(4)] + [
        known((0.0, 0.02), (0.0, 0.02), column=a) for a in (4, 5)]
    wide = replace(sc, y=np.zeros((len(sc.y), 6)), f=replace(sc.f, relative=np.ones(6, dtype=bool)))
    ((lean, c),) = _by_one_amount(wide, "R1", np.arange(3), gaps, 0.0)
    assert c.columns == (0, 1, 2, 3)
    assert c.gain == pytest.approx(4 * saved(gaps[0], 0.3, 0.3) - math.log(15))
    assert lean == pytest.approx(4 * leans(gaps[0], 0.3))
