"""What a study rules out about particle size, how long a fluid may stand, and times to settle.

If all of an analyte sat in particles of diameter d, the zones would read e(d) relative to mixed: a share f(d) of it in
them makes the top read 1 - sum f(d) (1 - e_top(d)).  A study that bounds the depletion at the top by U, and the
enrichment at the bottom by V, therefore admits only size distributions f with

    (1 - U) M - R_top <= 0,    R_bottom - (1 + V) M <= 0,    sum f <= 1,    f >= 0

where R are the readings and M is what they are compared with: the whole container's content (M = 1), or the mean of
the zones.  All of it is linear in f, so the largest share in any range of sizes is a linear program (HiGHS).

Sizes that have left every zone before sampling cannot be seen by comparing zones at all: the result says from which
size on.  What zones tell of each other holds for a liquid that stood still in an upright vessel.  Against the whole
container a bound can be made that also holds where the liquid was gently stirred: then all zones read exp(-s), s the
heights fallen (stirred settling; Martin and Nokes 1988, from memory, check your copy), and of the two readings
the one closer to mixed is taken.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from scipy.optimize import linprog

from studykit.core.memory import remembered
from studykit.physics.column import Component, Sizes, ZoneOf, expected_column
from studykit.physics.velocity import GRAVITY, terminal_velocity
from studykit.physics.viscosity import Floats, Liquid, positive

Reference = Literal["whole", "zones"]
DAYS_PER_MONTH = 365.25 / 12
SKIN = 0.005  # of the liquid height: the layer at floor and surface that may hold a deposit
ALL = 1e-6  # a share this close to all of it is all of it
SHOWS = 1e-9  # departure of a zone, as a share, that is more than rounding
MARCH_CELLS = 60  # where a density crosses that of the liquid within the year
GRID_M = np.logspace(-9, -4, 121)
STILL = "in an upright vessel whose liquid stood still"


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
                  volume_fraction: float = 0.0, *, or_stirred: bool = False) -> Floats:
    """What each zone would read for particles of one size, relative to mixed: array (zones, sizes).

    ``temperature_c``: one, or one a day from filling on.  What lies on the floor or at the surface is left out of a
    zone that touches it, since nobody knows whether a draw takes it.  ``or_stirred``: of the readings in a still
    and in a gently stirred liquid the one that shows less (less poor at the poor end, less rich at the rich one).
    """
    sizes = Sizes.table(list(diameters_m), [1.0] * len(diameters_m))
    part = Component(name="size", density_kg_m3=density_kg_m3, sizes=sizes, volume_fraction=volume_fraction)
    inner = [(max(z.low, min(SKIN, z.high / 2)), min(z.high, max(1 - SKIN, (1 + z.low) / 2))) for z in zones]
    profile = expected_column(part, liquid, height_m, [age_days], temperature_c, between=False,
                              heights=sorted({x for edges in inner for x in edges}))
    at = np.searchsorted(profile.heights, inner)
    below = profile.by_class[:, 0, :]
    width = np.array([high - low for low, high in inner])[:, None]
    still = np.asarray((below[:, at[:, 1]] - below[:, at[:, 0]]).T / width, float)
    if not or_stirred:
        return still
    stirred, sinks = np.exp(-np.abs(profile.fallen[0])), profile.fallen[0] >= 0
    shown = np.maximum(still, stirred)
    for end, rich in ((0, ~sinks), (-1, sinks)):
        shown[end] = np.where(rich, np.minimum(still[end], stirred), shown[end])
    return np.asarray(shown, float)


def undoing_difference_k(mass_fraction: float, density_kg_m3: float, liquid: Liquid, temperature_c: float) -> float:
    """Temperature difference in K that outweighs the layers a component can make: w |1 - rho_f/rho_p| / beta.

    A liquid that has lost all of a component of mass fraction w differs in density by w |1 - rho_f/rho_p| from
    the mixed one; warmed by this difference it is as light, so that convection is no longer held back by the layers
    (buoyancy ratio 1; double-diffusive convection, Turner 1973, from memory, check your copy).
    """
    contrast = positive("mass_fraction", mass_fraction) * abs(1 - float(liquid.density(temperature_c)) / density_kg_m3)
    beta = liquid.expansion(temperature_c)
    return math.inf if beta == 0 else float(contrast) / beta


def kelvin_text(difference_k: float) -> str:
    """A temperature difference in mK or K with two digits."""
    if difference_k > 100:
        return "more than 100 K"
    return f"{difference_k:.2g} K" if difference_k >= 0.095 else f"{difference_k * 1e3:.2g} mK"


@dataclass(frozen=True, slots=True, kw_only=True)
class RuledOut:
    """Largest share of an analyte that can be in particles, size by size.

    ``diameter_m``; ``expected``: array (zones, sizes), zones relative to mixed if all of the
    analyte were in particles of that size; ``at``: largest share (0 to 1) in particles of about
    this size; ``above``: in particles of this size or larger, up to ``seen_to_m``.
    ``seen_from_m``: smallest size that would have shown, had all of the analyte been in it; None
    where none would.  ``blind_from_m``: size from which on matter would have left (nearly) all
    zones, so that comparing them shows nothing; None where there is no such size.  ``condition``: under
    which the bounds hold; ``refused``: why none is claimed at all ('' where they are).
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
    condition: str = STILL
    refused: str = ""

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

    def sentence(self, name: str = "") -> str:
        """The result in plain words, with what it cannot say; ``name`` of the analyte in place of its key."""
        who, way = name or self.bound.analyte, "rise" if self.rises else "settle"
        if self.refused:
            return f"{who}: no size is ruled out this way: {self.refused}."
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
        return text + f" Estimate for spheres of {self.density_kg_m3:g} kg/m³ {self.condition}."


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


