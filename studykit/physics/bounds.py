"""What a study rules out about particle size, how long a fluid may stand, and times to settle.

If a share f of an analyte sits in particles of diameter d, and particles of that size would leave
the top zone a part k(d) poorer, then the top is f k(d) poorer.  A study that bounds the depletion
at the top by U therefore bounds the share: f <= U / k(d).  Where zones are compared with each
other instead of with the whole (a remixed control, the value at filling), matter that lies on
the floor is missing from all of them, and U applies to the mean of the zones:
f <= U / (k + U (1 - mean)).

Sizes that have left every zone before sampling cannot be seen by comparing zones at all: the
result says from which size on.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from studykit.physics.column import Component, Sizes, ZoneOf, expected_column
from studykit.physics.velocity import GRAVITY, terminal_velocity
from studykit.physics.viscosity import Floats, Liquid, positive

Reference = Literal["whole", "zones"]
DAYS_PER_MONTH = 365.25 / 12
SHOWS = 1e-9  # departure of a zone, as a share, that is more than rounding
GRID_M = np.logspace(-9, -4, 121)


@dataclass(frozen=True, slots=True, kw_only=True)
class TypicalSize:
    """A kind of matter found in fluids, its usual diameters in m, and where they come from."""

    label: str
    low_m: float
    high_m: float
    source: str


TYPICAL_SIZES = (
    TypicalSize(label="dissolved molecules", low_m=0.5e-9, high_m=2e-9, source="common practice, no source"),
    # Radii 22 and 67 angstrom plus a layer of 19: small-angle neutron scattering, Markovic et al. 1984.
    TypicalSize(label="detergent micelles", low_m=4e-9, high_m=17e-9,
                source="Markovic and others 1984, from the abstract"),
    TypicalSize(label="pigments, solid lubricants", low_m=0.2e-6, high_m=10e-6, source="from memory"),
    TypicalSize(label="antifoam droplets", low_m=1e-6, high_m=10e-6, source="from memory"),
    TypicalSize(label="wear debris, dust", low_m=1e-6, high_m=50e-6, source="from memory"),
    TypicalSize(label="water droplets", low_m=5e-6, high_m=500e-6, source="from memory"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bound:
    """Upper bounds from the verdict's intervals for one analyte, in per cent of the reference.

    ``top_depletion_percent``: the top zone is at most this much poorer; ``bottom_excess_percent``:
    the bottom zone is at most this much richer; None where not known.  ``reference``: "whole"
    where compared with the whole container's content, "zones" with the mean of the zones.
    """

    analyte: str
    top_depletion_percent: float | None = None
    bottom_excess_percent: float | None = None
    reference: Reference = "zones"

    def __post_init__(self) -> None:
        if self.top_depletion_percent is None and self.bottom_excess_percent is None:
            raise ValueError("top_depletion_percent or bottom_excess_percent must be given, but got neither")
        for name in ("top_depletion_percent", "bottom_excess_percent"):
            value = getattr(self, name)
            if value is not None and not math.isfinite(value):
                raise ValueError(f"{name} must be a finite number, but got {value}")


def zone_response(density_kg_m3: float, liquid: Liquid, height_m: float, age_days: float,
                  temperature_c: float | Floats, zones: Sequence[ZoneOf], diameters_m: Floats = GRID_M,
                  volume_fraction: float = 0.0) -> Floats:
    """What each zone would read for particles of one size, relative to mixed: array (zones, sizes)."""
    sizes = Sizes.table(list(diameters_m), [1.0] * len(diameters_m))
    part = Component(name="size", density_kg_m3=density_kg_m3, sizes=sizes, volume_fraction=volume_fraction)
    edges = sorted({x for z in zones for x in (z.low, z.high)})
    profile = expected_column(part, liquid, height_m, [age_days], temperature_c, heights=edges)
    at = np.searchsorted(profile.heights, [[z.low, z.high] for z in zones])
    below = profile.by_class[:, 0, :]
    width = np.array([z.high - z.low for z in zones])[:, None]
    return np.asarray((below[:, at[:, 1]] - below[:, at[:, 0]]).T / width, float)


@dataclass(frozen=True, slots=True, kw_only=True)
class RuledOut:
    """Largest share of an analyte that can be in particles, size by size.

    ``diameter_m``; ``expected``: array (zones, sizes), zones relative to mixed if all of the
    analyte were in particles of that size; ``at``: largest share (0 to 1) in particles of about
    this size; ``above``: in particles of this size or larger, up to ``seen_to_m``.
    ``seen_from_m``: smallest size that would have shown, had all of the analyte been in it; None
    where none would.  ``blind_from_m``: size from which on matter would have left (nearly) all
    zones, so that comparing them shows nothing; None where there is no such size.
    """

    bound: Bound
    density_kg_m3: float
    rises: bool
    diameter_m: Floats
    expected: Floats
    at: Floats
    above: Floats
    seen_from_m: float | None
    seen_to_m: float | None
    blind_from_m: float | None

    def share_above(self, diameter_m: float) -> float:
        """Largest share (0 to 1) in particles of ``diameter_m`` or larger that the study leaves possible."""
        if diameter_m < self.diameter_m[0] or diameter_m > self.diameter_m[-1]:
            raise ValueError(f"diameter_m must be {self.diameter_m[0]:.3g} to {self.diameter_m[-1]:.3g}, but got "
                             f"{diameter_m:g}")
        return float(np.interp(math.log(diameter_m), np.log(self.diameter_m), self.above))

    def smallest_seen_m(self, share: float) -> float | None:
        """Smallest size that would have shown with ``share`` (0 to 1) of the analyte in it; None where none."""
        return _first_below(self.diameter_m, self.at, share)

    def to_table(self) -> pd.DataFrame:
        """One row a size: diameter in µm, largest share in % at and above it, expected top and bottom in %."""
        return pd.DataFrame({"diameter_um": self.diameter_m * 1e6, "share_at_percent": 100 * self.at,
                             "share_above_percent": 100 * self.above, "top_percent": 100 * self.expected[0],
                             "bottom_percent": 100 * self.expected[-1]})

    def sentence(self) -> str:
        """The result in plain words, with what it cannot say."""
        who, way = self.bound.analyte, "rise" if self.rises else "settle"
        if self.seen_from_m is None:
            return (f"{who}: nothing is ruled out: particles of no size would have had to {way} far enough "
                    "to pass the study's bounds.")
        slack = 1.05 if self.blind_from_m is None else 1.5
        first = int(np.flatnonzero(self.above <= slack * np.min(self.above) + 1e-12)[0])
        lead, share = diameter_text(self.diameter_m[first]), _percent(float(self.above[first]))
        shown = f"Sizes from {diameter_text(self.seen_from_m)} would have shown, had all of it been in them."
        if self.blind_from_m is None or self.seen_to_m is None:
            text = f"{who}: at most {share} of it can be in particles of {lead} or larger. {shown}"
        else:
            best = int(np.argmin(self.at))
            together = ("" if float(self.above[first]) > 0.99 else
                        f", at most {share} in sizes from {lead} to {diameter_text(self.seen_to_m)} together")
            text = (f"{who}: at most {_percent(float(self.at[best]))} of it can be in particles of about "
                    f"{diameter_text(self.diameter_m[best])}{together}. {shown} From {diameter_text(self.blind_from_m)} on, "
                    "particles would have left all zones before sampling: only a comparison with the whole "
                    "container can speak about those.")
        return text + f" Estimate for spheres of {self.density_kg_m3:g} kg/m³ in a still liquid."


def _percent(share: float) -> str:
    value = 100 * share
    return f"{value:.1f} %" if value < 10 else f"{value:.0f} %"


def diameter_text(diameter_m: float) -> str:
    """A diameter in nm or µm with two digits."""
    um = diameter_m * 1e6
    return f"{um:.2g} µm" if um >= 0.095 else f"{um * 1e3:.2g} nm"


def _first_below(d: Floats, share: Floats, target: float) -> float | None:
    """First diameter at which ``share`` falls below ``target``, between grid points in log size."""
    hits = np.flatnonzero(share < target)
    if hits.size == 0:
        return None
    i = int(hits[0])
    if i == 0:
        return float(d[0])
    part = (share[i - 1] - target) / (share[i - 1] - share[i])
    return float(math.exp(math.log(d[i - 1]) + part * math.log(d[i] / d[i - 1])))


def _largest_share(k: Floats, deficit: Floats, bound_percent: float) -> Floats:
    """U / (k + U deficit), 1 where it exceeds 1 or nothing would show (``SHOWS``)."""
    u = max(bound_percent, 0.0) / 100
    pull = k + u * deficit
    able = (k > SHOWS) & (pull > 0)
    return np.where(able, np.minimum(1.0, u / np.where(able, pull, 1.0)), 1.0)


def ruled_out(expected: Floats, bound: Bound, density_kg_m3: float, *, rises: bool = False,
              diameters_m: Floats = GRID_M) -> RuledOut:
    """Largest share of an analyte in particles of each size, from bounds on the zones.

    ``expected``: array (zones surface down, sizes), zones relative to mixed, for instance the
    mean of ``zone_response`` over the containers of the study.  For matter that rises the top
    is the rich end: give bounds for the poor end as ``top_depletion_percent`` all the same.
    """
    expected = np.asarray(expected, float)
    if expected.shape[1] != len(diameters_m):
        raise ValueError(f"expected must have one column a diameter ({len(diameters_m)}), but got "
                         f"{expected.shape[1]}")
    poor, rich = (expected[-1], expected[0]) if rises else (expected[0], expected[-1])
    mean = expected.mean(axis=0) if bound.reference == "zones" else np.ones(expected.shape[1])
    at = np.ones(expected.shape[1])
    if bound.top_depletion_percent is not None:
        at = np.minimum(at, _largest_share(mean - poor, 1 - mean, bound.top_depletion_percent))
    if bound.bottom_excess_percent is not None:
        at = np.minimum(at, _largest_share(rich - mean, 1 - mean, bound.bottom_excess_percent))
    seen = np.flatnonzero(at < 1)
    last = int(seen[-1]) if seen.size else len(at) - 1
    above = np.ones_like(at)
    above[: last + 1] = np.maximum.accumulate(at[: last + 1][::-1])[::-1]
    gone = last < len(at) - 1 and seen.size > 0
    return RuledOut(
        bound=bound, density_kg_m3=density_kg_m3, rises=rises, diameter_m=np.asarray(diameters_m, float),
        expected=expected, at=at, above=above, seen_from_m=_first_below(diameters_m, at, 1.0),
        seen_to_m=float(diameters_m[last]) if seen.size else None,
        blind_from_m=float(diameters_m[last + 1]) if gone else None)


def days_to_cross(diameter_m: float | Floats, density_kg_m3: float, liquid: Liquid, distance_m: float,
                  temperature_c: float, volume_fraction: float = 0.0) -> Floats:
    """Days for spheres to sink or rise through ``distance_m``; infinite where they are held or float."""
    positive("distance_m", distance_m)
    v = terminal_velocity(diameter_m, density_kg_m3, liquid.density(temperature_c),
                          liquid.dynamic_pa_s(temperature_c), volume_fraction=volume_fraction,
                          yield_stress_pa=liquid.yield_stress_pa).velocity_m_s
    with np.errstate(divide="ignore"):
        return np.asarray(distance_m / np.abs(v) / 86400, float)


def diameter_to_clear(distance_m: float, days: float, excess_kg_m3: float, viscosity_pa_s: float) -> float:
    """Diameter in m of the spheres that cross ``distance_m`` in ``days`` (Stokes); inf without excess."""
    speed = float(positive("distance_m", distance_m)) / (float(positive("days", days)) * 86400)
    if excess_kg_m3 == 0:
        return math.inf
    return math.sqrt(18 * float(positive("viscosity_pa_s", viscosity_pa_s)) * speed / (abs(excess_kg_m3) * GRAVITY))


def settling_chart(excess_kg_m3: float, distance_m: float, diameters_m: Sequence[float],
                   viscosities_pa_s: Sequence[float]) -> pd.DataFrame:
    """Days to cross ``distance_m`` by size and viscosity: diameter_um, viscosity_mpa_s, days (Stokes)."""
    excess = float(positive("excess_kg_m3", abs(excess_kg_m3)))
    rows = [(d * 1e6, eta * 1e3, 18 * eta * distance_m / (excess * GRAVITY * d**2) / 86400)
            for eta in positive("viscosities_pa_s", np.asarray(viscosities_pa_s, float))
            for d in positive("diameters_m", np.asarray(diameters_m, float))]
    return pd.DataFrame(rows, columns=["diameter_um", "viscosity_mpa_s", "days"])


def standing_days(component: Component, liquid: Liquid, height_m: float, zones: Sequence[ZoneOf],
                  margin_percent: float, temperature_c: float, longest_days: float = 36525.0) -> float:
    """Days after mixing until the first zone departs from the mixed mean by the margin.

    Infinite where none does within ``longest_days`` (100 years unless told).  The component is
    taken to carry the whole analyte.  ValueError for a margin not above 0.
    """
    positive("margin_percent", margin_percent)
    edges = [x for z in zones for x in (z.low, z.high)]

    def worst(days: Floats) -> Floats:
        p = expected_column(component, liquid, height_m, list(days), temperature_c, heights=edges, cells=1)
        return np.asarray(np.max([np.abs(p.zone_percent(z) - 100) for z in zones], axis=0) - margin_percent, float)

    times = np.logspace(-3, math.log10(longest_days), 60)
    over = np.flatnonzero(worst(times) > 0)
    if over.size == 0:
        return math.inf
    i = int(over[0])
    low, high = (0.0 if i == 0 else float(times[i - 1])), float(times[i])
    for _ in range(5):
        inner = np.linspace(low, high, 12)
        j = int(np.flatnonzero(worst(inner[1:]) > 0)[0])
        low, high = float(inner[j]), float(inner[j + 1])
    return high
