"""In every lesson right answers pass and at least five typical wrong ones fail, each with a hint of its own.

What a lesson teaches is held against something outside the kit in test_truth.py.
"""

from __future__ import annotations

from types import ModuleType
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from studykit.core.errors import BadInput
from studykit.course import (
    capstone,
    controls,
    findfaults,
    marginfirst,
    ninety,
    onebarrel,
    physicsfirst,
    randomorder,
    sameenough,
    wheremoney,
)
from studykit.study.lock import lock_folder
from studykit.study.seal import LOCK

CHOICE = {"check fluid": 3, "blank": 1, "duplicate": 7}
DESIGNS = {0.5: (4, 3), 2.0: (6, 4), 4.0: (16, 2)}
BOTTLES = randomorder.sorted_bottles()
ROWS = BOTTLES.sample(frac=1, random_state=1)
TURNS = BOTTLES.assign(k=[i % 12 for i in range(36)]).sort_values(["k", "bottle"]).drop(columns="k")
BLOCKS = BOTTLES.assign(k=np.random.default_rng(5).random(36)).sort_values(["vat", "k"]).drop(columns="k")
BLOCKS_SHUFFLED = pd.concat([BLOCKS[BLOCKS["vat"] == v] for v in np.random.default_rng(6).permutation(BLOCKS["vat"].unique())])
THREES = BOTTLES.iloc[[v + 12 * ((z + v) % 3) for v in range(12) for z in range(3)]]  # by turns that turn
WITHIN_DEPTHS = pd.concat([part.sample(frac=1, random_state=1) for _, part in BOTTLES.groupby("depth", sort=False)])

# the worlds of the notebooks' own seeds; what is right in them is counted here, apart from the lessons
ONE, THREE = onebarrel.draw(11, barrels=1, bottles=3), onebarrel.draw(12, barrels=3, bottles=1)
ALARMS, HONEST = (float((stats.ttest_ind(w[:, 0], w[:, 1], axis=1).pvalue < 0.05).mean()) for w in (ONE, THREE))
ENDS = [x.mean() + stats.t.ppf(0.95, 7) * x.std(ddof=1) / 8**0.5 for x in marginfirst.draw(5)]
BELOW = sum(e < 7.5 for e in ENDS) / len(ENDS)
LEFT, PULLED = float(randomorder.many(3, shuffled=True).mean()), float(controls.read(4, blind=False).mean())


@pytest.fixture(autouse=True)
def notebooks_worlds():
    """The worlds last drawn are those of the notebooks, whatever another test, or its list of cases, drew since."""
    onebarrel.draw(11, barrels=1, bottles=3)
    onebarrel.draw(12, barrels=3, bottles=1)
    marginfirst.draw(5)
    randomorder.many(3, shuffled=True)
    controls.read(4, blind=False)
    ninety.draw(6)


