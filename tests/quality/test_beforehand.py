"""What a plan could not see: what it foretells, against fresh studies of a laboratory that shares no code with it."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from studykit.design.cheapest import Aim
from studykit.quality.beforehand import _dealt, _readings, beforehand, seen_by
from studykit.study.definition import Assumption, Study, parse_study
from tests.faults.bench import explained, foreseen_plan, right
from tests.faults.laboratory import Setting, make
from tests.faults.planted import slipped

USUAL = Setting(tails="t5", draw=0.5)


def planned(setting: Setting, seed: int = 11) -> pd.DataFrame:
    lab = make(setting, seed)
    return seen_by(*foreseen_plan(lab), lab.limits).table.set_index(["fault", "analyte"])


@pytest.mark.slow
def test_a_fault_far_above_what_is_foretold_is_named_and_one_far_below_is_not() -> None:
    row = planned(USUAL).loc[("shift of a run", "P")]
    named = []
    for percent in (2 * row["most_from"], 0.25 * row["half_from"]):
        lab = make(USUAL, 12)
        truth = slipped(lab, "shift", "R1", "P", float(np.log1p(percent / 100)))
        named.append(any(right(f, truth) for f in explained(lab).to_dict("records")))
    assert named == [True, False]


@pytest.mark.slow
def test_twice_the_scatter_is_twice_the_size() -> None:
    """Every size is so many standard deviations, whatever they are: by the scale alone."""
    lab = make(USUAL, 11)
    study, *rest = foreseen_plan(lab)
    parts = study.model_dump(exclude_unset=True)
    for name, factor in (("P", 2.0), ("Zn", 1.0)):
        stated = parts["analytes"][name]["repeatability"]
        stated["s_r_percent"] = factor * 2.0
    del parts["design"]["guesses"]
    both = seen_by(parse_study(parts), *rest, lab.limits).table.set_index(["fault", "analyte"])
    for fault in ("drift over a run", "shift of a run"):
        wide, narrow = (np.log1p(both.loc[(fault, a), "half_from"] / 100) for a in ("P", "Zn"))
        assert wide / narrow == pytest.approx(2.0, rel=1e-6)


@pytest.mark.slow
def test_longer_runs_make_a_smaller_drift_seen() -> None:
    """The slope's error falls with the root of the number of bottles of a run (least squares)."""
    few, many = (planned(Setting(containers=n, runs=3)) for n in (9, 36))
    assert many.loc[("drift over a run", "Zn"), "half_from"] < few.loc[("drift over a run", "Zn"), "half_from"]


def of(study: Study, root: Path, **tables: pd.DataFrame) -> Any:
    empty = pd.DataFrame(columns=["sample", "container"])
    return SimpleNamespace(study=study, root=root, samples=tables.get("samples", empty), containers=empty)


@pytest.mark.slow
def test_without_a_plan_the_bottles_are_those_that_the_design_asks_for(tmp_path: Path) -> None:
    study = foreseen_plan(make(USUAL, 11))[0]
    found = beforehand(of(study, tmp_path))
    assert set(found.table["fault"]) == {"drift over a run", "shift of a run", "level of a container, by one factor"}
    assert (found.table["half_from"] > 0).any()
    assert "no plan yet" in found.words(study)
    assert "made up" in found.words(study)
    assert beforehand(of(study, tmp_path)).table.equals(found.table)


def test_where_nothing_is_known_nothing_is_told(tmp_path: Path) -> None:
    parts = foreseen_plan(make(USUAL, 11))[0].model_dump(exclude_unset=True)
    for a in parts["analytes"].values():
        a.pop("repeatability"), a.pop("nominal", None)
    parts["design"].pop("guesses")
    found = beforehand(of(parse_study(parts), tmp_path))
    assert found.table.empty
    assert "The scatter of no analyte is known" in found.words(parse_study(parts))


def test_a_run_shifts_a_reading_by_the_share_of_the_level_that_it_has() -> None:
    """Intermediate precision 5 at a level of 200, repeatability next to nothing: 5 in a bottle, 2.5 in a fluid of 100."""
    parts = foreseen_plan(make(USUAL, 11))[0].model_dump(exclude_unset=True)
    declared = parts["analytes"]["P"] | {"margin": {"absolute": 20.0}, "nominal": 200.0, "intermediate_s": 5.0, "unit": "mg/kg"}
    study = parse_study(parts | {"analytes": {"P": declared}, "design": {}})
    aim = Aim(analyte="P", guess=Assumption(s_r=1e-6, sd_container_depth=0.0), margin=20.0, unit="mg/kg")
    kinds = ["spot", "check fluid"] * 4000
    rows = pd.DataFrame({"sample": [f"S{i}" for i in range(8000)], "kind": kinds, "position": 1,
                         "container": ["C1" if k == "spot" else "" for k in kinds], "run": [f"R{i // 2}" for i in range(8000)]})
    told = _readings(study, rows, aim, 100.0, np.random.default_rng(2))["value"].to_numpy().reshape(-1, 2)
    assert told.mean(axis=0) == pytest.approx([200, 100], abs=0.5)
    assert told.std(axis=0) == pytest.approx([5.0, 2.5], rel=0.15)
    assert (told[:, 0] - 200) / 2 == pytest.approx(told[:, 1] - 100, abs=1e-3)


@pytest.mark.parametrize(("bottles", "capacity", "runs"), [(12, 40, 1), (12, 17, 1), (12, 16, 2), (30, 12, 3)])
def test_an_order_deals_whole_containers_to_as_few_runs_as_hold_the_samples(bottles: int, capacity: int, runs: int) -> None:
    """By hand: 12 bottles and 5 check fluids fill one run of 17 and need two of 16; check fluids at even distances."""
    study = SimpleNamespace(seed=3, sampling=SimpleNamespace(run_capacity=capacity))
    boxes = [f"C{i // 3}" for i in range(bottles)]
    samples = pd.DataFrame({"container": boxes + [""] * 5, "kind": ["spot"] * bottles + ["check fluid"] * 5})
    samples["sample"] = [f"S{i}" for i in range(len(samples))]
    order = _dealt(study, samples).merge(samples, on="sample")  # type: ignore[arg-type]
    assert order["run"].nunique() == runs
    assert (order[order["kind"] == "spot"].groupby("container")["run"].nunique() == 1).all()
    for _, own in order.groupby("run"):
        assert sorted(own["position"]) == list(range(1, len(own) + 1))
    fluids = order[order["kind"] == "check fluid"].groupby("run").size()
    assert len(fluids) == runs
    assert fluids.max() - fluids.min() <= 1
    if runs == 1:  # five fluids cut the run of 12 bottles into gaps of about 2.4
        gaps = np.diff(np.sort(order.loc[order["kind"] == "check fluid", "position"]))
        assert gaps.min() >= 1
        assert gaps.mean() == pytest.approx(17 / 5, abs=1.2)
