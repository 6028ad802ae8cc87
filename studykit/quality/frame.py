"""One robust model over all analytes: container + depth (+ the container's own rate), and how far each result departs.

    y_ia = C_ca + b_c m_da + e_ia

C: level of the container, m: the stock's profile over the depths (and the offset of composites), b: the container's
own rate (1 in the middle, one number for all analytes), e: what is left of a bottle. Fitted for all analytes at
once by reweighting with Student's t of six degrees of freedom, so that a few wild results move little (Lange, Little
and Taylor 1989, JASA 84:881). The containers' levels are then fitted by lot, store, treatment and age in the same way.

Every departure is measured against the larger of what is stated for the method and what the study itself shows at
that place: bottles against bottles (drawing and measuring), containers against containers.

Controls of another composition do not enter the stock's profile: a remixed control has its own level and no
profile, the check fluid its own, the layered control only serves as somebody's predecessor in a run.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import sparse

from studykit.quality.homes import runs_of
from studykit.quality.reweighted import NU, TINY, Index, Vector, alike, robust_lines
from studykit.study.columns import ZONE_KINDS

APART = 6.0
"""Determinations of one bottle that differ by more than this many of their standard deviations are not averaged."""
WILD = 3.0
"""The same as a factor, where no repeatability is stated."""
AGES = 0.05
"""Containers of one lot and store whose ages differ by less than this share of them (standard deviation) are of one age: what
a day or a week more has done is no line that reaches from lot to lot (own judgement)."""
MIXED = 0.2
"""Spread (log) of the containers' rates by which mixed samples differ from their zones, at least (own judgement)."""
ROUNDING = 1e-9
"""What decimal readings that meet a bound to the digit may miss it by in binary, or by way of their logarithm, and more."""


def rho(z: Vector) -> Vector:
    """What a standardised departure costs, in nats, where tails are those of Student's t with ``NU``; 0 for NaN."""
    return (NU + 1) / 2 * np.log1p(np.where(np.isnan(z), 0.0, z) ** 2 / NU)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Frame:
    """Bottles in rows (a row a sample and run), analytes in columns; NaN where there is no number.

    rows: sample, container, kind, depth, height, draw_order, run, order, label, treatment, lot, store, age_months.
    y, value (n x A): scale of the analysis, and the unit. raw: as value, with limits as half of them (for what a
    predecessor may leave behind). relative (A): y is a logarithm. stated (A): on the scale of y, NaN if unknown.
    reference (A): what the check fluid should read (its reference value, else the middle of its limits, in the unit),
    NaN if unknown; unsure (A): standard uncertainty of that, 0 if unknown.
    tests (A): which test reads each analyte, in words that tell tests apart; empty where that is not known.
    called (A): the analytes as people name them; empty where they are told by their keys.
    clean (A, by run): what the cleanest blank of a run reads at most, in the unit; runs without a blank are not there.
    at: container code of each row (-1 none), place: label code. names: containers by code.
    """

    rows: pd.DataFrame
    analytes: tuple[str, ...]
    y: Vector
    value: Vector
    raw: Vector
    relative: NDArray[np.bool_]
    stated: Vector
    at: Index
    place: Index
    names: tuple[str, ...]
    labels: tuple[str, ...]
    zone: NDArray[np.bool_]
    reference: Vector
    unsure: Vector
    tests: tuple[str, ...] = ()
    called: tuple[str, ...] = ()
    clean: Mapping[str, Vector] = field(default_factory=dict)

    def told(self, columns: Iterable[int]) -> list[str]:
        """Analytes by their column, as people name them."""
        return [(self.called or self.analytes)[int(a)] for a in columns]

    def times(self, y: Vector, factor: Vector | float) -> Vector:
        """y of readings that are ``factor`` times as large."""
        return np.where(self.relative, y + np.log(factor), y * factor)


def in_units(relative: NDArray[np.bool_], y: Vector) -> Vector:
    """Readings on the scale of y (last axis: analytes) as numbers in their units; no power of one that is no logarithm."""
    return np.asarray(np.where(relative, np.exp(np.where(relative, y, 0.0)), y))


