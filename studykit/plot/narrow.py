"""The same figure drawn for a phone: panels one below another, long words on several lines, letters as large as before.

Whatever drew it: the panels are those of the figure, put elsewhere, so that nothing is computed or drawn a second time.
"""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Iterator

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.gridspec import GridSpec
from matplotlib.legend import Legend
from matplotlib.text import Text
from matplotlib.ticker import FixedFormatter

ROOM = 3.4
"""Inches (326 px): what the page leaves on a phone of 360 px, letters as large as in the wide figure."""
RIM = 0.14  # that is kept free around
LEAST = 0.6
"""A panel may get so much narrower; else fewer stand side by side."""
BESIDE = 0.65  # inches that numbers and name of a vertical axis take
LETTER = 0.56  # how wide a letter is, of its size
ROW_LETTERS, NOTE_LETTERS = 18, 28  # letters on a line of a row's name, and of a note or legend inside a panel
OVER_ROWS = "names over rows"  # marks a panel of few marks a row, over which names may stand
OWN_LINE = "own line"  # marks a row's name that stands over its row
LINE = 0.14  # inches of one more line of text
LEADING = 1.3  # from line to line, of the letters' size
KEPT = "\ue000"  # stands for a blank at which no line ends
_UNIT = re.compile(r"(?<=\d) (?=[°%µ±]|\w+/)| (?=\S{1,6}$)", re.MULTILINE)
MARKS = 3000
"""Where a panel has more points, they are a picture inside the drawing, so that a page stays small."""


def narrowed(figure: Figure) -> Figure:
    """The same figure, rearranged to stand within ``ROOM`` inches: every other form of it is made before."""
    panels = [ax for ax in figure.axes if ax.get_subplotspec() is not None]
    for ax in [a for a in panels if not a.axison and not a.has_data() and not a.texts]:
        panels.remove(ax)
        ax.remove()
    pitches = [_pitch(ax) for ax in panels]
    columns, height = _stacked(figure, panels) if panels else (1, figure.get_figheight() * ROOM / figure.get_figwidth())
    rows = sum(_folded_rows(ax, pitch) for ax, pitch in zip(panels, pitches, strict=True))
    figure.set_size_inches(ROOM - RIM, height + rows)
    for legend in [*figure.legends, *([inside] if len(panels) == 1 and (inside := panels[0].get_legend()) else [])]:
        _put_below(figure, legend)
    for text, inches in _texts(figure, panels, columns):
        text.set_text(folded(text.get_text(), inches * 72 / (LETTER * _size(text))))
    for ax in panels:
        _lightened(ax)
    if panels:
        figure.set_layout_engine("constrained")
    return figure


def folded(text: str, letters: float) -> str:
    """A text on lines of at most so many letters where its words allow, its own line breaks kept."""
    lines = _UNIT.sub(KEPT, text).split("\n")
    return "\n".join(textwrap.fill(line, max(8, int(letters)), break_long_words=False) for line in lines).replace(KEPT, " ")


