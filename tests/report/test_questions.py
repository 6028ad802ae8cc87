"""Page one of one container says how much more scatter than was stated its words would bear."""

from __future__ import annotations

import re
from dataclasses import replace
from types import SimpleNamespace

import pandas as pd
import pytest

from studykit.commands.check import alpha_notes
from studykit.report import findings, firstpage, history, leftout, litres, questions, sure
from studykit.study.actions import Action, barred_note
from studykit.study.changes import Change, counted
from studykit.study.definition import parse_study
from studykit.study.lock import LockStatus
from studykit.verdict.rule import NO_RESULT
from studykit.verdict.uses import BEYOND, SINGLE, UNDECIDED, UNSEEN
from tests.studies import definition


def test_page_one_of_one_container_tells_how_far_its_words_hold_and_which_drawing_may_undo(filed):
    page = (filed / "report/report.html").read_text(encoding="utf-8")
    told = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page))
    found = re.search(r"is at most so many times as large: ([^.]+(?:\.\d[^.]*)*)\.", told)
    assert found
    factors = {name: float(x) for name, x in re.findall(r"([^,]+?) ([\d.]+)(?:, |$)", found.group(1))}
    table = pd.read_csv(filed / "report/06-verdict/known-precision.csv").set_index("analyte")
    assert len(factors) == table["verdict"].ne("inconclusive").sum()
    for key, name in (("KV40", "viscosity at 40 °C"), ("Ca", "calcium")):  # homogeneous: the interval just fills the margin
        row = table.loc[key]
        half = (row["high"] - row["low"]) / 2
        assert factors[name] == pytest.approx((row["margin"] - abs(row["difference"])) / half, rel=0.03)
    weak = re.search(r"Drawing alone can undo the verdict of ([^:]+):", told)
    assert weak
    assert weak.group(1) == ", ".join(n for n, f in factors.items() if f < 1.5)


@pytest.mark.parametrize(("means", "told"), [(("homogeneous", "homogeneous"), True), (("homogeneous", "inconclusive"), False)])
def test_an_uneven_stock_is_within_on_average_only_where_every_mean_is(monkeypatch, means, told):
    table = pd.DataFrame({"analyte": ["a", "b"], "name": ["a", "b"], "verdict": means})
    monkeypatch.setattr(questions, "_verdicts", lambda _: table)
    monkeypatch.setattr(questions, "recorded", lambda *_: {"verdict": "uneven"})
    monkeypatch.setattr(questions, "_of_few", lambda _: [])
    monkeypatch.setattr(questions, "optional", lambda *_: pd.DataFrame())
    (said,) = questions.right(SimpleNamespace(study=SimpleNamespace(analytes={}, decides=bool)))
    assert ("on average it is within the margins" in said) is told
    assert said.endswith("single containers or groups are shown to lie beyond.")


@pytest.mark.parametrize(("side", "said"), [({}, "No: phosphorus differs between depths by more than the margin."),
                                            ({"side": "below"}, "No: phosphorus lies at some depth beyond the margin.")])
def test_a_stratified_stock_is_said_as_its_margin_is_meant(monkeypatch, side, said):
    data = definition()
    data["analytes"]["P"]["margin"] = {"relative_percent": 5, **side}
    table = pd.DataFrame({"analyte": ["P", "W"], "name": ["phosphorus", "water"], "verdict": ["stratified", "homogeneous"]})
    monkeypatch.setattr(questions, "_verdicts", lambda _: table)
    monkeypatch.setattr(questions, "recorded", lambda *_: {"verdict": "stratified"})
    monkeypatch.setattr(questions, "_of_few", lambda _: [])
    for module in (questions, sure):
        monkeypatch.setattr(module, "optional", lambda *_: pd.DataFrame())
    assert questions.right(SimpleNamespace(study=parse_study(data))) == [said]


