"""An interval with its level: what models, verdicts and pages hand to one another."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """Lower and upper limit with the level at which they were drawn; unpacks as (low, high)."""

    low: float
    high: float
    level: float

    def within(self, low: float, high: float) -> bool:
        """True where the whole interval lies strictly between low and high."""
        return low < self.low and self.high < high

    def beyond(self, low: float, high: float) -> bool:
        """True where the whole interval lies outside low to high, on one side."""
        return self.low > high or self.high < low

    def __iter__(self) -> Iterator[float]:
        return iter((self.low, self.high))
