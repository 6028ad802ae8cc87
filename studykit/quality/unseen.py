"""What this study could not see: faults of known size put into its own results, and how many of them are named.

Nothing is assumed of scatter or tails: drift, shift, a value or a container's level is moved by so many standard
deviations at many places of the study's own readings (named causes taken out first), the model is fitted again, and
the explanation of that place either reaches what it takes to be named (``suspects.ENOUGH``) or does not. So a size
"named at 8 of 10 places" is a count in this study. How well it foretells the next study of the same design was
simulated (docs/04-quality.md); only the explanation of the place is scored, not the whole contest of causes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from studykit.core.memory import remembered
from studykit.quality.explain import Candidate, Scene, cells, scene
from studykit.quality.flags import listed, shown
from studykit.quality.frame import Frame, Index, Vector, fit, quantile
from studykit.quality.homes import of_kind
from studykit.quality.levels import containers
from studykit.quality.runs import ENOUGH, drift_table, drifts, run_rows
from studykit.quality.runs import places as place_in_run
from studykit.quality.shifts import MANY, shifts
from studykit.quality.suspects import Suspects

SIZES = {"drift": (2.0, 3.0, 4.0, 5.5, 7.5), "shift": (1.5, 2.25, 3.0, 4.0, 5.5), "value": (8.0, 12.0, 18.0, 27.0, 40.0),
         "container": (0.5, 1.0, 1.5, 2.5, 4.0)}
"""Sizes tried, in standard deviations of a bottle's departure in that analyte (``Fit.s``, middle of the zones)."""
DRAWS = 4
"""Values and containers tried at each size (a value in every analyte)."""
FAULTS = {"drift": "drift over a run", "shift": "shift of a run", "value": "one value alone",
          "container": "level of a container, by one factor"}
COLUMNS = ["fault", "analyte", "unit", "half_from", "most_from", "places"]
MOST = 0.8
NOT_FORETOLD = ("value",)
"""Faults whose size at 8 of 10 is not told: of single values a fresh study names fewer than the places of this one say, since
their chance lies in the tails of a few bottles."""
Hit = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Unseen:
    """Share of places at which each fault is named, by size, and the sizes for each analyte.

    shares: fault, size (standard deviations), named (share of the places), places. table: ``COLUMNS``; half_from and
    most_from are the sizes named at half and at 8 of 10 places, in per cent of the level or the unit, NaN where the
    largest size tried does not reach them; most_from also of ``NOT_FORETOLD``. blind: what shows at no size, in words;
    above: analytes that most of the stock reads higher in than the check fluid.
    """

    shares: pd.DataFrame
    table: pd.DataFrame
    blind: tuple[str, ...] = ()
    above: tuple[str, ...] = ()

    def size(self, fault: str, share: float) -> float:
        """Size (standard deviations) from which that share of places is named; NaN where none tried reaches it."""
        own = self.shares[self.shares["fault"] == fault]
        return reached(own["size"].to_numpy(float), own["named"].to_numpy(float), share)

    def sentences(self, names: Callable[[str], str] = str) -> tuple[str, ...]:
        """One sentence a fault: the analyte in which it is seen best and the one in which it is seen worst.

        Of those told in per cent, where there are any; sizes in several units cannot be ranked, so each is told then.
        """
        out = []
        for fault in dict.fromkeys(self.table["fault"]):
            own = self.table[self.table["fault"] == fault]
            ranked = own[own["unit"] == "%"].sort_values("half_from")
            told = ranked.iloc[[0, -1][:len(ranked)]] if len(ranked) else own
            who = [names(a) if a != "several" else "analytes of usual scatter" for a in told["analyte"].astype(str)]
            if told["half_from"].notna().any():
                said = "; ".join(f"{name} {_says(r)}" for name, (_, r) in zip(who, told.iterrows(), strict=True))
            else:
                said = "named at fewer than half of the places, whatever size was tried"
            out.append(f"{fault[:1].upper()}{fault[1:]}: {said}.")
        bends = [f"a curve that bends above what the check fluid holds (most of the stock reads higher than it in "
                 f"{listed([names(a) for a in self.above], 8)})"] if self.above else []
        if self.blind:
            out.append(f"Seen at no size: {'; '.join((*self.blind, *bends))}.")
        return tuple(out)


def _says(r: pd.Series) -> str:
    if not r["half_from"] > 0:
        return "named at fewer than half of the places at any size tried"
    unit = r["unit"]
    if r["fault"] in [FAULTS[f] for f in NOT_FORETOLD]:
        return (f"below {shown(r['half_from'], 2)} {unit} named at fewer than half of the places; above it no size is given, "
                "since of single values a fresh study names fewer")
    most = f"from {shown(r['most_from'], 2)} {unit} at 8 of 10" if r["most_from"] > 0 else "at 8 of 10 by no size tried"
    return f"below {shown(r['half_from'], 2)} {unit} named at fewer than half of the places, {most}"


