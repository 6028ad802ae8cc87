"""Text files as grids: encoding, delimiter, quotes and lines, each detected or refused by name."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from studykit.core.errors import BadInput
from studykit.intake import delimited
from studykit.intake.columns import others
from studykit.intake.delimited import Grid, read_text_grid


def grid(tmp_path: Path, data: bytes | str, **how: object) -> Grid:
    path = tmp_path / "f.csv"
    path.write_bytes(data if isinstance(data, bytes) else data.encode("utf-8"))
    return read_text_grid(path, "raw/f.csv", **how)  # type: ignore[arg-type]


def cells(g: Grid) -> list[list[str]]:
    return [list(row) for row in zip(*(c.tolist() for c in g.cells), strict=True)]


TEXT = "Code;Ort;µ\r\nB1;Köln;9,8\r\nB2;;7\r\n"
ROWS = [["Code", "Ort", "µ"], ["B1", "Köln", "9,8"], ["B2", "", "7"]]


@pytest.mark.parametrize(("data", "encoding"), [
    (TEXT.encode("utf-8"), "utf-8"),
    (TEXT.encode("utf-8-sig"), "utf-8-sig"),
    (TEXT.encode("utf-16"), "utf-16"),
    (b"\xfe\xff" + TEXT.encode("utf-16-be"), "utf-16"),
    (TEXT.encode("utf-16-le"), "utf-16-le"),
    (TEXT.encode("utf-16-be"), "utf-16-be"),
    (TEXT.encode("cp1252"), "cp1252"),
    (TEXT.replace("9,8", "9\x81").encode("latin-1"), "latin-1"),
])
def test_encodings_detected(tmp_path: Path, data: bytes, encoding: str) -> None:
    g = grid(tmp_path, data)
    assert g.encoding == encoding
    assert cells(g)[1][1] == "Köln"
    assert "encoding" not in g.declared
    assert g.notes == (f"encoding detected: {encoding}",)


def test_declared_encoding_is_used_and_checked(tmp_path: Path) -> None:
    assert grid(tmp_path, TEXT.encode("latin-1"), encoding="latin-1").encoding == "latin-1"
    assert grid(tmp_path, TEXT.encode("utf-16-le"), encoding="utf-16").encoding == "utf-16-le"
    with pytest.raises(BadInput, match=r"row 1: byte 0xb5 is not utf-8"):
        grid(tmp_path, TEXT.encode("cp1252"), encoding="utf-8")
    with pytest.raises(BadInput, match="has the byte order mark of utf-16, but the mapping says cp1252"):
        grid(tmp_path, TEXT.encode("utf-16"), encoding="cp1252")


def test_one_damaged_byte_in_utf8_is_refused_not_read_as_another_encoding(tmp_path: Path) -> None:
    data = TEXT.encode("utf-8").replace(b"B2", b"B\xff")
    with pytest.raises(BadInput, match=r"row 3: byte 0xff is not UTF-8, though other letters of the file are"):
        grid(tmp_path, data)


@pytest.mark.parametrize(("data", "words"), [
    (b"", "the file is empty"), (b"\xef\xbb\xbf\r\n", "the file is empty"), (b"%PDF-1.7 x", "is a PDF"),
    (b"<html><table>", "is a web page"), (b"\x1f\x8b\x08", "compressed"), (b"a;b\n1;\x00\n", "row 2: holds zero bytes"),
])
def test_other_things_are_refused(tmp_path: Path, data: bytes, words: str) -> None:
    with pytest.raises(BadInput, match=words):
        grid(tmp_path, data)


@pytest.mark.parametrize(("text", "delimiter"), [
    (TEXT, ";"), ("S\tA\tV\nx\tSi\t9,8\n", "\t"), ("S|A\nx|9,8\n", "|"), ("S,A,V\nx,Si,9.8\n", ","),
    ("S;A;V\nx;Si;9,8\ny;Si;1,2\n", ";"), ("title\nS,A,V\nx,Si,1\ny,P,2\n", ","), ("one\ntwo\n", ","),
])
def test_delimiters_detected(tmp_path: Path, text: str, delimiter: str) -> None:
    assert grid(tmp_path, text).delimiter == delimiter


def test_expected_headings_settle_the_delimiter(tmp_path: Path) -> None:
    text = "a;b,c;d\n1;2,3;4\n"
    assert grid(tmp_path, text).delimiter == ";"
    assert grid(tmp_path, text, expect={"b", "c"}).delimiter == ";"
    assert grid(tmp_path, text, expect={"a;b", "c;d"}).delimiter == ","


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("quoted", [False, True])
def test_lines_keep_their_numbers_and_widths(tmp_path: Path, end: str, quoted: bool) -> None:
    first = '"a"' if quoted else "a"
    g = grid(tmp_path, end.join([f"{first};b", "", "1;2", "3", "5;6;7", ""]))
    assert g.lines.tolist() == [1, 2, 3, 4, 5]
    assert g.widths.tolist() == [2, 1, 2, 1, 3]
    assert cells(g) == [["a", "b", ""], ["", "", ""], ["1", "2", ""], ["3", "", ""], ["5", "6", "7"]]


def test_long_file_is_read_the_same_way(tmp_path: Path) -> None:
    n = 30_000
    g = grid(tmp_path, "a;b\n" + "".join(f"x{i % 7};{i}\n" for i in range(n)) + "short\n")
    assert len(g.lines) == n + 2
    assert g.row(n) == [f"x{(n - 1) % 7}", str(n - 1)]
    assert g.row(n + 1) == ["short", ""]
    codes, texts = g.cells[0].used()
    assert [texts[c] for c in codes[:3]] == ["a", "x0", "x1"]


def test_quotes_hold_delimiters_and_line_breaks(tmp_path: Path) -> None:
    g = grid(tmp_path, 'a;b\n"x;y";"1 ""o"""\n"l1\nl2";2\nz;3\n')
    assert cells(g)[1] == ["x;y", '1 "o"']
    assert cells(g)[2] == ["l1\nl2", "2"]
    assert g.lines.tolist() == [1, 2, 3, 5]
    assert grid(tmp_path, "'a';'b'\n'x;1';'2'\n'y';'3'\n").quote == "'"


