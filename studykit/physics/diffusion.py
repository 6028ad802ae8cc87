"""Sedimentation against diffusion in a closed column (the Mason-Weaver equation), in time.

    c_t = (v c + D c_z)_z,   v c + D c_z = 0 at floor and surface,   c = 1 at the start

Everything here is in fractions of the liquid height (z = 0 floor, 1 surface) and two clocks:
``s`` = integral of v dt / H, the heights fallen freely (> 0 sinks), and ``theta`` = integral of
D dt / H².  Their ratio s/theta is the Péclet number.

The unknown is the cumulative mass M(z) = integral of c below z, which obeys M_t = v M_z + D M_zz
with M(0) = 0 and M(1) = 1: mass is conserved by the boundary values themselves.

Three methods, always named in the result:

* ``eigenfunction series`` - theta above 0.05: a few terms reach double precision.
* ``reflections`` - theta below 0.05: the same solution as a sum over images in floor and surface,
  every term an error function; a few images suffice, at any Péclet number up to 1e8.
* ``no diffusion`` - Péclet above 1e8: the sharp front M = min(1, z + s).
* ``finite volume`` - v and D that change in time at different rates: Scharfetter-Gummel fluxes in
  space, an L-stable two-stage diagonally implicit Runge-Kutta method in time, many classes at once.

Sources: Mason and Weaver 1924, Phys. Rev. 23, 412 (equation and series); the images by the
reflection principle; Scharfetter and Gummel 1969 (fluxes); Alexander 1977 (time stepping).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import lapack
from scipy.special import erfcx

from studykit.physics.viscosity import Floats

SERIES_FROM = 0.05
NO_DIFFUSION_FROM = 1e8
TERMS = 12
# Parts below exp(-60) are left out.
NEGLIGIBLE = -60.0
# Alexander's SDIRK2.
GAMMA = 1 - 1 / math.sqrt(2)


def equilibrium(z: Floats, pe: float | Floats) -> Floats:
    """Share of the mass below z in the final state of sinking matter, (1-exp(-Pe z))/(1-exp(-Pe))."""
    pe = np.asarray(pe, float)
    small = pe < 1e-12
    safe = np.where(small, 1.0, pe)
    return np.asarray(np.where(small, z, np.expm1(-safe * z) / np.expm1(-safe)), float)


def _series(z: Floats, s: Floats, theta: Floats) -> Floats:
    """Deviation from the final state by eigenfunctions (2b = Péclet): heights z, columns of clocks."""
    s, theta = s[..., None], theta[..., None]
    b = s / theta / 2
    out = np.zeros(np.broadcast_shapes(z.shape, b.shape))
    for m in range(1, TERMS + 1):
        k = m * math.pi
        decay = (k**2 + b**2) * theta
        scale = 4 * b * k / (b**2 + k**2) ** 2 * np.sin(k * z)
        with np.errstate(under="ignore"):
            out += scale * ((-1) ** m * np.exp(b * (1 - z) - decay) - np.exp(-b * z - decay))
    return out


def _erfc_scaled(x: Floats, weight: Floats) -> Floats:
    """exp(weight) erfc(x) / 2 without overflow."""
    far = np.abs(x)
    power = weight - far**2
    counts = power > NEGLIGIBLE
    tail = np.zeros(power.shape)
    tail[counts] = 0.5 * np.exp(power[counts]) * erfcx(far[counts])
    with np.errstate(under="ignore"):
        return np.where(x >= 0, tail, np.exp(np.where(x >= 0, -np.inf, weight)) - tail)


def _moments(m: Floats, weight: Floats, theta: Floats) -> tuple[Floats, Floats]:
    """exp(weight) times mass and first moment on (0, 1) of a normal density, mean m, variance 2 theta."""
    root = 2 * np.sqrt(theta)
    right = m > 0.5
    near, far = np.where(right, (m - 1) / root, -m / root), np.where(right, m / root, (1 - m) / root)
    mass = _erfc_scaled(near, weight) - _erfc_scaled(far, weight)
    with np.errstate(under="ignore"):
        height = (np.exp(weight - (m / root) ** 2) - np.exp(weight - ((1 - m) / root) ** 2)) / root
    return mass, m * mass + 2 * theta * height / math.sqrt(math.pi)


def _images(theta: float) -> tuple[range, range]:
    """Which images count: those whose Gaussian, tilted by any drift, exceeds exp(-40)."""
    reach = math.sqrt(1 + 160 * theta)
    ahead, back = int((1 + reach) / 2), int(reach / 2)
    return range(-ahead, ahead + 1), range(-back, back + 2)


def _reflections(z: Floats, s: Floats, theta: Floats) -> Floats:
    """Deviation from the final state by images in floor and surface: heights z, columns of clocks."""
    shifted, mirrored = _images(float(np.max(theta)))
    s, theta = s[..., None, None], theta[..., None, None]
    b = s / theta / 2
    a = -1 / np.expm1(-2 * b)
    n = np.array(shifted, float)[:, None]
    mass, first = _moments(z + 2 * n + s, 2 * b * n + 0 * z, theta)
    out = first - a * mass + a * _moments(z + 2 * n - s, -2 * b * (z + n), theta)[0]
    n = np.array(mirrored, float)[:, None]
    mass, first = _moments(-z + 2 * n + s, -2 * b * (z - n), theta)
    back = first - a * mass + a * _moments(-z + 2 * n - s, -2 * b * n + 0 * z, theta)[0]
    return np.asarray(out.sum(axis=-2) - back.sum(axis=-2), float)


def method_for(s: float, theta: float) -> str:
    """Name of the closed form that ``cumulative`` uses for these clocks."""
    if s == 0 and theta == 0:
        return "nothing moved"
    if abs(s) > NO_DIFFUSION_FROM * theta:
        return "no diffusion"
    return "eigenfunction series" if theta > SERIES_FROM else "reflections"


def cumulative(height_fraction: Floats, s: float | Floats, theta: float | Floats) -> Floats:
    """Share of all mass below each height after clocks ``s`` and ``theta``, from a mixed start.

    Exact for a constant ratio s/theta, to about 1e-10 for Péclet numbers from 0 to 1e8; beyond,
    diffusion is left out.  ``s`` negative for matter that rises.  Clocks may be arrays of one
    shape; the result then has their shape followed by the heights'.  M(0) = 0 and M(1) = 1.
    ValueError for heights outside 0 to 1 or a negative theta.
    """
    z = np.atleast_1d(np.asarray(height_fraction, float))
    if np.any((z < 0) | (z > 1)) or not np.all(np.isfinite(z)):
        raise ValueError("height_fraction must be from 0 (floor) to 1 (surface)")
    s, theta = np.broadcast_arrays(np.asarray(s, float), np.asarray(theta, float))
    if not np.all(np.isfinite(s) & np.isfinite(theta) & (theta >= 0)):
        raise ValueError(f"theta must be 0 or more and s finite, but got {np.min(theta):g} and {np.max(s):g}")
    out = np.tile(z, (s.size, 1))
    flat_s, flat_t = s.ravel(), theta.ravel()
    for rising in (False, True):
        some = np.flatnonzero((flat_s < 0) == rising)
        if some.size:
            part = _sinking(1 - z if rising else z, np.abs(flat_s[some]), flat_t[some])
            out[some] = 1 - part if rising else part
    return out.reshape((*s.shape, z.size))


def _sinking(z: Floats, s: Floats, theta: Floats) -> Floats:
    """``cumulative`` for columns of clocks with s of 0 or more, each by its method."""
    out = np.tile(z, (s.size, 1))
    moved = (s > 1e-15) & (s > 1e-9 * theta)
    sharp = moved & (s > NO_DIFFUSION_FROM * theta)
    out[sharp] = np.where(z > 0, np.minimum(1.0, z + s[sharp][:, None]), 0.0)
    limits = (0.0, 0.005, SERIES_FROM, math.inf)
    for low, high in itertools.pairwise(limits):
        some = np.flatnonzero(moved & ~sharp & (theta > low) & (theta <= high))
        if some.size:
            way = _series if low >= SERIES_FROM else _reflections
            final = equilibrium(z, (s[some] / theta[some])[:, None])
            out[some] = np.clip(final + way(z, s[some], theta[some]), 0.0, 1.0)
    out[:, z == 0], out[:, z == 1] = 0.0, 1.0
    return out


def bernoulli(x: Floats) -> Floats:
    """x / (exp(x) - 1), the Scharfetter-Gummel weight, 1 at 0."""
    x = np.asarray(x, float)
    small = np.abs(x) < 1e-8
    with np.errstate(over="ignore"):
        return np.where(small, 1 - x / 2, x / np.expm1(np.where(small, 1.0, np.clip(x, -700, 700))))


@dataclass(frozen=True, slots=True, kw_only=True)
class FiniteVolume:
    """Cumulative mass of many classes on equal cells at the times that were asked for.

    ``edges``: cell edges as height fractions (cells + 1); ``cumulative``: array (times, classes,
    cells + 1), share of each class below each edge; ``steps``: time steps taken.
    """

    edges: Floats
    cumulative: Floats
    steps: int


def _rates(ds: Floats, dtheta: Floats, cells: int) -> tuple[Floats, Floats]:
    """Exchange per step between neighbouring cells: downward and upward, per class."""
    h = 1.0 / cells
    with np.errstate(divide="ignore", invalid="ignore"):
        cell_pe = np.where(dtheta > 0, ds * h / np.where(dtheta > 0, dtheta, 1.0), 0.0)
    up = np.where(dtheta > 0, dtheta / h**2 * bernoulli(cell_pe), np.maximum(-ds, 0) / h)
    return up + ds / h, up


def finite_volume(ds: Floats, dtheta: Floats, keep: Sequence[int] | np.ndarray, cells: int = 200) -> FiniteVolume:
    """March classes through steps of the two clocks; keep the state after the steps named in ``keep``.

    ``ds``, ``dtheta``: arrays (steps, classes), clock increments; within a step their ratio is
    constant.  ``keep``: step counts (0 = the start).  Second order in cells where the cell Péclet
    number is small, first order in front of sharp fronts; second order in steps; mass exact.
    """
    ds, dtheta = np.atleast_2d(np.asarray(ds, float)), np.atleast_2d(np.asarray(dtheta, float))
    if ds.shape != dtheta.shape or np.any(dtheta < 0):
        raise ValueError(f"ds and dtheta must have one shape and dtheta be 0 or more, but got {ds.shape} and "
                         f"{dtheta.shape}")
    if cells < 4:
        raise ValueError(f"cells must be 4 or more, but got {cells}")
    steps, classes = ds.shape
    edges = np.linspace(0, 1, cells + 1)
    m = np.tile(edges[1:-1], (classes, 1))
    down, up = _rates(ds, dtheta, cells)
    wanted = {int(x) for x in np.asarray(keep).ravel()}
    kept = {0: m.copy()}
    for i in range(steps):
        m = _sdirk2(m, down[i], up[i])
        if i + 1 in wanted:
            kept[i + 1] = m.copy()
    out = np.zeros((len(np.ravel(keep)), classes, cells + 1))
    out[:, :, -1] = 1.0
    for row, step in enumerate(np.ravel(keep)):
        out[row, :, 1:-1] = kept[int(step)]
    return FiniteVolume(edges=edges, cumulative=out, steps=steps)


def _sdirk2(m: Floats, down: Floats, up: Floats) -> Floats:
    """One step of Alexander's two-stage L-stable method for all classes in one tridiagonal system."""
    classes, inner = m.shape
    wide = np.ones(inner)
    lower, upper = -GAMMA * np.outer(up, wide), -GAMMA * np.outer(down, wide)
    lower[:, 0] = 0.0
    upper[:, -1] = 0.0
    diagonal = 1 + GAMMA * np.repeat(up + down, inner)
    dl, d, du, du2, pivots, info = lapack.dgttrf(lower.ravel()[1:], diagonal, upper.ravel()[:-1])
    if info:
        raise ValueError(f"the clock increments must be finite numbers, but the step failed ({info})")

    def slope(x: Floats) -> Floats:
        right = np.empty_like(x)
        right[:, :-1] = x[:, 1:]
        right[:, -1] = 1.0
        left = np.zeros_like(x)
        left[:, 1:] = x[:, :-1]
        rate = down[:, None] * (right - x) - up[:, None] * (x - left)
        return np.asarray(lapack.dgttrs(dl, d, du, du2, pivots, rate.ravel())[0], float).reshape(classes, inner)

    first = slope(m)
    second = slope(m + (1 - GAMMA) * first)
    return m + (1 - GAMMA) * first + GAMMA * second
