"""Intake: the laboratory's files under raw/ into tidy/results.csv, nothing lost, nothing silently changed.

Rows in are rows taken plus rows rejected, always, and this is checked before anything is written.
A file that no mapping serves, a mapping without a file, and a file of another shape stop the intake
with every fault at once and leave the old tables as they were. Raw files are hashed and never edited.
"""

from __future__ import annotations

import shutil
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from studykit.core.errors import BadInput, Fault, single
from studykit.core.files import require_writable, sha256_of, table_bytes, write_bytes, write_json
from studykit.core.folders import exchange, restore
from studykit.intake import signing
from studykit.intake.bydepth import BORNE_OUT, places_of
from studykit.intake.columns import Table, Texts, joined
from studykit.intake.doubts import few_left, questions, remedy
from studykit.intake.mapping import RAW_FOLDER, Intake, assign, load_intake, raw_files, readme_faults, unread_files
from studykit.intake.onefile import FILE_COLUMNS, Take, take_file
from studykit.intake.reading import reading_files, reading_table, sheet_numbers
from studykit.intake.revisions import REVISION_COLUMNS, beside_lost, file_ranks, sort_revisions
from studykit.intake.rows import CellFault
from studykit.intake.values import RuleBook
from studykit.study.codes import colliding_codes
from studykit.study.columns import RESULTS, SAMPLES
from studykit.study.definition import Study

REJECTED_COLUMNS = ("file", "row", "column", "value", "reason", "remedy", "sample", "analyte")
TIDY_FOLDER = "tidy"
Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class IntakeOutcome:
    """What the intake took and what it did not.

    ``results`` follows the results table; ``rejected`` names file, row, column, value, reason, remedy, and
    sample and analyte where known; ``files`` has one row a file with how it was read and its counts; ``rules``
    every reading rule with its count; ``revisions`` every determination that was reported again; ``reading``
    makes the table of every cell beside what was read from it, as the reading sheets have it; ``not_accepted``
    what intake.toml accepts of the rejections, in words, where that is not all of them.
    """

    results: pd.DataFrame
    rejected: pd.DataFrame
    files: pd.DataFrame
    rules: pd.DataFrame
    revisions: pd.DataFrame
    reading: Callable[[], pd.DataFrame]
    accepted_reason: str
    not_accepted: str = ""

    @property
    def rows_in(self) -> int:
        """Determinations in the files, without names not used and blanks of stated meaning."""
        return int(self.files["rows_in"].sum())

    @property
    def taken(self) -> int:
        """Determinations taken, superseded ones included."""
        return int(self.files["taken"].sum())

    @property
    def complete(self) -> bool:
        """True where nothing was rejected, or the rejections were accepted with a reason."""
        return self.rejected.empty or bool(self.accepted_reason)

    def sentence(self) -> str:
        """The account of rows in one sentence."""
        old = int(self.files["superseded"].sum())
        text = (f"{self.rows_in:,} rows in = {self.taken:,} taken + {len(self.rejected):,} rejected; "
                f"{len(self.results):,} results")
        text += f" ({old:,} of the rows taken were superseded by a revision)" if old else ""
        if len(self.rejected) and self.accepted_reason:
            text += f"; the rejections are accepted: {self.accepted_reason}"
        return text + (f"; {self.not_accepted}" if self.not_accepted else "") + "."

    def named(self) -> list[str]:
        """The rejected rows by file, row, column and text, as ``accept_rejected_rows`` of intake.toml lists them."""
        return [f"{r['file']} row {'-' if pd.isna(r['row']) else r['row']}, {r['column']}: {r['value']}"
                for r in self.rejected.to_dict("records")]

    def faults(self) -> list[Fault]:
        """The rejected rows as faults, each with file, row, column, value, reason and remedy."""
        return [Fault(file=f"{RAW_FOLDER}/{r['file']}", row=None if pd.isna(r["row"]) else int(r["row"]), column=r["column"],
                      value=r["value"], reason=r["reason"], remedy=r["remedy"]) for r in self.rejected.to_dict("records")]

    def to_table(self) -> pd.DataFrame:
        """One row a file: layout, how it was read, and the account of its rows."""
        return self.files[[c for c in FILE_COLUMNS if c != "sha256"]].copy()


def run_intake(root: Path, study: Study, samples: pd.DataFrame, accept: str | None = None,
               progress: Progress | None = None) -> IntakeOutcome:
    """Read raw/ by intake.toml and write the tables under tidy/; see `IntakeOutcome`.

    ``samples`` is the samples table (column ``sample``); ``accept`` a reason to accept rejected rows,
    beside ``accept_rejected`` of intake.toml. BadInput lists every fault that refuses a file; nothing
    is written then.
    """
    outcome = read_intake(Path(root), study, samples, accept, progress)
    if progress is not None:
        progress("writing tidy/")
    _write(Path(root), outcome)
    return outcome