def reached(size: Vector, named: Vector, share: float) -> float:
    """Smallest size (interpolated) from which ``named`` stays at ``share`` or above; NaN if it does not."""
    low = np.flatnonzero(named < share)
    if not low.size:
        return float(size[0])
    k = int(low[-1])
    if k == size.size - 1:
        return float("nan")
    return float(size[k] + (share - named[k]) / (named[k + 1] - named[k]) * (size[k + 1] - size[k]))


def unseen(s: Suspects | Scene, seed: int, faults: tuple[str, ...] = tuple(FAULTS),
           units: Mapping[str, str] | None = None, scatter: Mapping[str, float] | None = None) -> Unseen:
    """Put each fault into the study's own readings at every size, and count where it is named.

    ``s``: what the search left, or the scene of readings without a fault. ``seed``: of the study; it chooses signs, values
    and containers. ``units``: of analytes whose margin is no percentage. ``scatter``: of a bottle's departure, scale of y,
    where it is known and not to be taken from the readings. Takes some seconds.
    """
    return _unseen(s if isinstance(s, Scene) else s.scene, seed, faults, units, scatter)


@remembered
def _unseen(base: Scene, seed: int, faults: tuple[str, ...], units: Mapping[str, str] | None,
            scatter: Mapping[str, float] | None) -> Unseen:
    rng = np.random.default_rng([seed, 404])
    unit = quantile(base.m.s[base.f.zone], 0.5) if scatter is None else np.array([scatter[a] for a in base.f.analytes])
    runs = list(run_rows(base))
    rows = []
    for fault in faults:
        hits = [list(PLANTS[fault](base, runs, np.where(np.isfinite(unit), unit, 0.0), size, rng)) for size in SIZES[fault]]
        for size, hit in zip(SIZES[fault], hits, strict=True):
            every = np.concatenate(hit) if hit else np.zeros(0, dtype=bool)
            rows.append((fault, size, float(every.mean()) if every.size else np.nan, every.size))
    shares = pd.DataFrame(rows, columns=["fault", "size", "named", "places"]).dropna()
    found = Unseen(shares=shares, table=pd.DataFrame(columns=COLUMNS))
    lines = []
    for fault in dict.fromkeys(shares["fault"]):
        places = int(shares.loc[shares["fault"] == fault, "places"].iloc[0])
        for a, relative, step in _steps(base, unit, fault):
            most = np.nan if fault in NOT_FORETOLD else found.size(fault, MOST)
            sizes = [_shown(x * step, relative) for x in (found.size(fault, 0.5), most)]
            lines.append((FAULTS[fault], a, "%" if relative else (units or {}).get(a, ""), *sizes, places))
    table = pd.DataFrame(lines, columns=COLUMNS)
    return Unseen(shares=shares, table=table, blind=blind_to(base.f), above=above_the_fluid(base.f))


def blind_to(f: Frame) -> tuple[str, ...]:
    """What these samples cannot show at any size, as they were drawn and read."""
    fluid = of_kind(f, "check fluid")
    out = ["what happened to every container alike, except what the value as filled shows (one habit with the tool, one "
           "dilution of all)"]
    if not fluid.any():
        out.append("in containers of one run, what is of the run and what is of them (no check fluid was read)")
    elif not np.isfinite(f.reference).any():
        out.append("what is wrong in every run alike (nothing says what the check fluid should read)")
    return tuple(out)


def above_the_fluid(f: Frame) -> tuple[str, ...]:
    """Analytes in which the middle of the stock's zones reads higher than any reading of the check fluid."""
    fluid = of_kind(f, "check fluid")
    if not fluid.any() or not f.zone.any():
        return ()
    with np.errstate(invalid="ignore"):
        above = quantile(f.value[fluid], 1.0) < quantile(f.value[f.zone], 0.5)
    return tuple(a for a, k in zip(f.analytes, above, strict=True) if k)


def _steps(base: Scene, unit: Vector, fault: str) -> list[tuple[str, bool, float]]:
    """Analytes with what one standard deviation is; of a container's level all of them together."""
    if fault == "container":
        return [("several", True, _middle(base, unit))]
    return [(a, bool(r), float(u)) for a, r, u in zip(base.f.analytes, base.f.relative, unit, strict=True) if np.isfinite(u)]


