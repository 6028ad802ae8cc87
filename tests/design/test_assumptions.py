"""Expectations from study.toml, the proposed plan, and the warnings, each with a case where it must stay silent."""

from __future__ import annotations

import copy
import math
import re
from dataclasses import replace
from typing import Any

import pandas as pd
import pytest

from studykit.core.errors import BadInput
from studykit.design import advice
from studykit.design.advice import advice_table, advise
from studykit.design.assumptions import (
    HOW,
    Control,
    Proposal,
    _on_scale,
    aims_of,
    expectations,
    filed_proposal,
    guess_from_pilot,
    guess_of,
    propose,
    size_of,
)
from studykit.design.cheapest import right_chance
from studykit.design.operating import DesignSize, chances
from studykit.design.tables import left_out
from studykit.inference.margin import Margin
from studykit.sampling.order import make_plan
from studykit.sampling.outlay import outlay
from studykit.study.aliases import aliases
from studykit.study.columns import CONTAINERS
from studykit.study.definition import Assumption, Study, parse_study
from studykit.study.inventory import wanted_controls

BASE: dict[str, Any] = {
    "title": "Invented example", "question": "Must it be mixed?", "responsible": "store keeper", "scope": "stock",
    "invented": True,
    "factors": {"depths": ["upper", "middle", "lower"], "fixed": ["lot", "store"]},
    "analytes": {"P": {"unit": "mg/kg", "method": "in-house 1", "margin": {"relative_percent": 25},
                       "margin_reason": "invented", "nominal": 400},
                 "water": {"unit": "mg/kg", "method": "in-house 2", "margin": {"absolute": 50},
                           "margin_reason": "invented"}},
    "vessels": {"pail": {"shape": "frustum", "bottom_diameter_mm": 270, "top_diameter_mm": 300, "height_mm": 360}},
    "sampling": {"heel": True, "draw_ml": 100, "run_capacity": 36},
    "design": {"containers": 12, "replicates": 1, "cost_container": 40, "cost_sample": 10, "cost_determination": 6,
               "guesses": {"P": {"s_r": 2.0, "sd_container_depth": 0},
                           "water": {"s_r": 12.0, "gradient": 70, "sd_container_depth": 0}}},
}


def study(**changes: Any) -> Study:
    """The base study with dotted keys replaced: study(sampling__heel=False)."""
    data = copy.deepcopy(BASE)
    for path, value in changes.items():
        *parents, last = path.split("__")
        place = data
        for p in parents:
            place = place[p]
        if value is None:
            place.pop(last)
        else:
            place[last] = value
    return parse_study(data)


def stock(lots: str, stores: str, ages: tuple[float, ...] | None = None) -> pd.DataFrame:
    n = len(lots)
    return pd.DataFrame({
        "container": [f"{i:02d}" for i in range(n)], "lot": list(lots), "store": list(stores),
        "age_months": list(ages) if ages else [12.0] * n, "vessel": "pail", "liquid_height_mm": 314.0,
        "fill_volume_l": math.nan, "treatment": "stored"})


def topics(s: Study, size: DesignSize | None = None, containers: pd.DataFrame | None = None) -> list[str]:
    return [a.topic for a in advise(s, size or size_of(s), containers)]


# ---- expectations

def test_guess_comes_from_the_design_first_then_from_repeatability() -> None:
    assert guess_of(study(), "P") is not None
    own = {"s_r_percent": 3, "source": "control chart 2026"}
    s = study(design__guesses={}, analytes__P=BASE["analytes"]["P"] | {"repeatability": own})
    got = guess_of(s, "P")
    assert got is not None
    assert (got.s_r, got.source) == (3, "stated in study.toml: control chart 2026")
    assert guess_of(s, "water") is None


def test_absolute_repeatability_becomes_per_cent_of_nominal() -> None:
    own = {"r": 22.174, "source": "invented"}
    s = study(design__guesses={}, analytes__P=BASE["analytes"]["P"] | {"repeatability": own})
    got = guess_of(s, "P")
    assert got is not None
    # r / (1.96 sqrt 2) / 400 in per cent: 22.174/2.7718/400 = 2 %
    assert got.s_r == pytest.approx(2.0, abs=1e-3)


