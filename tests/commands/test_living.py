"""A study that lives, told as a story and by its commands alone: no table is edited by hand."""

from __future__ import annotations

import datetime as dt
import io
import os
import platform
import random
import shutil
import signal
import subprocess
import sys
import tempfile
from functools import cache
from pathlib import Path

import pandas as pd
import pytest

from studykit.commands.cli import main
from studykit.core.change import MADE_ON, WAITING, change_files, finish_change
from studykit.core.errors import BadInput
from studykit.core.files import write_text
from studykit.report.page import write_report
from studykit.report.run import run_notebooks
from studykit.sampling.additions import add_containers, with_rows
from studykit.sampling.plan import codes_of_sisters, plan
from studykit.sampling.visits import visits_ahead
from studykit.study.codes import check_code, misread_distance
from studykit.study.definition import load_study
from studykit.study.exclusions import exclusion_lines, read_exclusions
from studykit.study.lock import lock_plan, lock_status
from studykit.study.seal import read_lock
from studykit.study.stages import share
from studykit.study.tables import load_tables
from tests.browser.pages import CHROMIUM, chromium, opened, printed, squeezed
from tests.sampling.test_visits import visited
from tests.sampling_examples import STUDY_TOML, folder, stock_rows

TODAY = dt.date.today().isoformat()
INTAKE = """\
[[file]]
pattern = "*.csv"
layout = "long"
header_row = 1
encoding = "utf-8"
delimiter = ","
decimal = "."

[file.columns]
sample = "Bottle"
analyte = "Determination"
value = "Result"
unit = "Unit"
run = "Batch"
run_order = "Position"
reported_on = "Reported"

[file.analytes]
"""
ZINC = """
[analytes.Zn]
unit = "mg/kg"
method = "ICP-OES, in-house 12"
margin = { absolute = 2 }
margin_reason = "contamination only; it has no effect on the gears"
role = "information"

[vessels.pail20]"""
LEVELS = {"P": (340.0, 0.006), "Water": (60.0, 0.05), "Zn": (20.0, 0.03)}


def snapshot(root: Path) -> dict[str, bytes]:
    return {str(p.relative_to(root)): p.read_bytes() for p in sorted(root.rglob("*"))
            if p.is_file() and not p.name.startswith(".studykit")}


@cache
def _files(lock: bool) -> dict[str, bytes]:
    """What a planned study, locked or not, holds: made once for all tests of this file."""
    with tempfile.TemporaryDirectory() as made:
        root = folder(Path(made) / "s", stock=stock_rows(12))
        plan(root, load_study(root))
        if lock:
            lock_plan(root, load_study(root))
        return snapshot(root)


def _written(root: Path, files: dict[str, bytes]) -> Path:
    for name, data in files.items():
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_bytes(data)
    return root


def planned(root: Path) -> Path:
    return _written(root, _files(False))


def locked(root: Path) -> Path:
    return _written(root, _files(True))


def results(root: Path, analytes: tuple[str, ...], seed: int) -> None:
    """The laboratory's answer for every bottle of the submission list; phosphorus 3.4 % higher at the bottom."""
    rng, key = random.Random(seed), pd.read_csv(root / "plan/key.csv", dtype=str, keep_default_na=False)
    lines = ["Bottle,Determination,Result,Unit,Batch,Position,Reported"]
    for r in key.sort_values(["run", "position"]).to_dict("records"):
        for a in analytes:
            level, scatter = LEVELS[a]
            lift = 1.034 if (a, r["depth"]) == ("P", "lower") else 1.0
            value = 0.2 if r["kind"] == "blank" else level * lift * (1 + scatter * rng.gauss(0, 1))
            lines.append(f"{r['sample']},{a},{value:.2f},mg/kg,{r['run']},{r['position']},{TODAY}")
    write_text(root / "raw/results.csv", "\n".join(lines) + "\n")
    write_text(root / "intake.toml", INTAKE + "".join(f'"{a}" = "{a}"\n' for a in analytes))


