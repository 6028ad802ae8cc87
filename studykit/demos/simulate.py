"""A synthetic study with known truth, in the same three tables as a real one.

What is written down beforehand (``StudyTruth``: for each analyte a level, the departure of
every depth, the spreads, the laboratory's habits) is turned into containers, samples and
results, so that any step of the kit can be asked whether it finds what was put in.

Model, for determination k of the draw from depth d of container c, read at position p of run g.
With ``relative=True`` all departures and standard deviations are fractions of the level and act
as factors; otherwise they are in the analyte's unit and are added::

    relative   y = level (1 + lot) (1 + profile_cd) (1 + run_g) (1 + drift q_p) exp(C_c + D_cd + E_k)
    absolute   y = level + lot + profile_cd + run_g + drift q_p + C_c + D_cd + E_k

with q from -1/2 (first position of the run) to +1/2 (last one); C ~ N(0, sd_container^2),
D ~ N(0, sd_container_depth^2), E ~ N(0, s_r^2). Then the laboratory: round to ``step``, report
"<" below the quantification limit, lose a share ``missing``.

A whole-container composite carries the level, not a depth: the profile and D do not enter.
A check fluid or blank has no container: only level, run, drift and E enter.

Each analyte and each random component has its own stream (a spawn key made from their names),
so adding an analyte or changing one spread leaves all other draws as they were.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

WHOLE_KINDS = ("composite", "retained")
NO_CONTAINER = ("blank", "check fluid")
RESULT_COLUMNS = ("sample", "analyte", "value", "unit", "qualifier", "limit", "as_written", "replicate", "run",
                  "run_order", "method", "reported_on", "revision", "source_file", "source_row")


@dataclass(frozen=True, slots=True, kw_only=True)
class AnalyteTruth:
    """What is true of one analyte, and how the laboratory will report it.

    Departures and standard deviations are fractions of the level where ``relative``, else in
    the analyte's unit.
    """

    analyte: str
    unit: str
    level: float  # in the unit; > 0 where relative
    relative: bool = True
    profile: tuple[tuple[str, float], ...] = ()  # (depth, departure from the level); others 0
    container_profile: tuple[tuple[str, str, float], ...] = ()  # (container, depth, departure), replaces profile
    lot_shift: tuple[tuple[str, float], ...] = ()  # (lot, departure)
    sd_container: float = 0.0
    sd_container_depth: float = 0.0
    s_r: float = 0.0  # repeatability standard deviation
    run_shift: tuple[tuple[str, float], ...] = ()  # (run, departure), known shifts
    sd_run: float = 0.0  # further random shifts of the runs
    drift: float = 0.0  # from the first to the last position of each run
    step: float = 0.0  # rounding step of the report, in the unit; 0 = none
    quantification_limit: float = 0.0  # in the unit; below it the report says "<limit"; 0 = none
    missing: float = 0.0  # share of determinations that never arrive, 0..1
    method: str = ""

    def __post_init__(self) -> None:
        if self.relative and not self.level > 0:
            raise ValueError(f"level must be > 0 for a relative analyte, but got {self.level} ({self.analyte})")
        for name in ("sd_container", "sd_container_depth", "s_r", "sd_run", "step", "quantification_limit"):
            if getattr(self, name) < 0:
                raise ValueError(f"{name} must be >= 0, but got {getattr(self, name)} ({self.analyte})")
        if not 0 <= self.missing < 1:
            raise ValueError(f"missing must be in [0, 1), but got {self.missing} ({self.analyte})")
        departures = [d for _, d in self.profile] + [d for *_, d in self.container_profile]
        if self.relative and any(d <= -1 for d in departures):
            raise ValueError(f"departures must be > -1 for a relative analyte ({self.analyte})")

    def departure(self, container: str, depth: str) -> float:
        """The planted departure at one depth of one container (fraction of the level, or unit)."""
        own = {(c, d): x for c, d, x in self.container_profile}
        return own.get((container, depth), dict(self.profile).get(depth, 0.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyTruth:
    """What is true of a whole synthetic study: its depths (surface down), its analytes, its seed."""

    depths: tuple[str, ...]
    heights: tuple[float, ...]  # mid-heights of the depths, fractions of the liquid height
    analytes: tuple[AnalyteTruth, ...]
    seed: int
    determinations: int = 1  # determinations of each sample
    reported_on: str = "2026-01-15"

    def __post_init__(self) -> None:
        if len(self.depths) != len(self.heights):
            raise ValueError(f"heights must be as many as depths ({len(self.depths)}), but got {len(self.heights)}")
        if self.determinations < 1:
            raise ValueError(f"determinations must be >= 1, but got {self.determinations}")
        names = [a.analyte for a in self.analytes]
        if len(set(names)) != len(names):
            raise ValueError(f"analytes must be distinct, but got {names}")

    def contrasts(self, containers: Iterable[str]) -> pd.DataFrame:
        """The true difference of every pair of depths, averaged over the given containers.

        One row an analyte and pair: ``analyte, deeper, shallower, difference, scale``. Relative
        analytes: mean log ratio as per cent, 100 (exp(mean ln(deeper/shallower)) - 1); absolute
        ones: mean difference in the unit.
        """
        names = tuple(containers)
        rows = []
        for a in self.analytes:
            for shallow, deep in combinations(self.depths, 2):
                pairs = [(a.departure(c, deep), a.departure(c, shallow)) for c in names]
                if a.relative:
                    mean = float(np.mean([np.log1p(low) - np.log1p(up) for low, up in pairs]))
                    rows.append((a.analyte, deep, shallow, 100 * float(np.expm1(mean)), "%"))
                else:
                    rows.append((a.analyte, deep, shallow, float(np.mean([low - up for low, up in pairs])), a.unit))
        return pd.DataFrame(rows, columns=["analyte", "deeper", "shallower", "difference", "scale"])

    def nature(self, analyte: str, margin: float, containers: Iterable[str]) -> str:
        """What an infinitely large study of these containers would find: homogeneous or stratified.

        ``margin`` > 0 in per cent for a relative analyte, else in its unit.
        """
        table = self.contrasts(containers)
        own = table.loc[table["analyte"] == analyte, "difference"]
        if own.empty:
            raise ValueError(f"analyte must be one of {[a.analyte for a in self.analytes]}, but got {analyte!r}")
        relative = next(a.relative for a in self.analytes if a.analyte == analyte)
        if relative:
            bound = np.log1p(margin / 100)
            return "homogeneous" if bool((np.log1p(own / 100).abs() < bound).all()) else "stratified"
        return "homogeneous" if bool((own.abs() < margin).all()) else "stratified"


@dataclass(frozen=True, slots=True, kw_only=True)
class SyntheticStudy:
    """The three tables of a synthetic study beside the truth that they were made from."""

    truth: StudyTruth
    containers: pd.DataFrame
    samples: pd.DataFrame
    results: pd.DataFrame


def stream(seed: int, *names: str) -> np.random.Generator:
    """The generator that belongs to a seed and some names (analyte, component), whatever else is drawn."""
    key = tuple(zlib.crc32(n.encode("utf-8")) for n in names)
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence(seed, spawn_key=key)))


def plan_containers(count: int, *, lots: int = 1, treatment: str = "stored") -> pd.DataFrame:
    """A plain containers table: ``count`` containers C01, C02 and so on, dealt in turn to lots L1, L2 and on."""
    if count < 1 or lots < 1:
        raise ValueError(f"count and lots must be >= 1, but got {count} and {lots}")
    width = max(2, len(str(count)))
    names = [f"C{i + 1:0{width}d}" for i in range(count)]
    return pd.DataFrame({"container": names, "lot": [f"L{i % lots + 1}" for i in range(count)],
                         "treatment": treatment})


def plan_samples(containers: Sequence[str], depths: Sequence[str], heights: Sequence[float], *,
                 draws: int = 1, seed: int = 0) -> pd.DataFrame:
    """A samples table: ``draws`` independent spot draws from each depth of each container.

    Draws run from the surface down; the blind codes are a random order of running numbers.
    """
    rows = [(c, d, h) for c in containers for d, h in zip(depths, heights, strict=True) for _ in range(draws)]
    order = stream(seed, "blind codes").permutation(len(rows)) + 1
    width = max(3, len(str(len(rows))))
    frame = pd.DataFrame(rows, columns=["container", "depth", "height"])
    frame.insert(0, "sample", [f"S{i:0{width}d}" for i in order])
    frame.insert(2, "kind", "spot")
    frame["draw_order"] = frame.groupby("container").cumcount() + 1
    return frame


def allocate_runs(samples: pd.DataFrame, *, runs: int = 1, seed: int = 0) -> pd.DataFrame:
    """Which sample is read in which run at which position: ``sample, run, run_order``.

    All samples of one container stay in one run; containers go to runs, and samples to
    positions within their run, at random. Samples without a container are spread over the runs.
    """
    rng = stream(seed, "runs")
    own = samples["container"].fillna("").astype(str)
    names = sorted(set(own) - {""})
    place = {name: i % runs for i, name in enumerate(rng.permutation(np.array(names, dtype=object)))}
    loose = iter(range(len(samples)))
    run = np.array([place[c] if c else next(loose) % runs for c in own], dtype=int)
    position = np.zeros(len(samples), dtype=int)
    for g in range(runs):
        at = np.flatnonzero(run == g)
        position[at] = rng.permutation(len(at)) + 1
    return pd.DataFrame({"sample": samples["sample"].to_numpy(), "run": [str(g + 1) for g in run],
                         "run_order": position})


def simulate_results(truth: StudyTruth, containers: pd.DataFrame, samples: pd.DataFrame,
                     runs: pd.DataFrame) -> pd.DataFrame:
    """The results that a laboratory would report for these samples (frame, one row a determination).

    ``containers`` needs container and lot; ``samples`` sample, container, kind, depth; ``runs``
    sample, run, run_order. ValueError where a sample has no container of that name or no run.
    """
    base = samples[["sample", "container", "kind", "depth"]].fillna("").astype(str)
    lots = dict(zip(containers["container"].astype(str), containers["lot"].astype(str), strict=True))
    orphans = sorted(set(base["container"]) - set(lots) - {""})
    if orphans:
        raise ValueError(f"samples must name known containers, but got {orphans}")
    base["lot"] = base["container"].map(lots).fillna("")
    base = base.merge(runs[["sample", "run", "run_order"]], on="sample", how="left", validate="one_to_one")
    if base["run"].isna().any():
        raise ValueError(f"every sample must have a run, but got none for {sorted(base['sample'][base['run'].isna()])}")
    base = base.loc[base.index.repeat(truth.determinations)].reset_index(drop=True)
    base["replicate"] = base.groupby("sample").cumcount() + 1
    parts = [_report(truth, a, base, _true_readings(truth.seed, a, base)) for a in truth.analytes]
    return pd.concat(parts, ignore_index=True)[list(RESULT_COLUMNS)]


def simulate_study(truth: StudyTruth, count: int, *, lots: int = 1, draws: int = 1,
                   runs: int = 1) -> SyntheticStudy:
    """A whole synthetic study of ``count`` containers, with its tables and its truth."""
    containers = plan_containers(count, lots=lots)
    samples = plan_samples(tuple(containers["container"]), truth.depths, truth.heights, draws=draws,
                           seed=truth.seed)
    results = simulate_results(truth, containers, samples,
                               allocate_runs(samples, runs=runs, seed=truth.seed))
    return SyntheticStudy(truth=truth, containers=containers, samples=samples, results=results)


def _effects(seed: int, analyte: str, component: str, keys: pd.Series, sd: float) -> np.ndarray:
    """One N(0, sd^2) value a distinct key in order of appearance, spread over the rows; '' gives 0."""
    distinct = [k for k in keys.drop_duplicates() if k]
    values = dict(zip(distinct, sd * stream(seed, analyte, component).standard_normal(len(distinct)), strict=True))
    return keys.map(values).fillna(0.0).to_numpy(float)


def _departures(a: AnalyteTruth, base: pd.DataFrame) -> np.ndarray:
    """The planted departure of each row; composites and rows without a container have none."""
    own = {(c, d): x for c, d, x in a.container_profile}
    stock = dict(a.profile)
    none = base["kind"].isin(WHOLE_KINDS + NO_CONTAINER)
    return np.array([0.0 if skip else own.get((c, d), stock.get(d, 0.0))
                     for c, d, skip in zip(base["container"], base["depth"], none, strict=True)])


def _positions(base: pd.DataFrame) -> np.ndarray:
    """Place within the run from -1/2 (first) to +1/2 (last); 0 where a run has one position."""
    order = base["run_order"].to_numpy(float)
    first = base.groupby("run")["run_order"].transform("min").to_numpy(float)
    last = base.groupby("run")["run_order"].transform("max").to_numpy(float)
    span = np.where(last > first, last - first, 1.0)
    return np.where(last > first, (order - first) / span - 0.5, 0.0)


def _true_readings(seed: int, a: AnalyteTruth, base: pd.DataFrame) -> np.ndarray:
    """The unrounded reading of each row, in the unit."""
    lot = base["lot"].map(dict(a.lot_shift)).fillna(0.0).to_numpy(float)
    run = base["run"].map(dict(a.run_shift)).fillna(0.0).to_numpy(float)
    run = run + _effects(seed, a.analyte, "run", base["run"].astype(str), a.sd_run)
    profile, drift = _departures(a, base), a.drift * _positions(base)
    whole = base["kind"].isin(WHOLE_KINDS + NO_CONTAINER)
    cell = (base["container"] + "\t" + base["depth"]).where(~whole, "")
    noise = (_effects(seed, a.analyte, "container", base["container"], a.sd_container)
             + _effects(seed, a.analyte, "container:depth", cell, a.sd_container_depth)
             + a.s_r * stream(seed, a.analyte, "repeatability").standard_normal(len(base)))
    if a.relative:
        reading = a.level * (1 + lot) * (1 + profile) * (1 + run) * (1 + drift) * np.exp(noise)
    else:
        reading = a.level + lot + profile + run + drift + noise
    return np.asarray(reading)


def decimals_of(step: float) -> int:
    """How many decimals a report with this rounding step shows (1 -> 0, 0.05 -> 2); 6 for no step."""
    if step <= 0:
        return 6
    text = np.format_float_positional(step, trim="-")
    return len(text.partition(".")[2])


def _report(truth: StudyTruth, a: AnalyteTruth, base: pd.DataFrame, reading: np.ndarray) -> pd.DataFrame:
    """The readings as the laboratory reports them: rounded, censored, some lost."""
    digits = decimals_of(a.step)
    rounded = np.round(np.round(reading / a.step) * a.step, digits) if a.step > 0 else reading
    below = (rounded < a.quantification_limit) & (a.quantification_limit > 0)
    limit = np.where(below, a.quantification_limit, np.nan)
    shown = "<" + np.format_float_positional(a.quantification_limit, trim="-")
    frame = base[["sample", "replicate", "run", "run_order"]].copy()
    frame["analyte"], frame["unit"], frame["method"] = a.analyte, a.unit, a.method
    frame["value"] = np.where(below, a.quantification_limit, rounded)
    frame["qualifier"] = np.where(below, "<", "")
    frame["limit"] = limit
    frame["as_written"] = [shown if b else f"{v:.{digits}f}" for b, v in zip(below, rounded, strict=True)]
    frame["reported_on"], frame["revision"] = truth.reported_on, 0
    frame["source_file"], frame["source_row"] = "simulated", np.arange(2, len(frame) + 2)
    lost = stream(truth.seed, a.analyte, "missing").random(len(frame)) < a.missing
    return frame.loc[~lost]
