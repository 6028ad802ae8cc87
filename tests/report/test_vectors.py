"""Drawings hold nothing but a drawing; anything else in an SVG or a PDF is named."""

from __future__ import annotations

import base64

import pytest
from matplotlib.figure import Figure

from studykit.plot.forms import figure_forms
from studykit.report.compare import Outcome, compare_reports
from studykit.report.vectors import as_png, inlaid, kind_of_picture, odd_parts


@pytest.fixture(scope="module")
def forms():
    return figure_forms(drawn((1, 3, 2)), "A line & more")


def drawn(points: tuple[float, ...]) -> Figure:
    figure = Figure(figsize=(4, 2.5), layout="constrained")
    left, right = figure.subplots(1, 2)
    left.plot(range(len(points)), points, "o-")
    left.fill_between([0, 1], [1, 2], alpha=0.3)
    right.imshow([[0, 1], [2, 3]])
    return figure


def test_kinds_are_told_by_their_first_bytes(forms):
    kinds = [kind_of_picture(d) for d in (forms.png, forms.svg, forms.pdf, b"GIF89a", b"<html>")]
    assert kinds == ["png", "svg", "pdf", "", ""]


def test_the_kits_own_drawings_hold_nothing_odd(forms):
    assert odd_parts(forms.svg) == odd_parts(forms.pdf) == ""


@pytest.mark.parametrize(("put", "named"), [
    (b"<script>alert(1)</script>", "element script"), (b"<foreignObject/>", "element foreignObject"),
    (b'<a href="https://example.org"><path/></a>', "element a"), (b'<path onclick="alert(1)"/>', "attribute onclick"),
    (b'<g style="display: none"/>', "attribute style"), (b'<image href="https://example.org/x.png"/>', "attribute href"),
    (b'<image xlink:href="https://example.org/x.png"/>', "attribute href"),
    (b'<image xlink:href="data:image/svg+xml;base64,PHN2Zz4="/>', "attribute href"),
    (b'<use xlink:href="other.svg#a"/>', "attribute href"), (b'<path clip-path="url(https://example.org/#a)"/>', "clip-path"),
    (b"<style>@import url(https://example.org/x.css);</style>", "style of another form"),
    (b"<style>.s0{fill: url(https://example.org)}</style>", "style of another form"),
    (b"<style>@media print{*{fill: red}}</style>", "style of another form"), (b"<animate/>", "element animate"),
    (b'<g id="a1"><path d="M 0 0"/></g><g id="a2"><use xlink:href="#a1"/><use xlink:href="#a1"/></g>', "use of something"),
    (b'<defs><path id="a1"/></defs><g id="a1"><path d="M 0 0"/></g><use href="#a1"/>', "id that stands twice"),
    (b'<g clip-path="URL(https://example.org/y.svg#z)"/>', "clip-path"),
    (b"<g clip-path=\"src('https://example.org/y')\"/>", "clip-path"),
    (b'<path d="M 0 0" transform="Url(https://example.org)"/>', "transform"),
    (b'<use href="https://example.org/a.svg#b"/>', "href"),
    (b'<!ENTITY a "b">', "declaration"), (b"<?xml-stylesheet href='x.css'?>", "instruction"), (b"<g>", "no XML"),
])
def test_anything_else_in_an_svg_is_named(forms, put, named):
    assert named in odd_parts(forms.svg.replace(b"</svg>", put + b"</svg>"))


@pytest.mark.parametrize("put", [b"/OpenAction 5 0 R", b"/AA <<>>", b"/S /JavaScript /JS (x)", b"/URI (https://example.org)",
                                 b"/Type /EmbeddedFile", b"/J#53 (x)", b"/Type /ObjStm", b"/OCProperties <<>>"])
def test_whatever_could_act_in_a_pdf_is_named(forms, put):
    assert odd_parts(forms.pdf.replace(b"/Type /Catalog", b"/Type /Catalog " + put, 1)).startswith("the name ")


def test_a_second_end_of_a_pdf_is_named(forms):
    assert odd_parts(forms.pdf + b"1 0 obj\n<< >>\nendobj\n%%EOF\n") == "something after its end"


def test_both_are_drawn_as_pixels(forms):
    assert as_png(forms.png) == forms.png
    for data in (forms.svg, forms.pdf):
        assert abs(int.from_bytes(as_png(data)[16:20], "big") - int.from_bytes(forms.png[16:20], "big")) <= 1
    with pytest.raises(ValueError, match="cannot be drawn"):
        as_png(b"%PDF-1.4 nothing")


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["svg", "pdf"])
def test_of_other_programs_the_same_is_alike_and_another_point_is_told(tmp_path, forms, kind):
    """Other bytes that show the same stand for another program; another point, a script and another kind do not pass."""
    own, other = getattr(forms, kind), getattr(figure_forms(drawn((1, 3, 2.8)), "A line & more"), kind)
    same = own.replace(b"A line & more" if kind == "pdf" else b"A line &amp; more", b"B line & more" if kind == "pdf" else b"B")
    acts = own.replace(b"</svg>", b"<script/></svg>").replace(b"/Type /Catalog", b"/Type /Catalog /AA <<>>")
    told = {}
    for name, data in {"same": same, "other": other, "acts": acts, "kind": forms.png}.items():
        for folder, content in (("filed", data), ("fresh", own)):
            (tmp_path / name / folder).mkdir(parents=True)
            (tmp_path / name / folder / f"figure-1.{kind}").write_bytes(content)
        for programs in (False, True):
            out = compare_reports(tmp_path / name / "filed", tmp_path / name / "fresh", same_programs=programs)
            told[name, programs] = out
    assert told["same", False] == Outcome(files=1, alike=[f"figure-1.{kind}"])
    assert "shows something else" in told["other", False].rows[0]["filed"]
    assert "as no picture of the kit" in told["acts", False].rows[0]["filed"]
    assert f"is png, not {kind}" in told["kind", False].rows[0]["filed"]
    assert [len(told[n, True].rows) for n in ("same", "other", "acts", "kind")] == [1, 1, 1, 1]


def test_marks_in_a_row_have_their_style_around_them_on_the_page_unless_it_does_not_pass_on():
    """SVG 2: fill is inherited, opacity is not: marks that overlap would fade together, not each by itself."""
    def told(style: str) -> str:
        marks = "".join(f'<use xlink:href="#m" x="{x}" y="2" class="s0"/>' for x in (1, 2))
        other = '<use xlink:href="#m" x="9" y="2" class="s1"/>'
        svg = f"<svg><style>.s0{{{style}}}.s1{{fill: #fff}}</style>{marks}{other}</svg>"
        return base64.b64decode(inlaid(svg.encode())).decode()

    one, two, other = (f'<use href="#m" x="{x}" y="2"{of}/>' for x, of in ((1, ""), (2, ""), (9, ' class="s1"')))
    assert f'<g class="s0">{one}{two}</g>{other}' in told("fill: #000; stroke: #111")
    assert "<g" not in told("fill: #000; opacity: 0.5")