def test_published_precision_needs_a_level_and_a_key() -> None:
    s = study(design__guesses={}, analytes__P=BASE["analytes"]["P"] | {"method_key": "ASTM D5185-18"})
    got = guess_of(s, "P")
    assert got is not None
    # ASTM D5185 repeatability of P, r = 1.3 X^0.58 mg/kg (from memory, check your copy), at 400 mg/kg
    assert got.s_r == pytest.approx(100 * 1.3 * 400**0.58 / 2.7718 / 400, rel=1e-4)
    assert "D5185" in got.source
    blank = {k: v for k, v in BASE["analytes"]["P"].items() if k != "nominal"}
    assert guess_of(study(design__guesses={}, analytes__P=blank | {"method_key": "ASTM D5185-18"}), "P") is None


def test_gradients_from_elsewhere_do_not_replace_typed_ones() -> None:
    own = {"s_r_percent": 3, "source": "control chart 2026"}
    s = study(design__guesses={"water": {"s_r": 12, "gradient": 70}},
              analytes__P=BASE["analytes"]["P"] | {"repeatability": own})
    p, water = aims_of(s, {"P": 12.0, "water": 1.0})
    assert (p.shown(p.guess.gradient), water.guess.gradient) == pytest.approx((12, 70))


def test_relative_margin_and_gradient_go_to_the_log_scale() -> None:
    guesses = {"P": {"s_r": 2, "gradient": 30}, "water": {"s_r": 12, "gradient": 70}}
    p, water = aims_of(study(design__guesses=guesses))
    assert (p.margin, p.guess.gradient) == pytest.approx((100 * math.log(1.25), 100 * math.log(1.3)))
    assert (water.margin, water.guess.gradient, water.unit) == (50, 70, "mg/kg")
    assert p.shown(p.margin) == pytest.approx(25)
    table = expectations(study(design__guesses=guesses)).set_index("analyte")
    assert table.loc["P", "gradient"] == pytest.approx(30)
    assert table.loc["water", "margin"] == "±50 mg/kg"


def test_no_design_is_sought_for_an_analyte_for_information_and_what_is_expected_of_it_is_told() -> None:
    guesses = {"P": {"s_r": 2, "gradient": 30}, "water": {"s_r": 12, "gradient": 70}}
    s = study(design__guesses=guesses, analytes__P=BASE["analytes"]["P"] | {"role": "information"})
    assert [a.analyte for a in aims_of(s)] == ["water"]
    assert expectations(s).set_index("analyte").loc["P", "gradient"] == pytest.approx(30)


def test_a_fall_of_everything_is_refused() -> None:
    with pytest.raises(BadInput, match=r"design\.guesses\.P\.gradient: '-100': nothing can fall by 100 %"):
        aims_of(study(design__guesses={"P": {"s_r": 2, "gradient": -100}}))


def test_pilot_components_make_a_guess() -> None:
    got = guess_from_pilot(1.5, 0.4, 2.0, 3.0)
    assert (got.s_r, got.sd_container_depth, got.sd_container, got.gradient) == (1.5, 0.4, 2.0, 3.0)


def test_no_design_section_is_said() -> None:
    with pytest.raises(BadInput, match=r"there is no \[design\] section"):
        size_of(study(design=None))


def test_zero_scatter_and_margin_zero_are_refused_when_read() -> None:
    with pytest.raises(BadInput, match=r"guesses\.P\.s_r: '0'(\.0)?: must be greater than 0"):
        study(design__guesses={"P": {"s_r": 0}})
    with pytest.raises(BadInput, match=r"margin\.absolute: '0'(\.0)?: must be greater than 0"):
        study(analytes__water={**BASE["analytes"]["water"], "margin": {"absolute": 0}})
    with pytest.raises(BadInput, match="must be one of"):
        study(design__controls=["placebo"])


# ---- the proposed plan

def test_every_control_is_explained_and_can_be_removed() -> None:
    wanted = ["remixed control", "layered control", "duplicate", "check fluid", "blank", "retained", "sister"]
    everything = study(design__controls=wanted, sampling__residue=True)
    full = propose(everything, lots=3)
    assert {c.name for c in full.controls} == set(HOW)
    assert full.left_out == ()
    assert all(c.how and c.answers.endswith("?") for c in full.controls)
    for name in HOW:
        less = propose(everything, lots=3, without=[name])
        assert name not in {c.name for c in less.controls}
        assert name in set(left_out(less)["left out"])
        assert less.cost <= full.cost


