"""What containers of a group cannot tell apart: said beside each time, and nothing beyond the oldest age rests on it."""

from __future__ import annotations

import pandas as pd
import pytest

from studykit.ageing import tables
from studykit.study.definition import parse_study
from tests.ageing.test_trend import NONE_BEYOND, dated, planted, study_of

BEYOND_OLDEST = "nothing is said beyond the oldest age"


def told(lots, by_depth=("store", "age_months"), *, random=False, rates=None, each: int = 3):
    """Answers, lines and the list of a planted study whose lots are ``lots(number, store, age)``; slow growth."""
    study = study_of({"course": "linear"}, by_depth)
    if random:
        factors = {**study.factors.model_dump(exclude_unset=True), "random": ["lot"]}
        study = parse_study(study.model_dump(exclude_unset=True) | {"factors": factors})
    frame, facts = planted(rates or {"hut": 0.001, "valley": 0.002}, each=each)
    facts["lot"] = {c: lots(k, facts["store"][c], facts["age_months"][c]) for k, c in enumerate(facts["store"])}
    opened = pd.Timestamp("2026-06-01")
    found, containers = dated(study, frame, facts, {c: str((opened - pd.Timedelta(days=30.436875 * a)).date())
                                                    for c, a in facts["age_months"].items()})
    return tables.answers(study, found), found, tables.actions(study, found, containers, NONE_BEYOND), tables.said(study, found)


def crossed(k, store, age) -> str:
    return f"L{k % 3}"


def of_the_store(k, store, age) -> str:
    return f"L-{store}"


def of_the_age(k, store, age) -> str:
    return f"L{age:g}"


@pytest.mark.slow
def test_crossed_lots_tie_nothing_and_the_lots_sampled_are_said() -> None:
    answers, found, *_ = told(crossed)
    assert not any(t.own.tied for t in found.trends)
    assert "apart" not in " ".join(answers["sentence"])
    assert answers["holds for"].str.startswith("The times hold for the lots sampled: others").all()
    assert all(t.horizon.bound > t.horizon.oldest for t in found.trends)


def test_a_group_that_is_one_lot_is_said_beside_its_time_and_not_extrapolated() -> None:
    answers, found, todo, _ = told(of_the_store)
    for text, store in zip(answers["sentence"], ("hut", "valley"), strict=True):
        first = text.partition(". ")[0]  # what page one takes where it is short
        assert "store and lot cannot be told apart at all" in first
        assert f"the time holds for store {store} with lot L-{store} alone" in first
    assert all(t.horizon.bound == t.horizon.oldest for t in found.trends)
    until = pd.to_datetime(todo["until"][todo["what to do"] == tables.LEAVE])
    begins = pd.Timestamp("2026-06-01") - pd.to_timedelta(todo["age, months"] * 30.436875, unit="D")
    assert len(until)
    assert ((until - begins[until.index]).dt.days <= 30 * 30.436875 + 1).all()  # 30 months: the oldest that was seen


@pytest.mark.slow
def test_lots_of_one_age_each_are_said_beside_every_time() -> None:
    answers, found, _, said = told(of_the_age, ("age_months",))
    assert "but age and lot cannot be told apart at all here" in answers["sentence"][0].partition(". ")[0]
    assert "the time may be too long" in answers["sentence"][0]
    assert BEYOND_OLDEST in found.trends[0].horizon.why
    assert "lots and age cannot be told apart" in said
    assert "hold for the lots sampled" not in said


def test_old_lots_and_young_lots_are_tied_though_each_has_two_ages() -> None:
    answers, found, *_ = told(lambda k, store, age: "old" if age > 15 else "young", ("age_months",))
    assert "age and lot can only partly be told apart" in answers["sentence"][0]
    assert found.trends[0].horizon.bound == found.trends[0].horizon.oldest


def test_stores_of_other_ages_are_said() -> None:
    study = study_of({"course": "linear"}, ("store", "age_months"))
    frame, facts = planted({"all": 0.001})
    facts["store"] = {c: "hut" if a > 15 else "hall" for c, a in facts["age_months"].items()}
    answers = tables.answers(study, dated(study, frame, facts, "2023-01-01")[0])
    assert "store hall has ages from 4 months to" in answers["sentence"][0]


@pytest.mark.slow
@pytest.mark.parametrize(("lots", "random"), [
    (lambda k, store, age: f"L{k}", False),                    # each container is a lot of its own: scatter between containers
    (lambda k, store, age: f"{store}-{k % 6}", True)], ids=["a lot each", "six random lots in each store"])
def test_lots_that_vary_as_containers_do_tie_nothing(lots, random: bool) -> None:
    answers, found, *_ = told(lots, random=random, each=6)
    assert not any(t.own.tied for t in found.trends)
    assert "apart" not in " ".join(answers["sentence"])


def test_one_lot_is_named_where_the_claim_is_for_more() -> None:
    answers, *_ = told(lambda k, store, age: "L7", ("age_months",))
    assert answers["holds for"][0].startswith("The times hold for lot L7 alone")


def test_a_group_of_one_container_and_a_study_of_one_have_their_sentence() -> None:
    study = study_of({"course": "linear"}, ("store", "age_months"))
    frame, facts = planted({"hut": 0.001})
    facts["store"] = {c: "valley" if k == 11 else "hut" for k, c in enumerate(facts["store"])}
    found, _ = dated(study, frame, facts)
    assert tables.answers(study, found)["sentence"].iloc[-1] == (
        "No time can be given for y: store valley: from 1 container drawn at 1 age (1 difference) nothing can be told of how a "
        "difference grows with time.")
    alone = frame[frame["container"] == "hut00"]
    found, _ = dated(study, alone, {k: {"hut00": v["hut00"]} for k, v in facts.items()})
    assert "one container alone has no line with an interval" in tables.answers(study, found)["sentence"].item()


@pytest.mark.slow
def test_visits_that_lack_a_zone_are_counted() -> None:
    study = study_of({"course": "linear"}, ("age_months",))
    frame, facts = planted({"hut": 0.001})
    lost = frame[(frame["container"] != "hut03") | (frame["depth"] != "lower")]
    assert "1 of 12 visits to containers has no result of some zone" in tables.said(study, dated(study, lost, facts)[0])
    assert "hut03" in tables.said(study, dated(study, lost, facts)[0])
    assert "some zone" not in tables.said(study, dated(study, frame, facts)[0])