@pytest.mark.parametrize(("p", "told"), [
    ((0.01, 0.2), "“stratified” still holds for phosphorus, but not for water: among so many analytes chance alone can do "
     "that once."),
    ((0.01, ""), "“stratified” still holds for phosphorus and water."),  # one that rests on limits has no p-value and is firm
    ((0.2, 0.2), "“stratified” no longer holds for phosphorus and water: among so many analytes chance alone can do that "
     "once."),
])
def test_page_one_says_which_words_stand_with_all_analytes_taken_into_account(monkeypatch, p, told):
    data = definition()
    data["analytes"] = {k: data["analytes"]["P"] | {"label": name} for k, name in (("P", "phosphorus"), ("W", "water"))}
    table = pd.DataFrame({"analyte": ["P", "W"], "verdict": "stratified", "p beyond, Holm": p})
    monkeypatch.setattr(sure, "optional", lambda *_: table)
    stage = SimpleNamespace(study=parse_study(data))
    assert sure._all_taken_into_account(stage) == [f"With both analytes taken into account (Holm's method) {told}"]
    monkeypatch.setattr(sure, "optional", lambda *_: table.assign(verdict="inconclusive"))
    assert sure._all_taken_into_account(stage) == [sure.HELD_TOGETHER.format(every="both")]
    stage.study.analytes.pop("W")  # one analyte has nothing to be taken together with
    assert sure._all_taken_into_account(stage) == []


def test_page_one_tells_a_stated_repeatability_beside_the_published_one():
    data = definition()
    data["analytes"]["P"] |= {"label": "phosphorus", "method_key": "ASTM D5185-18",
                              "repeatability": {"r_percent": 0.01, "source": "ASTM D5185-18"}}
    stage, recorded = SimpleNamespace(study=parse_study(data)), {"r_stated.P": "0.010 %", "r_published.P": "10 %"}
    assert sure._not_published(stage, recorded) == ["Repeatability r is the study's own: phosphorus 0.010 % in place of "
                                                    "10 % published."]
    assert sure._not_published(stage, {"r_stated.P": "10 %", "r_published.P": "10 %"}) == []
    assert sure._not_published(stage, {}) == []


DRAWN = "container F01, lower: was drawn but has no result at all: a lost bottle? Nothing is filled in for it."


@pytest.mark.parametrize(("flags", "told"), [
    ([("missing results", "ask before trusting", DRAWN)] * 10, ", 10 of them in the laboratory's own records"),
    ([("wear metals", "ask before trusting", "Cu 1.97 (limit 1.2)")] * 28, ", none of them in the laboratory's own records"),
    ([("missing results", "ask before trusting", "container F01, lower: was planned and not drawn"),
      ("drift", "stop and find out", ""), ("drift", "hint only", "")], ", 1 of them in the laboratory's own records"),
    ([("missing results", "ask before trusting", DRAWN)], ", in the laboratory's own records"),
    ([("wear metals", "ask before trusting", "Cu 1.97 (limit 1.2)")], ", not in the laboratory's own records"),
    ([], "")])
def test_page_one_counts_as_the_laboratorys_what_the_letter_asks(monkeypatch, flags, told):
    table = pd.DataFrame(flags, columns=["rule", "concern", "evidence"]).assign(where="", samples="")
    monkeypatch.setattr(sure, "optional", lambda *_: table)
    assert sure._for_the_laboratory(None) == told


@pytest.mark.parametrize("word", ["homogeneous", "stratified", "uneven", "inconclusive"])
@pytest.mark.parametrize(("do", "quoted"), [("All even. Pump it as it stands.", True),
                                            ("Use as it stands.", False)])
def test_an_action_in_the_studys_own_words_stands_in_quotation_marks(monkeypatch, do, quoted, word):
    """A sender may write a counter-verdict there: page one must not read as if the kit said it, nor as permission."""
    monkeypatch.setattr(questions, "recorded", lambda *_: {"verdict": word})
    data = definition()
    data["actions"] = {"stratified": {"do": do, "asks_for": "nothing"}}
    stage = SimpleNamespace(study=parse_study(data))
    note = " (To be mixed by instruction 3.)"
    clears = "" if word == "homogeneous" else ", no clearance"
    said = (f"In the author's words{clears}: “{do}”" if quoted else do) + note
    assert questions._in_whose_words(stage, do + note) == said
    for first in (UNSEEN, barred_note(stage.study.safety), f"{UNSEEN} {barred_note(stage.study.safety)}"):
        assert questions._in_whose_words(stage, f"{first} {do}{note}".strip()) == f"{first} {said}".strip()
    data["actions"] = {"stratified": {"do": "Stir first.", "asks_for": "mixing"}}  # lets nothing be used unmixed
    assert questions._in_whose_words(SimpleNamespace(study=parse_study(data)), "Stir first.") == (
        "In the author's words: “Stir first.”")


