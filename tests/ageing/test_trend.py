"""Lines, times and sentences of whole studies with planted rates, and every refusal."""

from __future__ import annotations

import json
import math
import re

import numpy as np
import pandas as pd
import pytest

import studykit as sk
from studykit.ageing import figures, tables
from studykit.ageing.lines import fit_lines
from studykit.ageing.reach import mean_passes
from studykit.ageing.tables import whole_time
from studykit.ageing.trend import ALL, Ageing, ageing
from studykit.core.record import significant
from studykit.demos.shipped import copy_demo, demo_folder
from studykit.intake.take import run_intake
from studykit.model.fit import fit_analyte
from studykit.study.definition import Margin, Study, parse_study
from studykit.study.tables import load_tables
from tests.model.test_fit import tables_of
from tests.studies import definition

DEPTHS = ("upper", "middle", "lower")
AGES = (4.0, 12.0, 20.0, 30.0)
NONE_BEYOND = pd.DataFrame(columns=["container", "analyte"])
RATES = {"hut": 0.010, "valley": 0.018}


def study_of(time: dict | None, by_depth: tuple[str, ...], margin: float = 20.0) -> Study:
    given = {"time": time} if time is not None else {}
    return parse_study(definition(
        factors={"depths": list(DEPTHS), "fixed": list(by_depth), "by_depth": list(by_depth)},
        analytes={"y": {"unit": "1", "method": "a test", "margin": {"relative_percent": margin},
                        "margin_reason": "for the test"}}, **given))


def planted(rates: dict[str, float] = RATES, ages: tuple[float, ...] = AGES, each: int = 3, noise: float = 0.01,
            course=lambda t: t) -> tuple[pd.DataFrame, dict[str, dict[str, object]]]:
    """Readings of containers opened once each, whose log of lower over upper grows as rate times course."""
    rng, rows, age, store = np.random.default_rng(9), [], {}, {}
    for s, rate in rates.items():
        for k in range(len(ages) * each):
            name = f"{s}{k:02d}"
            age[name], store[name] = ages[k % len(ages)], s
            whole = rate * course(age[name])
            for depth, part in zip(DEPTHS, (-0.5, 0.0, 0.5), strict=True):
                rows.append((name, depth, 100 * math.exp(part * whole + rng.normal(0, noise))))
    return pd.DataFrame(rows, columns=["container", "depth", "value"]), {"age_months": age, "store": store}


def made(study: Study, frame: pd.DataFrame, facts: dict) -> tuple[Ageing, pd.DataFrame]:
    containers, samples, results = tables_of(frame, **facts)
    containers["filled_on"] = pd.NaT
    return ageing(study, [fit_analyte(study, "y", containers, samples, results)]), containers


@pytest.fixture(scope="module")
def two_stores() -> tuple[Study, Ageing, pd.DataFrame]:
    study = study_of({"course": "linear"}, ("store", "age_months"))
    return study, *made(study, *planted())


def test_planted_rates_and_times_lie_in_their_intervals(two_stores) -> None:
    _, found, _ = two_stores
    rates = tables.rates(found).set_index("group")
    times = tables.times(found).set_index("group")
    for store, rate in RATES.items():
        row, at = rates.loc[f"store {store}"], times.loc[f"store {store}"]
        assert row["month low"] < 100 * math.expm1(rate) < row["month high"]
        assert row["year low"] < 100 * math.expm1(12 * rate) < row["year high"]
        assert row["p no change"] < 0.01
        true = math.log(1.2) / rate  # ln 1.2 / rate: 18.2 and 10.1 months
        assert at["mean within up to"] < true < at["mean beyond from"]
        assert at["simulated low"] < true < at["simulated high"]
        assert at["containers within up to"] < true
        assert at["containers within up to"] < at["containers fitted"] < at["containers beyond from"]
        assert at["containers simulated low"] < at["containers fitted"] < at["containers simulated high"]


def test_stores_differ_in_rate(two_stores) -> None:
    pair = tables.rate_pairs(two_stores[1]).iloc[0]
    assert pair["groups"] == "store valley against store hut"
    assert pair["p"] < 0.01
    assert pair["low"] < 100 * math.expm1(12 * 0.008) < pair["high"]


