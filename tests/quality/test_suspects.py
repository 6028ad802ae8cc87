"""Competing explanations: the right cause at the right place, rivals named, and real settling never a stop."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from studykit.quality.assess import assess
from studykit.quality.explain import Candidate
from studykit.quality.frame import NU, rho
from studykit.quality.suspects import concern_of
from tests.faults.bench import ASK, STOP, USUAL, elsewhere, explained, flags_of, right
from tests.faults.laboratory import make
from tests.faults.planted import FAULTS, settled_study, spoiled

BOTTLES = ("swap of two bottles", "swap across containers", "exchanged containers", "wrong product", "mixed container",
           "dilution", "additives diluted", "evaporation", "portion", "unit in a row", "missing purge", "heel in the zone")


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


def test_a_purge_that_was_left_out_is_told_from_exchanged_bottles() -> None:
    """Each draw holds 80 % of the one before it, the first one of another container's: no two bottles changed places.

    Where little is left of the profile it reads as a container that was mixed.
    """
    named = [set(explained(spoiled("missing purge", 2, USUAL, seed)[0])["rule"]) for seed in (31, 32, 33)]
    assert all(rules & {"missing purge", "disturbed container"} for rules in named), named
    assert any("missing purge" in rules for rules in named), named
    assert not any("swapped samples" in rules for rules in named), named


def test_little_that_real_settling_explains_as_well_is_a_hint() -> None:
    """A rich lowest draw is asked about where much speaks for it, and hinted at where little does and settling fits too."""
    heel = Candidate(cause="heel in the zone", rows=(0,), columns=(0,), readings=np.zeros((1, 1)), gain=20.0, price=4.0,
                     place="bottle", rivals=(("own settling", "C01", 1.0),))
    lab = make(USUAL, 3)
    f = assess(*lab.tables()).suspects.frame
    assert concern_of(f, heel) == ASK
    assert concern_of(f, replace(heel, gain=10.0)) == "hint only"
    assert concern_of(f, replace(heel, gain=10.0, rivals=())) == ASK


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