def _constraints(expected: Floats, bound: Bound, rises: bool) -> tuple[Floats, Floats]:
    """The rows and right-hand sides that a distribution over the sizes must obey, its sum of at most 1 last."""
    poor, rich = (expected[-1], expected[0]) if rises else (expected[0], expected[-1])
    mean = expected.mean(axis=0) if bound.reference == "zones" else np.ones(expected.shape[1])
    rows, most = [], []
    for percent, way, reading in ((bound.top_depletion_percent, -1, poor), (bound.bottom_excess_percent, 1, rich)):
        if percent is not None:
            u = max(percent, 0.0) / 100
            pull = way * (reading - 1) - (way + u) * (mean - 1)
            rows.append(np.where(np.abs(pull) > SHOWS, pull, 0.0))
            most.append(u)
    return np.array([*rows, np.ones(expected.shape[1])]), np.array([*most, 1.0])


def _largest(rows: Floats, most: Floats, wanted: Floats) -> float:
    """The largest share in the ``wanted`` sizes (1, others 0) over all distributions that obey the rows."""
    found: Any = linprog(-wanted, A_ub=rows, b_ub=most, bounds=(0, 1), method="highs")
    if not found.success:
        raise ValueError(f"the bounds must leave some distribution of sizes, but: {found.message}")
    share = -float(found.fun)
    return 1.0 if share > 1 - ALL else max(share, 0.0)


def _shares(rows: Floats, most: Floats) -> tuple[Floats, Floats, int | None]:
    """Largest share at each size, and of each size or larger up to the last one that would show; that one."""
    count = rows.shape[1]
    alone = np.min(np.where(rows[:-1] > 0, most[:-1, None] / np.where(rows[:-1] > 0, rows[:-1], 1.0), np.inf), axis=0)
    at, above = np.ones(count), np.ones(count)
    for i in np.flatnonzero(alone < 1 - ALL):
        at[i] = _largest(rows, most, np.eye(1, count, int(i))[0])
    seen = np.flatnonzero(at < 1)
    if not seen.size:
        return at, above, None
    last = int(seen[-1])
    full = np.flatnonzero(at[: last + 1] >= 1)
    first = int(full[-1]) + 1 if full.size else 0
    place = np.arange(count)
    for k in range(first, last + 1):
        above[k] = _largest(rows, most, ((place >= k) & (place <= last)).astype(float))
    above[first: last + 1] = np.minimum.accumulate(above[first: last + 1])
    return at, above, last


@remembered
def ruled_out(expected: Floats, bound: Bound, density_kg_m3: float, *, rises: bool = False, diameters_m: Floats = GRID_M,
              condition: str = STILL, refused: str = "") -> RuledOut:
    """Largest share of an analyte in particles of each size, from bounds on the zones.

    ``expected``: array (zones surface down, sizes), zones relative to mixed, for instance the
    mean of ``zone_response`` over the containers of the study.  For matter that rises the top
    is the rich end: give bounds for the poor end as ``top_depletion_percent`` all the same.
    ``refused``: a reason not to claim anything; then no size is ruled out.
    """
    expected = np.asarray(expected, float)
    if expected.shape[1] != len(diameters_m):
        raise ValueError(f"expected must have one column a diameter ({len(diameters_m)}), but got "
                         f"{expected.shape[1]}")
    at, above, last = (np.ones(len(diameters_m)), np.ones(len(diameters_m)), None) if refused else _shares(
        *_constraints(expected, bound, rises))
    gone = last is not None and last < len(at) - 1
    return RuledOut(
        bound=bound, density_kg_m3=density_kg_m3, rises=rises, diameter_m=np.asarray(diameters_m, float),
        expected=expected, at=at, above=above, seen_from_m=_first_below(diameters_m, at, 1.0),
        seen_to_m=None if last is None else float(diameters_m[last]),
        blind_from_m=float(diameters_m[last + 1]) if last is not None and gone else None,
        condition=condition, refused=refused)


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
                  margin_percent: float, temperature_c: float | Callable[[float], float | Floats], *,
                  below_percent: float | None = None, area: Callable[[float], float] | None = None,
                  longest_days: float = 36525.0) -> float:
    """Days after mixing until the first zone departs from the mixed mean by the margin.

    Infinite where none does within ``longest_days`` (100 years unless told).  The component is
    taken to carry the whole analyte.  ``temperature_c``: one, or a function that gives the history (one a day)
    for so many days.  ``area`` weights zones as in ``zone_percent``.  ``below_percent``: how far below, where
    that is not the same as above (a factor of 2: 100 and 50).  ValueError for a margin not above 0.
    """
    positive("margin_percent", margin_percent)
    below = margin_percent if below_percent is None else below_percent
    edges = [x for z in zones for x in (z.low, z.high)]

    def worst(days: Floats) -> Floats:
        history = temperature_c(float(days.max())) if callable(temperature_c) else temperature_c
        p = expected_column(component, liquid, height_m, list(days), history, heights=edges, cells=MARCH_CELLS,
                            between=False)
        over = [np.asarray(p.zone_percent(z, area), float) - 100 for z in zones]
        return np.asarray(np.max([np.maximum(x - margin_percent, -x - below) for x in over], axis=0), float)

    for horizon in (longest_days / 100, longest_days / 10, longest_days):
        times = np.logspace(-3, math.log10(horizon), 60)
        over = np.flatnonzero(worst(times) > 0)
        if over.size:
            break
    else:
        return math.inf
    i = int(over[0])
    low, high = (0.0 if i == 0 else float(times[i - 1])), float(times[i])
    for _ in range(5):
        inner = np.linspace(low, high, 12)
        j = int(np.flatnonzero(worst(inner[1:]) > 0)[0])
        low, high = float(inner[j]), float(inner[j + 1])
    return high
