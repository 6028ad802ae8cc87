"""What macOS, Windows and file managers leave in folders: one note, no alarm, and nothing under such a name is read or run.

The names are common practice (from memory, no source); macOS puts ``__MACOSX/`` and ``._x`` into the zips that it makes.
"""

from __future__ import annotations

import io
import json
import shutil
import zipfile
from pathlib import Path

import pytest

from studykit.commands.cli import main
from studykit.core.litter import left_by_system, out_of_sight
from studykit.deposit.unpack import opened
from studykit.intake.mapping import hidden_files, raw_files, unread_files
from studykit.report.compare import compare_reports
from studykit.report.manifest import FILE, files_of
from studykit.report.own import copies_of, copy_notebooks
from studykit.report.recheck import copy_trusted
from studykit.report.stored import notebook_notes
from studykit.report.verify import verify
from studykit.study.seal import results_there
from tests.report.filed import pretend, rehash

LEFT = (".DS_Store", "._study.toml", "raw/Thumbs.db", "raw/desktop.ini", "raw/__MACOSX/._tote.csv", "raw/__MACOSX/more.csv",
        "plan/.DS_Store", "plan/__MACOSX/samples.csv", "tidy/Desktop.ini", "report/Thumbs.db", "report/06-verdict/.DS_Store",
        "report/__MACOSX/report.html", "notebooks/._05-model.ipynb", "__MACOSX/study/._raw", "$RECYCLE.BIN/x.csv")


def leave(root: Path, names=LEFT) -> None:
    for name in names:
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_bytes(b"\x00\x05\x16\x07 results,1\n")


@pytest.mark.parametrize(("name", "left"), [
    ("__MACOSX", True), (".DS_Store", True), ("._x", True), ("Thumbs.db", True), ("THUMBS.DB", True), ("desktop.ini", True),
    ("thumbs.csv", False), ("MACOSX", False), ("my-desktop.ini", False), ("results.csv", False), (".hidden", False)])
def test_names_that_systems_leave(name, left):
    assert left_by_system(name) is left
    assert out_of_sight(name) is (left or name.startswith("."))


def test_it_is_one_note_and_no_alarm(root, filed, monkeypatch, capsys):
    pretend(monkeypatch, filed)
    leave(root)
    found = verify(root)
    assert found.differences == ()
    (note,) = [n for n in found.notes if n.startswith("left by the operating system, not read: ")]
    for name in (".DS_Store", "._study.toml", "raw/Thumbs.db", "raw/__MACOSX", "report/Thumbs.db", "__MACOSX", "$RECYCLE.BIN"):
        assert name in note.partition(": ")[2].split(", ")
    assert not [n for n in found.notes if n.startswith("none of the kit's")]
    assert main(["recheck", str(root)]) == 0
    said = capsys.readouterr().out
    assert said.count("left by the operating system") == 1
    assert said.count("note: not hashed") == 0
    assert compare_reports(root / "report", filed / "report", same_programs=True).rows == []


def test_nothing_under_such_a_name_is_data(root, tmp_path):
    before = raw_files(root), unread_files(root), hidden_files(root), files_of(root)
    leave(root)
    assert (raw_files(root), unread_files(root), hidden_files(root), files_of(root)) == before
    copy_trusted(root, tmp_path / "fresh", own=True)
    there = {p.relative_to(tmp_path / "fresh").as_posix() for p in (tmp_path / "fresh").rglob("*") if p.is_file()}
    assert there == {p.relative_to(root).as_posix() for p in before[3]["inputs"]}
    rehash(root)
    listed = json.loads((root / FILE).read_text())
    assert not set(LEFT) & {n for part in ("inputs", "tidy", "outputs", "beside") for n in listed[part]}


