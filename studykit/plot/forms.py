"""A figure as PNG, SVG and PDF: laid out once, the same bytes every time, and nothing in them but the drawing.

What is wider than a phone is laid out a second time for it, as SVG.
Letters of the SVG are outlines, so that it looks the same where the font is not installed; the PDF has its fonts inside.
"""

from __future__ import annotations

import hashlib
import io
import pickle
import re
from dataclasses import dataclass
from html import escape
from typing import Any

import matplotlib
from matplotlib.backends.backend_agg import FigureCanvasAgg, RendererAgg
from matplotlib.figure import Figure
from matplotlib.transforms import Bbox, TransformNode

from studykit.core.collecting import uncollected
from studykit.core.memory import keeping, kept
from studykit.plot.narrow import ROOM, narrowed
from studykit.plot.once import worked_out_once
from studykit.plot.readable import as_written

DPI = 150
COLOURS, METHOD = 128, 2  # Pillow's fast octree: flat colours move by one step of 255 at most
SAME_EVERY_TIME: Any = {"svg.hashsalt": "studykit", "svg.fonttype": "path", "pdf.fonttype": 3}
UNDATED = {"svg": {"Date": None, "Creator": None, "Format": None, "Type": None},
           "pdf": {"CreationDate": None, "Creator": None, "Producer": None}}
_PLACES = re.compile(r' (?:d|x|y)="[^"]*"|translate\([^)]*\)')
_FRACTION = re.compile(r"-?\d+\.\d{3,}(?=[ )\n\"])")
_GROUP_ID = re.compile(r'<g id="[^"]*"')  # to which nothing refers
_GROUP = re.compile(r"<g/>|<g(?: [^>]*[^>/])?>|</g>")
_NAME = re.compile(r'( id="|href="#|url\(#)([\w-]+)')
_STYLE = re.compile(r' style="([^"]*)"')
_SHIFTED = re.compile(r'(<use [^>]*?) transform="translate\(([-\d.]+) ([-\d.]+)\)"')
_STYLED = re.compile(r'(<use xlink:href="#([^"]*)"[^>]*?) class="([^"]*)"')
_STEPS = re.compile(r'(?<= d=")[^"]*')
_LETTER = re.compile(r" ?([A-Za-z]) ?")
_FIRST_RULE = "</style>"


@dataclass(frozen=True, slots=True, kw_only=True)
class Forms:
    """One figure as the bytes of three kinds of file; ``narrow``: as SVG for a phone, b'' where the others fit there."""

    png: bytes
    svg: bytes
    pdf: bytes
    narrow: bytes


class _Contents(pickle.Pickler):
    """Writes a figure so that two of the same contents give the same bytes, wherever they lie in memory."""

    def reducer_override(self, obj: Any) -> Any:
        """A transform tells its parents in their order, in place of their addresses."""
        if not isinstance(obj, TransformNode):
            return NotImplemented
        told: Any = obj.__reduce_ex__(2)
        return *told[:2], {**told[2], "_parents": list(told[2]["_parents"].values())}, *told[3:]


def contents_of(figure: Figure, title: str) -> str:
    """The hash of all that a figure's forms are drawn from; '' where it cannot be told."""
    told = io.BytesIO()
    with uncollected():
        try:
            _Contents(told, protocol=5).dump((figure, title, sorted((k, repr(v)) for k, v in matplotlib.rcParams.items())))
        except (pickle.PicklingError, TypeError, AttributeError, ValueError, RecursionError):
            return ""
    return hashlib.sha256(told.getvalue()).hexdigest()


def figure_forms(figure: Figure, title: str = "") -> Forms:
    """The three forms of a figure, all of one layout, and its narrow one; ``title`` is written into SVG and PDF.

    The figure is not to be used afterwards: it may have been rearranged. Where results are kept (``core.memory``) one of
    the same contents is not drawn again.
    """
    key = contents_of(figure, title) if keeping() else ""
    found: Forms = kept(key, lambda: _drawn(figure, title)) if key else _drawn(figure, title)
    return found


def _drawn(figure: Figure, title: str) -> Forms:
    with uncollected(), matplotlib.rc_context(SAME_EVERY_TIME):
        figure, narrow = as_written(figure), b""
        with worked_out_once():
            box = settled_box(figure)
            svg = _svg(figure, box, title)
            pdf = _saved(figure, box, "pdf", metadata={**UNDATED["pdf"], **({"Title": title} if title else {})})
            png = small_png(figure, box)
        if box.width > ROOM:
            figure = narrowed(figure)
            with worked_out_once():
                narrow = _svg(figure, settled_box(figure), title)
        return Forms(png=png, svg=svg, pdf=pdf, narrow=narrow)


