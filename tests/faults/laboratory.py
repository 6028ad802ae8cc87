"""One invented study as a laboratory would report it: containers, samples, results, and what is true of them.

A container holds, of each analyte, a dissolved share and a suspended share. The suspended share is moved by one of
``PROFILES`` (a clear top and a floor layer by advection, an exponential column, a cream layer, two layers); every
container has its own rate. Then somebody draws (scatter of the draw, alike in all analytes of a bottle), and a
laboratory measures in runs, one file a run, with its own scatter, small shifts of the runs, rounding and limits.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
import pandas as pd

from studykit.study.definition import Study, parse_study

HEIGHTS = {2: (0.75, 0.25), 3: (0.83, 0.5, 0.17), 4: (0.9, 0.63, 0.37, 0.1), 5: (0.9, 0.7, 0.5, 0.3, 0.1)}
NAMES = {2: ("upper", "lower"), 3: ("upper", "middle", "lower"), 4: ("top", "upper", "lower", "bottom"),
         5: ("top", "upper", "middle", "lower", "bottom")}
# analyte: level, s_r (fraction of level), decimals, suspended share of the analyte, unit
ANALYTES: dict[str, tuple[float, float, int, float, str]] = {
    "P": (830.0, 0.020, 0, 0.02, "mg/kg"),
    "Zn": (905.0, 0.016, 0, 0.03, "mg/kg"),
    "S": (0.642, 0.013, 4, 0.0, "% (m/m)"),
    "Ca": (2150.0, 0.022, 0, 0.15, "mg/kg"),
    "Si": (17.0, 0.045, 1, 0.9, "mg/kg"),
    "Mo": (96.0, 0.025, 1, 0.6, "mg/kg"),
    "B": (210.0, 0.030, 0, 0.05, "mg/kg"),
    "Ba": (6.2, 0.060, 2, 0.4, "mg/kg"),
}
CHECK = {"P": 0.6, "Zn": 1.45, "S": 0.8, "Ca": 0.5, "Si": 1.6, "Mo": 0.4, "B": 1.3, "Ba": 2.2}
"""The check fluid's content as a fraction of the stock's: another composition."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """What kind of study and laboratory: sizes, tails, and what the stock has done."""

    containers: int = 12
    depths: int = 3
    runs: int = 3
    tails: str = "normal"  # or "t5"
    draw: float = 0.5  # scatter of one draw, in stated repeatabilities
    settled: float = 0.35  # how far the stock has settled, 0..1
    uneven: float = 0.3  # spread (log) of the containers' own rates
    lots: int = 2
    limits: bool = True  # one analyte near its reporting limit
    twice: int = 6  # bottles measured twice
    duplicates: int = 8
    nominal: bool = True
    certified: bool = True  # check fluid's limits are known
    container_sd: float = 0.008
    run_sd: float = 0.3  # in stated repeatabilities
    analytes: int = 8
    heels: int = 0  # containers whose heel is drawn too


@dataclass
class Lab:
    """A study in memory. ``wide``: one row a determination (sample, kind, container, depth, run, file ...) and one
    column an analyte of unrounded readings; faults change it before ``tables`` reports it."""

    setting: Setting
    study: Study
    containers: pd.DataFrame
    samples: pd.DataFrame
    wide: pd.DataFrame
    true: pd.DataFrame
    rng: np.random.Generator
    limits: pd.DataFrame | None
    decimals: dict[str, int]
    edits: list[tuple[int, str, str]] = field(default_factory=list)  # row of wide, analyte, text as written
    copies: list[tuple[int, int, tuple[str, ...]]] = field(default_factory=list)  # to row, from row, analytes

    @property
    def analytes(self) -> list[str]:
        return list(self.study.analytes)

    def rows(self, **where: str) -> np.ndarray:
        """Positions of the rows that have these values."""
        mask = np.ones(len(self.wide), dtype=bool)
        for name, value in where.items():
            mask &= (self.wide[name] == value).to_numpy()
        return np.flatnonzero(mask)

    def stored(self) -> list[str]:
        """Codes of the stored containers."""
        return list(self.containers.loc[self.containers["treatment"] == "stored", "container"])

    def tables(self) -> tuple[Study, pd.DataFrame, pd.DataFrame, pd.DataFrame]:
        """Study, containers, samples and results, as ``assess`` takes them."""
        return self.study, self.containers, self.samples, report(self)


@lru_cache(maxsize=32)
def study_of(depths: int, count: int, nominal: bool, limits: bool) -> Study:
    """The definition: margins of 10 %, stated repeatabilities, and for one analyte a reporting limit."""
    analytes: dict[str, dict[str, object]] = {}
    for name, (level, s_r, _, _, unit) in list(ANALYTES.items())[:count]:
        analytes[name] = {"unit": unit, "method": "invented", "margin": {"relative_percent": 10.0},
                          "margin_reason": "invented", "kind": "element",
                          "repeatability": {"s_r_percent": 100 * s_r, "source": "invented"}}
        analytes[name] |= {"nominal": level} if nominal else {}
    if limits and "Ba" in analytes:
        analytes["Ba"]["limit"] = 5.5
    return parse_study({
        "title": "invented study", "question": "has it settled?", "responsible": "tester", "invented": True,
        "factors": {"depths": list(NAMES[depths])}, "analytes": analytes,
        "vessels": {"drum": {"shape": "upright_cylinder", "diameter_mm": 560, "height_mm": 850}}})


# -- the fluid ---------------------------------------------------------------------------------------------------


def advected(h: np.ndarray, far: float, thick: float = 0.07) -> np.ndarray:
    """Suspended matter, relative to its mean, when fronts of many sizes have fallen ``far`` (0..1.5) heights."""
    speeds = np.exp(np.linspace(-1.2, 1.2, 25))
    part = np.exp(-np.linspace(-1.2, 1.2, 25) ** 2 / 0.5)
    left = (h[:, None] < 1 - far * speeds / speeds.max()).astype(float) @ part / part.sum()
    floor = 1 - np.clip(1 - far * speeds / speeds.max(), 0, 1)
    return left + float(floor @ part / part.sum()) / thick * np.exp(-h / thick)


def column(h: np.ndarray, rate: float) -> np.ndarray:
    """Exponential column of mean 1: rich below for rate > 0, above for rate < 0."""
    return np.exp(-rate * h) * (rate / -np.expm1(-rate) if abs(rate) > 1e-9 else 1.0)


def layers(h: np.ndarray, where: float, above: float) -> np.ndarray:
    """Two layers of mean 1: ``above`` over the height ``where``, the rest below."""
    return np.where(h > where, above, (1 - above * (1 - where)) / where)


def suspended(h: np.ndarray, kind: str, size: float) -> np.ndarray:
    """One of the profiles at mid-heights h; size 0..1 (1: top to bottom differ about 200-fold)."""
    if kind == "settled":
        return column(h, 8.0 * size)
    if kind == "creamed":
        return column(h, -8.0 * size)
    if kind == "half-settled":
        return advected(h, 1.3 * size)
    return layers(h, 0.35, max(0.005, 1 - size))


# -- the study ---------------------------------------------------------------------------------------------------


def make(setting: Setting, seed: int, own: dict[str, tuple[str, float]] | None = None) -> Lab:
    """A clean study. ``own``: containers (C01 ...) with a profile of their own, by kind and size."""
    rng = np.random.default_rng([seed, 20261126])
    s = setting
    study = study_of(s.depths, s.analytes, s.nominal, s.limits)
    names = [f"C{i + 1:02d}" for i in range(s.containers)]
    boxes = pd.DataFrame({"container": [*names, "REM", "LAY"],
                          "lot": [f"L{i % s.lots + 1}" for i in range(s.containers)] + ["L1", "L1"],
                          "store": "hall", "age_months": 12.0,
                          "treatment": ["stored"] * s.containers + ["remixed control", "layered control"],
                          "vessel": "drum", "liquid_height_mm": 780.0})
    samples = _samples(s, names, rng)
    wide = _runs(s, samples, rng)
    content = _content(s, boxes, wide, rng, own or {})
    true = wide[["sample"]].join(pd.DataFrame(content, columns=list(study.analytes)))
    readings = content * np.exp(_draws(s, wide, rng) + _measuring(s, wide, rng))
    wide = wide.join(pd.DataFrame(readings, columns=list(study.analytes)))
    limits = pd.DataFrame([(a, ANALYTES[a][0] * CHECK[a] * (1 - 4 * ANALYTES[a][1]),
                            ANALYTES[a][0] * CHECK[a] * (1 + 4 * ANALYTES[a][1])) for a in study.analytes],
                          columns=["analyte", "low", "high"]) if s.certified else None
    return Lab(setting=s, study=study, containers=boxes, samples=samples, wide=wide, true=true, rng=rng,
               limits=limits, decimals={a: ANALYTES[a][2] for a in study.analytes})


def references(lab: Lab, u: float = 0.3) -> pd.DataFrame:
    """Limits with reference values: certified within ``u`` repeatabilities (one error for all readings), and a spread.

    The spread is what single readings of this laboratory scatter over its runs.
    """
    s = lab.setting
    rng = np.random.default_rng([int(lab.rng.bit_generator.seed_seq.entropy[0]), 13528])  # type: ignore[attr-defined]
    rows = []
    for a in lab.analytes:
        true, own = ANALYTES[a][0] * CHECK[a], ANALYTES[a][0] * CHECK[a] * ANALYTES[a][1]
        value = true + u * own * rng.standard_normal()
        rows.append((a, value - 4 * own, value + 4 * own, value, u * own, own * np.sqrt(1 + s.run_sd**2)))
    return pd.DataFrame(rows, columns=["analyte", "low", "high", "value", "uncertainty", "spread"])


def _samples(s: Setting, names: list[str], rng: np.random.Generator) -> pd.DataFrame:
    depths, heights = NAMES[s.depths], HEIGHTS[s.depths]
    rows = [(c, d, h, "spot", k + 1) for c in [*names, "REM", "LAY"] for k, (d, h) in
            enumerate(zip(depths, heights, strict=True))]
    for i in range(s.duplicates):
        k = i % s.depths
        rows.append((names[i % len(names)], depths[k], heights[k], "duplicate", s.depths + 1))
    rows += [(c, "", np.nan, "composite", s.depths + 2) for c in names[:4]]
    rows += [(c, "heel", 0.02, "heel", s.depths + 3) for c in names[: s.heels]]
    rows += [("", "", np.nan, "check fluid", 0)] * (3 * s.runs) + [("", "", np.nan, "blank", 0)] * s.runs
    table = pd.DataFrame(rows, columns=["container", "depth", "height", "kind", "draw_order"])
    table.insert(0, "sample", [f"{v}" for v in rng.permutation(9000)[: len(table)] + 1000])
    return table


def _runs(s: Setting, samples: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Containers dealt to runs, random places; a check fluid first, about the middle and last; some bottles twice."""
    boxes = [c for c in dict.fromkeys(samples["container"]) if c]
    dealt = {c: i % s.runs for i, c in enumerate(rng.permutation(np.array(boxes, dtype=object)))}
    run = np.array([dealt.get(c, -1) for c in samples["container"]])
    for kind in ("check fluid", "blank"):
        at = np.flatnonzero(samples["kind"] == kind)
        run[at] = np.arange(at.size) % s.runs
    twice = set(rng.choice(samples.index[samples["kind"] == "spot"], s.twice, replace=False)) if s.twice else set()
    rows = []
    for g in range(s.runs):
        inside = np.flatnonzero(run == g)
        checks = [i for i in inside if samples.at[i, "kind"] == "check fluid"]
        others = [i for i in rng.permutation(inside) if samples.at[i, "kind"] != "check fluid"]
        half = len(others) // 2
        order = [checks[0], *others[:half], *checks[1:-1], *others[half:], *checks[-1:]]
        for place, i in enumerate(order):
            rows += [(i, k, g, place + 1) for k in range(1, 3 if i in twice else 2)]
    frame = pd.DataFrame(rows, columns=["at", "replicate", "g", "run_order"])
    out = samples.iloc[frame["at"]].reset_index(drop=True)
    out["replicate"], out["run_order"] = frame["replicate"], frame["run_order"]
    out["run"] = [f"R{g + 1}" for g in frame["g"]]
    out["file"] = out["run"].map(lambda r: f"lab_{r}.csv")
    return out


