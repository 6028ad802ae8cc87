"""Laid-out cells into determinations of the study: names, units, values, codes, dates, each checked.

Every cell ends in exactly one of four places: taken, rejected with a reason, blank with a stated
meaning, or a name that the mapping does not use. The first three reasons a person can act on come
first: the name, the sample, the value.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase

import numpy as np

from studykit.core.errors import Fault
from studykit.core.numbertext import NumberFormat, parse_number, tidy_text
from studykit.core.units import Conversion, convert, kind_of, parse_unit
from studykit.intake.columns import Table, Texts, keys
from studykit.intake.mapping import FileMapping
from studykit.intake.matching import match_codes
from studykit.intake.rows import NO_DETERMINATION, Rows, count, date, plain_text
from studykit.intake.signs import ungroup
from studykit.intake.unitwords import settle_unit
from studykit.intake.values import (
    KIND_BAD,
    KIND_BLANK,
    KIND_NUMBER,
    KIND_UNKNOWN_LIMIT,
    Parsed,
    RuleBook,
    apply_qualifier_column,
    parse_values,
)
from studykit.study.definition import Study

_WHOLES = {"mass fraction": "% (m/m)", "volume fraction": "% (v/v)"}
NEVER_BELOW_ZERO = {"mass fraction", "mass per volume", "volume fraction", "kinematic viscosity", "dynamic viscosity",
                    "number per volume", "base or acid per mass", "charge per mass", "conductivity", "surface tension",
                    "turbidity"}
"""Kinds of quantities of which the true value is never below zero."""
USUAL_WHOLES = {"mg/kg": 1e6, "g/kg": 1e3, "% (m/m)": 100.0, "% (v/v)": 100.0}
"""The whole in usual units, so that the library of units need not be loaded for them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """Determinations of one sheet: taken rows, rejections, and counts of cells that were neither.

    ``lost`` has the rejected rows whose determination is known, and the blank ones (``empty``); ``blanks`` all blank ones.
    """

    taken: Table
    lost: Table
    blanks: Table
    rejected: tuple[Fault, ...]
    faults: tuple[Fault, ...]
    cells: int
    ignored: int
    blank: int


def settle(cells: Table, mapping: FileMapping, study: Study, codes: Sequence[str], form: NumberFormat,
           book: RuleBook, file: str, blanks: Collection[str] = ()) -> Settled:
    """Determinations of one sheet in the study's units; ``codes`` are the study's sample codes, ``blanks`` those of blanks.

    ``file`` is the name under raw/ that goes into source_file. Rules are counted in ``book``. Unit
    faults of a wide file concern its headings and come back in ``faults``, which refuse the file.
    """
    total = len(cells)
    targets = [_target(tidy_text(n), mapping, study) for n in cells["name"].words]
    unused = cells["name"].spread([t == "" for t in targets], bool)
    for k in np.unique(cells["name"].codes[unused]):
        book.add(f"name {cells['name'].words[k]!r} not used, as the mapping says", int((cells["name"].codes == k).sum()),
                 cells["name"].words[k])
    rows = Rows(cells.at(~unused), book, file)
    names = rows.cells["name"]
    analyte = names.renamed([t or "" for t in targets])
    rows.refuse(names.spread([t is None for t in targets], bool), "is not an analyte of this study",
                "map it under [file.analytes], or set it to \"\" to leave it out; known are " + ", ".join(study.analytes),
                mapping.columns.get("analyte", ""), names)
    _renamed(rows, mapping)
    sample = _samples(rows, mapping, codes)
    confirmed = _confirmed(mapping, sample, analyte, book)
    _doubts(rows, mapping, confirmed)
    _as_shown(rows)
    nominal = {a: float(d.nominal) for a, d in study.analytes.items() if d.nominal}
    plainly = ungroup(rows.cells, analyte, form, _in_file(nominal, rows, targets, mapping, study))
    parsed = parse_values(rows.cells, form, mapping.value_words(), book, plainly)
    if mapping.replicates == "in order" and "remark" not in mapping.marked:
        _beside_remarks(rows, sample, analyte)
    _formulas(rows)
    if "qualifier" in mapping.columns or mapping.qualifier_heads():
        apply_qualifier_column(parsed, rows.cells["qualifier"], dict(mapping.words), book)
    blank = _blanks(rows, parsed, mapping)
    bad = np.flatnonzero((parsed.kind == KIND_BAD) & rows.open)
    rows.refuse_each(bad, lambda i: parsed.reasons[parsed.why[i]])
    value, faults = _convert(rows, parsed, targets, mapping, study, form, blank)
    out = _assemble(rows, mapping, targets, sample, analyte, value, parsed.qualifier, study)
    out["confirmed"], out["numeric"] = confirmed, rows.cells["numeric"]
    stored = rows.cells["sheet"] & ~rows.cells["numeric"] & (parsed.kind == KIND_NUMBER) & ~rows.cells["mark"].flags(bool)
    out["mark"] = rows.cells["mark"].where(stored, "text")
    out["layout"] = Texts.same(mapping.layout, rows.n)
    _positive(rows, out, study, blanks)
    _within_whole(rows, out, study, mapping.unit_row is not None)
    for i in np.flatnonzero(blank & ~rows.open).tolist():
        del rows.why[i]
    _below_zero(rows, out, study, confirmed)
    out["empty"] = blank
    known = sample.flags(bool) & analyte.flags(bool) & (mapping.replicates is None)
    return Settled(taken=out.at(rows.open & ~blank), lost=out.at((~rows.open | blank) & known), blanks=out.at(blank),
                   rejected=tuple(rows.faults(sample, analyte)), faults=tuple(faults), cells=total,
                   ignored=int(unused.sum()), blank=int(blank.sum()))


