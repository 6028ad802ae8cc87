"""The tidy tables read and checked together: every fault of every file at once, codes kept as text.

Cells are read as text and typed column by column over their distinct values, so a million
rows cost about as much as their distinct texts.
"""

from __future__ import annotations

import csv
import difflib
import io
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from studykit.core.collecting import uncollected
from studykit.core.errors import BadInput, Fault
from studykit.core.files import read_bytes
from studykit.core.plaintext import RETYPE, unreadable
from studykit.study.ages import age_conflicts, age_faults, container_ages, with_last_visit
from studykit.study.codes import colliding_codes
from studykit.study.columns import (
    CONTAINERS,
    NO_CONTAINER,
    RESULTS,
    SAMPLES,
    ZONE_KINDS,
    TableSpec,
    cell_text,
    convert,
    each_row,
)
from studykit.study.columns import LINE as LINE
from studykit.study.definition import Study, load_study
from studykit.study.ownfactors import own_factors
from studykit.study.places import height_order, unlike_vessels
from studykit.study.ranges import height_fault, posture_fault, store_faults
from studykit.study.seal import LOCK, way_back

MOST_COLUMNS = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Tables:
    """The study's definition and its three tables, checked; ``results`` is empty before intake."""

    study: Study
    containers: pd.DataFrame
    samples: pd.DataFrame
    results: pd.DataFrame


def read_cells(path: Path, spec: TableSpec) -> tuple[pd.DataFrame, list[Fault]]:
    """A CSV file as text cells with the line of each row in ``_line``; faults of its shape beside it."""
    with uncollected():  # every row is a list, and all of them stay
        return _read_cells(path, spec)


def _read_cells(path: Path, spec: TableSpec) -> tuple[pd.DataFrame, list[Fault]]:
    name = spec.file
    try:
        data = read_bytes(path, name, READABLE if path.is_file() else _where_from(spec, path.parent.parent))
        text = data.decode("utf-8-sig")
    except BadInput as error:
        return no_cells(spec), list(error.faults)
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        return no_cells(spec), [Fault(file=name, row=line, reason="is not UTF-8 text", remedy="save it as CSV UTF-8")]
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    rows: list[list[str]] = []
    lines: list[int] = []
    faults: list[Fault] = []
    header: list[str] = []
    start = 0
    try:
        for row in reader:
            line, start = start + 1, reader.line_num
            first = row[0].strip() if row else ""  # tells most rows from a blank one and from the header by itself
            if not header:
                header = [h.strip() for h in row]
            elif not first and not any(c.strip() for c in row):
                continue
            elif first == header[0] and [c.strip() for c in row] == header:
                faults.append(Fault(file=name, row=line, value=header[0], reason="the header is repeated here",
                                    remedy="remove this line"))
            elif len(row) != len(header):
                reason = f"has {_cells(len(row))} where the header has {len(header)}"
                faults.append(Fault(file=name, row=line, reason=reason, remedy="add or remove the separators"))
            else:
                rows.append(row)
                lines.append(line)
    except csv.Error as error:
        faults.append(Fault(file=name, row=reader.line_num, reason=f"cannot be read as CSV: {error}",
                            remedy="close the quotation marks of this line"))
    if not header:
        return no_cells(spec), [Fault(file=name, reason="the file is empty", remedy=_where_from(spec, path.parent.parent))]
    if len(header) > MOST_COLUMNS:
        return no_cells(spec), [Fault(file=name, row=1, reason=f"has {len(header)} columns; at most {MOST_COLUMNS} are read",
                                      remedy="look at the file")]
    faults = _header_faults(header, spec) + faults
    if len(set(header)) != len(header):
        return no_cells(spec), faults
    table = pd.DataFrame(rows, columns=header, dtype=object)
    table[LINE] = lines
    return table, faults


def _cells(number: int) -> str:
    return f"{number} cell{'' if number == 1 else 's'}"


READABLE = "check its permissions, and that no other program has it open"


def _where_from(spec: TableSpec, root: Path) -> str:
    """What makes a table that is not there."""
    if spec is RESULTS:
        return "run the intake: studykit report FOLDER"
    if (root / LOCK).exists():
        return way_back(root)
    made = spec is SAMPLES or (root / "plan/stock.csv").exists()
    return "make it with: studykit plan FOLDER" if made else "write it; see docs/data-dictionary.md"


def no_cells(spec: TableSpec) -> pd.DataFrame:
    """The cells of a table without rows."""
    return pd.DataFrame({c: np.array([], dtype=object) for c in (*spec.names, LINE)})


