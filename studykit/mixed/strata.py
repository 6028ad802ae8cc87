"""The exact test of depth in a balanced design: differences within containers against their own scatter.

Where every container has every depth with equally many determinations, differences between
depths live in one stratum. With the cell means centred within each container, ordinary least
squares of the depth terms leaves the container:depth scatter on exactly known degrees of
freedom, so the t distribution holds whatever the other variances are (the classical split-plot
analysis; Searle, Casella & McCulloch 1992, "Variance Components", chapter 4).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from studykit.core.errors import DesignMismatch

TINY = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Stratum:
    """Covariance of the coefficients that act within containers, (p, p) with zeros elsewhere, and its df."""

    cov: np.ndarray
    df: float
    mean_square: float


def is_balanced(measured: pd.DataFrame, depths: tuple[str, ...]) -> bool:
    """True where every container has every depth with the same number of rows."""
    counts = measured.groupby(["container", "depth"], observed=True).size()
    return len(counts) == measured["container"].nunique() * len(depths) and counts.nunique() == 1


def within_stratum(measured: pd.DataFrame, X: np.ndarray, y: np.ndarray) -> Stratum:
    """The within-container stratum of a balanced design.

    ``X`` (n, p) and ``y`` (n,) in the rows of ``measured`` (columns container, depth). Raises
    DesignMismatch where nothing is left to judge by.
    """
    keys = [measured["container"].to_numpy(), measured["depth"].astype(str).to_numpy()]
    names = [f"x{i}" for i in range(X.shape[1])]
    frame = pd.DataFrame(X, columns=names).assign(y=np.asarray(y, dtype=float), container=keys[0], depth=keys[1])
    cells = frame.groupby(["container", "depth"])[[*names, "y"]].mean()
    centred = cells - cells.groupby("container").transform("mean")
    W, z = centred[names].to_numpy(), centred["y"].to_numpy()
    acts = np.abs(W).max(axis=0) > TINY
    A = W[:, acts]
    rank = int(np.linalg.matrix_rank(A))
    containers = cells.index.get_level_values("container").nunique()
    df = len(cells) - containers - rank
    if rank < A.shape[1] or df < 1:
        raise DesignMismatch("Too few containers are left to judge differences between depths by their own scatter.")
    solution, *_ = np.linalg.lstsq(A, z, rcond=None)
    square = float(((z - A @ solution) ** 2).sum()) / df
    cov = np.zeros((X.shape[1], X.shape[1]))
    cov[np.ix_(acts, acts)] = square * np.linalg.inv(A.T @ A)
    return Stratum(cov=cov, df=float(df), mean_square=square)