@pytest.mark.parametrize(("text", "words"), [
    ('a;b\n"x;3\ny;4\n', "row 2: cannot be split into cells"),
    ('a;b\n"x;3\ny;4\nz";5\n', r"row 2, .*a quote opened in cell 1 runs to line 4|row 2: 'x;3.*a quote opened in cell 1"),
    ('a;b\n"x"y;3\n', "row 2: cannot be split into cells"),
])
def test_stray_quotes_are_refused_with_their_line(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(BadInput, match=words):
        grid(tmp_path, text)


def test_too_many_cells_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("studykit.intake.delimited.MAX_CELLS", 100)
    with pytest.raises(BadInput, match="would be 60 lines of 2 cells; at most 100"):
        grid(tmp_path, "a;b\n" * 60)
    monkeypatch.setattr("studykit.intake.delimited.MAX_BYTES", 20)
    with pytest.raises(BadInput, match="at most 20 are read"):
        grid(tmp_path, "a;b\n" * 60)


def _random_text(rng: np.random.Generator, lines: int) -> str:
    """Lines of one to five cells, alike or not: few and many distinct texts, empty ones, other scripts, one very long."""
    pool = ["", "9.8", "12345678", "123456789", "µg/kg", "Köln", "0" * 8, "a" * 300, " x ", "12.25", "R1"]
    width, ragged = int(rng.integers(1, 6)), bool(rng.random() < 0.5)
    rows = []
    for _ in range(lines):
        n = int(rng.integers(1, 6)) if ragged else width
        rows.append(";".join(f"{rng.random():.5f}" if rng.random() < 0.3 else pool[int(rng.integers(11))] for _ in range(n)))
    return rng.choice(["\n", "\r\n", "\r"]).join(rows) + rng.choice(["", "\n", "\n\n"])


@pytest.mark.few(20)
@pytest.mark.parametrize("seed", range(60))
def test_columns_at_once_are_what_the_csv_module_reads_line_by_line(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    # the reference is the csv module of the standard library, by which texts with quotes are read
    rng = np.random.default_rng(seed)
    if seed % 2:  # lines of several blocks, the last one near the end of the data
        monkeypatch.setattr(delimited, "BLOCK", int(rng.integers(1, 90)))
    text = "Code;Si\n" + _random_text(rng, 20 if seed % 4 == 0 else 400)
    fast = delimited._fast(text.encode(), ";", "f")
    careful = delimited._gathered(delimited._records(text, ";", '"', "f"), "f")
    full = [k for k in range(len(fast[1])) if any(c[k] for c in fast[0])]  # a blank last line is no line
    assert [c.tolist()[: full[-1] + 1] for c in fast[0]] == [c.tolist()[: full[-1] + 1] for c in careful[0]]
    assert fast[2][: full[-1] + 1].tolist() == careful[2][: full[-1] + 1].tolist()


def test_many_different_values_get_the_codes_that_pandas_gives_them() -> None:
    # the reference is pandas.factorize; two values that share the part by which they are sorted must not be joined
    rng = np.random.default_rng(1)
    part = rng.integers(0, 1 << 63, 120_000).astype(np.uint64)[rng.integers(0, 120_000, 150_000)]
    factor, all_of_it = 0x9E3779B97F4A7C15, 1 << 64
    twin = np.uint64((int(part[5]) * factor % all_of_it ^ 1) * pow(factor, -1, all_of_it) % all_of_it)
    for values in (part, np.where(np.arange(len(part)) % 7 == 3, twin, part)):
        codes, distinct = delimited._factorized(values)
        want, words = pd.factorize(values)
        np.testing.assert_array_equal(codes, want)
        np.testing.assert_array_equal(distinct, words)


def test_bytes_that_every_encoding_reads_alike_are_not_decoded_twice(tmp_path: Path) -> None:
    assert grid(tmp_path, b"Code;Si\nB1;9.8\n", encoding="cp1252").encoding == "utf-8"
    with pytest.raises(BadInput, match="zero bytes"):
        grid(tmp_path, b"Code;Si\nB1;9\x00.8\n")
    with pytest.raises(BadInput, match=r"byte order mark|not utf-16"):
        grid(tmp_path, b"\xef\xbb\xbfCode;Si\nB1;9.8\n", encoding="utf-16")


def test_texts_that_a_pattern_does_not_match_are_found_all_at_once() -> None:
    # the reference is one re.fullmatch a text
    pattern = r"[0-9]+(?:\.[0-9]*)?"
    for texts in (["9.8", "338", "12."], ["9.8", "n.d.", "", "1,5"], ["9.8\n", "338"], ["9\n8", "7"], [""], ["x"], ["8", ""]):
        assert others(texts, pattern) == {t for t in texts if not re.fullmatch(pattern, t)}
