"""The export for other programs, read back by pandas and openpyxl."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from studykit.commands.cli import main
from studykit.core.errors import BadInput
from studykit.demos.shipped import copy_demo
from studykit.deposit.export import _joined, _typed, export
from studykit.deposit.tables import resource, type_of
from studykit.report.vectors import kind_of_picture
from tests.report.filed import filed_tote


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A filed study with a container's note that looks like a formula, and its export."""
    place = tmp_path_factory.mktemp("export")
    root = Path(shutil.copytree(filed_tote(), place / "study"))
    samples = pd.read_csv(root / "plan/samples.csv", dtype=str, keep_default_na=False)
    samples.assign(note='=HYPERLINK("http://example.invalid")').to_csv(root / "plan/samples.csv", index=False)
    export(root, place / "out")
    return root, place / "out"


def sheet(out: Path, name: str, **options: object) -> pd.DataFrame:
    return pd.read_excel(out / "tables.xlsx", sheet_name=name, engine="openpyxl", **options)  # type: ignore[call-overload]


def test_numbers_and_texts_come_back_as_they_are_filed(made) -> None:
    root, out = made
    verdicts = pd.read_csv(root / "report/06-verdict/verdicts.csv")
    pd.testing.assert_frame_equal(sheet(out, "06 verdicts"), verdicts, check_dtype=False)
    joined = sheet(out, "results joined", dtype=str)
    results = pd.read_csv(root / "tidy/results.csv", dtype=str)
    assert joined["value"].astype(float).tolist() == results["value"].astype(float).tolist()
    assert {"container", "depth", "vessel"} <= set(joined)


def test_every_column_has_its_line_in_the_dictionary(made) -> None:
    _, out = made
    for file, least, most in (("tables.xlsx", 10, 20), ("stages.xlsx", 20, 200)):
        book = openpyxl.load_workbook(out / file)
        told = {(r[0], r[2]) for r in book["dictionary"].iter_rows(min_row=2, values_only=True)}
        for sheet in book.worksheets[1:-1]:
            for (head,) in sheet.iter_cols(max_row=1, values_only=True):
                assert head is None or (sheet.title, str(head)) in told, (sheet.title, head)
        assert all(len(s) <= 31 for s in book.sheetnames)
        assert least <= len({s.casefold() for s in book.sheetnames}) == len(book.sheetnames) <= most


def test_the_first_workbook_is_what_is_asked_for_first_and_no_table_is_lost(made) -> None:
    """It had been one workbook of 129 sheets for the main demo."""
    root, out = made
    files = [set(sheet_rows(out / file)) for file in ("tables.xlsx", "stages.xlsx")]
    written = {p.relative_to(root).as_posix() for part in ("plan", "tidy", "report") for p in (root / part).rglob("*.csv")
               if "reading" not in p.relative_to(root).parts[1:-1] and p.read_text(encoding="utf-8").strip()}
    assert files[0] | files[1] == written | {"results joined.csv"}
    assert not files[0] & files[1]
    assert files[0] >= {"report/06-verdict/verdicts.csv", "report/06-verdict/uses.csv", "report/04-quality/flags.csv",
                        "results joined.csv", "plan/containers.csv", "plan/samples.csv", "report/00-study/margins.csv"}


def sheet_rows(book: Path) -> list[str]:
    """The files that the sheets of a workbook hold, by its dictionary."""
    told = openpyxl.load_workbook(book)["dictionary"].iter_rows(min_row=2, values_only=True)
    return list(dict.fromkeys(str(r[1]) for r in told))


@pytest.mark.parametrize("file", ["tables.xlsx", "stages.xlsx"])
def test_the_first_sheet_links_to_every_other_and_says_what_it_holds(made, file) -> None:
    book = openpyxl.load_workbook(made[1] / file)
    first = book.worksheets[0]
    assert first.title == "contents"
    linked = {row[0].value: (row[0].hyperlink, row[1].value, row[2].value) for row in first.iter_rows() if row[0].hyperlink}
    assert list(linked) == book.sheetnames[1:]
    for name, (link, what, rows) in linked.items():
        assert link.location == f"'{name}'!A1"
        assert len(what) > 10
        assert rows == max(0, book[name].max_row - 1), name


