"""A figure's three forms are the same bytes every time, of one size, and show what the figure shows."""

from __future__ import annotations

import io
import re
import subprocess
import sys
from xml.etree import ElementTree

import matplotlib
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from PIL import Image, ImageChops

from studykit.plot.forms import COLOURS, DPI, METHOD, figure_forms, settled_box, small_svg
from studykit.plot.readable import as_written
from studykit.report.vectors import as_png

SCRIPT = """
import hashlib, sys
from tests.plot.test_forms import drawn
from studykit.plot.forms import figure_forms
f = figure_forms(drawn(), "τ & <b>")
print(*(hashlib.sha256(d).hexdigest() for d in (f.png, f.svg, f.pdf)))
"""


def drawn() -> Figure:
    figure = Figure(figsize=(4, 2.5), layout="constrained")
    left, right = figure.subplots(1, 2)
    left.plot([0, 1, 2], [0.5, 3, -1], "o-", label="Σ of $ 5")
    left.legend()
    left.set_ylabel("two\nlines")
    right.imshow([[0, 1], [2, 3]])
    right.set_xscale("log")
    return figure


@pytest.mark.slow
def test_the_same_bytes_in_another_process_whatever_its_seed_of_hashes():
    told = {subprocess.run([sys.executable, "-c", SCRIPT], capture_output=True, text=True, check=True,
                           env={"PYTHONHASHSEED": seed, "PYTHONPATH": ":".join(p for p in sys.path if p), "PATH": ""}).stdout
            for seed in ("1", "2")}
    assert len(told) == 1
    assert re.fullmatch(r"(?:[0-9a-f]{64}[ \n]){3}", told.pop())


@pytest.mark.slow
def test_the_picture_is_the_one_that_matplotlib_draws_with_a_tight_frame():
    """matplotlib's own way of laying out and cutting (bbox_inches="tight"), pixel by pixel."""
    whole = io.BytesIO()
    as_written(drawn()).savefig(whole, format="png", dpi=DPI, bbox_inches="tight")
    with Image.open(whole) as theirs, Image.open(io.BytesIO(figure_forms(drawn()).png)) as ours:
        assert ours.size == theirs.size
        assert ours.convert("RGB").tobytes() == theirs.convert("RGB").quantize(COLOURS, METHOD).convert("RGB").tobytes()


def test_a_label_longer_than_its_axis_is_not_cut_off():
    """matplotlib 3.11.0 leaves such a label out of its tight frame, 3.11.2 does not: one study had two pictures."""
    figure = Figure(figsize=(3, 2))
    axes = figure.subplots()
    axes.set_ylabel("largest share of boron (borax) in particles, %")
    box = settled_box(figure)
    figure.dpi = DPI
    label = axes.yaxis.label.get_window_extent(FigureCanvasAgg(figure).get_renderer())
    assert box.y0 * DPI < label.y0 < 0 < 2 * DPI < label.y1 < box.y1 * DPI
    assert box.x0 * DPI < label.x0


def test_all_forms_have_one_size():
    forms = figure_forms(drawn())
    wide, high = (int.from_bytes(forms.png[k:k + 4], "big") * 72 / DPI for k in (16, 20))
    svg = ElementTree.fromstring(forms.svg)
    box = re.search(rb"/MediaBox \[ 0 0 ([0-9.]+) ([0-9.]+) \]", forms.pdf)
    assert [float(svg.get(k).removesuffix("pt")) for k in ("width", "height")] == pytest.approx([wide, high], abs=0.5)
    assert [float(b) for b in box.groups()] == pytest.approx([wide, high], abs=0.5)


def test_title_and_nothing_of_time_or_maker():
    forms = figure_forms(drawn(), "Depth & <b>")
    assert ElementTree.fromstring(forms.svg)[0].text == "Depth & <b>"
    assert b"/Title (Depth & <b>)" in forms.pdf
    for data in (forms.svg, forms.pdf):
        assert not re.search(rb"(?i)date|creator|producer|https?://(?!www\.w3\.org/)", data)
    assert b"Font" in forms.pdf
    assert b"<text" not in forms.svg


def test_an_svg_is_made_smaller_without_moving_anything():
    whole = ('<?xml version="1.0"?>\n<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 9.12345 9">\n <defs>\n  '
             '<style type="text/css">*{stroke-linejoin: round}</style>\n </defs>\n <!-- a - word -->\n'
             ' <path d="M 1.23456 -0.00123 \nL 100.999 7 \nz\n" style="fill: none; stroke: #123456"/>\n'
             ' <g transform="translate(3.14159 2.5) scale(0.015625)" style="fill: none; stroke: #123456"/>\n'
             '<g id="line2d_7">\n<g id="b"/><g id="a" clip-path="url(#long-1)">'
             '<use xlink:href="#Sans-44" x="55.845846" y="2.5"/>\n</g>\n</g>'
             '<use xlink:href="#m" style="stroke: #123456"/><use xlink:href="#m" style="stroke: #000000"/>'
             '<use xlink:href="#Sans-44" transform="translate(27.783203 0)"/>'
             '<use xlink:href="#Sans-44" transform="translate(-3 0.125)"/>'
             '<defs><path id="Sans-44" d="M 1 -1 "/><path id="m" d="M 1 1" style="stroke: #123456"/><clipPath id="long-1"/>'
             '</defs></svg>\n')
    assert small_svg(whole, "a < b") == (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 9.12345 9"><title>a &lt; b</title><defs>'
        '<style type="text/css">*{stroke-linejoin: round}.s0{fill: none; stroke: #123456}'
        '.s1{stroke: #123456}.s2{stroke: #000000}</style></defs>'
        '<path d="M1.23 0L101 7z" class="s0"/><g transform="translate(3.14 2.5) scale(0.015625)" class="s0"/>'
        '<g clip-path="url(#p0)"><use xlink:href="#p1" x="55.85" y="2.5"/></g>'
        '<use xlink:href="#p2"/><use xlink:href="#p2" class="s2"/><use xlink:href="#p1" x="27.78"/>'
        '<use xlink:href="#p1" x="-3" y="0.12"/>'
        '<defs><path id="p1" d="M1-1"/><path id="p2" d="M1 1" class="s1"/><clipPath id="p0"/></defs></svg>\n')


@pytest.mark.slow
def test_the_small_svg_looks_like_matplotlibs_own():
    """Both drawn by typst, pixel by pixel; places rounded to a hundredth of a point change some edges a little (64 of 255)."""
    with matplotlib.rc_context({"svg.hashsalt": "studykit", "svg.fonttype": "path"}):
        figure = as_written(drawn())
        box, raw = settled_box(figure), io.BytesIO()
        figure.savefig(raw, format="svg", bbox_inches=box)
    text = raw.getvalue().decode("utf-8")
    pictures = [Image.open(io.BytesIO(as_png(data))).convert("L") for data in (
        text[text.index("<svg"):].encode(), small_svg(text).encode())]
    assert len(small_svg(text)) < 0.6 * len(text)
    assert pictures[0].size == pictures[1].size
    steps = ImageChops.difference(*pictures).histogram()
    assert sum(steps[100:]) == 0
    assert sum(steps[12:]) < 0.002 * sum(steps)