def _target(name: str, mapping: FileMapping, study: Study) -> str | None:
    """The study's analyte for a name in the file; '' for not used, None for unknown."""
    entry = mapping.target(name)
    if entry is not None:
        return entry.analyte
    return name if name in study.analytes else None


def _renamed(rows: Rows, mapping: FileMapping) -> None:
    """Names that stand for another analyte than their own, by a person's reason, are counted."""
    names = rows.cells["name"]
    for k, name in enumerate(names.words):
        entry = mapping.target(tidy_text(name))
        if entry is not None and entry.reason:
            rows.book.add(f"name {name!r} read as {entry.analyte}, as the mapping says: {entry.reason}",
                          int((names.codes == k).sum()), name)


def _samples(rows: Rows, mapping: FileMapping, known: Sequence[str]) -> Texts:
    codes, texts = rows.cells["sample"].used()
    written = Texts(codes, texts)
    own = set(known)
    strange = [] if own.issuperset(texts) else [k for k, t in enumerate(texts) if t not in own]
    names = list(texts)
    column = mapping.columns.get("sample", "")
    for k, match in zip(strange, match_codes([texts[k] for k in strange], known, mapping.codes), strict=True):
        names[k] = match.code
        if not match.code:
            rows.refuse(codes == k, match.reason, match.remedy + (_as_above(column) if column and not texts[k].strip() else ""),
                        column or texts[k], written)
        elif match.rule:
            rows.book.add(match.rule, int((codes == k).sum()), texts[k])
    return written.renamed(names) if strange else written


def _confirmed(mapping: FileMapping, sample: Texts, analyte: Texts, book: RuleBook) -> Texts:
    """The reason by which a person confirmed each row's doubtful value ('' for none); patterns as for file names."""
    out = Texts.same("", len(sample))
    if mapping.confirmed and len(sample):
        pairs = [f"{s} {a}" for s, a in zip(sample.tolist(), analyte.tolist(), strict=True)]
        for pattern, reason in mapping.confirmed.items():
            fits = np.array([fnmatchcase(p, pattern) for p in pairs], dtype=bool)
            out = out.where(fits, reason)
            book.add(f"confirmed as it stands, {pattern!r}, as the mapping says: {reason}", int(fits.sum()),
                     pairs[int(fits.argmax())])
    return out


