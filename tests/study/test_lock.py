"""The lock: what it seals, what it lists, and that it notices hands on its file."""

from __future__ import annotations

import datetime as dt
import json
import re
import shutil
import tomllib
from pathlib import Path
from typing import get_args

import pytest

from studykit.core.errors import BadInput
from studykit.core.files import write_text
from studykit.report.recheck import lock_notes
from studykit.sampling.plan import plan
from studykit.study.changes import ROLES
from studykit.study.definition import Analyte, load_study, parse_study
from studykit.study.lock import LOCK, changes_since_lock, lock_folder, lock_plan, lock_status, promises, read_lock
from studykit.study.seal import seal_of, to_come
from tests.sampling_examples import STUDY_TOML, folder, stock_rows

DAY = dt.date(2026, 3, 1)


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = folder(tmp_path_factory.mktemp("planned"), stock=stock_rows(12))
    plan(root, load_study(root))
    return root


@pytest.fixture
def root(planned: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(planned, tmp_path, dirs_exist_ok=True))


def edit(root: Path, old: str, new: str, file: str = "study.toml") -> None:
    text = (root / file).read_text(encoding="utf-8")
    assert old in text
    write_text(root / file, text.replace(old, new, 1))


def test_locking_seals_promises_and_tables(root) -> None:
    status = lock_plan(root, load_study(root), today=DAY)
    assert (status.state, status.locked_on, status.changes) == ("locked", "2026-03-01", ())
    assert status.beforehand
    assert status.first_page == ()
    assert status.sentence == "The plan was locked on 2026-03-01, when no result was in its folder; no change since then."
    (entry,) = read_lock(root)
    assert entry["promises"]["analytes.P.margin.relative_percent"] == "5.0"
    assert entry["promises"]["alpha"] == "0.05"
    assert entry["promises"]["exclusion_rules"] == "bottle broken on the way, code not readable"
    assert set(entry["tables"]) == {"plan/containers.csv", "plan/samples.csv", "plan/draws.csv", "plan/submission.csv"}
    rows = entry["tables"]["plan/containers.csv"]
    assert len(rows) == 7
    assert all("vessel pail20, filled_on 2025-02-01" in r for r in rows.values())
    assert sum("treatment remixed control" in r for r in rows.values()) == 1


def test_nothing_is_locked_before_there_is_a_plan(tmp_path) -> None:
    folder(tmp_path, stock=stock_rows(12))
    with pytest.raises(BadInput, match="there is no plan to lock yet"):
        lock_plan(tmp_path, load_study(tmp_path))
    assert not (tmp_path / LOCK).exists()
    assert lock_status(tmp_path, load_study(tmp_path)).sentence == "The plan is not locked yet."


def test_a_plan_locked_twice_is_refused_and_the_file_stays(root) -> None:
    lock_plan(root, load_study(root), today=DAY)
    before = (root / LOCK).read_bytes()
    edit(root, "relative_percent = 5", "relative_percent = 8")
    with pytest.raises(BadInput, match="the plan was already locked on 2026-03-01 -> after a change give its reason"):
        lock_plan(root, load_study(root))
    assert (root / LOCK).read_bytes() == before


def test_a_changed_margin_is_listed_with_old_and_new_value_and_goes_to_the_first_page(root) -> None:
    lock_plan(root, load_study(root), today=DAY)
    edit(root, "relative_percent = 5", "relative_percent = 8")
    (c,) = changes_since_lock(root, load_study(root))
    assert (c.subject, c.where, c.old, c.new, c.reason) == ("margin", "analytes.P.margin.relative_percent", "5.0",
                                                            "8.0", "")
    head, line = lock_status(root, load_study(root)).first_page
    assert head == "The plan was locked on 2026-03-01, when no result was in its folder; changed once since then."
    assert line == "The margin of P was changed from ±5 % to ±8 % without a reason given."