def _middle(base: Scene, unit: Vector) -> float:
    """The middle standard deviation of the analytes on a relative scale, 0 where there is none."""
    own = unit[base.f.relative & np.isfinite(unit)]
    return float(np.median(own)) if own.size else 0.0


def _shown(x: float, relative: bool) -> float:
    return float(100 * np.expm1(x)) if relative else float(x)


def _refitted(base: Scene, y: Vector) -> Scene:
    return scene(base.f, y, fit(base.f, y))


def _net(found: list[Candidate], causes: tuple[str, ...], column: int, rows: set[int] | None = None) -> bool:
    """Whether the best of the candidates of this column (and these rows) is of those causes and saves enough."""
    mine = [c for c in found if column in c.columns and (rows is None or rows & set(c.rows))]
    best = max(mine, key=lambda c: c.net, default=None)
    return best is not None and best.cause in causes and best.net >= ENOUGH


def _signs(rng: np.random.Generator, n: int) -> Vector:
    return np.where(rng.random(n) < 0.5, -1.0, 1.0)


def _some(runs: list[tuple[str, Index]]) -> list[tuple[str, Index]]:
    """The runs in which a fault is tried: all, or of ``MANY`` and more a few, since each try fits all readings anew."""
    return runs if len(runs) < MANY else [runs[k] for k in np.linspace(0, len(runs) - 1, DRAWS).astype(int)]


def _drift(base: Scene, runs: list[tuple[str, Index]], unit: Vector, size: float, rng: np.random.Generator) -> Iterator[Hit]:
    order = base.f.rows["order"].to_numpy(float)
    for run, rows in _some(runs):
        if np.isfinite(order[rows]).sum() < 6:
            continue
        y = base.y.copy()
        y[rows] += np.nan_to_num(place_in_run(order[rows]))[:, None] * size * unit * _signs(rng, unit.size)
        sc = _refitted(base, y)
        found = list(drifts(sc, run, rows, drift_table(sc, run, rows), len(runs)))
        yield np.array([_net(found, ("drift",), a) for a in range(unit.size)])


def _shift(base: Scene, runs: list[tuple[str, Index]], unit: Vector, size: float, rng: np.random.Generator) -> Iterator[Hit]:
    for run, rows in _some(runs) if len(runs) > 1 else ():
        y = base.y.copy()
        y[rows] += size * unit * _signs(rng, unit.size)
        found = [c for c in shifts(_refitted(base, y), runs, run if len(runs) >= MANY else "") if len(c.columns) == 1]
        own = [c for c in found if c.place == f"run {run}" or run in c.detail.split()]
        yield np.array([_net(own, ("run shift",), a) for a in range(unit.size)])


def _value(base: Scene, runs: list[tuple[str, Index]], unit: Vector, size: float, rng: np.random.Generator) -> Iterator[Hit]:
    zone = np.flatnonzero(base.f.zone)
    for _ in range(DRAWS if zone.size else 0):
        at = rng.choice(zone, unit.size)
        y = base.y.copy()
        y[at, np.arange(unit.size)] += size * unit * _signs(rng, unit.size)
        found = list(cells(_refitted(base, y), 24 + unit.size))
        causes = ("value alone", "transposed digits", "unit slip")
        known = np.isfinite(y[at, np.arange(unit.size)])
        yield np.array([_net(found, causes, a, {int(at[a])}) for a in range(unit.size)])[known]


def _container(base: Scene, runs: list[tuple[str, Index]], unit: Vector, size: float,
               rng: np.random.Generator) -> Iterator[Hit]:
    """One container's analytes move by one factor, ``size`` times the analytes' middle standard deviation.

    Those that scatter less than half as much stay as they are: a viscosity does not go with what is diluted.
    """
    boxes, step = np.unique(base.f.at[base.f.zone]), _middle(base, unit)
    for box in rng.permutation(boxes)[: DRAWS if step else 0]:
        rows = np.flatnonzero(base.f.at == box)
        y = base.y.copy()
        moves = base.f.relative & (unit > step / 2)
        y[rows] = np.where(moves, base.f.times(y[rows], float(np.exp(-size * step))), y[rows])
        found = [c for c in containers(_refitted(base, y)) if set(map(int, rows)) & set(c.rows)]
        best = max(found, key=lambda c: c.net, default=None)
        causes = ("diluted or evaporated", "wrong product")
        yield np.array([best is not None and best.cause in causes and best.net >= ENOUGH])


PLANTS: dict[str, Callable[[Scene, list[tuple[str, Index]], Vector, float, np.random.Generator], Iterator[Hit]]] = {
    "drift": _drift, "shift": _shift, "value": _value, "container": _container}
