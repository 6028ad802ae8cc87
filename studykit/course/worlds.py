"""The worlds that a student counts in: the same as the lesson draws them, by their seed."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import Any

from studykit.core.errors import single


def chance_errors(p: float, worlds: int) -> float:
    """Three standard errors of a share counted over so many worlds."""
    return float(3 * (p * (1 - p) / worlds) ** 0.5)


class Drawn:
    """The last draw of each kind of world in one lesson, by its seed: for checks that are not told one."""

    def __init__(self) -> None:
        self._last: dict[Hashable, int] = {}

    def note(self, kind: Hashable, seed: int) -> None:
        """Keep in mind that the worlds of a seed were drawn."""
        self._last[kind] = seed

    def own(self, kind: Hashable, seed: int | None, count: Callable[[int], float]) -> float | None:
        """What ``count`` gives for the worlds of ``seed``, without one for those drawn last; None where none were."""
        which = self._last.get(kind) if seed is None else seed_of(seed)
        return None if which is None else count(which)

    def forget(self) -> None:
        """As in a fresh session."""
        self._last = {}


def seed_of(seed: Any) -> int:
    """A seed of a lesson: a whole number, 0 or more; BadInput otherwise."""
    if isinstance(seed, bool) or not hasattr(seed, "__index__") or seed < 0:
        raise single("seed", "is no whole number of 0 or more", "write one, such as 11, in the cell of the parameters",
                     value=repr(seed)[:40])
    return int(seed)
