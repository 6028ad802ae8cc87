"""The expected profile of one component in a standing column: sizes, temperature history, zones.

A size distribution is a sum of classes.  Each class has two clocks, the heights fallen freely and
the spread by diffusion, summed over the temperature history (one temperature a day, or one for
all): a cold winter slows both.  The profile then is the closed form of ``masonweaver`` at those
clocks, plus, where the sedimentation length changes with temperature and diffusion counts
(Péclet below 500), a finite-volume correction: the change that the history makes on the grid.
Above Péclet 500 the history acts through the clocks alone, with an error below 1e-3 of mixed.

Not in it: flocculation, gelling, stirring by day-night warming, crowding that varies with height.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.stats import norm

from studykit.core.errors import BadInput, Fault
from studykit.core.memory import remembered
from studykit.physics.diffusion import cumulative, finite_volume, method_for
from studykit.physics.velocity import (
    PACKING,
    diffusion_coefficient,
    hindrance,
    terminal_velocity,
)
from studykit.physics.viscosity import Floats, Liquid, positive

DAY_S = 86400.0
CORRECT_BELOW_PE = 500.0
# One step of the finite volumes for about half a month of history, 60 to 400 in all.
STEP_DAYS, FEWEST_STEPS, MOST_STEPS = 15, 60, 400
# Enough for a correction, which is the small difference of two runs on one grid.
CORRECTION_CELLS = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class Sizes:
    """Size classes: diameters in m and the share of the component's mass in each (sum 1)."""

    diameter_m: Floats
    share: Floats

    @classmethod
    def table(cls, diameters_m: Sequence[float], shares: Sequence[float]) -> Sizes:
        """Classes from a table of diameters (m) and mass shares, scaled to sum 1."""
        d, w = positive("diameters_m", np.asarray(diameters_m, float)), np.asarray(shares, float)
        if d.shape != w.shape or d.ndim != 1 or d.size == 0:
            raise ValueError(f"shares must be one a diameter, but got {w.shape} for {d.shape}")
        if np.any(w < 0) or w.sum() <= 0:
            raise ValueError(f"shares must be 0 or more with a sum above 0, but got {w.min():g}")
        return cls(diameter_m=d, share=w / w.sum())

    @classmethod
    def lognormal(cls, median_m: float, log_sd: float, classes: int = 40, of: str = "mass") -> Sizes:
        """Equal-mass classes of a log-normal distribution; ``log_sd`` of the natural logarithm.

        ``of``: "mass" or "number", what the median is a median of.  Each class carries the
        root-mean-square diameter of its share, so that its mean Stokes speed is exact.
        """
        positive("median_m", median_m)
        if log_sd < 0 or of not in ("mass", "number") or classes < 1:
            raise ValueError("log_sd must be 0 or more, of 'mass' or 'number', classes 1 or more, but got "
                             f"{log_sd:g}, {of!r}, {classes}")
        mu = math.log(median_m) + (3 * log_sd**2 if of == "number" else 0.0)
        if log_sd == 0:
            return cls(diameter_m=np.array([median_m], float), share=np.ones(1))
        cut = norm.ppf(np.linspace(0, 1, classes + 1))
        second = np.diff(norm.cdf(cut - 2 * log_sd)) * classes * math.exp(2 * mu + 2 * log_sd**2)
        return cls(diameter_m=np.sqrt(second), share=np.full(classes, 1 / classes))


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """Something that may settle: density (kg/m³, taken as constant), sizes, share by volume.

    ``droplet_pa_s``: viscosity of clean liquid droplets; None for solids and for droplets with
    surface-active matter, the usual case.
    """

    name: str
    density_kg_m3: float
    sizes: Sizes
    volume_fraction: float = 0.0
    droplet_pa_s: float | None = None

    def __post_init__(self) -> None:
        positive("density_kg_m3", self.density_kg_m3)
        if not 0 <= self.volume_fraction < PACKING:
            raise ValueError(f"volume_fraction must be 0 or more and below {PACKING} (close packing), but got "
                             f"{self.volume_fraction:g}")


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneOf:
    """A drawn zone: label and the heights (fractions of liquid height, 0 = floor) between which it lies."""

    label: str
    low: float
    high: float