# lesson: right answers, then wrong ones, each with a piece of the hint that it must get
ANSWERS: dict[ModuleType, tuple[list[tuple[str, Any]], list[tuple[str, Any, str]]]] = {
    onebarrel: (
        [("alarms", ALARMS), ("alarms", round(ALARMS, 2)), ("units", 1), ("honest", HONEST)],
        [("honest", 100 * HONEST, "per cent"), ("units", True, "One number"), ("alarms", "0.375", "quotation marks"),
         ("alarms", 0.05, "what the test promises"), ("alarms", 1000 * ALARMS, "number of worlds"),
         ("alarms", 100 * ALARMS, "per cent"),
         ("alarms", ALARMS + 0.01, "count them"), ("alarms", 10**400, "finite"), ("honest", 0.05, "Count it in yours"),
         ("alarms", 0.625, "without an alarm"), ("alarms", 0.1875, "both signs"), ("alarms", 0.46, "Count the worlds"),
         ("units", 3, "of how many barrels"), ("units", 6, "chosen at random"), ("units", 2, "two cellars"),
         ("honest", 0.375, "the first way"), ("honest", 0.95, "without an alarm")]),
    sameenough: (
        [("rule", sameenough.right_rule), ("kegs", 8), ("content", 0.95)],
        [*(("rule", rule, hint[:60]) for rule, hint in sameenough.WRONG),
         ("rule", lambda low, high, margin: "homogeneous", "Look again at"),
         ("rule", lambda low, high: "homogeneous", "stops with TypeError"), ("rule", "homogeneous", "Write a function"),
         ("kegs", 7, "still below 0.8"), ("kegs", 9, "first row"), ("kegs", 3, "hardly ever"),
         ("kegs", 6, "normal approx"),
         ("rule", lambda low, high, margin: sameenough.right_rule(low, high, margin).capitalize(), "spelling"),
         ("rule", lambda low, high, margin: print(sameenough.right_rule(low, high, margin)), "`return`"),
         ("rule", lambda low, high, margin: sameenough.right_rule(low, high, 5), "use it"), ("content", 95, "per cent"),
         ("content", 0.05, "objects"), ("content", 0.2195, "other column")]),
    marginfirst: (
        [("seen", 1), ("share", BELOW), ("share", round(BELOW, 2)), ("marked", ["yes", "Yes ", True, "YES"]),
         ("marked", pd.Series(["yes"] * 4))],
        [("seen", 0, "the lock knows"), ("seen", 2, "more than one"), ("share", 0.05, "declared margin"),
         ("share", 0.936, "twice the margin"), ("share", 0.52, "does not help"), ("share", 100 * BELOW, "per cent"),
         ("share", BELOW + 0.012, "count them"),
         ("share", 0.962, "compare upper ends"), ("locked", "nowhere", "folder of the study"),
         ("amended", 3, "folder of the study"), ("marked", ["yes", "yes", "no", "yes"], "question 3"),
         ("marked", ["yes"], "marks are asked"), ("marked", "yes", "marks are asked"),
         ("marked", [1, 1, 1, 1], "marks are asked")]),
    wheremoney: (
        [("designs", DESIGNS), ("designs", DESIGNS | {0.5: [4, 3]}), ("designs", pd.Series(DESIGNS)),
         ("designs", pd.DataFrame(DESIGNS)), ("rest", 2.0)],
        [("rest", 0, "still differ"), ("rest", 2.5, "one determination"), ("rest", 1.414, "root of 2"),
         ("rest", 5.657, "eight were opened"),
         ("rest", 0.7071, "root of eight"), ("designs", DESIGNS | {2.0: (4, 6)}, "containers come first"),
         ("designs", DESIGNS | {4.0: (10, 20)}, "cannot mend"),
         ("designs", DESIGNS | {2.0: (20, 1)}, "more than the cheapest"),
         ("designs", DESIGNS | {0.5: (4, 8)}, "fewer determinations"),
         ("designs", DESIGNS | {0.5: (2, 9)}, "at least three"),
         ("designs", DESIGNS | {4.0: (10**400, 2)}, "nobody has more"),
         ("designs", {0.5: (4, 3)}, "each of the three"), ("designs", DESIGNS | {0.5: (4.2, 3)}, "two whole numbers"),
         ("designs", DESIGNS | {0.5: ("4", "3")}, "two whole numbers"), ("rest", 7, "no error")]),
    randomorder: (
        [("bias", 6 * 24 / 35), ("bias", 4.0), ("order", ROWS), ("order", BLOCKS), ("order", BLOCKS_SHUFFLED),
         ("left", LEFT), ("left", round(LEFT, 2))],
        [("bias", 6, "whole run"), ("bias", 2, "two"), ("bias", 3, "Half"), ("bias", -4.11, "sign"),
        ("bias", 10.29, "mg/kg"),
         ("bias", 0, "what is read differs"), ("order", BOTTLES, "still sorted"),
         ("order", BOTTLES[::-1], "still sorted"),
         ("order", BOTTLES.iloc[[*range(1, 36), 0]], "by a rule"),
         ("order", BOTTLES.iloc[[24, *range(24), *range(25, 36)]], "rule"),
         ("order", BOTTLES.sort_values("vat", kind="stable"), "pattern"),
         ("order", BOTTLES.iloc[[*range(0, 36, 2), *range(1, 36, 2)]], "rule"),
         ("order", BOTTLES.iloc[[v + 12 * z for v in range(12) for z in ((0, 1, 2) if v % 2 else (2, 1, 0))]], "by a rule"),
         ("order", TURNS, "pattern"), ("order", THREES, "within each vat"), ("left", 100 * LEFT, "per cent already"),
         ("order", WITHIN_DEPTHS, "blocks"), ("order", ROWS.head(30), "none left out"),
         ("order", BOTTLES.assign(bottle=list(ROWS["bottle"])), "lost its depth"), ("left", 0.0, "your four hundred"),
         ("left", 4.114, "sorted"),
         ("left", 0.9585, "scatter")]),
    controls: (
        [("catches", controls.FAULTS), ("choice", CHOICE),
         ("catches", {f.upper(): f" {c.title()}" for f, c in controls.FAULTS.items()}), ("catches", pd.Series(controls.FAULTS)),
         ("catches", pd.DataFrame(list(controls.FAULTS.items()))), ("choice", pd.Series(CHOICE)),
         ("choice", CHOICE | {"check fluid": 4}), ("pulled", PULLED),
         ("pulled", round(PULLED, 2))],
        [("catches", controls.FAULTS | {"a run reads high": "blank"}, "what a bottle of it should read"),
         ("catches", controls.FAULTS | {"the scatter is larger than stated": "check fluid"}, "measured twice"),
         ("catches", dict(list(controls.FAULTS.items())[:3]), "each of the "
                                                              "five"),
                                                              ("choice", CHOICE | {"duplicate": 9}, "can be paid"),
         ("choice", CHOICE | {"check fluid": 3.5}, "whole number"), ("choice", CHOICE | {"blank": "1"}, "whole number"),
         ("catches", list(controls.FAULTS.values()), "a run reads high"), ("choice", [3, 1, 7], "check fluid"),
         ("choice", CHOICE | {"blank": 0}, "goes unseen"), ("choice", CHOICE | {"check fluid": 2}, "too seldom"),
         ("choice", CHOICE | {"duplicate": 4}, "too seldom"), ("pulled", 3.385, "over all runs"),
         ("choice", CHOICE | {"blank": float("inf")}, "whole number"),
         ("pulled", 0, "leans"), ("pulled", 1.69, "one side"),
         ("pulled", 3.0, "repeatability"), ("pulled", -3.385, "sign"), ("pulled", 6.77, "Twice")]),
    physicsfirst: (
        [("fall", 123.3), ("fall", 115), ("upper", 0.383), ("lower", 1), ("floor", 0.2056)],
        [("fall", 30.8, "radius"), ("fall", 205.6, "difference of the densities"), ("fall", 0.1233, "metres"),
         ("fall", 1.468, "one day"), ("fall", 493.4, "2/9"), ("fall", 123.3e6, "squared"), ("upper", 0.617, "has left"),
         ("upper", 1 / 3, "One zone of three"), ("upper", 1, "gone from it"), ("upper", 0.794, "whole height"),
         ("upper", 38.3, "per cent"),
         ("lower", 1.617, "hold it"), ("lower", 1.31, "hold it"), ("floor", 1 / 3, "how near"), ("lower", 0, "not empty"),
         ("lower", 0.383, "upper "
                                                                                   "zone"),
                                                                                   ("floor", 0.617, "all matter"),
         ("floor", 0.794, "still floats"), ("floor", 0, "arrived")]),
    findfaults: (
        [("precision", 0.6), ("recall", 3 / 4)],
        [("precision", 0.75, "recall"), ("precision", 0.4, "false alarms"), ("precision", 60, "per cent"),
         ("recall", 0.6, "precision"),
         ("recall", 0.25, "missed"), ("recall", 75, "per cent"), ("found", 5, "list of pairs")]),
    ninety: (
        [("share", 0.92), ("normal", 0.87), ("all", 0.9**20), ("all", 0.12)],
        [("share", 0.1, "misses"), ("share", 184, "number of worlds"), ("share", 92, "per cent"), ("share", 0.9, "promises"),
        ("share", 0.87, "shortcut"), ("share", 0.91, "count them"),
        ("share", 0.5, "Both ends"),
         ("share", 1.0, "miss"), ("normal", 0.991, "√6"), ("normal", 0.161, "misses"), ("normal", 87, "per cent"),
         ("normal", 0.839, "over all worlds"), ("normal", 0.92, "exercise 1"),
         ("normal", 0.744, "80 %"), ("normal", 0.9, "promises"), ("all", 0.9, "one interval"), ("all", 0.878, "at least one"),
         ("all", 18, "on average"),
         ("all", 0.0, "all of them miss"), ("all", 0.3, "multiply")]),
    capstone: (
        [("design", (10, 1)), ("design", [10, 1]), ("design", np.array([10, 1])),
         ("design", pd.Series({"churns": 10, "determinations": 1})), ("design", {"churns": 10, "determinations": 1})],
        [("design", (8, 2), "the same money"), ("design", (10, True), "Two whole"),
         ("design", (float("inf"), 1), "Two whole"),
         ("design", (12, 1), "costs 600"), ("design", (9, 1), "another churn"),
         ("design", (3, 12), "determinations cannot mend"), ("design", (2, 10), "At least three"),
         ("design", 10, "Two whole numbers"), ("design", (7.5, 2), "Two whole"),
         ("fault", ("J01", "upper"), "First buy"), ("found", (1, 2, "stratified"), "First buy")]),
}
RIGHT = [(m, name, answer) for m, (good, _) in ANSWERS.items() for name, answer in good]
WRONG = [(m, name, answer, hint) for m, (_, bad) in ANSWERS.items() for name, answer, hint in bad]


