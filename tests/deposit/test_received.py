"""A deposit as its reader gets it: one zip, verified and rechecked by the commands, whatever its sender did to it."""

from __future__ import annotations

import json
import platform
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from studykit.commands.cli import main
from studykit.core.change import MADE_ON, WAITING
from studykit.core.files import write_text
from studykit.deposit.bag import DECLARATION, bag_files, zipped
from studykit.deposit.pack import differences
from studykit.report.manifest import FILE, canonical
from tests.report.filed import filed_tote, pretend, rehash


def sent(bag: Path, folder: Path, change: Callable[[Path], object], **more: str) -> Path:
    """The deposit after a change by a sender who then corrects every hash of manifest and bag; ``more``: lines of the bag."""
    data = Path(shutil.copytree(bag / "data", folder / "data"))
    change(data)
    rehash(data / "study")
    files = {p.relative_to(data).as_posix(): p.read_bytes() for p in data.rglob("*") if p.is_file()}
    told = (bag / "bag-info.txt").read_text(encoding="utf-8").splitlines()
    target = folder / "sent.zip"
    target.write_bytes(zipped("tote", bag_files(files, dict(line.split(": ", 1) for line in told[:-1]) | more)))
    return target


def edit(path: str, old: str, new: str) -> Callable[[Path], object]:
    """Replace a text that must be there."""
    def change(data: Path) -> None:
        text = (data / path).read_text(encoding="utf-8")
        assert old in text
        write_text(data / path, text.replace(old, new, 1))
    return change


def claim_another_kit(data: Path) -> None:
    """Let the manifest name another kit, under which the deposit is said to have been made."""
    path = data / "study" / FILE
    told = json.loads(path.read_text(encoding="utf-8"))
    told["kit"]["code"] = "0" * 64
    path.write_text(canonical(told), encoding="utf-8")


def waiting(data: Path) -> None:
    """A change of the study for the reader's machine, which the next command there would make."""
    write_text(data / "study" / WAITING / "study.toml", "title = 1")
    write_text(data / "study" / WAITING / MADE_ON, platform.node())


def test_a_whole_deposit_is_verified_and_rechecked_where_it_lies(packed, tmp_path, monkeypatch, capsys):
    pretend(monkeypatch, filed_tote())
    temporary = tmp_path / "tmp"
    temporary.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(temporary))
    here = Path(shutil.copy(packed, tmp_path / "tote.zip"))
    assert main(["verify", str(here)]) == 0
    assert "files agree with report/manifest.json" in capsys.readouterr().out
    assert sorted(p.name for p in tmp_path.iterdir()) == ["tmp", "tote.zip"]
    assert main(["recheck", str(here)]) == 0
    assert "the filed study follows from its raw data" in capsys.readouterr().out
    assert sorted(p.name for p in tmp_path.iterdir()) == ["tmp", "tote.recheck.html", "tote.recheck.json", "tote.zip"]
    assert json.loads((tmp_path / "tote.recheck.json").read_text())["differences"] == []
    assert here.read_bytes() == packed.read_bytes()
    assert list(temporary.iterdir()) == []


@pytest.mark.slow
@pytest.mark.parametrize(("change", "code", "words"), [
    (edit("study/report/report.html", "Stratified: ", "Homogeneous: "), 7, "page: report.html under"),
    (edit("study/tidy/results.csv", "690", "590"), 7, "tidy/results.csv line"),
    (edit("rederive.R", "1e-6", "1e6"), 7, "deposit: rederive.R: filed present, now other"),
    (edit("README.txt", "sha512sum", "sh run-me.sh; sha512sum"), 7, "deposit: README.txt"),
    (lambda data: write_text(data / "run-me.sh", "x"), 7, "deposit: run-me.sh: filed present, now not made by the kit"),
    (edit("requirements.txt", "==", "==0.0+"), 7, "requirements.txt: 1 package has another version here"),
    (edit("requirements.txt", "numpy==", "numpie=="), 7, "no package that this kit needs"),
    (edit("requirements.txt", "numpy==", "numpy==0.0.1\nnumpy=="), 7, "a package once"),
    (lambda data: (data / "container-summary.xlsx").write_bytes(b"PK"), 7, "deposit: container-summary.xlsx"),
    (lambda data: (edit("rederive.R", "1e-6", "1e6")(data), claim_another_kit(data)), 7, "deposit: rederive.R: filed present"),
    (waiting, 7, f"folder: {WAITING}: filed no such folder"),
])
@pytest.mark.few(1)
def test_what_its_sender_changed_is_named(bag, change, code, words, tmp_path, monkeypatch, capsys):
    pretend(monkeypatch, filed_tote())
    assert main(["recheck", str(sent(bag, tmp_path, change))]) == code
    said = capsys.readouterr()
    assert words in said.out + said.err


@pytest.mark.slow
def test_words_of_the_bag_itself_are_compared_too(bag, tmp_path, monkeypatch, capsys):
    pretend(monkeypatch, filed_tote())
    assert main(["verify", str(sent(bag, tmp_path, lambda data: None))]) == 0
    assert "what lies beside the study in this deposit" in capsys.readouterr().out
    assert main(["recheck", str(tmp_path / "sent.zip")]) == 0
    shutil.rmtree(tmp_path / "data")
    told = {"External-Description": "Homogeneous: all, checked by the authority"}
    assert main(["recheck", str(sent(bag, tmp_path, lambda data: None, **told))]) == 7
    assert "deposit: bag-info.txt: filed other words" in capsys.readouterr().err


@pytest.mark.slow
def test_the_declaration_of_the_bag_is_compared(bag):
    """RFC 8493, 2.1.1: version and encoding; another one makes other programs read other names."""
    assert differences(bag) == ([], [])
    (bag / "bagit.txt").write_text("BagIt-Version: 0.97\nTag-File-Character-Encoding: UTF-16\n")
    try:
        assert [d["what"] for d in differences(bag)[0]] == ["bagit.txt"]
    finally:
        (bag / "bagit.txt").write_text(DECLARATION)


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("Rscript") is None, reason="R is not installed on this machine")
def test_somebody_with_r_alone_gets_the_verdict_intervals_out_of_the_zip(bag, tmp_path):
    data = Path(shutil.copytree(bag / "data", tmp_path / "data"))
    told = subprocess.run(["Rscript", "rederive.R"], cwd=data, capture_output=True, text=True, timeout=300, check=False)
    assert told.returncode == 0, told.stdout + told.stderr
    assert "6 verdict intervals agree to 1e-6 and allow their words" in told.stdout
