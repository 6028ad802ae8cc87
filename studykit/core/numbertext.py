"""The text of a number: its value under a declared decimal and thousands sign, its digits, its safe form.

Nothing is guessed: a text that could be two numbers ('1.000' where the decimal sign is a comma) is
refused with what would settle it. Only ASCII digits count; '1_000', full-width digits, 'inf' and
'nan', all of which Python's own ``float`` takes, are refused.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

BLANKS = re.compile("[ \t\r\n\u00a0\u2000-\u200a\u202f\u3000\ufeff]+")
MINUS = "\u2212"
_ASK_LAB = "correct the cell with the laboratory"
_EXPONENT = "(?:[eE][+-]?[0-9]{1,3})?"
_LOOKS_NUMERIC = re.compile(rf"[+-]?[0-9][0-9.,'\u2019 ]*{_EXPONENT}|[+-]?[.,][0-9]+{_EXPONENT}")


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberFormat:
    """How a file writes numbers: decimal sign ('.' or ',') and thousands sign ('' for none)."""

    decimal: str = "."
    thousands: str = ""

    def __post_init__(self) -> None:
        if self.decimal not in (".", ","):
            raise ValueError(f"decimal must be '.' or ',', but got {self.decimal!r}")
        if self.thousands not in ("", ".", ",", " ", "'") or self.thousands == self.decimal:
            raise ValueError("thousands must be '', '.', ',', ' ' or an apostrophe, not the decimal sign, "
                             f"but got {self.thousands!r}")


POINT = NumberFormat()


@dataclass(frozen=True, slots=True, kw_only=True)
class Number:
    """A parsed number, or the reason why it cannot be one; ``rules`` names every reading that was applied."""

    value: float | None
    reason: str = ""
    remedy: str = ""
    rules: tuple[str, ...] = ()


def tidy_text(text: str) -> str:
    """The text without outer blanks, inner blanks of any kind as one plain space."""
    if text.isascii() and text.isprintable() and " " not in text:
        return text
    return BLANKS.sub(" ", text).strip(" ")


_AS_TEXT = re.compile(r"=\"([^\"]*)\"|'(?=[<>≤≥+\u2212-]? ?[0-9.,])(.*)")


def unwrapped(text: str) -> str:
    """A text without what makes a spreadsheet take it for text: ="16.1", or an apostrophe before a number."""
    found = _AS_TEXT.fullmatch(text)
    return text if not found else found[1] if found[1] is not None else found[2]


@lru_cache(maxsize=64)
def _patterns(form: NumberFormat) -> tuple[re.Pattern[str], re.Pattern[str]]:
    """A number without thousands signs, and one with them."""
    d, t = re.escape(form.decimal), re.escape(form.thousands)
    simple = rf"[+-]?(?:[0-9]+(?:{d}[0-9]*)?|{d}[0-9]+){_EXPONENT}"
    return re.compile(simple), re.compile(rf"[+-]?[1-9][0-9]{{0,2}}(?:{t}[0-9]{{3}})+(?:{d}[0-9]+)?")


def parse_number(text: str, form: NumberFormat = POINT) -> Number:
    """The value of a text under the declared signs.

    A typographic minus (U+2212) is read as '-', and that is named in ``rules``; so are thousands
    signs and a decimal comma. Where ``value`` is None, ``reason`` and ``remedy`` say why and what next.
    """
    shown = tidy_text(text)
    rules = []
    plain = shown.replace("\u2019", "'")
    if MINUS in plain:
        plain = plain.replace(MINUS, "-")
        rules.append("typographic minus read as -")
    simple, grouped = _patterns(form)
    if simple.fullmatch(plain):
        if form.decimal == "," and "," in plain:
            rules.append("decimal comma")
        number = plain.replace(form.decimal, ".")
    elif form.thousands and grouped.fullmatch(plain):
        rules.append(f"thousands sign {form.thousands!r}")
        if form.decimal == "," and "," in plain:
            rules.append("decimal comma")
        number = plain.replace(form.thousands, "").replace(form.decimal, ".")
    else:
        return _refusal(plain, form)
    value = float(number)
    if value in (float("inf"), float("-inf")):
        return Number(value=None, reason="is too large for a number", remedy=_ASK_LAB)
    if value == 0.0 and number.strip("+-0.") and re.search(r"[1-9]", re.split("[eE]", number)[0]):
        return Number(value=None, reason="is too small for a number", remedy=_ASK_LAB)
    return Number(value=value, rules=tuple(rules))


def _refusal(plain: str, form: NumberFormat) -> Number:
    """Why a text is not a number under these signs, and what would settle it."""
    words = {".": "point", ",": "comma", " ": "space", "'": "apostrophe", "": "none"}
    other = "," if form.decimal == "." else "."
    if not _LOOKS_NUMERIC.fullmatch(plain):
        remedy = "correct the cell, or give this word a meaning under [file.words]"
        return Number(value=None, reason="is not a number", remedy=remedy)
    marks = {m for m in plain if m in ".,' "} - {form.decimal}
    if marks - {form.thousands}:
        mark = other if other in marks else sorted(marks)[0]
        article = "an" if words[mark].startswith("a") else "a"
        reason = f"has {article} {words[mark]}, but the decimal sign of this file is a {words[form.decimal]}"
        reason += f" and its thousands sign is {'a ' + words[form.thousands] if form.thousands else 'none'}"
        remedy = f"declare thousands = {mark!r} if that is what it is, or correct decimal, in intake.toml"
        if not form.thousands and not _patterns(NumberFormat(decimal=form.decimal, thousands=mark))[1].fullmatch(plain):
            remedy = "no thousands sign stands so: ask the laboratory for one decimal sign in a file, or correct decimal"
    else:
        reason = "has its thousands signs in the wrong places"
        remedy = _ASK_LAB + ", or correct decimal and thousands in intake.toml"
    return Number(value=None, reason=reason, remedy=remedy)


@dataclass(frozen=True, slots=True, kw_only=True)
class FormatEvidence:
    """What the texts of a file say about its signs; ``form`` is None where they do not settle it."""

    form: NumberFormat | None
    reason: str
    example: str = ""


def detect_format(texts: Iterable[str]) -> FormatEvidence:
    """The decimal and thousands signs that the texts prove, or why they prove none.

    '9,8' proves a decimal comma and '1,234,567' a thousands comma, while '1,234' alone proves nothing:
    it is 1.234 or 1234, and a person has to declare which.
    """
    decimal: dict[str, str] = {}
    thousands: dict[str, str] = {}
    open_cases: dict[str, str] = {}
    for text in one_of_each_shape(texts):
        plain = tidy_text(text).replace("\u2019", "'").replace(MINUS, "-").lstrip("+-")
        if not _LOOKS_NUMERIC.fullmatch(plain):
            continue
        _evidence(plain, decimal, thousands, open_cases)
    for mark in " '":
        if mark in thousands and len(thousands) > 1:
            return _mixed(*list(thousands.values())[:2])
    if len(decimal) > 1:
        return _mixed(*decimal.values())
    signs = [m for m in thousands if m in ".,"]
    if len(signs) > 1 or set(decimal) & set(thousands):
        clash = (list(decimal.values()) + list(thousands.values()))[:2]
        return _mixed(*clash)
    group = next(iter(thousands), "")
    if group in open_cases:
        return FormatEvidence(form=None, example=open_cases[group],
                              reason=f"{open_cases[group]!r} beside {thousands[group]!r} can be read in two ways")
    if decimal:
        mark, example = next(iter(decimal.items()))
        return FormatEvidence(form=NumberFormat(decimal=mark, thousands=group), reason="proved",
                              example=example)
    if signs:
        mark = "," if group == "." else "."
        return FormatEvidence(form=NumberFormat(decimal=mark, thousands=group), reason="proved",
                              example=thousands[group])
    if open_cases:
        example = next(iter(open_cases.values()))
        return FormatEvidence(form=None, example=example,
                              reason=f"{example!r} can be read with a decimal or with a thousands sign, "
                                     "and no cell settles it")
    return FormatEvidence(form=NumberFormat(thousands=group), reason="no cell needs a sign")


def one_of_each_shape(texts: Iterable[str]) -> Iterable[str]:
    """The first text of each shape, where digits 1 to 9 are alike: only the shape can prove a sign."""
    alike = str.maketrans("123456789", "999999999")
    shapes: dict[str, str] = {}
    for text in texts:
        shapes.setdefault(text.translate(alike), text)
    return shapes.values()


def _mixed(first: str, second: str) -> FormatEvidence:
    return FormatEvidence(form=None, example=second,
                          reason=f"{first!r} and {second!r} use different signs in one file")


def _evidence(plain: str, decimal: dict[str, str], thousands: dict[str, str],
              open_cases: dict[str, str]) -> None:
    """Sort one numeric text into what it proves about the signs."""
    mantissa = re.split("[eE]", plain)[0]
    for mark in " '":
        if re.fullmatch(rf"[0-9]{{1,3}}(?:{mark}[0-9]{{3}})+(?:[.,][0-9]+)?", mantissa):
            thousands.setdefault(mark, plain)
    signs = [c for c in mantissa if c in ".,"]
    if not signs:
        return
    if len(set(signs)) == 2:
        group, point = re.escape(signs[0]), re.escape(signs[-1])
        if re.fullmatch(rf"[1-9][0-9]{{0,2}}(?:{group}[0-9]{{3}})+{point}[0-9]+", mantissa):
            decimal.setdefault(signs[-1], plain)
            thousands.setdefault(signs[0], plain)
        return
    mark = signs[0]
    if len(signs) > 1:
        if re.fullmatch(rf"[1-9][0-9]{{0,2}}(?:{re.escape(mark)}[0-9]{{3}})+", mantissa):
            thousands.setdefault(mark, plain)
    elif re.fullmatch(rf"[1-9][0-9]{{0,2}}{re.escape(mark)}[0-9]{{3}}", mantissa):
        open_cases.setdefault(mark, plain)
    else:
        decimal.setdefault(mark, plain)


def safe_cell(text: str) -> str:
    """The text in a form that no spreadsheet program runs as a formula: an apostrophe before = + - @ and tab.

    Plain numbers ('-3.2', '+5') stay as they are. Source: common practice against formula injection.
    """
    if text[:1] in "\t\r\n" and text:
        return "'" + text
    first = text.lstrip()[:1]
    if first and first in "=+-@\uff1d\uff0b\uff0d\uff20":
        if re.fullmatch(r"\s*(?:-|[+-]?[0-9]+(?:[.,][0-9]+)?(?:[eE][+-]?[0-9]{1,3})?)\s*", text):
            return text
        return "'" + text
    return text


def plain_cell(text: str) -> str:
    """The text as it was before `safe_cell`."""
    return text[1:] if text[:1] == "'" and safe_cell(text[1:]) == text else text
