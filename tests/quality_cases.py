"""Synthetic studies with known truth for the tests of the quality stage: clean ones, and planted faults."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from studykit.demos.simulate import AnalyteTruth, StudyTruth, plan_containers, plan_samples, simulate_results, stream
from studykit.study.definition import Study, parse_study

DEPTHS, HEIGHTS = ("upper", "middle", "lower"), (0.83, 0.5, 0.17)
# analyte: level, s_r (fraction), step, profile of the stored containers (upper, lower)
ANALYTES: dict[str, tuple[float, float, float, tuple[float, float]]] = {
    "P": (340.0, 0.018, 0.1, (0.0, 0.0)),
    "Zn": (355.0, 0.015, 0.1, (0.0, 0.0)),
    "S": (9800.0, 0.012, 1.0, (0.0, 0.0)),
    "Ca": (1200.0, 0.02, 0.1, (0.0, 0.0)),
    "Si": (14.0, 0.05, 0.01, (-0.18, 0.20)),
    "Mo": (70.0, 0.02, 0.01, (-0.05, 0.056)),
}


@dataclass
class Case:
    """The tables of one synthetic study; ``results`` may be changed by a test to plant a fault."""

    study: Study
    containers: pd.DataFrame
    samples: pd.DataFrame
    results: pd.DataFrame
    notes: dict[str, object] = field(default_factory=dict)

    def tables(self) -> tuple[Study, pd.DataFrame, pd.DataFrame, pd.DataFrame]:
        return self.study, self.containers, self.samples, self.results

    def sample_of(self, container: str, depth: str, kind: str = "spot") -> str:
        s = self.samples
        return str(s.loc[(s["container"] == container) & (s["depth"] == depth) & (s["kind"] == kind), "sample"].iloc[0])

    def value_index(self, sample: str, analyte: str) -> int:
        r = self.results
        return int(r.index[(r["sample"] == sample) & (r["analyte"] == analyte)][0])

    def multiply(self, sample: str, analyte: str, factor: float) -> None:
        i = self.value_index(sample, analyte)
        value = round(float(self.results.loc[i, "value"]) * factor, 4)
        self.results.loc[i, "value"] = value
        self.results.loc[i, "as_written"] = f"{value:g}"

    def swap(self, one: str, other: str) -> None:
        """Exchange the codes of two bottles in the results (run position included)."""
        turned = {one: other, other: one}
        self.results["sample"] = self.results["sample"].map(lambda s: turned.get(s, s))


def study_of(names: tuple[str, ...] = tuple(ANALYTES), **extra: object) -> Study:
    analytes = {a: {"unit": "mg/kg", "method": "invented", "margin": {"relative_percent": 10.0},
                    "margin_reason": "invented", "kind": "element",
                    "repeatability": {"s_r_percent": 100 * ANALYTES[a][1], "source": "invented"}} for a in names}
    data = {"title": "invented study", "question": "has it settled?", "responsible": "tester", "invented": True,
            "factors": {"depths": list(DEPTHS)}, "analytes": analytes,
            "vessels": {"pail": {"shape": "frustum", "bottom_diameter_mm": 270, "top_diameter_mm": 300,
                                 "height_mm": 360}}, **extra}
    return parse_study(data)


def build(seed: int, *, count: int = 12, runs: int = 2, controls: bool = True, duplicates: int = 6,
          drift: dict[str, float] | None = None, run_shift: dict[str, float] | None = None,
          layers: float = 1.0, sd_container: float = 0.01) -> Case:
    """A clean study: ``count`` stored containers, duplicates, composites, check fluids and both controls."""
    containers = plan_containers(count, lots=2)
    names = list(containers["container"])
    samples = plan_samples(tuple(names), DEPTHS, HEIGHTS, seed=seed)
    extra = [("D", c, "duplicate", d) for c, d in zip(names[:duplicates], DEPTHS * 10, strict=False)]
    extra += [("W", c, "composite", "") for c in names[:3]]
    special: list[tuple[str, str, float]] = []
    if controls:
        extra += [("F", "", "check fluid", "")] * (2 * runs)
        for name, treatment, size in (("R1", "remixed control", 0.0), ("L1", "layered control", layers)):
            containers.loc[len(containers)] = {"container": name, "lot": "L1", "treatment": treatment}
            extra += [("X", name, "spot", d) for d in DEPTHS]
            special += [(name, "upper", -0.4 * size), (name, "middle", 0.0), (name, "lower", 0.4 * size)]
    height = dict(zip(DEPTHS, HEIGHTS, strict=True))
    rows = [{"sample": f"{p}{i:03d}", "container": c, "kind": k, "depth": d, "height": height.get(d, np.nan),
             "draw_order": 9} for i, (p, c, k, d) in enumerate(extra)]
    samples = pd.concat([samples, pd.DataFrame(rows)], ignore_index=True)
    containers["vessel"], containers["liquid_height_mm"] = "pail", 320.0
    truth = StudyTruth(depths=DEPTHS, heights=HEIGHTS, seed=seed, analytes=tuple(
        AnalyteTruth(analyte=a, unit="mg/kg", level=level, s_r=s_r, step=step, sd_container=sd_container,
                     profile=(("upper", up), ("lower", low)), container_profile=tuple(special),
                     drift=(drift or {}).get(a, 0.0),
                     run_shift=(("2", run_shift[a]),) if run_shift and a in run_shift else ())
        for a, (level, s_r, step, (up, low)) in ANALYTES.items()))
    results = simulate_results(truth, containers, samples, place_in_runs(samples, runs, seed))
    results = results.reset_index(drop=True)
    results["value"] = results["value"].round(6)
    return Case(study_of(), containers, samples, results)


def place_in_runs(samples: pd.DataFrame, runs: int, seed: int) -> pd.DataFrame:
    """Containers dealt to runs, samples in random order within a run; check fluids in every run."""
    rng = stream(seed, "places")
    own = samples["container"].fillna("")
    names = rng.permutation(np.array(sorted(set(own) - {""}), dtype=object))
    place = {c: i % runs for i, c in enumerate(names)}
    loose = iter(range(10_000))
    run = np.array([place[c] if c else next(loose) % runs for c in own])
    order = np.zeros(len(samples), dtype=int)
    for g in range(runs):
        at = np.flatnonzero(run == g)
        order[at] = rng.permutation(len(at)) + 1
    return pd.DataFrame({"sample": samples["sample"], "run": [str(g + 1) for g in run], "run_order": order})
