"""Amounts as people write them, '5 %' or '2 mg/kg': the number never without its unit."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

import numpy as np

from studykit.core.errors import single
from studykit.core.units import parse_unit
from studykit.study.definition import Margin

_AMOUNT = re.compile(r"\s*(?:±|\+-|\+/-)?\s*"
                     r"([-\u2212+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*((?:(?<=\s)\S|[^\d\s.,]).*?)\s*$")

SIDES = {"below": "below", "low": "below", "lower": "below", "less": "below", "under": "below",
         "above": "above", "high": "above", "higher": "above", "more": "above", "over": "above"}
"""Words behind an amount that mean one side of the mixed container."""
_ONE_SIDE = re.compile(r"\s*(?:(?:not?\s+more\s+than|at\s+most|up\s+to)\s+)?"
                       rf"(\S|\S.*\S)\s+({'|'.join(SIDES)})(?:\s+(?:than\s+)?the\s+mixed\s+container)?\s*", re.I)
_SIGNED = re.compile(r"\s*(?:(?:not?\s+more\s+than|at\s+most|up\s+to)\s+)?([-\u2212+])\s*(\d.*?)\s*")
_OF_VALUE = re.compile(r"\s*(\S.*?\s*(?:%|per\s?cent))\s+of\s+(?:the\s+)?(?:value|level|result|reading)s?\s*", re.I)
_POINTS = re.compile(r"\s*(\S*\d)\s*(?:percentage|per\s?cent|%)?[\s-]*points?\s*", re.I)
_NUMBER = re.compile(r"\s*(\d+\.?\d*|\.\d+)\s*")
SHARES = frozenset({"%", "% (m/m)", "% (v/v)", "g/100 mL"})
"""Units in which a result is a share itself: beside it '5 %' could be per cent of the value or percentage points."""
BARE = frozenset({"pH", "1"})
"""Units whose numbers people write without one."""
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


def one_side(text: str) -> tuple[str, Literal["below", "above"]] | None:
    """The amount and the side of a margin such as '25 % below' or 'at most 25 % lower'; None where no side is written."""
    found = _ONE_SIDE.fullmatch(text)
    return (found[1], "below" if SIDES[found[2].casefold()] == "below" else "above") if found else None


def signed(text: str) -> str:
    """Why a margin with a sign ('-25 %') is not read: it could be meant on one side or on both; '' for one without a sign."""
    found = _SIGNED.fullmatch(text)
    if found is None:
        return ""
    side = "above" if found[1] == "+" else "below"
    return f"a sign does not say whether the other side counts too: write {found[2]} {side}, or {found[2]} for both sides"


def count(value: object, name: str, least: int = 1) -> int:
    """A whole number of at least ``least``; BadInput for anything else, true and false included."""
    if not isinstance(value, int | np.integer) or isinstance(value, bool) or value < least:
        raise single(name, f"must be a whole number, {least} or more", f"write for instance {name}={max(least, 2)}",
                     value=str(value))
    return int(value)


def margin_of(text: object) -> tuple[Margin, str]:
    """A declared margin and the unit of an absolute one ('' for per cent or 'a factor of 2'); BadInput for none.

    '20 % below' (or above, lower, higher; with or without 'the mixed container' behind it) is a margin on that side alone.
    """
    if isinstance(text, str) and (sided := one_side(text)):
        plain, unit = margin_of(sided[0])
        if plain.side:
            raise single("margin", "names a side twice", "write it once: 5 % below", value=text)
        return plain.model_copy(update={"side": sided[1]}), unit
    if isinstance(text, str) and (why := signed(text)):
        reason, _, remedy = why.partition(": ")
        raise single("margin", reason, remedy, value=text)
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


def measured(text: str, name: str, unit: str) -> tuple[float, bool]:
    """A number above 0 beside an analyte in ``unit``, and whether it is in per cent of the value.

    BadInput for another unit, and for '5 %' where the result is a share itself: '5 % of the value' and '5 points' are plain.
    """
    if found := _POINTS.fullmatch(text):
        if unit not in SHARES:
            raise single(name, f"points are for results in %, and this one is in {unit}", f"write '5 %' or '5 {unit}'",
                         value=text)
        return _above_0(amount(f"{found[1]} {unit}", name), name, text).value, False
    if (found := _NUMBER.fullmatch(text)) and unit in BARE:
        text = f"{found[1]} {unit}"
    if not re.search(r"\d", text):
        raise single(name, "there is no number in it, and this amount has no unit", ways(unit), value=text)
    if re.fullmatch(r"\s*\S*\d\s*", text):
        raise single(name, f"this amount has no unit, and it could be per cent or {unit}", ways(unit), value=text)
    plain = _OF_VALUE.fullmatch(text)
    given = _above_0(amount(plain[1] if plain else text, name), name, text)
    if given.relative and not plain and unit in SHARES:
        n, least = f"{given.value:g}", 50 - given.value
        of, points = (f" (50 to {50 - given.value / 2:g})", f" (50 to {least:g})") if least > 0 else ("", "")
        raise single(name, f"the result is in {unit} itself, so {n} % could be {n} % of its value{of}, or {n} percentage points"
                     f"{points}", f"write '{n} % of the value' or '{n} points'", value=text)
    if not given.relative and given.unit != unit:
        raise single(name, f"must be a number above 0 in % or in {unit}", ways(unit), value=text)
    return given.value, given.relative


def ways(unit: str) -> str:
    """How an amount is written beside an analyte in this unit, as a remedy."""
    if unit == "pH":
        return "write for instance '0.2 pH'"
    if unit in SHARES:
        return "write for instance '5 % of the value' or '2 points'"
    return f"write for instance '5 %' or '5{'' if unit == '1' else f' {unit}'}'"


def _above_0(given: Amount, name: str, text: str) -> Amount:
    if not 1e-12 <= given.value <= 1e12:
        raise single(name, "must be above 0" if given.value <= 0 else "must be from 1e-12 to 1e12", "correct the number",
                     value=text)
    return given


def margin_in(text: str, unit: str) -> Margin:
    """The margin in a text for an analyte in ``unit``, as of ``measured``, a factor or one side; BadInput as there."""
    if sided := one_side(text):
        if one_side(sided[0]):
            raise single("margin", "a side is named twice", "write it once: 5 % below", value=text)
        return margin_in(sided[0], unit).model_copy(update={"side": sided[1]})
    if _FACTOR.fullmatch(text) or signed(text):
        return margin_of(text)[0]
    value, relative = measured(text, "margin", unit)
    return margin_of(f"{value!r} %")[0] if relative else Margin(absolute=value)


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
