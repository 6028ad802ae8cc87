"""Factors that cannot be told apart: how much of the spread of one column another explains."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

OVERLAP = 0.9
"""Share of one factor's spread explained by another from which they count as confounded (own judgement)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Alias:
    """Two factors that cannot be told apart: ``wholly`` when one fixes the other, or nearly.

    ``share``: of the spread of some effect of one that the other explains (largest squared canonical correlation), 0 to 1.
    """

    first: str
    second: str
    wholly: bool
    share: float

    def words(self) -> str:
        """Both factors and the number that shows it."""
        how = "cannot be told apart at all" if self.wholly else "can only partly be told apart"
        number = f"one explains {int(100 * self.share + 1e-9)} % of the spread of the other"
        return f"{self.first} and {self.second} {how}: {number}"


def aliases(table: pd.DataFrame, factors: Sequence[str]) -> tuple[Alias, ...]:
    """Pairs of columns whose effects overlap by nine tenths or more: canonical correlations of their columns.

    A column of numbers counts as one slope, text as one effect per level; rows with a gap are left out
    pair by pair.  A column with a single level is skipped: it has no effect to confuse. Source: Hotelling 1936,
    Biometrika 28:321. Levels whose numbers do not overlap (one cap on the young, another on the old) are named as well.
    """
    out = []
    for a, b in combinations([f for f in factors if f in table], 2):
        both = table.loc[(table[[a, b]] != "").all(axis=1), [a, b]].dropna()
        if both[a].nunique() < 2 or both[b].nunique() < 2:
            continue
        shared = _shared(both[a], both[b])
        if shared[0] >= OVERLAP or _apart(both[a], both[b]) or _apart(both[b], both[a]):
            out.append(Alias(first=a, second=b, wholly=bool(shared[-1] >= OVERLAP), share=min(1.0, float(shared[0]))))
    return tuple(out)


def _apart(numbers: pd.Series, levels: pd.Series) -> bool:
    """Whether the numbers of each level lie apart from those of all others."""
    if not pd.api.types.is_numeric_dtype(numbers) or pd.api.types.is_numeric_dtype(levels):
        return False
    spans = numbers.groupby(levels.astype(str)).agg(["min", "max"]).sort_values("min")
    return bool((spans["min"].to_numpy()[1:] > spans["max"].to_numpy()[:-1]).all())


def _shared(a: pd.Series, b: pd.Series) -> NDArray[np.float64]:
    """Squared canonical correlations of two factors, largest first; of two with levels from their table of counts alone.

    Rows by levels would take gigabytes for thousands of containers. Source: correspondence analysis (Greenacre 1984, from
    memory).
    """
    numbers = [s.to_numpy(dtype=float) - s.to_numpy(dtype=float).mean() for s in (a, b) if pd.api.types.is_numeric_dtype(s)]
    codes = [pd.factorize(s.astype(str))[0] for s in (a, b) if not pd.api.types.is_numeric_dtype(s)]
    if len(numbers) == 2:
        x, y = numbers
        return np.array([(x @ y) ** 2 / ((x @ x) * (y @ y))])
    if numbers:
        (x,), (levels,) = numbers, codes
        return np.array([(np.bincount(levels, x) ** 2 / np.bincount(levels)).sum() / (x @ x)])
    n = [int(c.max()) + 1 for c in codes]
    counts = np.bincount(codes[0] * n[1] + codes[1], minlength=n[0] * n[1]).reshape(n).astype(float)
    alone = np.sqrt(np.outer(counts.sum(axis=1), counts.sum(axis=0)))
    values = np.linalg.svd(counts / alone - alone / counts.sum(), compute_uv=False) ** 2
    return np.asarray(values[:min(n) - 1])