def test_one_sentence_a_group_and_what_to_do(two_stores) -> None:
    study, found, containers = two_stores
    said = tables.answers(study, found)
    assert said["group"].tolist() == ["store hut", "store valley"]
    assert "on average within the margin up to 17 months" in said["sentence"][0] or "up to 18" in said["sentence"][0]
    # each group's first sentence holds both times with their intervals
    assert said["sentence"].str.contains(
        "; if containers are normally distributed, at most 20 % of them lie beyond it up to").all()
    # 12 in each store: 1 - 0.05^(1/12) of a stock may be beyond and none of them
    assert "12 containers none of which is beyond still leave 22 % of the stock open" in tables.said(study, found)
    for short, t in zip(said["in short"], found.trends, strict=True):  # which page one takes
        assert t.spread is not None
        times = re.search(r": at most 20 % of containers beyond the margin: up to (\d+) months; on average within the margin "
                          r"up to (\d+) months, by y; containers are taken to scatter as a normal distribution", short)
        assert times  # the stricter one first
        assert [int(x) for x in times.groups()] == [math.floor(float(p.safe[0])) for p in (t.spread, t.mean)]
    for sentence, t in zip(said["sentence"], found.trends, strict=True):
        first = sentence.partition(". ")[0]
        assert first.count("90 % interval") == 2
        assert t.spread is not None
        for p in (t.mean, t.spread):
            assert f"at {significant(float(p.estimate[0]), 3)} months" in first
            assert f"{significant(float(p.safe[0]), 3)} to {significant(float(p.latest[0]), 3)})" in first
    todo = tables.actions(study, found, containers, NONE_BEYOND).set_index("container")
    assert todo.loc["valley03", "what to do"] == "treat"  # 30 months, beyond from about 10
    assert todo.loc["hut00", "what to do"] == "leave"  # 4 months
    words = tables.action_words(todo.reset_index(), {})
    first, *_ = words.splitlines()
    assert first.startswith("- Treat before use: ")
    assert first.endswith(", because of y: the group's mean is shown beyond the margin at this age or a younger one; by "
                          "themselves they are not shown beyond.")
    assert "hut00" in words.splitlines()[-1]


def test_beside_a_factor_the_course_is_drawn_in_times() -> None:
    """ln 1.2 is the edge of a factor of 1.2 and of 20 %: the same times, another axis."""
    study = study_of({"course": "linear"}, ("store", "age_months"))
    one = study.analytes["y"]
    study = study.model_copy(update={"analytes": {"y": one.model_copy(update={"margin": Margin(factor=1.2)})}})
    found, _ = made(study, *planted())
    figure = figures.over_time(figures.drawn(found.trends))
    ax = figure.axes[0]
    assert ax.get_yscale() == "log"
    assert ax.get_ylabel() == "bottom / top of each container, times"
    low, high = ax.get_ylim()
    assert low * high == pytest.approx(1)  # as far to a half as to double
    level = {round(float(line.get_ydata()[0]), 4) for line in ax.lines if len(set(line.get_ydata())) == 1}
    assert level >= {1.0, 1.2, round(1 / 1.2, 4)}
    assert re.search(r"store hut: fitted line from 1\.0 to 1\.\d times", figures.alt(found.trends))


def dated(study: Study, frame: pd.DataFrame, facts: dict, filled: str | dict[str, str] = "2025-07-01") -> tuple[
        Ageing, pd.DataFrame]:
    """As ``made``, with days: containers filled on a day, opened at the age that ``facts`` gives them."""
    containers, samples, results = tables_of(frame, **facts)
    day = pd.to_datetime(containers["container"].map(filled) if isinstance(filled, dict) else filled)
    containers = containers.assign(filled_on=day)
    containers["sampled_on"] = containers["filled_on"] + pd.to_timedelta((containers["age_months"] * 30.4369).round(), "D")
    return ageing(study, [fit_analyte(study, "y", containers, samples, results)]), containers


