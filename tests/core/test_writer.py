"""One writer a folder: the second one is told who holds it; a killed one does not block; leftovers are cleared."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from studykit.core.errors import BadInput
from studykit.core.writer import HOLDER, LOCK, away, one_writer

HOLD = """
import sys, time
from pathlib import Path
from studykit.core.writer import away, one_writer
with one_writer(Path(sys.argv[1]), "report"), away("studykit-test-") as place:
    print(place, flush=True)
    time.sleep(60)
"""


def test_a_second_writer_is_told_who_holds_the_folder_and_a_killed_one_blocks_nobody(tmp_path):
    run = subprocess.Popen([sys.executable, "-c", HOLD, str(tmp_path)], stdout=subprocess.PIPE, text=True)
    assert run.stdout is not None
    place = run.stdout.readline().strip()
    held = rf"is being written by studykit report \(process {run.pid} on .*, since 20"
    with pytest.raises(BadInput, match=held) as caught, one_writer(tmp_path, "intake"):
        raise AssertionError("two writers")
    assert "nothing was changed" in str(caught.value)
    (tmp_path / ".results.csv.abc.part").write_text("half")
    run.kill()
    run.wait()
    run.stdout.close()
    with one_writer(tmp_path, "intake"):
        assert not (tmp_path / ".results.csv.abc.part").exists()
        assert '"intake"' in (tmp_path / HOLDER).read_text()
    assert sorted(p.name for p in tmp_path.iterdir()) in ([LOCK], [])
    from pathlib import Path

    assert Path(place).exists()  # the killed run could not clear its temporary folder: the next one does
    with away("studykit-test-") as mine:
        assert not Path(place).exists()
        assert mine.exists()
    assert not mine.exists()


def test_a_temporary_folder_in_use_is_left_alone():
    with away("studykit-test2-") as one, away("studykit-test2-") as other:
        assert one.exists()
        assert other.exists()


def test_another_users_temporary_folder_is_left_alone(tmp_path, monkeypatch):
    """Under a shared /tmp the folder of another user cannot even be asked about: two users at once had ended in a crash."""
    theirs = tmp_path / "studykit-test3-theirs"
    theirs.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    asked = Path.is_file

    def refused(path):
        if path.parent == theirs:
            raise PermissionError(13, "Permission denied", str(path))
        return asked(path)

    monkeypatch.setattr(Path, "is_file", refused)
    with away("studykit-test3-") as mine:
        assert mine.exists()
        assert theirs.exists()