def build_frame(t: pd.DataFrame, results: pd.DataFrame, samples: pd.DataFrame, stated: dict[str, float],
                limits: pd.DataFrame | None = None, tests: Mapping[str, str] | None = None,
                names: Mapping[str, str] | None = None) -> Frame:
    """The frame of a working table; determinations of one bottle in one run are averaged.

    Where they cannot both be right, only one enters (``one_of_two``). Empty where no bottle of the stock has a number.
    """
    t = one_of_two(t, stated)
    if not (t["kind"].isin(ZONE_KINDS) & t["container"].fillna("").ne("")).any():
        t, results = t.iloc[:0], results.iloc[:0]
    analytes = tuple(sorted(t["analyte"].unique()))
    key = t["sample"].astype(str) + "\t" + t["run"].astype(str)
    code, bottles = pd.factorize(key)
    column = pd.Categorical(t["analyte"], categories=list(analytes)).codes
    y, value = (_cells(code, column, t[c].to_numpy(float), len(bottles), len(analytes)) for c in ("y", "value"))
    rows = t.assign(code=code).drop_duplicates("code").sort_values("code").reset_index(drop=True)
    rows["order"] = t["run_order"].groupby(code).min().to_numpy(float)
    empty = _empty_blanks(results, samples, set(bottles))
    rows, bottles = pd.concat([rows, empty], ignore_index=True), bottles.append(empty.index)
    y, value = (np.pad(x, ((0, len(empty)), (0, 0)), constant_values=np.nan) for x in (y, value))
    for name in ("kind", "container", "depth", "treatment", "lot", "store", "label"):
        if name in rows:
            rows[name] = rows[name].fillna("")
    rows["draw_order"] = pd.to_numeric(rows["draw_order"], errors="coerce") if "draw_order" in rows else np.nan
    stored = rows["treatment"].isin(["stored", ""])
    remixed = rows["treatment"].eq("remixed control")
    zone = (rows["kind"].isin(ZONE_KINDS) & stored & (rows["container"] != "")).to_numpy(bool)
    label = rows["depth"].where(zone, rows["kind"]).where(~(remixed & rows["depth"].ne("")), "remixed")
    box = rows["container"].where(rows["container"] != "", rows["kind"])
    used = (stored | remixed | rows["kind"].eq("check fluid")) & ~rows["kind"].isin(["blank", "heel"])
    at, boxes = pd.factorize(box.where(used))
    place, labels = pd.factorize(label.where(used))
    relative = t.groupby("analyte")["relative"].first().reindex(list(analytes)).to_numpy(bool)
    raw = _raw(results, bottles, analytes)
    return Frame(rows=rows, analytes=analytes, y=y, value=value, raw=np.where(np.isnan(raw), value, raw),
                 relative=relative, stated=np.array([stated.get(a, np.nan) for a in analytes]), at=at, place=place,
                 names=tuple(map(str, boxes)), labels=tuple(map(str, labels)), zone=zone,
                 reference=_reference(analytes, limits), unsure=_unsure(analytes, limits),
                 tests=tuple(tests.get(a, "") for a in analytes) if tests else (),
                 called=tuple(names.get(a, a) for a in analytes) if names else (),
                 clean=_clean(results, samples, analytes))


def _blanks(samples: pd.DataFrame) -> set[str]:
    """The codes of the blanks among the samples."""
    return set(samples.loc[samples["kind"].eq("blank"), "sample"].astype(str)) if "kind" in samples else set()


def _empty_blanks(results: pd.DataFrame, samples: pd.DataFrame, known: set[str]) -> pd.DataFrame:
    """Blanks of which every reading is below a limit: no number is theirs, and what comes after them follows them all the same.

    Columns sample, run, kind, order; index as the keys of the frame's bottles.
    """
    own = results[results["sample"].isin(_blanks(samples))]
    own = own.assign(run=own["run"].fillna("").astype(str), sample=own["sample"].astype(str))
    order = pd.to_numeric(own["run_order"], errors="coerce") if "run_order" in own else pd.Series(np.nan, own.index)
    each = pd.DataFrame(own.assign(order=order).groupby(["sample", "run"], as_index=False)["order"].min()).assign(kind="blank")
    each.index = pd.Index(each["sample"] + "\t" + each["run"])
    return each.loc[~each.index.isin(list(known))]


