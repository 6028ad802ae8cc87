"""What a fitted mixed model answers: tests, intervals, predicted random effects; and the check of contrasts.

Random effects: u_i = sum_j theta_ij Z_j'P y over the terms j that may be correlated with i, with prediction error variance
theta_ii - sum_jk theta_ij diag(Z_j'P Z_k) theta_ki (Henderson 1975, Biometrics 31:423-447), block by block.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from studykit.mixed.blocks import Blocks, block_moments, cell_means, inner_variances, pattern_inverse
from studykit.mixed.design import Design, Term
from studykit.mixed.likelihood import State
from studykit.mixed.woodbury import equations


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
class Effects:
    """Predicted effects of one random term, one a level."""

    term: str
    levels: tuple[str, ...]
    values: tuple[float, ...]  # unit of the response
    prediction_error: tuple[float, ...]  # standard deviation of prediction minus truth, same unit

    def to_table(self) -> pd.DataFrame:
        """One row a level: level, value, prediction_error."""
        columns = {"level": self.levels, "value": self.values, "prediction_error": self.prediction_error}
        return pd.DataFrame(columns)


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


def predicted(design: Design, blocks: Blocks, state: State, z: np.ndarray, term: str, scale: float) -> Effects:
    """Effects of ``term`` from the standardised response z (n,); ``scale`` returns to its unit."""
    names = [t.name for t in design.terms]
    if term not in names:
        raise ValueError(f"term must be one of {', '.join(names) or '(none)'}, but got {term!r}")
    i = names.index(term)
    found = design.terms[i]
    scale /= found.unit
    coefficients, error = equations(block_moments(blocks, state.theta).S, np.sqrt(state.theta[1 + blocks.columns]))
    if i in blocks.border:
        mine = np.flatnonzero(blocks.columns == i)
        return _effects(found, coefficients[mine], np.diag(error)[mine], scale)
    data = cell_means(blocks, np.column_stack([design.Q, z]))
    c = np.append(-coefficients, 1.0)
    inner = [t for t in range(blocks.k) if t not in blocks.border]
    shared = [(inner.index(t), v) for t, v in _shared(blocks, state.theta, i)]
    j, theta = inner.index(i), float(state.theta[i + 1])
    value, variance = np.zeros(len(found.levels)), np.full(len(found.levels), theta)
    for g in blocks.groups:
        ZW, K = pattern_inverse(g, inner_variances(blocks, state.theta))[1:3]
        own = slice(None) if len(ZW) == 1 else g.pattern
        at = [(slice(g.cuts[t], g.cuts[t + 1]), v) for t, v in shared]
        H = np.add.reduce([v * (ZW[own][:, a] @ data[g.cells]) for a, v in at])  # the covariances times Z'B^-1 [U X y]
        HX = H[:, :, :-1]
        known = np.add.reduce([v * w * np.diagonal(K[:, a, b], axis1=1, axis2=2) for a, v in at for b, w in at])[own]
        mine = g.levels[:, g.cuts[j] : g.cuts[j + 1]]
        value[mine] = H @ c
        variance[mine] = theta - known + np.einsum("bla,ac,blc->bl", HX, error, HX)
    return _effects(found, value, variance, scale)


def _shared(blocks: Blocks, theta: np.ndarray, i: int) -> list[tuple[int, float]]:
    """The terms that share their effects with term ``i``, itself first, with variance and covariances."""
    out = [(i, float(theta[i + 1]))]
    for c, pair in enumerate(blocks.pairs, start=1 + blocks.k):
        if i in pair:
            out.append((pair[1] if pair[0] == i else pair[0], float(theta[c])))
    return out


def _effects(term: Term, value: np.ndarray, variance: np.ndarray, scale: float) -> Effects:
    error = np.sqrt(np.maximum(variance, 0.0)) * scale
    return Effects(term=term.name, levels=term.levels, values=tuple((value * scale).tolist()),
                   prediction_error=tuple(error.tolist()))  # fmt: skip