def _name(value: object) -> str:
    return value.__name__.rpartition(".")[2] if isinstance(value, ModuleType) else ""


@pytest.mark.parametrize(("lesson", "name", "answer"), RIGHT, ids=_name)
def test_a_right_answer_passes(lesson, name, answer):
    reply = lesson.check(name, answer)
    assert reply.right, reply.text


@pytest.mark.few(30)
@pytest.mark.parametrize(("lesson", "name", "answer", "hint"), WRONG, ids=_name)
def test_a_typical_wrong_answer_fails_with_its_hint(lesson, name, answer, hint):
    reply = lesson.check(name, answer)
    assert not reply.right
    assert hint in reply.text


@pytest.mark.parametrize("lesson", ANSWERS, ids=_name)
def test_every_exercise_has_both_and_every_lesson_five_wrong_ones(lesson):
    good, bad = ANSWERS[lesson]
    by_hand = {"locked", "amended", "found", "fault"}  # need a folder: their tests stand below
    assert {n for n, *_ in good} | by_hand >= set(lesson.CHECKS)
    assert {n for n, *_ in bad} >= set(lesson.CHECKS) - by_hand
    assert len(bad) >= 5
    assert len({hint for *_, hint in bad}) >= 5


@pytest.mark.parametrize("lesson", ANSWERS, ids=_name)
@pytest.mark.parametrize("answer", [..., None])
def test_an_exercise_that_was_not_begun_is_told_how(lesson, answer):
    for name in lesson.CHECKS:
        assert "three dots" in lesson.check(name, answer).text