def _clean(results: pd.DataFrame, samples: pd.DataFrame, analytes: tuple[str, ...]) -> dict[str, Vector]:
    """What the cleanest blank that follows a bottle reads in each run, or its limit; infinite where an analyte has none."""
    blank = results["sample"].isin(_blanks(samples))
    run = results["run"].fillna("")
    order = pd.to_numeric(results["run_order"], errors="coerce") if "run_order" in results else pd.Series(np.nan, run.index)
    first = order.where(~blank).groupby(run).transform("min")
    own = results[blank & (order > first)]
    lowest = own.groupby([own["run"].fillna(""), "analyte"])["value"].min().unstack("analyte")
    lowest = lowest.reindex(columns=list(analytes)).fillna(np.inf)
    return {str(run): row.to_numpy(float) for run, row in lowest.iterrows()}


def _reference(analytes: tuple[str, ...], limits: pd.DataFrame | None) -> Vector:
    """What the check fluid should read: its value, else the middle of low and high; NaN where nothing is given."""
    if limits is None:
        return np.full(len(analytes), np.nan)
    middle = (limits["low"] + limits["high"]) / 2
    given = limits["value"].fillna(middle) if "value" in limits else middle
    return given.set_axis(limits["analyte"]).reindex(list(analytes)).to_numpy(float)


def _unsure(analytes: tuple[str, ...], limits: pd.DataFrame | None) -> Vector:
    """Standard uncertainty of the check fluid's reference values, 0 where none is given."""
    if limits is None or "uncertainty" not in limits:
        return np.zeros(len(analytes))
    return limits.set_index("analyte")["uncertainty"].reindex(list(analytes)).fillna(0.0).to_numpy(float)


def one_of_two(t: pd.DataFrame, stated: Mapping[str, float]) -> pd.DataFrame:
    """The working table without the worse of determinations of one bottle that cannot both be right.

    They differ by more than ``APART`` times what two determinations scatter as stated (where none is stated, by a
    factor of ``WILD``). The nearer to the middle of its zone over all containers is kept, so that nobody judges a
    mean that was never read; the difference itself is a matter of the duplicates.
    """
    again = t.duplicated(["sample", "run", "analyte"], keep=False)
    own = t[again]
    keys = [own["sample"], own["run"], own["analyte"]]
    limit = own["analyte"].map(dict(stated)).astype(float) * APART * np.sqrt(2.0)
    limit = limit.where(limit > 0, own["relative"].map({True: np.log(WILD), False: np.inf}).astype(float))
    wide = own.groupby(keys)["y"].transform("max") - own.groupby(keys)["y"].transform("min") > limit
    if not wide.any():
        return t
    middle = t.groupby(["analyte", "label"])["y"].transform("median")
    away = (own["y"] - middle[again]).abs()
    nearest = away.groupby(keys).rank(method="first") == 1
    return t.loc[~t.index.isin(own.index[wide & ~nearest])]


def _cells(row: Index, column: Index, x: Vector, n: int, k: int) -> Vector:
    flat = row * k + column
    count = np.bincount(flat, minlength=n * k)
    with np.errstate(invalid="ignore", divide="ignore"):
        return (np.bincount(flat, x, n * k) / count).reshape(n, k)


def _raw(results: pd.DataFrame, names: pd.Index, analytes: tuple[str, ...]) -> Vector:
    """Readings with limits as half of them, in the rows of the frame."""
    key = results["sample"].astype(str) + "\t" + results["run"].fillna("").astype(str)
    row = pd.Index(names).get_indexer(pd.Index(key))
    column = pd.Index(analytes).get_indexer(pd.Index(results["analyte"]))
    x = results["value"].to_numpy(float) * np.where(results["qualifier"].eq("<"), 0.5, 1.0)
    ok = (row >= 0) & (column >= 0) & np.isfinite(x)
    return _cells(row[ok], column[ok], x[ok], len(names), len(analytes))


# -- the fit -----------------------------------------------------------------------------------------------------


def summing(code: Index, n: int) -> sparse.csr_array:
    """Matrix that adds up rows by their code (n codes; rows of code -1 are left out)."""
    ok = np.flatnonzero(code >= 0)
    return sparse.csr_array((np.ones(ok.size), (code[ok], ok)), shape=(n, code.size))


