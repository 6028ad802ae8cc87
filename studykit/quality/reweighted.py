"""Straight lines through numbers of which a few may be off: reweighting with Student's t, all analytes at once."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Vector = NDArray[np.float64]
Index = NDArray[np.intp]
NU = 6.0
"""Degrees of freedom of the tails that the model allows for (laboratories: about 4 to 8; own judgement)."""
TINY = 1e-12
FINEST = 1e-4
"""Where most readings agree to the digit (coarse rounding), the others are weighed by this share of the farthest."""


def robust_line(x: Vector, y: Vector, s: float = 0.0, rounds: int = 15) -> Vector:
    """Coefficients of y on x by reweighting with Student's t, started from the median; ``s``: scale, if known.

    Of columns that hang together the shortest coefficients, as by ``lstsq``.
    """
    return robust_lines(x, y[:, None], np.array([s]), rounds)[:, 0]


def robust_lines(x: Vector, y: Vector, s: Vector | None = None, rounds: int = 15) -> Vector:
    """As ``robust_line`` for every column of y (n, A), each with a scale of its own (0: not known): (columns of x, A)."""
    u, size, v = np.linalg.svd(x, full_matrices=False)
    free = size > size[0] * max(x.shape) * np.finfo(float).eps
    q, back = u[:, free], v[free].T / size[free]
    own = np.ascontiguousarray(y.T)
    given = np.zeros(len(own)) if s is None else s
    middle = np.median(own, axis=1)[:, None] * x[:, 0]
    found = np.zeros((len(own), q.shape[1], 1))
    for _ in range(rounds):
        r = own - middle
        far = np.sort(np.abs(r), axis=1)
        half = far.shape[1] // 2
        apart = (far[:, half] + far[:, half - 1 + far.shape[1] % 2]) / 2
        scale = np.where(given > 0, given, np.maximum(np.maximum(1.4826 * apart, FINEST * far[:, -1]), TINY))
        weighted = (q * ((NU + 1) / (NU + (r / scale[:, None]) ** 2))[:, :, None]).swapaxes(1, 2)
        found = np.linalg.solve(weighted @ q, weighted @ own[:, :, None])
        middle = (q @ found)[:, :, 0]
    return np.asarray(back @ found[:, :, 0].T, dtype=np.float64)


def alike(known: NDArray[np.bool_]) -> list[tuple[NDArray[np.bool_], Index]]:
    """Patterns of what is known of rows (n, A), each with the columns that have it."""
    patterns: dict[bytes, list[int]] = {}
    for a in range(known.shape[1]):
        patterns.setdefault(known[:, a].tobytes(), []).append(a)
    return [(known[:, own[0]], np.array(own, dtype=np.intp)) for own in patterns.values()]