@pytest.mark.parametrize(("old", "new", "subject", "first_page"), [
    ('depths = ["upper", "middle", "lower"]', 'depths = ["upper", "middle", "lower"]\nfixed = ["lot"]', "model", True),
    ("alpha = 0.05", "alpha = 0.1", "model", True),
    ("absolute = 50", "absolute = 60", "margin", True),
    ("relative_percent = 5", "absolute = 5", "margin", True),
    ("Karl Fischer, in-house 3\"", "Karl Fischer, in-house 3\"\nrole = \"information\"", "model", True),
    ('question = "Must', 'question = "Should', "question", False),
    ("Karl Fischer, in-house 3", "Karl Fischer, in-house 4", "analyte", False),
    ('"code not readable"', '"code unreadable"', "exclusion rules", False),
    ("draw_ml = 100", "draw_ml = 90", "sampling", False),
    ("seed = 11", "seed = 12", "seed", False),
])
def test_every_kind_of_promise_is_watched(root, old, new, subject, first_page) -> None:
    lock_plan(root, load_study(root), today=DAY)
    edit(root, old, new)
    changes = changes_since_lock(root, load_study(root))
    assert {c.subject for c in changes} == {subject}
    assert all(c.first_page is first_page for c in changes)


@pytest.mark.parametrize(("old", "new"), [
    ('title = "Invented pails', 'title = "Pails'),
    ("alpha = 0.05\n", "alpha = 0.05\nlanguage = \"de\"\n"),
    ('depths = ["upper", "middle", "lower"]', 'depths = ["upper", "middle", "lower"]\nrun = false'),
    ("# Invented.", "# a comment"),
])
def test_what_is_no_promise_is_no_change(root, old, new) -> None:
    lock_plan(root, load_study(root), today=DAY)
    edit(root, old, new)
    assert changes_since_lock(root, load_study(root)) == ()


def test_analytes_and_samples_that_come_or_go_are_listed(root) -> None:
    lock_plan(root, load_study(root), today=DAY)
    text = (root / "study.toml").read_text()
    start, end = text.index("[analytes.Water]"), text.index("[vessels.pail20]")
    write_text(root / "study.toml", text[:start] + text[end:])
    lines = (root / "plan/samples.csv").read_text().splitlines(keepends=True)
    gone = lines[3].split(",")[0]
    write_text(root / "plan/samples.csv", "".join(lines[:3] + lines[4:]))
    changes = {c.where: c for c in changes_since_lock(root, load_study(root))}
    assert changes["analytes.Water.margin.absolute"].new == ""
    assert changes["analytes.Water.margin.absolute"].first_page
    assert "was taken out (it was mg/kg)" in changes["analytes.Water.unit"].sentence()
    assert changes[f"plan/samples.csv row {gone}"].subject == "plan table"


def test_filling_in_the_log_is_no_change_but_moving_a_bottle_is(root) -> None:
    lock_plan(root, load_study(root), today=DAY)
    study = load_study(root)
    text = (root / "plan/samples.csv").read_text().splitlines()
    head, first = text[0].split(","), text[1].split(",")
    first[head.index("volume_ml")], first[head.index("drawn_at")] = "99", "2026-03-02 08:10"
    write_text(root / "plan/samples.csv", "\n".join([text[0], ",".join(first), *text[2:]]) + "\n")
    assert changes_since_lock(root, study) == ()
    first[head.index("depth")] = "middle"
    write_text(root / "plan/samples.csv", "\n".join([text[0], ",".join(first), *text[2:]]) + "\n")
    (c,) = changes_since_lock(root, study)
    assert "depth upper" in c.old
    assert "depth middle" in c.new


def test_an_amendment_keeps_the_history_with_its_reason(root) -> None:
    lock_plan(root, load_study(root), today=DAY)
    edit(root, "relative_percent = 5", "relative_percent = 8")
    status = lock_plan(root, load_study(root), amend="the blender widened its tolerance", today=dt.date(2026, 3, 9))
    assert [e["kind"] for e in read_lock(root)] == ["lock", "amendment"]
    edit(root, "relative_percent = 8", "relative_percent = 5")  # and back again: both steps stay listed
    edit(root, "alpha = 0.05", "alpha = 0.1")
    changes = changes_since_lock(root, load_study(root))
    assert [(c.where.split(".")[-1], c.old, c.new, c.reason, c.date) for c in changes] == [
        ("relative_percent", "5.0", "8.0", "the blender widened its tolerance", "2026-03-09"),
        ("alpha", "0.05", "0.1", "", ""),
        ("relative_percent", "8.0", "5.0", "", ""),
    ]
    assert "on 2026-03-09, because: the blender widened its tolerance." in status.first_page[1]
    assert lock_status(root, load_study(root)).sentence.endswith("changed 3 times since then.")
    assert lock_status(root, load_study(root)).to_table().shape == (3, 6)


