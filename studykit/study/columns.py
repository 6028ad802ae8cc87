"""What the three tidy tables may hold: columns, kinds, allowed words. The data dictionary is made from here."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any, Literal

import pandas as pd

from studykit.core.errors import Fault
from studykit.core.numbertext import safe_cell

Kind = Literal["code", "text", "number", "fraction", "count", "date", "moment", "choice"]

LINE = "_line"
"""The column that holds the line of each row in its file, while a table is checked."""
LARGEST = 1e12
"""No count, length, time or result of a study is larger, in any unit of its tables (own judgement)."""
PATH_LIKE = re.compile(r"(^|[\\/])\.\.([\\/]|$)|[\\\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")
NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", re.ASCII)
DATE = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
MOMENT = re.compile(r"\d{4}-\d{2}-\d{2}([T ]\d{2}:\d{2}(:\d{2})?)?", re.ASCII)

SAMPLE_KINDS = ("spot", "duplicate", "split", "heel", "composite", "retained", "blank", "check fluid")
ZONE_KINDS = ("spot", "duplicate", "split")
NO_CONTAINER = ("blank", "check fluid", "retained")
TREATMENTS = ("stored", "remixed control", "layered control")


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column: its name, kind, meaning (with unit), whether it must be there and filled."""

    name: str
    kind: Kind
    meaning: str
    required: bool = False
    filled: bool = False
    words: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TableSpec:
    """One table: its file in the study folder, its key and its columns."""

    name: str
    file: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    extra_allowed: bool

    @property
    def names(self) -> tuple[str, ...]:
        """Names of all known columns, in order."""
        return tuple(c.name for c in self.columns)

    def column(self, name: str) -> Column:
        """The column of that name."""
        return next(c for c in self.columns if c.name == name)


def _c(name: str, kind: Kind, meaning: str, **rest: Any) -> Column:
    return Column(name=name, kind=kind, meaning=meaning, **rest)


CONTAINERS = TableSpec(
    name="containers",
    file="plan/containers.csv",
    key=("container",),
    extra_allowed=True,
    columns=(
        _c("container", "code", "code of the container; always text", required=True, filled=True),
        _c("lot", "code", "fill or blend it came from"),
        _c("store", "code", "place and conditions of storage"),
        _c("vessel", "code", "a shape under [vessels] in study.toml", required=True, filled=True),
        _c("liquid_height_mm", "number", "height of the liquid above the lowest point of the floor, mm", low=0.0),
        _c("fill_volume_l", "number", "volume of liquid, L (instead of the height)", low=0.0),
        _c("filled_on", "date", "day of filling, YYYY-MM-DD"),
        _c("sampled_on", "date", "day of sampling, YYYY-MM-DD"),
        _c("age_months", "number", "age at sampling in months; derived from the two days where both are given", low=0.0),
        _c("last_moved_on", "date", "day it was last moved"),
        _c("last_mixed_on", "date", "day it was last mixed; resets settling"),
        _c("orientation", "choice", "how it stood in storage", words=("", "upright", "lying", "inverted")),
        _c("temperature_c", "number", "liquid temperature at sampling, °C", low=-80.0, high=250.0),
        _c("treatment", "choice", "stored, or a control; empty means stored", words=TREATMENTS),
        _c("sister_of", "code", "a container of the same lot, store and age, sampled at another visit"),
    ),
)

SAMPLES = TableSpec(
    name="samples",
    file="plan/samples.csv",
    key=("sample",),
    extra_allowed=True,
    columns=(
        _c("sample", "code", "blind code on the bottle; always text", required=True, filled=True),
        _c("container", "code", "container it was drawn from; empty for a blank or check fluid", required=True),
        _c("kind", "choice", "what the sample is", required=True, filled=True, words=SAMPLE_KINDS),
        _c("depth", "code", "depth label of the zone, as in [factors] depths; 'heel' for a heel draw", required=True),
        _c("height", "fraction", "mid-height of the drawn zone as a fraction of the liquid height (0 floor, 1 surface)"),
        _c("draw_order", "count", "order of the draws, from 1"),
        _c("purge_ml", "number", "purged before the draw, mL", low=0.0),
        _c("volume_ml", "number", "volume drawn, mL", low=0.0),
        _c("density_kg_m3", "number", "density of the zone, kg/m³, for mass weighting", low=1.0, high=30000.0),
        _c("tool", "text", "tool used"),
        _c("visited_on", "date", "day of the visit, where a container is drawn at more than one; else its sampled_on counts"),
        _c("stood_from", "date", "day from which the container stood at this visit, where it was mixed or moved after it"),
        _c("drawn_at", "moment", "date (and time) of the draw"),
        _c("drawn_by", "text", "initials or role"),
        _c("appearance", "text", "clear, hazy, layer, sediment ..."),
        _c("note", "text", "anything unusual"),
    ),
)

