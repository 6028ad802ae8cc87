"""Runs that read apart: shifts of a run, or of its check fluid alone, in one analyte or in several by one amount.

Runs are never outvoted, and of two runs neither can be called the wrong one by the other: which of them is off is
said by what the check fluid should read (its reference value, or the middle of its limits), or not at all.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import gammaln

from studykit.quality.explain import FREE, Candidate, Scene
from studykit.quality.frame import Frame, kind_columns, quantile
from studykit.quality.homes import of_kind, runs_of
from studykit.quality.reweighted import NU, Index, Vector, alike, robust_line, robust_lines

Mask = NDArray[np.bool_]
USUAL_SHIFT = 1.0
"""Shifts between runs up to this many repeatability standard deviations are ordinary (own judgement: the
intermediate precision of one laboratory is commonly 1.2 to 1.5 times its repeatability)."""
TAIL = 8.0
TOLD = 2.0
"""Nats by which the check fluid's limits must favour one of two runs before it is called the one that is off."""
OFFSET = 1.0
"""Nats that an offset costs more than a shift by a factor, which is the commoner (own judgement)."""
NEAR_BLANK = 0.3
"""A blank that reads an offset does so within about this share of it (own judgement)."""
EITHER = "either"
MANY = 40
"""From so many runs on each is held against all containers: one run in forty moves what is usual of them by little."""
HALF_WITHIN = 1.5
"""Standard deviations within which half of a run's containers lie, with room for chance (0.67 in the long run)."""


def robust_mean(x: Vector, s: Vector) -> tuple[Vector, Vector]:
    """Robust mean of each column and its variance (rows x A; NaN left out)."""
    live = np.isfinite(x) & np.isfinite(s)
    m = np.nan_to_num(quantile(np.where(live, x, np.nan), 0.5))
    read, s = np.where(live, x, 0.0), np.where(live, s, 1.0)
    for _ in range(8):
        w = np.where(live, (NU + 1) / (NU + ((read - m) / s) ** 2) / s**2, 0.0)
        m = (w * read).sum(axis=0) / np.maximum(w.sum(axis=0), 1e-300)
    know = np.where(live, 1 / s**2, 0.0).sum(axis=0)
    return np.where(know > 0, m, np.nan), 1 / np.maximum(know, 1e-300)


def means_of_fluid(sc: Scene, runs: list[tuple[str, Index]]) -> tuple[Vector, Vector]:
    """Robust means of the check fluid in each run, and their variances (runs x A); runs of as many bottles of it at once."""
    fluid, a = of_kind(sc.f, "check fluid"), sc.y.shape[1]
    mean, var = np.full((len(runs), a), np.nan), np.full((len(runs), a), np.nan)
    own, alike = [rows[fluid[rows]] for _, rows in runs], defaultdict[int, list[int]](list)
    for g, rows in enumerate(own):
        alike[rows.size].append(g)
    for size, places in alike.items():
        at = np.array([own[g] for g in places], dtype=np.intp).reshape(len(places), size).T
        found = robust_mean(*(part[at].reshape(size, len(places) * a) for part in (sc.y, sc.m.s)))
        mean[places], var[places] = (part.reshape(len(places), a) for part in found)
    return mean, var


def shift_table(sc: Scene, runs: list[tuple[str, Index]], of_fluid: tuple[Vector, Vector] | None = None) -> pd.DataFrame:
    """How far each run reads from the others, by its containers and by its check fluid, with standard errors.

    usual: what shifts between runs are ordinary. On the scale of y; NaN where a run has none. ``of_fluid``: the means of the
    check fluid and their variances, where they are known already.
    """
    stock = np.isin(np.arange(len(sc.f.names)), sc.f.at[sc.f.zone])
    rows = []
    home, fluids = _homes(sc), _fluid_gaps(*(means_of_fluid(sc, runs) if of_fluid is None else of_fluid))
    usual = USUAL_SHIFT * np.where(sc.f.stated > 0, sc.f.stated, quantile(sc.m.s[sc.f.zone], 0.5))
    known = stock & (home != "")
    many = _gaps_of_many(sc, pd.Index([run for run, _ in runs]).get_indexer(pd.Index(home)), known, len(runs)) if (
        len(runs) >= MANY) else None
    for g, (run, _) in enumerate(runs):
        u = _gap_of_containers(sc, stock & (home == run), known) if many is None else (many[0][g], many[1][g])
        fluid = fluids[0][g], fluids[1][g]
        rows += [(run, name, u[0][a], u[1][a], fluid[0][a], fluid[1][a], usual[a], a) for a, name in enumerate(sc.f.analytes)]
    return pd.DataFrame(rows, columns=["run", "analyte", "containers", "containers_se", "check_fluid",
                                       "check_fluid_se", "usual", "column"])