@pytest.mark.parametrize(("amend", "message"), [
    ("because of the blender", "nothing has changed since 2026-03-01"),
    ("x", "this reason says too little"),
    ("   ", "this reason says too little"),
])
def test_an_amendment_without_change_or_reason_is_refused(root, amend, message) -> None:
    lock_plan(root, load_study(root), today=DAY)
    before = (root / LOCK).read_bytes()
    with pytest.raises(BadInput, match=message):
        lock_plan(root, load_study(root), amend=amend)
    assert (root / LOCK).read_bytes() == before


def test_an_amendment_without_a_lock_is_refused(root) -> None:
    with pytest.raises(BadInput, match="there is no lock to amend"):
        lock_plan(root, load_study(root), amend="the blender widened its tolerance")


@pytest.mark.few(5)
@pytest.mark.parametrize("hand", [
    lambda d: d["entries"][0]["promises"].update({"analytes.P.margin.relative_percent": "8.0"}),
    lambda d: d["entries"][0].update({"date": "2026-01-01"}),
    lambda d: d["entries"][0].update({"results_there": True}),
    lambda d: d["entries"][0]["tables"]["plan/samples.csv"].clear(),
    lambda d: d["entries"].clear(),
    lambda d: d.pop("last_seal"),
    lambda d: d["entries"].append({"kind": "amendment"}),
    lambda d: d["entries"][1].update({"reason": "a better reason"}),
    lambda d: d["entries"].pop(),
    lambda d: d["entries"].pop(0),
])
def test_a_lock_edited_by_hand_is_noticed(root, hand) -> None:
    lock_plan(root, load_study(root), today=DAY)
    edit(root, "alpha = 0.05", "alpha = 0.1")
    lock_plan(root, load_study(root), amend="half the samples broke", today=DAY)
    data = json.loads((root / LOCK).read_text())
    hand(data)
    write_text(root / LOCK, json.dumps(data, indent=2, sort_keys=True))
    with pytest.raises(BadInput, match="was edited by hand"):
        changes_since_lock(root, load_study(root))
    with pytest.raises(BadInput, match="put the locked file back from your copy"):
        lock_plan(root, load_study(root), amend="another good reason")
    status = lock_status(root, load_study(root))
    assert status.state == "edited by hand"
    assert status.first_page == (status.sentence,)


def sealed_anew(root: Path, number: int, changes: dict[str, object]) -> None:
    """Change an entry and make every seal anew, which is no secret."""
    data, before = json.loads((root / LOCK).read_text()), ""
    data["entries"][number].update(changes)
    for entry in data["entries"]:
        entry["seal"] = before = seal_of(entry, before)
    write_text(root / LOCK, json.dumps(data | {"last_seal": before}))


@pytest.mark.few(5)
@pytest.mark.parametrize(("number", "changes", "told"), [
    (1, {"date": "2026-02-28"}, "a day before that of the entry before it"),
    *((0, {"date": day}, "which is no day") for day in ("2026-02-30", "long ago", "1 September 2026, certified by the notary")),
    (0, {"results_there": "no"}, "'no' for results_there"), (0, {"results_there": 0}, "0 for results_there"),
    (0, {"witness": "stamped by the notary"}, "'witness', which no entry has"),
    (0, {"kind": "amendment"}, "another kind"), (1, {"kind": "lock"}, "another kind"),
    (1, {"reason": "half \u202eekorb"}, "turns the direction"), (0, {"promises": ["x"]}, "for promises"),
])
def test_a_lock_sealed_anew_with_what_the_kit_never_writes_is_noticed(root, number, changes, told) -> None:
    lock_plan(root, load_study(root), today=DAY)
    edit(root, "alpha = 0.05", "alpha = 0.1")
    lock_plan(root, load_study(root), amend="half the samples broke", today=dt.date(2026, 3, 2))
    sealed_anew(root, number, {"date": "2026-03-02"} if number else {})
    assert lock_status(root, load_study(root)).state == "locked"  # sealed anew, and nothing else
    sealed_anew(root, number, changes)
    assert told in lock_status(root, load_study(root)).sentence


