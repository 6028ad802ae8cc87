"""Each container by its own readings: how far its depths differ, what shows it beyond the margin, what limits leave open.

A container is shown to lie beyond where its difference passes the margin by more than its determinations can scatter, all
containers and pairs taken into account. The scatter is the largest of three: that of all containers, its own, and that of
the two zones, since one settled container may scatter more than the level ones (``own_noise``); on one degree of freedom
only where it is shown to be larger. Where most containers are known only as limits, that scatter cannot be told, and a
container is named by its readings alone (``read_beyond``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from studykit.inference.cells import CellBounds
from studykit.inference.contrasts import Array, pair_rows
from studykit.inference.margin import Margin
from studykit.inference.own import ends_of, middle_of, near_differences, own_differences, rounded_in, span_of_one
from studykit.inference.share import LEAST, all_one_way, shown_beyond

GATE = 0.05
"""Level of the F test that shows one container's scatter to be larger than that of all others."""
FIRM = 2
"""Degrees of freedom from which it counts without that test."""
ALONE = "By their readings alone, wherever within their limits the values lie, these"
MAY = "Values known only as a limit leave open whether these"


@dataclass(frozen=True, slots=True, kw_only=True)
class Beyond:
    """Containers that lie beyond the margin wherever their values lie, by pair of depths, 1 above and -1 below, (n, K).

    ``shown``: those shown to (``shown_in``); ``signs``: with those whose readings alone do (``read_beyond``).
    """

    containers: tuple[str, ...]
    signs: NDArray[np.int8]
    shown: NDArray[np.int8]
    alpha: float

    @property
    def names(self) -> tuple[str, ...]:
        """All of them."""
        return self._those(self.signs)

    @property
    def read(self) -> tuple[str, ...]:
        """Those that are named by their readings alone."""
        firm = set(self._those(self.shown))
        return tuple(c for c in self.names if c not in firm)

    @property
    def every(self) -> bool:
        """Whether every container lies beyond in one pair and direction; by readings alone where a sign test shows it too."""
        chance = 2 * self.signs.shape[1] * 0.5 ** len(self.signs)
        return all_one_way(self.shown) or (chance < self.alpha and all_one_way(self.signs))

    def _those(self, signs: NDArray[np.int8]) -> tuple[str, ...]:
        return tuple(str(c) for c, b in zip(self.containers, signs, strict=True) if b.any())


def containers_beyond(cells: CellBounds, margin: Margin, noise_se: float | None, noise_df: float, alpha: float, *,
                      twice: bool = False) -> Beyond:
    """Containers shown to lie beyond the margin, and where the scatter cannot be told those whose readings do."""
    shown = shown_in(cells, margin, noise_se, noise_df, alpha, twice=twice)
    signs = np.where(shown != 0, shown, read_beyond(cells, margin, noise_se, twice=twice)).astype(np.int8)
    return Beyond(containers=cells.containers, signs=signs, shown=shown, alpha=alpha)


def shown_in(cells: CellBounds, margin: Margin, noise_se: float | None, noise_df: float, alpha: float, *,
             twice: bool = False) -> NDArray[np.int8]:
    """Containers shown to lie beyond the margin wherever their values lie, by pair of depths; see ``shown_beyond``.

    ``twice``: the noise is that of determinations, and shown is what holds for any noise that limits could show. A container's
    own limits lie at their near end together, or apart, then about their middle: what is shown at both ends is shown between.
    """
    def shown(d: Array, noise: float | Array | None) -> NDArray[np.int8]:
        se, least = (None, None) if noise is None else own_noise(cells, noise, alpha, twice=twice)
        return shown_beyond(d, margin.edge, noise_se=se, noise_df=noise_df, alpha=alpha, clear=middle_of(cells), least=least)

    near = near_differences(cells, noise_se)
    span = span_of_one(cells)
    if not twice or span is None or span[0] == span[1]:
        return shown(near, noise_se)
    least, most = ends_of(cells, rounded_in(cells, noise_se))
    with np.errstate(invalid="ignore"):
        middle = np.where(np.isfinite(near), (least + most) / 2, np.nan)
    if cells.departures is not None:
        middle = cells.departures.towards(middle)
    others = None if cells.noise_others is None else cells.noise_others * cells.noise_part
    together, apart = shown(near, others), shown(middle, span[1])
    return np.where(together == apart, together, 0).astype(np.int8)


def own_noise(cells: CellBounds, noise: float | Array, alpha: float, *, twice: bool) -> tuple[Array, Array]:
    """Standard error of every container's own differences, and the least by which one has to pass the margin, (n, K) twice.

    noise: of one difference of all containers, one number or one a container; each container's by its own number of
    determinations. With zones determined twice the standard error is no smaller than the container's own determinations say,
    nor those of the two zones, by numbers, and the least is what a t test at alpha of the container alone asks. Of one
    duplicate both count only where an F test (GATE) shows it to lie further apart than the others' do: on one degree of freedom
    t is 6.3, and a second draw that agrees with the first would un-name a container.
    """
    rows, each = pair_rows(cells.k), 1 / np.maximum(cells.held, 1)
    i, j = rows.argmin(axis=1), rows.argmax(axis=1)
    counts, part = each[:, i] + each[:, j], cells.noise_part
    if cells.departures is not None:  # a zone against its mixed container carries at most ``part`` of a difference's noise
        i = j = np.arange(cells.k)
        counts = np.repeat(2 * each.max(axis=1, keepdims=True), cells.k, axis=1)
    pooled = np.broadcast_to(noise, (len(each),))[:, None] * np.sqrt(counts / _common(cells, twice))
    if not twice:
        return pooled, np.zeros_like(pooled)
    squares, df = cells.squares, np.maximum(cells.numbers - 1, 0)
    own_df = df.sum(axis=1, keepdims=True)
    own = part * np.sqrt(_scatter(cells, squares.sum(axis=1, keepdims=True), own_df) * counts)
    zones = part * np.sqrt(_scatter(cells, squares[:, i] + squares[:, j], df[:, i] + df[:, j]) * counts)
    t = -special.stdtrit(np.maximum(own_df, 1).astype(float), alpha)
    return np.fmax(np.fmax(pooled, own), zones), np.nan_to_num(t * own)


