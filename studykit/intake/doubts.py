"""Values that their own column, the other bottles or the nominal value do not bear out: questions, not results.

Looked at when every file has been read: a value many times off its analyte's column (a unit or a decimal sign), a
code for "missing" (9999), a spreadsheet's serial day, two results joined by a decimal sign, a power cut short; and
whole lines (`linedoubts`). A person answers each under [file.confirmed].
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence, Set
from itertools import chain, combinations

import numpy as np
import pandas as pd

from studykit.core.errors import Fault
from studykit.intake.bydepth import borne_out, by_analyte
from studykit.intake.columns import Table, Texts, grouped
from studykit.intake.linedoubts import line_questions
from studykit.intake.repeats import line_mates, replicate_questions
from studykit.intake.signs import bare
from studykit.study.definition import Study

FACTOR = 8.0
"""From this factor off its column a value is asked about (common practice, no source)."""
AGREE = 2.0
"""Sister analytes that stand within this factor of each other say at which level a bottle is (no source)."""
LEFT = 3
"""So many refused values to one that is left leave nothing that it could be compared with (no source)."""
FEW_LEVELS = 5
"""Among fewer values two levels cannot be told from an outlier."""
SLIP = 0.1
"""Levels a power of ten apart, by so many decades at most (no source)."""
NEAR = 1.5
"""Within this factor a column stands at a nominal value (no source)."""
MARGINS = 5.0
"""Within so many absolute margins of its column a value is not asked about: near zero a ratio says nothing."""
FEWEST_DAYS, MOST_DAYS = 4, 366
"""Of so many different whole parts, all with decimals from 01 to 12, chance makes less than one column in a thousand."""
SHORT = 24
"""Longer texts are no plain numbers."""
ORDINARY = ("spot", "duplicate", "split", "composite", "retained", "")
"""Kinds of samples whose values are compared; blanks, check fluids and heels are meant to differ."""
NINES = [10.0**k - 1 for k in range(3, 9)]
Question = tuple[np.ndarray, str]
_MISSING = re.compile(r"-?9{3,}(?:[.,]0*)?|-9+[.,]9+").fullmatch
_NINES = re.compile(r"9{2,}[.,]9+").fullmatch
_SERIAL = re.compile(r"[34][0-9]{4}|5[0-4][0-9]{3}").fullmatch
_DECIMAL = re.compile(r"[0-9]+(?:[.,]([0-9]*))?").fullmatch
_DAY_MONTH = re.compile(r"(?:0?[1-9]|[12][0-9]|3[01])[.,](?:0[1-9]|1[0-2])").fullmatch
_SHORT_POWER = re.compile(r"[0-9](?:[.,][0-9]?)?[eE][+-]?[0-9]+").fullmatch


def questions(rows: Table, kinds: dict[str, str], study: Study, refused: Sequence[Fault],
              places: pd.DataFrame) -> tuple[dict[int, str], list[int]]:
    """Position and reason of every row that is a question; confirmed rows are none. And rows that their container bears out.

    ``rows``: determinations taken from all files, in the study's units; ``kinds``: kind of each sample;
    ``refused``: what was rejected before; ``places``: of `bydepth.places_of`.
    """
    reason: dict[int, str] = {}
    far: dict[int, str] = {}
    levels: dict[int, str] = {}
    other = {s for s, kind in kinds.items() if kind not in ORDINARY}
    ordinary = ~rows["sample"].flags(other.__contains__) if other else np.ones(len(rows), dtype=bool)
    forms = _Forms(rows["as_written"].words)
    groups = _by_analyte(rows["analyte"], ordinary)
    number = rows["plain"]
    for name, at in groups.items():
        known = study.analytes[name]
        codes, value = rows["as_written"].codes[at], rows["value"][at]
        middle = _middle_of_others(value, number[at])
        asked = ((reason, _forms_of(forms, codes, value, number[at], middle)),
                 (far, _magnitude(value, rows["qualifier"], at, (middle, known.nominal), known.margin.absolute)),
                 (levels, _two_levels(value, number[at], known.nominal)),
                 (reason, _other_unit(rows["own_unit"].at(at), value, middle)))
        for into, found in asked:
            for mask, words in found:
                for i in at[mask].tolist():
                    into.setdefault(i, words)
    for i, words in _sisters(rows, groups, number):
        far.setdefault(i, words)
    borne = _borne_out(rows, groups, number, study, places, far, levels)
    for i, words in chain(far.items(), levels.items()):
        reason.setdefault(i, words)
    for i, words in chain(_exchanged(rows, groups, study), replicate_questions(rows)):
        reason.setdefault(i, words)
    for i, words in line_questions(rows, refused, set(reason)):
        reason.setdefault(i, words)
    for i, words in line_mates(rows, set(reason)):
        reason.setdefault(i, words)
    sure = rows["confirmed"].flags(bool)
    return {i: reason[i] for i in sorted(reason) if not sure[i]}, [i for i in borne if i not in reason]


def _borne_out(rows: Table, groups: dict[str, np.ndarray], number: np.ndarray, study: Study, places: pd.DataFrame,
               far: dict[int, str], levels: dict[int, str]) -> list[int]:
    """Rows whose depth bears out that they are far off; they are taken from ``far``, and whole columns from ``levels``."""
    out: list[int] = []
    for name, at in groups.items() if len(places) and far else ():
        own = by_analyte(far, at)
        borne = borne_out(rows, at[number[at]], own, places, study.analytes[name].nominal) if own else set[int]()
        for i in borne:
            far.pop(i)
        if own and len(borne) == len(own):
            for i in by_analyte(levels, at):
                levels.pop(i)
        out += sorted(borne)
    return out


def few_left(rows: Table, lost: Table | None, asked: Set[int]) -> dict[int, str]:
    """Position and reason of every row whose analyte has few others left in its file, beside many that were refused.

    ``lost``: refused rows whose determination is known, of which those count whose value could not be read or is in doubt;
    ``asked``: positions of rows that are a question. Nothing bears such a value out.
    """
    if lost is None or not len(lost):
        return {}
    unread = ~lost["empty"] & (np.isnan(lost["value"]) | (lost["value"] < 0) | lost["mark"].flags(bool))
    gone = Counter((lost["source_file"][i], lost["analyte"][i]) for i in np.flatnonzero(unread).tolist())
    gone.update((rows["source_file"][i], rows["analyte"][i]) for i in asked)
    out: dict[int, str] = {}
    for (file, analyte), count in gone.items():
        own = rows["source_file"].flags(file.__eq__) & rows["analyte"].flags(analyte.__eq__) & ~rows["confirmed"].flags(bool)
        left = [i for i in np.flatnonzero(own).tolist() if i not in asked]
        if left and count >= LEFT * len(left):
            out |= dict.fromkeys(left, f"is one of {len(left)} that are left of its analyte, beside {count} that were "
                                       "refused: is it right?")
    return out


def _by_analyte(analyte: Texts, ordinary: np.ndarray) -> dict[str, np.ndarray]:
    """The positions of each analyte's ordinary rows, in their order."""
    return {analyte.words[k]: at for k, at in grouped(analyte, ordinary).items()}