def read_intake(root: Path, study: Study, samples: pd.DataFrame, accept: str | None = None,
                progress: Progress | None = None) -> IntakeOutcome:
    """What `run_intake` would give, without writing anything."""
    intake = load_intake(root, study)
    names = raw_files(root)
    if not names:
        raise single(RAW_FOLDER, "there is no file from the laboratory", "put the files into raw/ as they came")
    pairs, faults = assign(intake, names)
    book = RuleBook()
    codes = list(map(str, samples["sample"].tolist()))
    kinds = dict(zip(samples["sample"].astype(str), samples["kind"].astype(str), strict=True)) if "kind" in samples else {}
    blanks = [s for s, kind in kinds.items() if kind == "blank"]
    faults += [replace(f, file=SAMPLES.file) for f in colliding_codes(codes)]
    faults += readme_faults(root, intake, codes)
    takes: list[Take] = []
    for k, (name, mapping) in enumerate(pairs):
        beside = [m for n, m in pairs if n == name and m is not mapping]
        part = take_file(root, name, mapping, study, codes, book,
                         {str(m.sheet) for m in beside if m.sheet} if beside else None,
                         [m.range for m in beside if m.sheet == mapping.sheet], blanks)
        takes += part
        if progress is not None:
            count = sum(t.info.get("rows_in", 0) for t in part)
            progress(f"{RAW_FOLDER}/{name}: {count:,} rows read ({k + 1} of {len(pairs)} files)")
    faults += dict.fromkeys(f for t in takes for f in t.faults)
    ranks = _ranks(pairs, faults)
    if faults:
        raise BadInput(faults, title="The intake cannot begin")
    outcome = _join(takes, ranks, book, kinds, study, (accept or intake.accept_rejected).strip(), intake, places_of(samples))
    outcome = replace(outcome, files=_with_unread(root, outcome.files))
    short = "" if accept or not outcome.accepted_reason else _not_accepted(outcome, intake.accept_rejected_rows)
    return replace(outcome, accepted_reason="", not_accepted=short) if short else outcome


def _with_unread(root: Path, files: pd.DataFrame) -> pd.DataFrame:
    """The files table with a line for each file under raw/ that is never read as results."""
    lines = [dict.fromkeys(FILE_COLUMNS, "") | dict.fromkeys(("rows_in", "taken", "rejected", "superseded"), 0)
             | {"file": name, "layout": "not read", "notes": why, "sha256": sha256_of(root / RAW_FOLDER / name)}
             for name, why in unread_files(root).items()]
    return pd.concat([files, pd.DataFrame(lines, columns=list(FILE_COLUMNS))], ignore_index=True) if lines else files


def _not_accepted(outcome: IntakeOutcome, rows: int | tuple[str, ...] | None) -> str:
    """By what the rejected rows are others than intake.toml accepts, in words; '' where it covers all of them."""
    if isinstance(rows, tuple):
        others = [n for n in outcome.named() if n not in rows]
        return f"{len(others):,} of them are none of those that intake.toml accepts, as {others[0]}" if others else ""
    return f"intake.toml accepts at most {rows:,} of them" if rows is not None and len(outcome.rejected) > rows else ""


def _ranks(pairs: list[tuple[str, Any]], faults: list[Fault]) -> dict[str, int]:
    """Which file revises which, by the mapping; a pattern that serves no other file is a fault."""
    revises = {name: mapping.revises or "" for name, mapping in pairs}
    try:
        ranks = file_ranks(revises)
    except ValueError as error:
        faults.append(Fault(file="intake.toml", column="revises", reason=str(error), remedy="correct revises"))
        return {}
    for name, pattern in revises.items():
        if pattern and ranks[name] == 0:
            faults.append(Fault(file="intake.toml", column="revises", value=pattern,
                                reason=f"no other file has such a name, for raw/{name} to revise",
                                remedy="correct revises, or remove it"))
    return ranks


