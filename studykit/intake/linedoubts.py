"""Lines of a wide table that are no sample, or whose cells have moved: questions, not results.

A last line may be the mean or the sum of those above under something that is also a sample code; a cell too few or
too many puts every later value of its line under another analyte's heading.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterator, Sequence, Set
from dataclasses import dataclass
from itertools import combinations, pairwise

import numpy as np

from studykit.core.errors import Fault
from studykit.intake.columns import Table, Texts, grouped, keys
from studykit.intake.signs import bare

MOST_ROWS = 5_000
FEW = 3
"""Of so many values a middle is not told from the exception."""
ROUNDED = 2.5
ENOUGH = 5
"""So many standard deviations a mean may lie off what rounded numbers give, and of how many of them (no source)."""
OFF, FAR, NEAR = 1.5, 8.0, 1.3
"""A moved value is off the middle of its own column by the first factor at least, off the other's by less than the last; where
a column has one other value only, by the second."""
LEAST, LIKELIER = 0.05, 9.0
"""Standard deviation of a column's logarithms that is taken at least; what a moved line gains in squared ones (no source)."""
_DAY = re.compile(r"[0-9]{1,4}[-./][0-9]{1,2}[-./][0-9]{1,4}")
_NUMBER = re.compile(r"[0-9](?:[0-9.,'\u00a0\u2009\u202f]| (?=[0-9]))*")
_OF_LINE = ("run", "run_order", "reported_on")
Asked = tuple[int, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sheet:
    """The determinations of one wide table: positions in the rows, and by position its line, column, value."""

    at: np.ndarray
    line: np.ndarray
    place: np.ndarray
    value: np.ndarray
    plain: np.ndarray
    lost: dict[int, list[Fault]]

    @property
    def last(self) -> int:
        """The last line of which anything is left; lost ones below it may be no samples either ('SD' below a mean)."""
        return int(self.line.max())


def line_questions(rows: Table, refused: Sequence[Fault], asked: Set[int] = frozenset()) -> Iterator[Asked]:
    """Position and reason of every row that is a question because of its line.

    ``refused``: what was rejected before; ``asked``: positions that are a question already.
    """
    wide = rows["layout"].flags("wide".__eq__)
    source = rows["source_file"]
    for k in np.flatnonzero(np.bincount(source.codes[wide], minlength=1)):
        at = np.flatnonzero(wide & (source.codes == k))
        if len(at) > MOST_ROWS:
            continue
        lost: dict[int, list[Fault]] = {}
        for fault in refused:
            if fault.file == source.words[k] and fault.row is not None:
                lost.setdefault(int(fault.row), []).append(fault)
        sheet = _Sheet(at=at, line=rows["source_row"][at], place=_columns(rows, at), value=rows["value"][at],
                       plain=rows["plain"][at], lost=lost)
        if len({*sheet.line.tolist(), *lost}) < 3:
            continue
        if len(np.unique(sheet.line)) == 1:
            yield from ((int(i), "stands in the one line that is left of its table: a line that is no sample, or whose cells "
                         "have moved?") for i in at)
        left = _without_asked(sheet, asked)
        for line in (left.last, int(left.line.min())):
            yield from _summary(rows, left, _strange(rows, left, line), line)
            yield from _written_finer(rows, left, line)
        yield from _without(rows, sheet)
        yield from _moved(rows, sheet, asked)
    for n in range(len(source.words)):
        if len(at := np.flatnonzero(source.codes == n)):
            yield from _exchanged(rows, at)


def _without_asked(sheet: _Sheet, asked: Set[int]) -> _Sheet:
    """The sheet as if the values that are a question already had been lost."""
    keep = np.array([i not in asked for i in sheet.at.tolist()], dtype=bool)
    if keep.all() or not keep.any():
        return sheet
    lost = {int(n): sheet.lost.get(int(n), []) for n in {*sheet.line[~keep].tolist(), *sheet.lost}}
    return _Sheet(at=sheet.at[keep], line=sheet.line[keep], place=sheet.place[keep], value=sheet.value[keep],
                  plain=sheet.plain[keep], lost=lost)


def _strange(rows: Table, sheet: _Sheet, line: int) -> bool:
    """Whether the code of a line has another form than those of all other lines, which are alike."""
    forms = {}
    for i, n in zip(sheet.at.tolist(), sheet.line.tolist(), strict=True):
        forms[n] = re.sub("[0-9]", "0", re.sub("[A-Za-z]", "A", rows["sample"][i]))
    own = forms.pop(line, "")
    return len({len(f) for f in forms.values()}) == 1 and len(own) != len(next(iter(forms.values())))


def _columns(rows: Table, at: np.ndarray) -> np.ndarray:
    """A number for each column, in the order of the file; of several tables in a sheet each heading has its own."""
    return np.asarray(rows["place"][at] * len(rows["where"].words) + rows["where"].codes[at])


def _summary(rows: Table, sheet: _Sheet, strange: bool, line: int) -> Iterator[Asked]:
    """The last line, or the first, where it is the mean, or the sum, of the others in every column.

    Where its code is strange among the others, one column that fits is enough. Lost lines below the last that is left may
    be no samples either.
    """
    others = (sheet.line != line) & (sheet.line <= sheet.last)
    end = np.flatnonzero(sheet.line == line)
    lines = len({*sheet.line[others].tolist(), *(n for n in sheet.lost if n < sheet.last and n != line)})
    steps = np.array([step_at(rows, i, shown=True) if p else 0.0 for i, p in zip(sheet.at.tolist(), sheet.plain, strict=True)])
    where = "above" if line == sheet.last else "below"
    for words in ("mean", "sum"):
        fits = [_fit(sheet, others & (sheet.place == sheet.place[j]), float(sheet.value[j]), step_at(rows, int(sheet.at[j])),
                     float(np.max(steps[sheet.place == sheet.place[j]])), words, lines) for j in end]
        known = [f for f in fits if f != "unknown"]
        sure = "sharp" in known or known.count("exact") > (words == "mean" and not strange)
        if lines > 2 and sure and "no" not in known:
            yield from ((int(sheet.at[j]), f"is the {words} of the lines {where} in every column: a line that is no sample?")
                        for j in end)


def _written_finer(rows: Table, sheet: _Sheet, line: int) -> Iterator[Asked]:
    """The last line, or the first, where two results and more have more decimals than all others of their column.

    All of its results lie within those: a mean that was worked out, perhaps of other lines than these.
    """
    end = np.flatnonzero(sheet.line == line)
    finer, within = 0, True
    for j in end.tolist():
        own = (sheet.line != line) & (sheet.place == sheet.place[j]) & sheet.plain
        if np.count_nonzero(own) <= FEW:
            return
        most = max(map(_places, _texts(rows, sheet.at[own])))
        finer += _places(rows["as_written"][sheet.at[j]]) > most
        within &= bool(sheet.value[own].min() < sheet.value[j] < sheet.value[own].max())
    if finer > 1 and within:
        yield from ((int(sheet.at[j]), "stands in a line that is written with more decimals than all others: a mean, and no "
                     "sample?") for j in end)


def _fit(sheet: _Sheet, own: np.ndarray, value: float, step: float, rounding: float, words: str, lines: int) -> str:
    """How a value fits the mean or sum of a column: 'sharp', 'exact', 'maybe', 'no', or 'unknown' where nothing is left.

    Cells that were not taken may be missing in the sum, or be anything from half the least to twice the largest value;
    limits count with their number or not at all. 'Sharp' is what chance would hit once in ten times at most. ``rounding``:
    the last place that is shown of the column: a mean may come from longer numbers than the file has, or from the shorter
    ones that it shows (`ROUNDED` standard deviations of the rounding of so many numbers). That counts where it is written
    finer than they are, or of `ENOUGH` numbers: of fewer with as many digits chance would fit too often.
    """
    others, limits = sheet.value[own & sheet.plain], sheet.value[own & ~sheet.plain]
    if others.size < 2:
        return "unknown"
    if not np.ptp(others) and others[0] == value:  # one and the same everywhere tells nothing
        return "maybe"
    slack = 0.51 * max(step, 1e-9 * abs(value))
    slack *= others.size if words == "sum" else 1  # what is added may be shown rounded
    finer = rounding > 1.5 * step or others.size >= ENOUGH
    loose = slack + finer * ROUNDED * rounding / (12 * others.size) ** 0.5 * (others.size if words == "sum" else 1)
    pools = (others, np.concatenate([others, limits]), np.concatenate([others, limits / 2]))
    off = min(abs((pool.mean() if words == "mean" else pool.sum()) - value) for pool in pools)
    if off <= slack:
        return "sharp" if others.size >= 3 and step < 0.1 * float(others.std()) else "exact"
    if off <= loose:
        return "exact"
    lost = max(lines - others.size, 0)
    rest = value * (others.size + lost if words == "mean" else 1) - float(others.sum())
    return "maybe" if lost and lost * float(others.min()) / 2 <= rest <= lost * float(others.max()) * 2 else "no"


def step_at(rows: Table, i: int, shown: bool = False) -> float:
    """The last place of a row's number as written, or as ``shown`` where its cell shows fewer digits than it stores."""
    return step_of((rows["shown"][i] if shown else "") or rows["as_written"][i], float(rows["value"][i]))


def step_of(text: str, value: float) -> float:
    """The last place of a number as written, in the unit of the value that was read from it."""
    found = _NUMBER.search(bare(text))
    digits = re.sub("[^0-9]", "", found[0]) if found else ""
    if value and digits.strip("0"):
        return abs(value) / int(digits)
    return float(10.0 ** -len((re.search(r"[.,]([0-9]*)$", bare(text)) or ["", ""])[1]))  # of a zero


def _without(rows: Table, sheet: _Sheet) -> Iterator[Asked]:
    """The last line where it lacks the run, the position or the day that every other line has, all that there is."""
    end = sheet.line == sheet.last
    if not end.any() or end.all():
        return
    lacking = []
    for name in _OF_LINE:
        empty = _empty(rows, name)[sheet.at]
        if empty[~end].any():
            continue
        if not empty[end].all():
            return
        lacking.append(name.replace("_", " "))
    if lacking:
        yield from ((int(i), f"stands in the last line, which has no {' and no '.join(lacking)}, as all others have: a line "
                     "that is no sample?") for i in sheet.at[end])


def _empty(rows: Table, name: str) -> np.ndarray:
    column = rows[name]
    if isinstance(column, Texts):
        return ~column.flags(bool)
    return np.asarray(np.isnat(column) if name == "reported_on" else np.isnan(column))


def _moved(rows: Table, sheet: _Sheet, asked: Set[int]) -> Iterator[Asked]:
    """Lines with a value too few where another one fits the column beside and not its own, or a day among the results.

    Also lines with a lost or doubted value that alone lack the run, the position or the day.
    """
    heads = {rows["where"].words[c] for c in np.unique(rows["where"].codes[sheet.at])}
    lines, at_line = np.unique(sheet.line, return_inverse=True)
    places, at_place = np.unique(sheet.place, return_inverse=True)
    if len(np.unique(rows["place"][sheet.at])) < len(places):  # several tables: their columns are not neighbours
        return
    values = np.full((len(lines), len(places)), np.nan)
    values[at_line, at_place] = np.where(sheet.plain & (sheet.value > 0), sheet.value, np.nan)
    there = np.zeros(values.shape, dtype=bool)
    there[at_line, at_place] = True
    gap = rows["gap"].flags(bool)[sheet.at]
    for r, n in enumerate(lines.tolist()):
        lost = sheet.lost.get(n, [])
        own = np.flatnonzero(at_line == r)
        doubted = bool(lost) or not asked.isdisjoint(sheet.at[own].tolist())
        lacks = bool(lost) or bool(np.isnan(values[r]).any()) or bool(gap[own].any())
        if not doubted and not lacks:
            continue
        day = next((f.value.strip() for f in lost if f.column in heads and _DAY.fullmatch(f.value.strip())), "")
        found = f"{day!r} stands among its results" if day else ""
        if not found and lacks:
            others = np.delete(values, r, axis=0)
            found = _beside(values[r], others) or _finer(rows, sheet, n) or _likelier(
                values[r], there[r], others, bool(gap[own].any()))
        if not found and doubted:
            found = next((f"it alone has no {name.replace('_', ' ')}" for name in _OF_LINE if len(lines) > 3
                          and (empty := _empty(rows, name)[sheet.at])[own].all() and not np.delete(empty, own).any()), "")
        if found:
            yield from ((int(sheet.at[j]), f"its line may have moved by a cell: {found}") for j in own)


def _exchanged(rows: Table, at: np.ndarray) -> Iterator[Asked]:
    """Two results of one sample of which each fits the other's analyte in the file, and not its own."""
    analyte = rows["analyte"].at(at)
    value = rows["value"][at]
    usable = (value > 0) & rows["plain"][at]
    each = {k: value[own] for k, own in grouped(analyte, usable).items() if len(own) > FEW}
    middle = {k: float(np.median(own)) for k, own in each.items()}

    def strays(a: int, b: int) -> bool:  # soon told of two columns
        return bool((_near(each[a], middle[b]) & ~_near(each[a], middle[a], OFF)).any())

    pairs = [(a, b) for a, b in combinations(each, 2)
             if not 1 / OFF < middle[a] / middle[b] < OFF and strays(a, b) and strays(b, a)]
    if not pairs:
        return
    cut, names = rows.at(at), ("sample", "replicate", "run", "stated_revision")
    _, line = np.unique(keys([cut[c] for c in names]), return_inverse=True)
    place = np.full((int(line.max(initial=-1)) + 1, len(rows["analyte"].words)), -1)
    place[line, analyte.codes] = np.arange(len(at))
    values = np.where((place >= 0) & usable[place], value[place], np.nan)
    for a, b in pairs:
        both = _near(values[:, a], middle[b]) & _near(values[:, b], middle[a])
        here, there = (rows["analyte"].words[k] for k in (a, b))
        for r in np.flatnonzero(both & ~_near(values[:, a], middle[a], OFF) & ~_near(values[:, b], middle[b], OFF)):
            yield from ((int(at[place[r, k]]), f"fits {other} of the other samples, and its {other} fits {name}: under "
                         "each other's names?") for k, name, other in ((a, here, there), (b, there, here)))


def _near(values: np.ndarray, middle: float, factor: float = 1.3) -> np.ndarray:
    """Whether values lie within a factor of a middle."""
    return np.asarray((values < middle * factor) & (values > middle / factor))


def _beside(own: np.ndarray, others: np.ndarray) -> str:
    """The first value that fits the middle of a column beside its own, and not that of its own; '' for none."""
    known = [c[~np.isnan(c)] for c in others.T]
    middle = [float(np.median(c)) if c.size else np.nan for c in known]

    def off(k: int, j: int) -> float:
        return max(own[k] / middle[j], middle[j] / own[k]) if 0 <= j < len(own) else np.nan

    for k in np.flatnonzero(~np.isnan(own)).tolist():
        for j in (k - 1, k + 1):
            least = OFF if known[k].size > 1 and 0 <= j < len(own) and known[j].size > 1 else FAR
            if off(k, k) >= least and off(k, j) < NEAR:
                return f"{own[k]:g} fits the column beside its own"
    return ""


def _finer(rows: Table, sheet: _Sheet, line: int) -> str:
    """The first value that is written finer than its own column, as fine as the column of the empty cell beside.

    It must lie outside its own column's range, and within a factor `NEAR` of the other's.
    """
    places = np.unique(sheet.place).tolist()
    at = {int(p): int(i) for p, i in zip(sheet.place[sheet.line == line], sheet.at[sheet.line == line], strict=True)}
    for a, b in [*pairwise(places), *((b, a) for a, b in pairwise(places))]:
        if a not in at or b in at:
            continue
        own, beside = (sheet.at[(sheet.place == p) & (sheet.line != line) & sheet.plain] for p in (a, b))
        text, value = rows["as_written"][at[a]], float(rows["value"][at[a]])
        if min(len(own), len(beside)) < FEW or not max(map(_places, _texts(rows, own))) < _places(text) == max(
                map(_places, _texts(rows, beside))):
            continue
        there, here = rows["value"][beside], rows["value"][own]
        if there.min() / NEAR < value < there.max() * NEAR and not here.min() <= value <= here.max():
            return f"{value:g} is written like the column beside its own"
    return ""


def _texts(rows: Table, at: np.ndarray) -> list[str]:
    return [rows["as_written"][int(i)] for i in at]


def _places(text: str) -> int:
    """How many decimals a text has."""
    return len((re.search(r"[0-9][.,]([0-9]+)$", bare(text)) or ["", ""])[1])


def _likelier(own: np.ndarray, there: np.ndarray, others: np.ndarray, gap: bool) -> str:
    """The first value of a run of cells that are likelier one column on, towards or away from an empty cell; '' for none.

    Distances are those of logarithms from the mean of the other lines, in their standard deviations (`LEAST` at least);
    with its cells where they stand a line must be `LIKELIER` worse in the sum of squares. ``there``: which cells have a
    result; ``gap``: the line lacks a cell outside the results.
    """
    m = len(own)
    with np.errstate(invalid="ignore", divide="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # of columns with no or one other value
        middle = np.nanmean(np.log(others), axis=0)
        spread = np.maximum(np.nanstd(np.log(others), axis=0, ddof=1), LEAST)
        far = (np.log(own)[:, None] - middle[None, :]) / spread[None, :]
    runs = [(1, range(end - 1, -1, -1)) for end in [k for k in range(1, m) if not there[k]] + [m] * gap]
    runs += [(-1, range(end + 1, m)) for end in range(m - 1) if not there[end]]
    for step, cells in runs:
        total = 0.0
        for k in cells:
            if 0 <= k + step < m and np.isfinite(far[k, k]) and np.isfinite(far[k, k + step]):
                total += min(far[k, k] ** 2, 100.0) - far[k, k + step] ** 2
                if total > LIKELIER and abs(far[k, k + step]) < 3:
                    return f"{own[k]:g} fits the column beside its own"
    return ""