def test_cost_of_the_plan_with_controls_by_hand() -> None:
    named = ["remixed control", "layered control", "duplicate", "check fluid", "blank"]
    got = propose(study(sampling__heel=False, design__controls=named), without=["check fluid", "blank"])
    # 12·40 + 36·10 + 36·6 plain; remixed 40 + 3·16; layered 40 + 3·16; 10 duplicates at 16
    assert got.cost == 480 + 360 + 216 + 88 + 88 + 160
    assert (got.samples, got.determinations) == (52, 52)


@pytest.mark.few(4)
@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("replicates", [1, 2])
def test_what_is_promised_of_a_filed_plan_is_what_is_printed(seed: int, replicates: int) -> None:
    named = ["remixed control", "layered control", "duplicate", "check fluid", "blank", "retained"]
    s = study(seed=seed, design__controls=named, sampling__residue=True, design__replicates=replicates)
    table = planned_containers(s)
    table["lot"] = [f"L{i % 3}" for i in range(len(table))]
    table[["liquid_height_mm", "fill_volume_l"]] = [[300.0, float("nan")]] * len(table)
    made = make_plan(s, table)
    got = filed_proposal(s, size_of(s), made.containers, made.samples)
    shown = got.to_table()
    assert got.samples == shown["samples"].sum() == len(made.submission)
    assert shown["containers"].sum() == len(table)
    assert set(shown["what"]) == {"samples at every depth", *named, "heel", "composite"}
    assert got.left_out == ("sister",)
    assert {c.name: (c.how, c.answers) for c in got.controls} == {n: HOW[n] for n in (*named, "heel", "composite")}
    took = outlay(s, made.containers, made.samples)
    assert (took.bottles, took.stored, took.made_up) == (got.samples, 12, 2)
    # by hand: 36 zones and 10 duplicates of the question as often as [design] says, all other bottles once
    assert took.determinations == got.samples + 46 * (replicates - 1)
    assert took.cost == 14 * 40 + took.bottles * 10 + took.determinations * 6
    assert took.hours == pytest.approx((14 * 20 + (14 * 5 + 10) * 5) / 60)
    assert got.cost == took.cost


def test_usual_controls_that_safety_bars_are_left_out_with_a_word_and_named_ones_are_refused() -> None:
    assert [c.name for c in propose(study()).controls] == ["layered control", "duplicate", "heel", "check fluid", "blank"]
    table = planned_containers(study(design__controls=[]))
    table[["liquid_height_mm", "fill_volume_l"]] = [[300.0, float("nan")]] * len(table)
    said = " / ".join(make_plan(study(), table).warnings)
    assert "no remixed control: [safety] does not clear mixing (not answered: data_sheet" in said
    assert "the plan is whole without it: a container with a layer made on purpose" in said
    alone = study(scope="container", design=None)
    assert wanted_controls(alone) == ("duplicate", "check fluid", "blank")
    assert wanted_controls(study(design=None)) == wanted_controls(study())  # they do not vanish with the section


def test_a_repeatability_in_the_unit_needs_no_level_where_the_margin_is_in_the_unit_and_one_in_per_cent_does() -> None:
    told = {"source": "control chart"}
    bare = {"design__guesses": {}, "analytes__water__repeatability": {"s_r": 12.0} | told}
    found = guess_of(study(**bare), "water")
    assert found is not None
    assert found.s_r == 12.0
    assert guess_of(study(**bare | {"analytes__water__repeatability": {"s_r_percent": 3.0} | told}), "water") is None


def test_each_control_says_how_it_is_made_and_what_it_answers() -> None:
    controls = propose(study()).controls
    assert {c.name: (c.how, c.answers) for c in controls} == {c.name: HOW[c.name] for c in controls}
    assert all(c.how != c.answers for c in controls)


def test_unknown_control_is_refused() -> None:
    with pytest.raises(ValueError, match="without must name controls"):
        propose(study(), without=["placebo"])


def planned_containers(s: Study) -> pd.DataFrame:
    """A containers table to fill in: one row per container of the plan, controls last."""
    extra = [t for t in ("remixed control", "layered control") if t in wanted_controls(s)]
    n = s.design.containers + len(extra)
    table = pd.DataFrame({name: [""] * n for name in CONTAINERS.names})
    table["container"] = [f"C{i:02d}" for i in range(1, n + 1)]
    table["vessel"] = next(iter(s.vessels))
    table["treatment"] = ["stored"] * s.design.containers + extra
    return table


