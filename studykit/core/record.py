"""Numbers that the report quotes: recorded with name, value, unit and digits, and formatted in one place.

A number reaches prose only through its record, so that no digit is typed by hand and
``recheck`` can compare every one of them.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from studykit.core.files import json_text, read_json, write_json, write_text
from studykit.core.ties import steady

MINUS = "\u2212"
DEFAULT_TOLERANCE = 1e-6
CLASSES = {"estimate": DEFAULT_TOLERANCE, "optimised": 1e-4, "count": 0.0, "word": 0.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberRecord:
    """One quoted number (or word): name, value, unit, reported digits, relative tolerance, stage, table behind it."""

    name: str
    value: float | int | str
    unit: str = ""
    digits: int = 3
    tolerance: float = DEFAULT_TOLERANCE
    stage: str = ""
    table: str = ""

    def text(self) -> str:
        """Value and unit as the report prints them."""
        return quote(self.value, self.unit, self.digits)


def significant(value: float, digits: int = 4) -> str:
    """A number with that many significant digits, never in exponent form between 1e-4 and 1e7.

    Infinite and missing values give '∞', '−∞' and an empty string.
    """
    if value != value:
        return ""
    if math.isinf(value):
        return "∞" if value > 0 else MINUS + "∞"
    if value == 0:
        return "0"
    value = steady(value)
    size = abs(value)
    if not 1e-4 <= size < 1e7:
        return f"{value:.{digits - 1}e}".replace("-", MINUS)
    rounded = float(f"{size:.{digits - 1}e}")
    places = max(0, digits - 1 - math.floor(math.log10(rounded)))
    text = f"{value:.{places}f}"
    return text.replace("-", MINUS) if float(text) != 0 else f"{0:.{places}f}"


def quote(value: float | int | str, unit: str = "", digits: int = 3) -> str:
    """A value with its unit, as printed: words and whole numbers as they are, the rest to ``digits`` digits."""
    if isinstance(value, (str, bool, int)):
        text = str(value).replace("-", MINUS) if isinstance(value, int) else str(value)
    else:
        text = significant(float(value), digits)
    return f"{text} {unit}".rstrip() if unit not in ("", "1") else text


def plain(value: Any) -> float | int | str:
    """A numpy or pandas scalar as a plain number or text; NaN becomes the word 'not available'."""
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, bool):
        return "yes" if value else "no"
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return "not available" if value is None or value != value else ("inf" if value > 0 else "-inf")
    return value if isinstance(value, (int, float, str)) else str(value)


class Recorder:
    """Collects the number records of one stage; the first one replaces ``numbers.json`` in the stage's folder."""

    def __init__(self, stage: str, folder: Path) -> None:
        self.stage = stage
        self.path = folder / "numbers.json"
        self._records: dict[str, NumberRecord] = {}
        self._written: list[str] = []

    def record(self, name: str, value: Any, unit: str = "", digits: int = 3, *, kind: str = "", table: str = "") -> str:
        """Record one number under a name that is new in this stage; returns its printed text.

        ``kind`` is 'estimate' (relative tolerance 1e-6), 'optimised' (1e-4, for numbers
        behind an iterative optimum), 'count' or 'word' (exact). Raises ValueError for a name twice.
        """
        if name in self._records:
            raise ValueError(f"name must be new in stage {self.stage}, but {name!r} is recorded already")
        value = plain(value)
        if not kind:
            kind = "word" if isinstance(value, str) else "count" if isinstance(value, int) else "estimate"
        entry = NumberRecord(name=name, value=value, unit=unit, digits=digits, tolerance=CLASSES[kind],
                             stage=self.stage, table=table)
        self._records[name] = entry
        self._written.append("  " + json_text(asdict(entry)).replace("\n", "\n  "))
        write_text(self.path, "[\n" + ",\n".join(self._written) + "\n]\n", lasting=False)  # as ``write_json`` would
        return entry.text()

    def to_table(self) -> pd.DataFrame:
        """The records as a table: name, value as printed, unit, stage."""
        rows = [(r.name, quote(r.value, "", r.digits), r.unit, r.table) for r in self._records.values()]
        return pd.DataFrame(rows, columns=["name", "value", "unit", "table behind it"])

    def texts(self) -> dict[str, str]:
        """Printed text of every record, by name."""
        return {n: r.text() for n, r in self._records.items()}


def read_records(path: Path) -> tuple[NumberRecord, ...]:
    """The records of one numbers.json."""
    return tuple(NumberRecord(**entry) for entry in read_json(path))


def merge_records(folder: Path, stems: Iterable[str]) -> tuple[NumberRecord, ...]:
    """All records of the stages under ``folder``, in the stages' order, written to its numbers.json."""
    records: list[NumberRecord] = []
    for stem in stems:
        if (folder / stem / "numbers.json").exists():
            records += read_records(folder / stem / "numbers.json")
    write_json(folder / "numbers.json", [asdict(r) for r in records])
    return tuple(records)


_TURNS = re.compile(r"[\x00-\x08\x0e-\x1f\x7f\u061c\u200b\u200e\u200f\u202a-\u202e\u2060-\u2069\ufeff]"
                    r"|(?<![\u0590-\u109f\u1780-\u18af])[\u200c\u200d]")


def literal(text: str) -> str:
    """A text from a person as Markdown that shows it as it is, in one line.

    No HTML, link, picture, code, formula, emphasis or line of its own; signs that turn the reading order are shown as such.
    """
    inline = " ".join(_TURNS.sub(lambda m: f"(U+{ord(m[0]):04X})", text).split())
    safe = re.sub(r"([\\`\[$*_~|]|<(?=[A-Za-z/!?])|^[#>+-])", r"\\\1", inline)
    return re.sub(r"^(\d+)([.)])", r"\1\\\2", safe)


def fill(template: str, texts: Mapping[str, str]) -> str:
    """A sentence with ``{name}`` replaced by the recorded text; KeyError-like ValueError for an unknown name."""
    parts = re.split(r"(\{[^{}]*\})", template)
    for k, part in enumerate(parts):
        if part.startswith("{") and part[1:-1] in texts:
            parts[k] = texts[part[1:-1]]
        elif "{" in part:
            raise ValueError(f"name must be a recorded number, but got {part!r}")
    return "".join(parts)