def _join(takes: list[Take], ranks: dict[str, int], book: RuleBook, kinds: dict[str, str], study: Study,
          accepted: str, intake: Intake, places: pd.DataFrame) -> IntakeOutcome:
    """All files together: revisions sorted out, and the account of rows closed."""
    rejected = [f for t in takes for f in t.rejected]
    skipped = [f for t in takes for f in t.skipped]
    parts = [t.taken for t in takes if len(t.taken)]
    if not parts:
        empty = pd.DataFrame(columns=list(RESULTS.names))
        return IntakeOutcome(
            results=_typed(empty), reading=lambda: reading_table(None, np.zeros(0, int), np.zeros(0, int), rejected, skipped),
            rejected=_rejected_table(rejected), files=_account(takes, rejected, pd.DataFrame()), rules=book.to_table(),
            revisions=pd.DataFrame(columns=list(REVISION_COLUMNS)), accepted_reason=accepted if rejected else "")
    rows = joined(parts)
    rows["marks"] = _marks(rows)
    rows["base_file"] = rows["source_file"].renamed(
        [f if f in ranks else f.rpartition("#")[0] for f in rows["source_file"].words])
    asked, borne = questions(rows, kinds, study, rejected, places)
    rows["marks"] = _also(rows["marks"], borne)
    lost = _lost(takes, rows)
    asked |= few_left(rows, lost, asked.keys())
    asked |= beside_lost(rows, asked, lost, {k: v for t in takes for k, v in t.lines.items()}, ranks)
    everything = np.arange(len(rows))
    done = sort_revisions(rows, np.setdiff1d(everything, list(asked)) if asked else everything, ranks)
    refused = (*((i, why, remedy(rows, i)) for i, why in asked.items()), *done.refused)
    gone = np.zeros(len(rows), dtype=bool)
    gone[done.current] = True
    gone[[i for i, _, _ in refused]] = True
    rejected += [_late(rows, i, reason, what) for i, reason, what in refused]
    rows["revision"] = done.revision
    asks = intake.sign_readings or bool(intake.signed)
    sheets = reading_table(rows, done.current, np.flatnonzero(~gone), rejected, skipped) if asks else None
    current = done.current if sheets is None else _only_signed(rows, done.current, sheets, intake, rejected)
    for mark, count in done.revisions.groupby("mark").size().items() if len(done.revisions) else ():
        book.add(f"older report superseded by {mark}", int(str(count)), "")
    return IntakeOutcome(
        results=_results(rows, current),
        reading=lambda: sheets if sheets is not None else (
            reading_table(rows, done.current, np.flatnonzero(~gone), rejected, skipped)),
        rejected=_rejected_table(rejected), files=_account(takes, rejected, done.revisions), rules=book.to_table(),
        revisions=done.revisions, accepted_reason=accepted if rejected else "")


def _lost(takes: list[Take], rows: Table) -> Table | None:
    """The rejected and blank rows of all files, with the columns of those taken."""
    parts = [t.lost for t in takes if len(t.lost)]
    if not parts:
        return None
    lost = joined(parts)
    lost["base_file"] = lost["source_file"].renamed(
        [f if f in rows["base_file"].words else f.rpartition("#")[0] or f for f in lost["source_file"].words])
    return lost


def _only_signed(rows: Table, current: np.ndarray, sheets: pd.DataFrame, intake: Intake,
                 rejected: list[Fault]) -> np.ndarray:
    """The positions whose reading sheet is signed; the others are added to ``rejected``."""
    numbers = sheet_numbers(sheets)
    idle = signing.idle(intake, numbers)
    if idle:
        raise BadInput(idle, title="The intake cannot begin")
    lacking = signing.unsigned(intake, numbers)
    out = rows["source_file"].flags(lacking.__contains__)[current]
    for i in current[out].tolist():
        file = rows["source_file"][i]
        rejected.append(_late(rows, i, lacking[file], signing.remedy(file, numbers[file])))
    return np.asarray(current[~out])


def _marks(rows: Table) -> Texts:
    """What a reader should know of a value beside its number: its mark in the file, and whether it was confirmed."""
    mark, sure = rows["mark"], rows["confirmed"].flags(bool)
    words = [*mark.words, *((f"{w}, confirmed" if w else "confirmed") for w in mark.words)]
    return Texts(mark.codes + sure * len(mark.words), words).renamed(words)


def _also(marks: Texts, borne: list[int]) -> Texts:
    """Marks with that of values whose depth bears out that they are far off."""
    here = np.zeros(len(marks.codes), dtype=bool)
    here[borne] = True
    words = [*marks.words, *(f"{w}, {BORNE_OUT}" if w else BORNE_OUT for w in marks.words)]
    return Texts(marks.codes + here * len(marks.words), words).renamed(words)


def _late(rows: Table, i: int, reason: str, what: str) -> Fault:
    return CellFault(file=rows["source_file"][i], row=int(rows["source_row"][i]), column=rows["where"][i],
                     value=rows["as_written"][i], reason=reason, remedy=what, sample=rows["sample"][i],
                     analyte=rows["analyte"][i])


