"""What a design would be able to say, in one call."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

from studykit.ageing import ahead
from studykit.ageing.courses import Course
from studykit.core.errors import single
from studykit.design import operating
from studykit.design.assumptions import side_of
from studykit.inference import Margin
from studykit.study.amounts import count, margin_of, on_margin, scatter_of
from studykit.study.definition import Assumption
from studykit.study.definition import Margin as Declared

PERCENT = Declared(relative_percent=1)


def chances(*, containers: int, depths: int, margin: str, repeatability: str, determinations: int = 1,
            profiles: str | None = None, difference: str | None = None, shape: str = "linear",
            alpha: float = 0.05) -> operating.OperatingCharacteristic:
    """The chance of each verdict for one analyte, before anybody samples.

    ``margin``, ``repeatability`` (standard deviation of one determination), ``profiles`` (standard deviation of
    the containers' own depth profiles) and ``difference`` (true lowest minus uppermost depth) are texts with
    their unit, '5 %' or '2 mg/kg'; a bare number is refused, because 5 could be either. '20 % below' or '20 % above' is a
    margin on that side of the mixed container alone, its zones taken as equal shares. ``shape`` is 'linear'
    or 'lowest only'. The words are those for the mean: for a whole stock, containers count on their own too, and with
    none of n beyond the margin at least 1 - alpha**(1/n) of the stock may be (22 % with 12).
    Raises BadInput for amounts of different kinds and for impossible counts.
    """
    declared, unit = margin_of(margin)
    scale, nothing = Margin.declared(declared, unit), "0 %" if declared.relative else f"0 {unit}"
    gradient = on_margin(difference or nothing, "difference", declared, unit, negative=True)
    expected = Assumption(s_r=scatter_of(repeatability, "repeatability", declared, unit),
                     sd_container_depth=on_margin(profiles or nothing, "profiles", declared, unit),
                     gradient=scale.as_scatter(gradient),
                     shape=_shape(shape))
    _check_alpha(alpha)
    size = operating.DesignSize(containers=count(containers, "containers"), depths=count(depths, "depths", 2),
                                replicates=count(determinations, "determinations"))
    return operating.chances(size, expected, scale.shown_sd(scale.edge), alpha=alpha, side=side_of(scale))


def _shape(text: str) -> Literal["linear", "lowest only"]:
    """A known shape; BadInput for any other text."""
    if text == "linear":
        return "linear"
    if text == "lowest only":
        return "lowest only"
    raise single("shape", "this shape is not known", "write 'linear' or 'lowest only'", value=str(text))


def _check_alpha(alpha: object) -> None:
    if isinstance(alpha, bool) or not isinstance(alpha, int | float) or not 0 < alpha < 0.5:
        raise single("alpha", "must lie between 0 and 0.5", "0.05 is usual", value=str(alpha))


def time_chances(*, containers: int, ages: Sequence[float], margin: str, repeatability: str, months_to_margin: float,
                 drawn: Literal["once", "again"] = "once", determinations: int = 1, profiles: str | None = None,
                 own_rates: str = "0 %", share: str = "20 %", depths: int = 3, shape: str = "linear",
                 alpha: float = 0.05) -> ahead.TimeChances:
    """How well growth with age, and the time to the margin, would be known, before anybody samples.

    ``ages``: months at which is drawn; ``drawn`` 'once': sister containers, each opened at one of them in turn, 'again':
    each container at all of them. ``months_to_margin``: when the difference between the lowest and the uppermost depth is
    guessed to pass the margin on average, on a straight line from filling. ``profiles``: standard deviation of the
    containers' own depth profiles; ``own_rates``: that of their rates, '20 %' of the mean; ``share``: of containers
    that may lie beyond the margin. Texts with their unit, ``depths`` and ``shape`` as for ``chances``.
    Raises BadInput for amounts of different kinds, impossible counts and ages that carry no line.
    """
    declared, unit = margin_of(margin)
    if declared.side:
        raise single("margin", "a one-sided margin is about zones against their mixed container, and time is told of the "
                     "difference between the lowest and the uppermost depth", "leave out the side", value=margin)
    scale, nothing = Margin.declared(declared, unit), "0 %" if declared.relative else f"0 {unit}"
    _check_alpha(alpha)
    _check_months(ages, months_to_margin)
    if drawn not in ("once", "again"):
        raise single("drawn", "this way is not known", "write 'once' or 'again'", value=str(drawn))
    plan = ahead.drawings(tuple(map(float, ages)), count(containers, "containers"), again=drawn == "again")
    rates, each = on_margin(own_rates, "own_rates", PERCENT, ""), count(determinations, "determinations")
    growth = ahead.Growth(margin=scale.shown_sd(scale.edge), passes=float(months_to_margin), own_rates=rates / 100,
                          cell=scatter_of(repeatability, "repeatability", declared, unit) / math.sqrt(each),
                          profiles=on_margin(profiles or nothing, "profiles", declared, unit), shape=_shape(shape))
    found = ahead.time_chances(plan, growth, Course(), alpha=alpha, share=_share(share), depths=count(depths, "depths", 2))
    if found is None:
        raise single("ages", "these ages and containers carry no line over time",
                     "two ages or more, and more containers than two", value=", ".join(f"{a:g}" for a in ages))
    return found


def _share(text: str) -> float:
    """A share of containers, '20 %', as 0 to 1; BadInput for anything that is no part of them."""
    percent = on_margin(text, "share", PERCENT, "")
    if not 0 < percent < 100:
        raise single("share", "must lie between 0 % and 100 %", "write '20 %'", value=text)
    return percent / 100


def _check_months(ages: Sequence[float], passes: float) -> None:
    """BadInput for ages that are none, below 0 or not finite, and for a time to the margin that is not above 0."""
    if isinstance(ages, str) or not len(ages) or not all(_month(a) and a >= 0 for a in ages):
        raise single("ages", "must be months of 0 or more", "write for instance ages=[4, 12, 20, 30]", value=str(ages))
    if not (_month(passes) and passes > 0):
        raise single("months_to_margin", "must be a number of months above 0", "write for instance 18", value=str(passes))


def _month(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
