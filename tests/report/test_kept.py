"""Only what changed runs again: which change runs which stage, and that no edit of a filed report is ever taken over.

The stages are stood in for by a few lines that read what the real ones may read; that the real ones read no more is
shown at the end, where each opens a study before witnesses.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from studykit.core.errors import StageFailed
from studykit.core.memory import PLACE as MEMORY
from studykit.demos.shipped import copy_demo
from studykit.intake.take import run_intake
from studykit.report import kept as keeping
from studykit.report import make, run
from studykit.report.kept import MOST, PAGE, PLACE, Kept, hashes_under, may_read, remembered
from studykit.report.manifest import FILE
from studykit.report.recheck import recheck
from studykit.report.run import PART, exchange
from studykit.study.definition import load_study
from studykit.study.excluding import exclude
from studykit.study.reading import FILE as WHOLE
from studykit.study.stages import NOTES, READS, READS_FROM, STEMS, share
from studykit.study.tables import load_tables
from tests.posix import posix

FILES = ("study.toml", "intake.toml", "plan/containers.csv", "plan/samples.csv", "plan/plan.lock", "plan/draws.csv",
         "plan/check_limits.csv", "plan/exclusions.csv", "raw/one.csv", "tidy/results.csv", "notebooks/00-study.ipynb")


@pytest.fixture(autouse=True)
def place(tmp_path, monkeypatch):
    """A home of this test's own."""
    monkeypatch.setenv(PLACE, str(tmp_path / "home"))
    return tmp_path / "home"


@pytest.fixture
def root(tmp_path):
    folder = tmp_path / "study"
    for name in FILES:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(f"{name}: 1\n")
    return folder


def report(root, *, fresh=False, notebooks=None, parameters=None, meanwhile=lambda: None, extra="", heard=None):
    """A report as ``make_report`` makes it, its stages two lines each; the stages that ran, and the page if it was made.

    Each gives the hash of all that it may read; 03-intake gives only the first signs of its files (results may agree
    where raw files do not). ``heard``: the values of study.toml that each reads and writes down; none: it does not say.
    """
    part, ran = root / PART, []
    shutil.rmtree(part, ignore_errors=True)
    kept = Kept(root, part, notebooks or share("notebooks"), parameters or {}, fresh=fresh)
    for stem in STEMS:
        if kept.take(stem):
            continue
        ran.append(stem)
        own = "".join(p.read_text()[:20 if stem == "03-intake" else None] for p in sorted(root.rglob("*"))
                      if p.is_file() and may_read(stem, p.relative_to(root).as_posix()))
        before = [hashes_under(part / s) for s in sorted(READS_FROM[stem])]
        (part / stem).mkdir(parents=True)
        for name in (f"{stem}.ipynb", "numbers.json"):
            (part / stem / name).write_text(hashlib.sha256(f"{name} {own} {before}".encode()).hexdigest())
        if heard is not None:
            notes = Path(kept.environment[NOTES])
            notes.mkdir(parents=True, exist_ok=True)
            (notes / stem).write_text("\n" + "".join(f"{h}\n" for h in heard.get(stem, ())))
            kept.finished(stem)
    meanwhile()
    if not kept.take_page(STEMS):
        ran.append(PAGE)
        (part / PAGE).write_text("page of " + (part / "07-report/07-report.ipynb").read_text())
    (part / "manifest.json").write_text(json.dumps([hashes_under(part), extra]))
    exchange(root)
    kept.remember()
    return ran


def after(*changed):
    """The stages that may read one of these files, and those that read what they give."""
    hit = set()
    for stem in STEMS:
        if any(may_read(stem, c) for c in changed) or READS_FROM[stem] & hit:
            hit.add(stem)
    return [s for s in STEMS if s in hit]


def test_a_second_report_of_the_same_runs_nothing_and_is_the_same(root):
    assert report(root) == [*STEMS, PAGE]
    before = hashes_under(root / "report")
    assert report(root) == []
    assert hashes_under(root / "report") == before
    assert report(root) == []  # a report of which all was taken over is one of this user's too


@pytest.mark.few(2)
@pytest.mark.parametrize("name", FILES)
def test_a_changed_file_runs_what_may_read_it_and_what_follows_from_that(root, name):
    report(root)
    (root / name).write_text(f"{name}: 2, which is longer than twenty signs\n")
    wanted = after(name)
    assert wanted, name
    assert report(root) == [*wanted, PAGE]
    (root / name).unlink()
    assert report(root) == [*wanted, PAGE]


