"""Containers of two zones: the level lies half-way between two bottles, and what is wrong of one is not told of both.

The kinds are those of somebody who had seen nothing but the pages: a decimal of one bottle, free water in the lowest zone,
dust, and pails that have truly a clear top.
"""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

from tests.faults.bench import STOP, USUAL, explained
from tests.faults.laboratory import Lab, make

TWO = replace(USUAL, containers=16, depths=2, settled=0.05)


def times(lab: Lab, container: str, depth: str, analytes: tuple[str, ...], factor: float) -> Lab:
    for a in analytes:
        lab.wide.loc[lab.rows(container=container, depth=depth), a] *= factor
    return lab


def at(found: pd.DataFrame, container: str) -> list[tuple[str, str]]:
    """Rule and concern of the flags at this container, hints of its settling left out."""
    mine = found[found["where"].str.contains(container)]
    return [(r["rule"], r["concern"]) for r in mine.to_dict("records")]


@pytest.mark.slow
@pytest.mark.parametrize(("depth", "factor", "stops"), [("upper", 10.0, True), ("lower", 0.1, False)])
def test_a_decimal_of_one_bottle_is_asked_of_that_bottle(depth: str, factor: float, stops: bool) -> None:
    """Ten times what all others hold is no settling; a tenth may be a clear layer, and both are named."""
    found = explained(times(make(TWO, 5), "C16", depth, ("Zn",), factor))
    (slip,) = found[found["rule"] == "unit slip"].to_dict("records")
    assert "C16" in slip["where"]
    assert (slip["concern"] == STOP) == stops
    assert stops or "own settling" in slip["evidence"]
    assert not {"wrong product", "diluted or evaporated"} & {rule for rule, _ in at(found, "C16")}


@pytest.mark.slow
def test_a_row_in_another_unit_is_no_diluted_container() -> None:
    lab = make(TWO, 5)
    found = explained(times(lab, "C15", "lower", tuple(lab.analytes), 0.1))
    assert ("unit slip", "ask before trusting") in at(found, "C15"), found.to_string()
    assert not {"wrong product", "diluted or evaporated"} & {rule for rule, _ in at(found, "C15")}


@pytest.mark.few(1)
@pytest.mark.parametrize("setting", [TWO, replace(TWO, depths=3, containers=12)])
def test_free_water_in_the_lowest_zone_is_told_once(setting: object) -> None:
    lab = make(setting, 6)  # type: ignore[arg-type]
    for box, factor in (("C02", 0.75), ("C05", 0.8), ("C08", 0.77)):
        times(lab, box, "lower", tuple(lab.analytes), factor)
    found = explained(lab)
    (water,) = found[found["rule"] == "free water or heel at the floor"].to_dict("records")
    assert all(box in water["where"] for box in ("C02", "C05", "C08"))
    assert not {"swapped samples", "diluted or evaporated"} & set(found["rule"]), found.to_string()


@pytest.mark.slow
def test_dust_in_one_of_two_bottles_is_told_of_the_dusty_one() -> None:
    lab = make(replace(TWO, settled=0.0), 7)
    found = explained(times(lab, "C14", "lower", ("Si",), 2.0))
    own = found[found["rule"].isin(["dirt in the bottle", "value alone", "heel in the zone", "transposed digits"])]
    dusty = set(lab.wide["sample"].iloc[lab.rows(container="C14", depth="lower")])
    assert len(own)
    assert all(set(s.split()) <= dusty for s in own["samples"]), found.to_string()


@pytest.mark.slow
def test_pails_with_a_clear_top_are_not_exchanged() -> None:
    """Three of sixteen have settled, each by itself: two bottles of one and one of another zone must not look exchanged."""
    own = dict.fromkeys(("C01", "C02", "C03"), ("settled", 0.4))
    found = explained(make(TWO, 8, own))
    asked = found[found["concern"] != "hint only"]
    assert STOP not in set(found["concern"])
    assert "swapped samples" not in set(found["rule"])
    assert not len(asked), asked.to_string()
