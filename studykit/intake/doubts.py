"""Values that their own column, the other bottles or the nominal value do not bear out: questions, not results.

Looked at when every file has been read: a value many times off its analyte's column (a unit or a decimal sign), a
code for "missing" (9999), a spreadsheet's serial day, two results joined by a decimal sign, a power cut short; and
whole lines (`linedoubts`). A person answers each under [file.confirmed].
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

import numpy as np

from studykit.core.errors import Fault
from studykit.intake.columns import Table
from studykit.intake.linedoubts import line_questions
from studykit.intake.signs import bare
from studykit.study.definition import Study

FACTOR = 8.0
"""From this factor off its column a value is asked about (common practice, no source)."""
AGREE = 2.0
"""Sister analytes that stand within this factor of each other say at which level a bottle is (no source)."""
MARGINS = 5.0
"""Within so many absolute margins of its column a value is not asked about: near zero a ratio says nothing."""
ORDINARY = ("spot", "duplicate", "split", "composite", "retained", "")
"""Kinds of samples whose values are compared; blanks, check fluids and heels are meant to differ."""
Question = tuple[np.ndarray, str]
_MISSING = re.compile(r"-?9{3,}(?:[.,]0*)?|-9+[.,]9+").fullmatch
_SERIAL = re.compile(r"[34][0-9]{4}|5[0-4][0-9]{3}").fullmatch
_DECIMAL = re.compile(r"[0-9]+(?:[.,]([0-9]*))?").fullmatch
_SHORT_POWER = re.compile(r"[0-9](?:[.,][0-9]?)?[eE][+-]?[0-9]+").fullmatch


def questions(rows: Table, kinds: dict[str, str], study: Study, refused: Sequence[Fault]) -> dict[int, str]:
    """Position and reason of every row that is a question; confirmed rows are none.

    ``rows``: determinations taken from all files, in the study's units; ``kinds``: kind of each sample;
    ``refused``: what was rejected before.
    """
    reason: dict[int, str] = {}
    ordinary = rows["sample"].flags(lambda s: kinds.get(s, "") in ORDINARY)
    forms = _Forms(rows["as_written"].words)
    analyte = rows["analyte"]
    for k in np.flatnonzero(np.bincount(analyte.codes)):
        at = np.flatnonzero((analyte.codes == k) & ordinary)
        known = study.analytes[analyte.words[k]]
        value, qualifier = rows["value"][at], rows["qualifier"][at]
        for mask, words in _column(forms, rows["as_written"].codes[at], value, qualifier, known.nominal, known.margin.absolute):
            for i in at[mask].tolist():
                reason.setdefault(i, words)
    for i, words in _sisters(rows, ordinary):
        reason.setdefault(i, words)
    for i, words in line_questions(rows, refused):
        reason.setdefault(i, words)
    sure = rows["confirmed"].flags(bool)
    return {i: reason[i] for i in sorted(reason) if not sure[i]}


class _Forms:
    """What the form of each distinct text says, without the other rows; positions as in the column's words.

    ``decimals`` and ``digits`` (without a power and leading zeros) are -1 where a text is no number; ``joined`` has the
    digits of each of two whole numbers that a decimal sign joins and that differ by a tenth at most, else 0.
    """

    def __init__(self, words: list[str]) -> None:
        n = len(words)
        self.missing, self.serial, self.power, self.short_power = (np.zeros(n, dtype=bool) for _ in range(4))
        self.decimals, self.digits, self.joined = (np.zeros(n, dtype=np.int32) for _ in range(3))
        for k, word in enumerate(words):
            head, sign, tail = word.partition(".")
            if not (word.isascii() and head.isdigit() and (tail.isdigit() or not sign)):
                self._other(k, bare(word))
                continue
            self.decimals[k], self.digits[k] = len(tail), len((head + tail).lstrip("0"))
            if len(head) == len(tail) or (len(head) >= 3 and head[0] == "9") or len(head) == 5:
                self._plain(k, head, tail)

    def _plain(self, k: int, head: str, tail: str) -> None:
        self.missing[k] = len(head) >= 3 and not head.strip("9") and not tail.strip("0")
        self.serial[k] = not tail and bool(_SERIAL(head))
        self.joined[k] = _alike(head, tail)

    def _other(self, k: int, text: str) -> None:
        self.missing[k] = bool(_MISSING(text))
        self.serial[k] = bool(_SERIAL(text))
        found = _DECIMAL(text)
        self.decimals[k] = len(found[1] or "") if found else -1
        head, _, tail = text.replace(",", ".").partition(".")
        self.joined[k] = _alike(head, tail) if (head + tail).isdecimal() else 0
        digits = re.sub("[^0-9]", "", re.split("[eE]", text)[0])
        self.digits[k] = len(digits.lstrip("0")) if digits else -1
        self.power[k] = "e" in text.casefold()
        self.short_power[k] = bool(_SHORT_POWER(text))


def _alike(head: str, tail: str) -> int:
    if len(head) != len(tail) or len(head) < 2 or head[0] == "0":
        return 0
    return len(head) if abs(int(head) - int(tail)) <= 0.1 * int(head) else 0


def remedy(rows: Table, i: int) -> str:
    """What answers the question about a row."""
    place = f"{rows['sample'][i]} {rows['analyte'][i]}"
    return f'ask the laboratory; if it is right, write [file.confirmed] "{place}" = "who said so"'


def _column(forms: _Forms, codes: np.ndarray, value: np.ndarray, qualifier: np.ndarray, nominal: float | None,
            margin: float | None) -> Iterator[Question]:
    """The questions about one analyte's rows; ``codes`` of their texts."""
    number = qualifier == ""
    yield forms.missing[codes], "is written like a code for a missing value"
    middle = _middle_of_others(value, number)
    far = (value < middle / 2) | (value > middle * 2)
    yield forms.serial[codes] & number & (value >= 36_526) & far, (
        "may be a spreadsheet's number of a day (a date), not a result")
    yield _joined(forms, codes), "may be two results joined by a decimal sign: the others of its column have fewer decimals"
    yield _cut(forms, codes), "is a power of ten with fewer digits than the others: cut short by a narrow column?"
    yield from _magnitude(value, qualifier, (middle, nominal), MARGINS * (margin or 0.0))