def _homes(sc: Scene) -> Vector:
    """Run of each container ('' where its bottles were read in several)."""
    runs = runs_of(sc.f)
    return np.where(pd.isna(runs), "", runs)


def _gap_of_containers(sc: Scene, box: Mask, known: Mask) -> tuple[Vector, Vector]:
    """How far the containers of a run read from the others of their lot, store and age, with standard errors.

    Where the run's own containers lie further apart than containers do, one of them is off and not the run: its standard error
    grows with that.
    """
    gap, se = np.full(len(sc.f.analytes), np.nan), np.full(len(sc.f.analytes), 1e9)
    x = np.column_stack([kind_columns(sc.f), _lots_of_two(sc.f), box.astype(float)])
    for ok, own in alike(known[:, None] & np.isfinite(sc.m.level) & np.isfinite(sc.m.su)):
        if not 0 < box[ok].sum() < ok.sum():
            continue
        cross = np.linalg.pinv(x[ok].T @ x[ok], hermitian=True)
        told = abs((cross @ (x[ok].T @ x[ok]))[-1, -1] - 1) < 1e-6
        if told:
            level, su = sc.m.level[np.ix_(ok, own)], sc.m.su[own]
            middle = robust_lines(x[ok], level)  # found among the containers, whatever their spread is said to be
            left = level - x[ok] @ middle
            last = robust_lines(x[ok], left, su, 6)
            gap[own] = middle[-1] + last[-1]
            apart = np.median(np.abs(left - x[ok] @ last)[box[ok]], axis=0) / (HALF_WITHIN * su)
            se[own] = su * np.sqrt(cross[-1, -1]) * np.maximum(1.0, apart)
    return gap, se


def _gaps_of_many(sc: Scene, home: Index, known: Mask, runs: int) -> tuple[Vector, Vector]:
    """As ``_gap_of_containers`` for every run at once (runs x A): the others are all containers, which one run hardly moves.

    ``home``: place of each container's run among the runs, -1 where it has none.
    """
    gap, se = np.full((runs, len(sc.f.analytes)), np.nan), np.full((runs, len(sc.f.analytes)), 1e9)
    x = np.column_stack([kind_columns(sc.f), _lots_of_two(sc.f)])
    for a in range(gap.shape[1]):
        ok = np.flatnonzero(known & (home >= 0) & np.isfinite(sc.m.level[:, a]) & np.isfinite(sc.m.su[a]))
        if not ok.size:
            continue
        own, of, s = x[ok], home[ok], float(sc.m.su[a])
        left = sc.m.level[ok, a] - own @ robust_line(own, sc.m.level[ok, a])
        weights = np.ones(ok.size)
        for _ in range(12):
            middle = np.bincount(of, weights * left, runs) / np.maximum(np.bincount(of, weights, runs), 1e-300)
            weights = (NU + 1) / (NU + ((left - middle[of]) / s) ** 2)
        held = np.column_stack([np.bincount(of, column, runs) for column in own.T])
        count = np.bincount(of, minlength=runs)
        free = count - np.einsum("ij,jk,ik->i", held, np.linalg.pinv(own.T @ own, hermitian=True), held)
        told = free > 1e-6 * count  # neither of a run without containers nor of the only one
        apart = pd.Series(np.abs(left - middle[of])).groupby(of).median().reindex(range(runs)).to_numpy(float)
        gap[told, a] = middle[told]
        se[told, a] = s / np.sqrt(free[told]) * np.maximum(1.0, apart[told] / (HALF_WITHIN * s))
    return gap, se


