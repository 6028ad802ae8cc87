"""A figure drawn for a phone: within its width, letters as large as before, nothing lost, nothing over another."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

from studykit.plot.forms import figure_forms, settled_box
from studykit.plot.narrow import MARKS, ROOM, folded, narrowed


def panels(lines: int, across: int, **how: object) -> Figure:
    figure = Figure(figsize=(2.6 * across, 2.4 * lines), layout="constrained")
    for k, ax in enumerate(figure.subplots(lines, across, squeeze=False, **how).flat):
        ax.plot([0, 1, 2], [k, k + 1, k])
        ax.set_title(f"panel {k} with a name of many words", fontsize=9, loc="left")
        ax.set_xlabel("difference from the top zone, mg/kg", fontsize=8)
        if not how.get("sharey") or k % across == 0:
            ax.set_ylabel("height", fontsize=8)
    return figure


def inside(figure: Figure) -> float:
    """How far anything reaches over the room, in inches."""
    return settled_box(figure).width - ROOM


def lettering(figure: Figure) -> set[float]:
    return {t.get_fontsize() for ax in figure.axes for t in (ax.xaxis.label, ax.yaxis.label, *ax.get_xticklabels())}


def boxes(figure: Figure) -> list[tuple[str, object]]:
    renderer = figure.canvas.get_renderer() if hasattr(figure.canvas, "get_renderer") else None
    return [(t.get_text(), t.get_window_extent(renderer)) for t in figure.findobj(Text) if t.get_text() and t.get_visible()]


@pytest.mark.few(2)
@pytest.mark.parametrize(("lines", "across", "how", "columns"), [
    (1, 1, {}, 1), (1, 4, {"sharey": True}, 2), (2, 3, {"sharey": True}, 2), (2, 2, {}, 2), (1, 2, {}, 2)])
def test_panels_stand_in_as_many_columns_as_there_is_room_for_in_their_order(lines, across, how, columns):
    figure = panels(lines, across, **how)
    figure.set_figwidth(max(5.0, figure.get_figwidth()))
    sizes = lettering(figure)
    narrowed(figure)
    assert inside(figure) <= 0
    assert lettering(figure) <= sizes
    places = [(round(-ax.get_position().y0, 2), round(ax.get_position().x0, 2)) for ax in figure.axes]
    assert places == sorted(places)
    assert len({x for _, x in places}) == (columns if figure.get_figwidth() and across > 1 else 1)
    assert [re.sub(r"\s+", " ", ax.get_title(loc="left")) for ax in figure.axes] == [
        f"panel {k} with a name of many words" for k in range(lines * across)]
    found = boxes(figure)
    assert not [(a, b) for i, (a, x) in enumerate(found) for b, y in found[:i] if "panel" in a + b and x.overlaps(y)]


def test_rows_that_stand_close_get_room_for_names_of_two_lines():
    """Containers of a map, 0.15 inches apart, with names such as a warehouse has them."""
    names = [f"Behälter {k}, Halle Süd, Regal {k}b" for k in range(13)]
    figure = Figure(figsize=(5.0, 0.9 + 0.11 * len(names)), layout="constrained")
    ax = figure.subplots()
    ax.imshow(np.zeros((len(names), 4)), aspect="auto")
    ax.set_yticks(range(len(names)), names, fontsize=6)
    settled_box(figure)
    narrowed(figure)
    settled_box(figure)
    FigureCanvasAgg(figure).draw()
    places = [t.get_window_extent() for t in ax.get_yticklabels()]
    assert [t.get_text().count("\n") for t in ax.get_yticklabels()] == [1] * len(names)
    assert len(ax.texts) == 0  # over the cells nothing is written
    assert not [1 for i, a in enumerate(places) for b in places[:i] if a.overlaps(b)]


def test_every_panel_at_the_left_has_its_axis_where_they_share_one():
    figure = narrowed(panels(1, 4, sharey=True))
    settled_box(figure)
    left = min(ax.get_position().x0 for ax in figure.axes)
    for ax in figure.axes:
        first = ax.get_position().x0 == pytest.approx(left, abs=0.01)
        assert (ax.get_ylabel() == "height") == first
        assert ax.yaxis.get_tick_params()["labelleft"] == first


def test_panels_that_belong_together_stay_one_below_another():
    figure = Figure(figsize=(7.6, 3.8), layout="constrained")
    axes = figure.subplots(2, 2, sharex=True, height_ratios=(3, 1))
    for k, ax in enumerate(axes.flat):
        ax.set_title(str(k))
    narrowed(figure)
    settled_box(figure)
    assert [ax.get_title() for ax in sorted(figure.axes, key=lambda ax: -ax.get_position().y0)] == ["0", "2", "1", "3"]


def test_names_of_rows_are_folded_and_a_legend_covers_nothing():
    figure = Figure(figsize=(7.2, 2), layout="constrained")
    ax = figure.subplots()
    ax.plot([1, 2], [0, 1], label="an entry of a legend that is long enough to fill the panel")
    ax.set_yticks([0, 1], ["viscosity at 40 °C  (homogeneous)", "silicon of $5 (inconclusive)"])
    ax.legend(fontsize=7)
    narrowed(figure)
    assert inside(figure) <= 0
    assert [t.get_text() for t in ax.get_yticklabels()] == [
        "viscosity at 40 °C\n(homogeneous)", "silicon of $5\n(inconclusive)"]
    (legend,) = figure.legends
    assert ax.get_legend() is None
    assert legend.get_window_extent().y1 < ax.get_window_extent().y0


@pytest.mark.parametrize(("text", "letters", "lines"), [
    ("viscosity at 40 °C", 15, ["viscosity at", "40 °C"]), ("height, share of depth", 40, ["height, share of depth"]),
    ("difference from the top zone, %", 20, ["difference from the", "top zone, %"]), ("one\ntwo", 20, ["one", "two"]),
    ("extraordinarily", 8, ["extraordinarily"])])
def test_lines_end_between_words_and_not_before_a_unit(text, letters, lines):
    assert folded(text, letters).split("\n") == lines


@pytest.mark.slow
def test_only_what_is_wider_than_a_phone_has_a_narrow_form_and_that_is_an_svg_of_its_size():
    small = Figure(figsize=(3, 2), layout="constrained")
    small.subplots().plot([0, 1])
    assert figure_forms(small).narrow == b""
    forms = figure_forms(panels(1, 3), "Told")
    root = ElementTree.fromstring(forms.narrow)
    assert 0.9 * ROOM < float(root.get("width").removesuffix("pt")) / 72 <= ROOM
    assert root[0].text == "Told"
    assert float(ElementTree.fromstring(forms.svg).get("width").removesuffix("pt")) / 72 > 2 * ROOM


def test_very_many_points_are_a_picture_in_it():
    figure = Figure(figsize=(5, 3), layout="constrained")
    ax = figure.subplots()
    ax.plot(*np.random.default_rng(1).normal(size=(2, MARKS + 1)), "o", ms=3)
    forms = figure_forms(figure)
    assert len(forms.narrow) < len(forms.svg) / 2
    assert b"<image" in forms.narrow