@pytest.mark.parametrize("lesson", ANSWERS, ids=_name)
@pytest.mark.parametrize("answer", ["abc", float("nan"), [1, 2], {}, object()])
def test_nonsense_is_an_answer_too(lesson, answer):
    for name in lesson.CHECKS:
        reply = lesson.check(name, answer)
        assert not reply.right
        assert len(reply.text) > 10


def test_a_check_that_there_is_not_is_an_error_of_the_notebook():
    with pytest.raises(ValueError, match="name must be one of"):
        onebarrel.check("nothing", 1)


def test_lock_peek_amend(tmp_path):
    lesson, root = marginfirst, marginfirst.new_study()
    assert "no lock" in lesson.check("locked", root).text
    lesson.lock(root)
    assert lesson.check("locked", root).right
    assert lesson.results_arrive(root) == 1
    lesson.widen(root, "P", 7.5)
    assert lesson.margins(root).set_index("analyte").loc["P", "margin"] == "7.5"
    assert list(lesson.changes(root)["where"]) == ["analytes.P.margin.relative_percent"]
    assert "No amendment" in lesson.check("amended", root).text
    assert lesson.lock(root, "why").startswith("Refused")
    sealed = (root / LOCK).read_bytes()
    lesson.lock(root, "otherwise the word is inconclusive")
    assert "speaks of what came out" in lesson.check("amended", root).text
    assert (root / LOCK).read_bytes() == sealed
    lock_folder(root, "otherwise the word is inconclusive")  # by the command, which reads no words
    assert "It was recorded all the same" in lesson.check("amended", root).text
    lesson.widen(root, "P", 8)  # the way out that is told, in the same study
    lesson.lock(root, "the pump maker's new sheet allows more of the additive")
    assert lesson.check("amended", root).right
    late = lesson.new_study()
    for early in (lesson.results_arrive, lesson.changes):  # it had said that nothing was changed
        with pytest.raises(BadInput, match="there is no lock yet"):
            early(late)
    lesson.results_arrive(late, unlocked=True)
    lesson.lock(late)
    assert "there already" in lesson.check("locked", late).text
    path = root / "plan/plan.lock"
    path.write_text(path.read_text().replace("7.5", "7.6"))
    assert "edited by hand" in lesson.check("locked", root).text