@lru_cache(maxsize=1)
def _lots_of_two(f: Frame) -> Vector:
    """Columns for lots of two containers, which kinds of three leave out: a run that holds whole lots differs by them."""
    first = f.rows.assign(at=f.at)[f.zone].drop_duplicates("at").set_index("at").reindex(range(len(f.names)))
    if "lot" not in first:
        return np.zeros((len(f.names), 0))
    counts = first["lot"].value_counts()
    twos = sorted(counts[counts == 2].index)
    columns = [np.asarray(first["lot"].eq(k), dtype=float) for k in (twos if (counts != 2).any() else twos[1:])]
    return np.column_stack(columns) if columns else np.zeros((len(f.names), 0))


def _fluid_gaps(means: Vector, var: Vector) -> tuple[Vector, Vector]:
    """How far each run's check fluid reads from the middle one of all runs, with standard errors (runs x A, as both given).

    The middle of three runs or more is not moved by one that is off; of two runs neither can be called the wrong one.
    """
    n, known = len(means), np.isfinite(means)
    others = known.sum(axis=0) if n > 2 else known.sum(axis=0) - known
    middle = quantile(means, 0.5) if n > 2 else means[::-1]
    least = np.sort(var, axis=0)[:2]  # the least of the others': the next one where it is the run's own
    about = np.where(others > 0, np.where(var == least[0], least[-1], least[0]), 0.0)
    gap = np.where(others > (1 if n > 2 else 0), means - middle, np.nan)
    return gap, np.sqrt(var + about)


def cost(gap: float, se: float, at: float) -> float:
    """What a gap costs against what it should be, in nats: tails of Student's t with ``TAIL``; 0 where it is not known."""
    return (TAIL + 1) / 2 * float(np.log1p(((gap - at) / se) ** 2 / TAIL)) if np.isfinite(gap) and se < 1e6 else 0.0


