"""Few containers, and what spoils the judging: kinds of a stranger whose laboratories the checks had not seen.

One wrong number among a few must not set the scale of all. What a clean blank, a check fluid that reads alike in all runs, or
containers of which no settling could make it, speak against is not told. One thing is told once.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from studykit.quality.flags import Scatter, working_table
from studykit.quality.floor import stock_of, thinned_floor, without_wet
from studykit.quality.frame import _of_mixing, build_frame, spread
from studykit.quality.memory import cleared
from studykit.quality.plausibility import wear_metals
from studykit.quality.reading_order import inflation
from studykit.quality.slips import _sunk_by_the_check_fluid
from studykit.study.definition import Study, parse_study
from tests.faults.bench import ASK, STOP, USUAL, flags_of
from tests.faults.laboratory import Lab, make
from tests.faults.truth import scale, spot

FOUR = replace(USUAL, containers=4, lots=1, settled=0.05, runs=1, duplicates=1, twice=0)


def asked(lab: Lab) -> pd.DataFrame:
    f = flags_of(lab)
    return f[f["concern"].isin([STOP, ASK])]


def test_the_largest_of_a_few_has_no_part_in_their_spread() -> None:
    x = np.array([[-0.01], [0.02], [-0.03], [0.9]])
    assert spread(x, 0.6)[0] == pytest.approx(1.4826 * 0.03)
    assert spread(x[:3], 0.6)[0] == pytest.approx(1.4826 * 0.02)
    many = np.random.default_rng(1).normal(size=(4000, 1))  # and of many it is a standard deviation
    assert spread(many)[0] == pytest.approx(1.0, abs=0.05)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(2))
def test_two_digits_exchanged_among_four_containers(seed: int) -> None:
    lab = make(FOUR, seed)
    code = spot(lab, "C02", "middle")
    rows = lab.rows(sample=code)
    lab.edits += [(int(i), "Ca", "7120") for i in rows]  # 2170 was meant, about
    found = asked(lab)
    assert any(code in s.split() for s in found["samples"]), found.to_string()
    assert set(found["rule"]) <= {"transposed digits", "value alone", "unit slip"}, found.to_string()


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(2))
def test_another_product_in_one_of_three_containers(seed: int) -> None:
    lab = make(replace(FOUR, containers=3), seed)
    for name, factor in zip(lab.analytes, np.linspace(0.5, 1.9, len(lab.analytes)), strict=True):
        scale(lab, lab.rows(container="C03"), [name], factor)
    found = asked(lab).query("rule == 'wrong product'")
    assert list(found["where"]) == ["container C03"]


@pytest.mark.slow
def test_ten_times_what_four_containers_hold_is_no_settling() -> None:
    lab = make(FOUR, 4)
    code = spot(lab, "C02", "upper")
    scale(lab, lab.rows(sample=code), ["Ca"], 10.0)
    (slip,) = asked(lab).to_dict("records")
    assert (slip["rule"], slip["concern"], slip["samples"]) == ("unit slip", STOP, code)


@pytest.mark.slow
def test_a_whole_bottle_in_another_unit_beside_its_duplicate_is_one_question() -> None:
    lab = make(replace(FOUR, containers=1), 4)
    code = str(lab.wide["sample"].iloc[lab.rows(container="C01", kind="duplicate")[0]])
    scale(lab, lab.rows(sample=code), [a for a in lab.analytes if a != "S"], 10.0)
    (slip,) = asked(lab).to_dict("records")
    assert (slip["rule"], slip["samples"]) == ("unit slip", code)
    assert "in all of these alike" in slip["evidence"]


@pytest.mark.slow
@pytest.mark.parametrize("factor", [10.0, 0.1])
def test_a_bottle_in_another_unit_in_all_that_was_read_is_one_question(factor: float) -> None:
    """No analyte of it is left as the other bottles have it."""
    lab = make(replace(FOUR, containers=1, duplicates=0, analytes=6, limits=False), 5)
    code = spot(lab, "C01", "middle")
    scale(lab, lab.rows(sample=code), lab.analytes, factor)
    slips = asked(lab).query("rule == 'unit slip'")
    assert list(slips["samples"]) == [code]
    assert set(slips["analyte"].iloc[0].split(", ")) == set(lab.analytes)


@pytest.mark.slow
def test_a_whole_bottle_in_another_unit_among_three_containers_is_told_once() -> None:
    lab = make(replace(FOUR, containers=3, depths=4), 4)
    code = spot(lab, "C03", "upper")
    scale(lab, lab.rows(sample=code), [a for a in lab.analytes if a != "S"], 10.0)
    found = asked(lab)
    assert list(found["rule"]) == ["unit slip"], found.to_string()


def places(depths: str, runs: list[str]) -> pd.DataFrame:
    """Spots of containers, each with these depths, in these runs."""
    boxes = len(runs)
    return pd.DataFrame({"container": np.repeat([f"C{k}" for k in range(boxes)], len(depths)), "depth": list(depths) * boxes,
                         "run": list("".join(runs)), "sample": [f"S{k}" for k in range(boxes * len(depths))]})


def test_depths_and_runs_that_hang_together_are_asked_and_others_are_not() -> None:
    """By hand: of two depths in one container half the squares of each; all of them a run's where each depth has its own."""
    assert inflation(places("tb", ["12", "12", "12"])) == np.inf
    assert inflation(places("tb", ["12", "21", "12", "21"])) == pytest.approx(1.0)
    assert inflation(places("tb", ["12", "12", "12", "21"])) == pytest.approx(4 / 3)  # 1 / (1 - r^2), r = (3 - 1) / 4
    assert inflation(places("tmb", ["112", "221", "211", "122"])) < 2