def run(*words: object) -> int:
    return main([str(w) for w in words])


STEMS = ("00-study", "03-intake", "04-quality", "05-model", "06-verdict", "07-report")


def page_one(root: Path, out: Path) -> str:
    """The answer of page one, from the stages that it reads, each in its own kernel as the report runs them."""
    run_notebooks({s: share("notebooks") / f"{s}.ipynb" for s in STEMS}, {s: out / s / f"{s}.ipynb" for s in STEMS},
                  {"study": str(root), "out_dir": str(out)}, lambda _: None)
    return (out / "07-report/07-report.ipynb").read_text(encoding="utf-8").replace("\u00a0", " ")


@pytest.fixture(scope="module")
def story(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Planned, locked, two containers added, an analyte more, one excluded and taken back, one excluded, a margin changed."""
    root = locked(tmp_path_factory.mktemp("story") / "this-year")
    assert run("add", root, "P01", "P02", "--like", "201", "--set", "fill_volume_l=19", "--reason",
               "two pails were found behind the rack") == 0
    text = (root / "study.toml").read_text(encoding="utf-8").replace("\n[vessels.pail20]", ZINC, 1)
    write_text(root / "study.toml", text)
    assert run("lock", root, "--amend", "the laboratory measures zinc in the same run") == 0
    results(root, ("P", "Water", "Zn"), 1)
    assert run("exclude", root, "P02", "--reason", "its lid was found open, rain got in", "--who", "store keeper") == 0
    assert run("exclude", root, "P02", "--back", "--reason", "it was another pail's lid", "--who", "store keeper") == 0
    assert run("exclude", root, "P01", "--reason", "its lid was found open, rain got in", "--who", "store keeper") == 0
    assert run("margin", root, "P", "3 %", "--reason", "the blender narrowed the tolerance of the additive") == 0
    return root


@pytest.mark.slow
def test_the_story_is_told_on_page_one(story, tmp_path):
    said = page_one(story, tmp_path / "report")
    assert "Containers: 7 planned, 2 added afterwards (P01, P02)" in said
    assert "because: two pails were found behind the rack" in said
    assert "The margin of P was changed from ±5 % to ±3 %" in said
    assert "because: the blender narrowed the tolerance of the additive" in said
    assert "at the earlier margin of ±5 %" in said
    assert "at the margin of ±3 % that counts now" in said
    assert "all analytes of P01 (7 samples), because: its lid was found open, rain got in" in said
    assert "Taken back on" in said
    assert "Not decisive: Zn" in said
    if CHROMIUM is None:
        return
    file = write_report(tmp_path / "report", [tmp_path / "report" / s / f"{s}.ipynb" for s in STEMS], load_study(story))
    with chromium() as browser:
        page, _ = opened(browser, file, 1280)
        assert page.evaluate("document.querySelector('main > section').getBoundingClientRect().bottom") <= 1800
        pages = [squeezed(p) for p in printed(page)]
    front = next(k for k, text in enumerate(pages) if squeezed("The answer in detail") in text)
    assert front <= 2
    first, behind = "".join(pages[:front]), "".join(pages[front:])
    assert squeezed("2 containers added, 1 analyte added, 1 margin changed (1 of these when results were already there); "
                    "2 exclusions, 1 of them taken back. At the earlier margins") in first
    assert squeezed("two pails were found behind the rack") not in first
    assert squeezed("two pails were found behind the rack") in behind  # reachable on paper too


@pytest.mark.slow
def test_every_amendment_has_its_own_reason(story):
    entries = read_lock(story)
    assert [e["reason"] for e in entries] == ["", "two pails were found behind the rack",
                                              "the laboratory measures zinc in the same run",
                                              "the blender narrowed the tolerance of the additive"]
    status = lock_status(story, load_study(story))
    assert "changed 3 times since then" in status.sentence
    assert {c.reason for c in status.changes if c.name == "plan"} == {"two pails were found behind the rack"}


@pytest.mark.slow
def test_the_story_is_compared_with_last_years(story, tmp_path):
    before = planned(tmp_path / "last-year")
    lock_plan(before, load_study(before))
    results(before, ("P", "Water"), 2)
    for root in (before, story):
        assert run("intake", root) == 0
    assert run("compare", before, story, "--to", tmp_path / "both") == 0
    words = (tmp_path / "both").glob("**/*.html")
    assert "±3 %" in next(words).read_text(encoding="utf-8")


@pytest.mark.slow
def test_all_additions_are_written_as_stored_wherever_they_were_known_from(tmp_path):
    root = locked(tmp_path)
    planned = set(pd.read_csv(root / "plan/containers.csv", dtype=str)["container"])
    free = next(c for c in pd.read_csv(root / "plan/stock.csv", dtype=str)["container"] if c not in planned)
    assert run("add", root, free, "P01", "--like", "201", "--reason", "two pails were found behind the rack") == 0
    table = pd.read_csv(root / "plan/containers.csv", dtype=str, keep_default_na=False).set_index("container")
    assert table.loc[[free, "P01"], "treatment"].tolist() == ["stored", "stored"]


def test_additions_follow_on_what_stands_and_touch_none_of_it(tmp_path):
    root = locked(tmp_path)
    before = snapshot(root)
    assert run("add", root, "P01", "P02", "--like", "201", "--reason", "two pails were found behind the rack") == 0
    tables = load_tables(root, with_results=False)
    after = snapshot(root)
    for name in ("containers", "samples", "draws", "submission", "key"):
        path = f"plan/{name}.csv"
        assert after[path].startswith(before[path]), path
        assert len(after[path]) > len(before[path])
    old = set(pd.read_csv(io.BytesIO(before["plan/samples.csv"]), dtype=str)["sample"])
    new = set(tables.samples["sample"]) - old
    assert all(check_code(c) for c in new)
    assert min(sum(x != y for x, y in zip(a, b, strict=True)) for a in new for b in old) >= 3
    submission = pd.read_csv(root / "plan/submission.csv", dtype=str)
    assert set(submission.loc[submission["sample"].isin(new), "run"]).isdisjoint(
        submission.loc[submission["sample"].isin(old), "run"])
    draws = pd.read_csv(root / "plan/draws.csv", dtype=str)
    visits = draws["visit"].astype(int)
    assert set(visits[draws["container"].isin(["P01", "P02"])]) == {8, 9}
    sheets = {p.name for p in (root / "plan/sheets/added-1").iterdir()}
    assert sheets == {"bench.pdf", "labels.pdf", "custody.pdf", "submission.pdf", "submission.xlsx"}
    order = submission.loc[submission["sample"].isin(new), "sample"].tolist()
    key = pd.read_csv(root / "plan/key.csv", dtype=str).set_index("sample")
    assert key.loc[order, "depth"].tolist() != sorted(key.loc[order, "depth"].fillna("").tolist())  # random, not by depth


@pytest.mark.slow
@pytest.mark.parametrize(("words", "told"), [
    (("201", "--like", "007"), "is in the plan already"),
    (("p7", "P7", "--like", "007"), "may take these codes for one another"),
    (("100000", "--like", "201"), "may take these codes for one another"),
    (("P01", "P01", "--like", "201"), "is named twice"),
    (("P01",), "nothing is known of it"),
    (("P01", "--like", "999"), "is not a container of the plan or of the stock list"),
    (("P01", "--like", "201", "--set", "vessel=barrel"), "is not a vessel of study.toml"),
    (("P01", "--like", "201", "--set", "fill_volume_l=500"), "500"),
    (("P01", "--like", "201", "--set", "colour=red"), "is not a column"),
    (("P01", "--like", "201", "--set", "lot"), "is not of the form column=value"),
    (("=1+1", "--like", "201"), "formula"),
    (("../x", "--like", "201"), "path"),
])
def test_what_cannot_be_added_is_refused_and_nothing_changes(tmp_path, capsys, words, told):
    root = locked(tmp_path)
    before = snapshot(root)
    assert run("add", root, *words, "--reason", "found behind the rack") == 2
    assert told in capsys.readouterr().err
    assert snapshot(root) == before


@pytest.mark.few(1)
@pytest.mark.parametrize("reason", ["", "why", "TODO", "reason", "..."])
def test_a_reason_that_says_nothing_is_refused_by_each_command(tmp_path, reason):
    root = locked(tmp_path)
    results(root, ("P", "Water"), 1)
    before = snapshot(root)
    assert run("add", root, "P01", "--like", "201", "--reason", reason) == 2
    assert run("exclude", root, "201", "--reason", reason, "--who", "store keeper") == 2
    assert run("margin", root, "P", "3 %", "--reason", reason) == 2
    assert snapshot(root) == before


@pytest.mark.slow
def test_without_a_lock_or_with_unnamed_changes_nothing_is_added(tmp_path, capsys):
    root = planned(tmp_path)
    assert run("add", root, "P01", "--like", "201", "--reason", "found behind the rack") == 2
    assert "the plan is not locked" in capsys.readouterr().err
    lock_plan(root, load_study(root))
    write_text(root / "plan/containers.csv", (root / "plan/containers.csv").read_text().replace("2025-02-01", "2025-02-02", 1))
    assert run("add", root, "P01", "--like", "201", "--reason", "found behind the rack") == 2
    assert "no reason for that is recorded yet" in capsys.readouterr().err


def test_one_reason_belongs_to_one_named_change(tmp_path, capsys):
    root = locked(tmp_path)
    text = (root / "study.toml").read_text().replace("relative_percent = 5", "relative_percent = 8")
    write_text(root / "study.toml", text.replace("alpha = 0.05", "alpha = 0.1"))
    assert run("lock", root, "--amend", "agreed with the customer") == 2
    said = capsys.readouterr().err
    assert "--of analytes.P" in said
    assert "--of alpha" in said
    assert run("lock", root, "--of", "analytes.Q", "--amend", "agreed with the customer") == 2
    assert run("lock", root, "--of", "analytes.P", "--amend", "agreed with the customer") == 0
    changes = {c.where: c.reason for c in lock_status(root, load_study(root)).changes}
    assert changes == {"analytes.P.margin.relative_percent": "agreed with the customer", "alpha": ""}


@pytest.mark.slow
def test_added_after_results_says_so(tmp_path):
    root = locked(tmp_path)
    results(root, ("P", "Water"), 1)
    assert run("add", root, "P01", "--like", "201", "--reason", "found behind the rack") == 0
    assert "when results were already there" in lock_status(root, load_study(root)).containers


@pytest.mark.slow
def test_a_temperature_of_another_store_does_not_stop_an_addition(tmp_path):
    """It had been refused as the temperature of a misspelt store: only the new containers' own store was known."""
    fluid = ("\n[fluid]\ndensity_kg_m3 = 895\nviscosity_mm2_s_at_40c = 220\nviscosity_mm2_s_at_100c = 19\n"
             "store_temperature_c = { valley = 18, hut = 8 }\n\n[vessels.pail20]")
    root = folder(tmp_path / "s", stock=stock_rows(12), toml=STUDY_TOML.replace("\n[vessels.pail20]", fluid, 1))
    plan(root, load_study(root))
    lock_plan(root, load_study(root))
    assert run("add", root, "P01", "--like", "201", "--reason", "found behind the rack") == 0


@pytest.mark.slow
def test_added_twice_gets_other_codes_and_further_runs(tmp_path):
    root = locked(tmp_path)
    for name in ("P01", "P02"):
        assert run("add", root, name, "--like", "201", "--reason", "found behind the rack") == 0
    samples = load_tables(root, with_results=False).samples
    assert samples["sample"].is_unique
    key = pd.read_csv(root / "plan/key.csv", dtype=str, keep_default_na=False)
    runs = [set(key.loc[key["container"] == c, "run"]) for c in ("P01", "P02")]
    assert runs[0].isdisjoint(runs[1])
    assert (root / "plan/sheets/added-2/labels.pdf").exists()


@pytest.mark.slow
def test_codes_of_sister_studies_are_never_given_again(tmp_path):
    one, two = planned(tmp_path / "one"), folder(tmp_path / "two", stock=stock_rows(12))
    same = plan(two, load_study(two))
    first = load_tables(one, with_results=False).samples["sample"]
    assert set(first) == set(same.plan.samples["sample"])  # of one seed
    lock_plan(two, load_study(two))
    add_containers(two, ["P01"], reason="found behind the rack", like="201", sisters=[one])
    new = set(load_tables(two, with_results=False).samples["sample"]) - set(first)
    assert len(pd.read_csv(two / "plan/used-codes.csv")) == len(first)
    assert all(misread_distance(a, b) > 0 and sum(x != y for x, y in zip(a, b, strict=True)) >= 3 for a in new for b in first)


@pytest.mark.slow
def test_a_plan_beside_a_sister_study_of_the_same_seed_has_codes_of_its_own(tmp_path):
    """Six studies of the template once had identical codes: all came from seed = 1."""
    one, two = planned(tmp_path / "one"), folder(tmp_path / "two", stock=stock_rows(12))
    change_files(two, codes_of_sisters(two, [one]))
    plan(two, load_study(two))
    first, second = (set(load_tables(r, with_results=False).samples["sample"]) for r in (one, two))
    assert len(first) == len(second)
    assert not first & second


@pytest.mark.slow
def test_excluding_shows_what_it_takes_away_and_what_is_left(tmp_path, capsys):
    root = locked(tmp_path)
    results(root, ("P", "Water"), 1)
    assert run("exclude", root, "201", "--reason", "its lid was open", "--who", "store keeper") == 0
    said = capsys.readouterr().out
    assert "P: " in said
    assert "results go; left: upper" in said
    tables = load_tables(root, with_results=False)
    assert run("exclude", root, "201", "--reason", "its lid was open", "--who", "store keeper") == 2
    assert "is excluded already" in capsys.readouterr().err
    lower = tables.samples.query("depth == 'lower' and kind in ('spot', 'duplicate')")["sample"].tolist()
    done = set(pd.read_csv(root / "plan/exclusions.csv", dtype=str)["sample"])
    for code in [c for c in lower if c not in done]:
        assert run("exclude", root, code.lower(), "--reason", "the long tube leaked", "--who", "NK") == 0
    assert "no result is left at lower: it can no longer be called homogeneous" in capsys.readouterr().out


@pytest.mark.few(2)
@pytest.mark.parametrize(("words", "told"), [
    (("W72F9", "--who", "NK"), "is no sample and no container"),
    (("201", "--who", "tbd"), "says nothing"),
    (("201", "--who", "NK", "--analyte", "Si"), "is not declared"),
    (("201", "--who", "NK", "--back"), "no exclusion in force"),
])
def test_what_cannot_be_excluded_is_refused_and_nothing_changes(tmp_path, capsys, words, told):
    root = locked(tmp_path)
    results(root, ("P", "Water"), 1)
    before = snapshot(root)
    assert run("exclude", root, *words, "--reason", "its lid was open") == 2
    assert told in capsys.readouterr().err
    assert snapshot(root) == before


@pytest.mark.slow
def test_what_was_taken_back_counts_again_and_keeps_its_line(tmp_path):
    root = locked(tmp_path)
    results(root, ("P", "Water"), 1)
    assert run("exclude", root, "201", "--reason", "its lid was open", "--who", "NK", "--analyte", "Water") == 0
    assert run("exclude", root, "201", "--back", "--reason", "another pail was meant", "--who", "NK") == 0
    assert run("intake", root) == 0
    tables = load_tables(root)
    assert read_exclusions(root, tables.study, tables.results).empty
    assert set(exclusion_lines(root, tables.study, tables.results)["taken_back_because"]) == {"another pail was meant"}
    assert run("exclude", root, "201", "--reason", "it was this one after all", "--who", "NK") == 0


@pytest.mark.slow
def test_taking_a_container_back_leaves_what_was_excluded_before_it(tmp_path, capsys):
    """A bottle that had leaked came back with its drum, with "label found in the store book" as the reason."""
    root = locked(tmp_path)
    results(root, ("P", "Water"), 1)
    samples = load_tables(root, with_results=False).samples
    own = samples.loc[(samples["container"] == "201") & samples["sample"].isin(_reported(root)), "sample"].tolist()
    assert run("exclude", root, own[0], "--reason", "bottle leaked on the way", "--who", "AB") == 0
    capsys.readouterr()
    assert run("exclude", root, "201", "--back", "--reason", "label found in the store book", "--who", "AB") == 2
    assert f"was not excluded as a whole; lines of their own exclude {own[0]}" in capsys.readouterr().err
    assert run("exclude", root, "201", "--reason", "the label was torn off", "--who", "AB") == 0
    assert run("exclude", root, "201", "--back", "--reason", "label found in the store book", "--who", "AB") == 0
    assert f"still excluded, by a line of its own: {own[0]}" in capsys.readouterr().out
    lines = pd.read_csv(root / "plan/exclusions.csv", dtype=str, keep_default_na=False)
    assert dict(zip(lines["sample"], lines["taken_back_because"], strict=True)) == {
        own[0]: "", **dict.fromkeys(own[1:], "label found in the store book")}


def _reported(root: Path) -> set[str]:
    return set(pd.concat(pd.read_csv(p, dtype=str) for p in (root / "raw").glob("*.csv"))["Bottle"])


def test_one_poor_word_is_one_fault(tmp_path, capsys):
    """It had been a fault of each sample, in rows of a file that was not there."""
    root = locked(tmp_path)
    results(root, ("P", "Water"), 1)
    assert run("exclude", root, "201", "--reason", ".", "--who", ".") == 2
    said = capsys.readouterr().err
    assert said.count("says nothing") == 2
    assert "--reason: '.': says nothing -> write the cause that was found" in said
    assert "--who: '.': says nothing" in said
    assert "exclusions.csv row" not in said
    assert run("exclude", root, "201", "--reason", "its lid was open", "--who", "AB") == 0
    assert run("exclude", root, "201", "--back", "--reason", ".", "--who", "AB") == 2
    assert "--reason: '.': says nothing -> write why it was taken back" in capsys.readouterr().err


@pytest.mark.slow
def test_a_margin_changed_twice_keeps_every_state(tmp_path, capsys):
    root = locked(tmp_path)
    text = (root / "study.toml").read_text(encoding="utf-8")
    assert run("margin", root, "P", "8 %", "--reason", "the blender widened the tolerance") == 0
    assert run("margin", root, "P", "3 mg/kg", "--reason", "the customer asked for less") == 0
    status = lock_status(root, load_study(root))
    said = [s for s in status.first_page if "margin of P" in s]
    assert [s.partition(" on ")[0] for s in said] == ["The margin of P was changed from ±5 % to ±8 %",
                                                      "The margin of P was changed from ±8 % to ±3 mg/kg"]
    now = (root / "study.toml").read_text(encoding="utf-8")
    changed = [b for a, b in zip(text.splitlines(), now.splitlines(), strict=True) if a != b]
    assert changed == ["margin = { absolute = 3 }", 'margin_reason = "the customer asked for less"']
    assert run("margin", root, "P", "a factor of 2", "--reason", "the customer halves the dose anyway") == 0
    assert "margin = { factor = 2 }" in (root / "study.toml").read_text(encoding="utf-8")
    assert any("was changed from ±3 mg/kg to a factor of 2" in s for s in lock_status(root, load_study(root)).first_page)
    assert run("margin", root, "P", "3 mg/kg", "--reason", "the customer asked for less") == 0
    capsys.readouterr()
    for amount, told in (("3 mg/kg", "already"), ("5", "no unit"), ("0 %", "above 0"), ("5 mm", "in % or in mg/kg")):
        assert run("margin", root, "P", amount, "--reason", "the customer asked for less") == 2
        assert told in capsys.readouterr().err


@pytest.mark.slow
def test_a_margin_that_changes_sides_says_so_in_its_answer_and_in_the_recorded_reason(tmp_path, capsys):
    root, why = locked(tmp_path), "only a loss would matter"
    for amount, told, kept in (
            ("8 % below", "on both sides, depth against depth before, and counts only below", "above it is no longer held"),
            ("8 % above", "only below the mixed container before, and counts only above", "below it is no longer held"),
            ("8 %", "only above the mixed container before, and counts on both sides", "")):
        capsys.readouterr()
        assert run("margin", root, "P", amount, "--reason", why) == 0
        out = " ".join(capsys.readouterr().out.split())
        assert "Attention, this asks another question" in out
        assert told in out
        assert kept in out
        study = load_study(root)
        assert study.analytes["P"].margin_reason.startswith(f"{why} (the margin counted {told.partition(',')[0]}")
        assert told in read_lock(root)[-1]["reason"]
    assert run("margin", root, "P", "9 %", "--reason", why) == 0
    assert "Attention" not in capsys.readouterr().out
    assert load_study(root).analytes["P"].margin_reason == why


CHILD = """
import os, signal, sys
from pathlib import Path
left = [int(sys.argv[2])]
real = os.replace
def counted(*a, **k):
    left[0] -= 1
    if left[0] < 0:
        os.kill(os.getpid(), signal.SIGKILL)
    return real(*a, **k)
os.replace = counted
from studykit.commands.cli import main
main(["add", sys.argv[1], "P01", "--like", "201", "--reason", "found behind the rack"])
"""


@pytest.mark.slow
def test_a_kill_before_any_rename_leaves_the_old_study_or_the_whole_new_one(tmp_path):
    start = locked(tmp_path / "start")
    names, seen = set(), set()
    for point in range(40):
        root = Path(shutil.copytree(start, tmp_path / f"k{point}"))
        done = subprocess.run([sys.executable, "-c", CHILD, str(root), str(point)], capture_output=True, env=os.environ,
                              check=False)
        study = load_study(root)  # the next to open the study finishes a change that was made
        there = "P01" in set(load_tables(root, with_results=False).containers["container"])
        amended = len(read_lock(root)) == 2
        rows = [("P01" in (root / f"plan/{t}.csv").read_text()) for t in ("containers", "samples", "draws", "key")]
        assert {there, amended, *rows} == {there}, point
        assert lock_status(root, study).state == "locked"
        assert not (root / WAITING).exists()
        seen.add(there)
        names.add(done.returncode)
        if done.returncode == 0:
            break
    assert seen == {True, False}
    assert -signal.SIGKILL in names


@pytest.mark.slow
def test_a_change_that_came_with_a_study_moves_nothing_but_the_plan(tmp_path):
    root = planned(tmp_path)
    write_text(root / WAITING / "raw/results.csv", "forged\n")
    write_text(root / WAITING / "plan/note.txt", "moved\n")
    with pytest.raises(BadInput, match="was not made on this machine"):
        load_study(root)
    assert not (root / "plan/note.txt").exists()
    write_text(root / WAITING / MADE_ON, platform.node())
    finish_change(root)
    assert not (root / "raw/results.csv").exists()
    assert (root / "plan/note.txt").exists()


def test_lines_are_added_byte_for_byte_and_a_new_column_is_empty_above():
    assert with_rows(b"a,b\r\n1,2", [{"a": "3", "b": ""}]) == b"a,b\r\n1,2\n3,\r\n"
    assert with_rows(b"a\n1\n", [{"a": "3", "c": "x"}]) == b"a,c\n1,\n3,x\n"
    assert with_rows(b"", [{"a": "3"}]) == b"a\n3\n"


def test_an_empty_name_is_refused(tmp_path):
    root = locked(tmp_path)
    with pytest.raises(BadInput, match="must not be empty"):
        add_containers(root, [""], reason="found behind the rack", like="201")


@pytest.mark.slow
def test_containers_added_to_planned_visits_are_drawn_at_every_one(tmp_path):
    root, study = visited(tmp_path, "same")
    plan(root, study)
    lock_plan(root, study, today=dt.date(2026, 2, 1))
    before = pd.read_csv(root / "plan/key.csv", dtype=str, keep_default_na=False)
    add_containers(root, ["P01", "P02"], like=before.loc[before["container"] != "", "container"].iloc[0],
                   reason="two pails were found behind the rack", now=dt.datetime(2026, 3, 1, tzinfo=dt.UTC))
    key = pd.read_csv(root / "plan/key.csv", dtype=str, keep_default_na=False)
    added = key[~key["sample"].isin(before["sample"])]
    assert set(added["run"]).isdisjoint(before["run"])
    assert (added.groupby("run")["visited_on"].nunique() == 1).all()
    assert added[added["container"] == "P01"]["visited_on"].nunique() == 3
    assert {p.name for p in (root / "plan/sheets/added-1").iterdir()} == {"visit-1", "visit-2", "visit-3"}


@pytest.mark.parametrize(("today", "planned_on", "said"), [
    (dt.date(2026, 3, 2), ["2026-03-02", "2026-09-01", "2027-03-01"], ""),  # the day itself
    (dt.date(2026, 3, 3), ["2026-09-01", "2027-03-01"], "visits whose day is past: 2026-03-02; what is added is planned for "
     "2026-09-01, 2027-03-01 only"),
    (dt.date(2028, 1, 1), ["2027-03-01"], "on which day will these be drawn?")])
def test_what_is_added_is_planned_for_visits_that_can_still_be_made(tmp_path, today, planned_on, said):
    """A stranger's two drums were planned for a visit long past, without a word."""
    _, study = visited(tmp_path, "same")
    ahead, told = visits_ahead(study, today)
    assert ahead.time is not None
    assert [d.isoformat() for d in ahead.time.visits] == planned_on
    assert len(told) == bool(said)
    assert said in " ".join(told)


@pytest.mark.slow
def test_a_late_addition_is_drawn_at_the_visits_ahead_and_that_is_said(tmp_path):
    root, study = visited(tmp_path, "same", containers=4)
    plan(root, study)
    lock_plan(root, study, today=dt.date(2026, 2, 1))
    known = set(pd.read_csv(root / "plan/samples.csv", dtype=str)["sample"])
    made = add_containers(root, ["P01"], like="201", reason="found behind the rack", now=dt.datetime(2026, 6, 1, tzinfo=dt.UTC))
    rows = pd.read_csv(root / "plan/samples.csv", dtype=str)
    mine = rows[~rows["sample"].isin(known) & (rows["container"] == "P01")]
    assert set(mine["visited_on"]) == {"2026-09-01", "2027-03-01"}
    assert any(n.startswith("visits whose day is past: 2026-03-02") for n in made.notes)


@pytest.mark.slow
def test_after_an_addition_a_page_of_the_plan_is_said_to_be_old(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    root = locked(tmp_path / "s")
    said = ("add", root, "P01", "--like", "201", "--set", "fill_volume_l=19", "--reason", "found behind the rack")
    write_text(root / "plan/pages/plan.html", "<p>plan</p>")
    assert run(*said) == 0
    assert "plan.html still shows the plan without them" in capsys.readouterr().out
