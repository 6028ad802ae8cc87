"""Whole tables whose cells stand one heading too far, by an unquoted comma: asked about, never read so."""

from __future__ import annotations

from pathlib import Path

import pytest

from studykit.core.errors import BadInput
from tests.intake_cases import WIDE, take, values

RESULTS = ((9.8, 338), (9.1, 341), (9.4, 345), (9.6, 337))


def _text(heads: str, before: str, after: str) -> str:
    lines = [f"B00{n},{before.format(n=n)},{si},{p}{after}" for n, (si, p) in enumerate(RESULTS, 1)]
    return "\n".join([heads, *lines, ""])


@pytest.mark.parametrize("text", [
    _text("Sample,Place, depth,Si,P", "D05 upper", ","),
    _text("Sample,Date,Si,P,Remark", "May {n}, 2026", ""),
    _text("Sample,Date,Si,P,Remark", "May {n},2026", ""),
    _text("Sample,Place,Si,P,Remark", "rack 3, {n}7", ""),
    _text("Sample,Place,Si,P,Remark", "rack 3,{n}7", ""),
    _text("Sample,Place,Si,P,depth", "rack 3, {n}7", ""),
    _text("Sample,Date,Si,P,depth", "{n} May,2026", ""),
    _text("Sample,Place,Si,P", "rack 3, {n}7", "").replace(",338\n", ",\n").replace(",341\n", ",\n").replace(
        ",345\n", ",\n").replace(",337\n", ",\n"),
])
def test_a_comma_that_moves_every_line_is_asked_about(tmp_path: Path, text: str) -> None:
    heads = text.partition("\n")[0].split(",")
    ignored = [h.strip() for h in heads if h not in ("Sample", "Si", "P")]
    intake = WIDE.replace("layout", f'blank = "not measured"\nignore_columns = {ignored}\nlayout')
    with pytest.raises(BadInput, match="unquoted comma"):
        take(tmp_path, intake, {"a.csv": text})


@pytest.mark.parametrize("text", [
    _text("Sample,Date,Si,P,Remark", "2026-05-0{n}", ",clear"),
    _text("Sample,Place,Si,P,Remark", '"rack 3, {n}7"', ",1"),
    _text("Sample,Place,Si,P,depth", "D05", ",12.5"),
])
def test_words_figures_of_footnotes_and_depths_beside_the_results_are_not(tmp_path: Path, text: str) -> None:
    ignored = [h for h in text.partition("\n")[0].split(",") if h not in ("Sample", "Si", "P")]
    out = take(tmp_path, WIDE.replace("layout", f"ignore_columns = {ignored}\nlayout"), {"a.csv": text})
    assert values(out)["B001", "P", 1] == (338.0, "")


def test_a_last_column_without_a_result_is_read_once_somebody_compared_it(tmp_path: Path) -> None:
    text = "Sample,Place,Si,P\nB001,D05,9.8,\nB002,D05,9.1,\nB003,D06,9.4,\n"
    intake = WIDE.replace("layout", 'blank = "not measured"\nignore_columns = ["Place"]\nlayout')
    with pytest.raises(BadInput, match="'P' = nothing"):
        take(tmp_path / "asked", intake, {"a.csv": text})
    told = take(tmp_path / "told", intake.replace("layout", 'in_place = "compared 4 May"\nlayout'), {"a.csv": text})
    assert values(told)["B001", "Si", 1] == (9.8, "")


@pytest.mark.parametrize("text", ["Sample,Si,P\nB001,9.8,\nB002,9.1,\nB003,9.4,\n", "Sample,Si,P\nB001,,\nB002,,\nB003,,\n"])
def test_a_last_column_is_only_empty_where_every_heading_before_it_is_read(tmp_path: Path, text: str) -> None:
    """An analyte that was not measured, and a form that is still to be filled: no heading is left that part of one could be."""
    out = take(tmp_path, WIDE.replace("layout", 'blank = "not measured"\nlayout'), {"a.csv": text})
    assert [k for k in values(out) if k[1] == "P"] == []