def _doubts(rows: Rows, mapping: FileMapping, confirmed: Texts) -> None:
    """Cells that may not mean what is stored are refused, unless the mapping says that they count."""
    marks, doubts = rows.cells["mark"], rows.cells["doubt"]
    unsure = ~confirmed.flags(bool)
    for k, mark in enumerate(marks.words):
        at = marks.codes == k
        if not mark or not at.any():
            continue
        if mark in mapping.marked:
            rows.book.add(f"{mark} cell read, as the mapping says: {mapping.marked[mark]}", int(at.sum()), "")
            continue
        line = f'write [file.marked] {mark} = "who said so", or [file.confirmed] "SAMPLE ANALYTE" = "who said so"'
        rows.refuse_each(np.flatnonzero(at & unsure & rows.open), lambda i, m=mark, r=line: (  # type: ignore[misc]
            doubts[i], f"ask the laboratory whether it counts; if so, {r}{_read_as(rows, i, m)}"
            + _or_left_out(doubts[i], mapping)))


def _read_as(rows: Rows, i: int, mark: str) -> str:
    """What is read of a cell that counts although it shows something else than it stores."""
    if shown := rows.cells["instead"][i]:
        return f": it is then read as it is shown, {shown.strip()!r}"
    text = rows.cells["text"][i]
    return f": the stored number {text} is then read; if the cell shows another one, correct it in a copy" if (
        mark == "format") else ""


def _or_left_out(doubt: str, mapping: FileMapping) -> str:
    """What leaves a line out of which a column says that it does not count; '' for another doubt."""
    found = re.search(r"its row says (['\"])(.{1,60})\1 under (['\"])(.+)\3$", doubt)
    return f"; if not, leave_out = {{ {found[4]!r} = {{ {found[2]!r} = \"who said so\" }} }}" if (
        found and mapping.layout != "wide-samples") else ""


def _as_shown(rows: Rows) -> None:
    """Cells that count and show something else than they store are read as they are shown."""
    shown = rows.cells["instead"]
    for k, text in enumerate(shown.words):
        at = (shown.codes == k) & rows.open
        if text and at.any():
            rows.book.add("spreadsheet cell read as it is shown, not as it is stored", int(at.sum()), text.strip())
            rows.cells["text"] = rows.cells["text"].where(at, text.strip())


def _beside_remarks(rows: Rows, sample: Texts, analyte: Texts) -> None:
    """Determinations numbered in order, one of which is in doubt by a remark ('replaces the above'), are so all."""
    told = rows.cells["mark"].flags("remark".__eq__) & ~rows.open
    told &= ~rows.cells["doubt"].flags(lambda t: t.startswith(NO_DETERMINATION))
    if told.any():
        key = keys([sample, analyte])
        rows.refuse(np.isin(key, key[told]), "is a determination of a sample of which another one is in doubt by a remark: "
                    "which of them count?", 'ask the laboratory; once that is settled, write [file.marked] remark = "who said '
                    'so", or [file.confirmed] "SAMPLE ANALYTE" = "who said so"')


def _in_file(nominal: dict[str, float], rows: Rows, targets: list[str | None], mapping: FileMapping,
             study: Study) -> dict[str, float]:
    """Nominal values in the unit in which the file writes each analyte; left out where that is not one."""
    out: dict[str, float] = {}
    names, units = rows.cells["name"], rows.cells["unit"]
    for k, name in enumerate(names.words):
        analyte = targets[k]
        if not analyte or analyte not in nominal:
            continue
        own = set(units.at(names.codes == k).distinct())
        if len(own) != 1:
            continue
        rule = settle_unit(tidy_text(name), own.pop(), analyte, study.unit_of(analyte), mapping).rule
        one = float(rule.apply(np.array([1.0]))[0]) if rule is not None and not rule.add else 0.0
        if one:
            out[analyte] = nominal[analyte] / one
    return out


def _formulas(rows: Rows) -> None:
    formula = rows.cells["formula"]
    if formula.any():
        rows.book.add("formula cell read as its stored value", int(formula.sum()), rows.cells["text"][int(formula.argmax())])