def metals(held: list[float], wear: bool = False) -> tuple[str, ...]:
    """What is said of bottles with so much iron, limit 1."""
    study: Study = parse_study({
        "title": "invented", "question": "settled?", "responsible": "tester", "invented": True,
        "factors": {"depths": ["upper", "lower"]},
        "vessels": {"can": {"shape": "upright_cylinder", "diameter_mm": 160, "height_mm": 240}},
        "analytes": {"Fe": {"unit": "mg/kg", "method": "invented", "margin": {"relative_percent": 20.0}, "limit": 1.0,
                            "margin_reason": "invented", "kind": "element", **({"wear_metal": True} if wear else {})}}})
    t = pd.DataFrame({"sample": [f"S{k}" for k in range(len(held))], "analyte": "Fe", "value": held, "kind": "spot"})
    return tuple(f"{f.concern[:4]} {f.where}" for f in wear_metals(study, t, t.assign(qualifier="", limit=np.nan)).flags)


def test_a_metal_in_nearly_all_bottles_is_the_fluids_in_one_line() -> None:
    assert metals([50.0] * 9 + [0.5]) == ("hint all bottles",)
    assert len(metals([50.0] * 7 + [0.5] * 3)) == 7  # in seven of ten it is not
    assert metals([50.0] * 3) == ("hint sample S0", "hint sample S1", "hint sample S2")  # three bottles do not tell
    assert len(metals([50.0] * 10, wear=True)) == 10  # the study says that it is a wear metal


@pytest.mark.parametrize(("blank", "against"), [(1.0, True), (30.0, False), (np.inf, False)])
def test_a_clean_blank_after_a_bottle_speaks_against_carry_over(blank: float, against: bool) -> None:
    """Of a stock of 100 a third of a tenth is 3.3: a blank that reads less held no tenth of what came before it."""
    f = SimpleNamespace(value=np.full((5, 3), 100.0), zone=np.ones(5, dtype=bool), clean={"R1": np.full(3, blank)})
    assert cleared(SimpleNamespace(f=f), "R1", np.arange(3), 0.1) == against
    assert not cleared(SimpleNamespace(f=f), "R2", np.arange(3), 0.1)