def _header_faults(header: list[str], spec: TableSpec) -> list[Fault]:
    """Faults of a header: wrong delimiter, a name twice, a required column missing, a misspelt name."""
    name = spec.file
    if len(header) == 1 and any(d in header[0] for d in ";\t|"):
        reason = "the header is one cell: the file is not separated by commas"
        return [Fault(file=name, row=1, value=header[0], reason=reason, remedy="save it as comma-separated CSV")]
    faults = []
    for twice in sorted({h for h in header if header.count(h) > 1}):
        faults.append(Fault(file=name, row=1, column=twice, reason="this header occurs twice", remedy="rename one"))
    absent = [c for c in spec.names if c not in header]
    for unknown in (h for h in header if h not in spec.names):
        close = difflib.get_close_matches(unknown, absent, n=1, cutoff=0.8)
        if close:
            faults.append(Fault(file=name, row=1, column=unknown, reason="is not a known column",
                                remedy=f"did you mean {close[0]!r}?"))
        elif not spec.extra_allowed:
            faults.append(Fault(file=name, row=1, column=unknown, reason="is not a known column",
                                remedy="remove it; known are " + ", ".join(spec.names)))
    for column in spec.columns:
        if column.required and column.name not in header:
            faults.append(Fault(file=name, row=1, column=column.name, reason="this required column is missing",
                                remedy=f"add it: {column.meaning}"))
    return faults


def type_cells(cells: pd.DataFrame, spec: TableSpec) -> tuple[pd.DataFrame, list[Fault]]:
    """Text cells as typed columns (every known column present), and the faults of single cells."""
    faults: list[Fault] = []
    out: dict[str, Any] = {LINE: cells[LINE].astype("int64")}
    for column in spec.columns:
        if column.name not in cells:
            texts = pd.Series([""] * len(cells), index=cells.index, dtype=object)
            if column.filled:
                continue
        else:
            texts = cells[column.name]
        codes, distinct = pd.factorize(texts)
        typed = [convert(str(t), column) if spec is RESULTS or not (why := unreadable(str(t))) else (None, why, RETYPE)
                 for t in distinct]  # a laboratory's words are taken as it wrote them
        for k, (_, reason, remedy) in enumerate(typed):
            if reason:
                where = cells[LINE].to_numpy()[codes == k]
                faults += [Fault(file=spec.file, row=int(r), column=column.name, value=str(distinct[k]),
                                 reason=reason, remedy=remedy) for r in where.tolist()]
        values = np.array([*(t[0] for t in typed), np.nan], dtype=object)[codes]  # the last for a cell that is missing
        out[column.name] = _as_dtype(pd.Series(values, index=cells.index, dtype=object), column.kind)
    for extra in (c for c in cells if c not in out and c not in spec.names):
        out[str(extra)] = cells[extra].astype("str")
        faults += [Fault(file=spec.file, row=int(line), column=str(extra), value=str(t), reason=why, remedy=RETYPE)
                   for t, line in zip(cells[extra], cells[LINE], strict=True) if (why := unreadable(str(t)))]
    return pd.DataFrame(out, index=cells.index), faults


def _as_dtype(values: pd.Series, kind: str) -> pd.Series:
    if kind in ("number", "fraction"):
        return values.astype("float64")
    if kind == "count":
        return values.astype("Int64")
    if kind in ("date", "moment"):
        return pd.to_datetime(values)
    return values.fillna("").astype("str")


def _key_faults(table: pd.DataFrame, spec: TableSpec) -> list[Fault]:
    """Rows whose key stands in an earlier row."""
    if any(k not in table for k in spec.key) or table.empty:
        return []
    first = table.groupby(list(spec.key), dropna=False)[LINE].transform("min")
    faults = []
    for i in table.index[table[LINE] > first]:
        key = " / ".join(cell_text(table.at[i, k]) for k in spec.key)
        old = table.index[table[LINE] == first[i]][0]
        what = "has the same key as"
        if spec is RESULTS and cell_text(table.at[i, "value"]) != cell_text(table.at[old, "value"]):
            what = f"is the same determination, with another value ({cell_text(table.at[old, 'value'])}), as"
        faults.append(Fault(file=spec.file, row=int(table[LINE].loc[i]), column=", ".join(spec.key), value=key,
                            reason=f"{what} row {int(first[i])}", remedy="keep one, or give each its own key"))
    return faults