def quantile(x: Vector, q: float) -> Vector:
    """Quantile q (0..1) of each column, NaN left out; NaN for a column without a number."""
    x = np.asarray(x, dtype=float)
    known = np.isfinite(x)
    count = known.sum(axis=0)
    if not x.shape[0]:
        return np.full(x.shape[1], np.nan)
    ordered = np.sort(np.where(known, x, np.nan), axis=0)  # those left out come last
    at = np.maximum(count - 1, 0) * q
    below = np.floor(at)
    part, places = at - below, np.minimum([below, below + 1], np.maximum(count - 1, 0)).astype(np.intp)
    low, high = np.take_along_axis(ordered, places, axis=0)
    found: Vector = np.where(part < 0.5, low + (high - low) * part, high - (high - low) * (1 - part))
    return found  # to the bit as np.quantile


def spread(x: Vector, lost: float = 0.0) -> Vector:
    """Robust standard deviation of each column; ``lost``: share of its freedom that a fit has used. NaN if empty.

    The largest departure of three or more has no part in it: of a few, one wrong number would set the scale of all.
    """
    most = (len(x) - 2) / (len(x) - 1) if len(x) > 2 else 1.0
    return 1.4826 * quantile(np.abs(x), min(0.95, 0.5 + 0.5 * lost, most))


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """The fitted model: level (containers x A), profile (labels x A), rate (containers), e (n x A).

    s (n x A): what a departure of that cell is measured by. u, su: containers' departures from their kind, and by
    what they are measured. share: how much of independent evidence the analytes of a bottle (a container) are,
    0..1. typical (n x A): C + b m. kinds: fitted level of each container by lot, store, treatment, age.
    """

    level: Vector
    profile: Vector
    rate: Vector
    rate_spread: float
    e: Vector
    s: Vector
    u: Vector
    su: Vector
    kinds: Vector
    typical: Vector
    share: float
    share_u: float

    @property
    def z(self) -> Vector:
        """Standardised departures of the bottles."""
        return self.e / self.s


def fit(f: Frame, y: Vector) -> Fit:
    """Fit the frame with ``y`` (as f.y, with corrections)."""
    level, profile, e = _two_way(f, y)
    rate, sd_rate = _rates(f, profile, e)
    e = e - (rate[f.at] - 1.0)[:, None] * _shape(f, profile)
    level, e = _levelled(f, level, e) if sd_rate > 0 else (level, e)
    s = np.hypot(_scales(f, e), _of_mixing(f, profile, sd_rate))
    u, kinds = _by_kind(f, level)
    box = _is_box(f)
    su = np.maximum(_spread_of_containers(f, u, box), quantile(s[f.zone], 0.5) / np.sqrt(3))
    su = np.where(np.isfinite(su), su, np.inf)
    z = np.clip((e / s)[f.zone], -3, 3)
    return Fit(level=level, profile=profile, rate=rate, rate_spread=sd_rate, e=e, s=s, u=u, su=su, kinds=kinds,
               typical=y - e, share=_independent(z), share_u=_independent(np.clip((u / su)[box], -3, 3)))


def _spread_of_containers(f: Frame, u: Vector, box: NDArray[np.bool_]) -> Vector:
    """Robust spread of the containers, within their runs where that is the smaller one (a shifted run)."""
    whole = spread(u[box], min(0.4, 3.0 / max(8, box.sum())))
    run = runs_of(f)[box]
    runs = pd.Series(run).value_counts()
    if not len(runs) or runs.min() < 3 or len(runs) < 2 or pd.isna(run).any():
        return whole
    within = pd.DataFrame(u[box]) - pd.DataFrame(u[box]).groupby(run).transform("median")
    return np.fmin(whole, spread(within.to_numpy(float), min(0.5, 1.3 * len(runs) / box.sum())))


def _is_box(f: Frame) -> NDArray[np.bool_]:
    """Containers of the stock (codes), as against check fluid and controls."""
    out = np.zeros(len(f.names), dtype=bool)
    out[np.unique(f.at[f.zone])] = True
    return out


def _median(y: Vector, code: Index, n: int) -> Vector:
    return pd.DataFrame(y).groupby(code).median().reindex(range(n)).to_numpy(float)


