"""Readings that the intake refused, from tidy/rejected.csv as it is written, damaged or not there."""

from __future__ import annotations

from pathlib import Path

import pytest

from studykit.quality.refused import refused_readings


@pytest.mark.parametrize(("text", "found"), [
    ("sample,analyte,reason\nS1,P,is not a number\nS2,Si,has no unit\nS1,P,twice\n,P,no sample\nS3,,no analyte\n",
     {("S1", "P"), ("S2", "Si")}),
    ("sample,reason\nS1,is not a number\n", set()), ("analyte\nP\n", set()), ("sample,analyte\n", set()), (None, set())])
def test_each_refused_reading_is_named_once(tmp_path: Path, text: str | None, found: set[tuple[str, str]]) -> None:
    if text is not None:
        (tmp_path / "tidy").mkdir()
        (tmp_path / "tidy/rejected.csv").write_text(text, encoding="utf-8")
    assert refused_readings(tmp_path) == found
    assert refused_readings(None) == set()