def _content(s: Setting, boxes: pd.DataFrame, wide: pd.DataFrame, rng: np.random.Generator,
             own: dict[str, tuple[str, float]]) -> np.ndarray:
    names = list(study_of(s.depths, s.analytes, s.nominal, s.limits).analytes)
    level = np.array([ANALYTES[a][0] for a in names])
    share = np.array([ANALYTES[a][3] for a in names])
    lots = dict(zip(sorted(set(boxes["lot"])), rng.normal(0, 0.012, (s.lots, len(names))), strict=True))
    out = np.zeros((len(wide), len(names)))
    for box in boxes.to_dict("records"):
        at = np.flatnonzero(wide["container"] == box["container"])
        h = wide["height"].to_numpy(float)[at]
        rate = s.settled * float(np.exp(rng.normal(0, s.uneven)))
        kind, size = own.get(box["container"], ("settled", min(1.0, 0.25 * rate)))
        if box["treatment"] == "remixed control":
            size = 0.0
        shape = suspended(np.nan_to_num(h, nan=0.5), kind, size)
        if box["treatment"] == "layered control":
            shape = layers(np.nan_to_num(h, nan=0.5), 0.45, 0.3)
        mean = level * np.exp(lots[box["lot"]] + s.container_sd * tailed(s, rng, len(names)))
        if box["treatment"] == "layered control":
            share_here = np.maximum(share, 0.35)
        else:
            share_here = share
        profile = 1 + share_here * (shape[:, None] - 1)
        profile[np.isnan(h)] = 1.0
        out[at] = mean * profile
    fluid = np.array([CHECK[a] for a in names])
    out[(wide["kind"] == "check fluid").to_numpy()] = level * fluid
    out[(wide["kind"] == "blank").to_numpy()] = level * 1e-4
    return out


