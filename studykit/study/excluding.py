"""Excluding a sample or a container by one command, and taking that back: lines of ``plan/exclusions.csv``.

A line is never removed: what is taken back keeps its line, with the day, who did it and why beside it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from studykit.core.change import change_files
from studykit.core.errors import BadInput, single
from studykit.core.files import csv_text, write_bytes
from studykit.core.writer import away
from studykit.study.codes import likely_codes, normalise
from studykit.study.columns import ZONE_KINDS
from studykit.study.definition import Study
from studykit.study.exclusions import EXCLUSIONS, exclusion_lines, read_exclusions, said_nothing, without_excluded
from studykit.study.tables import Tables

WHAT = "sample or container"


@dataclass(frozen=True, slots=True, kw_only=True)
class Excluded:
    """What an exclusion took away, or gave back: its samples, and what is left of each analyte, one sentence each."""

    samples: tuple[str, ...]
    told: tuple[str, ...]
    notes: tuple[str, ...] = ()


def exclude(root: Path, tables: Tables, what: str, *, reason: str, who: str, analyte: str = "", back: bool = False,
            today: dt.date | None = None) -> Excluded:
    """Exclude the results of a sample, or of every sample of a container, or with ``back`` take such exclusions back.

    ``tables`` with the results as the intake takes them; ``analyte``: key or name, '' for all.  BadInput, and nothing
    written: no such sample or container, no result there, excluded already (or not at all, with ``back``), a reason or a
    name that says nothing, a day before the report.
    """
    day, key = today or dt.date.today(), _analyte(tables.study, analyte)
    if faults := said_nothing(reason, who, back=back):
        raise BadInput(faults, title="Nothing was taken back" if back else "Nothing was left out")
    samples = _samples(tables, what)
    lines = [{str(k): v for k, v in r.items()}
             for r in exclusion_lines(root, tables.study, tables.results).to_dict("records")]
    active = [r for r in lines if pd.isna(r["taken_back_on"]) and r["sample"] in samples]
    notes: tuple[str, ...] = ()
    if back:
        named = [r for r in active if key in ("", r["analyte"])]
        if not named:
            raise single(EXCLUSIONS.file, "no exclusion in force names it", "see the file for what is excluded", value=what)
        wanted = named if normalise(what) in samples or what in samples else _as_a_whole(named, lines, samples, what)
        for r in wanted:
            r.update(taken_back_on=pd.Timestamp(day), taken_back_by=who, taken_back_because=reason)
        touched = tuple(dict.fromkeys(str(r["sample"]) for r in wanted))
        still = dict.fromkeys(str(r["sample"]) for r in active if pd.isna(r["taken_back_on"]))
        notes = (f"still excluded, by a line of its own: {', '.join(still)}",) if still else ()
    else:
        gone = {r["sample"] for r in active if r["analyte"] in ("", key) and pd.isna(r["replicate"])}
        touched = tuple(s for s in samples if s not in gone)
        if not touched:
            raise single(EXCLUSIONS.file, "is excluded already", "see the file for when and why", value=what)
        lines += [{"sample": s, "analyte": key, "reason": reason, "who": who, "date": pd.Timestamp(day)} for s in touched]
        notes = (f"excluded before, left as it was: {', '.join(sorted(gone))}",) if gone else ()
    data = _csv(lines)
    before, after = (_left(tables, e) for e in (read_exclusions(root, tables.study, tables.results), _read(tables, data)))
    change_files(root, {EXCLUSIONS.file: data})
    return Excluded(samples=touched, told=_told(tables.study, before, after), notes=notes)


def _as_a_whole(named: Sequence[dict[str, Any]], lines: Sequence[Mapping[str, Any]], samples: Sequence[str],
                what: str) -> list[dict[str, Any]]:
    """Of the lines in force those made for the whole container; BadInput where none was: a sample's own stays.

    Together such lines have one reason, person, day and analyte, and name all its samples but those that a line above
    them named already.
    """
    made = ("reason", "who", "date", "analyte")
    groups: dict[tuple[Any, ...], list[dict[str, Any]]] = {}
    for r in named:
        if pd.isna(r["replicate"]):
            groups.setdefault(tuple(r[n] for n in made), []).append(r)
    out = []
    for own in groups.values():
        first = next(k for k, r in enumerate(lines) if r is own[0])
        covered = {str(r["sample"]) for r in [*lines[:first], *own]}
        out += own if set(samples) <= covered and (len(own) > 1 or len(samples) == 1) else []
    if not out:
        codes = ", ".join(dict.fromkeys(str(r["sample"]) for r in named))
        raise single(EXCLUSIONS.file, f"was not excluded as a whole; lines of their own exclude {codes}",
                     "take each back by its code: studykit exclude STUDY CODE --back", value=what)
    return out


def _csv(lines: Sequence[Mapping[str, Any]]) -> bytes:
    """Lines of the table as its file; the columns of what was taken back only where something was."""
    names = [n for n in EXCLUSIONS.names if not n.startswith("taken_back") or any(r.get(n) for r in lines
                                                                                 if pd.notna(r.get("taken_back_on")))]
    return csv_text(pd.DataFrame([{n: _cell(r.get(n)) for n in names} for r in lines], columns=names)).encode("utf-8")


def _cell(value: Any) -> str:
    if value is None or pd.isna(value):
        return ""
    if isinstance(value, pd.Timestamp):
        return value.date().isoformat()
    return str(int(value)) if isinstance(value, float) else str(value)


def _analyte(study: Study, text: str) -> str:
    """The key of an analyte given by key or name; BadInput for any other text."""
    key = study.key_of(text)
    if text and not key:
        raise single("--analyte", "is not declared in study.toml", study.known(), value=text)
    return key


def _samples(tables: Tables, what: str) -> tuple[str, ...]:
    """The samples that a code or a container's name stands for, those with results only; BadInput where there is none."""
    samples = tables.samples.astype({"sample": str, "container": str})
    codes, own = set(samples["sample"]), samples.loc[samples["container"] == what, "sample"].tolist()
    code = what if what in codes else normalise(what) if normalise(what) in codes else ""
    if code and own:
        raise single(WHAT, "is both a sample's code and a container's name", "name the samples one by one", value=what)
    if not code and not own:
        near = likely_codes(what, sorted({*codes, *samples["container"]} - {""}))
        raise single(WHAT, "is no sample and no container of this study",
                     f"did you mean {' or '.join(near)}?" if near else "see plan/samples.csv", value=what)
    found = [s for s in ([code] if code else own) if s in set(tables.results["sample"])]
    if not found:
        raise single(WHAT, "has no result that could be excluded", "what has no result is left out already", value=what)
    return tuple(found)