def container_faults(t: pd.DataFrame, study: Study | None, *, sampled: bool) -> list[Fault]:
    """What is wrong with containers; ``sampled``: results are there, so the day of sampling is due where age is a factor."""
    spec = CONTAINERS
    faults = _key_faults(t, spec) + _not_filled_yet(t, study)
    if study is not None and "vessel" in t:
        faults += warmer_than_said(t, spec, study)
        known = set(study.vessels)
        faults += each_row(t, ~t["vessel"].isin(known) & (t["vessel"] != ""), spec, "vessel",
                           "is not a vessel of study.toml", "known are " + ", ".join(sorted(known)))
        for column in study.factors.fixed:
            if column in ("lot", "store", "orientation"):
                faults += each_row(t, t[column] == "", spec, column,
                                   "is empty, but study.toml uses it as a factor", "fill it in")
            if column == "age_months":
                due = t["age_months"].isna() & (sampled | t["filled_on"].isna())
                faults += each_row(t, due, spec, "age_months", "is not known, but study.toml uses it as a factor",
                                   "fill in filled_on and sampled_on" if sampled else "fill in filled_on")
    faults += each_row(t, t["sampled_on"] < t["filled_on"], spec, "sampled_on",
                       "lies before filled_on", "correct one of the two days")
    lost = (t["sister_of"] != "") & ~t["sister_of"].isin(set(t.get("container", ())))
    return faults + each_row(t, lost, spec, "sister_of", "is not a container of this table", "correct the code")


def listed_faults(t: pd.DataFrame, study: Study, file: str, others: Sequence[str] = ()) -> list[Fault]:
    """What is wrong with containers that nobody has sampled yet, by the same rules in every list of them (``file``).

    ``others``: stores of containers in another list.
    """
    t, none = t.copy(), type_cells(no_cells(SAMPLES), SAMPLES)[0]
    t["treatment"] = t["treatment"].replace("", "stored")
    found = [*container_faults(t, study, sampled=False), *_liquid_heights(t, study, others),
             *age_faults(t, none, study), *own_factors(t, none, study)]
    return [replace(f, file=file if f.file == CONTAINERS.file else f.file, reason=f.reason.replace(CONTAINERS.file, file))
            for f in found if f.file != SAMPLES.file]


def scope_faults(study: Study, containers: int) -> list[Fault]:
    """A fault where the answer is to hold for one container, but several are to be opened."""
    if study.scope != "container" or containers <= 1:
        return []
    return [Fault(file="study.toml", column="scope", value="container", reason=f"is the scope of one container, but "
                  f"{containers} are to be opened", remedy="open one, or say what the answer holds for: scope = \"lot\", "
                  "\"store\" or \"stock\"")]


def _not_filled_yet(t: pd.DataFrame, study: Study | None) -> list[Fault]:
    """Containers filled later than today (a day more: it is tomorrow already elsewhere), unless visits are planned ahead."""
    if study is not None and study.time is not None and study.time.visits:
        return []
    tomorrow = pd.Timestamp.now().normalize() + pd.Timedelta(days=1)
    return [f for name in ("filled_on", "last_mixed_on", "last_moved_on") if name in t for f in
            each_row(t, t[name] > tomorrow, CONTAINERS, name, "is a day that has not come yet by this machine's clock",
                     "correct it; what is not filled yet cannot be sampled, and is listed once it is")]


def warmer_than_said(t: pd.DataFrame, spec: TableSpec, study: Study) -> list[Fault]:
    """Containers that are warmer than [safety] says that the liquid may be when it is opened."""
    limit = study.safety.liquid_up_to_c
    if isinstance(limit, str) or "temperature_c" not in t:
        return []
    return each_row(t, t["temperature_c"] > limit, spec, "temperature_c",
                    f"is warmer than safety.liquid_up_to_c ({limit:g} °C)",
                    "correct it, or write the highest temperature in [safety]")


