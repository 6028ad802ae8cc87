"""While a figure is laid out and drawn in several forms, what its ticks are and how large its texts are is worked out once.

matplotlib does both anew for every pass of a layout and for every form. The names used are its own, not promised to
anybody: where a release lacks one of them, all is worked out as often as it does by itself.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from typing import Any

from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.axis import Axis
from matplotlib.text import Text

OF_A_TEXT = ("_usetex", "_linespacing", "_parse_math", "_multialignment", "_horizontalalignment", "_verticalalignment",
             "_rotation", "_rotation_mode")
"""What the place of a text's lines hangs on, beside its words, its font, its resolution and what draws it."""
NEEDED = ((Axis, "_update_ticks"), (Axis, "_get_ticklabel_bboxes"), (Text, "_get_layout"), (Axes, "_set_position"))
Method = Callable[..., Any]


@contextlib.contextmanager
def worked_out_once() -> Iterator[None]:
    """Meanwhile figures are laid out and drawn; nothing else of them is to change, or what it was before is drawn."""
    before: list[tuple[type, str, Any]] = [(kind, name, getattr(kind, name, None)) for kind, name in NEEDED]
    if any(found is None for *_, found in before):
        yield
        return
    ticks, texts = dict[Axis, tuple[tuple[float, ...], Any]](), dict[tuple[Any, ...], Any]()
    update, boxes, layout, position = (found for *_, found in before)
    told = _ticks(update, ticks), _boxes(boxes, {}), _layouts(layout, texts), _moved(position, ticks)
    for (kind, name), method in zip(NEEDED, told, strict=True):
        setattr(kind, name, method)
    try:
        yield
    finally:
        for kind, name, found in before:
            setattr(kind, name, found)


def _ticks(update: Method, known: dict[Axis, tuple[tuple[float, ...], Any]]) -> Method:
    """The ticks of an axis, put in place again where it shows another span."""
    def ticks(axis: Axis) -> Any:
        span = tuple(axis.get_view_interval())
        if axis not in known or known[axis][0] != span:
            found = update(axis)
            known[axis] = tuple(axis.get_view_interval()), found
        return list(known[axis][1])

    return ticks


def _boxes(boxes: Method, known: dict[tuple[Any, ...], Any]) -> Method:
    """Where the numbers at an axis stand, for one place of its panel."""
    def found(axis: Axis, ticks: Any, renderer: Any) -> Any:
        at = tuple(axis.axes.bbox.bounds), tuple(axis.get_view_interval())
        key = (axis, tuple(map(id, ticks)), *at, _drawn_by(axis, renderer))
        if key not in known:
            known[key] = boxes(axis, ticks, renderer)
        return tuple(map(list, known[key]))

    return found


def _moved(position: Method, known: dict[Axis, Any]) -> Method:
    """Put axes elsewhere, which may get other ticks then."""
    def moved(ax: Axes, *given: Any, **more: Any) -> Any:
        known.clear()
        return position(ax, *given, **more)

    return moved


def _layouts(layout: Method, known: dict[tuple[Any, ...], Any]) -> Method:
    """Where the lines of a text stand about its own place."""
    def placed(text: Text, renderer: Any) -> Any:
        try:
            own = tuple(getattr(text, name) for name in OF_A_TEXT)
            if text.get_wrap() or text.get_transform_rotates_text():
                return layout(text, renderer)
        except AttributeError:
            return layout(text, renderer)
        key = (*own, text.get_text(), hash(text.get_fontproperties()), _drawn_by(text, renderer))
        if key not in known:
            known[key] = layout(text, renderer)
        return known[key]

    return placed


def _drawn_by(artist: Artist, renderer: Any) -> tuple[Any, ...]:
    """What draws, for which form, and with how many dots an inch."""
    figure = artist.get_figure(root=True)
    return type(renderer), type(getattr(renderer, "_renderer", None)), 0.0 if figure is None else figure.dpi
