"""Reading sheets: a result counts once its sheet is signed, and a changed reading wants a new signature."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path

import pytest

from studykit.core.errors import BadInput
from studykit.report.manifest import files_of
from tests.intake_cases import LONG
from tests.intake_cases import take_and_write as take

TEXT = "Code,Test,Result,Unit\nB001,Si,9.8,mg/kg\nB002,Si,<1,mg/kg\nB003,Si,9.9?,mg/kg\n"
ASKED = "sign_readings = true\n"


def number_of(root: Path) -> str:
    found = re.search(r"reading = &quot;([0-9a-f]{16})&quot;", (root / "tidy/reading/a.csv.html").read_text())
    assert found
    return found[1]


def signed(number: str) -> str:
    return f'[signed."a.csv"]\nby = "A. Reader"\non = 2026-05-06\nreading = "{number}"\n'


def test_no_result_counts_before_its_sheet_is_signed(tmp_path: Path) -> None:
    out = take(tmp_path, ASKED + LONG, {"a.csv": TEXT})
    assert out.results.empty
    assert not out.complete
    unsigned = out.rejected[out.rejected["reason"] == "its reading sheet is not signed"]
    assert unsigned["row"].tolist() == [2, 3]
    number = number_of(tmp_path)
    assert unsigned["remedy"].str.contains(number).all()
    after = take(tmp_path, ASKED + signed(number) + LONG, {"a.csv": TEXT})
    assert after.results["sample"].tolist() == ["B001", "B002"]
    assert number_of(tmp_path) == number


def test_a_reading_that_changes_after_it_was_signed_wants_a_new_signature(tmp_path: Path) -> None:
    take(tmp_path, LONG, {"a.csv": TEXT})
    intake = signed(number_of(tmp_path)) + LONG
    assert len(take(tmp_path, intake, {"a.csv": TEXT}).results) == 2
    changed = take(tmp_path, intake, {"a.csv": TEXT.replace("9.8", "9.7")})
    assert changed.results.empty
    assert changed.rejected["reason"].str.contains("its reading has changed since A. Reader signed").sum() == 2
    with pytest.raises(BadInput, match="no reading sheet belongs to this signature"):
        take(tmp_path, intake.replace('"a.csv"', '"b.csv"', 1), {"a.csv": TEXT})


def test_the_sheet_begins_with_what_is_doubtful_and_stands_in_the_index_by_its_hash(tmp_path: Path) -> None:
    take(tmp_path, LONG, {"a.csv": TEXT})
    path = tmp_path / "tidy/reading/a.csv.html"
    page = path.read_bytes()
    assert re.findall(r"data-h='doubt'>(.*?)</td>", page.decode()) == ["rejected", "a limit", "plain"]
    assert path in files_of(tmp_path)["tidy"]  # the manifest lists it by its hash
    assert hashlib.sha256(page).hexdigest() in (tmp_path / "tidy/reading.csv").read_text()
