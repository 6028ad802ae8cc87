"""A simulated study in one call: what is true of it stands beside its tables."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from studykit.core.errors import single
from studykit.demos.simulate import AnalyteTruth, StudyTruth, SyntheticStudy, simulate_study
from studykit.study.amounts import amount, count, margin_of, on_margin

WORDS = ("top", "upper", "middle", "lower", "bottom")
_CHOSEN = {2: ("upper", "lower"), 3: ("upper", "middle", "lower"), 4: ("top", "upper", "lower", "bottom"), 5: WORDS}


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """A simulated study: tables as a laboratory would leave them, and the truth they were drawn from."""

    study: SyntheticStudy
    analyte: str

    @property
    def depths(self) -> tuple[str, ...]:
        """Depth labels from the surface down."""
        return self.study.truth.depths

    @property
    def truth(self) -> pd.DataFrame:
        """The true difference of every pair of depths: analyte, deeper, shallower, difference, scale."""
        return self.study.truth.contrasts(self.study.containers["container"])

    def tidy(self) -> pd.DataFrame:
        """One row a determination: container, lot, depth (ordered from the surface down), height, sample, run, value."""
        joined = self.study.results.merge(self.study.samples[["sample", "container", "depth", "height"]], on="sample")
        joined = joined.merge(self.study.containers[["container", "lot"]], on="container")
        joined["depth"] = pd.Categorical(joined["depth"], categories=list(self.depths), ordered=True)
        columns = ["container", "lot", "depth", "height", "sample", "run", "run_order", "replicate", "value", "unit",
                   "qualifier", "limit"]
        return joined.sort_values(["container", "depth", "replicate"], ignore_index=True)[columns]


def simulate(*, containers: int, depths: int = 3, level: str = "100 mg/kg", difference: str = "0 %",
             repeatability: str = "2 %", profiles: str = "0 %", between: str = "0 %", determinations: int = 1,
             lots: int = 1, runs: int = 1, missing: float = 0.0, seed: int = 1) -> World:
    """A study of one invented analyte with known truth; the same seed gives the same study.

    ``level`` is a text with its unit; ``difference`` (true lowest minus uppermost depth, linear in depth),
    ``repeatability``, ``profiles`` and ``between`` (standard deviations of a determination, of the containers'
    own profiles, of their levels) are in per cent of the level. ``missing`` is the share of lost determinations.
    Raises BadInput for amounts without unit and for impossible counts.
    """
    mean = amount(level, "level")
    if mean.relative or mean.value <= 0:
        raise single("level", "the level must be above 0 and in a unit", "write for instance '100 mg/kg'", value=str(level))
    percent, _ = margin_of("50 %")
    scatter = {name: on_margin(text, name, percent, "") / 100 for name, text in
               (("repeatability", repeatability), ("profiles", profiles), ("between", between))}
    end = on_margin(difference, "difference", percent, "", negative=True) / 100
    for name, value, least in (("containers", containers, 1), ("depths", depths, 2), ("determinations", determinations, 1),
                               ("lots", lots, 1), ("runs", runs, 1), ("seed", seed, 0)):
        count(value, name, least)
    if isinstance(missing, bool) or not isinstance(missing, int | float) or not 0 <= missing < 1:
        raise single("missing", "must be a share of 0 or more and below 1", "15 per cent is 0.15", value=str(missing))
    labels = _labels(depths)
    ratios = np.exp(np.linspace(0.0, np.log1p(end), depths)) - 1
    truth = AnalyteTruth(analyte="A", unit=mean.unit, level=mean.value, s_r=scatter["repeatability"],
                         sd_container_depth=scatter["profiles"], sd_container=scatter["between"],
                         profile=tuple(zip(labels, ratios.tolist(), strict=True)), missing=missing)
    heights = tuple(1 - (k + 0.5) / depths for k in range(depths))
    made = simulate_study(StudyTruth(depths=labels, heights=heights, analytes=(truth,), seed=seed,
                                     determinations=determinations), containers, lots=lots, runs=runs)
    return World(study=made, analyte="A")


def _labels(depths: int) -> tuple[str, ...]:
    return _CHOSEN.get(depths) or tuple(f"zone {k + 1}" for k in range(depths))