class _Forms:
    """What the form of each distinct text says, without the other rows; positions as in the column's words.

    ``decimals`` and ``digits`` (without a power and leading zeros) are -1 where a text is no number; ``joined`` has the
    digits of each of two whole numbers that a decimal sign joins and that differ by a tenth at most, else 0.
    """

    def __init__(self, words: list[str]) -> None:
        n, self.words = len(words), words
        self.missing, self.nines, self.serial, self.power, self.short_power = (np.zeros(n, dtype=bool) for _ in range(5))
        self.decimals, self.digits, self.joined = (np.zeros(n, dtype=np.int32) for _ in range(3))
        for k in self._all_but_plain(words):
            self._other(k, bare(words[k]))

    def _all_but_plain(self, words: list[str]) -> list[int]:
        """Places of the words that need a look each; decimals and digits of the others, by their characters at once.

        Plain are at most `SHORT` figures with one point between them, or none, that cannot be a code for a missing
        value, a day's number or two results: these begin with 9 and have three places or more before the point, or have
        five there, or as many as behind it.
        """
        short = "".join(words).isascii() and max(map(len, words), default=0) <= SHORT
        each = np.array(words if short else [w if len(w) <= SHORT and w.isascii() else "" for w in words], dtype=f"S{SHORT}")
        signs = each.view(np.uint8).reshape(len(words), SHORT)
        figure, point, length = (signs >= 48) & (signs <= 57), signs == 46, np.count_nonzero(signs, axis=1)
        points, figures = point.sum(axis=1), figure.sum(axis=1)
        head = np.where(points == 1, point.argmax(axis=1), length)
        tail = figures - head
        plain = (points <= 1) & (figures + points == length) & (head > 0) & ((points == 0) | (tail > 0))
        self.decimals[:] = tail
        self.digits[:] = (np.logical_or.accumulate(figure & (signs > 48), axis=1) & figure).sum(axis=1)
        return np.flatnonzero(~plain | ((head == 2) & (np.count_nonzero(signs == 57, axis=1) == figures)) | (
            (head >= 3) & (signs[:, 0] == 57)) | (head == 5) | (head == tail)).tolist()

    def _other(self, k: int, text: str) -> None:
        self.missing[k] = bool(_MISSING(text))
        self.nines[k] = bool(_NINES(text))
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


