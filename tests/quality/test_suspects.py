"""Competing explanations: the right cause at the right place, rivals named, and real settling never a stop."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from studykit.quality.assess import assess
from studykit.quality.frame import NU, rho
from tests.faults.bench import ASK, STOP, USUAL, elsewhere, explained, flags_of, right
from tests.faults.laboratory import make
from tests.faults.planted import FAULTS, settled_study, spoiled

BOTTLES = ("swap of two bottles", "swap across containers", "exchanged containers", "wrong product", "mixed container",
           "dilution", "additives diluted", "evaporation", "portion", "unit in a row")


@pytest.mark.parametrize("fault", BOTTLES)
def test_right_cause_at_the_right_place(fault: str) -> None:
    lab, truth = spoiled(fault, 2, USUAL, 5)
    flags = (flags_of if fault == "portion" else explained)(lab).to_dict("records")
    assert any(right(f, truth) for f in flags), flags
    assert not any(elsewhere(f, [truth]) for f in flags if f["concern"] in (STOP, ASK)), flags


def test_a_swap_names_its_rival_and_what_would_tell() -> None:
    lab, _ = spoiled("swap of two bottles", 2, USUAL, 5)
    row = assess(*lab.tables()).check("explanations").table.iloc[0]
    assert row["cause"] == "swapped samples"
    assert "own settling" in row["rivals"]
    assert "labels" in row["what_would_tell"]


@pytest.mark.parametrize("kind", ["settled", "creamed", "half-settled", "layered"])
def test_a_container_that_really_separated_is_no_stop_and_is_set_aside(kind: str) -> None:
    """Bottom to top up to about 200-fold, in one container of twelve."""
    flags = explained(make(USUAL, 11, {"C04": (kind, 0.9)}))
    assert STOP not in set(flags["concern"])
    own = flags[flags["rule"].isin(["own settling", "heel in the zone"])]
    assert own["where"].str.contains("C04").any(), flags.to_string()


@pytest.mark.parametrize("seed", range(200, 203))
def test_no_stop_in_settled_studies(seed: int) -> None:
    flags = explained(settled_study(USUAL, seed))
    assert STOP not in set(flags["concern"]), flags.to_string()


def test_the_cost_is_minus_the_log_density_of_student() -> None:
    z = np.array([0.0, 1.0, 7.0])
    # scipy's density, constant taken off
    assert rho(z) == pytest.approx(stats.t.logpdf(0, NU) - stats.t.logpdf(z, NU), rel=1e-12)
    assert rho(np.array([np.nan]))[0] == 0.0


def test_readings_are_never_changed() -> None:
    lab, _ = spoiled("unit in a row", 2, USUAL, 5)
    tables = lab.tables()
    before = tables[3].copy()
    assess(*tables)
    assert tables[3].equals(before)


def test_every_fault_of_the_bench_can_be_planted() -> None:
    for name in FAULTS:
        lab, truth = spoiled(name, 1, USUAL, 8)
        assert truth.causes
        assert len(lab.tables()[3]) > 100


def test_an_analyte_that_reads_alike_everywhere_costs_nothing() -> None:
    """Water 40 in every bottle beside a container that has settled: the others are still looked at."""
    lab = make(USUAL, 11, {"C04": ("settled", 0.9)})
    study, containers, samples, results, *rest = lab.tables()
    name = results["analyte"].iloc[-1]
    bare = study.analytes[name].model_copy(update={"repeatability": None, "method_key": ""})  # no scatter stated either
    study = study.model_copy(update={"analytes": {**study.analytes, name: bare}})
    own = results["analyte"] == name
    alike = results.assign(value=results["value"].where(~own, 40.0))
    flags = assess(study, containers, samples, alike, *rest).check("explanations").table
    assert "own settling" in set(flags["cause"])