def test_a_lock_of_a_day_to_come_is_told_and_a_clock_that_was_set_back_stops_an_amendment(root) -> None:
    lock_plan(root, load_study(root), today=dt.date(2031, 5, 5))
    assert to_come(root, dt.date(2031, 5, 4)) == ()  # it is tomorrow already elsewhere
    assert to_come(root, dt.date(2031, 5, 3)) == (
        "plan/plan.lock says 2031-05-05, a day that has not come by this machine's clock",)
    edit(root, "alpha = 0.05", "alpha = 0.1")
    with pytest.raises(BadInput, match="set the clock right"):
        lock_plan(root, load_study(root), amend="half the samples broke", today=DAY)


def test_a_lock_that_is_no_json_is_refused(root) -> None:
    write_text(root / LOCK, "locked!\n")
    with pytest.raises(BadInput, match="was edited by hand: it is not valid JSON"):
        read_lock(root)


@pytest.mark.parametrize(("old", "new", "told"), [
    ('{\n  "entries"', '{\n  "entries": [{"date": "2025-01-01"}],\n  "entries"', "'entries' occurs twice"),
    ('"date": "2026-03-01"', '"date": "2025-01-01", "date": "2026-03-01"', "'date' occurs twice"),
    ('"last_seal"', '"last_seal": "0",\n  "last_seal"', "'last_seal' occurs twice"),
    ('"promises": {', '"promises": {"alpha": "0.1", "alpha": "0.2", ', "'alpha' occurs twice"),
    ('{\n  "entries"', '{\n  "witness": "stamped by notary",\n  "entries"', "it holds 'witness', which no lock has"),
])
def test_a_lock_that_says_one_thing_twice_or_more_than_the_kit_writes_is_noticed(root, old, new, told) -> None:
    lock_plan(root, load_study(root), today=DAY)
    edit(root, old, new, LOCK)
    with pytest.raises(BadInput, match="was edited by hand") as error:
        read_lock(root)
    assert told in str(error.value)
    assert lock_status(root, load_study(root)).state == "edited by hand"


def test_a_lock_written_again_with_other_spaces_is_still_whole(root) -> None:
    """The seal covers what is promised, not the layout of the file."""
    lock_plan(root, load_study(root), today=DAY)
    write_text(root / LOCK, json.dumps(json.loads((root / LOCK).read_text())))
    assert lock_status(root, load_study(root)).state == "locked"


def test_results_before_the_lock_are_told(root) -> None:
    study = load_study(root)
    write_text(root / "raw/results.csv", "sample,P\nA1,5\n")
    assert "was not locked before the results came" in lock_status(root, study).first_page[0]
    status = lock_plan(root, study, today=DAY)
    assert status.state == "locked late"
    assert "only after results had been reported" in status.first_page[0]


def test_results_dated_before_the_lock_are_told(root) -> None:
    study = load_study(root)
    lock_plan(root, study, today=DAY)
    write_text(root / "tidy/results.csv", "sample,reported_on\nK72PX,2026-03-05\n")
    assert lock_status(root, study).state == "locked"
    write_text(root / "tidy/results.csv", "sample,reported_on\nK72PX,2026-02-27\n")
    assert lock_status(root, study).state == "locked late"


def test_promises_are_texts_with_dotted_keys() -> None:
    p = promises(parse_study(tomllib.loads(STUDY_TOML)))
    assert p["factors.depths"] == "upper, middle, lower"
    assert p["sampling.tests[1].name"] == "elements"
    assert "sampling.tool" not in p
    assert all(isinstance(v, str) for v in p.values())