def test_a_container_shown_beyond_itself_is_never_left() -> None:
    """However young, and whatever its group does: a layer on its floor, say."""
    study = study_of({"course": "linear"}, ("age_months",))
    found, containers = made(study, *planted({"hut": 0.018}, each=5))
    todo = tables.actions(study, found, containers, NONE_BEYOND)
    (left, *_) = todo.loc[todo["what to do"] == "leave", "container"]
    own = pd.DataFrame({"container": [left], "analyte": ["y"]})
    again = tables.actions(study, found, containers, own).set_index("container")
    assert again.loc[left, "what to do"] == "treat"
    assert again.loc[left, "reason"] == "shown to lie beyond itself"
    assert set(again.drop(left)["what to do"]) == set(todo.set_index("container").drop(left)["what to do"])


@pytest.mark.slow
def test_containers_are_judged_as_of_the_last_visit() -> None:
    """Sisters filled on one day and opened over thirty months: on the last day all are thirty, beyond from about 12."""
    study = study_of({"course": "linear"}, ("age_months",))
    frame, facts = planted({"hut": 0.018}, each=5)
    found, containers = dated(study, frame, facts)
    todo = tables.actions(study, found, containers, NONE_BEYOND)
    assert set(todo["what to do"]) == {"treat"}
    assert set(todo["judged on"]) == {"2027-12-31"}  # 913 days after filling
    assert todo["age, months"].tolist() == pytest.approx([30.0] * 20, abs=0.02)
    slow, containers = dated(study, *planted({"hut": 0.004}, each=5))
    later = tables.actions(study, slow, containers, NONE_BEYOND)
    assert (later.loc[later["what to do"] == "leave", "until"] >= "2027-12-31").all()


def test_a_course_that_comes_back_treats_no_container_within_the_margin() -> None:
    """Filled badly mixed, evening out: beyond when young, within from about 17 months on."""
    study = study_of({"course": "linear"}, ("age_months",))
    frame, facts = planted({"all": -1.0}, ages=(4, 12, 20, 30), noise=0.002, course=lambda t: 0.012 * t - 0.38)
    filled = pd.Timestamp("2026-06-01") - pd.to_timedelta(pd.Series(facts["age_months"]) * 30.436875, unit="D")
    found, containers = dated(study, frame, facts, filled.dt.strftime("%Y-%m-%d").to_dict())
    todo = tables.actions(study, found, containers, NONE_BEYOND).set_index("container")
    old = [c for c, a in facts["age_months"].items() if a > 19]
    assert set(todo.loc[old, "what to do"]) == {tables.AGAIN}
    why = "the group's mean is shown beyond the margin at a younger age, and lies within at this one"
    assert set(todo.loc[old, "reason"]) == {why}
    assert set(todo.loc[[c for c, a in facts["age_months"].items() if a < 13], "what to do"]) == {tables.TREAT}


@pytest.mark.parametrize(("months", "seen", "left"), [
    (8.27, False, 8.0), (2.9, False, 84 / (365.2425 / 12)), (0.5, False, 15 / (365.2425 / 12)),
    (365 / (365.2425 / 12), True, 365 / (365.2425 / 12)), (30.9, True, 30.0), (30.95, True, 30.95)])
def test_what_is_left_is_left_for_the_time_that_is_told(months: float, seen: bool, left: float) -> None:
    assert tables.rounded(months, seen=seen) == pytest.approx(left, abs=1e-9)
    told = (tables.seen_time if seen else whole_time)(months)
    number = float(told.split()[0]) * {"m": 1, "w": 7 / (365.2425 / 12), "d": 1 / (365.2425 / 12)}[told.split()[1][0]]
    assert tables.rounded(months, seen=seen) == pytest.approx(min(number, months))


def test_what_may_be_left_is_told_with_its_own_day() -> None:
    study = study_of({"course": "linear"}, ("age_months",))
    frame, facts = planted({"hut": 0.006}, each=5)
    drawn_on = pd.Timestamp("2026-07-01")
    filled = {c: f"{drawn_on - pd.Timedelta(days=round(a * 30.4369)):%Y-%m-%d}" for c, a in facts["age_months"].items()}
    found, containers = dated(study, frame, facts, filled)
    todo = tables.actions(study, found, containers, NONE_BEYOND)
    left = todo[todo["what to do"] == "leave"]
    assert left["until"].nunique() == 3  # opened at 4, 12 and 20 months; 30 are more than the share is shown for
    line = tables.action_words(todo, {}).splitlines()[-1]
    assert line.startswith("- Leave, as of 2026-07-01: ")
    for day, part in left.groupby("until"):
        assert f"{', '.join(part['container'])}, sample again from {day} on" in line