def test_planned_containers_can_be_filled_in_and_sampled() -> None:
    table = planned_containers(study())
    assert list(table["container"]) == [f"C{i:02d}" for i in range(1, 15)]
    assert list(table["treatment"][12:]) == ["remixed control", "layered control"]
    table["liquid_height_mm"], table["fill_volume_l"] = 314.0, math.nan
    plan = make_plan(study(), table)
    assert set(plan.samples["kind"]) >= {"spot", "heel", "duplicate", "blank", "check fluid"}


# ---- warnings: each with a case where it must fire and one where it must not

GOOD = stock("AAAABBBBCCCC", "xyxyxyxyxyxy")


def test_a_sound_plan_is_only_told_the_limit_of_its_claim() -> None:
    assert topics(study(share_percent=23), containers=GOOD) == ["claim about the stock"]
    assert topics(study(scope="container"), containers=GOOD) == []


def test_profiles_that_nobody_guessed() -> None:
    """Without a guess four containers seem to do: then the range is told, and the lower end is that of the typed scatter."""
    open_, size = study(design__guesses={"P": {"s_r": 1.0}}), DesignSize(containers=4, depths=3)
    found = next(a for a in advise(open_, size) if a.topic == "profiles not guessed")
    edge = 100 * math.log(1.25)
    ends = [100 * chances(size, Assumption(s_r=1.0, sd_container_depth=s), edge).homogeneous for s in (edge / 2, 0.0)]
    assert found.why.endswith(f"P {ends[0]:.0f} to {ends[1]:.0f} %")
    assert ends[0] < 70 < 99 < ends[1]
    assert "profiles not guessed" not in topics(study(), size)
    assert "profiles not guessed" not in topics(open_, DesignSize(containers=1, depths=3))
    assert "profiles not guessed" in topics(open_, DesignSize(containers=2, depths=3))


def test_one_container() -> None:
    assert "one container" in topics(study(), DesignSize(containers=1, depths=3))
    assert "one container" not in topics(study(), DesignSize(containers=2, depths=3))


def test_no_replicates() -> None:
    bare = study(design__controls=["blank"])
    assert "no replicates" in topics(bare)
    assert "no replicates" not in topics(bare, DesignSize(containers=12, depths=3, replicates=2))
    assert "no replicates" in topics(study(sampling__duplicates=0))


def test_few_containers_in_a_group() -> None:
    found = [a for a in advise(study(), size_of(study()), stock("AAAABBBBBCCC", "xyxyxyxyxyxy"))
             if a.topic == "small groups"]
    assert [a.what for a in found] == ["lot: fewer than 4 containers in C (3)"]
    two = advise(study(), size_of(study()), stock("BBBAADDDDDDD", "xyxyxyxyxyxy"))
    told = [a.what for a in two if a.topic == "small groups"]
    assert told == ["lot: fewer than 4 containers in A (2), B (3)"]  # by name, not by size


def test_time_says_nothing_of_a_one_sided_margin_where_age_was_asked_about() -> None:
    for side, by_depth, told in (("below", ["age_months"], ["nothing will be said of time for P"]), ("below", [], []),
                                 (None, ["age_months"], [])):
        s = study(analytes__P__margin={"relative_percent": 25} | ({"side": side} if side else {}),
                  factors__fixed=["age_months"], factors__by_depth=by_depth)
        assert [a.what for a in advise(s, size_of(s)) if a.topic == "one-sided margin"] == told


def test_a_column_of_ones_own_with_one_value_is_asked_about_and_one_lot_is_not() -> None:
    own = study(factors__fixed=["lot", "cap"], factors__columns={"cap": {"levels": ["red", "blue"]}})
    table = stock("A" * 12, "xyxyxyxyxyxy")
    for caps, what in ((["red"] * 12, ["cap: all containers are called red"]), (["red", "blue"] * 6, [])):
        found = advise(own, size_of(own), table.assign(cap=caps))
        assert [a.what for a in found if a.topic == "one value"] == what


def test_a_factor_that_is_the_same_in_all_containers_is_asked_about_whatever_its_kind() -> None:
    told = study(factors__fixed=["lot", "orientation", "warmth"], factors__columns={"warmth": {"unit": "degC"}})
    table = stock("A" * 12, "xyxyxyxyxyxy").assign(orientation="upright", warmth=20.0)
    found = [a.what for a in advise(told, size_of(told), table) if a.topic == "one value"]
    assert found == ["orientation: all containers are called upright", "warmth: all containers have 20"]


@pytest.mark.parametrize(("ages", "what"), [
    ((6,) * 12, "all containers have one age"), ((6, 24) * 6, "there are two ages only"), ((6, 12, 18) * 4, ""),
    ((6, 12, 18, 12, 6, 18, 6, 12, 18, 6, 12, 30), "one container alone is as old as 30")])