RESULTS = TableSpec(
    name="results",
    file="tidy/results.csv",
    key=("sample", "analyte", "replicate"),
    extra_allowed=False,
    columns=(
        _c("sample", "code", "blind code", required=True, filled=True),
        _c("analyte", "code", "a key under [analytes] in study.toml", required=True, filled=True),
        _c("value", "number", "result in the study's unit; for a '<' or '>' result the limit", required=True),
        _c("unit", "text", "unit of value", required=True, filled=True),
        _c("qualifier", "choice", "empty, or < or > where only a limit is known", required=True, words=("", "<", ">")),
        _c("limit", "number", "the limit behind < or >, in the study's unit"),
        _c("as_written", "text", "the cell exactly as the laboratory wrote it"),
        _c("replicate", "count", "number of the determination on this sample, from 1", required=True, filled=True),
        _c("run", "code", "laboratory batch"),
        _c("run_order", "count", "position within the run"),
        _c("method", "text", "method with edition"),
        _c("reported_on", "date", "day of the report"),
        _c("revision", "count", "0 for the first report; larger for a corrected one"),
        _c("source_file", "text", "file under raw/", required=True),
        _c("source_row", "count", "line of that file (header is line 1)", required=True),
        _c("marks", "text", "what is to be known of the cell: text (a number stored as text), hidden, struck, comment, format, "
           "..., confirmed; else empty"),
    ),
)

TABLES = (CONTAINERS, SAMPLES, RESULTS)


def convert(text: str, column: Column) -> tuple[Any, str, str]:
    """One cell: the typed value, and a reason and remedy where it cannot be taken (else two empty strings)."""
    stripped = text.strip()
    if stripped == "":
        if column.filled:
            return None, "must not be empty", "fill it in"
        return None, "", ""
    if column.kind == "code" and safe_cell(stripped) != stripped:
        return None, "begins like a spreadsheet formula", "use a code that begins with a letter or digit"
    if column.kind == "code" and PATH_LIKE.search(stripped):
        return None, "looks like a path, or has signs that are not text", "use letters, digits and hyphens"
    if column.kind in ("code", "text"):
        return (stripped if column.kind == "code" else text), "", ""
    if column.kind == "choice":
        if stripped in column.words:
            return stripped, "", ""
        return None, "is not one of " + ", ".join(repr(w) for w in column.words), "use one of these words"
    if column.kind in ("date", "moment"):
        return _date(stripped, column)
    return _number(stripped, column)


def _date(text: str, column: Column) -> tuple[Any, str, str]:
    pattern = DATE if column.kind == "date" else MOMENT
    if not pattern.fullmatch(text):
        return None, "is not a date", "write YYYY-MM-DD" + ("" if column.kind == "date" else " or YYYY-MM-DD HH:MM")
    try:
        day = pd.Timestamp(text)
        return (day, "", "") if 1950 <= day.year <= 2100 else (None, "is not a day between 1950 and 2100", "correct the date")
    except ValueError:
        return None, "is not a day of the calendar", "correct the date"


def _number(text: str, column: Column) -> tuple[Any, str, str]:
    if column.kind == "count" and len(text) < 10 and text.isascii() and text.isdigit():
        return int(text), "", ""  # nearly all counts, of which a long table has one in each row
    if not NUMBER.fullmatch(text):
        hint = "write a decimal point" if "," in text else "write a plain number"
        return None, "is not a number", hint
    value = float(text)
    if abs(value) > LARGEST:
        return None, "is too large for a quantity of a study", "correct the number"
    if column.kind == "count":
        if value != int(value) or value < 0:
            return None, "is not a whole number from 0", "write a whole number"
        return int(value), "", ""
    low, high = (0.0, 1.0) if column.kind == "fraction" else (column.low, column.high)
    if (low is not None and value < low) or (high is not None and value > high):
        span = f"{low:g} to {high:g}" if low is not None and high is not None else f"from {low:g}"
        return None, f"must lie in {span}", "check the number and its unit"
    return value, "", ""


def each_row(table: pd.DataFrame, mask: pd.Series, spec: TableSpec, column: str, reason: str, remedy: str) -> list[Fault]:
    """One fault for each row under the mask; ``{name}`` in the reason stands for the row's cell in that column.

    What a person wrote comes into the reason in no other way: it may hold braces.
    """
    wanted = mask.astype(bool)
    if not wanted.any():
        return []
    chosen = table[wanted]
    return [Fault(file=spec.file, row=int(row[LINE]), column=column, value=cell_text(row[column]),
                  reason=reason.format_map(row), remedy=remedy) for row in chosen.to_dict("records")]


def cell_text(value: Any) -> str:
    """A typed cell as a message shows it: a day as YYYY-MM-DD, nothing for a missing value."""
    if isinstance(value, pd.Timestamp):
        return value.strftime("%Y-%m-%d")
    return "" if pd.isna(value) else str(value)