def test_below_five_containers_nothing_is_left_by_the_mean_alone() -> None:
    study = study_of({"course": "linear"}, ("age_months",))
    frame, facts = planted({"hut": 0.001}, each=1)
    found, containers = made(study, frame, facts)
    assert found.trends[0].spread is None
    assert found.trends[0].mean.safe[0] > 4
    todo = tables.actions(study, found, containers, NONE_BEYOND)
    assert set(todo["what to do"]) == {"treat or sample again"}
    line, *_ = tables.action_words(todo, {}).splitlines()
    assert line.startswith("- Treat, or sample again before use: ")
    assert line.endswith(", because of y: too few containers to show that at most 20 % of containers lie beyond.")
    one = study.model_copy(update={"scope": "container"})
    assert "leave" in set(tables.actions(one, found, containers, NONE_BEYOND)["what to do"])


@pytest.mark.parametrize("what", ["treat", "treat or sample again"])
def test_each_container_is_named_with_its_own_analytes_alone(what: str) -> None:
    """Two for Ti and two for Zn by one reason; only of one by both analytes both are said."""
    todo = pd.DataFrame([(c, "all", 30.0, "", what, "", why, "the mean is shown beyond") for c, why in (
        ("K01", "Ti"), ("K02", "Zn"), ("K03", "Ti"), ("K04", "Zn"), ("K05", "Ti, Zn"))], columns=tables.ACTION_COLUMNS)
    told = tables.action_words(todo, {"Ti": "titanium"})
    for who, why in (("K01, K03", "titanium"), ("K02, K04", "Zn"), ("K05", "titanium, Zn")):
        assert f" before use: {who}, because of {why}: the mean is shown beyond" in told
    assert len(told.splitlines()) == 3


def test_a_container_of_which_nothing_can_be_said_is_named() -> None:
    study = study_of({"course": "linear"}, ("store", "age_months"))
    frame, facts = planted({"hut": 0.01, "barn": 0.01}, each=3)
    alone = frame["container"].isin([c for c in facts["store"] if facts["store"][c] == "hut" or c == "barn00"])
    found, containers = made(study, frame[alone], facts)
    todo = tables.actions(study, found, containers, NONE_BEYOND).set_index("container")
    assert len(todo) == 13
    assert todo.loc["barn00", "what to do"] == "nothing can be said"
    assert ("- Nothing can be said of how long these may stand (the ages at which they were drawn, or results so coarsely "
            "rounded, tell nothing of growth): barn00.") in tables.action_words(todo.reset_index(), {})


def test_the_figure_draws_what_its_table_says(two_stores) -> None:
    _, found, _ = two_stores
    drawn = figures.drawn(found.trends)
    table = figures.line_table(drawn)
    assert set(table["group"]) == {"store hut", "store valley"}
    assert (table["who"] != "line").sum() == 24
    axes = figures.over_time(drawn).axes
    assert [ax.get_title("left").split("\n")[0] for ax in axes] == ["store hut", "store valley"]
    assert all("upright line: shown within up to " in ax.get_title("left") for ax in axes)
    (low, high), differences = axes[0].get_ylim(), table.loc[table["who"] != "line", "difference"]
    assert low < differences.min() < differences.max() < high  # also those of the other panel, whose axis it is
    assert figures.over_time(drawn, {"y": "iron"}).get_suptitle() == "iron"
    assert "against age, iron." in figures.alt(drawn, {"y": "iron"})
    assert "passes the margin at" in figures.alt(drawn)
    assert figures.alt(()) == "no figure"


def test_pooling_keeps_stores_apart(two_stores) -> None:
    row = tables.pooled(two_stores[1]).iloc[0]
    assert (row["factor"], row["choice"]) == ("group", "own lines")
    assert 8 < row["time, months"] < 10.5


