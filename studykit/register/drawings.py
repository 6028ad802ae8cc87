"""What the pages of the register share: a drawing inside the page, and that no study is written into."""

from __future__ import annotations

import base64
import io
from collections.abc import Iterable
from html import escape
from pathlib import Path

import matplotlib as mpl
from matplotlib.figure import Figure

from studykit.core.errors import single
from studykit.plot.readable import as_written


def outside(to: Path, studies: Iterable[Path], which: str, remedy: str) -> Path:
    """The folder ``to``; BadInput where it lies inside one of these folders, ``which``."""
    if any(Path(to).resolve().is_relative_to(root.resolve()) for root in studies):
        raise single(str(to), f"lies inside one of {which}", remedy)
    return Path(to)


def figure_html(drawn: Figure, words: str) -> str:
    """A drawing as SVG in a page, the same to the byte each time; ``words``: what it shows, for who cannot see it."""
    out = io.BytesIO()
    with mpl.rc_context({"svg.hashsalt": "studykit"}):
        as_written(drawn).savefig(out, format="svg", metadata={"Date": None})
    return (f'<figure><img alt="{escape(words)}" style="max-width:100%" '
            f'src="data:image/svg+xml;base64,{base64.b64encode(out.getvalue()).decode()}"></figure>')
