"""What a spreadsheet shows for a stored number: common number formats rendered, the others not guessed.

Read are sections (also under a condition), digits, grouping, scaling by commas and per cent, exponents and literal text of
number format codes (ECMA-376-1:2016, 18.8.31). Dates and fractions give None: such a cell is doubted.
No maintained Python library renders them (looked for in the package index; the one found rests since 2020).
"""

from __future__ import annotations

import operator
import re
from collections.abc import Callable
from decimal import ROUND_HALF_UP, Decimal

_TOKEN = re.compile(r'"([^"]*)"|\\(.)|_(.)|\*(.)|\[([^\]]*)\]|([#0?][#0?,]*)|(\.)|(E[+-])|(%)|(.)', re.IGNORECASE)
_CONDITION = re.compile(r"\[(<=|>=|<>|<|>|=)(-?[0-9.]+)\]")
_HOLDS: dict[str, Callable[[float, float], bool]] = {
    "<": operator.lt, ">": operator.gt, "=": operator.eq, "<=": operator.le, ">=": operator.ge, "<>": operator.ne}
_COLOURS = re.compile(r"(?i)(black|blue|cyan|green|magenta|red|white|yellow|color ?\d+|\$-[0-9a-f,]+)")
_SIGNS = ((".", ","), (",", "."), (".", " "), (",", " "), (".", "'"))
_PLAIN = " +-()/:$€£!~{}=<>'"


def shown_number(value: float, code: str) -> str | None:
    """The text that a stored number shows under a format code; None where the code is not one of those read here."""
    if code.strip().casefold() in ("", "general", "@", "standard"):
        return general(value)
    parts = _sections(code)
    if any(re.search(r"\[[<>=]", p) for p in parts):
        return _under_condition(value, parts)
    if len(parts) > 4:
        return None
    at = 1 if value < 0 and len(parts) > 1 else 2 if value == 0 and len(parts) > 2 else 0
    text = _section(abs(value), parts[at])
    return text if text is None or value >= 0 or at == 1 else "-" + text


def _under_condition(value: float, parts: list[str]) -> str | None:
    """The text of a number under a code such as '[<20]"<20";0.0'; None where no section without a condition is left."""
    for part in parts:
        found = _CONDITION.search(part)
        if found is None or _HOLDS[found[1]](value, float(found[2])):
            return _section(value, _CONDITION.sub("", part)) if value >= 0 and len(parts) < 4 else None
    return None


def general(value: float) -> str:
    """A number under the format General: eleven significant digits at most."""
    if value == int(value) and abs(value) < 1e11:
        return str(int(value))
    return format(value, ".10g")


def _sections(code: str) -> list[str]:
    return list(re.findall(r'((?:"[^"]*"|\\.|[^;"\\])*)(?:;|$)', code))[:-1] if code[-1:] != ";" else (
        [*re.findall(r'((?:"[^"]*"|\\.|[^;"\\])*);', code), ""])


def _section(value: float, code: str) -> str | None:
    """One section; the number stands where its first digit sign stands."""
    before, after, digits, per_cents = "", "", "", 0
    for quoted, escaped, pad, fill, bracket, run, point, power, per_cent, other in _TOKEN.findall(code):
        if bracket:
            if not _COLOURS.fullmatch(bracket):
                return None
        elif run or point or power:
            if after.replace("%", "", per_cents):
                return None
            digits += run + point + power.upper()
        elif not (pad or fill):
            text = quoted or escaped or per_cent or other
            per_cents += len(per_cent)  # one in quotes does not scale
            if other and other not in _PLAIN and other != ",":
                return None
            if other == ",":
                digits += ","
            elif digits:
                after += text
            else:
                before += text
    if "/" in re.sub(r'"[^"]*"', "", code) and re.search(r"[#?0] *[#?0]*/", code):
        return None
    number = _digits(value, digits, per_cents) if re.search(r"[#0?]", digits) else ""
    return None if number is None else before + number + after


