"""Amounts as people write them, '5 %' or '2 mg/kg': the number never without its unit."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from studykit.core.errors import single
from studykit.core.units import parse_unit
from studykit.study.definition import Margin

_AMOUNT = re.compile(r"\s*(?:±|\+-|\+/-)?\s*"
                     r"([-\u2212+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*((?:(?<=\s)\S|[^\d\s.,]).*?)\s*$")

ONE_SIDE = re.compile(r"\s*(?:(?:not?\s+more\s+than|at\s+most|up\s+to)\s+)?"
                      r"(\S|\S.*\S)\s+(below|above)(?:\s+the\s+mixed\s+container)?\s*")
_FACTOR = re.compile(r"\s*(?:a\s+)?factor\s+(?:of\s+)?(\d+\.?\d*|\.\d+)\s*")


@dataclass(frozen=True, slots=True, kw_only=True)
class Amount:
    """A number with its unit; '%' is relative to the level."""

    value: float
    unit: str

    @property
    def relative(self) -> bool:
        """True for per cent."""
        return self.unit == "%"

    def __str__(self) -> str:
        return f"{self.value:g} {self.unit}"


def amount(text: object, name: str) -> Amount:
    """The amount written in ``text`` ('5 %', '2 mg/kg'); BadInput for a bare number or an unknown unit."""
    if isinstance(text, Amount):
        return text
    found = _AMOUNT.fullmatch(text) if isinstance(text, str) else None
    if found is None:
        raise single(name, "this amount has no unit, and 5 could be per cent or mg/kg", "write '5 %' or '5 mg/kg'",
                     value=str(text))
    try:
        unit = parse_unit(found[2])
    except ValueError as error:
        raise single(name, str(error), "write the unit as the laboratory does", value=str(text)) from None
    return Amount(value=float(found[1].replace("\u2212", "-")), unit=unit)


def count(value: object, name: str, least: int = 1) -> int:
    """A whole number of at least ``least``; BadInput for anything else, true and false included."""
    if not isinstance(value, int | np.integer) or isinstance(value, bool) or value < least:
        raise single(name, f"must be a whole number, {least} or more", f"write for instance {name}={max(least, 2)}",
                     value=str(value))
    return int(value)


def margin_of(text: object) -> tuple[Margin, str]:
    """A declared margin and the unit of an absolute one ('' for per cent or 'a factor of 2'); BadInput for none.

    '20 % below' (or above, with or without 'the mixed container' behind it) is a margin on that side alone.
    """
    if isinstance(text, str) and (sided := ONE_SIDE.fullmatch(text)):
        plain, unit = margin_of(sided[1])
        return plain.model_copy(update={"side": sided[2]}), unit
    if isinstance(text, str) and (found := _FACTOR.fullmatch(text)):
        if not 1.000001 <= float(found[1]) <= 1000:
            raise single("margin", "a factor must be above 1 and at most 1000", "2 allows from half to double", value=text)
        return Margin(factor=float(found[1])), ""
    given = amount(text, "margin")
    if given.value <= 0:
        raise single("margin", "a margin must be above 0", "write for instance '5 %'", value=str(text))
    if not given.relative:
        return Margin(absolute=given.value), given.unit
    if given.value >= 100:
        raise single("margin", "a margin in per cent must be below 100", "write 'a factor of 2' for from half to double, or "
                     "declare an absolute margin", value=str(text))
    return Margin(relative_percent=given.value), ""


def on_margin(text: object, name: str, margin: Margin, unit: str, *, negative: bool = False) -> float:
    """A scatter or difference in the kind of the margin: per cent beside per cent, else the same unit.

    BadInput for another unit, and for a value below 0 unless ``negative``.
    """
    given = amount(text, name)
    if given.relative != margin.relative or (not given.relative and given.unit != unit):
        wanted = "per cent, like the margin" if margin.relative else f"{unit}, like the margin"
        raise single(name, f"this must be in {wanted}", "write all amounts in the unit of the margin", value=str(text))
    if given.value < 0 and not negative:
        raise single(name, "a scatter cannot be below 0", "give the standard deviation", value=str(text))
    if given.relative and negative and given.value <= -100:
        raise single(name, "nothing can fall by 100 % or more", "write a smaller fall", value=str(text))
    return given.value


def scatter_of(text: object, name: str, margin: Margin, unit: str) -> float:
    """A standard deviation above 0 in the kind of the margin; BadInput for 0: no method repeats itself exactly."""
    value = on_margin(text, name, margin, unit)
    if value == 0:
        raise single(name, "must be above 0", "give the standard deviation of one determination", value=str(text))
    return value
