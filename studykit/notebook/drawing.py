"""Small drawings as SVG text, made within a millisecond: axes, lines, bands; each carries what it shows in words."""

from __future__ import annotations

import html
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from matplotlib.ticker import MaxNLocator

from studykit.notebook.display import cell_text
from studykit.plot.profiles import BAND, EDGE, INK

WIDE, HIGH = 340, 250
LEFT, RIGHT, TOP, FOOT = 52, 328, 12, 186
DASHES = ("", "8 4", "2 3", "9 3 2 3")


@dataclass(frozen=True, slots=True, kw_only=True)
class Axes:
    """What lies across and up, and from where to where; names carry their units."""

    across: str
    up: str
    x: tuple[float, float]
    y: tuple[float, float]
    whole: bool = False  # only whole numbers up

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Where a point lies on the drawing; outside the axes it is moved to their edge."""
        part = [min(max((v - low) / (high - low), 0.0), 1.0) for v, (low, high) in ((x, self.x), (y, self.y))]
        return LEFT + part[0] * (RIGHT - LEFT), FOOT - part[1] * (FOOT - TOP)

    def line(self, xs: Iterable[float], ys: Iterable[float], dash: str = "", colour: str = INK, width: float = 1.6) -> str:
        """A line through points."""
        points = " ".join(f"{x:.1f},{y:.1f}" for x, y in map(self.at, xs, ys))
        return (f'<polyline fill="none" stroke="{colour}" stroke-width="{width:g}" stroke-dasharray="{dash}" '
                f'points="{points}"/>')

    def band(self, low: float, high: float) -> str:
        """A shaded band between two values across."""
        (left, top), (right, foot) = self.at(low, self.y[1]), self.at(high, self.y[0])
        return f'<rect x="{left:.1f}" y="{top:.1f}" width="{right - left:.1f}" height="{foot - top:.1f}" fill="{BAND}"/>'

    def upright(self, x: float) -> str:
        """A thin line at a value across."""
        return self.line((x, x), self.y, "4 3", EDGE, 1.0)

    def frame(self) -> str:
        """The axes with their ticks and names."""
        out = [self.line(self.x, (self.y[0],) * 2, width=1), self.line((self.x[0],) * 2, self.y, width=1)]
        out += [_text(self.at(x, self.y[0])[0], FOOT + 14, cell_text(x, 3), "middle") for x in _ticks(*self.x)]
        out += [_text(LEFT - 6, self.at(self.x[0], y)[1] + 4, cell_text(y, 3), "end") for y in _ticks(*self.y, self.whole)]
        out.append(_text((LEFT + RIGHT) / 2, FOOT + 31, self.across, "middle"))
        middle = (TOP + FOOT) / 2
        out.append(f'<text x="11" y="{middle:.0f}" text-anchor="middle" transform="rotate(-90 11 {middle:.0f})">'
                   f"{html.escape(self.up)}</text>")
        return "".join(out)


def _ticks(first: float, last: float, whole: bool = False) -> list[float]:
    low, high = sorted((first, last))
    found = MaxNLocator(5, integer=whole).tick_values(low, high)
    return [float(t) + 0.0 for t in found if low - 1e-9 <= t <= high + 1e-9]


def _text(x: float, y: float, text: str, anchor: str = "start") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{html.escape(text)}</text>'


def legend(names: Sequence[str]) -> str:
    """The dashes by name, below the axes."""
    step = (RIGHT - 8) / len(names)
    return "".join(f'<line x1="{8 + step * k:.0f}" x2="{30 + step * k:.0f}" y1="236" y2="236" stroke="{INK}" '
                   f'stroke-width="1.6" stroke-dasharray="{dash}"/>' + _text(34 + step * k, 240, name)
                   for k, (name, dash) in enumerate(zip(names, DASHES, strict=False)))


def drawing(alt: str, parts: Iterable[str]) -> str:
    """The whole as one SVG, told as ``alt`` to whoever cannot see it."""
    return (f'<svg xmlns="http://www.w3.org/2000/svg" role="img" aria-label="{html.escape(alt)}" viewBox="0 0 {WIDE} {HIGH}" '
            f'width="{WIDE}" height="{HIGH}" font-size="11" font-family="sans-serif" fill="{INK}">'
            f'<rect width="{WIDE}" height="{HIGH}" fill="white"/>{"".join(parts)}</svg>')