def _two_way(f: Frame, y: Vector) -> tuple[Vector, Vector, Vector]:
    """Levels, profile and departures, without own rates: medians first, then reweighting."""
    n, m = len(f.names), len(f.labels)
    inside, by_box, by_label = (f.at >= 0)[:, None], summing(f.at, n), summing(f.place, m)
    y = np.where(inside, y, np.nan)
    level, profile = _median(y, f.at, n), np.zeros((m, y.shape[1]))
    for _ in range(2):
        profile = np.nan_to_num(_median(y - level[f.at], f.place, m))
        level = _median(y - profile[f.place], f.at, n)
    e = y - level[f.at] - profile[f.place]
    lost = 1 - (inside.sum() - n - m) / max(1, inside.sum())
    s = np.maximum(np.nan_to_num(spread(e[f.zone], lost)), np.nan_to_num(f.stated) * 0.7) + TINY
    r, known = np.nan_to_num(y), 1.0 - np.isnan(e)
    e[known == 0] = 0.0
    for _ in range(12):
        w = known * ((NU + 1) / (NU + (e / s) ** 2))
        level = (by_box @ (w * (r - profile[f.place]))) / np.maximum(by_box @ w, TINY)
        profile = (by_label @ (w * (r - level[f.at]))) / np.maximum(by_label @ w, TINY)
        e = r - level[f.at] - profile[f.place]
    e[known == 0] = np.nan
    empty = (by_box @ np.isfinite(y).astype(float)) < 0.5
    return np.where(empty, np.nan, level), profile, e


def _shape(f: Frame, profile: Vector) -> Vector:
    """m of each row: the stock's profile less its mean over the depths (0 where the row is no zone)."""
    depths = np.unique(f.place[f.zone])
    centre = profile[depths].mean(axis=0) if depths.size else 0.0
    return np.where(f.zone[:, None], profile[f.place] - centre, 0.0)


def _rates(f: Frame, profile: Vector, e: Vector) -> tuple[Vector, float]:
    """Own rate of each container and its spread (log); 1 where the stock's profile is too weak to tell."""
    ones = np.ones(len(f.names))
    m = _shape(f, profile)
    live = f.zone[:, None] & np.isfinite(e)
    by_box, box, left = summing(f.at, len(f.names)), _is_box(f), e
    for _ in range(2):
        s = np.maximum(np.nan_to_num(spread(left[f.zone], 0.5)), np.nan_to_num(f.stated)) + TINY
        w = live * (NU + 1) / (NU + np.nan_to_num(left / s) ** 2) / s**2
        total = np.maximum(by_box @ w, TINY)  # a zone drawn twice weighs no more in the rate than in the level
        own, off = (np.where(live, x - ((by_box @ (w * np.nan_to_num(x))) / total)[f.at], 0.0) for x in (m, e))
        know = (by_box @ (w * own**2)).sum(axis=1)
        raw = 1 + (by_box @ (w * own * off)).sum(axis=1) / np.maximum(know, TINY)
        left = np.where(live, off - (raw[f.at] - 1.0)[:, None] * own, np.nan)
    box &= know > 0
    if box.sum() < 4 or np.median(know[box]) < 4.0:
        return ones, 0.0
    noise = float(np.median(1 / know[box]))
    sd = float(np.sqrt(max(0.0, float(spread(np.log(np.clip(raw[box], 0.1, 10))[:, None] -
                                             np.median(np.log(np.clip(raw[box], 0.1, 10))))[0]) ** 2 - noise)))
    sd = min(sd, 0.8)
    kept = np.where(know > 0, sd**2 / (sd**2 + 1 / np.maximum(know, TINY)), 0.0)
    return np.clip(1 + (raw - 1) * kept, np.exp(-2 * sd), np.exp(2 * sd)), sd


def _levelled(f: Frame, level: Vector, e: Vector) -> tuple[Vector, Vector]:
    """Levels and departures, the own rates being known: a zone that was drawn twice had pulled its container's level."""
    by_box = summing(f.at, len(f.names))
    s = np.maximum(np.nan_to_num(spread(e[f.zone], 0.5)), np.nan_to_num(f.stated) * 0.7) + TINY
    for _ in range(6):
        w = np.where(np.isnan(e), 0.0, (NU + 1) / (NU + np.nan_to_num(e / s) ** 2))
        moved = (by_box @ (w * np.nan_to_num(e))) / np.maximum(by_box @ w, TINY)
        level, e = level + moved, np.where((f.at >= 0)[:, None], e - moved[f.at], e)
    return level, e