def test_what_a_change_runs_in_words(root):
    """From the issue's point of view: exclusions run no design, new raw files no design, a margin all but nothing."""
    assert after("plan/exclusions.csv") == ["02-sampling", "04-quality", "05-model", "06-verdict", "07-report"]
    assert "01-design" not in after("raw/one.csv", "tidy/results.csv")
    assert after("study.toml") == list(STEMS)


HEARD = {"00-study": ("title",), "01-design": ("analytes.P.margin",), "03-intake": ("analytes.P.unit",), "07-report": (WHOLE,)}
QUESTION = 'title = "one"\n\n[analytes.P]\nunit = "%"\nmargin = { factor = 2 }\n'


@pytest.mark.few(1)
@pytest.mark.parametrize(("old", "new", "runs"), [
    ("factor = 2", "factor = 3", ["01-design", "07-report", PAGE]),
    ("one", "another", ["00-study", "07-report", PAGE]),
    ('unit = "%"', 'unit = "g"', ["03-intake", "07-report", PAGE]),
    ("factor = 2", "absolute = 2", [*STEMS, PAGE]),  # other keys
    ('unit = "%"', 'unit = "%"\nlabel = "x"', [*STEMS, PAGE]),
    ('unit = "%"', 'unit = "%"  # a remark', ["07-report", PAGE]),
])
def test_of_study_toml_count_the_values_that_a_stage_read(root, old, new, runs):
    (root / "study.toml").write_text(QUESTION)
    assert report(root, heard=HEARD) == [*STEMS, PAGE]
    assert report(root, heard=HEARD) == []
    (root / "study.toml").write_text(QUESTION.replace(old, new))
    assert report(root, heard=HEARD) == runs
    assert report(root, heard=HEARD) == []  # what was taken over still counts
    (root / "study.toml").write_text(QUESTION)
    assert set(runs) <= set(report(root, heard=HEARD))


def test_a_stage_that_does_not_say_what_it_reads_reads_all(root):
    (root / "study.toml").write_text(QUESTION)
    report(root)
    (root / "study.toml").write_text(QUESTION + "# a remark")
    assert report(root) == [*STEMS, PAGE]


@pytest.mark.slow
def test_two_orders_of_the_same_values_are_two_studies(root):
    """Tables stand in the order in which study.toml names their rows."""
    (root / "study.toml").write_text("[analytes]\nP.unit = 1\nS.unit = 1\n")
    report(root, heard={})
    (root / "study.toml").write_text("[analytes]\nS.unit = 1\nP.unit = 1\n")
    assert report(root, heard={}) == [*STEMS, PAGE]


def test_a_file_that_came_counts_as_a_change(root):
    (root / "plan/exclusions.csv").unlink()
    report(root)
    (root / "plan/exclusions.csv").write_text("sample\n")
    assert report(root) == [*after("plan/exclusions.csv"), PAGE]
    (root / "raw/two.csv").write_text("x")
    assert "03-intake" in report(root)


def test_a_stage_that_gives_the_same_again_runs_no_other(root):
    """The raw file differs beyond what the stand-in of the intake reads; only the report looks at raw files itself."""
    report(root)
    (root / "raw/one.csv").write_text("raw/one.csv: 1\n" + " " * 30 + "a remark")
    report(root)
    (root / "raw/one.csv").write_text("raw/one.csv: 1\n" + " " * 30 + "another remark")
    assert report(root) == ["03-intake", "07-report", PAGE]


@pytest.mark.few(3)
@pytest.mark.parametrize("stem", STEMS)
@pytest.mark.parametrize("how", ["edited", "emptied", "gone"])
def test_a_filed_stage_that_is_not_as_it_was_left_runs_anew(root, stem, how):
    report(root)
    good, path = (root / "report" / stem / "numbers.json").read_text(), root / "report" / stem / "numbers.json"
    path.unlink() if how == "gone" else path.write_text("" if how == "emptied" else good + " ")
    assert report(root) == [stem]
    assert (root / "report" / stem / "numbers.json").read_text() == good


@posix
def test_nothing_is_read_through_a_link(root, tmp_path):
    report(root)
    os.replace(root / "report/04-quality", tmp_path / "elsewhere")
    (root / "report/04-quality").symlink_to(tmp_path / "elsewhere")
    assert "04-quality" in report(root)


def test_what_was_added_to_a_filed_stage_is_not_taken_over(root):
    report(root)
    (root / "report/05-model/added.csv").write_text("x")
    assert report(root) == []
    assert not (root / "report/05-model/added.csv").exists()


def test_an_edited_page_is_made_anew(root):
    report(root)
    (root / "report" / PAGE).write_text("another verdict")
    assert report(root) == [PAGE]