def _read(tables: Tables, data: bytes) -> pd.DataFrame:
    """The exclusions as they will be, read and checked from a copy."""
    with away("studykit-change-") as folder:
        write_bytes(folder / EXCLUSIONS.file, data)
        return read_exclusions(folder, tables.study, tables.results)


def _left(tables: Tables, exclusions: pd.DataFrame) -> pd.DataFrame:
    """How many results of each analyte and depth are left in stored containers."""
    rows = without_excluded(tables.results, exclusions)
    rows = rows.merge(tables.samples[["sample", "container", "kind", "depth"]], on="sample")
    rows = rows.merge(tables.containers[["container", "treatment"]], on="container")
    stored = rows["kind"].isin(ZONE_KINDS) & rows["treatment"].isin(("", "stored"))
    return pd.crosstab(rows.loc[stored, "analyte"], rows.loc[stored, "depth"]).reindex(
        index=list(tables.study.analytes), columns=list(tables.study.factors.depths), fill_value=0)


def _told(study: Study, before: pd.DataFrame, after: pd.DataFrame) -> tuple[str, ...]:
    """One sentence for each analyte whose count changes; last those of which a depth is left without any result."""
    out, bare = [], []
    for key in study.analytes:
        was, now = (pd.Series(table.loc[key]) for table in (before, after))
        if (was == now).all():
            continue
        away_or_back = f"{was.sum() - now.sum()} of {was.sum()} results go" if was.sum() > now.sum() else (
            f"{now.sum() - was.sum()} results come back")
        out.append(f"{study.label_of(key)}: {away_or_back}; left: " + ", ".join(f"{d} {n}" for d, n in now.items()))
        empty = [str(d) for d in now.index if now[d] == 0 < was[d]]
        bare += [f"{study.label_of(key)}: no result is left at {', '.join(empty)}: it can no longer be called homogeneous"
                 ] if empty else []
    return (*(out or ["no result of a zone of a stored container is touched: controls, blanks or floor only"]), *bare)
