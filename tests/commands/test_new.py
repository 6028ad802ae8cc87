"""A new study: a seed, and so blind codes, of its own, all else as the template; or one written from answers."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest
import typer

from studykit.commands import plan as commands_plan
from studykit.commands.cli import main
from studykit.commands.new import new_study
from studykit.report.manifest import GIT, unlisted
from studykit.sampling.plan import plan as planned
from studykit.study.codes import make_codes
from studykit.study.definition import load_study
from studykit.study.stages import HERE
from tests.study.test_asking import DRUMS, PAILS, TOTE


def test_six_new_studies_have_six_seeds_and_codes_of_their_own(tmp_path: Path) -> None:
    roots = [tmp_path / f"study {k}" for k in range(6)]
    for root in roots:
        new_study(root)
    seeds = [load_study(root).seed for root in roots]
    assert len(set(seeds)) == 6
    assert len({make_codes(40, seed) for seed in seeds}) == 6
    assert all(10**8 <= seed < 10**9 for seed in seeds)
    template = (HERE / "templates/new/study.toml").read_text(encoding="utf-8").splitlines()
    for root, seed in zip(roots, seeds, strict=True):
        lines = (root / "study.toml").read_text(encoding="utf-8").splitlines()
        assert [(a, b) for a, b in zip(template, lines, strict=True) if a != b] == [
            (a, a.replace(f"1{' ' * 8}", str(seed))) for a in template if a.startswith("seed")]


def test_a_template_with_its_seed_would_share_its_codes() -> None:
    assert make_codes(40, 1) == make_codes(40, 1)


@pytest.mark.skipif(shutil.which("git") is None, reason="git is not installed on this machine")
def test_git_is_kept_from_rewriting_the_line_ends_of_a_new_study(tmp_path: Path) -> None:
    root = tmp_path / "study"
    new_study(root)
    assert unlisted(root) == ()
    (root / "raw/results.csv").write_bytes(b"a,b\n1,2\n")
    for command in (["init"], ["config", "core.autocrlf", "true"], ["add", "."],
                    ["-c", "user.name=x", "-c", "user.email=x@example.org", "commit", "-m", "x"],
                    ["rm", "-q", "raw/results.csv"], ["reset", "--hard", "HEAD"]):
        subprocess.run(["git", "-C", str(root), *command], check=True, capture_output=True)
    assert (root / "raw/results.csv").read_bytes() == b"a,b\n1,2\n"
    (root / GIT).write_text("* text\n")
    assert GIT in unlisted(root)
    subprocess.run(["git", "-C", str(root), "rm", "-q", "--cached", "raw/results.csv"], check=True, capture_output=True)
    subprocess.run(["git", "-C", str(root), "add", "."], check=True, capture_output=True)
    (root / "raw/results.csv").unlink()
    subprocess.run(["git", "-C", str(root), "checkout", "raw/results.csv"], check=True, capture_output=True)
    assert (root / "raw/results.csv").read_bytes() == b"a,b\r\n1,2\r\n"  # what else happens


def at_a_terminal(monkeypatch: pytest.MonkeyPatch, replies: list[str]) -> list[str]:
    """A person who types these replies one after the other, then Ctrl-C; the questions as they come."""
    questions: list[str] = []

    def prompt(text: str, default: str = "", **_: object) -> str:
        questions.append(text)
        if len(questions) > len(replies):
            raise typer.Abort
        return replies[len(questions) - 1] or default

    monkeypatch.setattr(typer, "prompt", prompt)
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(isatty=lambda: True))
    monkeypatch.setattr("studykit.commands.planning.sys", SimpleNamespace(
        stdin=sys.stdin, stdout=SimpleNamespace(isatty=lambda: True)))
    return questions


REPLIES = ["coolant 33", "tote", "1", "", "pH", "", "pH, ASTM D1287-11", "r 0.1 pH", "0.3 pH", "the buffer holds half a unit",
           "workshop lead"]


def test_a_person_is_asked_and_the_result_passes_the_check(monkeypatch, tmp_path, capsys) -> None:
    asked = at_a_terminal(monkeypatch, REPLIES)
    assert main(["new", str(tmp_path / "tote")]) == 0
    assert len(asked) == len(REPLIES)
    told = capsys.readouterr().out
    assert "filled to 1000 L each" in told
    assert main(["check", str(tmp_path / "tote")]) == 0
    assert load_study(tmp_path / "tote").analytes["pH"].margin.absolute == 0.3


def test_a_bad_answer_is_asked_again_with_one_message(monkeypatch, tmp_path, capsys) -> None:
    replies = [*REPLIES[:2], "one", *REPLIES[2:8], "don't know", "5 %", *REPLIES[8:]]
    asked = at_a_terminal(monkeypatch, replies)
    assert main(["new", str(tmp_path / "tote")]) == 0
    assert sum(q.startswith("How many totes") for q in asked) == 2
    assert sum("largest difference" in q for q in asked) == 3
    told = capsys.readouterr().out
    assert told.count("write a whole number, 1 or more") == 1
    assert told.count("pH is a logarithm already") == 1


@pytest.mark.parametrize("after", [0, 4, 10])
def test_ctrl_c_leaves_nothing(monkeypatch, tmp_path, capsys, after) -> None:
    at_a_terminal(monkeypatch, REPLIES[:after])
    assert main(["new", str(tmp_path / "tote")]) == 130
    assert "stopped" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.few(1)
@pytest.mark.parametrize("given", [TOTE, DRUMS, PAILS], ids=["tote", "drums", "pails"])
def test_a_file_of_answers_gives_a_study_that_passes_the_check(tmp_path, capsys, given) -> None:
    file, root = tmp_path / "answers.toml", tmp_path / "study"
    file.write_text("".join(f"{k} = {json.dumps(v, ensure_ascii=False)}\n" for k, v in given.items() if k != "count"),
                    encoding="utf-8")
    assert main(["new", str(root), "--answers", str(file), "--answer", f"count={given['count']}"]) == 0
    assert "Assumed" in capsys.readouterr().out
    assert main(["check", str(root)]) == 0
    assert "no fault found" in capsys.readouterr().out


def test_bad_answers_are_told_all_at_once_and_nothing_is_written(tmp_path, capsys) -> None:
    assert main(["new", str(tmp_path / "s"), "--answer", "fluid=gear oil", "--answer", "count"]) == 2
    assert "is not KEY=VALUE" in capsys.readouterr().err
    words = [w for k, v in {**DRUMS, "margin.P": "10", "filled": "soon"}.items() for w in ("--answer", f"{k}={v}")]
    assert main(["new", str(tmp_path / "s"), *words]) == 2
    told = capsys.readouterr().err
    assert "2 faults" in told
    assert "margin.P" in told
    assert list(tmp_path.iterdir()) == []


def test_without_a_terminal_and_answers_it_is_the_template(tmp_path, capsys) -> None:
    assert main(["new", str(tmp_path / "s")]) == 0
    assert "A study to fill in" in capsys.readouterr().out


def test_back_returns_to_the_question_before_with_all_that_followed(monkeypatch, tmp_path, capsys) -> None:
    replies = ["back", *REPLIES[:2], "12", "back", "BACK", "back", *REPLIES]
    asked = at_a_terminal(monkeypatch, replies)
    assert main(["new", str(tmp_path / "tote")]) == 0
    assert [q[:4] for q in asked[:8]] == ["What", "What", "In w", "How ", "How ", "How ", "In w", "What"]
    assert load_study(tmp_path / "tote").scope == "container"
    assert "back returns to the question before" in capsys.readouterr().out


def test_a_share_that_cannot_be_shown_is_told_at_once(monkeypatch, tmp_path, capsys) -> None:
    at_a_terminal(monkeypatch, ["gear oil", "drum", "", "20", "12", "10"])
    assert main(["new", str(tmp_path / "s")]) == 130
    told = capsys.readouterr().out
    assert "29 would have to be opened, and there are 20 (another answer: back)" in told


def test_the_readme_of_one_container_speaks_of_no_marks_that_are_not_there(tmp_path, capsys) -> None:
    words = [w for k, v in TOTE.items() for w in ("--answer", f"{k}={v}")]
    assert main(["new", str(tmp_path / "s"), *words]) == 0
    assert "<--" not in (tmp_path / "s/README.txt").read_text(encoding="utf-8")
    told = capsys.readouterr().out
    assert all(f"studykit {c} " in told for c in ("check", "plan", "lock", "report"))
    assert main(["new", str(tmp_path / "t"), "--single"]) == 0
    assert "<--" in (tmp_path / "t/README.txt").read_text(encoding="utf-8")
    assert "<--" in (tmp_path / "t/study.toml").read_text(encoding="utf-8")


def visited(tmp_path: Path, days: list[str]) -> Path:
    """Forty pails, sixteen of which are drawn again at these visits; not planned yet."""
    root = tmp_path / "visited"
    assert main(["new", str(root), *(w for k, v in PAILS.items() for w in ("--answer", f"{k}={v}"))]) == 0
    time = f'\n[time]\ncourse = "linear"\nstarts = "filled"\nvisits = {json.dumps(days)}\ncontainers = "same"\n'
    with (root / "study.toml").open("a", encoding="utf-8") as file:
        file.write(time)
    return root


@pytest.mark.slow
@pytest.mark.parametrize(("days", "two"), [(["2027-03-02", "2028-03-02"], True),
                                           (["2027-03-02", "2028-03-02", "2029-03-02"], False)])
def test_check_and_plan_name_two_ages_of_planned_visits(monkeypatch, tmp_path, capsys, days, two) -> None:
    """As docs/time.md says; they had been told by the page of the plan alone."""
    root = visited(tmp_path, days)
    monkeypatch.setattr(commands_plan, "_run", lambda root, study, *_: planned(root, study, bottles=1000))  # without notebooks
    monkeypatch.setattr(commands_plan, "exchange", lambda *_: None)
    notes = commands_plan.make_plan_pages(root, lambda _: None).notes
    assert any("there are two ages only" in n for n in notes) == two
    capsys.readouterr()
    assert main(["check", str(root)]) == 0
    assert ("there are two ages only" in capsys.readouterr().out) == two
