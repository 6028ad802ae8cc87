"""Files are written whole or not at all, and paths stay inside the study."""

import hashlib
import os
import subprocess
import sys
import textwrap

import pandas as pd
import pytest

from studykit.core import files
from studykit.core.errors import BadInput
from tests.posix import posix


def test_a_written_file_has_the_bytes_and_leaves_nothing_else(tmp_path):
    path = files.write_text(tmp_path / "deep/er/a.txt", "ä\n")
    assert path.read_bytes() == "ä\n".encode()
    assert [p.name for p in path.parent.iterdir()] == ["a.txt"]
    assert files.sha256_of(path) == hashlib.sha256("ä\n".encode()).hexdigest()


def test_what_need_not_last_is_waited_for_once_at_the_end(tmp_path, monkeypatch):
    """Written whole all the same; one that is not there or may not be written stops nobody."""
    asked, real = [], os.fsync
    monkeypatch.setattr(os, "fsync", lambda handle: asked.append(handle) or real(handle))
    paths = [files.write_text(tmp_path / f"{k}.txt", str(k), lasting=False) for k in range(40)]
    assert asked == []
    assert [p.read_text() for p in paths] == [str(k) for k in range(40)]
    files.make_lasting([*paths, tmp_path / "gone.txt"])
    assert len(asked) == 40
    files.write_text(tmp_path / "last.txt", "x")
    assert len(asked) == 41


def test_a_failure_while_writing_leaves_the_old_file(tmp_path, monkeypatch):
    path = files.write_text(tmp_path / "a.txt", "old")

    def broken(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", broken)
    with pytest.raises(BadInput, match="No space left on device"):
        files.write_text(path, "new")
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["a.txt"]


def test_a_killed_writer_leaves_the_old_file_whole(tmp_path):
    path = files.write_text(tmp_path / "a.txt", "old")
    script = textwrap.dedent(f"""
        import os
        from pathlib import Path
        from studykit.core import files
        files.rename = lambda *a: os._exit(9)
        files.write_text(Path({str(path)!r}), "new" * 1000)
    """)
    done = subprocess.run([sys.executable, "-c", script], check=False)
    assert done.returncode == 9
    assert path.read_text() == "old"
    other = files.write_text(tmp_path / ".b.txt.x.part", "of another file")
    assert len(list(tmp_path.glob(".a.txt.*.part"))) == 1
    files.write_beside(path, b"newer")  # the next one clears what was left of this file
    assert sorted(p.name for p in tmp_path.iterdir()) == [other.name, "a.txt"]
    assert path.read_text() == "newer"


def test_a_path_may_not_leave_the_study(tmp_path):
    assert files.inside(tmp_path, "raw/a.csv") == (tmp_path / "raw/a.csv").resolve()
    with pytest.raises(BadInput, match="leaves the study folder"):
        files.inside(tmp_path, "../other/a.csv")


def test_csv_and_json_are_stable(tmp_path):
    table = pd.DataFrame({"day": pd.to_datetime(["2026-03-01"]), "code": ["007"]})
    assert files.write_csv(tmp_path / "t.csv", table).read_text() == "day,code\n2026-03-01,007\n"
    assert files.write_json(tmp_path / "t.json", {"b": 1, "a": "ü"}).read_text() == '{\n  "a": "ü",\n  "b": 1\n}\n'
    with pytest.raises(ValueError, match=r"not JSON compliant|Out of range"):
        files.write_json(tmp_path / "n.json", {"a": float("nan")})


def test_a_damaged_json_is_told(tmp_path):
    (tmp_path / "m.json").write_text("{")
    with pytest.raises(BadInput, match=r"m\.json: is not valid JSON"):
        files.read_json(tmp_path / "m.json")
    with pytest.raises(BadInput, match="there is no such file"):
        files.read_json(tmp_path / "absent.json")


def test_a_file_in_the_place_of_a_folder_is_told(tmp_path):
    (tmp_path / "report").write_text("")
    with pytest.raises(BadInput, match="cannot be written"):
        files.require_writable(tmp_path / "report")


def test_formula_text_is_made_harmless_in_csv_and_read_back_as_it_was(tmp_path):
    table = pd.DataFrame({"=who": ["=cmd|' /C calc'!A0", "@sum", "-0.5", "+1 extra", "plain"], "n": [-0.5, 1.0, 2, 3, 4]})
    path = files.write_csv(tmp_path / "t.csv", table)
    lines = path.read_text().splitlines()
    assert lines[0] == "'=who,n"
    assert [line.split(",")[0] for line in lines[1:]] == ["'=cmd|' /C calc'!A0", "'@sum", "-0.5", "'+1 extra", "plain"]
    assert lines[1].endswith(",-0.5")
    assert files.read_csv(path).equals(table)


@posix
def test_a_new_file_has_the_permissions_that_the_user_wants(tmp_path):
    """A person's umask decides, as it does for any other program (POSIX umask)."""
    code = ("import os, pathlib, sys; os.umask(0o077); from studykit.core.files import write_text; "
            "print(oct(write_text(pathlib.Path(sys.argv[1]), 'x').stat().st_mode & 0o777))")
    done = subprocess.run([sys.executable, "-c", code, str(tmp_path / "a.txt")], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "0o600"


def test_a_folder_is_written_whole_or_not_at_all(tmp_path):
    to = tmp_path / "deep/x"
    with pytest.raises(NotADirectoryError), files.together(to) as made:
        (files.write_text(made / "a.txt", "1") / "b").touch()
    assert not to.exists()
    assert list(to.parent.iterdir()) == []
    (tmp_path / "deep/.x.part/sub").mkdir(parents=True)  # as a killed run leaves it
    (tmp_path / "deep/.x.part/old.txt").write_text("of an earlier run")
    with files.together(to) as made:
        assert not list(made.iterdir())
        files.write_text(made / "a.txt", "1")
        files.write_text(made / "sub/b.txt", "2")
        assert not to.exists()
    assert sorted(p.name for p in to.rglob("*")) == ["a.txt", "b.txt", "sub"]
    assert [p.name for p in to.parent.iterdir()] == ["x"]


def test_files_come_over_those_that_stand_in_a_folder_and_leave_others_alone(tmp_path):
    (tmp_path / "x/sub").mkdir(parents=True)
    (tmp_path / "x/mine.txt").write_text("mine")
    (tmp_path / "x/sub/b.txt").write_text("old")
    with files.together(tmp_path / "x") as made:
        files.write_text(made / "sub/b.txt", "new")
        files.write_text(made / "more/c.txt", "new")
    found = {p.name: p.read_text() for p in (tmp_path / "x").rglob("*.txt")}
    assert found == {"mine.txt": "mine", "b.txt": "new", "c.txt": "new"}
    assert [p.name for p in tmp_path.iterdir()] == ["x"]
    (tmp_path / "file").write_text("")
    with pytest.raises(BadInput, match="cannot be written"), files.together(tmp_path / "file/x"):
        raise AssertionError("nothing can be written there")