def test_ages_that_say_little_of_time(ages: tuple[int, ...], what: str) -> None:
    table = stock("AAAABBBBCCCC", "xyxyxyxyxyxy", ages=ages)
    timed = study(time={"course": "linear"})
    found = [a.what for a in advise(timed, size_of(timed), table) if a.topic == "ages"]
    assert [what in f for f in found] == ([True] if what else [])
    assert not [a for a in advise(study(), size_of(study()), table) if a.topic == "ages"]


@pytest.mark.parametrize(("days", "what"), [(("2027-01-01", "2027-07-01", "2028-01-01"), []),
                                            (("2027-01-01", "2028-01-01"), ["there are two ages only"])])
def test_the_same_containers_have_an_age_at_every_visit(days: tuple[str, ...], what: list[str]) -> None:
    again = parse_study(BASE | {"time": {"visits": list(days), "containers": "same"}})
    table = stock("AAAABBBBCCCC", "xyxyxyxyxyxy", ages=(24,) * 12)
    assert [a.what for a in advise(again, size_of(again), table) if a.topic == "ages"] == what


def test_zones_that_overlap() -> None:
    flat = GOOD.assign(liquid_height_mm=9.0)
    found = [a for a in advise(study(sampling__heel=False), size_of(study()), flat) if a.topic == "overlapping zones"]
    assert len(found) == 1
    assert "share" in found[0].what or "neighbouring" in found[0].what or "level" in found[0].what


def test_margin_below_repeatability_says_whether_any_number_helps() -> None:
    narrow = study(design__guesses={"P": {"s_r": 15}, "water": {"s_r": 300}})
    found = {a.what.split(":")[0]: a for a in advise(narrow, size_of(narrow)) if a.topic.startswith("margin below")}
    assert set(found) == {"P", "water"}
    assert "only averages over many containers" in found["P"].why
    assert "even 60 containers with 4 determinations each" in found["water"].why
    assert "a wider margin" in found["water"].cure


def test_a_margin_is_held_against_r_as_the_method_states_it() -> None:
    """r = 1.96 sqrt(2) s_r in per cent of the level: 27.7 for 10, as at the prompt of ``new``; it had been told as 32."""
    near = study(design__guesses={"P": {"s_r": 10}})
    told = [a.what for a in advise(near, size_of(near)) if a.topic.startswith("margin below")]
    assert told
    assert all("repeatability r of 27.7 %" in t for t in told if t.startswith("P"))


def test_one_container_is_told_how_many_determinations_would_show_its_margin() -> None:
    alone = study(scope="container", design__containers=1, design__guesses={"P": {"s_r": 10}, "water": {"s_r": 300}})
    size = replace(size_of(alone), containers=1)
    found = {a.what.split(":")[0]: a for a in advise(alone, size) if a.topic.startswith("margin below")}
    assert not any("many containers" in a.why or "cheapest" in a.cure for a in found.values())
    number = int(re.search(r"mean of (\d+) determinations", found["P"].why)[1])
    aim = next(a for a in aims_of(alone) if a.analyte == "P").with_gradient(0.0)
    chances = [right_chance(aim, replace(size, replicates=k), alone.alpha) for k in (number - 1, number)]
    assert chances[0] < alone.design.target <= chances[1]
    assert "even the mean of 12 determinations" in found["water"].why


def test_a_share_that_no_result_can_show_is_said_with_how_many_would() -> None:
    """If none of n lies beyond, the 95 % bound is 1 - 0.05^(1/n) (Clopper and Pearson 1934, their case of none)."""
    for share, containers, cure in ((10, 12, "open 29, or declare share_percent = 23"), (23, 12, ""), (10, 29, ""),
                                    (10, 28, "open 29, or declare share_percent = 11")):
        asked = study(share_percent=share)
        found = advise(asked, replace(size_of(asked), containers=containers))
        told = [a.cure for a in found if a.topic == "share out of reach"]
        assert [t.startswith(cure) for t in told] == [True] * bool(cure)
    alone = study(scope="container", share_percent=10)
    assert not [a for a in advise(alone, replace(size_of(alone), containers=1)) if a.topic == "share out of reach"]


