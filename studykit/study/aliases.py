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
        shared = np.linalg.svd(_basis(both[a]).T @ _basis(both[b]), compute_uv=False) ** 2
        if shared[0] >= OVERLAP or _apart(both[a], both[b]) or _apart(both[b], both[a]):
            out.append(Alias(first=a, second=b, wholly=bool(shared[-1] >= OVERLAP), share=min(1.0, float(shared[0]))))
    return tuple(out)


def _apart(numbers: pd.Series, levels: pd.Series) -> bool:
    """Whether the numbers of each level lie apart from those of all others."""
    if not pd.api.types.is_numeric_dtype(numbers) or pd.api.types.is_numeric_dtype(levels):
        return False
    spans = numbers.groupby(levels.astype(str)).agg(["min", "max"]).sort_values("min")
    return bool((spans["min"].to_numpy()[1:] > spans["max"].to_numpy()[:-1]).all())


def _basis(values: pd.Series) -> NDArray[np.float64]:
    """Orthonormal columns of one factor about its mean: its slope (numbers) or its levels (text)."""
    if pd.api.types.is_numeric_dtype(values):
        body = values.to_numpy(dtype=float)[:, None]
    else:
        body = pd.get_dummies(values.astype(str)).to_numpy(dtype=float)
    u, s, _ = np.linalg.svd(body - body.mean(axis=0), full_matrices=False)
    return np.asarray(u[:, s > 1e-8 * s[0]])