def test_a_good_reason_is_taken_and_told_to_be_late():
    lesson, root = marginfirst, marginfirst.new_study()
    lesson.lock(root)
    lesson.results_arrive(root)
    lesson.widen(root, "P", 7.5)
    lesson.lock(root, "the pump maker's new sheet allows more of the additive")
    reply = lesson.check("amended", root)
    assert reply.right
    assert "results were there already" in reply.text
    assert "A program cannot read a reason" in reply.text
    assert repr(reply).startswith("Recorded, not judged. ")


@pytest.mark.few(4)
@pytest.mark.parametrize(("why", "said"), [
    ("to get the wanted verdict, of course", "came out"), ("P did not pass at 5 %, so 7.5 % is more realistic", "came out"),
    ("the interval ended at 6.9 %", "came out"), ("asdf asdf asdf asdf", "hardly words enough"),
    ("results look fine at 7.5", "came out"), ("", "give its reason"), ("the data sheet", "hardly words enough"),
    ("the laboratory measured 6.8 % at the bottom, so 5 % cannot be kept", "came out"),
    ("TODO write the reason here", "too little"),
    ("The standard deviation is larger than thought", "came out"), ("the boss says", "hardly words enough"),
    ("The data showed 6 %, the contract allows 7.5 %", "came out"), ("contract contract contract", "hardly words enough"),
    ("A standard, a data sheet, a contract, a wear test, with what it says.", "own words"),
    ("in the standard it is 5 %, but phosphorus did not pass", "came out"),
    ("the standard's result table for this pump allows 7.5 %", ""), ("the new standard passes fluids up to 7.5 %", ""),
    ("Pin-on-disc runs with 8 % less additive showed the same wear as fresh fluid.", ""),
    ("Field experience of ten years: cranes with 90 % of the additive wore no faster.", ""),
    ("The insurer's engineer told us in writing on 2 February that 7.5 % is harmless to the winch.", ""),
    ("Laut Datenblatt des Herstellers sind 7,5 % zulässig.", ""), ("the maker's data sheet of May allows 7.5 %", ""),
    ("The wear test of the standard was lovely weather today", "")])  # bad, and only a person can tell
def test_only_what_is_plainly_no_reason_is_refused_and_nothing_of_it_is_recorded(why, said):
    lesson, root = marginfirst, marginfirst.new_study()
    lesson.lock(root)
    lesson.widen(root, "P", 7.5)
    before = (root / LOCK).read_bytes()
    lesson.lock(root, why)
    reply = lesson.check("amended", root)
    assert reply.right is (not said)
    assert (said or "mark it yourself") in reply.text
    assert ((root / LOCK).read_bytes() == before) is bool(said)
    assert lesson.lock(root, 5).startswith("Refused: a reason is a sentence")