def test_a_sender_who_corrects_every_hash_gains_nothing(root):
    """Results and manifest edited together agree with one another; no run of this user left such a manifest."""
    report(root)
    (root / "report/06-verdict/numbers.json").write_text("homogeneous")
    made = {n: h for n, h in hashes_under(root / "report").items() if n != "manifest.json"}
    (root / FILE).write_text(json.dumps([made, ""]))
    assert remembered(root) == {}
    assert report(root) == [*STEMS, PAGE]


def test_a_report_of_another_user_or_machine_is_run_anew(root, tmp_path, monkeypatch):
    report(root)
    monkeypatch.setenv(PLACE, str(tmp_path / "another home"))
    assert report(root) == [*STEMS, PAGE]


def test_another_manifest_is_another_report(root):
    report(root)
    (root / FILE).write_text((root / FILE).read_text() + " ")
    assert report(root) == [*STEMS, PAGE]


def test_an_input_that_changed_while_it_ran_is_not_remembered(root):
    """Some stages saw the old one and some the new one; nobody can tell which."""
    report(root, meanwhile=lambda: (root / "study.toml").write_text("edited meanwhile"))
    assert remembered(root) == {}
    assert report(root) == [*STEMS, PAGE]


def test_other_parameters_programs_or_code_run_all(root, monkeypatch):
    report(root)
    assert report(root, parameters={"level": 0.9}) == [*STEMS, PAGE][:-1]
    report(root)
    with monkeypatch.context() as m:
        m.setattr(keeping, "package_versions", lambda: {"numpy": "99"})
        assert report(root) == [*STEMS, PAGE]
    report(root)
    monkeypatch.setattr(keeping, "kit_identity", lambda: {"code": "another"})
    assert report(root) == [*STEMS, PAGE]


def test_another_notebook_runs_its_stage(root, tmp_path):
    books = Path(shutil.copytree(share("notebooks"), tmp_path / "books"))
    report(root, notebooks=books)
    (books / "04-quality.ipynb").write_text((books / "04-quality.ipynb").read_text() + "\n")
    assert report(root, notebooks=books) == ["04-quality"]


def test_a_studys_own_notebooks_always_run(root):
    """They may read anything, so nothing tells whether all that they read is as it was."""
    for stem in STEMS:
        shutil.copy(share("notebooks") / f"{stem}.ipynb", root / "notebooks")
    for _ in range(2):
        assert report(root, notebooks=root / "notebooks", extra="own") == [*STEMS, PAGE]
    report(root)  # nor is what they gave taken for what the kit's give
    report(root, notebooks=root / "notebooks", extra="own")
    assert report(root) == [*STEMS, PAGE]


def test_fresh_runs_all(root):
    report(root)
    assert report(root, fresh=True) == [*STEMS, PAGE]
    assert report(root) == []


@pytest.mark.few(3)
@pytest.mark.parametrize("text", ["", "[]", "{}", '{"01-design": 1}', '{"01-design": {"key": "x"}}', "\x00", '{"a": {"key": 1, '
                                  '"files": []}}'])
def test_a_damaged_memory_is_none(root, place, text):
    report(root)
    for path in place.glob("*.json"):
        path.write_text(text)
    assert report(root) == [*STEMS, PAGE]


def test_a_memory_that_names_files_elsewhere_reads_none_of_them(root, place):
    report(root)
    (path,) = place.glob("*.json")
    told = json.loads(path.read_text())
    told["04-quality"]["files"]["../study.toml"] = hashlib.sha256((root / "study.toml").read_bytes()).hexdigest()
    path.write_text(json.dumps(told))
    assert report(root) == ["04-quality"]


def test_a_home_that_cannot_be_written_stops_nothing(root, place):
    place.write_text("a file stands where the folder belongs")
    for _ in range(2):
        assert report(root) == [*STEMS, PAGE]


def test_what_was_remembered_longest_ago_is_forgotten(root, place):
    place.mkdir()
    for k in range(MOST + 5):
        (place / f"{k}.json").write_text("{}")
        os.utime(place / f"{k}.json", (k, k))
    report(root)
    left = {p.stem for p in place.glob("*.json")}
    assert len(left) == MOST
    assert {str(k) for k in range(6)}.isdisjoint(left)
    assert report(root) == []


def test_a_killed_run_leaves_nothing_that_counts(root):
    """Stages of a run that never ended lie in report.part; the next one starts without them, from the filed report."""
    report(root)
    (root / "study.toml").write_text("another question")
    kept = Kept(root, root / PART, share("notebooks"), {}, fresh=False)
    assert not kept.take("00-study")
    (root / PART / "00-study").mkdir(parents=True)
    (root / PART / "00-study/numbers.json").write_text("half")
    assert report(root) == [*STEMS, PAGE]


