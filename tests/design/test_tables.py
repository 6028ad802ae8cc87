"""The design notebook's tables for every kind of study: many containers, one container, nothing known, no costs."""

from __future__ import annotations

import math
import re
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest

from studykit.design import figures as designshow
from studykit.design import tables as designset
from studykit.design.assumptions import HOW, propose
from studykit.design.operating import DesignSize, chances
from studykit.notebook import explorer
from studykit.study.definition import Study
from studykit.study.tables import load_tables
from tests.design.test_assumptions import BASE, GOOD, study

DEMOS = Path(__file__).resolve().parents[2] / "demo_data"


def view_of(s: Study, containers: pd.DataFrame = GOOD, samples: pd.DataFrame | None = None) -> designset.DesignView:
    samples = pd.DataFrame() if samples is None else samples
    return designset.open_design(SimpleNamespace(study=s, containers=containers, samples=samples))


def every_table(view: designset.DesignView) -> dict[str, pd.DataFrame]:
    found = designset.search(view)
    plan = designset.proposal(view)
    return {
        "settling": designset.settling_table(view), "expectations": designset.expectation_table(view),
        "said": designset.said_table(view), "ladder": designset.ladder(view),
        "simulated": designset.simulated(view, studies=200), "cheapest": designset.cheapest_table(view, found),
        "by analyte": designset.by_analyte(view), "budget": designset.budget_table(view), "plan": plan.to_table(),
        "left out": designset.left_out(plan), "warnings": designset.warnings_table(view),
        "gradient": designshow.curve(view, "gradient"), "margin": designshow.curve(view, "margin")}


@pytest.mark.few(1)
@pytest.mark.parametrize("demo", ["tote", "slip", "ropeway", "forge"])
def test_every_demo_fills_every_table(demo: str) -> None:
    tables = load_tables(DEMOS / demo, with_results=False)
    view = view_of(tables.study, tables.containers, tables.samples)
    made = every_table(view)
    assert all(len(t.columns) for t in made.values())
    assert list(made["said"]["analyte"]) == [a.analyte for a in view.aims]
    for name in ("gradient", "margin"):
        assert "homogeneous" in made[name]


def test_said_table_holds_the_exact_chances_of_three_worlds() -> None:
    view = view_of(study())
    row = designset.said_table(view).set_index("analyte").loc["water"]
    size = DesignSize(containers=12, depths=3)
    water = next(a for a in view.aims if a.analyte == "water")
    for column, gradient, word in (("homogeneous if nothing settled", 0.0, "homogeneous"),
                                   ("stratified if twice the margin", 100.0, "stratified"), ("stratified", 70.0, "stratified")):
        exact = chances(size, water.guess.model_copy(update={"gradient": gradient}), 50.0)
        assert row[column] == pytest.approx(100 * getattr(exact, word), abs=5e-4)


def test_ladder_marks_the_plan_and_narrows_downwards() -> None:
    table = designset.ladder(view_of(study(design__containers=9)))
    assert table.loc[table["this plan"] == "yes", "containers"].tolist() == [9]
    several = table[table["containers"] > 1]
    assert several["water, mg/kg"].is_monotonic_decreasing


@pytest.mark.few(1)
@pytest.mark.parametrize(("scatter", "said"), [("pooled", "6 degrees of freedom from these 4"),
                                               ("own gradient", "3 degrees of freedom for the gradients, 3 for what lies off")])
def test_a_declared_scatter_is_what_the_design_promises_by(scatter: str, said: str) -> None:
    few = {"design__containers": 4, "design__max_containers": 8}
    factors = {"factors__across_depths": scatter, "factors__across_depths_reason": "seen in earlier studies of it"}
    plain, mine = view_of(study(**few)), view_of(study(**few, **factors))
    assert said in designset.two_more(mine)
    assert mine.limits.sizes()[0].scatter == mine.size.scatter == scatter
    least = [designset.said_table(v)["smallest margin"] for v in (plain, mine)]
    assert (least[1] < 0.95 * least[0]).all()  # what the declaration gains is promised, not only found
    # 300 studies from single results beside the 8,192 of the plan: five errors of the smaller number
    made = designset.simulated(mine, studies=400).iloc[0]
    assert made["homogeneous, planned"] == pytest.approx(made["homogeneous, all samples"], abs=15)