def test_shares_of_the_shortcut_are_counted_in_the_worlds_that_were_drawn():
    worlds = ninety.draw(6)
    half = 1.645 * worlds["sd"] / 6 ** 0.5
    assert ninety.check("normal", ((worlds["mean"] - 3).abs() <= half).mean()).right
    assert "over all worlds" in ninety.check("normal", 0.8392).text  # who works it out
    assert "promises" in ninety.check("normal", 0.9).text
    rows = ninety.intervals(worlds)
    assert "exercise 1" in ninety.check("normal", ((rows["low"] <= 3) & (rows["high"] >= 3)).mean()).text
    no_root = ((worlds["mean"] - 3).abs() <= 1.645 * worlds["sd"]).mean()
    assert "√6" in ninety.check("normal", no_root).text


@pytest.mark.slow
def test_no_random_order_is_sent_back():
    assert all(randomorder.check("order", BOTTLES.sample(frac=1, random_state=s)).right for s in range(300))


def test_own_faults_are_found_missed_and_invented(monkeypatch):
    lesson = findfaults
    monkeypatch.setitem(lesson._own, "me", "")
    assert "make your own data" in lesson.check("found", [("R1", "run off")]).text
    data = lesson.own_data("robin")
    faults = [(f.places[0], f.kind) for f in lesson._planted("robin")]
    assert lesson.check("found", faults).right
    assert lesson.check("found", faults[1:]).right  # three of four
    assert "name 3 places or more" in lesson.check("found", faults[:2]).text
    assert "still hidden" in lesson.check("found", [*faults[:2], ("K02", "wrong product")]).text
    everywhere = [(k, "wrong product") for k in sorted(set(data["keg"]) - {""})]
    assert "false alarms" in lesson.check("found", [*faults, *everywhere]).text
    assert "Nothing was named" in lesson.check("found", []).text
    assert "is no bottle" in lesson.check("found", [("K99", "lost bottle")]).text
    assert "none of the kinds" in lesson.check("found", [("K01", "bad luck")]).text
    assert "twice" in lesson.check("found", [faults[0], faults[0]]).text
    assert lesson.missing(data) == ["K01-lower"]
    kinds = [k for _, k in faults]
    turned = [(place, kinds[i - 1]) for i, (place, _) in enumerate(faults)]
    assert "the place is right and the kind is not" in lesson.check("found", turned).text
    assert not lesson.check("found", turned).right


def test_a_list_is_read_from_tables_too_and_trying_until_the_number_rises_is_not_answered_for_ever(monkeypatch):
    lesson = findfaults
    monkeypatch.setattr(lesson, "_asked", {})
    data = lesson.own_data("kim")
    faults = [(f.places[0], f.kind) for f in lesson._planted("kim")]
    for form in (dict(faults), pd.Series(dict(faults)), pd.DataFrame(faults),
                 [(p.lower(), f" {k.upper()}") for p, k in faults]):
        assert lesson.check("found", form).right  # one list, however it is written
    bottles = sorted(set(data["bottle"]))
    told = [lesson.check("found", [(b, "slipped digit") for b in bottles[k:k + 3]]).text for k in range(12)]
    assert [t.startswith("Precision") for t in told] == [True] * 9 + [False] * 3
    assert "looks at the checker" in told[-1]
    assert lesson.check("found", faults).right
    with pytest.raises(BadInput, match="is no text"):
        lesson.own_data(5)


def test_every_name_has_data_of_its_own():
    tables = {findfaults.own_data(me).to_csv() for me in ("robin", "kim", "alex")}
    assert len(tables) == 3
    assert findfaults.own_data("Robin ").equals(findfaults.own_data("robin"))


@pytest.fixture
def bought(monkeypatch):
    """A study of one name, bought anew: churns, slip, differences without it."""
    monkeypatch.setattr(capstone, "_bought", {})
    data = capstone.buy("robin", (10, 1))
    slip = capstone._slip("robin", 10)
    return data, slip, capstone.differences(data, slip[0])["difference, %"]


