"""Laid-out cells into determinations of the study: names, units, values, codes, dates, each checked.

Every cell ends in exactly one of four places: taken, rejected with a reason, blank with a stated
meaning, or a name that the mapping does not use. The first three reasons a person can act on come
first: the name, the sample, the value.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase

import numpy as np
import pandas as pd

from studykit.core.errors import Fault
from studykit.core.numbertext import NumberFormat, parse_number, tidy_text
from studykit.intake.delimited import factorize
from studykit.intake.mapping import FileMapping
from studykit.intake.matching import match_codes
from studykit.intake.rows import Rows, count, date, plain_text, shared
from studykit.intake.signs import ungroup
from studykit.intake.values import (
    KIND_BAD,
    KIND_BLANK,
    KIND_UNKNOWN_LIMIT,
    Parsed,
    RuleBook,
    apply_qualifier_column,
    parse_values,
    settle_unit,
)
from studykit.study.definition import Study

TAKEN_COLUMNS = ("sample", "analyte", "value", "unit", "qualifier", "limit", "as_written", "replicate", "run",
                 "run_order", "method", "reported_on", "stated_revision", "source_file", "source_row", "where",
                 "confirmed", "mark", "numeric", "layout", "unproved_day")


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """Determinations of one sheet: taken rows, rejections, and counts of cells that were neither."""

    taken: pd.DataFrame
    rejected: tuple[Fault, ...]
    faults: tuple[Fault, ...]
    cells: int
    ignored: int
    blank: int


def settle(cells: pd.DataFrame, mapping: FileMapping, study: Study, codes: Sequence[str], form: NumberFormat,
           book: RuleBook, file: str) -> Settled:
    """Determinations of one sheet in the study's units; ``codes`` are the study's sample codes.

    ``file`` is the name under raw/ that goes into source_file. Rules are counted in ``book``. Unit
    faults of a wide file concern its headings and come back in ``faults``, which refuse the file.
    """
    total = len(cells)
    name_codes, names = factorize(cells["name"])
    targets = [_target(tidy_text(n), mapping, study) for n in names]
    unused = np.array([t == "" for t in targets], dtype=bool)
    keep = ~unused[name_codes] if total else np.zeros(0, dtype=bool)
    rows = Rows(cells[keep], book, file)
    for k, name in enumerate(names):
        if unused[k]:
            book.add(f"name {name!r} not used, as the mapping says", int((name_codes == k).sum()), name)
    name_codes = name_codes[keep]
    analyte = shared(name_codes, [t or "" for t in targets])
    known = ", ".join(study.analytes)
    lost = np.array([t is None for t in targets], dtype=bool)
    name_column = mapping.columns.get("analyte", "")
    rows.refuse(lost[name_codes], "is not an analyte of this study",
                f"map it under [file.analytes], or set it to \"\" to leave it out; known are {known}",
                name_column, rows.cells["name"])
    sample = _samples(rows, mapping, codes)
    nominal = {a: float(d.nominal) for a, d in study.analytes.items() if d.nominal}
    plainly = ungroup(rows.cells, np.asarray(analyte, dtype=object), form, _in_file(nominal, rows, name_codes, names,
                                                                                   targets, mapping, study))
    parsed = parse_values(rows.cells, form, dict(mapping.words), book, plainly)
    confirmed = _confirmed(mapping, sample, analyte)
    _doubts(rows, mapping, confirmed)
    _formulas(rows)
    if "qualifier" in mapping.columns or mapping.qualifier_heads():
        apply_qualifier_column(parsed, rows.cells["qualifier"], dict(mapping.words), book)
    blank = _blanks(rows, parsed, mapping)
    rows.refuse(parsed.kind == KIND_BAD, parsed.reason, parsed.remedy)
    value, faults = _convert(rows, parsed, name_codes, names, targets, mapping, study, form, blank)
    out = _assemble(rows, mapping, names, name_codes, sample, analyte, value, parsed.qualifier, study)
    out["confirmed"] = shared(*factorize(confirmed))
    out["mark"] = shared(*factorize(rows.cells["mark"]))
    out["numeric"] = rows.cells["numeric"].to_numpy(dtype=bool)
    out["layout"] = shared(np.zeros(rows.n, dtype=np.int64), [mapping.layout])
    _positive(rows, out, study)
    good = (rows.reason == "") & ~blank
    rows.reason[blank] = ""
    taken = out[good].reset_index(drop=True)
    return Settled(taken=taken, rejected=tuple(rows.faults()), faults=tuple(faults), cells=total,
                   ignored=int((~keep).sum()), blank=int(blank.sum()))


def _target(name: str, mapping: FileMapping, study: Study) -> str | None:
    """The study's analyte for a name in the file; '' for not used, None for unknown."""
    entry = mapping.target(name)
    if entry is not None:
        return entry.analyte
    return name if name in study.analytes else None