def spot_zones(labels: Sequence[str], thickness: float = 0.04) -> tuple[ZoneOf, ...]:
    """Spot draws from the surface down, each in the middle of its equal slice (1/6, 1/2, 5/6 for three)."""
    n = len(labels)
    if n == 0 or not 0 < thickness <= 1 / n:
        raise ValueError(f"thickness must be above 0 and at most 1/{n}, but got {thickness:g}")
    middle = [1 - (i + 0.5) / n for i in range(n)]
    return tuple(ZoneOf(label=x, low=m - thickness / 2, high=m + thickness / 2)
                 for x, m in zip(labels, middle, strict=True))


def yearly_temperatures(mean_c: float, swing_c: float, days: int, filled_day: int = 1,
                        coldest_day: int = 30) -> Floats:
    """Daily temperatures, a yearly wave of mean ± swing in °C; days counted from 1 January."""
    day = np.arange(days) + filled_day
    return np.asarray(mean_c - swing_c * np.cos(2 * math.pi * (day - coldest_day) / 365.25), float)


def clock_rates(component: Component, liquid: Liquid, height_m: float, temperature_c: Floats
                ) -> tuple[Floats, Floats]:
    """Clock rates per second, arrays (temperatures, classes): heights fallen, and diffusion over H².

    BadInput where a temperature is outside the viscosity line; ValueError for a height not above 0.
    """
    h = float(positive("height_m", height_m))
    every = np.atleast_1d(np.asarray(temperature_c, float))
    t, which = np.unique(every.round(6), return_inverse=True)  # a year swings back: few are different
    t = t[:, None]
    d = component.sizes.diameter_m[None, :]
    eta = liquid.dynamic_pa_s(t)
    speed = terminal_velocity(d, component.density_kg_m3, liquid.density(t), eta,
                              droplet_pa_s=component.droplet_pa_s, yield_stress_pa=liquid.yield_stress_pa)
    v = speed.velocity_m_s * hindrance(component.volume_fraction, speed.reynolds)
    return (v / h)[which], (diffusion_coefficient(d, eta, t) / h**2 * np.ones_like(v))[which]


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnProfile:
    """Expected profile of a component at several ages.

    ``heights``: fractions of the liquid height; ``cumulative``: array (ages, heights), share of
    the component below each; ``peclet`` and ``method`` per size class; ``fallen``: array
    (ages, classes), heights fallen freely (negative: risen); ``steps`` of the finite-volume part.
    """

    name: str
    height_m: float
    ages_days: tuple[float, ...]
    temperature_c: float
    heights: Floats
    cumulative: Floats
    by_class: Floats
    sizes: Sizes
    peclet: Floats
    fallen: Floats
    method: tuple[str, ...]
    steps: int

    def below(self, height_fraction: float | Floats) -> Floats:
        """Share of the component below heights, array (ages, heights); linear between grid heights."""
        z = np.atleast_1d(np.asarray(height_fraction, float))
        return np.array([np.interp(z, self.heights, row) for row in self.cumulative])

    def zone_percent(self, zone: ZoneOf, area: Callable[[float], float] | None = None) -> Floats:
        """What a zone would read at each age, in per cent of the mixed mean.

        ``area``: cross-section of the vessel at a height fraction, to weight a zone in a
        tapered vessel; settling itself is computed for upright walls.
        """
        if not 0 <= zone.low < zone.high <= 1:
            raise ValueError(f"zone must lie between 0 and 1, but got {zone.low:g} to {zone.high:g}")
        inside = self.heights[(self.heights > zone.low) & (self.heights < zone.high)]
        edges = np.concatenate([[zone.low], inside, [zone.high]])
        mass, width = np.diff(self.below(edges), axis=1), np.diff(edges)
        a = np.ones(width.size) if area is None else np.array([area(x) for x in (edges[1:] + edges[:-1]) / 2])
        return np.asarray(100 * (mass * a).sum(axis=1) / (width * a).sum(), float)

    def on_floor(self, thickness: float = 0.005) -> Floats:
        """Share settled on the floor at each age: more than mixed liquid holds in the lowest layer."""
        return np.maximum(self.below(thickness)[:, 0] - thickness, 0.0)

    def at_surface(self, thickness: float = 0.005) -> Floats:
        """Share risen to the surface at each age: more than mixed liquid holds in the uppermost layer."""
        return np.maximum(1 - self.below(1 - thickness)[:, 0] - thickness, 0.0)

    def zone_table(self, zones: Sequence[ZoneOf], area: Callable[[float], float] | None = None) -> pd.DataFrame:
        """One row an age: days, each zone in % of mixed, % on the floor, % at the surface, bottom/top."""
        out = pd.DataFrame({"age_days": self.ages_days})
        for z in zones:
            out[z.label] = self.zone_percent(z, area)
        out["on_floor_percent"], out["at_surface_percent"] = 100 * self.on_floor(), 100 * self.at_surface()
        with np.errstate(divide="ignore", invalid="ignore"):
            out["bottom_over_top"] = out[zones[-1].label].to_numpy() / out[zones[0].label].to_numpy()
        return out

    def to_table(self) -> pd.DataFrame:
        """One row an age and cell: days, middle height, % of the mixed mean."""
        width = np.diff(self.heights)
        level = 100 * np.diff(self.cumulative, axis=1) / width
        middle = (self.heights[1:] + self.heights[:-1]) / 2
        return pd.DataFrame({"age_days": np.repeat(self.ages_days, middle.size),
                             "height": np.tile(middle, len(self.ages_days)),
                             "percent_of_mixed": level.ravel()})