def test_the_slip_is_found_where_it_is(bought):
    data, (churn, zone), _ = bought
    worst = data.loc[data["dry matter, g/kg"].idxmin()]
    assert (worst["churn"], worst["zone"]) == (churn, zone)
    for form in ((churn, zone), [churn.lower(), f" {zone.title()}"], pd.Series([churn, zone]), worst[["churn", "zone"]],
                 {"churn": churn, "zone": zone}):
        assert capstone.check("fault", form).right
        assert capstone.differences(data, form).equals(capstone.differences(data, churn))
    other = "upper" if zone == "lower" else "lower"
    beside = "J01" if churn != "J01" else "J02"
    for answer, hint in [((churn, other), "right churn"), ((beside, zone), "among the others"),
    (("J11", zone), "none of your"),
                         (churn, "A churn and a zone"), ((churn, "middle"), "none of your")]:
        reply = capstone.check("fault", answer)
        assert not reply.right
        assert hint in reply.text


def test_the_interval_and_the_word_follow_from_what_was_bought(bought):
    data, _, kept = bought
    low, high = capstone.interval(kept)
    word = capstone.word_of(low, high)
    wrong_word = "homogeneous" if word == "stratified" else "stratified"
    assert capstone.check("found", (low, high, word)).right
    assert capstone.check("found", (round(low, 1), round(high, 1), word)).right  # as the exercise says
    assert not capstone.check("found", (low + 0.08, high, word)).right
    for form in (pd.Series([low, high, f" {word.title()}"]), {"low": low, "high": high, "word": word}):
        assert capstone.check("found", form).right
    every = capstone.interval(capstone.differences(data)["difference, %"])
    z = 1.645 * kept.std() / len(kept) ** 0.5
    half = (high - low) / 2 * len(kept) ** 0.5
    for answer, hint in [((*every, word), "still in"), ((*capstone.interval(kept, 0.95), word), "95 %"),
                         ((kept.mean() - z, kept.mean() + z, word), "1.645"), ((-high, -low, word), "sign"),
                         ((kept.mean() - half, kept.mean() + half, word), "narrower"),
                         ((low, high, wrong_word), "does not follow"), ((low, high, "fine"), "The word is"),
                         ((float("nan"), float("nan"), word), "finite numbers"),
                         ((low,), "Three things"), ((90, 100, word), "Leave the churn")]:
        reply = capstone.check("found", answer)
        assert not reply.right
        assert hint in reply.text


def test_nothing_is_sold_beyond_the_budget_or_without_a_name():
    with pytest.raises(BadInput, match="costs 600"):
        capstone.buy("robin", (12, 1))
    with pytest.raises(BadInput, match="empty"):
        capstone.buy(" ", (8, 2))
    with pytest.raises(BadInput, match="is no text"):
        capstone.buy(7, (8, 2))
    with pytest.raises(BadInput, match="nothing was bought"):
        capstone.reveal("nobody", ("J01", "upper"), (0, 1, "homogeneous"))


def test_the_reveal_tells_truth_and_score(bought):
    _data, slip, kept = bought
    span = capstone.interval(kept)
    told = capstone.reveal("robin", slip, (*span, capstone.word_of(*span))).set_index("asked")["answer"]
    assert told["money spent, of 500"] == "500"
    assert told["the slip of the pen"].endswith("found")
    word = capstone.word_of(*span)
    for fault, found, names in [(("J01", "x"), (*span, word), {"fault"}), (slip, (0, 0, "homogeneous"), {"found"}),
                                (..., ..., {"fault", "found"})]:
        with pytest.raises(BadInput) as said:  # a truth told to whoever has not worked it out teaches nothing
            capstone.reveal("robin", fault, found)
        assert {f.file for f in said.value.faults} == {f"exercise {n}" for n in names}
    capstone.buy("robin", (8, 1))
    with pytest.raises(BadInput, match="exercise design"):
        capstone.reveal("robin", slip, (*span, word))
    capstone.buy("robin", (10, 1))
    assert len(capstone.class_picture("robin").axes[0].get_yticklabels()) == 12