def tailed(s: Setting, rng: np.random.Generator, *shape: int) -> np.ndarray:
    """Standard deviation 1, normal or with the tails of Student's t of 5 degrees of freedom."""
    return rng.standard_normal(shape) if s.tails == "normal" else rng.standard_t(5, shape) / np.sqrt(5 / 3)


def _draws(s: Setting, wide: pd.DataFrame, rng: np.random.Generator) -> np.ndarray:
    """Scatter of drawing on the log scale: one a bottle, half of its variance common to all analytes."""
    codes, distinct = pd.factorize(wide["sample"])
    s_r = np.array([ANALYTES[a][1] for a in list(ANALYTES)[: s.analytes]])
    common, alone = tailed(s, rng, len(distinct), 1), tailed(s, rng, len(distinct), s.analytes)
    drawn = (s.draw * s_r * (np.sqrt(0.3) * common + np.sqrt(0.7) * alone))[codes]
    drawn[(wide["container"] == "").to_numpy()] = 0.0
    return drawn


def _measuring(s: Setting, wide: pd.DataFrame, rng: np.random.Generator) -> np.ndarray:
    s_r = np.array([ANALYTES[a][1] for a in list(ANALYTES)[: s.analytes]])
    codes, distinct = pd.factorize(wide["run"])
    shift = s.run_sd * s_r * rng.standard_normal((len(distinct), s.analytes))
    return s_r * tailed(s, rng, len(wide), s.analytes) + shift[codes]