def test_a_blank_without_a_number_has_its_place_in_the_run() -> None:
    rows = [("A", "spot", "", 100.0, 1), ("B", "blank", "<", 2.0, 2), ("C", "spot", "", 101.0, 3)]
    r = pd.DataFrame(rows, columns=["sample", "kind", "qualifier", "value", "run_order"]).assign(run="R1", analyte="Ca")
    samples = r[["sample", "kind"]]
    own = r["kind"].eq("spot")
    t = r[own].assign(y=np.log(r["value"]), relative=True, container="C1", depth="upper", height=0.5, treatment="stored")
    f = build_frame(t, r, samples, {"Ca": 0.02})
    blank = int(np.flatnonzero(f.rows["kind"].eq("blank"))[0])
    assert f.rows["order"].iat[blank] == 2
    assert (f.raw[blank, 0], f.at[blank], bool(f.zone[blank])) == (1.0, -1, False)
    assert np.isnan(f.y[blank]).all()
    assert f.clean["R1"].tolist() == [2.0]
    first = build_frame(t, r.assign(run_order=[2, 1, 3]), samples, {"Ca": 0.02})
    assert not first.clean  # it followed nothing


def floor_of(shares: list[float]) -> bool:
    """Whether a lowest zone that reads these shares of the upper one is called thinned."""
    rows = [("C1", f"S{z}", f"A{k}", 100.0 * (share if z else 1.0), 0.2 if z else 0.8)
            for z in (0, 1) for k, share in enumerate(shares)]
    t = pd.DataFrame(rows, columns=["container", "sample", "analyte", "value", "height"]).assign(
        kind="spot", treatment="stored", relative=True)
    return bool(thinned_floor(t, {f"A{k}": Scatter(s=0.01) for k in range(len(shares))}).flags)


@pytest.mark.parametrize(("shares", "water"), [
    ([0.5, 0.5, 0.5, 0.5, 1.0], True), ([0.5, 0.5, 0.5, 1.0], False), ([0.5, 0.5], True), ([0.5, 1.0], False),
    ([0.5] * 8 + [1.0] * 2, True), ([0.5] * 7 + [1.0] * 3, False)])
def test_four_of_five_exactly_are_nearly_all_analytes(shares: list[float], water: bool) -> None:
    """Counts meet four fifths exactly: at least so many are asked, and two."""
    assert floor_of(shares) == water


@pytest.mark.parametrize(("upper", "low"), [(100.0, 90.0), (9.0, 8.1), (0.3, 0.27), (0.7, 0.63), (2.0, 1.8), (0.1, 0.09)])
def test_readings_of_just_nine_tenths_are_not_thinned_however_they_are_rounded_in_binary(upper: float, low: float) -> None:
    def told(lowest: float) -> bool:
        rows = [("C1", f"S{z}", f"A{k}", lowest if z else upper, 0.2 if z else 0.8) for z in (0, 1) for k in range(4)]
        t = pd.DataFrame(rows, columns=["container", "sample", "analyte", "value", "height"]).assign(
            kind="spot", treatment="stored", relative=True)
        return bool(thinned_floor(t, {f"A{k}": Scatter(s=0.005) for k in range(4)}).flags)

    assert not told(low)
    assert told(low * 0.99)


def wet_floors(wet: int, of: int) -> pd.DataFrame:
    """Containers of two zones and three analytes, the lowest zone of the first ones at half of the upper."""
    rows = [(f"C{c}", f"C{c}S{z}", f"A{k}", 50.0 if z and c < wet else 100.0, 0.2 if z else 0.8)
            for c in range(of) for z in (0, 1) for k in range(3)]
    return pd.DataFrame(rows, columns=["container", "sample", "analyte", "value", "height"]).assign(
        kind="spot", treatment="stored", relative=True)


def test_thinned_floors_are_one_question_that_names_them_in_order() -> None:
    (flag,) = thinned_floor(wet_floors(9, 9), {f"A{k}": Scatter(s=0.01) for k in range(3)}).flags
    assert flag.concern == "ask before trusting"
    assert flag.samples == tuple(f"C{c}S1" for c in range(9))
    assert flag.where == "containers C0, C1, C2, C3, C4, C5, C6, C7 and C8"


