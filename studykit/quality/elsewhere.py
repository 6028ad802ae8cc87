"""Middles of what all other runs read, from one sorting: thousands of runs are each held against all the others."""

from __future__ import annotations

import numpy as np

from studykit.quality.frame import Index, Vector


class Middles:
    """Medians of the columns of a table (n x A, NaN left out) without some of its rows, to the bit as ``quantile``'s."""

    def __init__(self, x: Vector) -> None:
        known = np.isfinite(x)
        x = np.where(known, x, np.nan)
        order = np.argsort(x, axis=0, kind="stable")  # those left out come last
        self._ordered, self._count = np.take_along_axis(x, order, axis=0), known.sum(axis=0)
        self._rank = np.empty(x.shape, dtype=np.intp)
        np.put_along_axis(self._rank, order, np.arange(len(x))[:, None], axis=0)
        self._rank[~known] = 2 * len(x)

    def without(self, rows: Index) -> Vector:
        """The median of each column without these rows; NaN where nothing is left."""
        gone = np.sort(self._rank[rows], axis=0)
        left = self._count - (gone < len(self._rank)).sum(axis=0)
        if not len(self._rank):
            return np.full(len(self._count), np.nan)
        at = np.maximum(left - 1, 0) * 0.5
        below = np.floor(at)
        part, ends = at - below, np.minimum([below, below + 1], np.maximum(left - 1, 0)).astype(np.intp)
        skipped = gone - np.arange(len(gone))[:, None]  # how many of those left stand before each that is gone
        ends = np.minimum(ends + (skipped <= ends[:, None]).sum(axis=1), len(self._rank) - 1)
        low, high = np.take_along_axis(self._ordered, ends, axis=0)
        found = np.where(part < 0.5, low + (high - low) * part, high - (high - low) * (1 - part))
        return np.asarray(np.where(left > 0, found, np.nan), dtype=np.float64)


class Others:
    """Some rows of a table (n x A), and their medians without those of one run."""

    def __init__(self, x: Vector, rows: Index) -> None:
        self._place = np.full(len(x), -1, dtype=np.intp)
        self._place[rows] = np.arange(rows.size)
        self._middles, self.size = Middles(x[rows]), rows.size

    def without(self, rows: Index) -> tuple[Vector, bool]:
        """The medians without these rows of the table, and whether any other is left."""
        own = self._place[rows]
        own = own[own >= 0]
        return self._middles.without(own), own.size < self.size


__all__ = ["Middles", "Others"]
