"""Determinations that were numbered in the order of the file, and are not what the order says: questions.

A mean below two readings would be a third one, and a line under another bottle's code gives that bottle one too many.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Set

import numpy as np

from studykit.intake.columns import Table, keys
from studykit.intake.linedoubts import MOST_ROWS, ROUNDED, step_at

FEWEST = 3
"""Among fewer samples with as many determinations nothing is said of an analyte alone."""
FEWEST_ALIKE = 4
"""Among fewer samples one and the same value may be chance."""
BY_CHANCE = 0.002
"""So seldom chance may put the last reading on the mean of those before, for few samples to be asked about (no source)."""
LINES_BY_CHANCE = 0.01
"""So seldom chance may put second determinations on the means of the lines above them (no source)."""
IN_RHYTHM_BY_CHANCE = 0.1
"""The same where they stand below each so many lines and nowhere else (no source)."""
MOST_LOOKED_AT = 500
"""Of so many samples and analytes it is seen whether one place has their means."""
MOST_GROUPED = 8
"""Means of more lines than that are not looked for within a table."""
MOST = 0.6
"""So many of the second determinations must be the mean of the lines above them (no source)."""
NEARLY_ALL = 0.8
"""In so many of them the last must be the mean of those before (no source)."""


def replicate_questions(rows: Table) -> Iterator[tuple[int, str]]:
    """Position and reason of every row that is a question because of its place among the replicates."""
    yield from _in_order(rows)
    yield from _means_at_a_place(rows)


def line_mates(rows: Table, asked: Set[int]) -> Iterator[tuple[int, str]]:
    """The rest of the lines of second determinations, numbered in order, of which half of the results are questions.

    They are so in most of these lines: a scatter, a limit or a factor is no determination in any column.
    """
    wide = np.flatnonzero(rows["in_order"] & rows["layout"].flags("wide".__eq__)) if asked else np.zeros(0, dtype=int)
    if not len(wide) or len(wide) > MOST_ROWS:
        return
    told = np.array([i in asked for i in wide.tolist()], dtype=bool)
    numbers = rows["replicate"][wide]
    line = keys([rows["source_file"].at(wide), rows["source_row"][wide]])
    size, questions = np.bincount(line), np.bincount(line, weights=told)
    odd = (questions >= 1) & (2 * questions >= size)
    for n in np.unique(numbers[told]).tolist():
        if n > 1 and np.mean(odd[np.unique(line[numbers == n])]) >= MOST:
            yield from ((int(i), "stands on a line of which half of the results are questions, as on nearly all lines of these "
                         "determinations: no determination?") for i in wide[(numbers == n) & ~told])


def _in_order(rows: Table) -> Iterator[tuple[int, str]]:
    """The questions of determinations that were numbered in the order of the file."""
    at = np.flatnonzero(rows["in_order"])
    if not len(at) or int(rows["replicate"][at].max()) < 2:
        return
    yield from _means_of_lines(rows, at)
    key = keys([rows[c].at(at) for c in ("analyte", "source_file", "sample")])
    order = np.lexsort((rows["replicate"][at], key))
    begins = np.flatnonzero(np.diff(key[order], prepend=-1))
    groups = np.split(at[order], begins[1:])
    by_analyte: dict[tuple[int, int], list[np.ndarray]] = {}
    yield from _other_methods(rows, groups) if len(rows["method"].distinct()) > 1 else ()
    for group in groups:
        first = int(group[0])
        by_analyte.setdefault((int(rows["analyte"].codes[first]), int(rows["source_file"].codes[first])), []).append(group)
    constant: list[tuple[list[np.ndarray], set[int]]] = []
    few: dict[int, list[np.ndarray]] = {}
    for (_, file), own in by_analyte.items():
        sizes = np.array([len(g) for g in own])
        usual = int(np.bincount(sizes).argmax())
        alike = [g for g, n in zip(own, sizes, strict=True) if n == usual]
        if len(alike) >= FEWEST and usual > 1 and 2 * len(alike) > len(own):
            yield from _means(rows, alike, [g for g in own if len(g) < usual]) if usual > 2 else ()
            yield from _inner_means(rows, alike, [g for g in own if len(g) < usual])
            yield from _odd(own, sizes, usual)
            constant.append((alike, _constant(rows, alike)))
        elif usual > 2 and 2 * len(alike) > len(own):
            few.setdefault(file, []).extend(g for g in alike if np.ptp(rows["value"][g]) > 0)
    for together in few.values():  # of few samples all analytes of the file speak together
        yield from _unlikely_means(rows, together)
    for groups, same in constant:
        if len(groups) < FEWEST_ALIKE:  # only what all analytes, of more than one, have so
            same = set.intersection(*(s for _, s in constant)) if len(constant) > 1 else set()
        yield from ((int(g[n]), "is the same in all samples while the other determinations differ: a limit, or a target?")
                    for n in sorted(same) for g in groups)


def _means(rows: Table, groups: list[np.ndarray], fewer: list[np.ndarray]) -> Iterator[tuple[int, str]]:
    """The last of each group where nearly all are the mean of those before, and of those that lack a determination."""
    good = [g for g in groups if rows["plain"][g].all()]
    fits = [abs(rows["value"][g[:-1]].mean() - float(rows["value"][g[-1]])) <= _slack(rows, g) for g in good]
    if len(good) >= FEWEST and sum(fits) >= NEARLY_ALL * len(good):
        yield from ((int(g[-1]), "is the mean of the determinations before it, as in nearly all samples: no determination?")
                    for g in groups)
        yield from ((int(g[-1]), "is the last of too few determinations, where that of nearly all samples is the mean of those "
                     "before it: no determination?") for g in fewer)


def _means_at_a_place(rows: Table) -> Iterator[tuple[int, str]]:
    """Determinations at one and the same place that are the mean of the others of their sample, whatever numbers them.

    All analytes of a file speak together, by samples with as many determinations as most have.
    """
    key = keys([rows[c] for c in ("analyte", "source_file", "sample")])
    sizes = np.bincount(key)
    if not len(sizes) or int(sizes.max()) < FEWEST:
        return
    at = np.flatnonzero(sizes[key] >= FEWEST)
    order = at[np.lexsort((rows["replicate"][at], key[at]))]
    groups = np.split(order, np.flatnonzero(np.diff(key[order])) + 1)
    usual = int(np.bincount([len(g) for g in groups]).argmax())
    by_file: dict[int, list[np.ndarray]] = {}
    for group in groups:
        if len(group) == usual and rows["plain"][group].all():
            by_file.setdefault(int(rows["source_file"].codes[group[0]]), []).append(group)
    for own in by_file.values():
        for n in range(usual):
            if any(_all_means(rows, own[:MOST_LOOKED_AT], n, off) for off in (0.51, 1.01)):
                yield from ((int(g[n]), "is the mean of the other determinations of its sample, as in nearly all samples: no "
                             "determination?") for g in own)


def _all_means(rows: Table, groups: list[np.ndarray], n: int, most: float) -> bool:
    """Whether nearly all of the n-th readings (from 0) are the means of the others, more of them than chance would make.

    ``most``: how far off in last places; a mean may come from longer numbers than are shown.
    """
    fits, chance = np.zeros(len(groups), dtype=bool), np.ones(len(groups))
    for k, group in enumerate(groups):
        rest = np.delete(group, n)
        slack = most * min(step_at(rows, int(i)) for i in group) + 1e-9 * abs(float(rows["value"][group[n]]))
        if any(rows["shown"][int(i)] and _rounded_at(rows, int(i)) for i in rest):
            slack = max(slack, _slack(rows, np.append(rest, group[n])))
        spread = float(np.ptp(rows["value"][rest]))
        fits[k] = abs(float(rows["value"][rest].mean()) - float(rows["value"][group[n]])) <= slack
        chance[k] = min(1.0, 2 * slack / spread) if spread else 1.0
    return bool(fits.mean() >= NEARLY_ALL and np.prod(chance[fits]) < BY_CHANCE)


def _other_methods(rows: Table, groups: list[np.ndarray]) -> Iterator[tuple[int, str]]:
    """Determinations numbered in the order of the file that were made by several methods."""
    for group in groups:
        if len(set(rows["method"].codes[group].tolist())) > 1:
            words = " and ".join(sorted({rows["method"][int(i)] or "no name" for i in group}))
            yield from ((int(i), f"is one of several determinations by different methods ({words}): which of them counts?")
                        for i in group)


def _means_of_lines(rows: Table, at: np.ndarray) -> Iterator[tuple[int, str]]:
    """Lines of a wide table that are second determinations and the mean of so many lines above, all of them: group means."""
    wide = at[rows["layout"].at(at).flags("wide".__eq__) & rows["plain"][at]]
    if len(wide) > MOST_ROWS:
        return
    for file in np.unique(rows["source_file"].codes[wide]):
        own = wide[rows["source_file"].codes[wide] == file]
        lines, r = np.unique(rows["source_row"][own], return_inverse=True)
        places, c = np.unique(rows["place"][own], return_inverse=True)
        value, index = np.full((len(lines), len(places)), np.nan), np.full((len(lines), len(places)), -1)
        value[r, c], index[r, c] = rows["value"][own], own
        later = np.flatnonzero(np.isin(np.arange(len(lines)), r[rows["replicate"][own] > 1]))
        told = [i for i in later.tolist() if i and not np.array_equal(value[i], value[i - 1], equal_nan=True)]
        ranges = np.nanmax(value, axis=0) - np.nanmin(value, axis=0)
        for n in range(2, MOST_GROUPED + 1):
            known = [i for i in told if i >= n and lines[i] - lines[i - n] == n]  # where no line above was lost
            if not known:
                continue
            fits, chance = zip(*(_like_mean(rows, value[i - n:i], index[i], ranges / 2) for i in known), strict=True)
            by_chance = IN_RHYTHM_BY_CHANCE if all(fits) and _in_rhythm(later, n, len(lines)) else LINES_BY_CHANCE
            if np.mean(fits) >= MOST and np.prod(np.array(chance)[list(fits)]) < by_chance:
                words = f"is the mean of the {n} lines above, as the other second determinations are: a line that is no sample?"
                yield from ((int(i), words) for i in index[later].ravel() if i >= 0)
                break


def _in_rhythm(later: np.ndarray, n: int, lines: int) -> bool:
    """Whether second determinations stand below each n lines of a table and at its end, nowhere else: like group means."""
    due = list(range(n, lines, n + 1))
    return len(later) > 1 and later.tolist() in (due, [*due, lines - 1])


def _like_mean(rows: Table, above: np.ndarray, own: np.ndarray, least: np.ndarray) -> tuple[bool, float]:
    """Whether a line is the mean of those above in every column, and how often chance would make it so.

    ``least``: the range of values in each column that chance draws from at least.
    """
    chance, fits, there = 1.0, True, own >= 0
    for k in np.flatnonzero(there & ~np.isnan(above).any(axis=0)).tolist() if len(above) else ():
        step, spread = step_at(rows, int(own[k])), max(float(np.ptp(above[:, k])), float(least[k]))
        off = abs(float(above[:, k].mean()) - float(rows["value"][own[k]]))
        fits, chance = fits and off <= 0.51 * step + 1e-9 * abs(off), chance * min(1.0, 2 * step / spread if spread else 1.0)
    return bool(fits), chance


def _inner_means(rows: Table, groups: list[np.ndarray], fewer: list[np.ndarray]) -> Iterator[tuple[int, str]]:
    """What stands behind a mean of those before it, in nearly all groups: a scatter, or another number made of them.

    And all of those that lack a determination: which of them it is nobody knows.
    """
    for n in range(3, len(groups[0])):
        found = list(_means(rows, [g[:n] for g in groups], []))
        if found:
            yield from found
            yield from ((int(i), "stands behind the mean of the determinations before it: no determination?")
                        for g in groups for i in g[n:])
            yield from ((int(i), "is one of too few determinations, where a later one of nearly all samples is the mean of "
                         "those before it: no determination?") for g in fewer for i in g)
            return


def _unlikely_means(rows: Table, groups: list[np.ndarray]) -> Iterator[tuple[int, str]]:
    """The last of each group where all are the mean of those before, and so closely that chance hardly gives it."""
    good = [g for g in groups if rows["plain"][g].all() and np.ptp(rows["value"][g[:-1]]) > 0]
    off = [abs(rows["value"][g[:-1]].mean() - float(rows["value"][g[-1]])) for g in good]
    slack = [_slack(rows, g) for g in good]
    chance = np.prod([min(1.0, 2 * w / float(np.ptp(rows["value"][g[:-1]]))) for g, w in zip(good, slack, strict=True)])
    if good and chance < BY_CHANCE and all(o <= w for o, w in zip(off, slack, strict=True)):
        yield from ((int(g[-1]), "is the mean of the determinations before it, in all these samples: no determination?")
                    for g in groups)


def _constant(rows: Table, groups: list[np.ndarray]) -> set[int]:
    """Which determinations, from 0, are one and the same in all samples while another is not: a limit, or a target."""
    same = np.ptp(rows["value"][np.array(groups)], axis=0) == 0
    return set(np.flatnonzero(same).tolist()) if not same.all() else set()


def _slack(rows: Table, group: np.ndarray) -> float:
    """How far the last of some readings may lie off the mean of those before: more where these show less than they store."""
    own, step = float(rows["value"][group[-1]]), step_at(rows, int(group[-1]))
    shown = max(_rounded_at(rows, int(i)) for i in group[:-1])
    rounding: float = ROUNDED * shown / (12 * (len(group) - 1)) ** 0.5
    return 0.51 * step + 1e-9 * abs(own) + rounding


def _rounded_at(rows: Table, i: int) -> float:
    """The last place that a cell shows where it stores more; 0 where it shows all that it stores ('10.0' of 10)."""
    shown = rows["shown"][i]
    return step_at(rows, i, shown=True) if shown and len(_digits(shown)) < len(_digits(rows["as_written"][i])) else 0.0


def _digits(text: str) -> str:
    return re.sub("[^0-9]", "", text)


def _odd(groups: list[np.ndarray], sizes: np.ndarray, usual: int) -> Iterator[tuple[int, str]]:
    """Samples with more determinations than nearly all others, and then those with fewer too."""
    if (sizes > usual).any() and 2 * np.count_nonzero(sizes != usual) < len(sizes):
        for group, n in zip(groups, sizes.tolist(), strict=True):
            if n != usual:
                yield from ((int(i), f"stands under a sample with {n} determinations, where nearly all have {usual}: "
                             "does a line carry another sample's code?") for i in group)