def _forms_of(forms: _Forms, codes: np.ndarray, value: np.ndarray, number: np.ndarray,
              middle: np.ndarray) -> Iterator[Question]:
    """The questions about how one analyte's rows are written; ``codes`` of their texts."""
    yield forms.missing[codes] & ~_among(value, number), "is written like a code for a missing value"
    far = (value < middle / 2) | (value > middle * 2)
    yield forms.nines[codes] & far, "is written in nines, like a code for a missing value"
    yield forms.serial[codes] & number & (value >= 36_526) & far, (
        "may be a date, stored as a spreadsheet's day number, and not a result")
    yield _days(forms, codes), "is written like a day and a month, as all of its column: 17.06 for 17.6?"
    yield _joined(forms, codes), "may be two results joined by a decimal sign"
    yield _cut(forms, codes), "is a power of ten with fewer digits than the others: cut short by a narrow column?"


def _days(forms: _Forms, codes: np.ndarray) -> np.ndarray:
    """All rows of a column that is written in days and months alone: a spreadsheet took its numbers for dates."""
    if (forms.decimals[codes[:MOST_DAYS]] != 2).any():  # soon told of a long column
        return np.zeros(codes.shape, dtype=bool)
    words = np.unique(codes)
    texts = [forms.words[k] for k in words.tolist()] if FEWEST_DAYS <= len(words) <= MOST_DAYS else []
    told = len({re.split("[.,]", t)[0] for t in texts}) >= FEWEST_DAYS and all(map(_DAY_MONTH, texts))
    return np.full(codes.shape, told)


def _among(value: np.ndarray, number: np.ndarray) -> np.ndarray:
    """Values that stand among others of their column: three or more and a quarter of those, not the same, within a tenth.

    Who writes 999 where nothing was measured does so where results are nowhere near.
    """
    good = value[number & (value > 0)]
    out = np.zeros(value.shape, dtype=bool)
    for v in np.unique(good[np.isin(good, NINES)]):
        others = good[good != v]
        near = np.count_nonzero(np.abs(others - v) <= 0.1 * v)
        out |= (value == v) & (near >= max(3, 0.25 * others.size)) & (good.size - others.size < near)
    return out