def _middle_of_others(value: np.ndarray, number: np.ndarray) -> np.ndarray:
    """For each row the median of the other positive numbers of the column; NaN where there is none."""
    good = number & (value > 0)
    known = np.sort(value[good])
    if known.size == 0:
        return np.full(value.shape, np.nan)
    n = known.size
    out = np.full(value.shape, float(np.median(known)))
    if n == 1:
        out[good] = np.nan
        return out
    place = np.searchsorted(known, value[good])

    def without(k: int) -> np.ndarray:
        return np.asarray(known[np.where(place <= k, k + 1, k)])

    low, high = (n - 2) // 2, (n - 1) // 2
    out[good] = (without(low) + without(high)) / 2
    return out


def _magnitude(value: np.ndarray, qualifier: np.ndarray, levels: tuple[np.ndarray, float | None],
               least: float) -> Iterator[Question]:
    """Values far off the column's middle or the nominal value; upper limits below and lower limits above them.

    ``least``: a distance that does not count, for margins that are not in per cent.
    """
    middle, nominal = levels
    for level, words in ((middle, "the others of its column"),
                         (np.full(value.shape, nominal if nominal else np.nan), "the nominal value")):
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = value / level
        high, low = ratio >= FACTOR, ratio <= 1 / FACTOR
        asked = ((qualifier == "") & (value > 0) & (high | low)) | ((qualifier == ">") & low) | ((qualifier == "<") & high)
        asked &= np.abs(value - level) > least
        for factor in np.unique(np.round(np.log10(np.abs(ratio[asked])))) if asked.any() else ():
            near = asked & (np.round(np.log10(np.where(ratio > 0, ratio, 1.0))) == factor)
            side = "above" if factor > 0 else "below"
            yield near, f"is about {10 ** abs(float(factor)):,.0f} times {side} {words}: another unit or decimal sign?"


def _upper_middle(counts: np.ndarray) -> int:
    """The middle one in order, the upper of two; 0 for none."""
    known = np.sort(counts[counts >= 0])
    return int(known[known.size // 2]) if known.size else 0


def _sisters(rows: Table, ordinary: np.ndarray) -> Iterator[tuple[int, str]]:
    """Rows whose analyte is many times off where the other analytes of the same bottle stand in their columns.

    Each value is taken by its analyte's middle; at least two sisters must stand within a factor `AGREE` of each other.
    """
    at = np.flatnonzero(ordinary & (rows["qualifier"] == "") & (rows["value"] > 0))
    sample, analyte = rows["sample"].codes[at], rows["analyte"].codes[at]
    if not len(at) or len(np.unique(analyte)) < 3:
        return
    height = np.log10(rows["value"][at].astype(float))
    for a in np.unique(analyte):
        height[analyte == a] -= np.median(height[analyte == a])
    table = np.full((len(rows["sample"].words), len(rows["analyte"].words)), np.nan)
    table[sample, analyte] = height
    spread = np.nanmax(table, axis=1, initial=-np.inf) - np.nanmin(table, axis=1, initial=np.inf)
    for n in np.flatnonzero(np.isin(sample, np.flatnonzero(spread >= np.log10(FACTOR)))):
        others = np.delete(table[sample[n]], analyte[n])
        others = others[~np.isnan(others)]
        off = abs(height[n] - np.median(others)) if len(others) > 1 else 0.0
        if off >= np.log10(FACTOR) and np.ptp(others) <= np.log10(AGREE):
            side = "above" if height[n] > np.median(others) else "below"
            yield int(at[n]), (f"is about {10 ** off:,.0f} times {side} what its sister analytes in this bottle suggest: "
                               "another unit or decimal sign?")


def _joined(forms: _Forms, codes: np.ndarray) -> np.ndarray:
    """Texts such as 338.341 where the other texts of the column have at least two decimals fewer."""
    parts = forms.joined[codes]
    if not parts.any():
        return np.asarray(parts > 0)
    usual = forms.decimals[np.unique(codes)]
    fewer = (np.count_nonzero(usual >= 0) >= 3) & (_upper_middle(usual) <= parts - 2)
    return np.asarray((parts > 0) & (fewer | (parts >= 3)))


def _cut(forms: _Forms, codes: np.ndarray) -> np.ndarray:
    """Powers of ten with at most two digits where the other texts have three or more."""
    short = forms.short_power[codes]
    if not short.any():
        return np.asarray(short)
    each = np.unique(codes)
    rare = np.count_nonzero(forms.power[each]) * 2 <= len(each)
    return np.asarray(short & rare & (_upper_middle(forms.digits[each]) >= 3))
