"""The design chapter's tables of time: ranges where nothing is typed, groups and visits, other ways of drawing."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest

from studykit.ageing import figures, planned
from studykit.ageing.ahead import Growth, drawings, time_chances
from studykit.ageing.courses import Course
from studykit.design.tables import DesignView, open_design
from studykit.study.columns import CONTAINERS
from studykit.study.definition import Study, parse_study
from tests.design.test_assumptions import BASE, study

TYPED = {"s_r": 12.0, "sd_container_depth": 5, "months_to_margin": 20, "own_rates_percent": 20}
AGES = (6, 12, 18, 24) * 3


def asking(**guess: Any) -> Study:
    data = study(design__guesses={"water": guess or TYPED}).model_dump(exclude_unset=True)
    return parse_study(data | {"time": {"course": "linear"}})


def stored(ages: tuple[float, ...] = AGES, stores: str = "xxxxyyyyxxyy") -> pd.DataFrame:
    table = pd.DataFrame({"container": [f"C{i:02d}" for i in range(len(ages))], "lot": "A", "store": list(stores[:len(ages)]),
                          "vessel": "pail", "liquid_height_mm": 314.0, "age_months": [float(a) for a in ages],
                          "treatment": "stored"})
    for column in ("filled_on", "sampled_on", "last_mixed_on", "last_moved_on"):
        table[column] = pd.NaT
    return table.reindex(columns=list(dict.fromkeys([*table.columns, *(c.name for c in CONTAINERS.columns)])))


def view(s: Study, containers: pd.DataFrame | None = None, samples: pd.DataFrame | None = None) -> DesignView:
    return open_design(SimpleNamespace(study=s, containers=stored() if containers is None else containers,
                                       samples=pd.DataFrame() if samples is None else samples))  # type: ignore[arg-type]


def test_the_planned_row_holds_the_chances_of_its_ages() -> None:
    row = planned.planned_table(view(asking())).iloc[0]
    got = time_chances(drawings((6.0, 12.0, 18.0, 24.0), 12, again=False),
                       Growth(margin=50, passes=20, cell=12, profiles=5, own_rates=0.2), Course())
    assert got is not None
    assert row["growth shown, %"] == f"{100 * got.seen:.0f}"
    assert (row["ages"], row["drawings"], row["not given"]) == ("4, 6.00 to 24.0 months", 12, "")
    assert row["within shown up to, months"] == f"{got.within:.2g}"
    assert row["share shown up to, months"] == ("no age" if got.few_within == 0 else f"{got.few_within:.2g}")


def test_what_is_not_typed_is_a_range_and_is_asked_for() -> None:
    row = planned.planned_table(view(asking(s_r=6.0))).iloc[0]
    low, high = (float(x) for x in row["growth shown, %"].split(" to "))
    assert low < 60 < high
    assert row["not given"] == "months_to_margin, sd_container_depth, own_rates_percent"
    assert row["margin passed at, months"] == "24.0"  # the oldest age
    zero = planned.planned_table(view(asking(s_r=6.0, sd_container_depth=0, own_rates_percent=0))).iloc[0]
    assert zero["not given"] == "months_to_margin"
    assert float(zero["growth shown, %"]) == high


def test_groups_have_chances_of_their_own_and_visits_count_each() -> None:
    s = asking()
    s = s.model_copy(update={"factors": s.factors.model_copy(update={"by_depth": ("store",)})})
    table = planned.planned_table(view(s))
    assert list(table["group"]) == ["store x", "store y"]
    assert list(table["containers"]) == [6, 6]
    own = stored().head(4).assign(filled_on=pd.Timestamp("2026-01-01"))
    samples = pd.DataFrame([{"container": c, "kind": "spot", "depth": d, "visited_on": pd.Timestamp(day)}
                            for c in own["container"] for d in ("upper", "lower") for day in ("2026-07-01", "2027-01-01")])
    row = planned.planned_table(view(asking(), own, samples)).iloc[0]
    assert (row["containers"], row["drawings"], row["ages"]) == (4, 8, "2, 5.95 to 12.0 months")


def test_what_nothing_can_be_said_about_is_said() -> None:
    plain = view(study(design__guesses={"water": TYPED}))
    assert planned.planned_table(plain)["note"].item() == planned.NOT_ASKED
    ageless = view(asking(), stored().assign(age_months=float("nan")))
    assert planned.ways_table(ageless)["note"].item() == planned.NO_AGES
    one = view(asking(), stored(ages=(6,) * 12))
    assert planned.planned_table(one).iloc[0]["growth shown, %"] == "no line"
    table = planned.ways_table(one)
    assert table["note"].item() == "all containers have one age"
    assert planned.ways_words(one, table) == ""
    assert figures.ways_alt(table) == "no figure"
    assert figures.ways_figure(table).axes == []
    nothing = view(parse_study(BASE | {"design": BASE["design"] | {"guesses": {}}, "time": {"course": "linear"}}))
    assert planned.planned_table(nothing)["note"].item() == "nothing is known of any analyte"


@pytest.mark.slow
def test_ways_are_compared_at_the_same_number_of_drawings() -> None:
    seen = view(asking())
    table = planned.ways_table(seen)
    assert len(table) == 12
    few = table[table["drawings"] == 12]
    assert list(few["containers"]) == [12, 12, 3, 6]
    assert few["cost"].nunique() == 1
    # as many drawings, half at either end: more spread of ages, so growth is seen more often (in all designs of the table)
    for _, part in table.groupby(["drawings", "way"]):
        ends, evenly = (part.loc[part["ages"] == a, "growth shown, %"].item() for a in (planned.ENDS, planned.EVENLY))
        assert ends >= evenly
    assert "rates by 20 %" in planned.ways_words(seen, table)
    assert "Not typed" not in planned.ways_words(seen, table)
    assert "own_rates_percent under [design.guesses.water]" in planned.ways_words(view(asking(s_r=6.0)), table)
    assert "12 to 48 drawings" in figures.ways_alt(table)
    assert len(figures.ways_figure(table).axes) == 2


@pytest.mark.slow
def test_without_prices_there_is_no_cost() -> None:
    free = asking()
    assert free.design is not None
    none = free.design.model_copy(update=dict.fromkeys(("cost_container", "cost_sample", "cost_determination"), 0.0))
    assert "cost" not in planned.ways_table(view(free.model_copy(update={"design": none})))


@pytest.mark.parametrize(("guesses", "who"), [
    ({"P": {"s_r": 2.0, "months_to_margin": 9}, "water": {"s_r": 12.0, "gradient": 70}}, "P"),
    ({"P": {"s_r": 2.0}, "water": {"s_r": 12.0, "gradient": 70}}, "water"),
])
def test_ways_are_compared_for_what_is_expected_to_settle(guesses: dict[str, Any], who: str) -> None:
    s = parse_study(study(design__guesses=guesses).model_dump(exclude_unset=True) | {"time": {"course": "linear"}})
    aim = planned.drawn_aim(view(s))
    assert aim is not None
    assert aim.analyte == who