def _scales(f: Frame, e: Vector) -> Vector:
    """What each cell's departure is measured by: the analyte's spread, partly that of the cell's own label."""
    n, _k = e.shape
    boxes = len(np.unique(f.at[f.zone]))
    lost = min(0.6, (boxes + 3) / max(1, f.zone.sum()))
    whole = np.nan_to_num(spread(e[f.zone], lost))
    s = np.tile(whole, (n, 1))
    for label in np.unique(f.place[f.zone]):
        mine = f.zone & (f.place == label)
        own, weight = np.nan_to_num(spread(e[mine], lost)), mine.sum() / (mine.sum() + 4.0)
        s[mine] = np.sqrt((1 - weight) * whole**2 + weight * np.maximum(own, 0.5 * whole) ** 2)
    s[~f.zone] = np.maximum(np.nan_to_num(f.stated), 0.0) if np.isfinite(f.stated).all() else whole
    s = np.maximum(s, np.nan_to_num(f.stated))
    return np.where(s > 0, s, np.inf)


def _of_mixing(f: Frame, profile: Vector, sd_rate: float) -> Vector:
    """How far a container's mixed sample may lie from what its zones lead one to expect, beyond measuring (n x A).

    The logarithm of the mean of zones lies above the mean of their logarithms by half their variance. The samples of one kind
    share one offset, so that what is left is by how much that half varies with the containers' own rates.
    """
    depths = np.unique(f.place[f.zone])
    variance = profile[depths].var(axis=0) if depths.size else np.zeros(profile.shape[1])
    half = np.where(f.relative, variance / 2, np.sqrt(variance) * MIXED)
    mixed = ~f.zone & np.isin(f.at, np.unique(f.at[f.zone]))  # a check fluid has no zones
    return np.asarray(np.where(mixed[:, None], half * max(2 * sd_rate, MIXED), 0.0))


def _by_kind(f: Frame, level: Vector) -> tuple[Vector, Vector]:
    """Departure of each container's level from what lot, store, treatment and age lead one to expect, and that."""
    x, box = kind_columns(f), _is_box(f)
    out = np.full_like(level, np.nan)
    kinds = np.full_like(level, np.nan)
    if not box.any():
        return out, kinds
    for ok, own in alike(box[:, None] & np.isfinite(level)):
        if ok.sum() >= 2:
            kinds[:, own] = x @ robust_lines(x[ok], level[np.ix_(ok, own)])
    out[box] = (level - kinds)[box]
    return out, kinds


@lru_cache(maxsize=1)
def kind_columns(f: Frame) -> Vector:
    """Columns for lot, store and age of the containers (by code); only kinds that hold three containers or more.

    Not to be written into: faults are tried in one frame many times over, and it is made once.
    """
    first = f.rows.assign(at=f.at)[f.zone].drop_duplicates("at").set_index("at").reindex(range(len(f.names)))
    columns: list[Vector] = [np.ones(len(f.names))]
    for name in ("lot", "store"):
        if name in first:
            counts = first[name].value_counts()
            columns += [np.asarray(first[name].eq(k), dtype=float) for k in sorted(counts[counts >= 3].index)[1:]]
    age = pd.to_numeric(first["age_months"], errors="coerce") if "age_months" in first else pd.Series(dtype=float)
    if age.notna().sum() >= 6 and age.nunique() >= 2:
        own = (age - age.mean()).fillna(0.0).to_numpy(float)
        known = np.column_stack(columns)[age.notna()]
        apart = own[age.notna()] - known @ np.linalg.lstsq(known, own[age.notna()], rcond=None)[0]
        if float(np.std(apart)) > AGES * float(age.mean()):
            columns.append(own / (age.std() or 1.0))
    out = np.column_stack(columns)
    out.flags.writeable = False
    return out


def _independent(z: Vector) -> float:
    """Share of independent evidence of the columns (1: all independent), chance correlation taken off."""
    size = (np.nan_to_num(z) ** 2).sum(axis=1)
    z = z[np.argsort(size)[: max(4, int(0.85 * len(z)))]]
    ok = np.isfinite(z).all(axis=0) & (z.std(axis=0) > 0) if len(z) >= 6 else np.zeros(0, dtype=bool)
    k = int(ok.sum())
    if k < 2:
        return 0.7
    r = np.corrcoef(z[:, ok], rowvar=False)
    extra = max(0.0, (float((r**2).sum()) - k) / k - (k - 1) / (len(z) - 1))
    return float(1 / (1 + extra))
