"""Depth zones and the draw plan of one container: where the tip goes, what is taken, what is left.

*Zones.* Each depth label has a tip height; its zone reaches half-way to its neighbours, the first one up to
the surface and the last one down to the floor.  Upper, middle and lower so become the thirds of the liquid
height.  A zone carries its heights (mm above the floor), its volume (L) and its share of the content.

*The zone actually drawn.* A slow draw through a still tip empties a level slab of the drawn volume, half of
it from above the tip and half from below (own simplification, no source); at the floor or the surface the
slab is cut off there and takes the rest from the other side.  Purge and further draws at the same tip widen
the slab.  What it takes from a neighbour's zone, or shares with another slab, is computed and warned about.

*Surface down.* Draws go from the surface to the floor.  A draw lowers only what lies above its tip, so heights
above the floor stay true for every draw still to come; depths below the surface do not.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise
from typing import Any

import pandas as pd

from studykit.core.errors import BadInput, Fault
from studykit.study.definition import SamplingSettings
from studykit.vessels.shapes import Shape

# Words and places: definitions of spot samples in ISO 3170 clause 3 and ASTM D4057 (terminology), clauses
# from memory, check your copy. The same words and thirds stand in US Army FM 10-67-2 chapter 9 (text seen):
# upper, middle, lower = middle of the top third, of the whole, of the bottom third; top = 6 in (150 mm) below
# the surface; bottom = on the floor.
STANDARD_WORDS = ("top", "upper", "middle", "lower", "bottom")
WHERE = {
    "top": "150 mm below the surface, in small packages a twelfth of the liquid height",
    "upper": "middle of the top third of the liquid height",
    "middle": "half-way up the liquid",
    "lower": "middle of the bottom third of the liquid height",
    "bottom": "on the floor, the tip one floor gap above it",
    "heel": "loose sediment and the last liquid on the floor, undisturbed, after all other draws",
    "residue": "composite of what is left, the sediment stirred into it: a sample of its own",
}
SOURCE = "definitions in ISO 3170 clause 3 and ASTM D4057; clauses from memory, check your copy"
TOP_MM = 150.0
TOP_SHARE = 1 / 12  # scaling of "top" in packages below 1.8 m of liquid: own choice, no source
BOTTLE_SHARE = 0.85  # US Army FM 10-67-2 chapter 9: a bottle is never filled above 85 %
NEAR_SURFACE_MM = 5.0  # a tip this close to the level draws air or film: common practice, no source
WHOLE_SHARE = 0.1  # above it the stirred rest no longer stands for the whole container: own choice, no source
COUNTS_AS_OVERLAP = 0.01  # share of a draw's own volume below which an overlap is rounding


@dataclass(frozen=True, slots=True, kw_only=True)
class DepthZone:
    """A depth label as a slice of the liquid: tip, bounds (mm above the floor), volume (L), share (0..1)."""

    label: str
    tip_mm: float
    bottom_mm: float
    top_mm: float
    volume_l: float
    share: float
    where: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Draw:
    """One insertion: heights in mm above the floor, volumes in mL, ``height`` = middle drawn / liquid height.

    ``below_surface_mm`` counts from the surface before the first draw, ``below_level_mm`` from the level at
    this draw.  ``foreign_ml`` is what it takes from neighbouring zones.
    """

    order: int
    kind: str
    depth: str
    tip_mm: float
    below_surface_mm: float
    below_level_mm: float
    drawn_bottom_mm: float
    drawn_top_mm: float
    height: float
    purge_ml: float
    keep_ml: float
    discard_ml: float
    level_before_mm: float
    level_after_mm: float
    foreign_ml: float

    def on_floor(self, gap_mm: float) -> bool:
        """Whether the tip goes to the floor: within the floor gap of it, whatever the depth is called."""
        return self.kind != "composite" and self.tip_mm <= gap_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawPlan:
    """All draws of one container from the surface down, what is left (L), and the warnings; ``day``: of a planned visit."""

    container: str
    vessel: str
    liquid_height_mm: float
    content_l: float
    left_l: float
    zones: tuple[DepthZone, ...]
    draws: tuple[Draw, ...]
    warnings: tuple[str, ...]
    day: str = ""

    def rows(self) -> list[dict[str, Any]]:
        """Each draw with the container in front."""
        return [{"container": self.container} | asdict(d) for d in self.draws]

    def to_table(self) -> pd.DataFrame:
        """One row a draw, with the container in front."""
        return pd.DataFrame(self.rows())


def zone_tips(
    depths: Sequence[str], liquid_mm: float, settings: SamplingSettings
) -> tuple[tuple[str, float, str], ...]:
    """Label, tip height (mm above the floor) and description of every depth, surface down.

    Taken from ``settings.zones`` where given; else from the sampling standards where all labels are their
    words; else the middles of equal slices of the liquid height.  BadInput where the settings and the labels
    disagree or the places do not go down.
    """
    if settings.zones:
        return _own_tips(depths, liquid_mm, settings)
    if all(d in STANDARD_WORDS for d in depths):
        share = {"upper": 5 / 6, "middle": 1 / 2, "lower": 1 / 6}
        places = {d: share[d] * liquid_mm for d in share}
        places["top"] = liquid_mm - min(TOP_MM, liquid_mm * TOP_SHARE)
        places["bottom"] = settings.floor_gap_mm
        tips = tuple((d, places[d], WHERE[d]) for d in depths)
    else:
        n = len(depths)
        tips = tuple(
            (d, liquid_mm * (2 * (n - i) - 1) / (2 * n), f"middle of slice {i + 1} of {n} equal slices")
            for i, d in enumerate(depths)
        )
    faults = [
        _zone_fault(f"{b!r} at {zb:.4g} mm does not lie below {a!r} at {za:.4g} mm: the zones are out of order")
        for (a, za, _), (b, zb, _) in pairwise(tips)
        if zb >= za
    ]
    if faults:
        raise BadInput(faults, title="The depth zones have faults")
    return tips


def _own_tips(
    depths: Sequence[str], liquid_mm: float, settings: SamplingSettings
) -> tuple[tuple[str, float, str], ...]:
    labels = [z.label for z in settings.zones]
    if labels != list(depths):
        reason = f"lists {', '.join(labels)}, but the depths of [factors] are {', '.join(depths)}"
        raise BadInput([_zone_fault(reason)], title="The depth zones have faults")
    return tuple(
        (z.label, max(z.height * liquid_mm, settings.floor_gap_mm), f"{z.height:g} of the liquid height")
        for z in settings.zones
    )


def _zone_fault(reason: str) -> Fault:
    remedy = "write the same labels in both places, from the surface down"
    return Fault(file="study.toml", column="sampling.zones", reason=reason, remedy=remedy)


def depth_zones(
    vessel: Shape, liquid_mm: float, depths: Sequence[str], settings: SamplingSettings
) -> tuple[DepthZone, ...]:
    """The liquid cut into one zone a depth, bounds half-way between tips, listed from the surface down."""
    tips = zone_tips(depths, liquid_mm, settings)
    cuts = [liquid_mm, *((a[1] + b[1]) / 2 for a, b in pairwise(tips)), 0.0]
    whole, zones = vessel.volume_l(liquid_mm), []
    for (label, tip, where), (high, low) in zip(tips, pairwise(cuts), strict=True):
        volume = vessel.volume_l(high) - vessel.volume_l(low)
        share = volume / whole if whole else 0.0
        zones.append(DepthZone(label=label, tip_mm=tip, bottom_mm=low, top_mm=high, volume_l=volume, share=share,
                               where=where))
    return tuple(zones)


def slab(vessel: Shape, level_mm: float, tip_mm: float, volume_ml: float) -> tuple[float, float]:
    """Bounds (mm above the floor) of the liquid that a slow draw of ``volume_ml`` takes at a still tip.

    Half of the volume lies above the tip and half below, cut off at floor and level.
    ValueError when the vessel holds less than ``volume_ml``.
    """
    held, volume = vessel.volume_l(level_mm), volume_ml / 1000
    if volume > held * (1 + 1e-12):
        raise ValueError(f"volume_ml must be at most the {held * 1000:.4g} mL there are, but got {volume_ml:g}")
    low = vessel.volume_l(min(tip_mm, level_mm)) - volume / 2
    low = min(max(low, 0.0), held - volume)
    return vessel.height_mm(max(low, 0.0)), vessel.height_mm(min(max(low, 0.0) + volume, held))


def needed_ml(settings: SamplingSettings) -> float:
    """Volume (mL) that all tests of one sample need together."""
    return float(sum(t.volume_ml for t in settings.tests))


def _steps(depths: Sequence[str], draws_at: Mapping[str, int], settings: SamplingSettings) -> list[tuple[str, str]]:
    """Kind and depth of every draw in order: each depth with its repeats, then heel, then stirred residue."""
    steps = []
    for depth in depths:
        steps += [("spot" if i == 0 else "duplicate", depth) for i in range(draws_at.get(depth, 1))]
    steps += [("heel", "heel")] * settings.heel
    return steps + [("composite", "residue")] * settings.residue


def plan_draws(
    vessel: Shape,
    liquid_mm: float,
    depths: Sequence[str],
    settings: SamplingSettings,
    *,
    container: str = "",
    vessel_name: str = "",
    draws_at: Mapping[str, int] | None = None,
) -> DrawPlan:
    """The draw plan of one container.

    ``liquid_mm``: liquid height above the floor.  ``depths``: labels from the surface down.  ``draws_at``:
    draws per depth where it is not one (2 = a blind duplicate).  ``vessel_name``: whose own draw is taken, where one is
    declared.  BadInput with every fault when the draws
    exceed the content, the level falls to a tip, or the zones are out of order.
    """
    settings = settings.of(vessel_name)
    zones = depth_zones(vessel, liquid_mm, depths, settings)
    steps = _steps(depths, draws_at or {}, settings)
    purges = len(steps) - settings.heel  # the heel is not purged
    total = len(steps) * settings.draw_ml + purges * settings.purge_ml + (len(steps) - 1) * settings.discard_ml
    content = vessel.volume_l(liquid_mm)
    if total > content * 1000:
        reason = f"{len(steps)} draws take {total:.0f} mL with purge and discard, but it holds {content * 1000:.0f} mL"
        raise BadInput([_draw_fault(container, reason)], title="The draw plan has faults")
    faults: list[Fault] = []
    draws: list[Draw] = []
    level, taken = liquid_mm, 0.0
    for order, (kind, depth) in enumerate(steps, start=1):
        discard = settings.discard_ml if order < len(steps) else 0.0
        before = sum(d.purge_ml + d.keep_ml for d in draws if d.depth == depth)
        draw, level = _one_draw(vessel, liquid_mm, level, before, zones, settings, order, kind, depth, discard)
        taken += draw.purge_ml + draw.keep_ml + draw.discard_ml
        draws.append(draw)
        if draw.below_level_mm <= 0:
            reason = f"the level has fallen to {draw.level_before_mm:.1f} mm, not above the tip of draw {order} "
            faults.append(_draw_fault(container, f"{reason}({depth}, {draw.tip_mm:.1f} mm)"))
    if faults:
        raise BadInput(faults, title="The draw plan has faults")
    return DrawPlan(
        container=container,
        vessel=vessel_name,
        liquid_height_mm=liquid_mm,
        content_l=content,
        left_l=content - taken / 1000,
        zones=zones,
        draws=tuple(draws),
        warnings=(*_reach(draws), *_shared(vessel, draws), *_level(draws), *_whole(draws, taken / 1000, content),
                  *volume_warnings(settings)),
    )


def _draw_fault(container: str, reason: str) -> Fault:
    remedy = "draw less, purge less, leave out a draw, or take a fuller container"
    return Fault(file="plan/containers.csv", column="container", value=container, reason=reason, remedy=remedy)


def _one_draw(
    vessel: Shape, liquid: float, level: float, before_ml: float, zones: Sequence[DepthZone],
    settings: SamplingSettings, order: int, kind: str, depth: str, discard: float,
) -> tuple[Draw, float]:
    """One draw at ``level`` and the level after it and its discard."""
    zone = next((z for z in zones if z.label == depth), None)
    tip = zone.tip_mm if zone else settings.floor_gap_mm
    if depth == "residue":  # stirred: drawn from the middle of what is left, and it is all alike
        tip = level / 2
    purge = settings.purge_ml if depth != "heel" else 0.0  # the sediment itself would be purged away
    own = purge + settings.draw_ml
    held = vessel.volume_l(level)
    low, high = slab(vessel, level, tip, min(before_ml + own, held * 1000))
    if depth == "residue":
        low, high = 0.0, level
    elif tip <= settings.floor_gap_mm:  # on the floor: what lies there does not flow level to the tip
        low, high = 0.0, max(tip, vessel.height_mm(min((before_ml + own) / 1000, held)))
    after = vessel.height_mm(max(held - (own + discard) / 1000, 0.0))
    foreign = 0.0
    if zone is not None:
        kept_low, kept_high = max(low, zone.bottom_mm), min(high, zone.top_mm)
        inside = max(vessel.volume_l(kept_high) - vessel.volume_l(kept_low), 0.0) if kept_high > kept_low else 0.0
        foreign = max(vessel.volume_l(high) - vessel.volume_l(low) - inside, 0.0) * 1000
    draw = Draw(
        order=order, kind=kind, depth=depth, tip_mm=tip, below_surface_mm=liquid - tip, below_level_mm=level - tip,
        drawn_bottom_mm=low, drawn_top_mm=high, height=(low + high) / 2 / liquid, purge_ml=purge,
        keep_ml=settings.draw_ml, discard_ml=discard, level_before_mm=level, level_after_mm=after,
        foreign_ml=foreign,
    )
    return draw, after


def _reach(draws: Sequence[Draw]) -> list[str]:
    return [
        f"draw {d.order} ({d.depth}) takes {d.foreign_ml:.0f} of its mL from a neighbouring zone"
        for d in draws
        if d.foreign_ml > COUNTS_AS_OVERLAP * d.keep_ml
    ]


def overlap_ml(vessel: Shape, a: Draw, b: Draw) -> float:
    """Volume (mL) of the liquid that lies inside both drawn slabs."""
    low, high = max(a.drawn_bottom_mm, b.drawn_bottom_mm), min(a.drawn_top_mm, b.drawn_top_mm)
    return (vessel.volume_l(high) - vessel.volume_l(low)) * 1000 if high > low else 0.0


def _shared(vessel: Shape, draws: Sequence[Draw]) -> list[str]:
    last = {d.depth: d for d in draws if d.depth != "residue"}  # the widest slab at each tip
    out = []
    for a, b in pairwise(last.values()):
        shared = overlap_ml(vessel, a, b)
        if a.tip_mm == b.tip_mm:
            out.append(f"{a.depth} and {b.depth} are drawn at the same place: leave out one of them")
        elif shared > COUNTS_AS_OVERLAP * b.keep_ml:
            out.append(f"the zones drawn at {a.depth} and {b.depth} overlap: {shared:.0f} mL lie in both")
    return out


def _level(draws: Sequence[Draw]) -> list[str]:
    out = [
        f"draw {d.order} ({d.depth}): the tip is only {d.below_level_mm:.1f} mm below the level, it may draw air"
        for d in draws
        if d.below_level_mm < NEAR_SURFACE_MM and d.depth not in ("heel", "residue")
    ]
    for a, b in pairwise(draws):
        if a.discard_ml and b.depth not in (a.depth, "residue") and b.drawn_top_mm > a.level_after_mm - 1e-6:
            out.append(f"the discard after draw {a.order} reaches into the zone of draw {b.order} ({b.depth})")
    return out


def _whole(draws: Sequence[Draw], taken_l: float, content_l: float) -> list[str]:
    share = taken_l / content_l
    text = f"the draws take {share:.0%} of the content: the composite of the rest is not the whole container"
    return [text] if share > WHOLE_SHARE and draws[-1].depth == "residue" else []


def volume_warnings(settings: SamplingSettings) -> list[str]:
    """Whether a draw suffices for the tests and fits its bottle."""
    out = []
    need = needed_ml(settings)
    if need > settings.draw_ml:
        tests = ", ".join(f"{t.name} {t.volume_ml:g} mL" for t in settings.tests)
        out.append(f"a draw keeps {settings.draw_ml:g} mL, but the tests need {need:g} mL ({tests})")
    if settings.draw_ml > BOTTLE_SHARE * settings.bottle_ml:
        out.append(
            f"{settings.draw_ml:g} mL fill the {settings.bottle_ml:g} mL bottle above "
            f"{BOTTLE_SHARE:.0%}: it cannot be shaken at the laboratory"
        )
    return out