def _bare(data: dict) -> SimpleNamespace:
    """A study of two bottles without a day; one has a result."""
    return SimpleNamespace(root=None, study=parse_study(data), results=pd.DataFrame({"sample": ["A1"]}),
                           samples=pd.DataFrame({"sample": ["A1", "A2"], "container": "D1"}),
                           containers=pd.DataFrame({"container": ["D1"]}))


@pytest.mark.parametrize(("alpha", "told"), [(0.05, False), (0.1, True)])
def test_page_one_tells_what_an_alpha_above_five_per_cent_is_worth(monkeypatch, alpha, told):
    """By hand of ``inference.unlike``: 12.9 % with 24 containers at 0.1."""
    held = {"containers_stored": "24", "depths": "3", "samples_planned": "72", "rows_in": "72", "rows_taken": "72",
            "flags_stop": "0", "flags_ask": "0"}
    monkeypatch.setattr(sure, "recorded", lambda *_: held)
    monkeypatch.setattr(sure, "optional", lambda *_: pd.DataFrame())
    monkeypatch.setattr(sure, "lock_status", lambda *_: SimpleNamespace(first_page=True))
    text = " ".join(sure.sure(_bare(definition(alpha=alpha))))
    worst = "Where few of 24 containers scatter far more than the others, up to 12.9 % may err so"
    assert (worst in text) is told
    notes = alpha_notes(parse_study(definition(alpha=alpha)), pd.DataFrame({"treatment": ["stored"] * 24}))
    assert notes == ((f"alpha = 0.1: w{worst[1:]}: above alpha = 0.05 the t test does not keep its level against that.",)
                     if told else ())


@pytest.mark.parametrize(("sentences", "told"), [
    (["Hut: iron decides; 3 months; not shown; see below.", "Pit: zinc decides; 4 months; not shown; see below.", "No tin."],
     "Hut: iron decides; 3 months. Pit: zinc decides; 4 months. For both: not shown; see below. No tin."),
    (["A: x; 3; z.", "B: x; 4; z.", "C: x; 5; z."], "A: x; 3. B: x; 4. C: x; 5. For all 3: z."),
    (["A: x; 3; z.", "B: x; 4; y."], "A: x; 3; z. B: x; 4; y."),
    (["A: x; z.", "B; z.", "C: x."], "A: x. B. For both: z. C: x."),
    (["A: x.", "A: x."], "A: x. A: x."), (["A: x; y."], "A: x; y."), ([], ""),
])
def test_what_several_answers_about_time_end_on_is_said_once(sentences, told):
    assert " ".join(questions.ends_once(sentences)) == told
    assert all(t.count(". ") == 0 for t in questions.ends_once(sentences))  # each a line of page one


def test_each_use_that_speaks_against_is_a_sentence_of_its_own(monkeypatch):
    uses = pd.DataFrame([(use, "silicon", BEYOND, "") for use in ("first litres", "last litres", "floor")],
                        columns=["use", "name", "word", "why"])
    monkeypatch.setattr(questions, "_uses", lambda _: uses)
    monkeypatch.setattr(questions, "_verdicts", lambda _: pd.DataFrame({"name": ["silicon", "tin"]}))
    monkeypatch.setattr(questions, "_named_beyond", lambda _: set())
    litres = {f"litres.{part}.{end}": f"{n} L" for part, n in (("first", 7), ("last", 6), ("whole", 20))
              for end in ("least", "most")}
    monkeypatch.setattr(questions, "recorded", lambda *_: litres)
    lines = questions._poured(None)
    assert lines[0] == "First litres poured unmixed, last litres and floor: beyond the margin for silicon."  # alike: once
    uses.loc[1, "word"], uses.loc[2, "name"] = UNDECIDED, "iron"
    assert questions._poured(None) == [
        "First litres poured unmixed: beyond the margin for silicon.", "Last litres: not known for silicon.",
        "Floor: beyond the margin for iron.", "The first litres are 7 L, the last ones 6 L, of 20 L in a container: what "
        "the uppermost and the lowest zone stand for. Not judged by litres: iron."]


