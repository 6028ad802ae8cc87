"""Readings that are all alike, or rounded more coarsely than they scatter: no line that looks surer than it is, no stop."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from studykit.ageing import tables
from studykit.ageing.brief import begun_time
from studykit.ageing.trend import ROUNDED, Ageing
from tests.ageing.test_trend import AGES, NONE_BEYOND, dated, planted, study_of

STORES = {"hut": 0.001, "valley": 0.002}


def told(change, **more) -> tuple[Ageing, pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Lines, rates, pairs of rates, what to do, where ``change`` gives the readings of two stores (frame, facts)."""
    study = study_of({"course": "linear"}, ("store", "age_months"))
    frame, facts = planted(STORES, each=3, **more)
    frame["value"] = change(frame, facts)
    found, containers = dated(study, frame, facts)
    tables.answers(study, found), tables.times(found), tables.said(study, found)
    return found, tables.rates(found), tables.rate_pairs(found), tables.actions(study, found, containers, NONE_BEYOND)


@pytest.mark.parametrize("rounded", [lambda v: 0 * v + 220, lambda v: (v / 5).round() * 5, lambda v: v.round(-1)])
def test_rounded_more_coarsely_than_they_scatter_carries_no_line(rounded) -> None:
    """The kit's criterion of the verdict: an sd of differences below 0.7 of the step (own judgement)."""
    found, rates, pairs, _ = told(lambda frame, _: rounded(frame["value"]))
    assert not found.trends
    assert found.left_out == tuple(("y", f"store {s}: {ROUNDED}") for s in sorted(STORES))
    assert rates.empty
    assert pairs.empty


def test_one_store_alike_leaves_the_line_of_the_other() -> None:
    found, rates, pairs, _ = told(lambda frame, facts: frame["value"].round(0).where(
        frame["container"].map(facts["store"]) == "valley", 100.0))
    assert [t.own.label for t in found.trends] == ["store valley"]
    assert found.left_out == (("y", f"store hut: {ROUNDED}"),)
    assert len(rates) == 1
    assert pairs.empty


def test_rounded_finely_the_line_stays() -> None:
    whole, rates, *_ = told(lambda frame, _: frame["value"])
    found, fine, *_ = told(lambda frame, _: frame["value"].round(1))
    assert len(found.trends) == len(whole.trends) == 2
    assert not found.left_out
    np.testing.assert_allclose(fine["per month"], rates["per month"], atol=0.01)


def test_without_scatter_and_without_a_step_rates_have_no_p_and_nothing_stops() -> None:
    """A third in full: no step is seen in it, and no scatter."""
    found, rates, pairs, todo = told(lambda frame, _: 0 * frame["value"] + 1 / 3)
    assert len(found.trends) == 2
    assert not len(found.left_out)
    assert rates["p no change"].isna().all()
    assert pairs["difference per year"].tolist() == [0.0]
    assert pairs[["low", "high", "df", "p"]].isna().all(axis=None)
    assert math.isfinite(todo["age, months"].max())
    assert len(todo) >= len(AGES)


def test_a_rate_that_two_ages_hardly_tell_has_an_end_beyond_all_numbers() -> None:
    """Ages of half a month and a month: a year from there the interval of a ratio is wider than a number can be."""
    study = study_of({"course": "linear"}, ("store", "age_months"))
    frame, facts = planted({"hut": 0.0}, ages=(0.5, 0.6), each=2, noise=2.0)
    found, _ = dated(study, frame, facts)
    rates = tables.rates(found)
    assert np.isinf(rates["year high"]).all()
    assert (rates["year low"] < 0).all()


@pytest.mark.parametrize(("months", "said"), [(25.9, "26 months"), (25.0, "25 months"), (3.0, "3 months"), (3.01, "4 months"),
                                              (2.98, "13 weeks"), (0.7, "4 weeks"), (0.66, "3 weeks"), (0.03, "1 day")])
def test_what_is_shown_from_a_time_on_is_told_from_no_earlier_one(months: float, said: str) -> None:
    """By hand, 365.25 days a year: 2.98 months are 90.7 days, 0.7 are 21.3, 0.66 are 20.1."""
    assert begun_time(months) == said
    number, noun = said.split()
    assert int(number) * {"months": 30.4375, "weeks": 7, "day": 1}[noun] >= months * 30.4375 - 1e-6


def test_each_group_is_held_against_its_own_rounding() -> None:
    """Whole numbers near 300 that scatter by 1.4 % have a line, whatever another store's near 8 are rounded to."""
    def read(frame: pd.DataFrame, facts: dict) -> pd.Series:
        low = frame["container"].map(facts["store"]).eq("hut")
        return (frame["value"] * low.map({True: 0.08, False: 3.0})).round(0)

    found, *_ = told(read)
    assert [t.own.label for t in found.trends] == ["store valley"]
    assert found.left_out == (("y", f"store hut: {ROUNDED}"),)