def test_a_recheck_and_a_fresh_report_ask_nobody(tmp_path, monkeypatch):
    """Whatever is remembered is not even looked at."""
    asked, given = [], []

    def instead(*_, environment, **__):
        given.append(set(environment))
        raise StageFailed("stopped here")

    monkeypatch.setattr(keeping, "remembered", lambda root: asked.append(root) or {})
    monkeypatch.setattr(make, "run_stages", instead)
    study = copy_demo("tote", tmp_path / "tote")
    for options, looks in (({"separate": True}, 0), ({"fresh": True}, 0), ({}, 1)):
        with pytest.raises(StageFailed):
            make.make_report(study, lambda _: None, **options)
        assert len(asked) == looks
    assert given == [set(), {NOTES}, {NOTES, MEMORY}]  # nor does a stage then take what functions gave before


WITNESS = Path(__file__).with_name("witness.py")


def looked_at(study: Path, out: Path) -> dict[str, list[str]]:
    """What each of the kit's notebooks opens, lists or looks for in a study, by its path there; made by real runs."""
    said = subprocess.run([sys.executable, str(WITNESS), str(study), str(out)], check=True, capture_output=True, text=True)
    return dict(json.loads(said.stdout.splitlines()[-1]))


@pytest.mark.slow
@pytest.mark.parametrize("demo", ["tote", "ropeway", "forge", "slip", "beacon"])
def test_no_notebook_looks_at_a_file_that_it_is_not_known_to_read(tmp_path, demo):
    """An input that is in no key would be a change that nobody sees."""
    study = copy_demo(demo, tmp_path / demo)
    run_intake(study, load_study(study), load_tables(study, with_results=False).samples)
    seen = looked_at(study, study / PART)
    assert set(seen) == set(STEMS)
    for stem, paths in seen.items():
        unknown = [p for p in paths if not may_read(stem, p) and p.split("/")[0] != PART]
        assert unknown == [], stem
        others = {p.split("/")[1] for p in paths if p.startswith(f"{PART}/") and p.count("/") > 1}
        assert others - {stem} <= READS_FROM[stem], stem
    assert {r for reads in READS.values() for r in reads if not r.endswith("/")} <= {p for ps in seen.values() for p in ps}


def test_the_witness_sees_what_is_opened_listed_and_looked_for(tmp_path):
    """A notebook of the five ways to look at a file; a change that any of them could not see would go unseen."""
    study = tmp_path / "study"
    (study / "plan").mkdir(parents=True)
    for name in ("a.csv", "b.csv", "plan/c.csv"):
        (study / name).write_text("x\n1\n")
    books = tmp_path / "books"
    books.mkdir()
    cells = ["study = ''\nout_dir = ''",
             "import os, pandas\nfrom pathlib import Path\nroot = Path(study)\nopen(root / 'a.csv').read()\n"
             "pandas.read_csv(root / 'b.csv')\nlist((root / 'plan').iterdir())\n(root / 'absent.csv').exists()\n"
             "os.path.isfile(root / 'gone.csv')"]
    book = {"cells": [{"cell_type": "code", "source": c, "metadata": {"tags": ["parameters"] if k == 0 else []}}
                      for k, c in enumerate(cells)]}
    (books / "x.ipynb").write_text(json.dumps(book))
    said = subprocess.run([sys.executable, str(WITNESS), str(study), str(study / PART), str(books)], check=True,
                          capture_output=True, text=True)
    assert json.loads(said.stdout.splitlines()[-1]) == {"x": ["a.csv", "absent.csv", "b.csv", "gone.csv", "plan/"]}


def stopped(root, after, *, fresh=False):
    """A run that is stopped once these stages have run; the stages it did not have to run."""
    kept = Kept(root, root / PART, share("notebooks"), {}, fresh=fresh)
    ready = []
    for stem in STEMS[:after]:
        if kept.take(stem):
            ready.append(stem)
            continue
        (root / PART / stem).mkdir(parents=True)
        (root / PART / stem / "numbers.json").write_text("1")
        kept.finished(stem)
    return ready


def test_stages_that_finished_before_a_stop_do_not_run_again(root):
    assert stopped(root, 4) == []
    assert stopped(root, 5) == list(STEMS[:4])  # the fifth ran now
    assert stopped(root, 5) == list(STEMS[:5])
    shutil.rmtree(root / PART)
    assert stopped(root, 5) == []
    assert stopped(root, 5, fresh=False) == list(STEMS[:5])
    shutil.rmtree(root / PART)
    assert stopped(root, 2, fresh=True) == []