def _samples(rows: Rows, mapping: FileMapping, known: Sequence[str]) -> pd.Categorical:
    codes, texts = factorize(rows.cells["sample"])
    matches = match_codes(texts, known, mapping.codes)
    column = mapping.columns.get("sample", "")
    for k, match in enumerate(matches):
        if not match.code:
            rows.refuse(codes == k, match.reason, match.remedy, column or texts[k], rows.cells["sample"])
        elif match.rule:
            rows.book.add(match.rule, int((codes == k).sum()), texts[k])
    return shared(codes, [m.code for m in matches])


def _confirmed(mapping: FileMapping, sample: pd.Categorical, analyte: pd.Categorical) -> np.ndarray:
    """The reason by which a person confirmed each row's doubtful value ('' for none); patterns as for file names."""
    out = np.full(len(sample), "", dtype=object)
    if not mapping.confirmed or not len(sample):
        return out
    pairs = [f"{s} {a}" for s, a in zip(sample, analyte, strict=True)]
    for pattern, reason in mapping.confirmed.items():
        out[[fnmatchcase(p, pattern) for p in pairs]] = reason
    return out


def _doubts(rows: Rows, mapping: FileMapping, confirmed: np.ndarray) -> None:
    """Cells that may not mean what is stored are refused, unless the mapping says that they count."""
    codes, texts = factorize(rows.cells["mark"])
    for k, mark in enumerate(texts):
        at = codes == k
        if not mark or not at.any():
            continue
        if mark in mapping.marked:
            rows.book.add(f"{mark} cell read, as the mapping says: {mapping.marked[mark]}", int(at.sum()), "")
            continue
        line = f'write [file.marked] {mark} = "who said so", or [file.confirmed] "SAMPLE ANALYTE" = "who said so"'
        rows.refuse(at & (confirmed == ""), rows.cells["doubt"].to_numpy(dtype=object),
                    f"ask the laboratory whether it counts; if so, {line}")


def _in_file(nominal: dict[str, float], rows: Rows, name_codes: np.ndarray, names: list[str],
             targets: list[str | None], mapping: FileMapping, study: Study) -> dict[str, float]:
    """Nominal values in the unit in which the file writes each analyte; left out where that is not one."""
    out: dict[str, float] = {}
    units, written = factorize(rows.cells["unit"])
    for k, name in enumerate(names):
        analyte = targets[k]
        own = {written[u] for u in np.unique(units[name_codes == k])}
        if not analyte or analyte not in nominal or len(own) != 1:
            continue
        rule = settle_unit(tidy_text(name), own.pop(), analyte, study.unit_of(analyte), mapping).rule
        one = float(rule.apply(np.array([1.0]))[0]) if rule is not None and not rule.add else 0.0
        if one:
            out[analyte] = nominal[analyte] / one
    return out


def _formulas(rows: Rows) -> None:
    formula = rows.cells["formula"].to_numpy(dtype=bool)
    if formula.any():
        example = str(rows.cells["text"].to_numpy()[formula][0])
        rows.book.add("formula cell read as its stored value", int(formula.sum()), example)


def _blanks(rows: Rows, parsed: Parsed, mapping: FileMapping) -> np.ndarray:
    """Cells without a value: counted as not measured, read as below the limit, or rejected."""
    empty = parsed.kind == KIND_BLANK
    stated = empty & (parsed.qualifier == "not measured")
    parsed.qualifier[stated] = ""
    if mapping.blank == "not measured":
        rows.book.add("blank cell: not measured, as the mapping says", int((empty & ~stated).sum()), "")
        return np.asarray(empty & (rows.reason == ""))
    if mapping.blank == "below limit":
        low = empty & ~stated
        rows.book.add("blank cell: below the limit, as the mapping says", int(low.sum()), "")
        parsed.kind[low], parsed.qualifier[low] = KIND_UNKNOWN_LIMIT, "<"
    else:
        rows.refuse(empty & ~stated, "is empty, and the mapping does not say what that means",
                    "write blank = \"not measured\" (or \"below limit\") in this entry of intake.toml")
    return np.asarray(stated & (rows.reason == ""))