def test_litter_in_a_raw_folder_is_no_result(tmp_path):
    leave(tmp_path, ("raw/Thumbs.db", "raw/.DS_Store", "raw/__MACOSX/results.csv", "raw/.hidden/results.csv"))
    assert not results_there(tmp_path)
    (tmp_path / "raw/results.csv").write_text("x")
    assert results_there(tmp_path)


@pytest.mark.parametrize(("text", "there"), [
    ("sample,Si,KV40\n,mg/kg,mm²/s\nA,,\nB,,\n", False), ("sample;Si\n;mg/kg\nA;\n", False), ("sample,PQ\n,1\nA,\n", False),
    ("", False), ("sample,Si,KV40\n,mg/kg,mm²/s\nA,12,\nB,,\n", True), ("sample,Si\nA,\nB,n.d.\n", True),
    ("sample;Si\n;mg/kg\nA;5,2\n", True), ("A,5.2\n", True), ("sample,Si\n,5.2\n", True), ("Probe A 5.2\n", True),
    ("sample,Si,\n,mg/kg,\n", True)])
def test_a_form_without_a_value_is_no_result(tmp_path, text, there):
    """`new` lays one down for one container; plan and lock then said that results had been there before them."""
    (tmp_path / "raw").mkdir()
    (tmp_path / "raw/results.csv").write_text(text, encoding="utf-8")
    assert results_there(tmp_path) is there
    (tmp_path / "raw/lab.xlsx").write_bytes(b"PK")
    assert results_there(tmp_path)


def test_raw_data_named_like_litter_are_not_read(root):
    """Whoever hides a file under such a name hides it from the reading too, and the note tells the name."""
    raw = next((root / "raw").glob("*.csv"))
    shutil.move(raw, root / "raw/desktop.ini")
    assert raw_files(root) == []
    assert [d["re-executed"] for d in verify(root).differences] == ["file is gone"]
    assert "left by the operating system, not read: raw/desktop.ini" in verify(root).notes


def test_copied_notebooks_are_known_beside_what_a_system_knows_of_them(tmp_path, monkeypatch):
    copy_notebooks(tmp_path)
    leave(tmp_path, ("notebooks/._05-model.ipynb", "notebooks/.DS_Store"))
    assert notebook_notes(tmp_path) == ()
    monkeypatch.setattr("studykit.report.own.__version__", "99")
    assert copies_of(tmp_path) != ""


def _rezipped(packed: Path, target: Path) -> Path:
    """A deposit as macOS packs it again: folders of their own, and what it knows of each file beside them."""
    with zipfile.ZipFile(packed) as old, zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as new:
        for entry in old.infolist():
            new.writestr(entry.filename, old.read(entry))
            new.writestr(f"__MACOSX/{entry.filename.rpartition('/')[0]}/._{entry.filename.rpartition('/')[2]}", b"\x00\x05")
        new.writestr(f"{old.namelist()[0].split('/')[0]}/.DS_Store", b"\x00")
    return target


@pytest.mark.slow
def test_a_deposit_that_went_through_a_file_manager_is_opened(tmp_path, filed, capsys):
    from studykit.deposit.pack import pack

    pack(filed, tmp_path / "tote.zip")
    path = _rezipped(tmp_path / "tote.zip", tmp_path / "again.zip")
    assert main(["verify", str(path)]) == 0
    said = capsys.readouterr().out
    assert said.count("left by the operating system, not read: __MACOSX/") == 1
    assert " more\n" in said
    with opened(path) as bag:
        assert not [p for p in bag.rglob("*") if left_by_system(p.name)]


def test_a_zip_of_litter_alone_and_one_that_leaves_its_folder_are_refused(tmp_path, capsys):
    for name in ("__MACOSX/._x", "__MACOSX/../../x"):
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w") as archive:
            archive.writestr(name, b"x")
        (tmp_path / "x.zip").write_bytes(out.getvalue())
        assert main(["verify", str(tmp_path / "x.zip")]) == 2
        assert "was not opened; nothing was written" in capsys.readouterr().err