def _digits(value: float, digits: str, per_cents: int) -> str | None:
    """The number under digit signs such as '#,##0.00', '0.0,' or '0.00E+00'."""
    found = re.fullmatch(r"([#0?,]*)(?:(\.)([#0?]*)(,*))?(?:(E[+-])([#0?]+))?", digits)
    if not found:
        return None
    whole, point, decimals, late, power, places = (g or "" for g in found.groups())
    scale = len(late) + len(whole) - len(whole.rstrip(","))
    whole = whole.rstrip(",")
    number = Decimal(repr(float(value))) * 100 ** per_cents / 1000 ** scale
    exponent = 0
    if power:
        exponent = number.adjusted() if number else 0
        number = number.scaleb(-exponent)
    shown = f"{number.quantize(Decimal(1).scaleb(-len(decimals)), ROUND_HALF_UP):f}"
    head, _, tail = shown.partition(".")
    least = len(decimals.rstrip("#?"))
    while len(tail) > least and tail.endswith("0"):
        tail = tail[:-1]
    head = head.rjust(len(re.sub(r"[^0]", "", whole)), "0") if head != "0" or "0" in whole else ""
    if "," in whole:
        head = f"{int(head or 0):,}"
    text = head + (point + tail if (point and (tail or decimals == "")) or tail else "")
    if power:
        sign = "-" if exponent < 0 else "+" if power.endswith("+") else ""
        text += "E" + sign + str(abs(exponent)).rjust(len(places), "0")
    return text


MORE = "shows more than a number"


def agrees(shown: str, value: float, local: bool = False) -> str:
    """'' where a displayed text is the stored number, rounded at most; otherwise in what they differ.

    ``local``: the display may be that of another language, with a decimal comma. A display that rounds away more
    than a twentieth of the number does not agree with it.
    """
    text = shown.strip().replace("\u2212", "-").replace("\u00a0", " ").replace("\u202f", " ").replace("\u2019", "'")
    readings = []
    for point, group in _SIGNS if local else _SIGNS[:1]:
        whole, rest = rf"[0-9]{{1,3}}(?:{re.escape(group)}[0-9]{{3}})+", rf"(?:{re.escape(point)}([0-9]*))?"
        found = re.fullmatch(rf"([+-]?)({whole}|[0-9]*){rest}(?:[eE]([+-]?[0-9]+))?", text)
        if found and (found[2] or found[3]):
            exponent = int(found[4] or 0)
            plain = f"{found[1]}{found[2].replace(group, '') or 0}.{found[3] or 0}"
            readings.append((float(plain) * 10.0 ** exponent, 0.5 * 10.0 ** (exponent - len(found[3] or ""))))
    if not readings:
        return MORE
    for read, half in readings:
        if abs(read - value) <= half * (1 + 1e-9) + 1e-12 * abs(value):
            return "" if abs(read - value) <= 0.05 * abs(value) else "is rounded in its display"
    return "shows another number"


def as_shown(shown: str, value: float, local: bool = False) -> str:
    """A displayed text as a cell with a decimal point would hold it: '3,51 %' as '3.51 %', '<1,000' as '<1000'; ' ' for none.

    ``local`` as in `agrees`: what the decimal sign is, is then told by the digits of the stored number; where they do not
    tell it, the text comes back with a question mark and is no number.
    """
    text = " ".join(shown.split()).replace("\u2019", "'")
    found = list(re.finditer(r"[0-9](?:[0-9.,' ]*[0-9])?", text))
    if len(found) != 1 or re.fullmatch("[0-9]+", found[0][0]):
        return text or " "
    readings = {p for point, group in (_SIGNS if local else _SIGNS[:1]) if (p := _pointed(found[0][0], point, group))}
    if len({float(p) for p in readings}) > 1:
        readings = {p for p in readings if _digits_of(float(p)).startswith(_digits_of(value)[:3])}
    plain = min(readings, key=len) if len({float(p) for p in readings}) == 1 else found[0][0] + "?"
    return text[:found[0].start()] + plain + text[found[0].end():]


def _pointed(digits: str, point: str, group: str) -> str:
    """Digits under a decimal and a grouping sign, written with a point; '' where these signs cannot be meant."""
    whole = rf"(?:[0-9]{{1,3}}(?:{re.escape(group)}[0-9]{{3}})+|[0-9]+)"
    found = re.fullmatch(rf"({whole})(?:{re.escape(point)}([0-9]+))?", digits)
    return "" if not found else found[1].replace(group, "") + (f".{found[2]}" if found[2] else "")


def _digits_of(value: float) -> str:
    """The figures of a number without its power of ten."""
    return f"{abs(value):.14e}".partition("e")[0].replace(".", "")