def test_page_one_tells_an_analyte_that_came_and_a_role_in_plain_words(root) -> None:
    lock_plan(root, load_study(root), today=DAY)
    edit(root, "[analytes.Water]", "[analytes.Zn]\nlabel = \"zinc\"\nunit = \"mg/kg\"\nmethod = \"ICP\"\n"
         "role = \"information\"\nmargin = { absolute = 2 }\nmargin_reason = \"asked for by the maker\"\n\n[analytes.Water]")
    lock_plan(root, load_study(root), amend="measured in the same run", today=dt.date(2026, 3, 2))
    edit(root, "role = \"information\"\nmargin = { absolute = 2 }", "margin = { absolute = 3 }")
    assert lock_status(root, load_study(root)).first_page[1:] == (
        "Zinc was added on 2026-03-02, because: measured in the same run. It is an extra result and does not change the "
        "study's word.",
        "The margin of zinc was changed from ±2 mg/kg to ±3 mg/kg and zinc now decides with the others without a reason given.")


def test_a_change_amended_after_the_results_says_so(root) -> None:
    lock_plan(root, load_study(root), today=DAY)
    edit(root, "relative_percent = 5", "relative_percent = 8")
    before = lock_plan(root, load_study(root), amend="the blender widened it", today=dt.date(2026, 3, 9))
    assert "results were already there" not in before.first_page[1]
    write_text(root / "raw/results.csv", "sample,P\nA1,5\n")
    edit(root, "relative_percent = 8", "relative_percent = 12")
    after = lock_plan(root, load_study(root), amend="it looked narrow.", today=dt.date(2026, 4, 1))
    assert after.state == "locked"  # the first lock still came before the data
    assert after.first_page[2] == ("The margin of P was changed from ±8 % to ±12 % on 2026-04-01, when results were already "
                                   "there, because: it looked narrow.")
    assert "results were already there" not in after.first_page[1]


def test_recheck_names_the_lock_and_each_change_after_it(root) -> None:
    assert lock_notes(root) == ("The plan is not locked yet.",)
    lock_plan(root, load_study(root), today=DAY)
    assert lock_notes(root) == ("The plan was locked on 2026-03-01, when no result was in its folder; no change since then.",)
    edit(root, "absolute = 50", "absolute = 60")
    lock_plan(root, load_study(root), amend="the limit was raised", today=dt.date(2026, 3, 2))
    edit(root, '"code not readable"', '"code unreadable"')
    assert lock_notes(root)[1:] == (
        "The margin of Water (absolute) was changed from 50 to 60 on 2026-03-02, because: the limit was raised.",
        "The list of reasons for leaving a result out was changed from bottle broken on the way, code not readable to bottle "
        "broken on the way, code unreadable without a reason given.")
    edit(root, '"seal"', '"seel"', LOCK)
    assert "was edited by hand" in lock_notes(root)[0]


def test_locking_a_folder_without_a_plan_names_the_command_that_makes_one(tmp_path) -> None:
    root = folder(tmp_path, stock=stock_rows(12))
    with pytest.raises(BadInput, match="there is no plan to lock yet -> make one with: studykit plan FOLDER"):
        lock_folder(root)
    plan(root, load_study(root))
    edit(root, ",spot,", ",spt,", "plan/samples.csv")
    with pytest.raises(BadInput, match="'spt'"):
        lock_folder(root)
    assert not (root / LOCK).exists()


@pytest.mark.parametrize("day", ["2026-02-30", "long ago", "20260101", "", 7])
def test_a_lock_sealed_anew_on_a_day_that_is_none_is_refused(root, day) -> None:
    lock_plan(root, load_study(root), today=DAY)
    data = json.loads((root / LOCK).read_text())
    data["entries"][0]["date"] = day
    data["last_seal"] = data["entries"][0]["seal"] = seal_of(data["entries"][0], "")
    write_text(root / LOCK, json.dumps(data))
    with pytest.raises(BadInput, match=re.escape(f"entry 1 holds {day!r}, which is no day")):
        changes_since_lock(root, load_study(root))


def test_a_changed_role_of_any_kind_can_be_told() -> None:
    assert set(ROLES) == set(get_args(Analyte.model_fields["role"].annotation))
