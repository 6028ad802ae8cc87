"""Solid geometry behind the vessels: slices of known area, the circular segment, a safe inverse.

Lengths in mm, areas in mm², volumes in mm³.  A slice whose area is a quadratic in height
(cylinder, box, frustum, cone, ellipsoid, spherical cap) has an exact cubic volume.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Piece:
    """A slice from ``low`` to ``high`` mm whose area is a0 + a1·t + a2·t², t = height - low (mm²)."""

    low: float
    high: float
    a0: float
    a1: float = 0.0
    a2: float = 0.0

    def area(self, t: float) -> float:
        """Cross-section ``t`` mm above the slice's floor."""
        return self.a0 + t * (self.a1 + t * self.a2)

    def volume(self, t: float) -> float:
        """Volume of the first ``t`` mm of the slice."""
        return t * (self.a0 + t * (self.a1 / 2 + t * self.a2 / 3))


def disc(diameter: float) -> float:
    """Area of a disc."""
    return math.pi * diameter**2 / 4


def cone_piece(low: float, height: float, bottom: float, top: float) -> Piece:
    """A frustum standing on ``low``; equal diameters give a cylinder, bottom 0 a cone."""
    slope = (top - bottom) / height
    q = math.pi / 4
    return Piece(low, low + height, q * bottom**2, q * 2 * bottom * slope, q * slope**2)


def root(volume: Callable[[float], float], top: float, target: float) -> float:
    """The height in [0, top] at which the increasing function ``volume`` reaches ``target``."""
    if target <= 0:
        return 0.0
    if target >= volume(top):
        return top
    from scipy.optimize import brentq  # a second to load, and most notebooks ask no vessel for a height

    return float(brentq(lambda t: volume(t) - target, 0.0, top, xtol=1e-300, rtol=8.9e-16, maxiter=300))


def turn_minus_sine(turn: float) -> float:
    """t - sin t without losing digits when t is small (its series below 0.3)."""
    if turn > 0.3:
        return turn - math.sin(turn)
    square = turn * turn
    return turn * square / 6 * (1 - square / 20 * (1 - square / 42 * (1 - square / 72 * (1 - square / 110))))