@pytest.mark.parametrize(("acts", "rests"), [("- Leave A1: sample again from 2026-12-30.", True),
                                            ("- Treat before use: A1, 230.", False)])
def test_days_that_may_be_too_late_are_spoken_of_only_where_some_stand(acts: str, rests: bool) -> None:
    assert bool(questions.DAY.search(acts)) == rests


ACTS = pd.DataFrame({
    "container": ["Hall 1, shelf a", "Hall 1, shelf b", "Hall 2, shelf a"], "judged on": "2026-01-12", "until": "",
    "what to do": ["treat", "treat or sample again", "treat or sample again"], "because of": ["a", "b", "b"],
    "reason": ["shown to lie beyond itself", "share not shown", "share not shown"]})


@pytest.mark.parametrize(("declared", "action", "verb"), [
    ({"do": "Roll it.", "asks_for": ["mixing"]}, "Roll it. (To be mixed.)", "Treat"),
    ({"do": "Wait.", "asks_for": ["nothing"]}, "Wait.", "Set aside"),
    ({"do": "Roll it.", "asks_for": ["mixing"]}, "The declared action is withheld: so it is.", "Set aside")])
def test_every_container_stands_in_one_list_with_one_verb(monkeypatch, declared, action, verb):
    """Also the one without a result; one shown within is told as such, and why it is named all the same."""
    held = {"time-actions": ACTS, "containers-within": pd.DataFrame(
        {"container": ["Hall 1, shelf a", "Hall 1, shelf b", "Hall 2, shelf a"], "within": ["no", "yes", "no"]})}
    monkeypatch.setattr(questions, "optional", lambda _s, _t, name: held.get(name, pd.DataFrame()))
    monkeypatch.setattr(questions, "recorded", lambda *_: {"action": action})
    monkeypatch.setattr(questions, "without_result", lambda _: ["Hall 3, shelf c"])
    told = Action.model_validate(declared)
    study = SimpleNamespace(labels={"b": "count, fine"}, scope="stock", actions={"uneven": told},
                            safety=parse_study(definition()).safety)
    assert questions._acts(SimpleNamespace(study=study)) == [
        f"{verb} before use: Hall 1, shelf a, shown to lie beyond a margin itself.",
        f"{verb}, or sample again before use: Hall 2, shelf a, because of count, fine: share not shown.",
        f"{verb}, or sample again before use: Hall 1, shelf b, because of count, fine: share not shown, though their own zones "
        "are shown within every margin: how long they may stand is judged by the group.",
        f"{verb}, or sample again before use: Hall 3, shelf c, because nothing is known of it: no result."]


def test_a_word_that_hangs_on_many_containers_is_not_put_down_to_one(monkeypatch):
    monkeypatch.setattr(firstpage, "optional", lambda *_: pd.DataFrame())
    stored = pd.DataFrame({"container": ["C1, a", "C2, b", "C3, c"], "treatment": "stored"})
    stage = SimpleNamespace(containers=stored, study=SimpleNamespace(label_of=lambda a: a.upper()))
    row = {"analyte": "p", "verdict": "homogeneous", "other verdicts": "inconclusive"}
    one, many, none = (pd.DataFrame([row | {"without": w}]) for w in ("C2, b", "C1, a; C3, c", "\u2013"))
    assert firstpage.rests_on(stage, one) == [
        "On average P is homogeneous; that rests on one container: without C2, b it is inconclusive."]
    assert firstpage.rests_on(stage, many) == [
        "On average P is homogeneous, but only just: leaving out any one of 2 containers makes it inconclusive."]
    assert firstpage.rests_on(stage, none.assign(**{"other verdicts": "none"})) == [
        "No analyte's word on average changes, whichever single container is left out."]
    large = pd.concat([none.assign(tried="20 of 400"), none.assign(analyte="q", tried="all")])
    assert firstpage.rests_on(stage, large.assign(**{"other verdicts": "none"})) == [
        "No analyte's word on average changes, whichever single container is left out, of those tried: of P the 20 of 400 "
        "containers that lie furthest out, of the others all."]


