"""Values that their own column, the other bottles or the nominal value do not bear out: questions, not results.

Looked at when every file has been read: a value many times off its analyte's column (a unit or a decimal sign), a
code for "missing" (9999), a spreadsheet's serial day, two results joined by a decimal sign, a power cut short, a
last line that is the mean or the sum of those above. A person answers each under [file.confirmed].
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import numpy as np
import pandas as pd

from studykit.intake.delimited import factorize
from studykit.intake.signs import bare
from studykit.study.definition import Study

FACTOR = 8.0
"""From this factor off its column a value is asked about (common practice, no source)."""
MARGINS = 5.0
"""Within so many absolute margins of its column a value is not asked about: near zero a ratio says nothing."""
ORDINARY = ("spot", "duplicate", "split", "composite", "retained", "")
"""Kinds of samples whose values are compared; blanks, check fluids and heels are meant to differ."""
Question = tuple[np.ndarray, str]


def questions(rows: pd.DataFrame, kinds: dict[str, str], study: Study,
              refused: dict[str, set[int]]) -> list[tuple[int, str, str]]:
    """Position, reason and remedy of every row that is a question; confirmed rows are none.

    ``rows``: determinations taken from all files, in the study's units; ``kinds``: kind of each sample;
    ``refused``: lines of each source file of which something was rejected before.
    """
    if rows.empty:
        return []
    reason = np.full(len(rows), "", dtype=object)
    codes, samples = factorize(rows["sample"])
    ordinary = np.array([kinds.get(s, "") in ORDINARY for s in samples], dtype=bool)[codes]
    analyte = rows["analyte"].to_numpy(dtype=object)
    for name in pd.unique(analyte):
        at = np.flatnonzero((analyte == name) & ordinary)
        for mask, words in _column(rows.iloc[at], study.analytes[str(name)].nominal, study.analytes[str(name)].margin.absolute):
            fresh = at[mask & (reason[at] == "")]
            reason[fresh] = words
    _summaries(rows, reason, refused)
    reason[rows["confirmed"].to_numpy(dtype=object) != ""] = ""
    return [(int(i), str(reason[i]), _remedy(rows, int(i))) for i in np.flatnonzero(reason != "")]


def _remedy(rows: pd.DataFrame, i: int) -> str:
    place = f"{rows['sample'].iat[i]} {rows['analyte'].iat[i]}"
    return f'ask the laboratory; if it is right, write [file.confirmed] "{place}" = "who said so"'


def _column(own: pd.DataFrame, nominal: float | None, margin: float | None) -> Iterator[Question]:
    """The questions about one analyte's rows."""
    codes, texts = factorize(own["as_written"])
    plain = [bare(t) for t in texts]
    value, qualifier = own["value"].to_numpy(dtype=float), own["qualifier"].to_numpy(dtype=object)
    number = qualifier == ""

    def of(flags: list[bool]) -> np.ndarray:
        return np.array(flags or [False], dtype=bool)[codes] if len(texts) else np.zeros(0, dtype=bool)

    yield of([bool(re.fullmatch(r"-?9{3,}(?:[.,]0*)?|-9+[.,]9+", t)) for t in plain]), (
        "is written like a code for a missing value")
    middle = _middle_of_others(value, number)
    serial = of([bool(re.fullmatch(r"[34][0-9]{4}|5[0-4][0-9]{3}", t)) for t in plain])
    far = (value < middle / 2) | (value > middle * 2)
    yield serial & number & (value >= 36_526) & far, "may be a spreadsheet's number of a day (a date), not a result"
    yield of(_joined(plain)), "may be two results joined by a decimal sign: the others of its column have fewer decimals"
    yield of(_cut(plain)), "is a power of ten with fewer digits than the others: cut short by a narrow column?"
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


def _decimals(text: str) -> int | None:
    found = re.fullmatch(r"[0-9]+(?:[.,]([0-9]*))?", text)
    return len(found[1] or "") if found else None


def _joined(texts: list[str]) -> list[bool]:
    """Texts such as 338.341 where the other texts of the column have at least two decimals fewer."""
    usual = sorted(d for t in texts if (d := _decimals(t)) is not None)
    out = []
    for text in texts:
        found = re.fullmatch(r"([1-9][0-9]+)[.,]([0-9]{2,})", text)
        alike = bool(found) and len(found[1]) == len(found[2]) and abs(int(found[1]) - int(found[2])) <= 0.1 * int(found[1])  # type: ignore[index]
        fewer = len(usual) >= 3 and usual[len(usual) // 2] <= len(found[2]) - 2 if found else False
        out.append(alike and (fewer or len(found[1]) >= 3))  # type: ignore[index]
    return out


def _cut(texts: list[str]) -> list[bool]:
    """Powers of ten with at most two digits where the other texts have three or more."""
    digits = sorted(len(re.sub(r"[^0-9]", "", re.split("[eE]", t)[0]).lstrip("0")) for t in texts if re.search("[0-9]", t))
    usual = digits[len(digits) // 2] if digits else 0
    rare = sum("e" in t.casefold() for t in texts) * 2 <= len(texts)
    return [rare and usual >= 3 and bool(re.fullmatch(r"[0-9](?:[.,][0-9]?)?[eE][+-]?[0-9]+", t)) for t in texts]


def _summaries(rows: pd.DataFrame, reason: np.ndarray, refused: dict[str, set[int]]) -> None:
    """The last line of a wide sheet where it is the mean, or the sum, of the lines above in every analyte."""
    wide = (rows["layout"].to_numpy(dtype=object) == "wide") & (rows["qualifier"].to_numpy(dtype=object) == "")
    source = rows["source_file"].to_numpy(dtype=object)
    line = rows["source_row"].to_numpy()
    for file in pd.unique(source[wide]):
        own = np.flatnonzero(wide & (source == file))
        last = own[line[own] == line[own].max()]
        above = rows.iloc[own[line[own] < line[own].max()]]
        lines = set(above["source_row"]) | {n for n in refused.get(str(file), set()) if n < line[own].max()}
        if len(above) > 5_000 or len(lines) < 3:
            continue
        groups = {str(a): g["value"].to_numpy(dtype=float) for a, g in above.groupby("where", observed=True)}
        for words in ("mean", "sum"):
            hits = [_is_summary(rows.iloc[i], groups, words, len(lines)) for i in last]
            sure = words == "sum" or len(hits) > 1 or _fine(rows.iloc[last[0]], groups)
            if hits and all(hits) and sure:
                reason[last] = f"is the {words} of the lines above in every column: a line that is no sample?"


def _step(text: str) -> float:
    return 10.0 ** -len((re.search(r"[.,]([0-9]*)$", bare(text)) or ["", ""])[1])


def _is_summary(row: pd.Series, groups: dict[str, np.ndarray], words: str, lines: int) -> bool:
    """Whether a value is the mean or sum of a column; values that were not taken may be any between the others."""
    others = groups.get(str(row["where"]), np.zeros(0))
    if others.size < 2:
        return False
    lost = max(lines - others.size, 0)
    ends = [float(others.sum()) + lost * float(v) for v in (others.min(), others.max())]
    low, high = (e / (others.size + lost) for e in ends) if words == "mean" else ends
    slack = 0.51 * max(_step(str(row["as_written"])), 1e-9 * abs(high))
    return low - slack <= float(row["value"]) <= high + slack


def _fine(row: pd.Series, groups: dict[str, np.ndarray]) -> bool:
    others = groups.get(str(row["where"]), np.zeros(0))
    return others.size >= 3 and _step(str(row["as_written"])) < 0.1 * float(others.std())
