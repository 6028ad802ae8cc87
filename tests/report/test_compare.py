"""Filed against re-executed: words exactly, numbers within the kit's own tolerance, form and bytes named."""

from __future__ import annotations

import base64
import io
import json

import pytest
from PIL import Image

from studykit.core.record import NumberRecord
from studykit.plot.forms import figure_forms
from studykit.report.compare import (
    Outcome,
    close,
    close_text,
    compare_notebooks,
    compare_pages,
    compare_records,
    compare_tables,
)


def _record(value, **more):
    return NumberRecord(**({"name": "x", "value": value, "stage": "s"} | more))


@pytest.mark.parametrize(("old", "new", "differs"), [
    (_record(1.0), _record(1.0 + 1e-8), False),
    (_record(1.0), _record(1.001), True),
    (_record(72, tolerance=0.0), _record(73, tolerance=0.0), True),
    (_record("homogeneous"), _record("homogeneous"), False),
    (_record("homogeneous"), _record("stratified"), True),
    (_record(1.0, unit="%"), _record(1.0, unit="mg/kg"), True),
    (_record(1.0, tolerance=1e-4), _record(1.00005, tolerance=1e-4), False),
])
def test_comparison_within_tolerance(old, new, differs):
    assert bool(compare_records([old], [new])) is differs


def test_missing_and_new_numbers_are_differences():
    rows = compare_records([_record(1.0)], [_record(1.0, name="y")])
    assert [(r["what"], r["filed"], r["re-executed"]) for r in rows] == [("x", "1.00", "absent"), ("y", "absent", "1.00")]


def test_the_tolerance_is_the_kits_and_never_that_of_the_filed_record():
    loose = _record(20.0, tolerance=1e9)
    assert [r["filed"] for r in compare_records([loose], [_record(1.0)])] == ["20.0"]
    rows = compare_records([_record(1.0, tolerance=1e9)], [_record(1.0)])
    assert [(r["what"], r["filed"], r["re-executed"]) for r in rows] == [("x, its tolerance", "1000000000.0", "1e-06")]


@pytest.mark.parametrize(("a", "b", "same"), [
    ("1.0", "1.0000001", True), ("1.0", "1.00001", False), ("72", "73", False), ("007", "7", False), ("1E5", "100000", False),
    ("1_000.5", "1000.5", False), ("\uff11.5", "1.5", False), ("5", "5.0", False),
    ("0.04999999", "0.05000001", False), ("0.05", "0.05000000000000001", True), ("\u22121.5", "-1.5", True), ("a", "b", False),
    ("", "0.0", False), ("nan", "nan", True), ("inf", "1e9", False),
])
def test_numbers_within_a_class(a, b, same):
    assert close(a, b) is same


@pytest.mark.parametrize(("a", "b", "same"), [
    ("mean 1.000000 %", "mean  1.0000001 %", True), ("96.3 %", "6.3 %", False), ("is -3.1", "is 3.1", False),
    ("stratified", "homogeneous", False), ("code 007", "code 7", False),
])
def test_texts_with_numbers(a, b, same):
    assert close_text(a, b) is same


def test_a_table_names_the_cell_and_tells_digits_as_a_note():
    out = Outcome()
    compare_tables("05-model/x.csv", "a,b\n1.00000001,x\n2.5,y\n", "a,b\n1.0,x\n2.0,y\n", out)
    assert [(r["what"], r["filed"], r["re-executed"]) for r in out.rows] == [("05-model/x.csv row 3, a", "2.5", "2.0")]
    assert out.notes == [
        "05-model/x.csv: 1 numbers agree within their class, not in every digit; row 2, a: filed 1.00000001, now 1.0"]
    out = Outcome()
    compare_tables("05-model/x.csv", "a,b\n1,x\n", "a,c\n1,x\n", out)
    compare_tables("05-model/y.csv", 'a\n"1"\n', "a\n1\n", out)
    assert [r["what"] for r in out.rows] == ["05-model/x.csv, its shape", "05-model/y.csv, its form"]


def test_a_page_names_the_heading_above_the_change():
    page = "<main><h2>The answer</h2><p>Stratified: silicon, 96.3 %.</p><p>Rest.</p></main>"
    for strict in (True, False):
        out = Outcome()
        compare_pages("report.html", page.replace("96.3", "6.3"), page, strict, out)
        assert [r["what"] for r in out.rows] == ["report.html under 'The answer'"]
        assert "6.3 %" in out.rows[0]["filed"]
    out = Outcome()
    compare_pages("report.html", page.replace("<p>Rest.</p>", ""), page, True, out)
    assert [r["what"] for r in out.rows] == ["report.html under 'The answer', other parts"]