@pytest.mark.parametrize(("containers", "pair", "groups", "told"), [
    (("D04",), "upper - lower", (), ["Molybdate is uneven by one container alone: D04."]),
    (("D04", "D05"), "upper - lower", (), []), (("D04",), "floor - zones", (), []),
    (("D04",), "upper - lower", [("molybdate", ["yard"])], [])])
def test_a_word_that_one_container_alone_makes_uneven_is_put_down_to_it(monkeypatch, containers, pair, groups, told):
    """The mean stays within whichever is left out, and page one had said that no verdict changes."""
    word = {"analyte": "Mo", "name": "molybdate", "verdict": "homogeneous", "stock": "uneven"}
    held = {"verdicts": pd.DataFrame([word]),
            "containers-beyond": pd.DataFrame({"container": containers, "name": "molybdate", "pair": pair})}
    monkeypatch.setattr(firstpage, "optional", lambda _s, _t, name: held[name])
    monkeypatch.setattr(firstpage, "beyond_groups", lambda _: groups)
    none = pd.DataFrame([{"analyte": "Mo", "verdict": "homogeneous", "other verdicts": "none", "without": "\u2013"}])
    stage = SimpleNamespace(containers=pd.DataFrame({"container": containers, "treatment": "stored"}))
    assert firstpage.rests_on(stage, none) == (told or [
        "No analyte's word on average changes, whichever single container is left out."])


def test_the_design_chapter_speaks_only_of_analytes_whose_chance_is_known(monkeypatch):
    """Of one container PQ was told as 100 %, "every other analyte at least as often", beside one that stood at 46 %."""
    column = "homogeneous if nothing settled"
    known = pd.DataFrame({"analyte": ["Water", "PQ", "KV"], column: [100.0, 99.9, float("nan")]})
    monkeypatch.setattr(findings, "optional", lambda *_: known)
    labels = {"Water": "water", "PQ": "PQ", "KV": "viscosity", "Si": "silicon"}
    study = SimpleNamespace(analytes=labels, label_of=labels.get)
    assert findings._design(SimpleNamespace(study=study), {}) == (
        "Had nothing settled, PQ would be called homogeneous in 100 % of such studies, water at least as often. Of viscosity, "
        "silicon too little was known beforehand to tell a chance.")
    study.analytes = {"Water": "water", "PQ": "PQ"}
    assert findings._design(SimpleNamespace(study=study), {}).endswith("studies, every other analyte at least as often.")


def test_a_study_without_a_word_says_first_that_a_floor_lies_beyond_and_why_the_rest_is_not_assessed(monkeypatch):
    """A reader's study: zones all "<20" against 50 mg/kg, 600 mg/kg on the floor of three drums; "nothing beyond" was told."""
    study = parse_study(definition())
    table = pd.DataFrame({"analyte": ["P"], "name": ["phosphorus"], "verdict": ["not assessed"], "stock": ["not assessed"]})
    use = pd.DataFrame({"analyte": ["P"], "use": ["floor"], "word": [SINGLE], "why": ["D1 and D2"], "name": ["phosphorus"]})
    monkeypatch.setattr(questions, "_verdicts", lambda _: table)
    monkeypatch.setattr(questions, "recorded", lambda *_: {"verdict": "inconclusive"})
    monkeypatch.setattr(questions, "_of_few", lambda _: [])
    monkeypatch.setattr(questions, "optional", lambda *_: pd.DataFrame())
    monkeypatch.setattr(questions, "_uses", lambda _: use)
    (said,) = questions.right(SimpleNamespace(study=study))
    monkeypatch.setattr(questions, "_named_beyond", lambda _: set())
    monkeypatch.setattr(litres, "besides", lambda *_: "")
    own = SimpleNamespace(study=study)
    assert questions._poured(own) == []  # told here and container by container, not once more
    assert said.startswith("No: on the floor liquid is shown to lie beyond the margin of phosphorus. Of the zones it cannot")
    monkeypatch.setattr(questions, "_uses", lambda _: use.assign(word=UNDECIDED))
    assert questions._poured(own) == ["Floor: not known for phosphorus."]
    iron = pd.DataFrame({"analyte": ["Fe"], "use": ["floor"], "word": [SINGLE], "why": ["D1 and D2"], "name": ["iron"]})
    monkeypatch.setattr(questions, "_uses", lambda _: pd.concat([use.assign(word=UNDECIDED), iron], ignore_index=True))
    assert questions._poured(own) == [
        "Floor: beyond the margin for iron (see which containers); not known for phosphorus."]
    monkeypatch.setattr(questions, "_uses", lambda _: use.assign(word=UNDECIDED))
    assert questions.right(SimpleNamespace(study=study))[0].startswith("It cannot be said yet")
    why = pd.DataFrame({"analyte": ["P"], "verdict": ["not assessed"],
                        "reasons": ["34 of 37 results are known only as a limit."]})
    (limits,) = leftout.only_limits(why, study)
    assert limits.startswith("Of ")
    assert "more than half of the results are known only as limits" in limits
    assert not leftout.only_limits(why.assign(reasons="One depth."), study)


