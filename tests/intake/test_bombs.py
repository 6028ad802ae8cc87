"""Small files that would unpack, repeat or nest without end: met by the command within 30 s and 1 GB, with plain words.

``python -m tests.intake.labfiles.hostile`` prints the table of all with time and memory.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.intake.labfiles.hostile import meet

SECONDS, MEGABYTES = 30.0, 1_000.0


@pytest.mark.slow
@pytest.mark.parametrize("name", [
    "ods: a million empty rows", "xlsx: 65,000 styles", "ods: 65,000 styles", "csv: 200,000 columns",
    "csv: ten million empty lines", "xlsx: one cell at XFD1048576", "xlsx: document type after 6,000 bytes"])
def test_a_bomb_is_met_within_bounds(tmp_path: Path, name: str) -> None:
    met = meet(name, tmp_path)
    assert met.code in (0, 2, 8), met
    assert met.processor <= SECONDS, met
    assert met.megabytes <= MEGABYTES, met
    assert "Traceback" not in met.words
    assert met.words, met