def _account(takes: list[Take], rejected: list[Fault], revisions: pd.DataFrame) -> pd.DataFrame:
    """The files table; RuntimeError where rows in are not rows taken plus rows rejected."""
    late = Counter(f.file for f in rejected)
    old = Counter(revisions["old_file"] if len(revisions) else ())
    table = []
    for take in takes:
        info = dict(take.info)
        gone = late[info["file"]]
        info["rejected"] = gone
        info["taken"] = len(take.taken) - (gone - len(take.rejected))
        info["superseded"] = old[info["file"]]
        if info["rows_in"] != info["taken"] + info["rejected"]:
            raise RuntimeError(f"the account of raw/{info['file']} does not close: {info}")
        table.append({c: info.get(c, "") for c in FILE_COLUMNS})
    return pd.DataFrame(table, columns=list(FILE_COLUMNS))


def _results(rows: Table, current: np.ndarray) -> pd.DataFrame:
    """The columns of the results table of the rows at these positions, typed."""
    return _typed((rows if len(current) == len(rows) else rows.at(current)).frame(RESULTS.names))


def _typed(out: pd.DataFrame) -> pd.DataFrame:
    order = out["run_order"].to_numpy(dtype="float64")
    out["run_order"] = pd.arrays.IntegerArray(np.nan_to_num(order).astype("int64"), np.isnan(order))
    out["reported_on"] = pd.to_datetime(out["reported_on"])
    for column in ("value", "limit"):
        out[column] = out[column].astype("float64")
    return out


def _rejected_table(rejected: list[Fault]) -> pd.DataFrame:
    faults = sorted(rejected, key=lambda f: (f.file, f.row is None, f.row or 0))
    table: dict[str, Any] = {c: [getattr(f, c, "") for f in faults] for c in REJECTED_COLUMNS}
    return pd.DataFrame(table | {"row": pd.array(table["row"], dtype="Int64")})


def _write(root: Path, outcome: IntakeOutcome) -> None:
    """Write all tables or none: into a folder beside, which takes the old one's place by two renames."""
    folder, beside, gone = root / TIDY_FOLDER, root / f".{TIDY_FOLDER}.part", root / f".{TIDY_FOLDER}.old"
    require_writable(folder)
    restore(folder, gone)  # of a run that was killed
    shutil.rmtree(beside, ignore_errors=True)
    (beside / "reading").mkdir(parents=True)
    _write_tables(root, beside, outcome)
    exchange(beside, folder, gone)


def tables_of(outcome: IntakeOutcome) -> dict[str, bytes]:
    """The tables under tidy/ by their names, reading sheets left out, as they are written."""
    texts = ("file", "column", "value", "reason", "remedy")
    return {
        "rejected.csv": table_bytes(outcome.rejected, safe=texts),
        "revisions.csv": table_bytes(outcome.revisions, safe=("old_as_written", "new_as_written")),
        "files.csv": table_bytes(outcome.files, safe=("file", "sheet", "notes")),
        "rules.csv": table_bytes(outcome.rules, safe=("rule", "example")),
        "results.csv": table_bytes(outcome.results, safe=("source_file",)),
    }


def _write_tables(root: Path, folder: Path, outcome: IntakeOutcome) -> None:
    """All tables into an empty folder; intake.json names them by their hashes."""
    tables = tables_of(outcome)
    totals = dict(zip(outcome.files["file"], outcome.files["taken"] + outcome.files["rejected"], strict=True))
    sheets = dict(zip(outcome.files["file"], outcome.files["sheet"], strict=True))
    tables |= reading_files(outcome.reading(), totals, sheets)
    for name, data in tables.items():
        write_bytes(folder / name, data)
    write_json(folder / "intake.json", {
        "account": outcome.sentence(), "accepted_reason": outcome.accepted_reason, "rows_in": outcome.rows_in,
        "taken": outcome.taken, "rejected": len(outcome.rejected), "results": len(outcome.results),
        "unblinding": _unblinding(root, outcome),
        "raw": {str(f).partition("#")[0]: str(h) for f, h in zip(outcome.files["file"], outcome.files["sha256"],
                                                                 strict=True)},
        "tables": {name: sha256_of(folder / name) for name in sorted(tables)}})


def _unblinding(root: Path, outcome: IntakeOutcome) -> dict[str, Any]:
    """The log of the unblinding: which key the codes were matched with, and how many codes came back."""
    key = root / SAMPLES.file
    return {"key": SAMPLES.file, "sha256": sha256_of(key) if key.exists() else "", "codes_returned":
            int(outcome.results["sample"].nunique())}