def _stacked(figure: Figure, panels: list[Axes]) -> tuple[int, float]:
    """Put the panels into as many columns as there is room for; returns their number and the height of the figure."""
    before = panels[0].get_subplotspec().get_gridspec()  # type: ignore[union-attr]
    (lines, across), ratios = before.get_geometry(), np.asarray(before.get_height_ratios(), dtype=float).tolist()
    units = _units(panels, ratios)
    each = len(units[0])
    columns = max(1, min(across, int(ROOM * across / (LEAST * figure.get_figwidth()))))
    rows = math.ceil(len(units) / columns)
    grid = GridSpec(rows * each, columns, figure=figure, height_ratios=ratios[:each] * rows)
    names = {ax.get_subplotspec().rowspan.start: ax.get_ylabel() for ax in reversed(panels)}  # type: ignore[union-attr]
    for k, unit in enumerate(units):
        for i, ax in enumerate(unit):
            shared = ax.get_shared_y_axes().joined(ax, panels[0]) and ax is not panels[0]
            own = ax.get_ylabel() or (names[ax.get_subplotspec().rowspan.start] if shared else "")  # type: ignore[union-attr]
            ax.set_subplotspec(grid[k // columns * each + i, k % columns])
            if shared:
                ax.set_ylabel("" if k % columns else own, fontsize=panels[0].yaxis.label.get_fontsize())
                ax.tick_params(axis="y", labelleft=not k % columns)
    return columns, figure.get_figheight() * rows * each / lines


def _units(panels: list[Axes], ratios: list[float]) -> list[list[Axes]]:
    """Panels that stay one below another: columns, where those share what lies across or are of several heights; else each."""
    columns: dict[int, list[Axes]] = {}
    for ax in panels:
        columns.setdefault(ax.get_subplotspec().colspan.start, []).append(ax)  # type: ignore[union-attr]
    x, first = panels[0].get_shared_x_axes(), next(iter(columns.values()))
    own = x.joined(first[0], first[-1]) and not x.joined(panels[0], panels[-1])
    return list(columns.values()) if len(first) > 1 and (own or len(set(ratios)) > 1) else [[ax] for ax in panels]


def _pitch(ax: Axes) -> float:
    """Inches from one row to the next, as the figure was laid out."""
    figure = ax.get_figure(root=True)
    return 0.0 if figure is None else ax.get_position().height * figure.get_figheight() / max(1, len(ax.get_yticks()))


def _folded_rows(ax: Axes, pitch: float) -> float:
    """Fold the names of rows that are long; returns how many inches higher they need the panel, whose rows are a pitch apart.

    Where one takes more than five lines even so, or has a word longer than a line, and the panel is marked ``OVER_ROWS``,
    each name gets lines over its row.
    """
    told = [t.get_text() for t in ax.get_yticklabels()]
    if max(map(len, told), default=0) <= ROW_LETTERS:
        return 0
    names = [folded(name, ROW_LETTERS) for name in told]
    crowded = any(name.count("\n") > 4 or len(max(name.split("\n"), key=len)) > ROW_LETTERS for name in names)
    if crowded and ax.get_gid() == OVER_ROWS:
        return _names_over_rows(ax, told)
    ax.yaxis.set_major_formatter(FixedFormatter(names))
    need = max(name.count("\n") + 1 for name in names) * _size(ax.yaxis.get_ticklabels()[0]) * LEADING / 72
    return len(names) * max(0.0, need - pitch)


def _names_over_rows(ax: Axes, told: list[str]) -> float:
    """Write the names of rows into the panel, each over its row from the left; returns how many inches higher that makes it."""
    size = _size(ax.yaxis.get_ticklabels()[0])
    names = [folded(" ".join(name.replace("-\n", "-").split()), (ROOM - 0.3) * 72 / (LETTER * size)) for name in told]
    lines = max(name.count("\n") + 1 for name in names)
    places = list(ax.get_yticks())
    for y, name in zip(places, names, strict=True):
        text = ax.annotate(name, (0, y), (2, 5), xycoords=("axes fraction", "data"), textcoords="offset points", fontsize=size,
                           va="bottom", zorder=6, bbox={"fc": "white", "ec": "none", "alpha": 0.75, "pad": 0.5})
        text.set_gid(OWN_LINE)
    ax.yaxis.set_major_formatter(FixedFormatter([""] * len(places)))
    ax.tick_params(axis="y", length=0)
    return lines * len(places) * LINE


def _texts(figure: Figure, panels: list[Axes], columns: int) -> Iterator[tuple[Text, float]]:
    """Every text that may be too long, and the inches that it has."""
    wide = ROOM / columns
    yield from ((t, ROOM) for t in (*figure.texts, *([figure._suptitle] if figure._suptitle else [])))  # type: ignore[attr-defined]
    note = NOTE_LETTERS * LETTER / 72
    yield from ((t, ROOM - 0.55) for legend in figure.legends for t in legend.get_texts())
    for legend in (found for ax in figure.axes if (found := ax.get_legend()) is not None):
        yield from ((t, note * _size(t)) for t in (*legend.get_texts(), legend.get_title()))
    for ax in figure.axes:
        names = max((len(line) for t in ax.get_yticklabels() for line in t.get_text().split("\n")), default=0)
        size = _size(ax.yaxis.get_ticklabels()[0]) if names > 8 else 0.0
        beside = max(BESIDE, 0.2 + names * size * LETTER / 72)
        for t in (ax.title, ax._left_title, ax._right_title, ax.xaxis.label):  # type: ignore[attr-defined]
            yield t, wide - beside * (ax in panels)
        yield from ((t, note * _size(t)) for t in ax.texts if t.get_gid() != OWN_LINE)
        place = spec.get_position(figure) if (spec := ax.get_subplotspec()) is not None else ax.get_position()
        yield ax.yaxis.label, 0.9 * place.height * figure.get_figheight()


def _put_below(figure: Figure, legend: Legend) -> None:
    """Make a legend anew below the panels, one entry a line."""
    told, title = legend.get_texts(), legend.get_title()
    marks = [h for h in legend.legend_handles if h is not None]
    below = figure.legend(marks, [t.get_text() for t in told], loc="outside lower left", frameon=False, alignment="left",
                          title=title.get_text() or None, fontsize=_size(told[0]) if told else 7)
    below.get_title().set_fontsize(title.get_fontsize())
    for text in (*below.get_texts(), below.get_title()):
        text.set_parse_math(False)
    legend.remove()


def _size(text: Text) -> float:
    """Points."""
    return float(text.get_fontsize())


def _lightened(ax: Axes) -> None:
    """Let many points be a picture."""
    many = [artist for artist in (*ax.lines, *ax.collections) if _points(artist) > MARKS / 20]
    if sum(map(_points, (*ax.lines, *ax.collections))) > MARKS:
        for artist in many:
            artist.set_rasterized(True)


def _points(artist: object) -> int:
    """How many points a line or a collection draws."""
    from matplotlib.lines import Line2D

    return len(np.asarray(artist.get_xydata())) if isinstance(artist, Line2D) else len(getattr(artist, "get_offsets", list)())