def picture(color):
    """A small picture as it stands in a page."""
    made = io.BytesIO()
    Image.new("RGB", (20, 20), color).save(made, "png")
    return f'<img alt="{color}" src="data:image/png;base64,{base64.b64encode(made.getvalue()).decode()}">'


def test_what_stands_after_a_part_more_is_compared_all_the_same():
    red, blue, grey = map(picture, ("red", "blue", "grey"))
    page = f"<main><h2>One</h2><p>a 1.0</p>{red}<h2>Two</h2><p>b 2.0</p><h2>Three</h2><p>c 3.0</p>{blue}<p>end</p></main>"
    filed = page.replace("<h2>Two</h2>", "<p>more</p><h2>Two</h2>").replace("2.0", "2.5").replace("c 3", "d 3").replace(
        "<p>end</p>", f"{grey}<p>end</p>")
    out = Outcome()
    compare_pages("report.html", filed, page, True, out)
    assert [(r["what"].removeprefix("report.html"), r["filed"], r["re-executed"]) for r in out.rows] == [
        (" under 'Two', other parts", '<p>more</p><h2>Two', '<h2>Two'), (" under 'Two'", "b 2.5", "b 2.0"),
        (" under 'Three'", "d 3.0", "c 3.0"), (" under 'Three', other parts", '<img alt="grey" src="picture"><p>end', "<p>end"),
        (", number of pictures", "3", "2"), (", from picture 3 on", "1 pictures", "0 pictures")]


def test_one_part_more_and_one_less_are_told_as_two_and_not_as_everything_between():
    page = "<main>" + "".join(f"<p>word {chr(97 + k)}</p>" for k in range(20)) + "</main>"
    filed = page.replace("<p>word a</p>", "").replace("<p>word s</p>", "<p>word s</p><p>new</p>")
    out = Outcome()
    compare_pages("report.html", filed, page, True, out)
    assert len(out.rows) == 2


def test_rows_and_cells_after_one_that_was_lost_are_compared_all_the_same():
    out = Outcome()
    compare_tables("05-model/x.csv", "a,b\n1,x\n3,z\n4,9.5\n", "a,b\n1,x\n2,y\n3,z\n4,9.0\n", out)
    assert [(r["what"], r["filed"], r["re-executed"]) for r in out.rows] == [
        ("05-model/x.csv, its shape", "3 rows under a,b", "4 rows under a,b"),
        ("05-model/x.csv from row 3 on, other rows", "3,z", "2,y / 3,z"),
        ("05-model/x.csv row 5, b", "9.5", "9.0")]
    cells = [{"cell_type": "markdown", "metadata": {}, "source": s} for s in "abcd"]
    fresh = json.dumps({"cells": cells})
    filed = json.dumps({"cells": [cells[0], *cells[2:3], cells[3] | {"metadata": {"tags": ["x"]}}]})
    out = Outcome()
    compare_notebooks("05-model/05-model.ipynb", filed, fresh, True, out)
    assert [r["what"].partition(".ipynb")[2] for r in out.rows] == [
        ", number of cells", " from cell 2 on, other cells", " cell 4, its form"]


def test_under_other_programs_a_drawing_may_stand_on_the_page_as_its_png_and_shows_the_same():
    """An SVG just below the size that a page takes may be larger where another matplotlib wrote it."""
    import matplotlib.pyplot as plt

    def drawn(height: float) -> list[str]:
        figure, axes = plt.subplots(figsize=(3, 2))
        axes.plot([1, 2, 3], [1, height, 2])
        forms = figure_forms(figure, "a line")
        plt.close(figure)
        return [f"<h2>a</h2><p>b</p><img alt='a line' src='data:image/{kind};base64,{base64.b64encode(data).decode()}'><p>c</p>"
                for kind, data in (("svg+xml", forms.svg), ("png", forms.png))]

    drawing, picture = drawn(3)
    other = Outcome()
    compare_pages("report.html", picture, drawing, False, other)
    assert other.rows == []
    assert len(other.alike) == 1
    for filed, same in ((picture, True), (drawn(9)[1], False)):
        out = Outcome()
        compare_pages("report.html", filed, drawing, same, out)
        assert out.rows
