"""When more than the declared share of containers lies beyond by any pair of depths: in the containers, and in lots."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from studykit.ageing.bends import beyond_seen
from studykit.ageing.courses import same_ages
from studykit.ageing.own import Own
from studykit.ageing.pooling import lots_laws
from studykit.ageing.reach import (
    Containers,
    Passing,
    bootstrap_share,
    containers_law,
    longer,
    share_limits,
    share_passes,
)
from studykit.core.memory import remembered

Levels = dict[str, list[str]]
"""The levels of each factor that is declared random, one a row of the own differences."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """The share's times over all pairs of depths, the pair that most are beyond by, and the pairs that cannot tell it.

    ``spread`` is None, and the other two empty, where too few containers tell.
    """

    spread: Passing | None = None
    by: tuple[str, str] | None = None
    untold: tuple[tuple[str, str], ...] = ()


@remembered
def told(pairs: Sequence[tuple[Own, Levels]], bound: float) -> Told:
    """The share's times over all pairs of depths that can tell it, the ends first; nothing where the ends cannot.

    Factors that are declared random count as a sample of more.
    """
    some = [(own, levels) for own, levels in pairs if _law(own) is not None]
    if not some or some[0][0].pair != pairs[0][0].pair:
        return Told()
    owns = [own for own, _ in some]
    spread = _containers(owns, bound)
    if spread is None:
        return Told()
    for name in some[0][1]:
        more = _sampled(owns, [levels[name] for _, levels in some], bound)
        spread = spread if more is None else longer(spread, more)
    untold = tuple(own.pair for own, _ in pairs if own.pair not in {o.pair for o in owns})
    return Told(spread=spread, by=_by_most(owns, spread), untold=untold)


def _law(own: Own, *, bent: bool = False) -> Containers | None:
    return containers_law(own.values[None], own.course, own.months, own.units, bent=bent)


def _by_most(owns: Sequence[Own], spread: Passing) -> tuple[str, str]:
    """The pair by which most containers may be beyond at the time up to which few enough are, or at the youngest age."""
    at, first = np.array([owns[0].span[0] if spread.outside[0] else spread.safe[0]]), owns[0]
    laws = [law for own in owns if (law := _law(own)) is not None]
    limits = [float(x[0, 0]) for x in share_limits(laws, first.edges, alpha=first.alpha, months=at)]
    return owns[int(np.argmax(limits))].pair


def _containers(owns: Sequence[Own], bound: float) -> Passing | None:
    """None where too few containers tell.

    Of containers drawn again, one that was drawn once has no line of its own, and is taken to be beyond.
    """
    share = min(left_of(own) for own in owns)
    if share <= 0:
        return None
    line = _by(owns, share, bound, bent=False)
    bend = _by(owns, share, bound, bent=True) if line is not None and line.safe[0] > owns[0].span[1] else None
    return None if line is None else beyond_seen(line, bend, owns[0].span[1])


def left_of(own: Own) -> float:
    """The share that may be beyond of the containers that have lines of their own (0 to 1, or below)."""
    containers, once = len(np.unique(own.units)), own.drawn_once if own.again else 0
    return (own.share * containers - once) / (containers - once) if containers > once else 0.0


def _by(owns: Sequence[Own], share: float, bound: float, *, bent: bool) -> Passing | None:
    """When more than ``share`` of the containers lies beyond, by lines or by lines with a bend."""
    laws = [_law(own, bent=bent) for own in owns]
    known, first = [law for law in laws if law is not None], owns[0]
    if len(known) < len(laws):
        return None
    return share_passes(known, first.edges, share, alpha=first.alpha, beyond=[o.beyond for o in owns], span=first.span,
                        stop=bound)


def _sampled(owns: Sequence[Own], levels: Sequence[list[str]], bound: float) -> Passing | None:
    """The share's times of the levels of a random factor; None with too few of them."""
    laws, first = [lots_laws(o.values, o.months, each, o.course) for o, each in zip(owns, levels, strict=True)], owns[0]
    known = [law for law in laws if law is not None]
    return None if not known else share_passes(known, first.edges, first.share, alpha=first.alpha, span=first.span, stop=bound)


@remembered
def simulated(owns: Sequence[Own], bound: float, seed: int) -> np.ndarray | None:
    """The share's fitted time in refits, from the rows that all pairs with the uppermost depth have; None with too few."""
    some = [own for own in owns if own.pair[0] == owns[0].pair[0]]
    rows = [{(str(u), str(d)): i for i, (u, d) in enumerate(zip(o.units, o.days, strict=True))} for o in some]
    shared = [key for key in rows[0] if all(key in r for r in rows)]
    values = np.array([o.values[[r[k] for k in shared]] for o, r in zip(some, rows, strict=True)])
    at, first = [rows[0][k] for k in shared], some[0]
    if not shared or same_ages(first.months[at]).max() < 1:
        return None
    if containers_law(values[:1], first.course, first.months[at], first.units[at]) is None:
        return None
    return bootstrap_share(values, first.course, first.months[at], first.units[at], first.edges, share=first.share,
                           stop=bound, seed=seed)