def settled_box(figure: Figure) -> Bbox:
    """Lay a figure out for good, at the resolution of its PNG; returns what is drawn on, in inches."""
    before, figure.dpi = figure.dpi, DPI
    renderer, engine = FigureCanvasAgg(figure).get_renderer(), figure.get_layout_engine()  # type: ignore[no-untyped-call]
    if engine is not None:
        engine.execute(figure)
    box = Bbox.union([figure.get_tightbbox(renderer), *_label_boxes(figure, renderer)])
    box = box.padded(matplotlib.rcParams["savefig.pad_inches"])
    figure.dpi = before
    figure.set_layout_engine(None)  # laid out, and with none each form is drawn once
    return box


def _label_boxes(figure: Figure, renderer: RendererAgg) -> list[Bbox]:
    """Where the labels of axes stand, in inches: some releases of matplotlib leave out what is longer than its axis."""
    labels = [axis.label for ax in figure.axes if ax.get_visible() and ax.axison
              for axis in (ax.xaxis, ax.yaxis) if axis.get_visible()]
    inches = figure.dpi_scale_trans.inverted()
    return [text.get_window_extent(renderer).transformed(inches) for text in labels if text.get_text() and text.get_visible()]


def small_png(figure: Figure, box: Bbox) -> bytes:
    """A settled figure as PNG with a palette of its own."""
    from PIL import Image

    small = io.BytesIO()
    whole = _saved(figure, box, "png", dpi=DPI, metadata={"Software": None}, pil_kwargs={"compress_level": 0})
    with Image.open(io.BytesIO(whole)) as picture:
        picture.convert("RGB").quantize(COLOURS, METHOD).save(small, format="png", compress_level=6)
    return small.getvalue()


def small_svg(text: str, title: str = "") -> str:
    """An SVG of matplotlib with places to a hundredth of a point, each style once, short names, no comments, few blanks."""
    text = re.sub(r"<!--.*?-->", "", text[text.index("<svg"):], flags=re.DOTALL)
    text = _PLACES.sub(lambda m: _FRACTION.sub(_hundredth, m[0]).replace("\n", "").replace("  ", " "), text)
    text = _STEPS.sub(lambda m: _LETTER.sub(r"\1", m[0]).replace(" -", "-").strip(), text)
    text = _SHIFTED.sub(lambda m: m[1] + "".join(f' {k}="{v}"' for k, v in (("x", m[2]), ("y", m[3])) if v != "0"), text)
    names: dict[str, str] = {}
    text = _without_bare_groups(_GROUP_ID.sub("<g", text))
    text = _NAME.sub(lambda m: m[1] + names.setdefault(m[2], f"p{len(names)}"), text)
    classes: dict[str, str] = {}
    text = _STYLE.sub(lambda m: f' class="{classes.setdefault(m[1], f"s{len(classes)}")}"', text)
    drawn = dict(re.findall(r'<path id="([^"]*)"[^>]* class="([^"]*)"', text))
    text = _STYLED.sub(lambda m: m[1] if drawn.get(m[2]) == m[3] else m[0], text)  # its path has that style already
    rules = "".join(f".{name}{{{style}}}" for style, name in classes.items())
    text = text.replace(_FIRST_RULE, rules + _FIRST_RULE, 1)
    told = f"<title>{escape(title, quote=False)}</title>" if title else ""
    return re.sub(r">\s+<", "><", re.sub(r"^<svg[^>]*>", lambda m: m[0] + told, text))


def _svg(figure: Figure, box: Bbox, title: str) -> bytes:
    """A settled figure as a small SVG."""
    return small_svg(_saved(figure, box, "svg", metadata=UNDATED["svg"]).decode("utf-8"), title).encode("utf-8")


def _without_bare_groups(text: str) -> str:
    """An SVG without the groups that say nothing of what is in them."""
    kept: list[bool] = []

    def said(found: re.Match[str]) -> str:
        if found[0] == "</g>":
            return "</g>" if kept.pop() else ""
        if found[0] == "<g/>":
            return ""
        kept.append(found[0] != "<g>")
        return found[0] if kept[-1] else ""

    return _GROUP.sub(said, text)


def _hundredth(number: re.Match[str]) -> str:
    text = f"{float(number[0]):.2f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _saved(figure: Figure, box: Bbox, kind: str, **how: Any) -> bytes:
    buffer = io.BytesIO()
    figure.savefig(buffer, format=kind, bbox_inches=box, **how)
    return buffer.getvalue()
