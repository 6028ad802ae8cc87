"""One analyte's own differences in one group by one pair of depths: what every line and time is worked out from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from studykit.ageing.courses import SAME_AGE, Course
from studykit.ageing.tied import Tie
from studykit.inference.margin import Margin
from studykit.study.ages import DAYS_A_MONTH

SLACK_DAYS = 7
"""A visit may take so long (own judgement): who was drawn that much before the last was drawn to the end."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Own:
    """One analyte's own differences in one group: values (n,) on the scale of analysis at ages in months.

    ``pair``: the upper and the lower depth; ``part``: its part of the level at which something is shown beyond.
    ``units``: the container of each row, ``lots``: its lot, ``days``: its visit as text; ``share``: of containers that may lie
    beyond (0 to 1); ``tied``: factors that its containers cannot tell apart.
    """

    analyte: str
    label: str
    pair: tuple[str, str]
    part: float
    margin: Margin
    unit: str
    course: Course
    alpha: float
    share: float
    values: np.ndarray
    months: np.ndarray
    units: np.ndarray
    lots: np.ndarray
    days: np.ndarray
    tied: tuple[Tie, ...] = ()

    @property
    def edges(self) -> tuple[float, float]:
        """The margin on the scale of analysis."""
        return self.margin.low, self.margin.high

    @property
    def beyond(self) -> float:
        """Level at which a limit is shown beyond."""
        return self.alpha * self.part

    @property
    def between(self) -> str:
        """The pair of depths in words."""
        return f"{self.pair[1]} against {self.pair[0]}"

    @property
    def again(self) -> bool:
        """True where containers were drawn at more than one visit."""
        return len(np.unique(self.units)) < len(self.units)

    @property
    def drawn_once(self) -> int:
        """How many containers were drawn at one visit only."""
        return int((np.unique(self.units, return_counts=True)[1] == 1).sum())

    @property
    def gone(self) -> np.ndarray:
        """Last ages, months, of the containers that were drawn again and not to the end."""
        days = pd.to_datetime(self.days, format="%Y-%m-%d", errors="coerce")
        each = pd.DataFrame({"unit": self.units, "age": self.months, "day": days})
        last = each.groupby("unit").max()
        slack = SAME_AGE * float(self.months.max())
        early = (last["day"].max() - last["day"]).dt.days > max(slack * DAYS_A_MONTH, SLACK_DAYS)
        ended = np.asarray(last["age"][early & (last["age"] < self.months.max() - slack)], dtype=float)
        return ended if self.again else ended[:0]

    @property
    def span(self) -> tuple[float, float]:
        """Youngest and oldest age observed, months."""
        return float(self.months.min()), float(self.months.max())