def test_one_container_without_its_precision_is_told_what_to_ask_for() -> None:
    for precision, told in ({}, 1), ({"repeatability": {"r": 3, "source": "laboratory"}}, 0):
        analytes = {"P": {"unit": "mg/kg", "method": "in-house 3, 2026", "margin": {"absolute": 5},
                          "margin_reason": "a tenth of the limit", **precision}}
        alone = study(scope="container", analytes=analytes, design__guesses={}, components=[])
        size = replace(size_of(study()), containers=1)
        assert sum(a.topic == "repeatability missing" for a in advise(alone, size)) == told
        assert "repeatability missing" not in topics(alone, replace(size, containers=2))


def test_more_analytes_than_the_budget() -> None:
    design = BASE["design"] | {"budget": 1500, "cost_per_analyte": {"P": 5, "water": 9}}
    found = [a for a in advise(study(design=design), size_of(study())) if a.topic == "more than the budget"]
    # plain 1056, P 180, water 324: together 1560
    assert found[0].what == "the plan costs 1560 units, the budget is 1500, for 2 analytes"
    assert found[0].why.endswith("pays for: P")
    assert "more than the budget" not in topics(study(design=design | {"budget": 1560}))
    free = study(design=design | {"cost_per_analyte": {"P": 5}, "budget": 1236})  # what is not priced costs nothing more
    assert "more than the budget" not in topics(free)
    short = study(design=design | {"cost_per_analyte": {"P": 5}, "budget": 1235})
    drawn = study(design=design | {"budget": 1056})  # what drawing and measuring costs without the analytes' own prices
    for poorer, paid in ((short, "water"), (drawn, "none of them")):
        (why,) = (a.why for a in advise(poorer, size_of(poorer)) if a.topic == "more than the budget")
        assert why.endswith(f"pays for: {paid}")
    poor = study(design=design | {"budget": 900})
    assert any("not even pay for drawing" in a.why for a in advise(poor, size_of(poor)))


def test_lot_with_age_and_store_with_age() -> None:
    table = stock("AAAABBBBCCCC", "xyxyxyxyxyxy", ages=(6,) * 4 + (12,) * 4 + (24,) * 4)
    found = [a.what for a in advise(study(), size_of(study()), table) if a.topic == "confounded factors"]
    assert found == ["lot and age_months cannot be told apart at all: one explains 100 % of the spread of the other"]
    days = table.assign(age_months=table["age_months"] + [0, 0.1, 0.2, 0.3] * 3)  # filled on one day each, opened on four
    near = [a.what for a in advise(study(), size_of(study()), days) if a.topic == "confounded factors"]
    assert near == ["lot and age_months cannot be told apart at all: one explains 99 % of the spread of the other"]
    by_store = stock("AAAABBBBCCCC", "xyxyxyxyxyxy", ages=(6, 24) * 6)
    assert [(a.first, a.second, a.wholly) for a in aliases(by_store, ("lot", "store", "age_months"))] == [
        ("store", "age_months", True)]


def test_partly_confounded_and_separable_factors() -> None:
    partly = stock("AAAABBBBCCCC", "xxxxyyyyxyxy")
    assert aliases(partly, ("lot", "store")) == ()
    nested = stock("AAAABBBBCCCCDDDD", "xxxxxxxxyyyyyyyy")
    assert [(a.first, a.second, a.wholly) for a in aliases(nested, ("lot", "store"))] == [("lot", "store", True)]
    mixed = stock("AABBCCDD", "xxyyzwzw")
    assert [a.wholly for a in aliases(mixed, ("lot", "store"))] == [False]
    assert aliases(GOOD.assign(store="x"), ("lot", "store")) == ()


def test_heel_unseen() -> None:
    assert "heel unseen" in topics(study(sampling__heel=False))
    assert "heel unseen" not in topics(study())
    deep = study(sampling__heel=False, factors={"depths": ["top", "middle", "bottom"]})
    assert "heel unseen" not in topics(deep)


def test_claim_about_the_stock_gives_the_bound() -> None:
    found = [a for a in advise(study(), DesignSize(containers=24, depths=3)) if a.topic == "claim about the stock"]
    # 0 of 24 beyond the margin: exact binomial 95 % bound 12 %; 59 clean ones for 5 %
    assert "still allows 12 % of all containers" in found[0].why
    assert "59 clean containers" in found[0].cure
    drawn, left = (next(a for a in advise(study(sampling__heel=h), DesignSize(containers=12, depths=3))
                        if a.topic == "claim about the stock").why for h in (True, False))
    assert "still allows 22 % of all containers, and of all floors, each drawn once to be beyond" in drawn  # 1 - 0.05^(1/12)
    assert "floors" not in left


