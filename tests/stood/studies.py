"""Invented studies of many kinds, small, each fixed by its seed: two, three and five depths, lots, floors, limits, losses."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

import studykit.notebook.stage as kit
from tests.studies import definition, write_study

HEIGHTS = {2: ("upper", "lower"), 3: ("upper", "middle", "lower"), 5: ("top", "upper", "middle", "lower", "bottom")}
FLUID = {"density_kg_m3": 895, "viscosity_mm2_s_at_40c": 32, "viscosity_mm2_s_at_100c": 5.4, "temperature_difference_k": 2,
         "yearly_swing_c": 6}
GRIT = {"name": "grit", "analyte": "P", "density_kg_m3": 2500, "diameter_um": 3, "log_sd": 0.2, "volume_fraction": 0.002}
HEAD_C = "container,lot,store,vessel,liquid_height_mm,filled_on,sampled_on,treatment\n"
HEAD_R = "sample,analyte,value,unit,qualifier,limit,replicate,run,source_file,source_row\n"


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """One invented study: so many containers, depths and determinations, and what is peculiar about it.

    ``slope``: the lowest zone above the uppermost, as a share; ``apart``: how many containers have four times as much;
    ``lost``, ``limited``: samples without a result, or with one below ``limit``; ``also``: kinds of further samples, each
    with its level as a share of the zones; ``margins``: of P and of W; ``more``: keys of study.toml.
    """

    n: int = 6
    depths: int = 3
    repeats: int = 1
    slope: float = 0.0
    apart: int = 0
    sd: float = 0.01
    between: float = 0.02
    level: float = 100.0
    lost: int = 0
    limited: int = 0
    sign: str = "<"
    limit: float = 98.0
    digits: int = 4
    runs: int = 1
    remixed: int = 0
    also: Mapping[str, float] = field(default_factory=dict)
    margin: Mapping[str, Any] = field(default_factory=lambda: {"relative_percent": 5})
    absolute: float = 4.0
    entry: Mapping[str, Any] = field(default_factory=dict)
    more: Mapping[str, Any] = field(default_factory=dict)
    factors: Mapping[str, Any] = field(default_factory=dict)


STATED = {"repeatability": {"s_r_percent": 1.5, "source": "invented"}}
KINDS: Mapping[str, Kind] = {
    "settled": Kind(n=8, repeats=2, slope=0.2, also={"heel": 1.4, "composite": 1.1}, runs=2, remixed=1,
                    factors={"fixed": ["lot"], "by_depth": ["lot"]}),
    "below": Kind(n=9, repeats=2, slope=-0.12, margin={"relative_percent": 10, "side": "below"}, lost=2, between=0.05),
    "limits": Kind(n=8, limited=4, margin={"absolute": 6.0}, also={"heel": 1.02}, lost=1, entry=STATED),
    "uneven": Kind(n=14, apart=3, slope=0.03, sd=0.005, entry=STATED, also={"heel": 1.0}, more={"share_percent": 30}),
    "level": Kind(n=7, sd=0.004, also={"heel": 1.002, "composite": 1.001}, lost=1, more={"fluid": FLUID, "components": [GRIT]}),
    "five": Kind(n=6, depths=5, slope=0.5, margin={"factor": 1.5}, repeats=2, lost=3, runs=3, factors={"run": True}),
    "two": Kind(n=5, depths=2, slope=0.04, level=3.7, absolute=0.3, entry={"nominal": 4.0, "limit": 4.4}),
    "few": Kind(n=2, slope=0.1),
    "one": Kind(n=1, slope=0.12, repeats=2, entry=STATED, more={"scope": "container"}),
    "one limited": Kind(n=1, slope=-0.3, repeats=3, limited=2, limit=75.0, entry=STATED, more={"scope": "container"}),
    "coarse": Kind(n=8, digits=0, sd=0.02, level=60.0, margin={"absolute": 12.0}, repeats=2),
    "all limits": Kind(n=5, limited=99, limit=40.0, margin={"absolute": 60.0}),
    "aged": Kind(n=12, slope=0.06, also={"heel": 1.1}, lost=2, factors={"fixed": ["age_months", "store"],
                                                                      "by_depth": ["age_months", "store"]}),
    "above": Kind(n=7, slope=0.1, margin={"factor": 1.3, "side": "above"}, limited=3, sign=">", limit=104.0, entry=STATED),
    "with information": Kind(n=6, slope=0.05, entry={"role": "information"}, repeats=2, also={"composite": 1.0}),
}
"""Kinds of studies; the first few are quick, and hold most of what can be peculiar."""


def _values(kind: Kind, rng: np.random.Generator, lowest: float) -> np.ndarray:
    """Results of one analyte, container by depth by repeat."""
    line = np.linspace(0, 1, kind.depths)
    own = np.where(np.arange(kind.n) < kind.apart, 4.0, 1.0)[:, None] * np.log1p(lowest) * line
    between = kind.between * rng.standard_normal((kind.n, 1))
    cell = 0.5 * kind.sd * rng.standard_normal((kind.n, kind.depths))
    noise = kind.sd * rng.standard_normal((kind.repeats, kind.n, kind.depths))
    return np.round(kind.level * np.exp(own + between + cell + noise), kind.digits)


def texts(kind: Kind, seed: int) -> tuple[str, str, str]:
    """The three tables of a study as texts: containers, samples, results."""
    rng = np.random.default_rng(seed)
    found = {"P": _values(kind, rng, kind.slope), "W": _values(kind, rng, kind.slope / 3)}
    places = [(c, k) for c in range(kind.n) for k in range(kind.depths)]
    lost = {places[i] for i in rng.permutation(len(places))[:kind.lost]}
    low = {places[i] for i in rng.permutation(len(places))[:kind.limited]}
    containers, samples, results, line = HEAD_C, "sample,container,kind,depth,height\n", HEAD_R, 2
    depths = HEIGHTS[kind.depths]

    def row(code: str, analyte: str, value: float, k: int, run: str, limit: bool = False) -> str:
        number = f",mg/kg,{kind.sign},{kind.limit}" if limit else f"{value},mg/kg,,"
        return f"{code},{analyte},{number},{k + 1},{run},lab.csv,"

    for c in range(kind.n + kind.remixed):
        stored, source = c < kind.n, c % kind.n
        containers += (f"C{c},L{source % 2 + 1},{('north', 'south')[source // 2 % 2]},drum,{480 + 5 * c},2025-01-10,"
                       f"{2025 + source // 4}-0{4 + source % 4}-10,{'stored' if stored else 'remixed control'}\n")
        spots = [(f"C{c}{d}", "spot", d, f"{0.9 - 0.8 * k / (len(depths) - 1):.3f}") for k, d in enumerate(depths)]
        for code, what, d, h in (*spots, *((f"C{c}{w}", w, "", "") for w in kind.also if stored)):
            samples += f"{code},C{c},{what},{d},{h}\n"
            for a, v in found.items():
                level = v[:, source].mean(axis=1) * (kind.also[what] + 0.01 * (c % 3)) if what != "spot" else (
                    v[:, source, depths.index(d)] if stored else v[:, source].mean(axis=1))
                place = (c, depths.index(d)) if d else (-1, -1)
                for k in range(0 if place in lost and a == "P" else kind.repeats):
                    results += row(code, a, round(float(level[k]), 4), k, f"R{(c + k) % kind.runs + 1}",
                                   place in low and a == "P") + f"{line}\n"
                    line += 1
    return containers, samples, results


def stage_of(root: Path, name: str) -> kit.Stage:
    """The opened verdict stage of one of the kinds, written below ``root``."""
    kind, seed = KINDS[name], 100 + list(KINDS).index(name)
    analytes = {"P": {"unit": "mg/kg", "method": "invented", "margin": dict(kind.margin), "margin_reason": "a test",
                      "label": "Pe", **kind.entry},
                "W": {"unit": "mg/kg", "method": "invented", "margin": {"absolute": kind.absolute}, "margin_reason": "a test"}}
    study = definition(analytes=analytes, factors={"depths": list(HEIGHTS[kind.depths]), **kind.factors}, **kind.more)
    containers, samples, results = texts(kind, seed)
    write_study(root, study=study, containers=containers, samples=samples, results_text=results)
    return kit.open_stage("06-verdict", str(root), str(root / "report"))