def test_no_cell_holds_a_formula(made) -> None:
    books = [openpyxl.load_workbook(made[1] / file) for file in ("tables.xlsx", "stages.xlsx")]
    cells = [c for book in books for s in book.worksheets for row in s.iter_rows() for c in row]
    assert not any(c.data_type == "f" for c in cells)
    assert sum(str(c.value).startswith("=HYPERLINK") for c in cells) >= 3


def test_figures_have_their_captions(made) -> None:
    root, out = made
    told = pd.read_csv(out / "figures/captions.csv")
    drawn = sorted((root / "report").glob("*/*.png"))
    assert len(set(told["figure"])) == len(told) == len(drawn)
    assert (told["in words"].str.len() > 5).all()
    pictures = {(p.parent.name, p.read_bytes()) for p in drawn}
    for name, caption in zip(told["figure"], told["caption"], strict=True):
        number, stem, *words = name.removesuffix(".png").split("-")
        assert (f"{number}-{stem}", (out / "figures" / name).read_bytes()) in pictures
        assert words[0] == re.findall(r"[a-z0-9]+", caption.casefold())[0]
        assert "figure" not in words
        forms = [(out / "figures" / name).with_suffix(kind).read_bytes() for kind in (".png", ".svg", ".pdf")]
        assert [kind_of_picture(data) for data in forms] == ["png", "svg", "pdf"]


@pytest.mark.slow
def test_the_same_study_gives_the_same_bytes_by_command(made, tmp_path, capsys) -> None:
    root, out = made
    assert main(["export", str(root), "--to", str(tmp_path / "again")]) == 0
    assert "tables.xlsx" in capsys.readouterr().out
    for file in ("tables.xlsx", "stages.xlsx"):
        assert (tmp_path / "again" / file).read_bytes() == (out / file).read_bytes()


def test_what_cannot_be_exported_is_said(made, tmp_path) -> None:
    with pytest.raises(BadInput, match="inside the study"):
        export(made[0], made[0] / "export")
    with pytest.raises(BadInput, match="no report is filed"):
        export(copy_demo("tote", tmp_path / "bare"), tmp_path / "out")


def test_a_report_that_was_changed_after_its_filing_is_neither_exported_nor_summed_up(tmp_path, capsys) -> None:
    root = Path(shutil.copytree(filed_tote(), tmp_path / "study"))
    page, table = root / "report/report.html", root / "report/06-verdict/verdicts.csv"
    for path in (page, table):
        kept = path.read_bytes()
        path.write_bytes(kept.replace(b"tratified", b"omogeneou"))
        assert path.read_bytes() != kept
        for command, to in (("export", tmp_path / "out"), ("summary", tmp_path / "out.pdf")):
            assert main([command, str(root), "--to", str(to)]) == 7
            assert path.relative_to(root).as_posix() in capsys.readouterr().err
            assert not to.exists()
        path.write_bytes(kept)
    (root / "report/manifest.json").unlink()
    assert main(["export", str(root), "--to", str(tmp_path / "out")]) == main(["summary", str(root)]) == 2


def test_what_the_laboratory_wrote_stays_as_it_was_written(tmp_path: Path) -> None:
    """A stranger's `9.10` came back as 9.1: the digits are the laboratory's own statement of its precision."""
    root = tmp_path / "study"
    shutil.copytree(filed_tote(), root)
    results = pd.read_csv(root / "tidy/results.csv", dtype=str, keep_default_na=False)
    results["as_written"] = [f"{i}.10" for i in range(len(results))]
    results.to_csv(root / "tidy/results.csv", index=False)
    joined = _joined(root)
    kinds = {f["name"]: f["type"] for f in resource("results joined.csv", joined.to_csv(index=False).encode(), "x", "", {})[
        "schema"]["fields"]}
    assert kinds["as_written"] == "string"
    assert kinds["value"] == "number"
    assert _typed("9.10", kinds["as_written"]) == "9.10"
    assert type_of("as_written", ["9.10", "9.2"], None) == type_of("kept_as_written", ["9.10"], None) == "string"