def _liquid_heights(t: pd.DataFrame, study: Study | None, others: Sequence[str] = ()) -> list[Fault]:
    """Fill in the liquid height from the fill volume where only that is given; a vessel must hold what is in it.

    ``others``: stores of the stock list, from which perhaps no container was chosen.
    """
    faults: list[Fault] = []
    if study is None or "vessel" not in t:
        return faults
    if "store" in t and len(t):
        faults += store_faults(study.fluid, [*t["store"], *others])
    columns = ["container", "vessel", "liquid_height_mm", "fill_volume_l", "orientation", LINE]
    for i, row in t.loc[t["vessel"].isin(study.vessels)].reindex(columns=columns).to_dict("index").items():
        vessel, height, volume = study.vessels[row["vessel"]], row["liquid_height_mm"], row["fill_volume_l"]
        if height == height and height > vessel.total_height_mm * (1 + 1e-9):
            faults.append(Fault(file=CONTAINERS.file, row=int(row[LINE]), column="liquid_height_mm",
                                value=f"{height:g}", reason=f"is above the vessel's {vessel.total_height_mm:g} mm",
                                remedy="correct the height, or the vessel in study.toml"))
        elif volume == volume and volume > vessel.capacity_l * (1 + 1e-9):
            faults.append(Fault(file=CONTAINERS.file, row=int(row[LINE]), column="fill_volume_l",
                                value=f"{volume:g}", reason=f"is more than the vessel's {vessel.capacity_l:.4g} L",
                                remedy="correct the volume, or the vessel in study.toml"))
        elif height != height and volume == volume and volume > 0:
            t.at[i, "liquid_height_mm"] = height = vessel.height_mm(volume)
        if height == height and 0 <= height <= vessel.total_height_mm:
            odd = height_fault(vessel, str(row["container"]), float(height), int(row[LINE]), study.unusual)
            faults += [odd] if odd else []
        turned = posture_fault(vessel, str(row["vessel"]), str(row["orientation"]), int(row[LINE]))
        faults += [turned] if turned else []
    return faults


def _sample_faults(t: pd.DataFrame, containers: pd.DataFrame, study: Study | None) -> list[Fault]:
    spec = SAMPLES
    faults = _key_faults(t, spec)
    if not {"kind", "container", "depth"} <= set(t):
        return faults
    free = t["kind"].isin(NO_CONTAINER)
    faults += each_row(t, (t["container"] == "") & ~free, spec, "container", "must not be empty for this kind of sample",
                       "name the container it was drawn from")
    known = set(containers.get("container", ()))
    faults += each_row(t, (t["container"] != "") & ~t["container"].isin(known), spec, "container",
                       "is not a container of plan/containers.csv", "correct the code, or add the container")
    if study is not None:
        wrong = t["kind"].isin(ZONE_KINDS) & ~t["depth"].isin(study.factors.depths)
        faults += each_row(t, wrong, spec, "depth", "is not a depth of study.toml",
                           "known are " + ", ".join(study.factors.depths))
        faults += height_order(t, containers, study)
    return faults


def _result_faults(t: pd.DataFrame, samples: pd.DataFrame, study: Study | None) -> list[Fault]:
    spec = RESULTS
    faults = _key_faults(t, spec)
    if not {"sample", "analyte", "unit", "value", "qualifier"} <= set(t):
        return faults
    known = set(samples.get("sample", ()))
    faults += each_row(t, (t["sample"] != "") & ~t["sample"].isin(known), spec, "sample",
                       "is not a sample of plan/samples.csv", "correct the code, or add the sample")
    faults += each_row(t, (t["qualifier"] == "") & t["value"].isna(), spec, "value", "must not be empty",
                       "write the result, or a qualifier with its limit")
    faults += each_row(t, (t["qualifier"] != "") & t["limit"].isna(), spec, "limit", "must not be empty beside < or >",
                       "write the limit")
    if study is None:
        return faults
    undeclared = ~t["analyte"].isin(study.analytes)
    faults += each_row(t, undeclared & (t["analyte"] != ""), spec, "analyte", "is not declared in study.toml",
                       "known are " + ", ".join(study.analytes))
    free = {s for s, kind in zip(samples.get("sample", ()), samples.get("kind", ()), strict=False) if kind == "blank"}
    zero = (t["value"] == 0) & t["sample"].isin(free)  # a blank that reads nothing
    for analyte, declared in study.analytes.items():
        rows = t["analyte"] == analyte
        faults += each_row(t, rows & (t["unit"] != declared.unit) & (t["unit"] != ""), spec, "unit",
                           f"is not the study's unit for {analyte}", f"convert to {declared.unit} (the intake does)")
        if declared.margin.relative:
            faults += each_row(t, rows & (t["qualifier"] == "") & (t["value"] <= 0) & ~zero, spec, "value",
                               "must be above zero for a margin in per cent or as a factor",
                               "correct the value, or declare an absolute margin")
    return faults