def _blanks(rows: Rows, parsed: Parsed, mapping: FileMapping) -> np.ndarray:
    """Cells without a value: counted as not measured, read as below the limit, or rejected."""
    empty = parsed.kind == KIND_BLANK
    stated = empty & (parsed.qualifier == "not measured")
    parsed.qualifier[stated] = ""
    if mapping.blank == "not measured":
        rows.book.add("blank cell: not measured, as the mapping says", int((empty & ~stated).sum()), "")
        return np.asarray(empty & rows.open)
    if mapping.blank == "below limit":
        low = empty & ~stated
        rows.book.add("blank cell: below the limit, as the mapping says", int(low.sum()), "")
        parsed.kind[low], parsed.qualifier[low] = KIND_UNKNOWN_LIMIT, "<"
    else:
        rows.refuse(empty & ~stated, "is empty, and the mapping does not say what that means",
                    "write blank = \"not measured\" (or \"below limit\") in this entry of intake.toml")
    return np.asarray(stated & rows.open)


def _convert(rows: Rows, parsed: Parsed, targets: list[str | None], mapping: FileMapping, study: Study,
             form: NumberFormat, blank: np.ndarray) -> tuple[np.ndarray, list[Fault]]:
    """Values in the study's unit (the limit for '<' and '>'), by one rule a name and written unit."""
    value = np.full(rows.n, np.nan)
    faults: list[Fault] = []
    number = parsed.number.copy()
    unknown = (parsed.kind == KIND_UNKNOWN_LIMIT) & rows.open
    in_study = _limits(rows, unknown, number, parsed.qualifier, targets, mapping, study, form)
    names, units = rows.cells["name"], rows.cells["unit"]
    many, own = max(len(units.words), 1), len(parsed.unit.words)
    each = (names.codes.astype(np.int64) * many + units.codes) * own + parsed.unit.codes
    used = np.bincount(each[rows.open & ~blank], minlength=1)
    alike: dict[tuple[float, float, float], tuple[Conversion, list[int]]] = {}
    for p in np.flatnonzero(np.bincount(each)).tolist():
        (k, u), c = divmod(p // own, many), p % own
        name, written, analyte, cell = names.words[k], units.words[u], targets[k], parsed.unit.words[c]
        if not analyte:
            continue
        rule = settle_unit(tidy_text(name), written, analyte, study.unit_of(analyte), mapping, cell)
        if rule.rule is None:
            at = each == p
            column = mapping.columns.get("unit", name)
            if mapping.layout == "wide" and "unit" not in mapping.columns and not cell and (at & ~blank & rows.open).any():
                faults.append(Fault(file=rows.file, column=name,
                                    row=mapping.unit_row or max(mapping.header_lines(), default=None), value=written,
                                    reason=rule.reason, remedy=rule.remedy))
            rows.refuse(at & ~blank, rule.reason, rule.remedy, "" if cell else column, None if cell else units)
            continue
        for text in rule.rules:
            rows.book.add(text, int(used[p]) if p < len(used) else 0, written)
        alike.setdefault((rule.rule.multiply, rule.rule.divide, rule.rule.add), (rule.rule, []))[1].append(p)
    for conversion, pairs in alike.values():
        here = np.zeros(int(each.max(initial=0)) + 1, dtype=bool)
        here[pairs] = True
        at = here[each]
        value[at] = conversion.apply(number[at])
    value[in_study] = number[in_study]
    return value, faults


def _limits(rows: Rows, unknown: np.ndarray, number: np.ndarray, qualifier: np.ndarray, targets: list[str | None],
            mapping: FileMapping, study: Study, form: NumberFormat) -> np.ndarray:
    """Fill the limits behind words such as 'n.d.': limit column, then [file.limits], then study.toml.

    Returns which rows took theirs from study.toml, already in the study's unit.
    """
    in_study = np.zeros(rows.n, dtype=bool)
    if not unknown.any():
        return in_study
    if "limit" in mapping.columns:
        limits = rows.cells["limit"]
        for k, text in enumerate(limits.words):
            parsed = parse_number(tidy_text(text).lstrip("<≤ "), form)
            at = unknown & (limits.codes == k) & (qualifier != ">")
            if parsed.value is not None and at.any():
                number[at] = parsed.value
                rows.book.add("limit from the file's limit column", int(at.sum()), text)
    names = rows.cells["name"]
    for k, name in enumerate(names.words):
        at = unknown & np.isnan(number) & (names.codes == k)
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


def _assemble(rows: Rows, mapping: FileMapping, targets: list[str | None], sample: Texts, analyte: Texts,
              value: np.ndarray, qualifier: np.ndarray, study: Study) -> Table:
    """The results columns; texts of the other columns are checked here."""
    cells = rows.cells
    column = {c: mapping.columns.get(c, f"constants.{c}") for c in mapping.columns}
    name_of = {c: column.get(c, c) for c in ("replicate", "run", "run_order", "method", "reported_on", "revision")}
    plain = qualifier == ""
    out = Table({
        "sample": sample, "analyte": analyte, "value": value,
        "unit": cells["name"].renamed([study.unit_of(t) if t else "" for t in targets]),
        "qualifier": qualifier, "plain": plain, "limit": np.where(plain, np.nan, value), "as_written": cells["text"]}, rows.n)
    out["replicate"] = _replicates(rows, mapping, name_of["replicate"])
    out["run"] = rows.words("run", plain_text, name_of["run"])
    out["run_order"] = rows.each("run_order", count, name_of["run_order"], np.float64)
    out["method"] = rows.words("method", plain_text, name_of["method"])
    out["reported_on"] = rows.each("reported_on", lambda t: date(t, mapping.date_format), name_of["reported_on"],
                                   "datetime64[s]")
    out["unproved_day"] = _unproved(rows, mapping)
    stated = rows.each("revision", count, name_of["revision"], np.float64)
    out["stated_revision"] = np.where(np.isnan(stated), -1, stated).astype(np.int64)
    out["source_file"] = Texts.same(rows.file, rows.n)
    out["source_row"] = cells["line"]
    out["where"], out["place"], out["own_unit"] = cells["where"], cells["place"], cells["unit"]
    out["shown"], out["gap"] = cells["shown"], cells["gap"]
    counted = mapping.replicates == "in order" and "replicate" not in mapping.columns
    out["in_order"] = np.full(rows.n, counted)
    if counted:
        _number_in_order(rows, out)
    return out


def _number_in_order(rows: Rows, out: Table) -> None:
    """Add to each replicate number how often its sample, analyte and revision stood before in the file."""
    good = np.flatnonzero(rows.open)
    key = keys([out[c].at(good) if isinstance(out[c], Texts) else out[c][good]
                for c in ("sample", "analyte", "stated_revision")])
    order = np.argsort(key, kind="stable")
    begins = np.concatenate(([True], key[order][1:] != key[order][:-1])) if len(good) else np.zeros(0, dtype=bool)
    place = np.arange(len(good))
    nth = np.empty(len(good), dtype=np.int64)
    nth[order] = place - np.maximum.accumulate(np.where(begins, place, 0)) if len(good) else place
    out["replicate"][good] += nth
    rows.book.add("replicates numbered in the order of the file", int((nth > 0).sum()), "")


def _unproved(rows: Rows, mapping: FileMapping) -> np.ndarray:
    """Whether day and month of each report date could be the other way round: no date of the sheet has a day past 12."""
    if not mapping.date_format or "%b" in mapping.date_format.casefold():
        return np.zeros(rows.n, dtype=bool)
    codes, texts = rows.cells["reported_on"].used()
    parts = [[int(p) for p in re.findall(r"[0-9]+", t)[:2]] for t in texts]
    either = [len(p) == 2 and max(p) <= 12 and p[0] != p[1] and not re.match(r"[0-9]{4}", t)
              for p, t in zip(parts, texts, strict=True)]
    proved = any(len(p) == 2 and max(p) > 12 and not re.match(r"[0-9]{4}", t) for p, t in zip(parts, texts, strict=True))
    return Texts(codes, texts).spread([e and not proved for e in either], bool)


def _replicates(rows: Rows, mapping: FileMapping, column: str) -> np.ndarray:
    read = rows.each("replicate", count, column, np.float64)
    rows.refuse(read == 0, "is not a replicate number from 1", "number replicates from 1", column,
                rows.cells["replicate"])
    names = rows.cells["name"]
    entries = [mapping.target(tidy_text(n)) for n in names.words]
    if not any(rows.cells["replicate"].words) and not any(e and e.replicate for e in entries):
        return np.ones(rows.n, dtype=np.int64)
    own = names.spread([e.replicate if e and e.replicate else np.nan for e in entries], np.float64)
    merged = np.where(np.isnan(own), np.where(np.isnan(read), 1.0, read), own)
    return np.maximum(merged, 1).astype(np.int64)


def _positive(rows: Rows, out: Table, study: Study, blanks: Collection[str]) -> None:
    """A margin in per cent or as a factor needs results above zero; a blank has none to be held against, and may read zero."""
    relative = {a for a, d in study.analytes.items() if d.margin.relative}
    low = out["value"] <= 0
    if low.any():
        low &= out["analyte"].flags(relative.__contains__) & out["plain"]
        low &= ~(out["sample"].flags(set(blanks).__contains__) & (out["value"] == 0))
    rows.refuse(low, "must be above zero for a margin in per cent or as a factor",
                "if this text means below the limit, say so under [file.words]; else correct it with the laboratory")


def _as_above(heading: str) -> str:
    return f"; if a blank cell means what the cell above it says, write blank_repeats = [{heading!r}] in this entry"


def _below_zero(rows: Rows, out: Table, study: Study, confirmed: Texts) -> None:
    """A content, a count or a viscosity below zero is a number of the instrument, or a code for a missing value."""
    low = out["value"] < 0
    if low.any():
        low &= out["plain"] & ~confirmed.flags(bool)
        known = {a for a in study.analytes if kind_of(study.unit_of(a)) in NEVER_BELOW_ZERO}
        rows.refuse(low & out["analyte"].flags(known.__contains__), "is below zero, which no such quantity can be: nothing "
                    "found, or a code for a missing value?", "ask the laboratory for its limit, such as <0.5; if the number "
                    'counts as it stands, write [file.confirmed] "SAMPLE ANALYTE" = "who said so"')


def _exchanged_units(rows: Rows, out: Table, study: Study, name: str, over: np.ndarray) -> None:
    """Results in another unit of the same kind as a column that cannot be in its own: exchanged in their row?"""
    kind, written = kind_of(study.unit_of(name)), rows.cells["unit"]
    alike = {a for a in study.analytes if a != name and kind_of(study.unit_of(a)) == kind}
    others = ~written.flags(set(written.at(over).distinct()).__contains__)
    rows.refuse(out["analyte"].flags(alike.__contains__) & others, f"stands beside a column of {name} that cannot be in its "
                "unit: are the units under the right headings?", "ask the laboratory, and correct its row of units in a copy")


def _within_whole(rows: Rows, out: Table, study: Study, unit_row: bool) -> None:
    """A share of the whole in mass or volume is at most 100 %; where most of a column is more, a row of units is in doubt."""
    for name in study.analytes:
        unit = study.unit_of(name)
        whole = _WHOLES.get(kind_of(unit))
        if whole is not None:
            most = USUAL_WHOLES.get(parse_unit(unit)) or convert(100.0, whole, unit)
            over = out["value"] > most * (1 + 1e-9)
            if over.any():
                over &= out["analyte"].flags(name.__eq__)
            rows.refuse(over, f"is more than 100 {whole}, which is the whole",
                        "correct unit or decimal sign with the laboratory")
            if unit_row and over.any() and 2 * np.count_nonzero(over) > np.count_nonzero(
                    out["analyte"].flags(name.__eq__) & ~np.isnan(out["value"])):
                _exchanged_units(rows, out, study, name, over)
