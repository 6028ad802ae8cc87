"""Limits behind words such as 'n.d.': whose unit they are in, and which of three sources goes first."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import pytest

from studykit.core.units import convert
from studykit.intake.columns import Texts
from studykit.intake.determinations import USUAL_WHOLES, _unproved
from tests.intake.whole import QUICK
from tests.intake_cases import CODES, LONG, WIDE, study, take, values
from tests.kept import differing, stored

# 1 % (m/m) is 10 000 mg/kg (SI Brochure, 9th edition, table of names for dimensionless quantities: g/kg, mg/kg)
PER_CENT = 10_000.0
FILE = "Code,Test,Result,Unit\nB001,Si,n.d.,% (m/m)\nB002,Si,0.002,% (m/m)\nB003,Si,<0.0015,% (m/m)\n"
WORDS = LONG + '[file.words]\n"n.d." = "below limit"\n'


def taken(root: Path, intake: str, text: str = FILE) -> dict[tuple[str, str, int], tuple[float, str]]:
    return values(take(root, intake, {"lab.csv": text}, codes=CODES[:3], definition=study(Si={"limit": 5.0})))


def test_the_limit_of_the_study_is_in_the_studys_unit(tmp_path: Path) -> None:
    got = taken(tmp_path, WORDS)
    assert got["B001", "Si", 1] == (5.0, "<")
    assert got["B002", "Si", 1] == (pytest.approx(0.002 * PER_CENT), "")
    assert got["B003", "Si", 1] == (pytest.approx(0.0015 * PER_CENT), "<")


def test_a_limit_of_the_mapping_goes_first_and_is_in_the_files_unit(tmp_path: Path) -> None:
    assert taken(tmp_path, WORDS + "[file.limits]\nSi = 0.001\n")["B001", "Si", 1] == (pytest.approx(0.001 * PER_CENT), "<")


def test_a_limit_column_goes_before_both_and_is_in_the_files_unit(tmp_path: Path) -> None:
    intake = WORDS.replace('unit = "Unit"', 'unit = "Unit"\nlimit = "LOQ"') + "[file.limits]\nSi = 0.001\n"
    text = "Code,Test,Result,Unit,LOQ\nB001,Si,n.d.,% (m/m),0.0007\nB002,Si,0.002,% (m/m),\nB003,Si,n.d.,% (m/m),\n"
    got = taken(tmp_path, intake, text)
    assert got["B001", "Si", 1] == (pytest.approx(0.0007 * PER_CENT), "<")
    assert got["B003", "Si", 1] == (pytest.approx(0.001 * PER_CENT), "<")


def test_without_any_limit_the_cell_is_rejected_and_the_others_stay(tmp_path: Path) -> None:
    out = take(tmp_path, WORDS, {"lab.csv": FILE}, codes=CODES[:3])
    assert list(out.results["sample"]) == ["B002", "B003"]
    assert out.rejected["reason"].tolist() == ["stands for a result beyond a limit, and no limit is given"]


def test_a_margin_in_per_cent_needs_results_above_zero_however_small(tmp_path: Path) -> None:
    text = "Code,Test,Result,Unit\nB001,Si,0.5,mg/kg\nB002,Si,0,mg/kg\nB003,Si,1,mg/kg\n"
    out = take(tmp_path, LONG, {"lab.csv": text}, codes=CODES[:3], definition=study(absolute=False))
    assert list(out.results["sample"]) == ["B001", "B003"]
    assert out.rejected["reason"].tolist() == ["must be above zero for a margin in per cent or as a factor"]


def test_a_blank_may_read_zero_where_a_stored_sample_may_not(tmp_path: Path) -> None:
    text = "Code,Test,Result,Unit\nB001,Si,0.5,mg/kg\nB002,Si,0,mg/kg\nB003,Si,0,mg/kg\n"
    out = take(tmp_path, LONG, {"lab.csv": text}, codes=CODES[:3], definition=study(absolute=False), kinds={"B002": "blank"})
    assert values(out)["B002", "Si", 1] == (0.0, "")
    assert out.rejected["value"].tolist() == ["0"]
    assert out.rejected["sample"].tolist() == ["B003"]


def test_replicates_in_the_order_of_the_file_are_counted_by_sample_and_analyte(tmp_path: Path) -> None:
    text = "Code,Test,Result,Unit\n" + "".join(f"{s},{a},{v},mg/kg\n" for s, a, v in (
        ("B001", "Si", 1), ("B002", "Si", 2), ("B001", "P", 3), ("B001", "Si", 4), ("B002", "Si", 5), ("B001", "Si", 6)))
    intake = LONG.replace('layout = "long"', 'layout = "long"\nreplicates = "in order"')
    got = values(take(tmp_path, intake, {"lab.csv": text}, codes=CODES[:2]))
    assert {k: v for k, (v, _) in got.items()} == {
        ("B001", "Si", 1): 1, ("B001", "Si", 2): 4, ("B001", "Si", 3): 6, ("B002", "Si", 1): 2, ("B002", "Si", 2): 5,
        ("B001", "P", 1): 3}


def test_a_share_of_more_than_the_whole_is_refused(tmp_path: Path) -> None:
    text = "Code,Test,Result,Unit\nB001,Si,99.9,% (m/m)\nB002,Si,100.1,% (m/m)\nB003,Si,334.3,% (m/m)\n"
    out = take(tmp_path, LONG, {"lab.csv": text}, codes=CODES[:3])
    assert list(out.results["sample"]) == ["B001"]
    assert set(out.rejected["reason"]) == {"is more than 100 % (m/m), which is the whole"}


def test_units_exchanged_in_their_row_are_asked_about_where_most_of_a_column_is_beyond_the_whole(tmp_path: Path) -> None:
    """By the rule: more than half of the values in the column that cannot be per cent, so two of three and not two of four."""
    intake = '[[file]]\npattern = "lab.csv"\nlayout = "wide"\nunit_row = 2\n[file.columns]\nsample = "Code"\n'
    codes = tuple(f"B00{n}" for n in range(1, 5))
    for shown, exchanged in (((2900, 3000, 40), True), ((2900, 3000, 40, 45), False)):
        lines = [f"{c},{v},{n}.1,0.03{n}" for n, (c, v) in enumerate(zip(codes, shown, strict=False))]
        text = "\n".join(["Code,Ca,Si,P", ",% (m/m),mg/kg,mg/kg", *lines]) + "\n"
        out = take(tmp_path / str(len(shown)), intake, {"lab.csv": text}, codes=codes[:len(shown)],
                   definition=study({"Ca": "mg/kg", "Si": "mg/kg", "P": "mg/kg"}))
        asked = out.rejected["reason"].str.contains("are the units under the right headings")
        assert asked.sum() == (2 * len(shown) if exchanged else 0)
        assert out.rejected["reason"].str.contains("is more than 100 % ").sum() == 2


def test_the_last_of_too_few_determinations_is_asked_about_where_the_others_end_with_a_mean(tmp_path: Path) -> None:
    rows = [(s, v) for s, a in (("B001", 10.0), ("B002", 12.0), ("B003", 14.0)) for v in (a, a + 1, a + 0.5)]
    rows += [("B004", 17.0), ("B004", 16.5)]
    text = "Code,Test,Result,Unit\n" + "".join(f"{s},Si,{v},mg/kg\n" for s, v in rows)
    intake = LONG.replace('layout = "long"', 'layout = "long"\nreplicates = "in order"')
    out = take(tmp_path, intake, {"lab.csv": text}, codes=("B001", "B002", "B003", "B004"))
    assert out.rejected["value"].tolist() == ["10.5", "12.5", "14.5", "16.5"]


def test_the_whole_in_usual_units_is_what_the_library_of_units_says() -> None:
    for unit, whole in USUAL_WHOLES.items():
        assert whole == convert(100.0, "% (v/v)" if "v/v" in unit else "% (m/m)", unit)


def test_a_mean_behind_the_readings_of_two_samples_is_asked_about_where_chance_hardly_does_it(tmp_path: Path) -> None:
    entry = '[[file]]\npattern = "lab.csv"\nlayout = "long"\nreplicates = "in order"\n[file.columns]\nsample = "Code"\n' \
            'analyte = "Test"\nvalue = "Result"\n[file.constants]\nunit = "mg/kg"\n'
    lines = "B001,Si,12.18\nB001,Si,12.43\nB001,Si,{0}\nB002,Si,12.52\nB002,Si,12.87\nB002,Si,{1}\n"
    mean = take(tmp_path / "a", entry, {"lab.csv": "Code,Test,Result\n" + lines.format("12.305", "12.695")}, codes=CODES[:2])
    assert len(mean.results) == 4
    assert mean.rejected["reason"].str.contains("is the mean of the determinations before it").tolist() == [True, True]
    third = take(tmp_path / "b", entry, {"lab.csv": "Code,Test,Result\n" + lines.format("12.31", "12.66")}, codes=CODES[:2])
    assert len(third.results) == 6  # once near a mean is chance
    coarse = lines.replace("12.18", "12.1").replace("12.43", "12.3").replace("12.52", "12.5").replace("12.87", "12.7")
    coarse = take(tmp_path / "c", entry, {"lab.csv": "Code,Test,Result\n" + coarse.format("12.2", "12.6")}, codes=CODES[:2])
    assert len(coarse.results) == 6  # of three steps of rounding the third reading is the middle one in every third sample


@pytest.mark.parametrize(("days", "doubtful"), [
    (["03/04/2026", "03/04/2026", "05/05/2026"], [True, True, False]),  # 3 April or 4 March; the same day either way
    (["03/04/2026", "13/04/2026", ""], [False, False, False]),  # a thirteenth is no month, so days come first
    (["2026-03-04", "2026-04-03", "2026-03-05"], [False, False, False])])
def test_a_day_that_could_be_a_month_is_doubtful_where_no_date_tells(days: list[str], doubtful: list[bool]) -> None:
    rows = SimpleNamespace(n=3, cells={"reported_on": Texts.of(days)})
    assert _unproved(rows, SimpleNamespace(date_format="%d/%m/%Y")).tolist() == doubtful  # type: ignore[arg-type]
    assert not _unproved(rows, SimpleNamespace(date_format="%d %b %Y")).any()  # type: ignore[arg-type]
    assert not _unproved(rows, SimpleNamespace(date_format="")).any()  # type: ignore[arg-type]


@pytest.mark.parametrize("place", [0, 1, 2])
@pytest.mark.parametrize("column", [True, False])
def test_a_mean_at_any_place_is_no_determination_whatever_numbers_it(tmp_path: Path, place: int, column: bool) -> None:
    lines = ["Sample,No,Si,P"]
    for n in range(1, 9):
        own = [(9.8 + n / 10, 338 + n), (9.4 + n / 10, 332 + n)]
        own.insert(place, (round(9.6 + n / 10, 1), 335 + n))
        lines += [f"B{n:03d},{k},{si:.1f},{p}" for k, (si, p) in enumerate(own, 1)]
    said = '[file.columns]\nreplicate = "No"' if column else '[file.columns]'
    intake = WIDE.replace("[file.columns]", said)
    if not column:
        intake = intake.replace("layout", 'ignore_columns = ["No"]\nreplicates = "in order"\nlayout', 1)
    out = take(tmp_path, intake, {"a.csv": "\n".join(lines) + "\n"}, codes=tuple(f"B{n:03d}" for n in range(1, 9)))
    assert len(out.results) == 32
    assert set(out.rejected["row"]) == {2 + place + 3 * n for n in range(8)}


def test_determinations_by_two_methods_are_not_numbered_in_order_unasked(tmp_path: Path) -> None:
    text = "Code;Test;Method;Result;Unit\n" + "".join(
        f"{c};Si;ICP;9.{n};mg/kg\n{c};Si;XRF;12.{n};mg/kg\n{c};P;ICP;33{n};mg/kg\n" for n, c in enumerate(("B001", "B002"), 1))
    intake = LONG.replace("layout", 'replicates = "in order"\nlayout', 1)
    intake = intake.replace("[file.columns]", '[file.columns]\nmethod = "Method"')
    out = take(tmp_path, intake, {"a.csv": text})
    assert set(out.results["analyte"]) == {"P"}
    assert "different methods" in out.rejected["reason"].iloc[0]


def test_a_report_without_a_number_comes_before_the_first_revision(tmp_path: Path) -> None:
    """Reported, then again as revision 1: the second counts; a blank beside a 0 likewise."""
    intake = LONG.replace('unit = "Unit"', 'unit = "Unit"\nrevision = "Rev"')
    for second in ("1", "2"):
        text = f"Code,Test,Result,Unit,Rev\nB001,Si,5,mg/kg,\nB001,Si,6,mg/kg,{second}\nB002,Si,4,mg/kg,\n"
        root = tmp_path / second
        root.mkdir()
        out = take(root, intake, {"lab.csv": text}, codes=CODES[:3], definition=study())
        assert values(out) == {("B001", "Si", 1): (6.0, ""), ("B002", "Si", 1): (4.0, "")}
        assert len(out.rejected) == 0


def test_sheets_with_everything_odd_in_them_give_what_is_stored() -> None:
    """As it stood (``tests.kept``)."""
    assert differing("sheets", stored("intake")["sheets"], QUICK["sheets"]()) == []
