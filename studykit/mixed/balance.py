"""Designs of which more is known than that they are linear: nested terms, and balanced ones, whose criterion has one minimum.

In a balanced nested design whose fixed columns lie within its strata, V has one eigenvalue a stratum, each a sum of
variances with positive weights, lambda_0 <= lambda_1 <= ..., and D = sum_s (f_s log lambda_s + SS_s / lambda_s) + constant.
With l = log lambda every summand is convex in l, and so is the region l_0 <= l_1 <= ... that variances >= 0 allow: what a
search finds from one start is the minimum. Strata: Nelder 1965, Proc. R. Soc. A 283:147-178 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

WITHIN = 1e-9
"""Share of a fixed column (of length 1) that may leave its strata by rounding."""


def chain(codes: Sequence[np.ndarray]) -> list[np.ndarray] | None:
    """The terms' codes (n,) from the coarsest to the finest where each level lies in one of the term before, else None."""
    order = sorted(codes, key=lambda c: int(c.max()))
    for coarse, fine in pairwise(order):
        above = np.empty(int(fine.max()) + 1, dtype=np.int64)
        above[fine] = coarse
        if not np.array_equal(above[fine], coarse):
            return None
    return order


def one_minimum(codes: Sequence[np.ndarray], Q: np.ndarray) -> bool:
    """Whether the criterion can have one minimum only: balanced nested terms, fixed columns Q (n, p) within their strata."""
    if chain(codes) is None:
        return False
    for code in codes:
        held = np.bincount(code)
        if held.min() != held.max():
            return False
        levels = np.zeros((len(held), len(Q)))
        levels[code, np.arange(len(code))] = 1.0
        summed = (levels @ Q)[code] / held[0]
        if np.abs(summed - Q @ (Q.T @ summed)).max() > WITHIN:
            return False
    return True