@pytest.mark.parametrize("spoil", [
    lambda root: (root / PART / STEMS[0] / "numbers.json").write_text("2"),
    lambda root: (root / PART / STEMS[0] / "more.json").write_text("2"),
    lambda root: (root / PART / STEMS[0] / "numbers.json").unlink(),
    lambda root: (root / "study.toml").write_text("study.toml: 2"),
])
def test_what_changed_since_the_stop_runs_again(root, spoil):
    stopped(root, 1)
    spoil(root)
    assert stopped(root, 1) == []
    assert (root / PART / STEMS[0] / "numbers.json").read_text() == "1"
    assert sorted(p.name for p in (root / PART / STEMS[0]).iterdir()) == ["numbers.json"]


def test_a_filed_report_forgets_the_stop_before_it(root, place):
    stopped(root, 3)
    assert list(place.glob("stopped-*.json"))
    report(root)
    assert not list(place.glob("stopped-*.json"))


@pytest.mark.slow
def test_a_report_after_a_stop_runs_only_what_had_not_finished_and_gives_the_same_files(tmp_path, monkeypatch):
    """The model's kernel never answers; the run says what is kept, and the next one goes on from there."""
    study, said, real = copy_demo("tote", tmp_path / "tote"), [], run._execute

    def busy(source, *rest):
        if source.stem == "05-model":
            raise StageFailed("05-model.ipynb: no kernel answered")
        return real(source, *rest)

    monkeypatch.setattr(run, "_execute", busy)
    with pytest.raises(StageFailed, match=r"finished, and kept for the next run: 00-study, .*04-quality"):
        make.make_report(study, lambda _: None)
    monkeypatch.setattr(run, "_execute", real)
    (study / PART / "06-verdict").mkdir(exist_ok=True)
    (study / PART / "06-verdict/left").write_text("of the run that was stopped")
    make.make_report(study, said.append)
    assert sum("unchanged: taken from the run before" in s for s in said) >= 4
    assert not any("05-model  unchanged" in s for s in said)
    resumed = hashes_under(study / "report")
    make.make_report(study, lambda _: None, fresh=True)
    assert resumed == hashes_under(study / "report")


@pytest.mark.slow
def test_a_report_of_which_some_was_taken_over_is_that_of_a_run_of_all_and_can_be_rechecked(tmp_path):
    """The real notebooks: after an exclusion the design and the intake are taken over, and every file is as if run."""
    study, said = copy_demo("tote", tmp_path / "tote"), []
    make.make_report(study, lambda _: None)
    exclude(study, load_tables(study), "0287", analyte="Zn", reason="bottle broken on the way", who="A. Bench")
    made = make.make_report(study, said.append)
    taken = json.loads((study / FILE).read_text())["taken from the report before"]
    assert {"00-study", "01-design", "03-intake"} <= set(taken)
    assert not {"02-sampling", "04-quality", "05-model", "06-verdict", "07-report"} & set(taken)
    assert sum("unchanged: taken from the run before" in s for s in said) == len(taken)
    some = hashes_under(study / "report")
    assert make.make_report(study, lambda _: None, fresh=True).records == made.records
    every = hashes_under(study / "report")
    assert {n for n in some | every if some.get(n) != every.get(n)} == {"manifest.json"}
    make.make_report(study, lambda _: None)
    assert recheck(study, lambda _: None).differences == ()


@pytest.mark.slow
@pytest.mark.parametrize("demo", ["tote", "ropeway"])
def test_after_a_changed_margin_or_title_every_file_is_that_of_a_run_of_all(tmp_path, demo):
    """The real notebooks; what they write down of study.toml decides, and the intake reads no margin."""
    study = copy_demo(demo, tmp_path / demo)
    make.make_report(study, lambda _: None)
    for pattern, other, taken in ((r"relative_percent = ", "relative_percent = 1", {"03-intake"}),
                                  (r'(?m)^title = "', 'title = "Once more: ', {"01-design", "03-intake", "04-quality",
                                                                              "05-model"})):
        text = (study / "study.toml").read_text(encoding="utf-8")
        assert re.search(pattern, text)
        (study / "study.toml").write_text(re.sub(pattern, other, text, count=1), encoding="utf-8")
        make.make_report(study, lambda _: None)
        assert taken <= set(json.loads((study / FILE).read_text())["taken from the report before"])
        some = hashes_under(study / "report")
        make.make_report(study, lambda _: None, fresh=True)
        every = hashes_under(study / "report")
        assert {n for n in some | every if some.get(n) != every.get(n)} == {"manifest.json"}