@pytest.mark.parametrize(("wet", "of", "left_out"), [(3, 10, True), (3, 11, False), (3, 4, True), (4, 5, False), (2, 4, False)])
def test_three_tenths_to_three_quarters_of_the_stock_exactly_are_a_part_of_it(wet: int, of: int, left_out: bool) -> None:
    """Counts meet both ends: 3 of 10 and 3 of 4 thinned floors leave no usual zone; of three containers at least."""
    t = wet_floors(wet, of)
    gone = set(t["sample"]) - set(without_wet(t, {f"A{k}": 0.01 for k in range(3)})["sample"])
    assert gone == ({f"C{c}S1" for c in range(wet)} if left_out else set())


def test_the_stock_is_stored_containers_of_which_zones_were_read() -> None:
    t = pd.DataFrame({"kind": ["spot", "spot", "blank", "spot", "spot", "heel"],
                      "container": ["C2", "C1", "C9", "", "K1", "C8"],
                      "treatment": ["stored", "", "", "stored", "remixed", "stored"]})
    assert stock_of(t) == ["C1", "C2"]


@pytest.mark.parametrize(("low", "water"), [(0.89, True), (0.9, False), (0.91, False)])
def test_nine_tenths_exactly_of_the_zone_above_is_not_thinned(low: float, water: bool) -> None:
    """90 below 100, to the digit as laboratories round: less than nine tenths is asked."""
    assert floor_of([low, low, low]) == water


@pytest.mark.parametrize(("shares", "water"), [([0.5, 0.5, 0.5, 0.85, 0.5], True), ([0.44, 0.6, 0.42, 0.89, 0.97], False),
                                               ([0.3, 0.4, 0.55, 0.75, 0.89], False), ([0.7, 0.72, 0.69, 0.71], True)])
def test_what_has_creamed_by_amounts_of_its_own_is_no_water(shares: list[float], water: bool) -> None:
    assert floor_of(shares) == water


def test_a_check_fluid_that_reads_alike_in_all_files_acquits_those_that_read_a_tenth() -> None:
    t = pd.DataFrame({"analyte": "Si", "power": [-1.0, 0.0, 0.0], "check_fluid": [20.0, 21.0, 20.5],
                      "judged_by": ["the value as filled alone: the rest may as well lie on the floor", "", ""]})
    assert _sunk_by_the_check_fluid(t) == [0]
    assert _sunk_by_the_check_fluid(t.assign(check_fluid=[2.0, 21.0, 20.5])) == []
    assert _sunk_by_the_check_fluid(t.assign(power=-1.0, judged_by=t["judged_by"].iloc[0])) == []  # nothing to hold it against


def test_settling_widens_what_a_mixed_sample_is_held_by_and_no_check_fluid() -> None:
    lab = make(replace(USUAL, settled=1.5), 3)
    study, _, samples, results = lab.tables()
    t = working_table(study, lab.containers, samples, results)
    f = build_frame(t, results, samples, dict.fromkeys(study.analytes, 0.02))
    profile = np.zeros((len(f.labels), len(f.analytes)))
    profile[:, f.analytes.index("Si")] = np.linspace(-0.5, 0.5, len(f.labels))
    wide = _of_mixing(f, profile, 0.3)[:, f.analytes.index("Si")]
    assert (wide[f.rows["kind"].eq("composite").to_numpy()] > 0).all()
    assert not wide[f.rows["kind"].eq("check fluid").to_numpy()].any()


@pytest.mark.parametrize("numbers", [(), ("check fluid",), ("check fluid", "blank")])
def test_a_study_of_limits_alone_is_looked_at_without_a_stop(numbers: tuple[str, ...]) -> None:
    """Every analyte below its limit in every bottle, as water or a wear metal may be: nothing of the stock departs."""
    lab = make(replace(FOUR, containers=3, runs=2, twice=1), 1)
    kind = lab.wide["kind"].tolist()
    lab.edits += [(i, a, "<90000") for i in range(len(lab.wide)) for a in lab.analytes if kind[i] not in numbers]
    assert flags_of(lab).empty