def _scatter(cells: CellBounds, squares: Array, df: NDArray[np.intp]) -> Array:
    """Variances of some of every container's determinations, (n, K); NaN where unknown, and of one duplicate where it is as the
    others' are."""
    left, df_left = (float(x.sum()) - x.sum(axis=1, keepdims=True) for x in (cells.squares, np.maximum(cells.numbers - 1, 0)))
    with np.errstate(divide="ignore", invalid="ignore"):
        own, others = squares / df, left / df_left
        shown = special.fdtrc(df, df_left, own / others) < GATE  # without others no F, and its own is all there is
        return np.asarray(np.where(shown | (df >= FIRM) | (df_left == 0), own, np.nan))


def _common(cells: CellBounds, twice: bool) -> float:
    """By how many determinations the noise of all containers is that of a difference: twice the mean of one over them."""
    if not twice:
        return 2 / float(np.mean(cells.held[cells.held > 0]))
    return 2 * min(float(np.mean(1 / x[x > 0])) for x in (cells.held, cells.numbers) if (x > 0).any())


def read_beyond(cells: CellBounds, margin: Margin, noise_se: float | None, *, twice: bool = False) -> NDArray[np.int8]:
    """Containers whose readings differ by more than the margin wherever their limits lie, 1 above and -1 below, (n, K).

    Only where nothing tells how determinations scatter, because fewer than half of the containers are known by numbers
    alone (or too few for the scatter of their middle half); else none. It is no test: a container at the margin may be one.
    """
    exact, n = int(cells.exact.sum()), len(cells.exact)
    unknown = exact < max(LEAST, n / 2) if noise_se is None else (
        twice and cells.noise_span is not None and cells.noise_span[0] < cells.noise_span[1] and exact < n / 2)
    near = near_differences(cells, None)
    passed = margin.passed(near) & (unknown and exact < n)
    return np.where(passed, np.sign(near), 0).astype(np.int8)


def within_by_own(cells: CellBounds, margin: Margin, noise_se: float, noise_df: float, alpha: float, *,
                  twice: bool = False) -> NDArray[np.bool_]:
    """Containers of which the 1 - 2 alpha interval of each pair of depths lies inside the margin, wherever limits lie, (n,)."""
    span = span_of_one(cells)
    most = max(noise_se, span[1] if twice and span else 0.0)
    noise, least = own_noise(cells, most, alpha, twice=twice)
    far = np.abs(own_differences(cells, noise_se)) + np.maximum(-float(special.stdtrit(noise_df, alpha)) * noise, least)
    with np.errstate(invalid="ignore"):
        return np.asarray(np.all(far < margin.edge, axis=1))  # of a lost zone NaN, which is not below


def may_lie_beyond(cells: CellBounds, margin: Margin, noise_se: float | None, noise_df: float, alpha: float, *,
                   twice: bool = False) -> tuple[str, ...]:
    """Containers that some value within the limits would show beyond the margin, and that are not named there.

    Their own limits, or those of others that alone make the noise too large. Where the noise is unknown, a difference that a
    container's own limits may carry past the margin is enough.
    """
    named = containers_beyond(cells, margin, noise_se, noise_df, alpha, twice=twice).signs
    span = span_of_one(cells)
    far, least = own_differences(cells, noise_se), span[0] if twice and span else noise_se
    with np.errstate(invalid="ignore"):
        if least is None:
            passed = margin.passed(far)
        else:
            se, reach = own_noise(cells, least, alpha, twice=twice)
            passed = shown_beyond(far, margin.edge, noise_se=se, noise_df=noise_df, alpha=alpha, least=reach) != 0
    may = passed.any(axis=1) & ~named.any(axis=1) & (~cells.exact | (least != noise_se))
    return tuple(c for c, m in zip(cells.containers, may, strict=True) if m)


def groups_that_may(cells: CellBounds, margin: Margin) -> tuple[str, ...]:
    """Groups whose mean difference passes the margin for some value within its limits; none where all are numbers."""
    if cells.groups is None or cells.exact.all():
        return ()
    rows = np.asarray(cells.groups) > 0
    least, most = ends_of(cells, False)
    if cells.departures is not None:
        least, most = cells.departures.towards(least), cells.departures.towards(most)
    own = [g for g in range(rows.shape[1]) if not cells.exact[rows[:, g]].all()]
    with np.errstate(all="ignore"):
        far = {g: max(float(np.nanmax(np.abs(np.nanmean(end[rows[:, g]], axis=0)))) for end in (least, most)) for g in own}
    return tuple(cells.group_names[g] for g in own if margin.passed(far[g]))


def may_reasons(may: Sequence[str], margin: Margin) -> tuple[str, ...]:
    """One sentence that names the containers and groups of ``may_lie_beyond`` and ``groups_that_may``."""
    if not may:
        return ()
    return (f"{MAY} {margin.exceeded}: {', '.join(may)}.",)


def read_reasons(read: Sequence[str], margin: Margin) -> tuple[str, ...]:
    """One sentence on the containers that are named by their readings alone (``read_beyond``)."""
    if not read:
        return ()
    return (f"{ALONE} {margin.exceeded}: {', '.join(read)}. Too few containers have results that are numbers to tell "
            "the scatter of measuring.",)
