"""The largest difference that does not matter: its edges, its scale, and the words in which differences are told.

Relative margins work on the natural-log scale: +-5 % means a ratio between 1/1.05 and 1.05, so that
lower/upper and upper/lower give one answer, and a factor of 2 one between a half and double; absolute margins work on the
raw scale. Everything that must
know on which scale an analyte is judged asks its margin: how a value enters (``to_scale``), how a mean comes
back (``to_level``), and what a difference on the scale of analysis is in per cent or in the analyte's unit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from studykit.core.interval import Interval
from studykit.study.definition import Margin as DeclaredMargin

Array = NDArray[np.float64]
Scale = Literal["raw", "log"]
DIGIT = 1e-9
"""Of the margin: what differs from it by less is equal to it, and rounded in binary only (10.4 - 10.1 is 0.3 and a little)."""


LARGEST_LOG = math.log(1e300)
"""Differences of logs beyond this have no ratio that a number can hold."""


def per_cent(log_ratio: float) -> float:
    """A difference of logs in per cent of the first; infinite beyond the largest number there is."""
    return 100 * math.expm1(log_ratio) if not log_ratio > LARGEST_LOG else math.inf


@dataclass(frozen=True, slots=True, kw_only=True)
class Margin:
    """The largest difference that does not matter, on the scale of analysis (low < 0 < high).

    ``scale`` "log": differences are natural logs of ratios and are told in per cent; "raw": in ``unit``, or, with a
    ``level`` above 0, in the analyte's unit and told in per cent of that level (``at``). ``ratio``: declared as a factor;
    it is judged on logs of one container's results too. Of a one-sided margin one of the two edges is infinite: it is about
    each zone against the mixed container, not about pairs of depths.
    """

    low: float
    high: float
    scale: Scale
    text: str
    unit: str = ""
    level: float = 0.0
    ratio: bool = False

    @classmethod
    def relative(cls, percent: float) -> Margin:
        """+-percent of the level, on the log scale: a ratio between 1/(1 + p/100) and 1 + p/100."""
        if not 0 < percent < 1e6:
            raise ValueError(f"percent must be a finite number above 0, but got {percent}")
        edge = math.log1p(percent / 100)
        return cls(low=-edge, high=edge, scale="log", text=f"±{percent:g} %", unit="%")

    @classmethod
    def factor(cls, factor: float) -> Margin:
        """A ratio between 1/factor and factor; differences are told in per cent: for 2 from -50 to 100 %."""
        if not 1 < factor < 1e6:
            raise ValueError(f"factor must be a finite number above 1, but got {factor}")
        edge = math.log(factor)
        return cls(low=-edge, high=edge, scale="log", text=f"a factor of {factor:g}", unit="%", ratio=True)

    @classmethod
    def absolute(cls, value: float, unit: str = "") -> Margin:
        """+-value in the unit of the analyte, on the raw scale."""
        if not 0 < value < math.inf:
            raise ValueError(f"value must be a finite number above 0, but got {value}")
        return cls(low=-value, high=value, scale="raw", text=f"±{value:g} {'' if unit == '1' else unit}".rstrip(), unit=unit)

    @classmethod
    def declared(cls, margin: DeclaredMargin, unit: str) -> Margin:
        """The margin of study.toml; ``unit`` of the analyte, for an absolute one."""
        if margin.side is not None:
            return cls.one_sided(margin, unit)
        if margin.relative_percent is not None:
            return cls.relative(margin.relative_percent)
        if margin.factor is not None:
            return cls.factor(margin.factor)
        return cls.absolute(float(margin.absolute or 0.0), unit)

    @classmethod
    def one_sided(cls, margin: DeclaredMargin, unit: str) -> Margin:
        """How far a zone may lie below (or above) the mixed container: 20 % below is a ratio of 0.8, above one of 1.2."""
        sign = -1 if margin.side == "below" else 1
        if margin.absolute is not None:
            edge = sign * margin.absolute
        elif margin.factor is not None:
            edge = sign * math.log(margin.factor)
        else:
            edge = math.log1p(sign * float(margin.relative_percent or 0.0) / 100)
        return cls(low=edge if sign < 0 else -math.inf, high=edge if sign > 0 else math.inf, text=margin.text(unit),
                   scale="raw" if margin.absolute is not None else "log", unit=unit if margin.absolute is not None else "%",
                   ratio=margin.factor is not None)

    @property
    def side(self) -> int:
        """0 for a margin on both sides, -1 where only what lies below counts, 1 where only what lies above does."""
        return 0 if math.isfinite(self.low) and math.isfinite(self.high) else 1 if math.isfinite(self.high) else -1

    def sized(self, difference: float) -> float:
        """How far a difference lies towards the margin: its size, or, of a one-sided margin, that way alone."""
        return self.side * difference if self.side else abs(difference)

    def passed(self, differences: ArrayLike) -> NDArray[np.bool_]:
        """Whether differences on its scale are larger; one that meets it to the digit is not, however it is rounded in binary.

        Of NaN: no.
        """
        with np.errstate(invalid="ignore"):
            return np.asarray(np.abs(np.asarray(differences, dtype=float)) > self.edge * (1 + DIGIT))

    @property
    def both(self) -> Margin:
        """The margin for what lies on the floor and for the whole, where a one-sided one counts on both sides with its size."""
        if not self.side:
            return self
        side = "below" if self.side < 0 else "above"
        text = f"{self.text.removesuffix(f' {side} the mixed container')} either way (of zones: {side} only)"
        return Margin(low=-self.edge, high=self.edge, scale=self.scale, text=text, unit=self.unit, level=self.level,
                      ratio=self.ratio)

    @property
    def exceeded(self) -> str:
        """What is beyond it, in words: 'differ between depths by more than 5 %'."""
        if self.side:
            return f"have a zone more than {self.text}"
        return f"differ between depths by more than {self.text.lstrip('±')}"

    @property
    def log(self) -> bool:
        """True where the analysis is on the natural-log scale."""
        return self.scale == "log"

    @property
    def edge(self) -> float:
        """The smaller of the two distances from zero to an edge, on the scale of analysis."""
        return min(-self.low, self.high)

    def to_scale(self, values: ArrayLike) -> Array:
        """Levels in the analyte's unit on the scale of analysis: natural logs (levels above 0), or as they are."""
        v = np.asarray(values, dtype=float)
        return np.asarray(np.log(v)) if self.log else v

    def to_level(self, value: float) -> float:
        """A mean from the scale of analysis in the analyte's unit."""
        return float(np.exp(value)) if self.log else float(value)

    def shown(self, difference: float) -> float:
        """A difference from the scale of analysis as told: per cent, or in the analyte's unit."""
        if self.log:
            return per_cent(difference)
        return 100 * difference / self.level if self.level else float(difference)

    def from_shown(self, difference: float) -> float:
        """The way back: a difference as told (per cent above -100, or unit) on the scale of analysis."""
        if self.log:
            return math.log1p(difference / 100)
        return difference * self.level / 100 if self.level else float(difference)

    def shown_interval(self, span: Interval) -> Interval:
        """An interval for a difference as told."""
        return Interval(low=self.shown(span.low), high=self.shown(span.high), level=span.level)

    @property
    def shown_edges(self) -> tuple[float, float]:
        """Both edges as told."""
        return self.shown(self.low), self.shown(self.high)

    def sd_at(self, sd: float, level: float) -> float:
        """A standard deviation in the analyte's unit on the scale of analysis: a share of the level on logs."""
        return sd / level if self.log else sd

    def shown_sd(self, sd: float) -> float:
        """A standard deviation as told: per cent of the level (100 times the SD of logs), or in the unit."""
        return 100 * sd if self.log else float(sd)

    def as_scatter(self, difference: float) -> float:
        """A difference as told, in the units in which a scatter is told: 100 times the log of the ratio, or as it is."""
        return self.shown_sd(self.from_shown(difference))

    def in_margins(self, difference: float) -> float:
        """A difference on the scale of analysis as a multiple of the margin, with its sign."""
        return difference / (self.edge if self.side else self.high if difference >= 0 else -self.low)

    def edge_at(self, level: float) -> float:
        """The upper edge as a difference in the analyte's unit at a level (above 0 for a margin in per cent)."""
        if self.side < 0:
            return -math.expm1(self.low) * level if self.log else self.edge
        return math.expm1(self.high) * level if self.log else self.edge

    def at(self, level: float) -> Margin:
        """The same margin for differences in the analyte's unit at a level: one in per cent stays told in per cent.

        A factor stays one: at half the level and at double it is not the same difference.
        """
        if not self.log or self.ratio:
            return self
        edge = self.edge_at(level)
        low, high = (-math.inf if self.side > 0 else -edge), (math.inf if self.side < 0 else edge)
        return Margin(low=low, high=high, scale="raw", text=self.text, unit=self.unit, level=level)


def around(amount: float, unit: str) -> str:
    """A margin in words from its upper edge: '±5 %', '±2 mg/kg', and from 100 % on 'a factor of 2.5'."""
    return f"a factor of {1 + amount / 100:.3g}" if unit == "%" and amount >= 100 else f"±{amount:.3g} {unit}"


__all__ = ["Interval", "Margin", "Scale", "around"]
