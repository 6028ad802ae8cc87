"""Small result objects of the mixed model, and the check of contrasts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd


@dataclass(frozen=True, slots=True, kw_only=True)
class ContrastTest:
    """A test that contrasts of the fixed effects are zero; tuples where several rows were given."""

    estimate: float | tuple[float, ...]  # unit of the response
    se: float | tuple[float, ...]  # the same unit
    statistic: float  # F; for one contrast the square of estimate / se
    df1: int
    df2: float  # denominator degrees of freedom
    p: float
    scale: float  # factor that is already in ``statistic``; 1 for one contrast and for Satterthwaite
    method: str
    note: str = ""  # a caution about this test, or empty

    def to_table(self) -> pd.DataFrame:
        """One row: statistic, df1, df2, p, scale, method."""
        names = ("statistic", "df1", "df2", "p", "scale", "method")
        return pd.DataFrame([{n: getattr(self, n) for n in names}])


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A two-sided t interval; unpacks as (low, high)."""

    low: float  # unit of the response
    high: float
    level: float
    estimate: float
    se: float
    df: float
    method: str

    def __iter__(self) -> Iterator[float]:
        return iter((self.low, self.high))

    def __getitem__(self, index: int) -> float:
        return (self.low, self.high)[index]

    def __len__(self) -> int:
        return 2


def caution(df1: int, df2: float, scale: float) -> str:
    """What to say of a joint Kenward-Roger test whose two moments can hardly be matched."""
    if df1 == 1 or (df2 > 2.5 and 0.8 < scale < 1.25):
        return ""
    return (
        f"Too few containers for a dependable joint test ({df2:.1f} denominator degrees of freedom, scale {scale:.2f}): "
        "it errs towards caution. Judge the contrasts one by one."
    )


def contrast_matrix(
    L: Sequence[float] | np.ndarray, names: Sequence[str], independent: bool = True
) -> tuple[np.ndarray, bool]:
    """L as a float matrix (rows, p) and whether it was a vector; ValueError for what cannot be a contrast."""
    raw = np.asarray(L, dtype=float)
    single, matrix = raw.ndim == 1, np.atleast_2d(raw)
    if matrix.ndim != 2 or matrix.shape[1] != len(names) or len(matrix) == 0:
        raise ValueError(f"L must have one number for each of {', '.join(names)}, but got shape {raw.shape}")
    if not np.isfinite(matrix).all() or not np.abs(matrix).max(axis=1).all():
        raise ValueError("L must have finite rows that are not all zero")
    if independent and np.linalg.matrix_rank(matrix) < len(matrix):
        raise ValueError(f"L must have independent rows, but its {len(matrix)} rows have rank "
                         f"{np.linalg.matrix_rank(matrix)}")  # fmt: skip
    return matrix, single