STATUS = LockStatus(state="locked", locked_on="2025-10-06", seal="", changes=(), sentence="The plan was locked; 3 changes.",
                    containers="Containers: 7 planned, 2 added.", told=("The margin of P was changed.",),
                    counted="2 containers added, 1 margin changed")
BEFORE = pd.DataFrame([("P", "±5 %", "homogeneous", "±3 %", "inconclusive"),
                       ("Ca", "±9 %", "homogeneous", "±8 %", "homogeneous")],
                      columns=["name", "margin before", "word before", "margin", "word"])


def test_a_short_story_of_the_plan_stands_in_full_above_and_nowhere_else():
    told = (replace(STATUS, containers=""), BEFORE[:0], ["Excluded by AB: one bottle."])
    (above,) = history.above(*told)
    assert above.count("\n- ") == 3
    assert "Excluded by AB: one bottle." in above
    assert history.in_full(*told) == ""
    assert history.above(replace(STATUS, containers="", told=()), BEFORE[:0], ["because " * 60]) != [above]
    assert "1 exclusion." in history.above(replace(STATUS, containers="", told=()), BEFORE[:0], ["because " * 60])[0]


def test_of_a_long_story_page_one_has_the_counts_and_the_verdicts_that_a_margin_changed():
    """Fifteen sentences about the plan had pushed "Is it all right?" to the second screen."""
    told = (STATUS, BEFORE, ["Excluded by AB: P01.", "Excluded by AB: P02. Taken back on 2025-11-02 by AB, because: no."])
    (above,) = history.above(*told)
    assert above.strip() == (
        "**About the plan:** The plan was locked; 3 changes. 2 containers added, 1 margin changed; 2 exclusions, 1 of them "
        "taken back. At the earlier margins: P homogeneous (now inconclusive). All of it, with the reasons: "
        "\u201cHow it was found\u201d, behind this page.")
    full = history.in_full(*told)
    assert full.count("\n- ") == 7
    assert "Ca: homogeneous at the earlier margin of ±9 %, homogeneous at the margin of ±8 % that counts now." in full
    (same,) = history.above(STATUS, BEFORE[1:], told[2])
    assert "At the earlier margins no verdict would be another." in same
    many = pd.concat([BEFORE[:1].assign(name=f"A{k}") for k in range(7)])
    assert "A3 homogeneous (now inconclusive), 3 more." in history.above(STATUS, many, [])[0]


def test_the_changes_of_a_plan_are_counted_by_what_they_are():
    def change(where, subject, old, new, entry, late=False):
        return Change(subject=subject, where=where, old=old, new=new, reason="as agreed", date="2026-01-02", after_results=late,
                      entry=entry)

    row = "plan/containers.csv row "
    some = [change(f"{row}P01", "plan table", "", "vessel pail", 1), change(f"{row}P02", "plan table", "", "vessel pail", 1),
            change("plan/samples.csv row X", "plan table", "", "P01", 1), change("analytes.Zn.unit", "analyte", "", "mg/kg", 2),
            change("analytes.Zn.margin.absolute", "margin", "", "2.0", 2),
            change("analytes.P.margin.relative_percent", "margin", "5", "3", 3, late=True),
            change("actions.stratified", "actions", "a", "b", 4)]
    assert counted(some) == ("2 containers added, 1 analyte added, 1 margin changed (1 of these when results were already "
                             "there)")
    assert counted(some[5:6]) == "1 margin changed when results were already there"
    assert counted([change("alpha", "model", "0.05", "0.1", 1)]) == "1 other change of the model"
    assert counted(some[6:]) == ""


