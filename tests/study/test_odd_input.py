"""Input that nobody means: each refused with a remedy, none a traceback."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from studykit.core.errors import BadInput
from studykit.core.files import read_toml
from studykit.study.codes import colliding_codes
from studykit.study.columns import SAMPLES
from studykit.study.tables import read_cells, type_cells


@pytest.mark.parametrize(("codes", "count"), [
    (("7", "007"), 1), (("1E5", "100000"), 1), (("1.10", "1.1"), 1), (("a1", "A1"), 1), (("\u041a72PX", "K72PX"), 1),
    (("K72PX", "K83RT", "1E5", "184", "0.5"), 0), (("\uff2b7", "K7", "k7"), 1),
])
def test_codes_that_a_spreadsheet_or_a_reader_takes_for_one_another(codes: tuple[str, ...], count: int) -> None:
    faults = colliding_codes(codes)
    assert len(faults) == count
    assert all(f.remedy for f in faults)


@pytest.mark.parametrize(("column", "cell", "reason"), [
    ("draw_order", "1e30", "too large"), ("draw_order", "1e400", "too large"), ("draw_order", "\u0663", "is not a number"),
    ("sample", "../../x", "looks like a path"), ("drawn_at", "1600-01-01", "between 1950 and 2100"),
])
def test_cells_that_nobody_means(tmp_path: Path, column: str, cell: str, reason: str) -> None:
    row = {"sample": "K72PX", "container": "C1", "kind": "spot", "depth": "upper", column: cell}
    (tmp_path / "plan").mkdir()
    path = tmp_path / "plan/samples.csv"
    path.write_text(",".join(row) + "\n" + ",".join(row.values()) + "\n", encoding="utf-8")
    cells, shape = read_cells(path, SAMPLES)
    _, faults = type_cells(cells, SAMPLES)
    assert [f for f in (*shape, *faults) if reason in f.reason and f.remedy], (shape, faults)


@pytest.mark.parametrize(("text", "reason"), [
    ("a = " + "9" * 5000, "too long"), ("a = " + "[" * 5000 + "]" * 5000, "nested too deep"),
])
def test_toml_that_nobody_writes(tmp_path: Path, text: str, reason: str) -> None:
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    with pytest.raises(BadInput, match=reason):
        read_toml(tmp_path / "study.toml", "make it")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no FIFOs on this platform")
def test_a_pipe_for_a_file_is_refused_and_does_not_wait(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "study.toml")
    with pytest.raises(BadInput, match="is not a plain file"):
        read_toml(tmp_path / "study.toml", "make it")
