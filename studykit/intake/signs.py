"""The decimal sign of a file and the grouping of its numbers: declared, or proved twice, or asked for.

An undeclared thousands sign is taken only where two readings agree on it: the text cannot be two results (its
parts differ too much to be repeats), and the grouped number fits its own column, or the nominal value. A plain
space, a line break and anything that could be two results is never a thousands sign unless declared.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

import numpy as np

from studykit.core.errors import Fault
from studykit.core.numbertext import MINUS, NumberFormat, one_of_each_shape, parse_number, tidy_text, unwrapped
from studykit.intake.columns import Table, Texts, others
from studykit.intake.headwords import ABOVE, BELOW
from studykit.intake.mapping import FileMapping
from studykit.intake.unitwords import split_unit

APART = 3.0
"""Parts of a text that differ by this factor are no repeats of one result (common practice, no source)."""
NEAR = 4.0
"""A grouped number lies within this factor of its column's middle, or of the nominal value."""
_THIN = "\u00a0\u2009\u202f\u2007\u2008"
_NARROW = "\u2009\u202f"
"""Spaces that typographers put between groups of digits (SI Brochure, 9th edition, 5.4.4) and nobody types by chance."""
_GROUPED = re.compile(rf"[+-]?[1-9][0-9]{{0,2}}(?:([,.'\u2019{_THIN}])[0-9]{{3}})(?:\1[0-9]{{3}})*(?:[.,][0-9]+)?")
_TWO = re.compile(r"[0-9](?:[^\S \u00a0\u2007\u2009\u202f]+|[ \u00a0]{2,})\s*[<>]?[0-9]")
_LIMIT = re.compile(rf"^(?:[\s<>=≤≥⩽⩾＜＞‹›]+|(?:{BELOW}|{ABOVE}) (?=[0-9]))", re.IGNORECASE)


def bare(text: str) -> str:
    """A text without its limit sign, with plain minus and apostrophe."""
    return _LIMIT.sub("", text).strip().replace(MINUS, "-").replace("\u2019", "'")


def _number_alone(text: str) -> str:
    """A text without limit sign, unit and uncertainty."""
    return re.split(r" ?(?:±|\+/?-)", bare(split_unit(unwrapped(tidy_text(text)))[0]))[0].lstrip("(")


def two_numbers(text: str) -> bool:
    """Whether a line break, a tab or several spaces stand between digits: two results in one cell."""
    return bool(_TWO.search(text.strip()))


def number_format(cells: Table, mapping: FileMapping, file: str) -> tuple[NumberFormat, str, list[Fault]]:
    """The signs of a file: as declared, or as its own texts prove; a fault where they prove nothing."""
    if mapping.decimal is not None:
        return NumberFormat(decimal=mapping.decimal, thousands=mapping.thousands), "declared", []
    texts = [*cells["text"].at(~cells["numeric"]).distinct(), *cells["limit"].distinct()]
    proofs, open_case = decimal_proofs(_number_alone(t) for t in one_of_each_shape(texts))
    if len(proofs) > 1:
        first, second = list(proofs.values())[:2]
        return NumberFormat(), "", [_ask(cells, file, second, f"{first!r} and {second!r} use different signs in one file",
                                         "no declaration reads both: ask the laboratory for the file with one decimal sign; "
                                         "declare decimal only where one of the two is no result")]
    if not proofs and open_case:
        return NumberFormat(), "", [_ask(cells, file, open_case, f"{open_case!r} can be read with a decimal or with a "
                                         "thousands sign, and no cell settles it")]
    if not proofs:
        return NumberFormat(), "no cell needs a sign", []
    sign, example = next(iter(proofs.items()))
    return NumberFormat(decimal=sign), f"detected from {example!r}", []


def _ask(cells: Table, file: str, value: str, reason: str,
         remedy: str = "declare decimal (and thousands) in this entry of intake.toml") -> Fault:
    """The question about the decimal sign, at the first cell that raises it."""
    at = np.flatnonzero(cells["text"].flags(lambda t: _number_alone(t) == value))
    place = {"row": int(cells["line"][at[0]]), "column": cells["where"][int(at[0])]} if len(at) else {}
    return Fault(file=file, value=value, reason=reason, **place, remedy=remedy)