def test_groups_of_an_analyte_for_information_are_not_named_as_if_they_decided(monkeypatch):
    groups = pd.DataFrame({"analyte": ["P", "Zn"], "store": ["hut", "hut"], "containers": 4,
                           "interval lies": "beyond the margin"})
    monkeypatch.setattr(firstpage, "optional", lambda *_: groups)
    study = SimpleNamespace(label_of={"P": "phosphorus", "Zn": "zinc (for information)"}.get, decides=lambda a: a == "P")
    assert firstpage.beyond_groups(SimpleNamespace(study=study), deciding=True) == [("phosphorus", ["store hut"])]
    assert [name for name, _ in firstpage.beyond_groups(SimpleNamespace(study=study))] == [
        "phosphorus", "zinc (for information)"]


def test_analytes_that_were_measured_in_the_same_containers_are_told_together():
    alike = pd.DataFrame([("11 of 13", "P"), ("12 of 13", "Ca"), ("11 of 13", "Zn")], columns=["where", "name"])
    assert leftout.in_one(alike, 8) == "P and Zn in 11 of 13; Ca in 12 of 13"
    assert leftout.in_one(alike.assign(where="11 of 13"), 3) == "all analytes in 11 of 13"
    assert leftout.in_one(alike[:0], 3) == ""


def test_a_depth_without_any_result_stands_on_page_one_and_no_drawing_undoes_what_is_open(monkeypatch) -> None:
    """The lowest bottle of silicon was left out: nothing on page one had said so, and drawing was to undo its verdict."""
    why = NO_RESULT.format("lower")
    words = pd.DataFrame({"analyte": ["Si", "P", "Mo"], "verdict": ["inconclusive", "inconclusive", "homogeneous"],
                          "reasons": [why, "Too near.", "Fine."], "stock": "", "sentence": ""})
    known = pd.DataFrame({"analyte": ["Si", "Mo"], "holds up to": [1.2, 1.3], "provisional": [False, False]})
    tables = {"sentences": words, "known-precision": known}
    for module in (questions, sure):
        monkeypatch.setattr(module, "optional", lambda _, __, name: tables[name])
    stage = SimpleNamespace(study=SimpleNamespace(label_of={"Si": "silicon", "P": "P", "Mo": "molybdenum"}.get, decides=bool),
                            read_table=lambda *_: words)
    assert questions._at_no_depth(stage) == ["No result at lower: silicon."]
    told = sure._stated(stage)
    assert told[0].endswith("so many times as large: molybdenum 1.3.")
    assert told[1].startswith("Drawing alone can undo the verdict of molybdenum:")


@pytest.mark.parametrize(("containers", "said"), [(1, False), (2, True)])
def test_the_chance_of_a_wrong_word_is_told_with_its_condition(monkeypatch, containers: int, said: bool) -> None:
    record = {"containers_stored": str(containers), "depths": "3", "samples_planned": "6", "flags_stop": "0", "flags_ask": "0",
              "samples_with_results": "6", "rows_in": "6", "rows_taken": "6"}
    monkeypatch.setattr(sure, "recorded", lambda *_: record)
    for name in ("_all_taken_into_account", "_left_out", "_stated", "_not_published"):
        monkeypatch.setattr(sure, name, lambda *_: [])
    monkeypatch.setattr(sure, "_for_the_laboratory", lambda *_: "")
    monkeypatch.setattr(sure, "lock_status", lambda *_: SimpleNamespace(first_page="", sentence=""))
    monkeypatch.setattr(sure.visits, "without_draws", lambda *_: [])
    first = sure.sure(SimpleNamespace(study=SimpleNamespace(alpha=0.05), root=None))[0]
    assert f"wrong with a chance of at most 5 %{sure.EVENLY * said}." in first