@pytest.mark.parametrize("scatter", ["unstructured", "pooled"])
def test_so_many_studies_are_made_from_single_results(scatter: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """By hand: 12 results a study; a million of results or the 2,000 asked for, 300 where a declared scatter takes longer."""
    seen: list[int] = []
    made = designset.simulate_studies
    monkeypatch.setattr(designset, "simulate_studies",
                        lambda *a, studies, **k: (seen.append(studies), made(*a, studies=100, **k))[1])
    factors = {"factors__across_depths": scatter, "factors__across_depths_reason": "seen"} if scatter == "pooled" else {}
    view = view_of(study(design__containers=4, **factors))
    for asked, most in ((200, 200), (2000, 2000), (10**8, 10**6 // view.size.determinations)):
        seen.clear()
        designset.simulated(view, studies=asked)
        assert seen == [min(most, 300) if scatter == "pooled" else most] * 2


def test_what_two_more_containers_buy_is_said() -> None:
    told = designset.two_more(view_of(study(design__containers=4)))
    assert told.startswith("Every difference is judged by how it differs between these 4 containers")
    assert "3 degrees of freedom" in told
    then, now = re.search(r"- water: homogeneous, if nothing settled, in (\d+) instead of (\d+) % of studies;", told).groups()
    assert int(then) > int(now)
    assert "- P: homogeneous, if nothing settled, in 100 % of studies as before; smallest margin ±" in told
    assert designset.two_more(view_of(study(scope="container", design=BASE["design"] | {"containers": 1}), GOOD.head(1))) == ""


def test_nothing_known_is_said_instead_of_failing() -> None:
    view = view_of(study(design__guesses={}))
    made = every_table(view)
    for name in ("said", "ladder", "simulated", "gradient"):
        assert "nothing is known of any analyte" in made[name].iloc[0, 0]
    assert view.hardest is None
    assert designshow.curve_alt(view, "gradient", made["gradient"]) == "Nothing to draw."
    assert explorer.show_sliders(view) is None


def test_no_costs_and_no_design_section_are_said() -> None:
    free = view_of(study(design__cost_container=0, design__cost_sample=0, design__cost_determination=0))
    assert free.costs is None
    assert designset.search(free) is None
    assert designset.cheapest_table(free, None)["note"][0] == "no costs are given under [design]"
    bare = view_of(study(design=None))
    assert bare.size.containers == len(GOOD)


def test_analytes_that_no_design_decides_are_left_out_of_the_search_by_name() -> None:
    guesses = {"P": {"s_r": 2.0}, "water": {"s_r": 400.0}}
    view = view_of(study(design__guesses=guesses))
    found = designset.search(view)
    assert found is not None
    assert found.found is not None
    assert [name for name, _ in found.found.rights] == ["P"]
    assert designset.proof(view, found).endswith("no design of the grid decides them: water.")
    table = designset.by_analyte(view).set_index("analyte")
    assert table.loc["water", "decided by"] == "no design of the grid"
    assert view.shown is not None
    assert view.shown.analyte == "P"


def test_one_container_is_searched_over_determinations() -> None:
    design = BASE["design"] | {"containers": 1}
    view = view_of(study(scope="container", design=design), GOOD.head(1))
    assert {s.containers for s in view.limits.sizes()} == {1}
    assert "nothing is left to simulate" in designset.simulated(view)["note"][0]


def test_budget_and_simulated_stand_beside_the_exact() -> None:
    view = view_of(study(design__budget=900))
    best = designset.budget_table(view)
    assert (best["cost"] <= 900).all()
    table = designset.simulated(view, studies=400)
    water = table.set_index("analyte").loc["water"]
    # tolerance: four times the simulation error shown
    assert water["stratified, all samples"] == pytest.approx(
        water["stratified, planned"], abs=4 * water["simulation error"] + 1)


def test_record_names_are_new_and_quote_the_tables() -> None:
    seen: dict[str, Any] = {}

    def record(name: str, value: object, unit: str = "", digits: int = 3, *, kind: str = "", table: str = "") -> str:
        assert name not in seen
        seen[name] = value
        return ""

    view = view_of(study())
    found, plan = designset.search(view), designset.proposal(view)
    designset.record_design(SimpleNamespace(record=record), view, found, plan)
    assert seen["planned containers"] == 12
    assert found is not None
    assert found.found is not None
    assert seen["cost of the cheapest design"] == found.found.cost
    # none of 12 beyond the margin: 22 % (exact binomial bound)
    assert seen["share of containers beyond the margin still possible if none is"] == pytest.approx(22.1, abs=0.05)


def test_figures_have_words_with_their_numbers() -> None:
    view = view_of(study())
    found, curve = designset.search(view), designshow.curve(view, "gradient")
    assert designshow.curve_figure(view, "gradient", curve).axes
    assert designshow.curve_figure(view, "margin", designshow.curve(view, "margin")).axes
    assert designshow.cost_figure(view, found).axes
    words = designshow.curve_alt(view, "gradient", curve)
    assert f"homogeneous from {curve['homogeneous'][0]:.0f} %" in words
    assert designset.proof(view, found) in designshow.cost_alt(found)


def test_chances_are_printed_to_a_thousandth_of_a_per_cent_and_what_is_left_out_by_its_question() -> None:
    assert designset.percent(0.12345678) == 12.346
    plan = propose(study(), without=["check fluid"])
    assert designset.left_out(plan).set_index("left out").loc["check fluid"].item() == HOW["check fluid"][1]


def test_the_cheapest_design_is_told_again_for_profiles_that_scatter() -> None:
    open_ = view_of(study(design__guesses={"P": {"s_r": 1.0}}))
    found = designset.search(open_)
    typed = view_of(study(design__guesses={"P": {"s_r": 1.0, "sd_container_depth": 50 * math.log(1.25)}}))
    more = designset.search(typed)
    assert found is not None
    assert found.found is not None
    assert more is not None
    assert more.found is not None
    assert found.found.size.containers < more.found.size.containers
    told = designset.untyped_words(open_, found)
    assert f"has {more.found.size.containers} containers" in told
    assert f"instead of {found.found.cost:g} units" in told
    assert designset.untyped_words(typed, more) == ""
    few = view_of(study(design__guesses={"P": {"s_r": 1.0}}, design__max_containers=found.found.size.containers))
    assert designset.untyped_words(few, found).endswith("no design of the grid reaches the target.")


def test_two_more_are_two_more() -> None:
    """What four containers would gain by two more is what six containers have; two containers are told it too."""
    def margins(containers: int) -> list[tuple[str, str]]:
        text = designset.two_more(view_of(study(design__containers=containers)))
        return re.findall(r"smallest margin (±.+) instead of (±.+)\.$", text, re.M)

    four, six = margins(4), margins(6)
    assert len(four) == len(six) > 0
    assert [more for more, _ in four] == [now for _, now in six]
    assert [more for more, _ in margins(2)] == [now for _, now in four]