def test_a_bend_is_found_and_nothing_is_read_off_the_line() -> None:
    study = study_of({"course": "linear"}, ("age_months",))
    frame, facts = planted({"hut": 0.25}, course=lambda t: 1 - math.exp(-t / 3))
    found, _ = made(study, frame, facts)
    trend = found.trends[0]
    assert trend.own.label == ALL
    assert trend.bent
    assert trend.horizon.bound == trend.horizon.oldest
    assert "do not lie on the declared course" in tables.words(trend)
    assert trend.mean.latest[0] <= 12  # 22 % at 4 months, 28 % from 12 on, against 20 %
    declared = study_of({"course": "saturating", "half_months": 3 * math.log(2)}, ("age_months",))
    fitting = made(declared, frame, facts)[0].trends[0]
    assert not fitting.bent
    assert fitting.horizon.why.startswith("the course is curved")


@pytest.mark.parametrize(("ages", "why"), [((4.0, 30.0), "two ages cannot show a bend"),
                                           (AGES, "nothing is said beyond twice")])
def test_how_far_beyond_the_oldest_age(ages: tuple[float, ...], why: str) -> None:
    study = study_of({"course": "linear"}, ("age_months",))
    found = made(study, *planted({"hut": 0.001}, ages=ages, each=6))[0]
    trend, shown = found.trends[0], tables.times_shown(tables.times(found)).iloc[0]
    last = "30.0" if len(ages) == 2 else "42.0"
    assert shown["mean passes, fitted"] == f"over {last}"  # about 180 months, which nobody may be told
    assert shown["interval"] in (f"{last} to over {last}", f"{last} to never")
    assert trend.horizon.why.startswith(why)
    assert trend.horizon.bound == pytest.approx(30.0 if len(ages) == 2 else 42.0)
    assert f"not passed within {trend.horizon.bound:.0f} months" in tables.words(trend)
    assert "the fitted line passes" not in tables.words(trend).partition(";")[0]  # no time is told beyond what is looked at


def test_beyond_from_the_start_and_nothing_shown() -> None:
    study = study_of({"course": "linear"}, ("age_months",))
    frame, facts = planted({"hut": 0.0}, each=5)
    lower = frame["depth"] == "lower"
    high = made(study, frame.assign(value=frame["value"].where(~lower, frame["value"] * 1.5)), facts)[0].trends[0]
    assert "beyond the margin already at the youngest age seen (4 months)" in tables.words(high)
    assert "filling" not in tables.words(high)  # nothing was seen there
    noisy = made(study, *planted({"hut": 0.0}, noise=0.4))[0].trends[0]
    assert tables.unclear(noisy)
    assert "not shown to be within the margin at the youngest age" in tables.words(noisy)


def test_equal_ages_one_container_and_limits_have_no_line() -> None:
    study = study_of({"course": "linear"}, ("age_months",))
    same = made(study, *planted({"hut": 0.01}, ages=(6.0,), each=6))[0]
    assert not same.trends
    assert same.left_out[0][1] == ("all containers: from 6 containers drawn at 1 age (6 differences) nothing can be told of "
                                   "how a difference grows with time")
    frame, facts = planted({"hut": 0.01})
    containers, samples, results = tables_of(frame, **facts)
    results.loc[results.index[2], ["qualifier", "limit"]] = ["<", 1.0]
    limited = ageing(study, [fit_analyte(study, "y", containers, samples, results)])
    assert not limited.trends
    assert "known only as a limit" in tables.said(study, limited)


def test_an_analyte_for_information_sets_no_time_and_treats_nothing(two_stores) -> None:
    study, found, containers = two_stores
    (name,) = study.analytes
    told = study.model_copy(update={"analytes": {name: study.analytes[name].model_copy(update={"role": "information"})}})
    assert tables.answers(told, found).empty
    assert tables.actions(told, found, containers, NONE_BEYOND).empty
    assert len(tables.rates(found)) == 2


def test_a_study_that_does_not_ask_has_no_lines() -> None:
    study = study_of(None, ())
    found, containers = made(study, *planted())
    assert not found.trends
    assert "does not ask about time" in tables.said(study, found)
    for table in (tables.rates(found), tables.times_shown(tables.times(found)), tables.answers(study, found),
                  tables.actions(study, found, containers, NONE_BEYOND), tables.pooled(found), tables.courses(found, study)):
        assert table.empty
    assert tables.action_words(tables.actions(study, found, containers, NONE_BEYOND), {}) == ""
    assert figures.over_time(()).axes == []


