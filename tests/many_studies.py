"""A folder of many invented studies with known truth, filed as far as hashes go: for the register's tests and its benchmark.

A study's report is a table of words and a manifest; its notebooks are not run, for 200 of them would take an hour.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from studykit.core.files import write_csv
from studykit.demos.simulate import (
    AnalyteTruth,
    StudyTruth,
    allocate_runs,
    plan_containers,
    plan_samples,
    simulate_results,
)
from studykit.front import open as opened
from studykit.report.manifest import FILE, canonical, manifest_of
from tests.studies import definition, write_study

DEPTHS, HEIGHTS = ("upper", "middle", "lower"), (0.83, 0.5, 0.17)


def lay(root: Path, seed: int, truths: Sequence[AnalyteTruth], *, containers: int = 12, determinations: int = 2,
        margin: float = 5.0, day: str = "2026-01-10", filed: bool = True, fluid: float = 0.0,
        **study: object) -> Path:
    """One study of these analytes at ``root``; ``margin`` in per cent; sampled on ``day``.

    ``fluid``: what the check fluid should read, where there is one: six bottles that read as the analytes' level.
    """
    truth = StudyTruth(depths=DEPTHS, heights=HEIGHTS, analytes=tuple(truths), seed=seed, determinations=determinations)
    stock = plan_containers(containers, lots=2).assign(store="north", vessel="drum", liquid_height_mm=500,
                                                       filled_on=f"{int(day[:4]) - 1}{day[4:]}", sampled_on=day)
    samples = plan_samples(list(stock["container"]), DEPTHS, HEIGHTS, seed=seed)
    if fluid:
        bottles = pd.DataFrame({"sample": [f"F{k}" for k in range(6)], "container": "", "kind": "check fluid", "depth": ""})
        samples = pd.concat([samples, bottles], ignore_index=True)
    results = simulate_results(truth, stock, samples, allocate_runs(samples, runs=2, seed=seed))
    made = definition(title=f"Invented study {root.name}", seed=seed, analytes={
        t.analyte: {"unit": t.unit, "method": t.method or "in-house ICP", "margin": {"relative_percent": margin},
                    "margin_reason": "a twentieth is lost in blending anyway"} for t in truths}, **study)
    write_study(root, study=made, containers=stock.to_csv(index=False), samples=samples.to_csv(index=False),
                results_text=results.to_csv(index=False))
    if fluid:
        limits = "".join(f"{t.analyte},{0.9 * fluid},{1.1 * fluid},{fluid},{0.003 * fluid},invented certificate\n"
                         for t in truths)
        (root / "plan/check_limits.csv").write_text(f"analyte,low,high,value,uncertainty,source\n{limits}", encoding="utf-8")
    return file_it(root) if filed else root


def file_it(root: Path) -> Path:
    """Put the words that the tables give under report/, and a manifest of everything."""
    table = opened(root)
    report = root / "report/06-verdict"
    report.mkdir(parents=True, exist_ok=True)
    write_csv(report / "verdicts.csv", table.verdict().to_table())
    (root / FILE).write_text(canonical(manifest_of(root, root / "report", {"title": table.study.title}, {})), encoding="utf-8")
    return root


def truth_of(analyte: str, rng: np.random.Generator, *, difference: float = 1.0, between: float = 0.5, drawing: float = 1.0,
             s_r: float = 0.8, level: float = 100.0) -> AnalyteTruth:
    """An analyte whose lowest depth departs by ``difference`` per cent on average, with scatter between studies; all in %."""
    own = (difference + between * rng.standard_normal()) / 100
    return AnalyteTruth(analyte=analyte, unit="mg/kg", level=level, profile=(("lower", own), ("middle", own / 2)),
                        sd_container=0.01, step=0.01, sd_container_depth=drawing / 100, s_r=s_r / 100, method="in-house ICP")
