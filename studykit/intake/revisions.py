"""The same determination reported more than once: revisions, repeats and contradictions told apart.

A later report replaces an earlier one only by a mark: a later report date, a higher revision number,
or a mapping entry that names the files it revises. Both are kept. The same value again without a mark
is a repeat; another value without a mark is a contradiction, and neither value is taken. Where a later file reports half
of the bottles of an earlier one again, or more, and not one value as it was (nor all of them with more digits), the date
alone does not say whether they were corrected or determined once more.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from fnmatch import fnmatchcase
from itertools import pairwise

import numpy as np
import pandas as pd

from studykit.intake.columns import Table, keys

KEY = ["sample", "analyte", "replicate"]
SEVERAL = 2
"""Bottles, and at least half of those of the earlier file, that a later one may not change in all by its date alone (own
judgement): an amended report may hold its few corrections only."""
REVISION_COLUMNS = (
    "sample", "analyte", "replicate", "unit", "old_as_written", "old_value", "new_as_written", "new_value", "changed",
    "mark", "old_file", "old_row", "old_reported_on", "new_file", "new_row", "new_reported_on", "old_run", "new_run")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sorted:
    """Determinations after revision: positions of the current rows, their revision numbers, refusals, changes."""

    current: np.ndarray
    revision: np.ndarray
    refused: tuple[tuple[int, str, str], ...]
    revisions: pd.DataFrame


def file_ranks(revises: dict[str, str]) -> dict[str, int]:
    """Rank of each file: one more than the highest rank of the files that its entry says it revises.

    ``revises`` maps a file to the pattern of the files it replaces ('' for none). Raises ValueError
    where files revise each other in a circle.
    """
    ranks: dict[str, int] = {}

    def rank(file: str, path: tuple[str, ...]) -> int:
        if file in path:
            raise ValueError(f"{' and '.join(sorted(set(path)))} revise each other")
        if file not in ranks:
            older = [o for o in revises if revises[file] and o != file and fnmatchcase(o, revises[file])]
            ranks[file] = 1 + max((rank(o, (*path, file)) for o in older), default=-1)
        return ranks[file]

    for file in revises:
        rank(file, ())
    return ranks


def sort_revisions(rows: Table, considered: np.ndarray, ranks: dict[str, int]) -> Sorted:
    """Keep the newest report of each determination; refuse repeats and contradictions.

    ``rows`` has the columns taken from all files and ``base_file``, by which ``ranks`` gives the mark of the mapping;
    ``considered`` are the positions of those that are no question.
    """
    revision = np.maximum(rows["stated_revision"], 0)
    none = pd.DataFrame(columns=list(REVISION_COLUMNS))
    if not len(considered):
        return Sorted(current=considered, revision=revision, refused=(), revisions=none)
    key = keys([rows[c] for c in KEY])[considered]
    if key.max() > 8 * len(key):
        key = pd.factorize(key)[0]
    repeated = considered[np.bincount(key)[key] > 1]
    if not len(repeated):
        return Sorted(current=considered, revision=revision, refused=(), revisions=none)
    again = _with_marks(rows.at(repeated), repeated, ranks)
    again = again.sort_values(["rank", "stated_revision", "day"], kind="stable")
    refused: list[tuple[int, str, str]] = []
    lost: list[int] = []
    changes: list[tuple[object, ...]] = []
    numbers: dict[int, int] = {}
    again_of = again
    size = again.groupby(KEY, sort=False, observed=True)["rank"].transform("size")
    again = again.drop(index=_marked_pairs(again[size == 2], lost, changes, numbers))
    for _, group in again.groupby(KEY, sort=False, observed=True):
        _one(group, refused, lost, changes, numbers)
    if any(c[REVISION_COLUMNS.index("mark")] == "report date" for c in changes):
        bottles = rows.at(considered).frame()[["base_file", "sample"]].drop_duplicates()["base_file"].astype(str)
        held = {str(file): int(n) for file, n in bottles.value_counts().items()}
        _all_changed(again_of, held, refused, lost, changes, numbers)
    for i, number in numbers.items():
        revision[i] = number
    return Sorted(current=considered[~np.isin(considered, lost)], revision=revision, refused=tuple(refused),
                  revisions=pd.DataFrame(changes, columns=list(REVISION_COLUMNS)))


def _with_marks(rows: Table, at: np.ndarray, ranks: dict[str, int]) -> pd.DataFrame:
    """Rows as a frame with positions ``at`` as index, and what tells the newer report: rank by the mapping, and day."""
    out = rows.frame()
    out.index = pd.Index(at)
    out["rank"] = [ranks[str(f)] for f in out["base_file"]]
    days = out["reported_on"]
    out["day"] = np.where(days.isna(), -1, days.to_numpy().astype("datetime64[D]").astype("int64"))
    return out


def beside_lost(rows: Table, asked: Collection[int], lost: Table | None, lines: dict[tuple[str, str], str],
                ranks: dict[str, int]) -> dict[int, str]:
    """Position and reason of every row whose determination stands a second time where it could not be read.

    ``asked``: positions of rows that are a question; ``lost``: rejected rows, and blank ones, which count only where
    they are the newer report; ``lines``: lines not read. A row that is marked as newer than its lost twin is none.
    """
    at = _beside(rows, asked, lost, lines)
    if not len(at):
        return {}
    wanted = {(rows["sample"][i], rows["analyte"][i]) for i in at.tolist()}
    twins: dict[tuple[object, ...], list[pd.Series]] = {}
    places = np.array(sorted(asked), dtype=int)
    parts = [_with_marks(rows.at(places), places, ranks)] if asked else []
    parts += [_with_marks(lost, np.full(len(lost), -1), ranks)] if lost is not None else []
    for part in parts:
        for _, old in part[[p in wanted for p in zip(part["sample"], part["analyte"], strict=True)]].iterrows():
            twins.setdefault(tuple(old[c] for c in KEY), []).append(old)
    out: dict[int, str] = {}
    for i, row in _with_marks(rows.at(at), at, ranks).iterrows():
        place = lines.get((row["sample"], row["analyte"]), "")
        for old in twins.get(tuple(row[c] for c in KEY), []):
            if _later(old, row) if old["empty"] else not _later(row, old):
                place = _place(old)
        if place:
            out[int(str(i))] = f"is the same determination as {place}, which was not read: which of the two counts?"
    return out


def _beside(rows: Table, asked: Collection[int], lost: Table | None, lines: dict[tuple[str, str], str]) -> np.ndarray:
    """Positions of rows, neither asked about nor confirmed, with a sample and analyte that stand among the lost."""
    gone = set(lines) | {(rows["sample"][i], rows["analyte"][i]) for i in asked}
    if lost is not None:
        gone |= set(zip(lost["sample"].tolist(), lost["analyte"].tolist(), strict=True))
    if not gone:
        return np.zeros(0, dtype=int)
    there = rows["sample"].flags({s for s, _ in gone}.__contains__) & rows["analyte"].flags({a for _, a in gone}.__contains__)
    there &= ~rows["confirmed"].flags(bool)
    there[list(asked)] = False
    return np.array([i for i in np.flatnonzero(there).tolist() if (rows["sample"][i], rows["analyte"][i]) in gone], dtype=int)


def _marked_pairs(pairs: pd.DataFrame, lost: list[int], changes: list[tuple[object, ...]],
                  numbers: dict[int, int]) -> pd.Index:
    """Determinations reported exactly twice with a mark (a report sent again), all at once; returns their rows."""
    place = pairs.groupby(KEY, sort=False, observed=True).ngroup().to_numpy()
    order = np.argsort(place, kind="stable")
    old, new = pairs.iloc[order[0::2]], pairs.iloc[order[1::2]]
    by_rank = old["rank"].to_numpy() != new["rank"].to_numpy()
    by_number = old["stated_revision"].to_numpy() != new["stated_revision"].to_numpy()
    by_day = (old["day"].to_numpy() >= 0) & (new["day"].to_numpy() > old["day"].to_numpy())
    by_day &= ~_two_runs(old, new) & ~(_swapped(old) >= _swapped(new))
    mark = np.select([by_rank, by_number, by_day], ["mapping", "revision number", "report date"], "")
    old, new, mark = old[mark != ""], new[mark != ""], mark[mark != ""]
    same = (old["value"].to_numpy() == new["value"].to_numpy()) & (
        old["qualifier"].to_numpy(dtype=object) == new["qualifier"].to_numpy(dtype=object))
    lost.extend(int(i) for i in old.index)
    numbers.update(zip(new.index.tolist(), np.maximum(new["stated_revision"].to_numpy(), 1).tolist(), strict=True))
    changes.extend(zip(
        old["sample"], old["analyte"], old["replicate"], old["unit"], old["as_written"], old["value"], new["as_written"],
        new["value"], (~same).tolist(), mark.tolist(), old["source_file"], old["source_row"], old["reported_on"],
        new["source_file"], new["source_row"], new["reported_on"], old["run"], new["run"], strict=True))
    both: pd.Index = old.index.append(new.index)
    return both


def _same(a: pd.Series, b: pd.Series) -> bool:
    return bool(a["value"] == b["value"] and a["qualifier"] == b["qualifier"])


def _place(row: pd.Series) -> str:
    return f"raw/{row['source_file']} row {row['source_row']}"


def _later(new: pd.Series, old: pd.Series) -> str:
    """The mark by which one report replaces another; '' where there is none."""
    if new["rank"] != old["rank"]:
        return "mapping" if new["rank"] > old["rank"] else ""
    if new["stated_revision"] != old["stated_revision"]:
        return "revision number" if new["stated_revision"] > old["stated_revision"] else ""
    later = old["day"] >= 0 and new["day"] > old["day"] and not (new["run"] and old["run"] and new["run"] != old["run"])
    return "report date" if later and _swapped_day(old) < _swapped_day(new) else ""


def _two_runs(old: pd.DataFrame, new: pd.DataFrame) -> np.ndarray:
    """Whether both reports name a run, and not the same: two determinations rather than a revision."""
    a, b = (t["run"].to_numpy(dtype=object) for t in (old, new))
    return np.array([bool(x) and bool(y) and x != y for x, y in zip(a, b, strict=True)], dtype=bool)


def _swapped(rows: pd.DataFrame) -> np.ndarray:
    """The report day with day and month exchanged, where nothing proves which is which; else the day as it is."""
    return np.array([_swapped_day(r) for _, r in rows[["day", "reported_on", "unproved_day"]].iterrows()], dtype=np.int64)


def _swapped_day(row: pd.Series) -> int:
    if not row["unproved_day"]:
        return int(row["day"])
    day = pd.Timestamp(row["reported_on"])
    return int(np.datetime64(f"{day.year:04d}-{day.day:02d}-{day.month:02d}").astype("int64"))


def _one(group: pd.DataFrame, refused: list[tuple[int, str, str]], lost: list[int],
         changes: list[tuple[object, ...]], numbers: dict[int, int]) -> None:
    """Sort out one determination that was reported several times."""
    kept: list[pd.Series] = []
    for _, row in group.iterrows():
        old = kept[-1] if kept else None
        mark = _later(row, old) if old is not None else ""
        if old is None or mark:
            kept.append(row)
        elif _same(row, old):
            refused.append((int(str(row.name)), f"repeats {_place(old)}: the same determination with the same value",
                            "nothing is lost: one of them counts"))
            lost.append(int(str(row.name)))
        else:
            _contradiction(group, row, old, refused, lost)
            return
    for n, (old, new) in enumerate(pairwise(kept)):
        lost.append(int(str(old.name)))
        numbers[int(str(new.name))] = max(int(new["stated_revision"]), n + 1)
        changes.append((old["sample"], old["analyte"], old["replicate"], old["unit"], old["as_written"], old["value"],
                        new["as_written"], new["value"], not _same(old, new), _later(new, old), old["source_file"],
                        old["source_row"], old["reported_on"], new["source_file"], new["source_row"],
                        new["reported_on"], old["run"], new["run"]))


def _all_changed(again: pd.DataFrame, held: Mapping[str, int], refused: list[tuple[int, str, str]], lost: list[int],
                 changes: list[tuple[object, ...]], numbers: dict[int, int]) -> None:
    """Both reports are refused where a later file, by its date alone, has other values for all of several bottles.

    ``held``: bottles of each file. Determinations that stand in two files, once in each, are looked at.
    """
    base = dict(zip(again["source_file"].astype(str), again["base_file"].astype(str), strict=True))
    told = pd.DataFrame(changes, columns=list(REVISION_COLUMNS))
    told["old"], told["new"] = told["old_file"].map(base), told["new_file"].map(base)
    twice = again.groupby(KEY, observed=True)["rank"].transform("size").eq(2)
    pairs = {tuple(k) for k in again.loc[twice, KEY].itertuples(index=False)}
    once = np.array([tuple(k) in pairs for k in told[KEY].to_numpy()], dtype=bool)
    told = told[(told["mark"] == "report date") & (told["old"] != told["new"]) & once]
    told["finer"] = [_finer(*c) for c in told[["old_as_written", "old_value", "new_value"]].to_numpy()]
    asked: dict[tuple[object, ...], tuple[str, str]] = {}
    for files, own in told.groupby(["old", "new"], sort=False):
        bottles = own["sample"].nunique()
        if own["changed"].all() and not own["finer"].all() and bottles >= max(SEVERAL, held[str(files[0])] / 2):
            asked |= dict.fromkeys(map(tuple, own[KEY].to_numpy()), (str(files[0]), str(files[1])))
    changes[:] = [c for c in changes if tuple(c[:3]) not in asked]
    for key, group in again.groupby(KEY, sort=False, observed=True) if asked else ():
        if tuple(key) not in asked:
            continue
        old, new = (row for _, row in group.sort_values("day").iterrows())
        first, second = asked[tuple(key)]
        for row, other, when in ((old, new, "later"), (new, old, "earlier")):
            refused.append((int(str(row.name)), f"is reported a second time, {when}, in {_place(other)}, with another value "
                            f"({other['as_written']}), as all is that stands in both files: corrected, or determined again?",
                            f"ask the laboratory; then give {second} an entry of its own in intake.toml, whose file no "
                            f"other pattern serves: if corrected, with revises = \"{first}\"; if determined once more, with "
                            "replicate = 2 under its [file.constants]"))
            numbers.pop(int(str(row.name)), None)
        lost.extend(sorted({int(str(i)) for i in group.index} - set(lost)))


def _finer(written: str, old: float, new: float) -> bool:
    """Whether a value may be the earlier one told with more digits: it rounds to that as it was written."""
    number = re.search(r"\d+(?:[.,](\d+))?", str(written))
    if number is None:
        return False
    told = float(number[0].replace(",", "."))
    step = 10.0 ** -len(number[1] or "") * (abs(old) / told if told else 1.0)
    return abs(new - old) <= step / 2 * (1 + 1e-9)


def _contradiction(group: pd.DataFrame, row: pd.Series, old: pd.Series, refused: list[tuple[int, str, str]],
                   lost: list[int]) -> None:
    """All reports of a determination are refused where two of them differ without a mark."""
    names = {int(str(i)) for i in group.index}
    refused[:] = [r for r in refused if r[0] not in names]
    for i in group.index:
        other = row if i != row.name else old
        refused.append((int(str(i)), "is the same determination, with another value "
                        f"({other['as_written']}), as {_place(other)}, and nothing marks one as the revision",
                        "ask the laboratory; mark the newer with its report date, a revision number, or revises in "
                        "intake.toml; or give each its own replicate"))
    lost.extend(sorted(names - set(lost)))