def test_undeclared_course_is_said() -> None:
    study = study_of(None, ("age_months",))
    found, _ = made(study, *planted({"hut": 0.01}))
    assert "No section [time] was declared" in tables.said(study, found)
    assert tables.courses(found, study)["declared"].tolist() == ["taken, not declared", "no"]


@pytest.mark.parametrize(("months", "told"), [(24.99, "24 months"), (3.0, "3 months"), (2.9, "12 weeks"), (0.69, "3 weeks"),
                                              (0.65, "19 days"), (0.034, "1 day")])
def test_times_are_rounded_down(months: float, told: str) -> None:
    assert whole_time(months) == told


@pytest.mark.parametrize(("days", "told"), [(365, "12 months"), (913, "30 months"), (89, "3 months"), (120, "4 months"),
                                            (362, "11 months"), (361, "11 months"), (60, "8 weeks")])
def test_an_age_that_was_observed_is_told_in_calendar_months(days: int, told: str) -> None:
    # 1 February to 1 May are 89 days, 1 November to 1 March 120, a year 365
    assert tables.seen_time(days / (365.2425 / 12)) == told


def test_visits_of_one_container_are_one_unit_and_the_verdict_is_about_the_last() -> None:
    frame, _ = planted({"hut": 0.01}, ages=(0.0, 6.0, 12.0), each=5)
    keys = sorted(frame["container"].unique())
    frame["container"], visit = (frame["container"].map({k: f"D{i // 3}" for i, k in enumerate(keys)}),
                                 frame["container"].map({k: i % 3 for i, k in enumerate(keys)}))
    study = study_of({"course": "linear", "starts": "filled"}, ("age_months",))
    containers, samples, results = tables_of(frame)
    containers = containers.assign(filled_on=pd.Timestamp("2025-01-01"), sampled_on=pd.NaT, last_mixed_on=pd.NaT)
    samples["visited_on"] = visit.map(dict(enumerate(pd.to_datetime(["2025-01-01", "2025-07-02", "2026-01-01"]))))
    model = fit_analyte(study, "y", containers, samples, results)
    assert set(model.rows.table["visited_on"]) == {pd.Timestamp("2026-01-01")}
    assert len(model.rows.visits) == 3 * len(model.rows.table)
    trend = ageing(study, [model]).trends[0]
    assert trend.own.again
    assert len(trend.own.values) == 15
    # the same visits for all: the t test of five own slopes
    slopes = [np.polyfit(trend.own.months[trend.own.units == u], trend.own.values[trend.own.units == u], 1)[0]
              for u in np.unique(trend.own.units)]
    assert trend.rate.estimate[0, 0] == pytest.approx(np.mean(slopes))
    assert trend.rate.se[0, 0] == pytest.approx(np.std(slopes, ddof=1) / 5**0.5)
    assert trend.rate.df[0] == pytest.approx(4)
    # a mixed model with rates of their own takes all visits (engine: tests/mixed/test_slopes.py, against lme4)
    own = fit_analyte(study, "y", containers, samples, results, fixed=("depth", "age_months", "depth:age_months"),
                      random=("age_months | container", "container:visit"))
    assert own.reml.n == len(model.rows.visits)
    assert set(own.reml.variances) == {"container", "age_months | container", "container:visit", "residual"}
    last = own.reml.names.index("depth[lower]:age_months")
    assert own.reml.beta[last] == pytest.approx(np.mean(slopes), rel=1e-6)  # balanced: every weighting gives the mean slope
    assert any("takes all visits" in n for n in own.notes)


@pytest.mark.slow
def test_a_column_of_ones_own_has_its_lines() -> None:
    frame, facts = planted({"upright": 0.010, "lying": 0.018})
    study = parse_study(definition(
        factors={"depths": list(DEPTHS), "fixed": ["cap", "warmth", "age_months"], "by_depth": ["cap", "warmth", "age_months"],
                 "columns": {"cap": {"levels": ["upright", "lying"]}, "warmth": {"unit": "degC"}}},
        analytes={"y": {"unit": "1", "method": "a test", "margin": {"relative_percent": 20}, "margin_reason": "for the test"}}))
    warm = {c: 4.0 + (i % 5) for i, c in enumerate(facts["store"])}
    found, _ = made(study, frame, {"age_months": facts["age_months"], "cap": facts["store"], "warmth": warm})
    assert [t.own.label for t in found.trends] == ["cap lying", "cap upright"]
    assert "Not in the lines, as numbers that act on depth: warmth." in tables.said(study, found)
    assert "cap" not in tables.said(study, found)
    model = fit_analyte(study, "y", *tables_of(frame, age_months=facts["age_months"], cap=facts["store"], warmth=warm))
    assert model.fixed[:3] == ("depth", "cap", "depth:cap")
    assert model.cells.groups.shape[1] == 4  # intercept, cap, warmth, age


