"""Containers drawn at several visits: one for each visit, with its age and the level that earlier draws left, by hand."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from studykit.quality.visits import _lowered, unfold
from studykit.study.definition import parse_study
from tests.studies import definition

FIRST, SECOND = pd.Timestamp("2025-07-10"), pd.Timestamp("2026-01-10")
AREA_MM2 = math.pi / 4 * 380**2


def drum(**changes: object) -> pd.DataFrame:
    return pd.DataFrame([{"container": "C1", "vessel": "drum", "liquid_height_mm": 500.0, "fill_volume_l": np.nan,
                          "filled_on": pd.Timestamp("2025-01-10"), "sampled_on": pd.NaT, "last_mixed_on": pd.NaT,
                          "age_months": np.nan, "treatment": "stored"} | changes])


def bottles(**changes: object) -> pd.DataFrame:
    """Three bottles of 100 mL behind 50 mL each at both visits."""
    return pd.DataFrame({"sample": [f"S{i}" for i in range(6)], "container": "C1", "volume_ml": 100.0, "purge_ml": 50.0,
                         "visited_on": [FIRST] * 3 + [SECOND] * 3}).assign(**changes)


@pytest.mark.parametrize("level", [{"liquid_height_mm": 500.0},
                                   {"liquid_height_mm": np.nan, "fill_volume_l": AREA_MM2 * 500 / 1e6}])
def test_each_visit_finds_what_the_one_before_left(level) -> None:
    """3 * 150 mL = 0.45 L lower an upright drum of 380 mm by 3.97 mm; half a year and a year after filling."""
    found = unfold(parse_study(definition()), drum(**level), bottles(), pd.DataFrame({"sample": [f"S{i}" for i in range(6)]}))
    table = found.containers
    assert list(table["container"]) == ["C1, 2025-07-10", "C1, 2026-01-10"]
    assert list(found.samples["container"].unique()) == list(table["container"])
    assert list(table["sampled_on"]) == [FIRST, SECOND]
    assert table["age_months"].tolist() == pytest.approx([6, 12], abs=0.1)
    assert table["liquid_height_mm"].iloc[1] == pytest.approx(500 - 0.45e6 / AREA_MM2)
    assert table["fill_volume_l"].iloc[1] == pytest.approx(AREA_MM2 * 500 / 1e6 - 0.45)
    assert found.later == ""


def test_a_visit_still_to_come_is_told_and_one_visit_changes_nothing() -> None:
    found = unfold(parse_study(definition()), drum(), bottles(), pd.DataFrame({"sample": ["S0", "S1", "S2"]}))
    assert found.later == "Visits still to come, not looked at here: 2026-01-10 (3 samples)."
    assert list(found.containers["container"]) == ["C1"]
    assert list(found.samples["sample"]) == ["S0", "S1", "S2"]


def test_the_day_from_which_a_container_stood_counts_whichever_bottle_it_is_written_beside() -> None:
    """Mixed on 10 April after filling in January: three months old in July."""
    for k in range(3):
        stood = pd.Series([pd.NaT] * 6)
        stood[k] = pd.Timestamp("2025-04-10")
        found = unfold(parse_study(definition()), drum(), bottles(stood_from=stood),
                       pd.DataFrame({"sample": [f"S{i}" for i in range(6)]}))
        assert found.containers["age_months"].tolist() == pytest.approx([3, 12], abs=0.1)


@pytest.mark.parametrize(("changes", "taken"), [({}, 0.0), ({"vessel": "none"}, 0.45), ({"liquid_height_mm": np.nan}, 0.45),
                                                ({}, 1000.0)])
def test_a_level_is_lowered_where_something_was_taken_from_a_known_one_alone(changes: dict[str, object], taken: float) -> None:
    """Nothing taken, a shape or a filling not known, or more taken than there was: what the table says stands."""
    (row,) = drum(**changes).to_dict("records")
    assert _lowered(parse_study(definition()), row, taken) == {}