def costs(gap: Vector, se: Vector, at: Vector | float = 0.0) -> Vector:
    """As ``cost``, of arrays of one form."""
    known = np.isfinite(gap) & (se < 1e6)
    away = np.where(known, gap - at, 0.0) / np.where(known, se, 1.0)
    return np.asarray(np.where(known, (TAIL + 1) / 2 * np.log1p(away**2 / TAIL), 0.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """How far one run reads one analyte from the other runs: by its containers, by its check fluid (gap, standard error).

    off: the check fluid of this run less what it should read (NaN: not known), se_off: its standard error. levels: what the
    others read, of the containers and of the check fluid (in the unit; NaN where y is no logarithm). best: the shift that
    containers and check fluid together show; NaN where there is neither. ordinary: what an ordinary shift costs, in nats.
    """

    column: int
    containers: tuple[float, float]
    fluid: tuple[float, float]
    usual: float
    off: float
    se_off: float
    levels: tuple[float, float] = (np.nan, np.nan)
    best: float = field(init=False)
    ordinary: float = field(init=False)

    def __post_init__(self) -> None:
        know = [(g, s) for g, s in (self.containers, self.fluid) if np.isfinite(g) and s < 1e6]
        weight = sum(1 / s**2 for _, s in know)
        best = sum(g / s**2 for g, s in know) / weight if know else float("nan")
        usual = self.near(best)
        object.__setattr__(self, "best", best)
        object.__setattr__(self, "ordinary", cost(*self.containers, usual) + cost(*self.fluid, usual))

    @property
    def both(self) -> bool:
        """True where containers and check fluid are known."""
        return all(np.isfinite(g) and s < 1e6 for g, s in (self.containers, self.fluid))

    def near(self, gap: float) -> float:
        """The ordinary shift that is nearest to a gap."""
        return gap if np.isnan(gap) else min(max(gap, -self.usual), self.usual)

    def gain(self, containers: float, fluid: float) -> float:
        """Nats that such shifts save against an ordinary one."""
        return self.ordinary - cost(*self.containers, containers) - cost(*self.fluid, fluid)

    def offset(self) -> tuple[float, float, float]:
        """The amount, in the unit, that containers and check fluid read more alike, as gaps of each; NaN where none can be."""
        stock, fluid = self.levels
        ends = (stock * np.expm1(self.containers[0]), fluid * np.expm1(self.fluid[0]))
        tries = [b for b in np.linspace(*ends, 9) if b > -0.98 * min(stock, fluid)]
        if not tries:
            return (np.nan,) * 3
        both = [(float(b), float(np.log1p(b / stock)), float(np.log1p(b / fluid))) for b in tries]
        return max(both, key=lambda x: self.gain(x[1], x[2]))

    def lean(self, amount: float) -> float:
        """Nats by which the limits of the check fluid speak for it that this run is off by so much."""
        return cost(self.off, self.se_off, 0.0) - cost(self.off, self.se_off, amount)


def _gaps(sc: Scene, runs: list[tuple[str, Index]], asked: Collection[str]) -> tuple[dict[str, list[Gap]], int]:
    """The gaps that are known of the runs ``asked`` about, and of how many analytes of all runs they are known."""
    with np.errstate(invalid="ignore", divide="ignore"):
        should = np.where(sc.f.relative, np.log(sc.f.reference), sc.f.reference)
        unsure = np.nan_to_num(sc.f.unsure / np.where(sc.f.relative, sc.f.reference, 1.0))
    own = means_of_fluid(sc, runs)
    home, stock = _homes(sc), np.isin(np.arange(len(sc.f.names)), sc.f.at[sc.f.zone])
    out: dict[str, list[Gap]] = {run: [] for run, _ in runs}
    at = {run: (mean, var, quantile(sc.m.level[stock & (home == run)], 0.5))
          for (run, _), mean, var in zip(runs, *own, strict=True) if run in asked}
    t = shift_table(sc, runs, own)
    known = [np.isfinite(t[by]) & (t[f"{by}_se"] < 1e6) for by in ("containers", "check_fluid")]
    known_at_all = (known[0] | known[1]).to_numpy(bool)
    for r in t[known_at_all & t["run"].isin(list(asked)).to_numpy(bool)].to_dict("records"):
        mean, var, level = at[str(r["run"])]
        a = int(r["column"])
        out[str(r["run"])].append(Gap(
            column=a, containers=(r["containers"], r["containers_se"]), fluid=(r["check_fluid"], r["check_fluid_se"]),
            usual=float(r["usual"]), off=float(mean[a] - should[a]),
            se_off=float(np.sqrt(r["usual"] ** 2 + var[a] + unsure[a] ** 2)), levels=(
                (float(np.exp(level[a] - r["containers"])), float(np.exp(mean[a] - r["check_fluid"])))
                if sc.f.relative[a] else (np.nan, np.nan))))
    return out, int(known_at_all.sum())


def shifts(sc: Scene, runs: list[tuple[str, Index]], of: str = "") -> list[Candidate]:
    """A run reads one analyte, or several by one amount, higher or lower: all of it, or its check fluid or stock alone.

    ``of``: the one run of three or more that is asked about, where it is one.
    """
    asked = [r for r in runs if not of or r[0] == of]
    gaps, known = _gaps(sc, runs, {run for run, _ in asked})
    looked = float(np.log(max(2, known)))
    tries: list[tuple[float, Candidate]] = []
    for run, rows in asked:
        kind = of_kind(sc.f, "check fluid")[rows]
        for g in gaps[run]:
            one = [("run shift", g.best, g.gain(g.best, g.best), rows)]
            if g.both:
                one += [("check fluid", g.fluid[0], g.gain(g.near(g.containers[0]), g.fluid[0]), rows[kind]),
                        ("run and stock", g.containers[0], g.gain(g.containers[0], g.near(g.fluid[0])), rows[~kind])]
            tries += [(0.0 if cause == "run and stock" else g.lean(amount),
                       _shift(sc, cause, run, at, [g.column], amount, gain, looked + 0.5))
                      for cause, amount, gain, at in one if gain > 2]
            tries += _by_offset(sc, run, rows, g, looked + 0.5)
        tries += _by_one_amount(sc, run, rows, gaps[run], float(np.log(len(runs))))
        tries += _by_one_amount(sc, run, rows[kind], gaps[run], float(np.log(len(runs))), fluid=True)
    return [c for _, c in tries] if len(runs) > 2 else _of_two(tries)


def _shift(sc: Scene, cause: str, run: str, rows: Index, columns: list[int], amount: float, gain: float,
           price: float) -> Candidate:
    return Candidate(cause=cause, rows=tuple(map(int, rows)), columns=tuple(columns), gain=gain, price=price,
                     readings=sc.y[rows][:, columns] - amount, place=f"run {run}", amount=amount)


def _by_offset(sc: Scene, run: str, rows: Index, g: Gap, price: float) -> list[tuple[float, Candidate]]:
    """A run reads one analyte more or less by an amount, whatever the level: a wrong blank subtracted."""
    amount, stock, fluid = g.offset() if g.both and sc.f.relative[g.column] else (np.nan,) * 3
    gain = g.gain(stock, fluid) if np.isfinite(amount) else 0.0
    if gain <= 2:
        return []
    gain += _by_blanks(sc, rows, g.column, amount)
    y = sc.y[rows][:, [g.column]]
    left = np.exp(y) - amount
    readings = np.where(left > 0, np.log(np.where(left > 0, left, 1.0)), y)
    return [(g.lean(fluid), replace(_shift(sc, "run offset", run, rows, [g.column], amount, gain, price + OFFSET),
                                    readings=readings))]


def _by_blanks(sc: Scene, rows: Index, a: int, amount: float) -> float:
    """Nats by which the blanks of a run speak for an offset of it: they read about as much, and not as those of other runs."""
    kind = of_kind(sc.f, "blank")
    mine, others = np.isin(np.arange(kind.size), rows) & kind, ~np.isin(np.arange(kind.size), rows) & kind
    read = float(np.nanmean(sc.f.raw[mine, a])) if np.isfinite(sc.f.raw[mine, a]).any() else np.nan
    usual = float(np.nanmean(sc.f.raw[others, a])) if np.isfinite(sc.f.raw[others, a]).any() else 0.0
    s = NEAR_BLANK * amount
    return max(0.0, cost(read - usual, s, 0.0) - cost(read - usual, s, amount)) if np.isfinite(read) and amount > 0 else 0.0


def _by_one_amount(sc: Scene, run: str, rows: Index, gaps: list[Gap], looked: float,
                   fluid: bool = False) -> list[tuple[float, Candidate]]:
    """Three analytes or more that a run, or its check ``fluid`` alone, reads off by one and the same relative amount."""
    gaps = [g for g in gaps if sc.f.relative[g.column] and (g.both or not fluid)]

    def saved(g: Gap, amount: float) -> float:
        return g.gain(g.near(g.containers[0]) if fluid else amount, amount)

    best: tuple[float, float, list[Gap]] | None = None
    for amount in {g.fluid[0] if fluid else g.best for g in gaps}:
        used = [g for g in gaps if saved(g, amount) > 0.5]
        n, k = len(gaps), len(used)
        net = sum(saved(g, amount) for g in used) - float(gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1))
        if k >= 3 and (best is None or net > best[0]):
            best = (net, amount, used)
    if best is None or best[0] < 2:
        return []
    net, amount, used = best
    return [(sum(g.lean(amount) for g in used),
             _shift(sc, "check fluid" if fluid else "run shift", run, rows, [g.column for g in used], amount, net,
                    looked + FREE + 0.5))]


def _of_two(tries: list[tuple[float, Candidate]]) -> list[Candidate]:
    """Of two runs that differ, the one that is off by the check fluid's limits; where they do not tell, that is said."""
    out: dict[tuple[str, tuple[int, ...]], tuple[float, Candidate]] = {}
    for lean, c in tries:
        key = (c.cause, c.columns)
        other = out.get(key)
        if other is None:
            out[key] = (lean, c)
        elif abs(lean - other[0]) < TOLD:
            both = f"{other[1].place.removeprefix('run ')} and {c.place.removeprefix('run ')}"
            out[key] = (lean, replace(other[1], detail=f"{EITHER} {both}"))
        elif lean > other[0]:
            out[key] = (lean, c)
    return [replace(c, gain=c.gain + min(lean, 0.0)) for lean, c in out.values()]