def check_tables(root: Path, *, with_results: bool = True, before_plan: bool = False
                 ) -> tuple[Tables | None, list[Fault]]:
    """Read and check all tables of a study folder; the tables are None where any fault was found.

    ``before_plan``: a study that is not locked may lack plan/samples.csv, and plan/containers.csv beside a stock list.
    """
    if not root.is_dir():
        return None, [Fault(file=str(root), reason="there is no such folder", remedy="make it: studykit new FOLDER")]
    faults: list[Fault] = []
    study: Study | None = None
    try:
        study = load_study(root)
    except BadInput as error:
        faults += error.faults
    typed: dict[str, pd.DataFrame] = {}
    lacking: set[str] = set()
    for spec in (CONTAINERS, SAMPLES, *((RESULTS,) if with_results else ())):
        ahead = before_plan and _still_to_come(root, spec)
        cells, shape = (no_cells(spec), []) if ahead else read_cells(root / spec.file, spec)
        typed[spec.name], cell_faults = type_cells(cells, spec)
        faults += shape + cell_faults
        unread = shape and (cells.empty or spec.key[0] not in cells or any(f.row != 1 for f in shape))
        if unread or any(f.column == spec.key[0] for f in cell_faults):
            lacking.add(spec.file)
    containers, samples = typed["containers"], typed["samples"]
    results = typed["results"] if with_results else type_cells(no_cells(RESULTS), RESULTS)[0]
    if "treatment" in containers:
        containers["treatment"] = containers["treatment"].replace("", "stored")
    containers = with_last_visit(containers, samples)
    faults += age_conflicts(containers, study)
    containers["age_months"] = container_ages(containers, study)
    faults += container_faults(containers, study, sampled=with_results)
    faults += _liquid_heights(containers, study, _stock_stores(root))
    if study is not None and "treatment" in containers:
        faults += scope_faults(study, int((containers["treatment"] == "stored").sum()))
    faults += age_faults(containers, samples, study) + own_factors(containers, samples, study)
    faults += _sample_faults(samples, containers, study)
    for table, spec in ((samples, SAMPLES), (containers, CONTAINERS)):
        codes = [str(c) for c in table[spec.key[0]].dropna()] if spec.key[0] in table else []
        faults += [replace(f, file=spec.file, column=spec.key[0]) for f in colliding_codes(codes)]
    faults += _result_faults(results, samples, study)
    if study is not None and results.empty and not faults:
        faults += unlike_vessels(samples, containers, study)
    if study is None or faults:
        return None, _causes(faults, lacking)
    return Tables(study=study, containers=containers.drop(columns=LINE), samples=samples.drop(columns=LINE),
                  results=results.drop(columns=LINE)), []


def _still_to_come(root: Path, spec: TableSpec) -> bool:
    """Whether a table is one that `studykit plan` will write."""
    source = root / "plan/stock.csv"
    mine = spec is SAMPLES or (spec is CONTAINERS and source.exists())
    return mine and not (root / spec.file).exists() and not (root / LOCK).exists()


def _stock_stores(root: Path) -> list[str]:
    """The stores of plan/stock.csv; none where there is no such list or it cannot be read."""
    path = root / "plan/stock.csv"
    if not path.is_file():
        return []
    cells = read_cells(path, replace(CONTAINERS, file="plan/stock.csv"))[0]
    return [str(s).strip() for s in cells["store"]] if "store" in cells else []


def _causes(faults: list[Fault], lacking: set[str]) -> list[Fault]:
    """Faults without those that only follow from another: codes of a table with unread rows, the age of a faulty day."""
    days = {(f.file, f.row) for f in faults if f.column in ("filled_on", "sampled_on")}
    follow = {f"is not a {spec.name[:-1]} of {spec.file}" for spec in (CONTAINERS, SAMPLES) if spec.file in lacking}
    if CONTAINERS.file in lacking:
        follow.add("is not a container of this table")
    return [f for f in faults if f.reason not in follow
            and not (f.column == "age_months" and (f.file, f.row) in days)]


def empty_tables(study: Study, root: Path) -> Tables:
    """The tables of a study that has no plan yet: containers where they are listed, the rest without rows."""
    typed = {}
    for spec in (CONTAINERS, SAMPLES, RESULTS):
        there = spec is CONTAINERS and (root / spec.file).exists()
        cells, shape = read_cells(root / spec.file, spec) if there else (no_cells(spec), [])
        typed[spec.name], faults = type_cells(cells, spec)
        if shape + faults:
            raise BadInput(shape + faults, title="The study folder has faults")
        typed[spec.name] = typed[spec.name].drop(columns=LINE)
    return Tables(study=study, containers=typed["containers"], samples=typed["samples"], results=typed["results"])


def load_tables(root: Path, *, with_results: bool = True) -> Tables:
    """All tables of a study folder, checked together; BadInput lists every fault of every file."""
    tables, faults = check_tables(Path(root), with_results=with_results)
    if tables is None:
        raise BadInput(faults, title="The study folder has faults")
    return tables
