"""Simulated studies of one cell of a scenario in blocks of fixed size, each from a seed of its own, judged as real ones are.

    d = own gradient x height + zone + determination      (and the container's level)

A container's level is drawn too, for what lies below a quantification limit; differences do not see it. Studies without a
limited value are judged together (``inference.contrasts``), others one by one with their values between bounds, as in a
report. The seed of a block hangs on the cell and its number only, so that no way of cutting the work up changes a count.
"""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from studykit.core.hashes import sha256_of
from studykit.design.scenario import Cell
from studykit.inference import Margin
from studykit.inference.cells import CellBounds
from studykit.inference.contrasts import contrasts_of, word_codes
from studykit.inference.judge import WORDS, mean_of

Array = NDArray[np.float64]
BLOCK = 1000
"""Studies of a block: part of what a count hangs on, and so not to be set."""
PACKAGE = Path(__file__).resolve().parent.parent
COUNTED = (*WORDS, "pairs not judged")


@cache
def code() -> str:
    """A digest of the code by which studies are made and judged: counts of another one are not added to these."""
    files = sorted(p for folder in ("inference", "design", "mixed") for p in (PACKAGE / folder).rglob("*.py"))
    return hashlib.sha256("".join(sha256_of(p) for p in files).encode()).hexdigest()


def count_block(key: str, cell: Cell, margin: Margin, alpha: float, block: int, studies: int) -> tuple[tuple[int, ...], str]:
    """How many of a block's studies got each word, and had a pair of depths that could not be judged; and the code's digest.

    ``key``: of the scenario (``Scenario.key_of``); ``studies``: the first so many of the block's BLOCK.
    """
    entropy = [int(key[k:k + 8], 16) for k in range(0, 64, 8)]
    seed = np.random.SeedSequence(entropy, spawn_key=(block,))  # what spawn() gives as its child of that number
    y = _values(cell, margin, np.random.default_rng(seed))[:studies]
    words, whole = _judged(y, cell, margin, alpha)
    return (*(int((words == k).sum()) for k in range(len(WORDS))), int((~whole).sum())), code()


def _values(cell: Cell, margin: Margin, rng: np.random.Generator) -> Array:
    """Results in the unit of the level, (BLOCK, containers, depths, determinations); NaN where lost."""
    n, d, k = cell.containers, cell.depths, cell.determinations
    factor = 0.01 if margin.log else 1.0
    mean = margin.from_shown(cell.difference)
    height = np.linspace(0.0, 1.0, d)
    own = mean + factor * cell.sd_gradient * rng.standard_normal((BLOCK, n, 1))
    zones = own * height + factor * cell.sd_container_depth * _tailed(rng, (BLOCK, n, d), cell.tails)
    zones += factor * cell.sd_container * rng.standard_normal((BLOCK, n, 1))
    y = zones[..., None] + factor * cell.s_r * _tailed(rng, (BLOCK, n, d, k), cell.tails)
    lost = rng.random((BLOCK, n, d, 1)) < cell.lost
    values = cell.level * np.exp(y) if margin.log else cell.level + y
    return np.where(lost, np.nan, values)


def _tailed(rng: np.random.Generator, shape: tuple[int, ...], tails: int) -> Array:
    """Draws of standard deviation 1: normal, or Student's t scaled to it."""
    return rng.standard_normal(shape) if tails == 0 else rng.standard_t(tails, shape) / np.sqrt(tails / (tails - 2))


def _judged(y: Array, cell: Cell, margin: Margin, alpha: float) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """Codes of the words (into WORDS), and whether all pairs of depths could be judged, (studies,)."""
    limited = np.asarray((y < cell.limit).any(axis=(1, 2, 3)))
    values = np.where(limited[:, None, None, None], cell.level, y)
    with np.errstate(invalid="ignore"):
        scaled = margin.to_scale(values)
        count = np.isfinite(scaled).sum(axis=-1)
        cells = np.where(count > 0, np.nansum(scaled, axis=-1) / np.maximum(count, 1), np.nan)
    words, judged = np.zeros(len(y), dtype=np.intp), np.zeros(len(y), dtype=bool)
    if not limited.all():
        found = contrasts_of(cells[~limited])
        words[~limited] = word_codes(found, margin.edge, alpha, depths=cell.depths)
        judged[~limited] = np.asarray(found.judged).all(axis=1)
    for i in np.flatnonzero(limited):
        words[i], judged[i] = _one(y[i], cell, margin, alpha)
    return words, judged


def _one(y: Array, cell: Cell, margin: Margin, alpha: float) -> tuple[int, bool]:
    """One study with limited values between bounds: from nothing to the limit."""
    n, d, k = y.shape
    container, depth = np.repeat(np.arange(n), d * k), np.tile(np.repeat(np.arange(d), k), n)
    below, high = y.ravel() < cell.limit, np.where(y.ravel() < cell.limit, cell.limit, y.ravel())
    bounds = CellBounds.of_rows(container, depth, np.where(below, 0.0, high), high, shape=(n, d), margin=margin,
                                containers=[str(c) for c in range(n)], labels=[str(c) for c in range(d)])
    found, word, *_ = mean_of(bounds, margin, alpha, limits=False)
    return WORDS.index(word), bool(np.asarray(found.judged).all())