def test_few_random_lots_and_single_levels_are_said() -> None:
    frame, facts = planted({"hut": 0.0})
    few = {c: f"L{i % 3}" for i, c in enumerate(facts["store"])}
    many = {c: f"L{i % 4}" for i, c in enumerate(facts["store"])}
    one = {c: "odd" if i == 0 else "even" for i, c in enumerate(facts["store"])}
    study = parse_study(definition(
        factors={"depths": list(DEPTHS), "fixed": ["store"], "random": ["lot"]},
        analytes={"y": {"unit": "1", "method": "a test", "margin": {"relative_percent": 20}, "margin_reason": "for the test"}}))
    left = fit_analyte(study, "y", *tables_of(frame, lot=few, store=one))
    assert any("3 levels are too few" in n for n in left.notes)
    assert any("odd has one container only" in n for n in left.notes)
    assert "lot" in fit_analyte(study, "y", *tables_of(frame, lot=many, store=one)).random


def _of_lots(rng: np.random.Generator, random: bool = True) -> tuple[Study, pd.DataFrame, dict[str, dict[str, object]]]:
    """Four lots, each at four ages, whose rates scatter by 30 % about one that passes the margin at 20 months."""
    rates, rows, age, lot = rng.normal(1, 0.3, 4) * math.log(1.2) / 20, [], {}, {}
    for i in range(16):
        name = f"D{i:02d}"
        age[name], lot[name] = AGES[i // 4], f"L{i % 4}"
        rows += [(name, d, 100 * math.exp(part * rates[i % 4] * age[name] + rng.normal(0, 0.005)))
                 for d, part in zip(DEPTHS, (-0.5, 0.0, 0.5), strict=True)]
    study = parse_study(definition(
        factors={"depths": list(DEPTHS), "fixed": ["age_months"], "by_depth": ["age_months"], "random": ["lot"] * random},
        time={"course": "linear"},
        analytes={"y": {"unit": "1", "method": "a test", "margin": {"relative_percent": 20}, "margin_reason": "for the test"}}))
    return study, pd.DataFrame(rows, columns=["container", "depth", "value"]), {"age_months": age, "lot": lot, "store": lot}


@pytest.mark.slow
def test_lots_declared_random_count_in_the_times_that_are_told() -> None:
    """Rates of lots that differ: told by containers alone the time is too long in about a fifth of stocks."""
    rng, late, alone, studies = np.random.default_rng(17), 0, 0, 120
    for _ in range(studies):
        study, frame, facts = _of_lots(rng)
        trend = made(study, frame, facts)[0].trends[0]
        plain = fit_lines(trend.own.values, trend.own.course.line(trend.own.months), trend.own.units)
        alone += mean_passes(plain, trend.own.course, trend.own.edges, alpha=0.05, span=trend.own.span, stop=42).safe[0] > 20
        late += trend.mean.safe[0] > 20
        assert trend.over_lots == 4
    assert alone / studies > 0.10
    assert late / studies <= 0.05 + 3.5 * math.sqrt(0.05 * 0.95 / studies)


@pytest.mark.slow
def test_another_factor_declared_random_counts_as_lots_do() -> None:
    """Four sites in place of four lots: the same times, and a sentence; three are too few, and that is said."""
    study, frame, facts = _of_lots(np.random.default_rng(3))
    lots = made(study, frame, facts)[0].trends[0]
    factors = {"depths": list(DEPTHS), "fixed": ["age_months"], "by_depth": ["age_months"], "random": ["site"],
               "columns": {"site": {"levels": [f"L{i}" for i in range(4)]}}}
    plain = {k: v for k, v in facts.items() if k == "age_months"} | {"store": dict.fromkeys(facts["lot"], "hut")}
    sites = parse_study(study.model_dump(exclude_unset=True) | {"factors": factors})
    found = made(sites, frame, plain | {"site": facts["lot"]})[0]
    assert found.trends[0].over == (("site", 4),)
    assert found.trends[0].mean.safe[0] == lots.mean.safe[0]
    assert "a sample of more: site (4 levels)" in tables.said(sites, found)
    three = {c: v if v != "L3" else "L2" for c, v in facts["lot"].items()}
    few = made(sites, frame, plain | {"site": three})[0]
    assert few.trends[0].over == (("site", 0),)
    assert "several ages: site; the times hold for these levels only" in tables.said(sites, few)


@pytest.mark.slow
def test_what_the_times_say_of_lots_is_said() -> None:
    study, frame, facts = _of_lots(np.random.default_rng(3))
    assert "sample of more, and the shorter of" in tables.said(study, made(study, frame, facts)[0])
    plain, *_ = _of_lots(np.random.default_rng(3), random=False)
    found = made(plain, frame, facts)[0]
    assert found.trends[0].over_lots == 0
    assert "hold for the lots sampled" in tables.said(plain, found)
    tied = facts | {"lot": {c: f"A{a:g}" for c, a in facts["age_months"].items()}}
    assert "lots and age cannot be told apart" in tables.said(plain, made(plain, frame, tied)[0])


@pytest.mark.slow
def test_the_demo_with_visits_gives_its_planted_rates_and_times(tmp_path) -> None:
    """Kegs drawn again, upright and lying: rates and times of truth.json lie in the intervals, what is allowed is shorter."""
    truth = json.loads((demo_folder("beacon") / "truth.json").read_text(encoding="utf-8"))
    root = copy_demo("beacon", tmp_path / "beacon")
    early = load_tables(root, with_results=False)
    run_intake(root, early.study, early.samples)
    t = load_tables(root)
    found = ageing(t.study, [fit_analyte(t.study, "Mo", t.containers, t.samples, t.results)])
    rates = tables.rates(found).set_index("group")
    assert len(found.trends) == 2
    for trend in found.trends:
        which = trend.own.label.removeprefix("orientation ")
        assert trend.own.again
        assert (len(trend.own.values), rates.loc[trend.own.label, "containers"]) == (24, 6)
        planted = 100 * math.expm1(truth["log_ratio_a_month"][which])
        assert rates.loc[trend.own.label, "month low"] < planted < rates.loc[trend.own.label, "month high"]
        assert trend.mean.safe[0] < truth["months_to_margin"][which] < trend.mean.latest[0]
        assert trend.spread is not None
        assert trend.spread.outside[0] or trend.spread.safe[0] < trend.mean.safe[0]
    told = tables.answers(t.study, found)
    assert list(told["group"]) == ["orientation lying", "orientation upright"]
    todo = tables.actions(t.study, found, t.containers, NONE_BEYOND)
    assert set(todo["what to do"]) == {"treat"}  # the last visit was at twelve months, beyond both planted times
    door = sk.open(root)
    for table, own in ((door.rates(), tables.rates(found)), (door.times(), tables.times(found))):
        pd.testing.assert_frame_equal(table[table["analyte"] == "Mo"].reset_index(drop=True), own)


def test_times_of_one_sentence_are_in_days_where_all_are_short() -> None:
    day = 12 / 365.2425
    assert tables._spans(5 * day, 30 * day, math.inf) == (["5.00", "30.0", "never"], "days")
    assert tables._spans(5 * day, 9.0, 8.0) == (["0.164", "9.00", "8.00"], "months")


def test_of_very_many_containers_the_first_are_named_and_the_table_in_which_all_stand() -> None:
    """Four hundred codes filled half a screen of page one."""
    row = {"what to do": "treat", "because of": "y", "reason": "why", "judged on": "", "until": ""}
    for many, told in ((60, "C059"), (61, "61 containers, not only C000, C001")):
        rows = [row | {"container": f"C{i:03d}"} for i in range(many)]
        todo = pd.DataFrame([*rows, row | {"container": "Z", "reason": "other"}])
        line = next(x for x in tables.action_words(todo, {}).splitlines() if "why" in x)
        assert told in line
        assert ("C012" in line) == (many == 60)
        assert ("report/06-verdict/time-actions.csv" in line) == (many == 61)