def _history(temperature_c: float | Floats, longest_days: float) -> tuple[Floats, Floats]:
    """Temperatures and the day edges between which each holds."""
    t = np.atleast_1d(np.asarray(temperature_c, float))
    if not np.all(np.isfinite(t)):
        raise BadInput([Fault(file="temperatures", column="temperature_c", reason="has gaps or text",
                              remedy="give one number a day")])
    if t.size == 1:
        return t, np.array([0.0, max(longest_days, 1.0)])
    if t.size < longest_days - 1e-9:
        raise BadInput([Fault(
            file="temperatures", column="temperature_c", value=str(t.size),
            reason=f"covers {t.size} days, but the oldest age is {longest_days:g} days",
            remedy="give one temperature for every day, or leave out the older ages")])
    return t, np.arange(t.size + 1.0)


@remembered
def expected_column(component: Component, liquid: Liquid, height_m: float, ages_days: Sequence[float],
                    temperature_c: float | Floats, *, cells: int = 200, heights: Sequence[float] = (),
                    between: bool = True) -> ColumnProfile:
    """Profile of a component at each age, from a mixed start, through the temperature history.

    ``temperature_c``: one temperature, or one a day from filling on.  ``heights``: further
    height fractions to compute exactly (zone edges); without ``between`` no others.  Ages in days, 0 allowed.  BadInput for
    temperatures outside the viscosity line or a history shorter than the oldest age.
    """
    ages = np.asarray(ages_days, float)
    if ages.ndim != 1 or ages.size == 0 or np.any(ages < 0) or not np.all(np.isfinite(ages)):
        raise ValueError(f"ages_days must be numbers of 0 or more, but got {list(ages_days)}")
    temps, days = _history(temperature_c, float(ages.max()))
    ds, dtheta = clock_rates(component, liquid, height_m, temps)
    wide = (np.diff(days) * DAY_S)[:, None]
    s, theta = (np.vstack([np.zeros(x.shape[1]), np.cumsum(x * wide, axis=0)]) for x in (ds, dtheta))
    even = np.linspace(0, 1, cells + 1 if between else 2)
    grid = np.unique(np.concatenate([even, np.asarray(heights, float), [0.005, 0.995]]))
    by_class, method, steps = _classes(s, theta, days, ages, grid, cells)
    return ColumnProfile(
        name=component.name, height_m=float(height_m), ages_days=tuple(float(a) for a in ages),
        temperature_c=float(np.mean(temps)), heights=grid, method=method, steps=steps,
        cumulative=np.einsum("k,kaz->az", component.sizes.share, by_class), by_class=by_class, sizes=component.sizes,
        peclet=np.abs(s[-1]) / np.maximum(theta[-1], 1e-300), fallen=_at(ages, days, s))