def decimal_proofs(texts: Iterable[str]) -> tuple[dict[str, str], str]:
    """The decimal signs that texts prove, each with an example, and a text that proves neither."""
    proofs: dict[str, str] = {}
    open_case = ""
    for text in texts:
        found = re.fullmatch(r"[+-]?([0-9.,' \u00a0\u2009\u202f]*[0-9.,])(?:[eE][+-]?[0-9]{1,3})?", text)
        marks = [c for c in text if c in ".,"] if found else []
        if not found or not marks:
            continue
        last = re.search(r"([.,])([0-9]*)(?:[eE].*)?$", text)
        if last is None:
            continue
        head = text[:last.start()].lstrip("+-")
        if len(set(marks)) == 2:
            if marks.count(marks[-1]) == 1:
                proofs.setdefault(marks[-1], text)
        elif len(marks) > 1:
            open_case = open_case or text
        elif len(last[2]) != 3 or "e" in text.casefold() or not re.fullmatch(r"[1-9][0-9]{0,2}", head):
            proofs.setdefault(last[1], text)
        else:
            open_case = open_case or text
    return proofs, open_case


def ungroup(cells: Table, analytes: Texts, form: NumberFormat, nominal: Mapping[str, float]) -> dict[str, str]:
    """Texts with a thousands sign that two readings agree on, each with the same number without it.

    ``analytes``: the analyte of each cell ('' for none). Nothing where a thousands sign is declared: the declared
    one is then the only one.
    """
    if form.thousands:
        return {}
    out: dict[str, str] = {}
    column = cells["text"]
    if not any(_sign(t, form) for t in others(column.words, rf"[0-9]+(?:{re.escape(form.decimal)}[0-9]*)?")):
        return {}
    simple = re.compile(rf"[0-9]+(?:{re.escape(form.decimal)}[0-9]*)?").fullmatch
    grouped = column.flags(lambda t: not simple(t) and _sign(t, form))
    for k in np.unique(analytes.codes[grouped]) if grouped.any() else ():
        analyte = analytes.words[k]
        if analyte:
            out |= _column(column.at(analytes.codes == k).distinct(), form, nominal.get(analyte))
    return out


def _sign(text: str, form: NumberFormat) -> str:
    """The thousands sign of a text; '' where it has none or has it like a decimal sign."""
    found = _GROUPED.fullmatch(bare(text))
    return "" if not found or found[1] == form.decimal else found[1]


def _plain(text: str, sign: str) -> str:
    return text.replace("\u2019", "'").replace(sign, "")


def _column(texts: list[str], form: NumberFormat, nominal: float | None) -> dict[str, str]:
    """The grouped texts of one column without their sign, where that reading is borne out twice."""
    with_sign = {t: _sign(t, form) for t in texts if _sign(t, form)}
    if len(set(with_sign.values())) != 1:
        return {}
    sign = next(iter(with_sign.values()))
    values = {t: _value(_plain(t, sign), form) for t in texts}
    known = np.array([v for v in values.values() if v is not None and v > 0])
    long_plain = any(v is not None and v >= 1000 and t not in with_sign for t, v in values.items())
    middle = nominal if nominal else float(np.median(known)) if known.size else 0.0
    whole = all(form.decimal not in t for t in with_sign)
    other = "," if form.decimal == "." else "."
    enough = len(with_sign) >= 2 or nominal is not None or not whole
    if long_plain or not enough or not middle or (sign == other and whole and not nominal):
        return {}
    out = {}
    apart = sum(_apart(t, sign, form) for t in with_sign)
    for text in with_sign:
        value = values[text]
        near = value is not None and 1 / NEAR < value / middle < NEAR
        if near and (_apart(text, sign, form) or apart >= (1 if sign in _NARROW else 2) or apart * 2 >= len(with_sign)):
            out[text] = _plain(text, sign)
    return out


def _value(text: str, form: NumberFormat) -> float | None:
    return parse_number(bare(text), form).value


def _apart(text: str, sign: str, form: NumberFormat) -> bool:
    """Whether the parts of a grouped text are too different to be repeats of one result."""
    groups = [p for p in re.split(re.escape(sign), tidy_sign(text)) if p]
    parts = [float(p.replace(form.decimal, ".")) for p in groups]
    return any(g.startswith("0") for g in groups[1:]) or max(parts) / min(parts) > APART


def tidy_sign(text: str) -> str:
    """A text without outer blanks and limit sign, its inner blanks as they are."""
    return bare(text).lstrip("+-")