def _middle_of_others(value: np.ndarray, number: np.ndarray) -> np.ndarray:
    """For each row the median of the other positive numbers of the column; NaN where there is none."""
    good = number & (value > 0)
    own = value[good]
    n = own.size
    if n == 0:
        return np.full(value.shape, np.nan)
    if n == 1:
        return np.where(good, np.nan, own[0])
    low, high = (n - 2) // 2, (n - 1) // 2
    known = np.partition(own, sorted({low, low + 1, high, high + 1}))

    out = np.full(value.shape, (known[(n - 1) // 2] + known[n // 2]) / 2)

    def without(k: int) -> np.ndarray:
        return np.asarray(np.where(own <= known[k], known[k + 1], known[k]))

    out[good] = (without(low) + without(high)) / 2
    return out


def _magnitude(value: np.ndarray, qualifiers: np.ndarray, at: np.ndarray, levels: tuple[np.ndarray, float | None],
               margin: float | None) -> Iterator[Question]:
    """Values far off the column's middle or the nominal value; upper limits below and lower limits above them.

    ``at``: positions of the values' qualifiers; ``margin``: where it is not in per cent, `MARGINS` of it do not count.
    """
    middle, nominal = levels
    known: list[tuple[np.ndarray, str]] = [(middle, "the others of its column")]
    known += [(np.full(value.shape, nominal), "the nominal value")] if nominal else []
    for level, words in known:
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = value / level
        high, low = ratio >= FACTOR, ratio <= 1 / FACTOR
        if not (high.any() or low.any()):
            continue
        qualifier = qualifiers[at]
        asked = ((qualifier == "") & (value > 0) & (high | low)) | ((qualifier == ">") & low) | ((qualifier == "<") & high)
        asked &= np.abs(value - level) > MARGINS * (margin or 0.0)
        for factor in np.unique(np.round(np.log10(np.abs(ratio[asked])))) if asked.any() else ():
            near = asked & (np.round(np.log10(np.where(ratio > 0, ratio, 1.0))) == factor)
            side = "above" if factor > 0 else "below"
            yield near, f"is about {10 ** abs(float(factor)):,.0f} times {side} {words}: another unit or decimal sign?"
        nothing = (qualifier == "") & (value == 0) & (level > MARGINS * (margin or 0.0))
        yield nothing, f"is 0, far below {words}: nothing found, or not measured?"


def _two_levels(value: np.ndarray, number: np.ndarray, nominal: float | None) -> Iterator[Question]:
    """All values of a column of which a tenth or more lies a power of ten off the rest: which of the two is the unit?

    A known nominal value says which, and then only the others are asked about.
    """
    good = number & (value > 0)
    if nominal or np.count_nonzero(good) < FEW_LEVELS:
        return
    known = value[good]
    if known.max() < FACTOR * known.min():
        return
    power = np.log10(known / np.median(known))
    off = np.abs(power) > np.log10(FACTOR)
    steps = np.round(power[off])
    slip = bool(off.any()) and np.ptp(steps) == 0 and abs(float(np.median(power[off]) - steps[0])) < SLIP
    if slip and np.count_nonzero(off) >= max(2, 0.1 * len(power)):
        yield good, f"stands in a column with two levels, {10 ** abs(float(steps[0])):,.0f} times apart: which unit is right?"


def _exchanged(rows: Table, groups: dict[str, np.ndarray], study: Study) -> Iterator[tuple[int, str]]:
    """Rows of two analytes of one file that stand each at the other's nominal value: exchanged headings?"""
    known = {a: float(study.analytes[a].nominal or 0) for a in groups if study.analytes[a].nominal}
    if len(known) < 2:
        return
    source = rows["source_file"].codes
    for k in np.unique(source):
        own = {a: at for a in known if len(at := groups[a][source[groups[a]] == k])}
        middle = {a: float(np.median(rows["value"][at])) for a, at in own.items()}
        for a, b in combinations(own, 2):
            far = min(_apart(middle[a], known[a]), _apart(middle[b], known[b])) >= AGREE
            if far and max(_apart(middle[a], known[b]), _apart(middle[b], known[a])) <= NEAR:
                for i in (*own[a].tolist(), *own[b].tolist()):
                    yield i, f"{a} and {b} stand each at the nominal value of the other: are their headings exchanged?"


def _apart(value: float, level: float) -> float:
    """By which factor a value lies off a level."""
    return max(value / level, level / value) if value > 0 and level > 0 else np.inf


def _other_unit(unit: Texts, value: np.ndarray, middle: np.ndarray) -> Iterator[Question]:
    """Values whose unit is written otherwise than those of most others, and that are off these by a factor `AGREE`."""
    if len(unit.words) < 2 or len(set(unit.distinct())) < 2:
        return
    counts = np.bincount(unit.codes, minlength=len(unit.words))
    rare = (4 * counts <= len(value))[unit.codes]
    with np.errstate(divide="ignore", invalid="ignore"):
        off = (value >= AGREE * middle) | (value <= middle / AGREE)
    for k in np.unique(unit.codes[rare & off]):
        yield rare & off & (unit.codes == k), (f"stands in {unit.words[k]!r}, as few of its analyte, and is {AGREE:g} times or "
                                               "more off the others: was the number changed with the unit?")


def _upper_middle(counts: np.ndarray) -> int:
    """The middle one in order, the upper of two; 0 for none."""
    known = np.sort(counts[counts >= 0])
    return int(known[known.size // 2]) if known.size else 0


def _sisters(rows: Table, groups: dict[str, np.ndarray], number: np.ndarray) -> Iterator[tuple[int, str]]:
    """Rows whose analyte is many times off where the other analytes of the same bottle stand in their columns.

    Each value is taken by its analyte's middle; at least two sisters must stand within a factor `AGREE` of each other.
    ``groups``: the ordinary rows of each analyte; ``number``: which rows are no limits.
    """
    value = rows["value"]
    known = {a: at[number[at] & (value[at] > 0)] for a, at in groups.items()}
    known = {a: at for a, at in known.items() if len(at)}
    heights = {a: value[at] / np.median(value[at]) for a, at in known.items()}
    if len(known) < 3 or max(h.max() for h in heights.values()) < FACTOR * 0.99 * min(h.min() for h in heights.values()):
        return
    at = np.concatenate(list(known.values()))
    height = np.log10(np.concatenate(list(heights.values())))
    sample, analyte = rows["sample"].codes[at], rows["analyte"].codes[at]
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
    """Texts such as 338.341 where the other texts of the column have at least two decimals fewer.

    Three figures and more behind the sign are a question too, unless most texts of the column have as many and are not alike.
    """
    parts = forms.joined[codes]
    if not parts.any():
        return np.asarray(parts > 0)
    each = np.unique(codes)
    usual = forms.decimals[each]
    fewer = (np.count_nonzero(usual >= 0) >= 3) & (_upper_middle(usual) <= parts - 2)
    unlike = np.bincount(usual[(usual >= 0) & (forms.joined[each] == 0)], minlength=int(parts.max()) + 1)
    return np.asarray((parts > 0) & (fewer | ((parts >= 3) & (2 * unlike[parts] <= len(each)))))


def _cut(forms: _Forms, codes: np.ndarray) -> np.ndarray:
    """Powers of ten with at most two digits where the other texts have three or more."""
    short = forms.short_power[codes]
    if not short.any():
        return np.asarray(short)
    each = np.unique(codes)
    rare = np.count_nonzero(forms.power[each]) * 2 <= len(each)
    return np.asarray(short & rare & (_upper_middle(forms.digits[each]) >= 3))