def test_table_of_no_warnings_keeps_its_columns() -> None:
    assert list(advice_table([]).columns) == ["topic", "what", "why", "cure"]
    assert len(advice_table(advise(study(share_percent=23), size_of(study())))) == 1


def test_a_budget_without_costs_is_refused() -> None:
    for name in ("cost_container", "cost_sample", "cost_determination"):
        assert study(design__budget=500, design__cost_per_analyte={}, **{f"design__{name}": 3}).design is not None
    with pytest.raises(BadInput, match="a budget without costs says nothing: give cost_container"):
        study(design__budget=500, design__cost_container=0, design__cost_sample=0, design__cost_determination=0,
              design__cost_per_analyte={})


def test_a_typed_scatter_keeps_the_settling_estimate_for_the_difference() -> None:
    guesses = {"P": {"s_r": 2}, "water": {"s_r": 12, "gradient": 0}}
    p, water = aims_of(study(design__guesses=guesses), {"P": 12.0, "water": 30.0})
    assert p.shown(p.guess.gradient) == pytest.approx(12)
    assert "settling estimate" in p.guess.source
    assert water.guess.gradient == 0  # a typed nought is a statement


def test_the_proposal_counts_what_the_sampling_stage_draws(tmp_path) -> None:
    wanted = ["remixed control", "duplicate", "check fluid", "blank", "retained"]
    s = study(design__controls=wanted, sampling__residue=True)
    table = planned_containers(s)
    table["lot"] = [f"L{i % 3}" for i in range(len(table))]
    table[["liquid_height_mm", "fill_volume_l"]] = [[300.0, float("nan")]] * len(table)
    made = make_plan(s, table)
    counts = made.samples["kind"].value_counts()
    got = {c.name: c.samples for c in propose(s, lots=3).controls}
    assert {k: int(counts[k]) for k in ("duplicate", "heel", "composite", "retained")} == {
        k: got[k] for k in ("duplicate", "heel", "composite", "retained")}


@pytest.mark.parametrize("depths", [2, 5])
def test_made_up_controls_are_counted_at_every_depth_as_they_are_drawn(depths: int) -> None:
    """Of five depths the layered control had been promised at three, and the plan drew five."""
    s = study(factors={"depths": list("abcde")[:depths]}, design__controls=["remixed control", "layered control"])
    table = planned_containers(s)
    table["lot"] = [f"L{i % 3}" for i in range(len(table))]
    table[["liquid_height_mm", "fill_volume_l"]] = [[300.0, float("nan")]] * len(table)
    made = make_plan(s, table)
    filed = filed_proposal(s, size_of(s), made.containers, made.samples)
    assert propose(s).samples == filed.samples == len(made.submission)
    assert [(c.name, c.samples) for c in propose(s).controls] == [(c.name, c.samples) for c in filed.controls]


@pytest.mark.parametrize(("every", "checks"), [(10, 4), (9, 4), (12, 3), (100, 1)])
def test_check_fluids_stand_after_every_so_many_samples_and_once_more(every: int, checks: int) -> None:
    """36 plain samples in one run: begun stretches count, and a run has one at least."""
    made = study(sampling__check_fluid_every=every, sampling__run_capacity=1000, sampling__heel=False,
                 design__controls=["check fluid"])
    got = propose(made, without=["duplicate", "heel", "layered control", "remixed control", "blank"])
    assert got.plain == 36
    assert {c.name: c.samples for c in got.controls} == {"check fluid": checks}


def visited(days: tuple[str, ...], containers: int = 12) -> pd.DataFrame:
    """Samples of the same containers at each day, two zones each."""
    rows = [(f"C{i:02d}", "spot", d, pd.Timestamp(day)) for i in range(containers) for day in days for d in ("upper", "lower")]
    return pd.DataFrame(rows, columns=["container", "kind", "depth", "visited_on"])


def test_visits_named_beside_the_samples_are_ages_of_their_own() -> None:
    timed = study(time={"course": "linear", "starts": "filled"})
    table = stock("AAAABBBBCCCC", "xyxyxyxyxyxy", ages=(12,) * 12).assign(
        container=[f"C{i:02d}" for i in range(12)], filled_on=pd.Timestamp("2025-01-01"), sampled_on=pd.Timestamp("2026-01-01"))
    four = visited(("2025-04-01", "2025-07-01", "2025-10-01", "2026-01-01"))
    assert not [a for a in advise(timed, size_of(timed), table, four) if a.topic == "ages"]
    one = [a.what for a in advise(timed, size_of(timed), table, visited(("2026-01-01",))) if a.topic == "ages"]
    assert one == ["all containers have one age"]