# -- the report --------------------------------------------------------------------------------------------------


def report(lab: Lab) -> pd.DataFrame:
    """The tidy results: rounded, limits as "<", files and rows, with copies and edits of the written cells applied."""
    texts = {}
    for a in lab.analytes:
        digits = lab.decimals[a]
        v = np.round(lab.wide[a].to_numpy(float) / 10.0**-digits) * 10.0**-digits
        texts[a] = np.array([f"{x:.{max(0, digits)}f}" for x in v], dtype=object)
        limit = lab.study.analytes[a].limit
        if limit is not None:
            texts[a][v < limit] = f"<{limit:g}"
    for row, source, analytes in lab.copies:
        for a in analytes:
            texts[a][row] = texts[a][source]
    for row, a, text in lab.edits:
        texts[a][row] = text
    base = lab.wide[["sample", "replicate", "run", "run_order", "file"]]
    parts = []
    for a in lab.analytes:
        part = base.copy()
        below = np.array([str(x).startswith("<") for x in texts[a]])
        number = np.array([float(str(x).lstrip("<")) for x in texts[a]])
        part["analyte"], part["unit"], part["method"] = a, lab.study.analytes[a].unit, "invented"
        part["value"], part["qualifier"] = number, np.where(below, "<", "")
        part["limit"], part["as_written"] = np.where(below, number, np.nan), texts[a]
        parts.append(part)
    out = pd.concat(parts, ignore_index=True).rename(columns={"file": "source_file"})
    out["reported_on"], out["revision"] = "2026-05-04", 0
    out["source_row"] = np.arange(2, len(out) + 2)
    return out
