"""Computed numbers as they are told and ordered: what is equal by arithmetic is treated as equal.

Sums end in other last digits on other processors. Where readings are coarse, as whole numbers are, results that are
equal, or lie halfway between two roundings, would then be ordered or rounded by chance. A sum that loses more than its
last few digits, because large numbers cancel in it, is not helped by this.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

DIGITS = 12
"""Significant digits that sums in any order share as a rule; double precision carries nearly sixteen."""


def steady(value: float) -> float:
    """A finite number without its last digits."""
    return float(f"{value:.{DIGITS}g}")


def sort_key(values: ArrayLike) -> NDArray[Any]:
    """Numbers by which to sort: to ten digits of the largest finite one, so that equal ones tie; a key for ``sort_values``."""
    v = np.asarray(values, dtype=float)
    largest = float(np.max(np.abs(v), where=np.isfinite(v), initial=0.0))
    if not 1e-290 < largest < 1e290:
        return v
    unit = 10.0 ** (np.floor(np.log10(largest)) - (DIGITS - 3))
    return np.asarray(np.round(v / unit) * unit)
