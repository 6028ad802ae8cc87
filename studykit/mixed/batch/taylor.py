"""Values that carry their first and second derivatives in a few variables (forward differentiation).

A jet's arrays may have any shape; derivatives that are zero are left out. ``bilinear`` multiplies
two jets by any operation that is linear in both (a product, a sum of products over nodes).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

Pair = tuple[int, int]


@dataclass(slots=True)
class Jet:
    """A value, its gradient by variable, its second derivatives by ordered pair of variables."""

    v: np.ndarray
    g: dict[int, np.ndarray] = field(default_factory=dict)
    h: dict[Pair, np.ndarray] = field(default_factory=dict)

    def map(self, f: Callable[[np.ndarray], np.ndarray]) -> Jet:
        """A linear operation on the value and on every derivative."""
        return Jet(f(self.v), {i: f(a) for i, a in self.g.items()}, {ij: f(a) for ij, a in self.h.items()})


def variable(i: int, value: np.ndarray) -> Jet:
    """The i-th variable itself."""
    return Jet(value, {i: np.ones_like(value)})


def _put(into: dict[Any, np.ndarray], key: object, value: np.ndarray) -> None:
    into[key] = into[key] + value if key in into else value


def _pair(i: int, j: int) -> Pair:
    return (i, j) if i <= j else (j, i)


def bilinear(a: Jet, b: Jet, f: Callable[[np.ndarray, np.ndarray], np.ndarray]) -> Jet:
    """f(a, b) for an f that is linear in each argument."""
    out = Jet(f(a.v, b.v))
    for i, x in a.g.items():
        _put(out.g, i, f(x, b.v))
    for i, y in b.g.items():
        _put(out.g, i, f(a.v, y))
    for ij, x in a.h.items():
        _put(out.h, ij, f(x, b.v))
    for ij, y in b.h.items():
        _put(out.h, ij, f(a.v, y))
    for i, x in a.g.items():
        for j, y in b.g.items():
            cross = f(x, y)
            _put(out.h, _pair(i, j), 2 * cross if i == j else cross)
    return out


def total(a: Jet, b: Jet) -> Jet:
    """a + b."""
    out = Jet(a.v + b.v, dict(a.g), dict(a.h))
    for i, y in b.g.items():
        _put(out.g, i, y)
    for ij, y in b.h.items():
        _put(out.h, ij, y)
    return out


def chain(a: Jet, value: np.ndarray, first: np.ndarray, second: np.ndarray) -> Jet:
    """phi(a) from phi, phi' and phi'' at a.v."""
    out = Jet(value, {i: first * x for i, x in a.g.items()}, {ij: first * x for ij, x in a.h.items()})
    for i, x in a.g.items():
        for j, y in a.g.items():
            if i <= j:
                _put(out.h, (i, j), second * x * y)
    return out


def reciprocal(a: Jet) -> Jet:
    """1 / a."""
    r = 1 / a.v
    return chain(a, r, -r * r, 2 * r * r * r)


def logarithm(a: Jet) -> Jet:
    """log a."""
    r = 1 / a.v
    return chain(a, np.log(a.v), r, -r * r)
