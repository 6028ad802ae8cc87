"""Tables and figures have captions, alt text, escaped cells, and the same bytes every time."""

import base64

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from studykit.core.record import literal
from studykit.notebook import display
from studykit.notebook.display import cell_text, table_html
from studykit.plot.forms import figure_forms


@pytest.mark.parametrize(("value", "text"), [
    (1.23456, "1.235"), (float("nan"), ""), (None, ""), (pd.NaT, ""), (pd.NA, ""), (True, "yes"), (np.bool_(False), "no"),
    (np.int64(7), "7"), (pd.Timestamp("2026-03-01"), "2026-03-01"), ("007", "007"), (np.float64(-0.5), "\u22120.5"),
    (28.0, "28"), (0.12, "0.12"), (0.1 + 0.2, "0.3"), (96.3041, "96.30"), (99.996, "100.0"), (0.0, "0"),
    (float("inf"), "\u221e"), (2500.0, "2500"),
])
def test_cells(value, text):
    assert cell_text(value) == text


def test_a_table_is_escaped_and_has_a_caption():
    html = table_html(pd.DataFrame({"<b>x": ["<script>alert(1)</script>"], "n": [1.5]}), "A & B")
    assert "<script>" not in html
    assert "&lt;script&gt;" in html
    assert "<caption>A &amp; B</caption>" in html
    assert 'scope="row"' in html
    assert '<th scope="col" class=num>n</th>' in html


def test_headings_have_no_underscores_and_an_empty_table_says_so():
    html = table_html(pd.DataFrame({"p_holm": [], "some_words": [], "s_r": []}), "Cap")
    assert ">p (Holm)</th>" in html
    assert ">some words</th>" in html
    assert ">s_r</th>" in html
    assert '<td colspan="3">none</td>' in html
    assert "none" not in table_html(pd.DataFrame({"a": [1]}), "Cap")


def test_shown_tables_have_a_text_twin(monkeypatch):
    shown = []
    monkeypatch.setattr(display, "display", lambda data, **more: shown.append((data, more)))
    display.show_table(pd.DataFrame({"a": ["x"], "b": [0.123456]}), caption="Cap", digits=3)
    display.show_table(pd.DataFrame({"a": []}), caption="Empty")
    assert "0.123" in shown[0][0]["text/plain"]
    assert "0.123" in shown[0][0]["text/html"]
    assert shown[1][0]["text/plain"] == "Empty\n(no rows)"


def test_figures_are_the_same_bytes_and_carry_their_alt_text(monkeypatch):
    shown = []
    monkeypatch.setattr(display, "display", lambda data, **more: shown.append((data, more)))

    def draw():
        figure = Figure(figsize=(3, 2))
        figure.subplots().plot([0, 1], [0, 1])
        return figure

    forms = display.show_figure(draw(), alt="a line from 0 to 1", caption="A line.")
    assert forms == figure_forms(draw(), "A line.")
    (payload, more), (caption, mark) = shown
    assert payload == {"image/png": base64.b64encode(forms.png).decode(), "text/plain": "Figure: a line from 0 to 1"}
    assert more["metadata"]["image/png"]["alt"] == "a line from 0 to 1"
    assert 200 < more["metadata"]["image/png"]["width"] < 400
    assert caption["text/markdown"] == "*A line.*"
    assert mark["metadata"] == display.CAPTION_MARK


def test_a_text_of_a_person_is_shown_as_it_is():
    assert literal("<b>x</b> [l](u) `c` $x$, p < 0.1") == "\\<b>x\\</b> \\[l](u) \\`c\\` \\$x\\$, p < 0.1"
