"""What one bottle, one test, or one stock has done, as a person who had not seen the checks planted it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from studykit.quality.assess import assess
from studykit.quality.letter import compose
from tests.faults.bench import ASK, STOP, USUAL
from tests.faults.laboratory import Lab, make
from tests.faults.truth import scale, spot

OTHER_TEST = ("S", "Ba")


def two_tests(lab: Lab) -> Lab:
    """The lab, with two analytes that another test reads."""
    analytes = {a: x.model_copy(update={"method": "another test"} if a in OTHER_TEST else {})
                for a, x in lab.study.analytes.items()}
    lab.study = lab.study.model_copy(update={"analytes": analytes})
    return lab


def flags_of(lab: Lab) -> pd.DataFrame:
    return assess(*lab.tables(), limits=lab.limits).flags


@pytest.mark.slow
@pytest.mark.parametrize(("seed", "depth", "settled"), [(31, "upper", 0.6), (32, "lower", 0.6), (33, "lower", 0.0)])
def test_a_short_portion_of_one_test_is_no_settling_of_its_container(seed: int, depth: str, settled: float) -> None:
    """Elements of one bottle 30 % low, another test of it as it was: the portion is asked about, the drum is not condemned."""
    lab = two_tests(make(replace(USUAL, settled=settled), seed))
    bottle = spot(lab, "C09", depth)
    scale(lab, lab.rows(sample=bottle), [a for a in lab.analytes if a not in OTHER_TEST], 0.7)
    flags = flags_of(lab)
    (own,) = flags[flags["rule"] == "portion or dilution"].to_dict("records")
    assert (own["samples"], own["concern"]) == (bottle, ASK)
    assert "S" not in own["analyte"].split(", ")
    assert "own settling" in own["evidence"].split("rivals: ")[1]
    assert "S as expected" in own["evidence"] or "Ba and S as expected" in own["evidence"]
    assert "a second portion" in own["evidence"]
    assert ("speaks against settling" in own["evidence"]) == (settled > 0)
    assert not (flags["where"].eq("container C09") & flags["rule"].eq("own settling")).any()
    study, containers, samples, results = lab.tables()
    letter = compose(study, containers, samples, results, flags)
    assert bottle in set(letter.questions["code"])
    assert bottle in set(letter.relabel["bottle"])


@pytest.mark.slow
def test_water_under_several_containers_is_told_once_and_with_a_caution() -> None:
    """Five of twelve have the lowest zone thinned to 0.3 or 0.6, each by one factor for everything."""
    lab = make(replace(USUAL, settled=0.0), 23)
    thinned = dict(zip(("C02", "C05", "C09", "C10", "C11"), (0.6, 0.3, 0.6, 0.6, 0.3), strict=True))
    for box, factor in thinned.items():
        scale(lab, lab.rows(container=box, depth="lower"), lab.analytes, factor)
    flags = flags_of(lab)
    (own,) = flags[flags["rule"] == "free water or heel at the floor"].to_dict("records")
    assert own["concern"] == ASK
    assert set(thinned) <= set(own["where"].replace(",", "").split())
    assert "safety data sheet" in own["evidence"]
    assert "portion or dilution" in own["evidence"].split("rivals: ")[1]
    assert "portion or dilution" not in set(flags["rule"])


@pytest.mark.slow
def test_short_portions_at_any_depth_are_not_water() -> None:
    lab = make(replace(USUAL, settled=0.0), 24)
    for box, depth in (("C02", "lower"), ("C05", "lower"), ("C08", "lower"), ("C11", "upper")):
        scale(lab, lab.rows(sample=spot(lab, box, depth)), lab.analytes, 0.6)
    flags = flags_of(lab)
    assert "free water or heel at the floor" not in set(flags["rule"])
    short = flags[flags["rule"] == "portion or dilution"]
    assert len(short) == 4
    low = short[short["samples"] != spot(lab, "C11", "upper")]
    assert low["evidence"].str.contains("nothing is pumped from the floor, heated or used").all()  # water is not ruled out


@pytest.mark.slow
def test_half_a_stock_that_has_settled_is_not_bottles_exchanged_in_pairs() -> None:
    """Eight of sixteen have settled 200:1 in what is suspended: one hint, no pairs, no drifts."""
    lab = make(replace(USUAL, containers=16, settled=0.0), 17, {f"C{k:02d}": ("settled", 0.66) for k in range(1, 9)})
    flags = flags_of(lab)
    asked = flags[flags["concern"] == ASK]
    assert not asked["rule"].isin(["swapped samples", "drift", "value alone"]).any(), asked.to_string()
    drifts = flags[flags["rule"] == "drift"]
    assert not drifts.duplicated(["where", "analyte"]).any()


@pytest.mark.slow
@pytest.mark.parametrize("factor", [1.15, 0.85])
def test_one_factor_over_most_analytes_is_no_wrong_product(factor: float) -> None:
    """A drum has lost, or been given, 15 %: two analytes of another kind hardly move. Lots differ by 15 % in all else."""
    lab = make(replace(USUAL, container_sd=0.03, lots=2), 21)
    scale(lab, lab.rows(container="C08"), [a for a in lab.analytes if a not in OTHER_TEST], factor)
    scale(lab, lab.rows(container="C08"), list(OTHER_TEST), factor**0.2)
    flags = flags_of(lab)
    own = flags[flags["where"].eq("container C08") & (flags["concern"] == ASK)]
    assert list(own["rule"]) == ["diluted or evaporated"], flags.to_string()


@pytest.mark.slow
def test_a_product_whose_few_amounts_agree_is_not_said_to_be_off_by_amounts_of_their_own() -> None:
    """All zones of one drum lack nineteen parts in twenty of what is suspended: it may all lie below the lowest draw."""
    lab = make(replace(USUAL, settled=0.0, container_sd=0.003), 38)
    scale(lab, lab.rows(container="C06"), ["Si", "Mo", "Ba"], np.float64(0.05))
    flags = flags_of(lab)
    own = flags[flags["where"].str.contains("C06") & flags["rule"].eq("wrong product")]
    assert len(own) == 1, flags.to_string()
    assert "by one factor" in own["evidence"].iloc[0]
    assert "own settling" in own["evidence"].iloc[0].split("rivals: ")[1]


# -- rows and columns --------------------------------------------------------------------------------------------


def with_columns_exchanged(lab: Lab, runs: tuple[str, ...]) -> Lab:
    """P stands under Zn and Zn under P in these runs."""
    for run in runs:
        rows = lab.rows(run=run)
        lab.wide.loc[rows, ["P", "Zn"]] = lab.wide.loc[rows, ["Zn", "P"]].to_numpy(float)
    return lab


@pytest.mark.slow
@pytest.mark.parametrize("runs", [("R2",), ("R1", "R2", "R3")])
def test_two_columns_exchanged_are_a_cause_of_their_own(runs: tuple[str, ...]) -> None:
    """Check fluid 498 and 1312 mg/kg: each of its analytes fits the other's limits; no container is blamed."""
    flags = flags_of(with_columns_exchanged(make(USUAL, 41), runs))
    (own,) = flags[flags["rule"] == "exchanged columns"].to_dict("records")
    assert (own["analyte"], own["concern"]) == ("P, Zn", ASK)
    assert own["where"] == ("run R2" if runs == ("R2",) else "all runs")
    asked = flags[flags["concern"].isin([ASK, STOP])]
    assert set(asked["rule"]) == {"exchanged columns"}, asked.to_string()