@pytest.mark.parametrize(("ages", "asked"), [
    # filled ten years too early
    ((4, 12, 20, 30) * 2 + (4, 12, 20, 150), ["150 months old, all others 4 months to 30 months"]),
    ((124, 132, 140, 150) * 2 + (124, 132, 140, 30), ["30 months old"]),                             # or too late
    ((4, 12, 20, 30) * 2 + (4, 12, 20, 42), []), ((4, 12, 20, 150) * 3, [])], ids=["early", "late", "a year", "three"])
def test_an_age_far_from_all_others_is_asked_about(ages: tuple[int, ...], asked: list[str]) -> None:
    timed = study(time={"course": "linear"})
    table = stock("AAAABBBBCCCC", "xyxyxyxyxyxy", ages=ages)
    found = [a for a in advise(timed, size_of(timed), table) if a.topic == "lone age"]
    assert [w in a.what for a, w in zip(found, asked, strict=True)] == [True] * len(asked)


@pytest.mark.parametrize(("told", "log", "scaled"), [(-20.0, True, 100 * math.log(0.8)), (-99.9, True, 100 * math.log(0.001)),
                                                     (25.0, True, 100 * math.log(1.25)), (-150.0, False, -150.0)])
def test_a_gradient_in_per_cent_or_the_unit_and_nothing_falls_by_all_of_it(told: float, log: bool, scaled: float) -> None:
    margin = Margin.relative(10) if log else Margin.absolute(5, "mg/kg")
    assert _on_scale("P", told, margin) == pytest.approx(scaled)
    for refused in (-100.0, -101.0):
        with pytest.raises(BadInput, match="nothing can fall by 100 % or more"):
            _on_scale("P", refused, Margin.relative(10))


@pytest.mark.parametrize(("capacity", "runs"), [(17, 3), (13, 3), (10, 4), (4, 12), (37, 1), (36, 2)])
def test_whole_containers_to_a_run_beside_its_blank(capacity: int, runs: int) -> None:
    """Twelve containers of three bottles: of 17 places one is the blank's, five containers in a run, three runs."""
    small = study(design__controls=["blank"], sampling__heel=False, sampling__duplicates=0, sampling__run_capacity=capacity)
    got = propose(small)
    assert (got.size.containers, got.size.depths) == (12, 3)
    assert {c.name: c.samples for c in got.controls} == {"blank": runs}


def test_check_fluids_take_their_places_too() -> None:
    """One before every six bottles: of 20 places 3 are theirs, so five containers a run, 36 bottles in 3 runs, 6 fluids."""
    small = study(design__controls=["check fluid"], sampling__heel=False, sampling__duplicates=0, sampling__run_capacity=20,
                  sampling__check_fluid_every=6)
    assert {c.name: c.samples for c in propose(small).controls} == {"check fluid": 6}


def test_vessels_filled_alike_to_a_tenth_of_a_millimetre_are_looked_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """By the first container of each vessel and level; a container without a level is left out, one by its litres is not."""
    monkeypatch.setattr(advice, "_overlap", lambda _, vessel, level: f"{vessel} at {level} mm")
    litres = study().vessels["pail"].volume_l(250.0)
    table = stock("A" * 6, "x" * 6).assign(liquid_height_mm=[314.04, 313.96, 200.0, math.nan, math.nan, -1.0],
                                           fill_volume_l=[math.nan] * 3 + [litres, math.nan, litres])
    assert [a.what for a in advice._draws(study(), table)] == [
        "pail at 314.0 mm (first seen in 00)", "pail at 200.0 mm (first seen in 02)", "pail at 250.0 mm (first seen in 03)"]


@pytest.mark.parametrize(("replicates", "determinations"), [(1, 40), (2, 76), (3, 112)])
def test_samples_of_containers_are_read_as_often_as_is_said_and_those_of_controls_once(replicates: int,
                                                                                       determinations: int) -> None:
    """36 plain samples and four of a control."""
    one = Control(name="check fluid", containers=0, samples=4, how="", answers="")
    size = DesignSize(containers=12, depths=3, replicates=replicates)
    got = Proposal(size=size, plain=36, controls=(one,), left_out=(), cost=0.0)
    assert (got.samples, got.determinations) == (40, determinations)
