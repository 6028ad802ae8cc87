"""Simulated studies of one cell of a scenario in blocks of fixed size, each from a seed of its own, judged as real ones are.

    d = own gradient x height + zone + determination      (and the container's level)

Normal studies of which nothing is lost or limited are drawn as what decides them: the mean difference of every pair of depths
and the containers' covariance (``operating.moment_contrasts``). Else single results are drawn,
with a container's level, which differences do not see but a quantification limit does. Studies without a limited value are
judged together (``inference.contrasts``); of the others most are settled together (``inference.screened``), the rest one by
one with their values between bounds, as in a report. The seed of a block hangs on the cell and its number only, so that no way
of cutting the work up changes a count.
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from studykit.core.hashes import sha256_of
from studykit.design.operating import moment_contrasts, t_quantile
from studykit.design.scenario import Cell
from studykit.inference import Margin
from studykit.inference.cells import CellBounds
from studykit.inference.contrasts import Contrasts, contrasts_of, pair_rows, word_codes
from studykit.inference.judge import WORDS, mean_of
from studykit.inference.screened import UNSETTLED, words_between

Array = NDArray[np.float64]
BLOCK = 1000
"""Studies of a block: part of what a count hangs on, and so not to be set."""
PACKAGE = Path(__file__).resolve().parent.parent
NEVER = 12.0
"""Standard deviations from nought beyond which no result is negative, which a limit of nought would hold back."""
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
    rng = np.random.default_rng(seed)
    if by_moments(cell, margin):
        found = _moments(cell, margin, rng)
        words, whole = _words(found.taken(np.arange(studies)), cell, margin, alpha), np.ones(studies, dtype=bool)
    else:
        words, whole = _judged(_values(cell, margin, rng)[:studies], cell, margin, alpha)
    return (*(int((words == k).sum()) for k in range(len(WORDS))), int((~whole).sum())), code()


def by_moments(cell: Cell, margin: Margin) -> bool:
    """Whether means and covariance of the depths decide a study of this cell: normal, nothing lost, no limit near."""
    spread = math.sqrt(sum(x**2 for x in (cell.s_r, cell.sd_container, cell.sd_container_depth, cell.sd_gradient)))
    far = margin.log or cell.level - abs(cell.difference) > NEVER * spread
    return (cell.tails == 0 and cell.lost == 0 and cell.limit == 0 and far and cell.containers > cell.depths
            and cell.s_r + cell.sd_container_depth > 0)


def _moments(cell: Cell, margin: Margin, rng: np.random.Generator) -> Contrasts:
    """All pairs of depths of BLOCK studies, as ``contrasts_of`` gives them for the results of ``_values``."""
    n, k, factor = cell.containers, cell.depths, 0.01 if margin.log else 1.0
    height = np.linspace(0.0, 1.0, k)
    own = cell.sd_container_depth**2 + cell.s_r**2 / cell.determinations
    root = factor * np.linalg.cholesky(own * np.eye(k) + cell.sd_gradient**2 * np.outer(height, height))
    rows = pair_rows(k)
    normal, below = rng.standard_normal((BLOCK, k)), rng.standard_normal((BLOCK, k, k))
    found = moment_contrasts(normal, below, rng.chisquare(n - 1.0 - np.arange(k), (BLOCK, k)), rows @ root, n)
    return replace(found, estimate=found.estimate + margin.from_shown(cell.difference) * rows @ height)


def _words(found: Contrasts, cell: Cell, margin: Margin, alpha: float) -> NDArray[np.intp]:
    """Codes of the words as ``word_codes`` gives them where all df are one: by a quantile, p-values only near "beyond"."""
    size, reach = np.abs(found.estimate), t_quantile(cell.containers - 1.0, alpha) * found.se
    words = np.asarray((size + reach < margin.edge).all(axis=1), dtype=np.intp)
    some = np.flatnonzero((size - reach > margin.edge).any(axis=1))
    if len(some):
        words[some] = word_codes(found.taken(some), margin.edge, alpha, depths=cell.depths)
    return words


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
        found = contrasts_of(_alike(cells[~limited]))
        words[~limited] = word_codes(found, margin.edge, alpha, depths=cell.depths)
        judged[~limited] = np.asarray(found.judged).all(axis=1)
    for i in _together(y, np.flatnonzero(limited), (words, judged), cell, margin, alpha):
        words[i], judged[i] = _one(y[i], cell, margin, alpha)
    return words, judged


def _alike(cells: Array) -> Array:
    """The same studies, each with its containers in the order of what they lack.

    Containers are exchangeable; what the losses alone decide is then worked out for a few patterns in place of one a study.
    """
    lack = np.isnan(cells) @ (1 << np.arange(cells.shape[2]))
    return np.take_along_axis(cells, np.argsort(lack, axis=1, kind="stable")[..., None], axis=1)


def _together(y: Array, which: NDArray[np.intp], into: tuple[NDArray[np.intp], NDArray[np.bool_]], cell: Cell, margin: Margin,
              alpha: float) -> NDArray[np.intp]:
    """Write down the words of the studies with limited values that need no search; returns those that are left."""
    lost = np.isnan(y[which]).any(axis=(1, 2, 3))
    whole, (words, judged) = which[~lost], into
    if not len(whole):
        return which
    low, high = (_scaled(np.where(y[whole] < cell.limit, end, y[whole]), margin).mean(axis=-1) for end in (0.0, cell.limit))
    got = words_between(low, high, margin.edge, alpha)
    sure = whole[got != UNSETTLED]
    words[sure] = got[got != UNSETTLED]
    with np.errstate(invalid="ignore"):
        middle = (low + high) / 2
    seen = contrasts_of(np.where(np.isfinite(middle), middle, np.nan)).judged
    judged[whole] = np.asarray(seen).all(axis=1)
    return np.concatenate([which[lost], whole[got == UNSETTLED]])


def _scaled(values: Array, margin: Margin) -> Array:
    """On the scale of the margin; nothing at all is minus infinity on a logarithmic one."""
    with np.errstate(divide="ignore"):
        return margin.to_scale(values)


def _one(y: Array, cell: Cell, margin: Margin, alpha: float) -> tuple[int, bool]:
    """One study with limited values between bounds: from nothing to the limit."""
    n, d, k = y.shape
    container, depth = np.repeat(np.arange(n), d * k), np.tile(np.repeat(np.arange(d), k), n)
    below, high = y.ravel() < cell.limit, np.where(y.ravel() < cell.limit, cell.limit, y.ravel())
    bounds = CellBounds.of_rows(container, depth, np.where(below, 0.0, high), high, shape=(n, d), margin=margin,
                                containers=[str(c) for c in range(n)], labels=[str(c) for c in range(d)])
    found, word, *_ = mean_of(bounds, margin, alpha, limits=False)
    return WORDS.index(word), bool(np.asarray(found.judged).all())