def _convert(rows: Rows, parsed: Parsed, name_codes: np.ndarray, names: list[str], targets: list[str | None],
             mapping: FileMapping, study: Study, form: NumberFormat,
             blank: np.ndarray) -> tuple[np.ndarray, list[Fault]]:
    """Values in the study's unit (the limit for '<' and '>'), by one rule a name and written unit."""
    value = np.full(rows.n, np.nan)
    faults: list[Fault] = []
    number = parsed.number.copy()
    unknown = (parsed.kind == KIND_UNKNOWN_LIMIT) & (rows.reason == "")
    in_study = _limits(rows, unknown, number, parsed.qualifier, name_codes, names, targets, mapping, study, form)
    unit_codes, units = factorize(rows.cells["unit"])
    pair = name_codes.astype(np.int64) * max(len(units), 1) + unit_codes
    for p in np.unique(pair):
        name, written = names[p // max(len(units), 1)], units[p % max(len(units), 1)]
        analyte = targets[p // max(len(units), 1)]
        if not analyte:
            continue
        at = pair == p
        rule = settle_unit(tidy_text(name), written, analyte, study.unit_of(analyte), mapping)
        if rule.rule is None:
            column = mapping.columns.get("unit", name)
            if mapping.layout == "wide" and "unit" not in mapping.columns:
                faults.append(Fault(file=rows.file, row=mapping.unit_row, column=name, value=written,
                                    reason=rule.reason, remedy=rule.remedy))
            rows.refuse(at & ~blank, rule.reason, rule.remedy, column, rows.cells["unit"])
            continue
        used = at & (rows.reason == "") & ~blank
        for text in rule.rules:
            rows.book.add(text, int(used.sum()), written)
        value[at] = rule.rule.apply(number[at])
    value[in_study] = number[in_study]
    return value, faults


def _limits(rows: Rows, unknown: np.ndarray, number: np.ndarray, qualifier: np.ndarray, name_codes: np.ndarray,
            names: list[str], targets: list[str | None], mapping: FileMapping, study: Study,
            form: NumberFormat) -> np.ndarray:
    """Fill the limits behind words such as 'n.d.': limit column, then [file.limits], then study.toml.

    Returns which rows took theirs from study.toml, already in the study's unit.
    """
    in_study = np.zeros(rows.n, dtype=bool)
    if not unknown.any():
        return in_study
    if "limit" in mapping.columns:
        codes, texts = factorize(rows.cells["limit"])
        for k, text in enumerate(texts):
            parsed = parse_number(tidy_text(text).lstrip("<≤ "), form)
            at = unknown & (codes == k) & (qualifier != ">")
            if parsed.value is not None and at.any():
                number[at] = parsed.value
                rows.book.add("limit from the file's limit column", int(at.sum()), text)
    for k, name in enumerate(names):
        at = unknown & np.isnan(number) & (name_codes == k)
        analyte = targets[k]
        if not analyte or not at.any():
            continue
        high = at & (qualifier == ">")
        upper = mapping.upper_limits.get(tidy_text(name), mapping.upper_limits.get(analyte))
        if upper is not None:
            number[high] = upper
            rows.book.add(f"{analyte}: upper limit {upper:g} from the mapping", int(high.sum()), name)
        at = at & (qualifier != ">")
        if not at.any():
            continue
        stated = mapping.limits.get(tidy_text(name), mapping.limits.get(analyte))
        own = study.analytes[analyte].limit
        if stated is not None:
            number[at] = stated
            rows.book.add(f"{analyte}: limit {stated:g} from the mapping", int(at.sum()), name)
        elif own is not None:
            number[at] = own
            in_study |= at
            rows.book.add(f"{analyte}: limit {own:g} {study.unit_of(analyte)} from study.toml", int(at.sum()), name)
    rows.refuse(unknown & np.isnan(number) & (qualifier == ">"), "stands for a result above a limit, and no upper limit "
                "is given", "write it under [file.upper_limits], in the file's unit")
    rows.refuse(unknown & np.isnan(number), "stands for a result beyond a limit, and no limit is given",
                "write it under [file.limits], in the file's unit, or map the file's limit column")
    return in_study


def _assemble(rows: Rows, mapping: FileMapping, names: list[str], name_codes: np.ndarray, sample: pd.Categorical,
              analyte: pd.Categorical, value: np.ndarray, qualifier: np.ndarray, study: Study) -> pd.DataFrame:
    """The results columns; texts of the other columns are checked here."""
    units = {a: study.unit_of(a) for a in study.analytes}
    column = {c: mapping.columns.get(c, f"constants.{c}") for c in mapping.columns}
    name_of = {c: column.get(c, c) for c in ("replicate", "run", "run_order", "method", "reported_on", "revision")}
    out = pd.DataFrame({
        "sample": sample, "analyte": analyte, "value": value,
        "unit": shared(name_codes, [units.get(_target(tidy_text(n), mapping, study) or "", "") for n in names]),
        "qualifier": qualifier, "limit": np.where(qualifier != "", value, np.nan),
        "as_written": shared(*factorize(rows.cells["text"]))})
    out["replicate"] = _replicates(rows, mapping, names, name_codes, name_of["replicate"])
    out["run"] = rows.words("run", plain_text, name_of["run"])
    out["run_order"] = rows.each("run_order", count, name_of["run_order"], np.float64)
    out["method"] = rows.words("method", plain_text, name_of["method"])
    out["reported_on"] = rows.each("reported_on", lambda t: date(t, mapping.date_format), name_of["reported_on"],
                                   "datetime64[s]")
    out["unproved_day"] = _unproved(rows, mapping)
    stated = rows.each("revision", count, name_of["revision"], np.float64)
    out["stated_revision"] = np.where(np.isnan(stated), -1, stated).astype(np.int64)
    out["source_file"] = shared(np.zeros(rows.n, dtype=np.int64), [rows.file])
    out["source_row"] = rows.cells["line"].to_numpy(dtype=np.int64)
    out["where"] = shared(*factorize(rows.cells["where"]))
    if mapping.replicates == "in order" and "replicate" not in mapping.columns:
        good = rows.reason == ""
        nth = out[good].groupby(["sample", "analyte", "stated_revision"], sort=False, observed=True).cumcount()
        out.loc[good, "replicate"] = out.loc[good, "replicate"] + nth
        rows.book.add("replicates numbered in the order of the file", int((nth > 0).sum()), "")
    return out


def _unproved(rows: Rows, mapping: FileMapping) -> np.ndarray:
    """Whether day and month of each report date could be the other way round: no date of the sheet has a day past 12."""
    codes, texts = factorize(rows.cells["reported_on"])
    if not mapping.date_format or "%b" in mapping.date_format.casefold():
        return np.zeros(rows.n, dtype=bool)
    parts = [[int(p) for p in re.findall(r"[0-9]+", t)[:2]] for t in texts]
    either = [len(p) == 2 and max(p) <= 12 and p[0] != p[1] and not re.match(r"[0-9]{4}", t)
              for p, t in zip(parts, texts, strict=True)]
    proved = any(len(p) == 2 and max(p) > 12 and not re.match(r"[0-9]{4}", t) for p, t in zip(parts, texts, strict=True))
    return np.asarray(np.array([e and not proved for e in either] or [False], dtype=bool)[codes])


def _replicates(rows: Rows, mapping: FileMapping, names: list[str], name_codes: np.ndarray,
                column: str) -> np.ndarray:
    read = rows.each("replicate", count, column, np.float64)
    rows.refuse(read == 0, "is not a replicate number from 1", "number replicates from 1", column,
                rows.cells["replicate"])
    entries = [mapping.target(tidy_text(n)) for n in names]
    by_name = np.array([e.replicate if e and e.replicate else np.nan for e in entries], dtype=float)
    own = by_name[name_codes] if len(names) else np.empty(0)
    merged = np.where(np.isnan(own), np.where(np.isnan(read), 1.0, read), own)
    return np.maximum(merged, 1).astype(np.int64)


def _positive(rows: Rows, out: pd.DataFrame, study: Study) -> None:
    """A margin in per cent needs results above zero."""
    relative = [a for a, d in study.analytes.items() if d.margin.relative]
    value = out["value"].to_numpy()
    low = out["analyte"].isin(relative).to_numpy() & (out["qualifier"].to_numpy() == "") & (value <= 0)
    rows.refuse(low, "must be above zero for a margin in per cent",
                "if this text means below the limit, say so under [file.words]; else correct it with the laboratory")