@pytest.mark.slow
def test_of_two_runs_without_limits_either_may_have_its_columns_exchanged() -> None:
    flags = flags_of(with_columns_exchanged(make(replace(USUAL, runs=2, certified=False), 42), ("R2",)))
    (own,) = flags[flags["rule"] == "exchanged columns"].to_dict("records")
    assert "R1 and R2" in own["where"]
    assert "either" in own["evidence"]


def with_rows_shifted(lab: Lab, run: str, step: int) -> Lab:
    """Each row of the run carries what was read ``step`` places later; what stands beyond the end is lost."""
    w = lab.wide
    order = w["run_order"].to_numpy(float)
    rows = sorted(lab.rows(run=run), key=lambda i: order[i])
    codes = list(dict.fromkeys(w.loc[rows, "sample"]))
    first = {c: w.index[(w["sample"] == c) & (w["run"] == run)][0] for c in codes}
    read = {c: w.loc[i, lab.analytes].to_numpy(float).copy() for c, i in first.items()}
    for k, code in enumerate(codes):
        beside = codes[(k + step) % len(codes)]
        for i in w.index[(w["sample"] == code) & (w["run"] == run)]:
            lab.wide.loc[i, lab.analytes] = read[beside]
    return lab


@pytest.mark.slow
@pytest.mark.parametrize("step", [1, -1])
def test_rows_a_place_too_far_stop_and_nothing_else_is_blamed(step: int) -> None:
    flags = flags_of(with_rows_shifted(make(replace(USUAL, twice=0), 43), "R2", step))
    (own,) = flags[flags["rule"] == "rows shifted"].to_dict("records")
    assert (own["where"], own["concern"]) == ("run R2", STOP)
    assert ("later" if step > 0 else "earlier") in own["evidence"]
    wrong = flags[(flags["concern"] == STOP) & (flags["rule"] != "rows shifted")]
    assert wrong.empty, wrong.to_string()


@pytest.mark.slow
@pytest.mark.parametrize("seed", [51, 52])
def test_an_orderly_report_has_neither(seed: int) -> None:
    flags = flags_of(make(USUAL, seed))
    assert not flags["rule"].isin(["rows shifted", "exchanged columns"]).any()