def _at(times: Floats, days: Floats, clock: Floats) -> Floats:
    """A clock (day edges, classes) read at times, straight between the edges (as ``np.interp``, all classes at once)."""
    x = np.clip(times, days[0], days[-1])
    at = np.clip(np.searchsorted(days, x, side="right") - 1, 0, len(days) - 2)
    slope = (clock[at + 1] - clock[at]) / (days[at + 1] - days[at])[:, None]
    return np.where((x == days[-1])[:, None], clock[-1], slope * (x - days[at])[:, None] + clock[at])


def _classes(s: Floats, theta: Floats, days: Floats, ages: Floats, grid: Floats, cells: int
             ) -> tuple[Floats, tuple[str, ...], int]:
    """Cumulative mass (classes, ages, heights), the method of each class, finite-volume steps."""
    s_age, theta_age = _at(ages, days, s), _at(ages, days, theta)
    ratio = np.diff(s, axis=0) / np.diff(theta, axis=0)
    mean = s[-1] / theta[-1]
    turns = (ratio.min(axis=0) < 0) & (ratio.max(axis=0) > 0)
    spread = (ratio.max(axis=0) - ratio.min(axis=0)) / np.maximum(np.abs(mean), 1e-300)
    small = np.minimum(np.abs(mean) / 8, 1) * spread
    correct = (small > 1e-6) & (np.abs(mean) < CORRECT_BELOW_PE) & ~turns
    along_mean = np.abs(s_age / np.where(mean == 0, 1.0, mean))
    out = cumulative(grid, s_age, np.where(correct & (mean != 0), along_mean, theta_age)).swapaxes(0, 1)
    names = [method_for(float(x), float(y)) for x, y in zip(s_age[-1], theta_age[-1], strict=True)]
    for k in np.flatnonzero((small > 1e-6) & ~turns):
        names[k] += " with finite-volume correction" if correct[k] else " on summed clocks"
    steps = 0
    if turns.any() or correct.any():
        steps = _march(out, names, s, theta, days, ages, grid, cells, correct, turns, mean)
    return out, tuple(names), steps


def _march(out: Floats, names: list[str], s: Floats, theta: Floats, days: Floats, ages: Floats, grid: Floats,
           cells: int, correct: np.ndarray, turns: np.ndarray, mean: Floats) -> int:
    """Finite volumes for the classes that need the history: changes ``out`` and ``names`` in place."""
    count = int(np.clip(ages.max() / STEP_DAYS, FEWEST_STEPS, MOST_STEPS))
    times = np.unique(np.concatenate([ages, ages.max() * np.linspace(0, 1, count + 1) ** 1.5]))
    ds, dtheta = (np.diff(_at(times, days, x), axis=0) for x in (s, theta))
    keep = np.searchsorted(times, ages)
    if correct.any():
        steady = np.abs(ds[:, correct] / mean[correct])
        both = finite_volume(np.hstack([ds[:, correct]] * 2), np.hstack([dtheta[:, correct], steady]), keep,
                             CORRECTION_CELLS).cumulative
        change = both[:, : correct.sum()] - both[:, correct.sum():]
        out[correct] = np.clip(out[correct] + _on(grid, change.swapaxes(0, 1)), 0, 1)
    if turns.any():
        full = finite_volume(ds[:, turns], dtheta[:, turns], keep, cells).cumulative
        out[turns] = _on(grid, full.swapaxes(0, 1))
        for k in np.flatnonzero(turns):
            names[k] = "finite volume"
    return len(times) - 1


def _on(grid: Floats, values: Floats) -> Floats:
    """Values on equal cells (classes, ages, edges) read on the grid."""
    edges = np.linspace(0, 1, values.shape[-1])
    return np.array([[np.interp(grid, edges, row) for row in one] for one in values])
