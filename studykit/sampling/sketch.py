"""A vessel drawn to scale: outline, liquid, zones, tips and a ruler, as coordinates in mm on paper.

One geometry serves the printed bench sheet (drawn by typst) and the notebook figure (drawn by matplotlib).
Paper coordinates: x to the right, y down, origin in the upper left corner of the drawing's box.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from matplotlib.figure import Figure

from studykit.sampling.draws import DrawPlan
from studykit.vessels.shapes import Shape

# drawing scales 1:n, round enough to measure with
SCALES = (0.2, 0.5, 1, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10, 12, 15, 20, 25, 30, 40, 50, 75, 100, 200, 250, 500)
RULER_STEPS = (5, 10, 20, 50, 100, 200, 500, 1000, 2000)
MARK_GAP, TIGHT_GAP = 7.0, 3.3  # smallest distance of two marks on paper, mm: usual, and where many would leave the room
RULER_ROOM, MARK_ROOM, AIR = 13.0, 26.0, 4.0  # paper kept free left, right and around, mm

Points = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A tip on paper: where it is (x, y), where its text stands (text_y), and the text."""

    x: float
    y: float
    text_y: float
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """A vessel drawn at 1:``scale`` in a box of ``width`` x ``height`` mm; all coordinates in mm on paper.

    ``zones``, ``slabs``: slices of the liquid by their corners.
    """

    scale: float
    width: float
    height: float
    outline: Points
    zones: tuple[Points, ...]
    slabs: tuple[Points, ...]
    marks: tuple[Mark, ...]
    ruler: tuple[tuple[float, str], ...]
    right: float


def choose_scale(size_mm: float, room_mm: float) -> float:
    """The largest drawing at an ordinary scale 1:n that fits into the room."""
    if size_mm <= 0 or room_mm <= 0:
        raise ValueError(f"size_mm and room_mm must be positive, but got {size_mm:g} and {room_mm:g}")
    return next((s for s in SCALES if size_mm / s <= room_mm), float(np.ceil(size_mm / room_mm / 100) * 100))


def spread(places: list[float], gap: float, high: float) -> list[float]:
    """Places moved as little as needed to stand ``gap`` apart, in order, none beyond ``high``."""
    out: list[float] = []
    for p in places:
        out.append(max(p, out[-1] + gap) if out else p)
    for i in range(len(out) - 1, -1, -1):
        out[i] = min(out[i], high - gap * (len(out) - 1 - i))
    return out


def draw_vessel(vessel: Shape, plan: DrawPlan, *, width: float = 90.0, height: float = 120.0) -> Drawing:
    """The vessel with the zones, drawn slabs and tips of one draw plan, to scale.

    ``width`` and ``height`` (mm on paper) are the room there is; the drawing's own box is cut to what it needs.
    """
    outline = vessel.outline()
    heights, halves = np.array(outline).T
    room = width - RULER_ROOM - MARK_ROOM
    scale = max(choose_scale(2 * float(halves.max()), room),
                choose_scale(vessel.total_height_mm, height - 2 * AIR))
    half = float(halves.max()) / scale
    centre, width = RULER_ROOM + half, RULER_ROOM + 2 * half + MARK_ROOM
    gap = max(TIGHT_GAP, min(MARK_GAP, (height - 2 * AIR) / (len(plan.zones) + 1)))
    height = max(vessel.total_height_mm / scale, gap * (len(plan.zones) + 1)) + 2 * AIR

    def y(h: float) -> float:
        return height - AIR - h / scale

    def band(low: float, high: float) -> Points:
        inner = [(h, w) for h, w in outline if low < h < high]
        ends = [(h, float(np.interp(h, heights, halves))) for h in (low, high)]
        side = [ends[0], *inner, ends[1]]
        right = [(centre + w / scale, y(h)) for h, w in side]
        return tuple(right + [(centre - w / scale, y(h)) for h, w in reversed(side)])

    zones = tuple(band(z.bottom_mm, z.top_mm) for z in plan.zones)
    slabs = tuple(band(d.drawn_bottom_mm, d.drawn_top_mm) for d in plan.draws if d.depth != "residue")
    return Drawing(scale=scale, width=width, height=height, outline=band(0.0, vessel.total_height_mm), zones=zones,
                   slabs=slabs, marks=_marks(plan, centre, y, height, gap), ruler=_ruler(vessel.total_height_mm, scale, y),
                   right=centre + half)


def _marks(plan: DrawPlan, centre: float, y: Callable[[float], float], height: float, gap: float) -> tuple[Mark, ...]:
    """One mark a tip place, the numbers of its draws in front, texts spread so that they can be read."""
    tips: dict[float, dict[str, list[str]]] = {}
    for d in plan.draws:
        if d.depth != "residue":
            tips.setdefault(d.tip_mm, {}).setdefault(d.depth, []).append(str(d.order))
    order = sorted(tips, reverse=True)
    texts = spread([y(t) for t in order], gap, height - 1)
    said = {t: ", ".join(f"{'+'.join(numbers)} {depth}" for depth, numbers in tips[t].items()) for t in order}
    return tuple(Mark(x=centre, y=y(t), text_y=ty, text=said[t]) for t, ty in zip(order, texts, strict=True))


def _ruler(total: float, scale: float, y: Callable[[float], float]) -> tuple[tuple[float, str], ...]:
    """Ticks of a ruler from the floor, at least 8 mm apart on paper."""
    step = next((s for s in RULER_STEPS if s / scale >= 8), RULER_STEPS[-1])
    return tuple((y(h), f"{h:g}") for h in np.arange(0, total + 1e-9, step))


def vessel_figure(vessel: Shape, plan: DrawPlan) -> Figure:
    """The same drawing as a matplotlib figure, for the notebook."""
    d = draw_vessel(vessel, plan, width=110, height=110)
    figure = Figure(figsize=(6.4, 6.4 * d.height / d.width))
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set_xlim(0, d.width)
    axes.set_ylim(d.height, 0)
    axes.set_aspect("equal")
    axes.axis("off")
    for i, zone in enumerate(d.zones):
        axes.fill(*zip(*zone, strict=True), color=("#e8eef5", "#d3deea")[i % 2], linewidth=0)
    for slab in d.slabs:
        axes.fill(*zip(*slab, strict=True), color="#5b7fa6", linewidth=0)
    axes.plot(*zip(*d.outline, d.outline[0], strict=True), color="#1a1a1a", linewidth=1.5)
    for mark in d.marks:
        axes.plot([mark.x, d.right + 2, d.right + 4], [mark.y, mark.y, mark.text_y], color="#555555", linewidth=0.8)
        axes.plot(mark.x, mark.y, marker="o", color="#1a1a1a", markersize=4)
        axes.text(d.right + 5, mark.text_y, mark.text, va="center", fontsize=10)
    for place, text in d.ruler:
        axes.plot([RULER_ROOM - 5, RULER_ROOM - 3], [place, place], color="#555555", linewidth=0.8)
        axes.text(RULER_ROOM - 6, place, text, va="center", ha="right", fontsize=8)
    axes.text(1, 2, "mm above the floor", fontsize=8)
    return figure
