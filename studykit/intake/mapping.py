"""intake.toml: how each raw file's columns, names, units and words map to the results table.

One ``[[file]]`` entry serves every file of one shape. Unknown keys, unknown analytes and units,
and patterns that leave ``raw/`` are refused, every fault at once.
"""

from __future__ import annotations

import codecs
import datetime as dt
import re
import unicodedata
from collections.abc import Collection, Iterator
from dataclasses import replace
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, model_validator

from studykit.core.errors import BadInput, Fault
from studykit.core.files import inside, line_of_key, read_toml, sha256_of
from studykit.core.litter import left_by_system
from studykit.core.numbertext import safe_cell, tidy_text
from studykit.core.plaintext import RETYPE, unreadable
from studykit.core.units import parse_unit
from studykit.intake.headwords import ABOVE, BELOW, likely_analyte, stands_beside, stands_for_another
from studykit.study.definition import Study

INTAKE_FILE = "intake.toml"
RAW_FOLDER = "raw"
GITS = (".gitkeep", ".gitignore", ".gitattributes")  # git has these laid; no results
OPTIONAL_COLUMNS = ("qualifier", "limit", "replicate", "run", "run_order", "method", "reported_on", "revision")
Meaning = Literal["below limit", "above limit", "not measured", "number"]
SourceColumn = Literal["sample", "analyte", "value", "unit", "qualifier", "limit", "replicate", "run", "run_order",
                       "method", "reported_on", "revision"]
ConstantColumn = Literal["unit", "replicate", "run", "method", "reported_on", "revision"]
_NEEDED = {"long": ("sample", "analyte", "value"), "wide": ("sample",), "wide-samples": ("analyte",)}
_ITSELF = re.compile(r"(?i)\(?([<>≤≥=]*) ?([+−-]?[.,]?[0-9][0-9.,' ’]*(?:e[+-]?[0-9]+)?)\)?"
                     r"(?: ?(?:±|\+/?-) ?[0-9][0-9.,]*\)?)? ?(.*)")
"""A number or a limit as results are written: its sign, its digits, and what stands behind it."""
_HOLDS = re.compile(r"(?i)\W*(?:[a-z]|ca\.?|about|approx\.?)?\W*\d|.*\d[.,]\d|\W*[<>≤≥⩽⩾‹›]|"
                    rf"\W*(?:{BELOW}|{ABOVE}) \d")
"""A number with a mark behind it or a letter before it ('9.8*', 'R 690'), one with decimals anywhere, a limit's sign."""
_BARRED = {"long": (), "wide": ("analyte", "value"), "wide-samples": ("sample", "value")}


def _codec(name: str) -> str:
    try:
        codecs.lookup(name)
    except LookupError:
        raise ValueError(f"{name!r} is not a known encoding; utf-8, utf-16, cp1252 and latin-1 are usual") from None
    return name


def _unit(text: str) -> str:
    parse_unit(text)
    return text


def _pattern(text: str) -> str:
    if text.startswith(("/", "\\")) or ".." in text.replace("\\", "/").split("/") or ":" in text:
        raise ValueError("the pattern leaves the raw folder; name files inside it")
    return text


def _date_format(text: str) -> str:
    if not {"%d", "%m"} <= {text[i:i + 2] for i in range(len(text))} or not ("%Y" in text or "%y" in text):
        raise ValueError("a date format needs day (%d), month (%m) and year (%Y or %y), such as %d.%m.%Y")
    return text


def _range(text: str) -> str:
    if not re.fullmatch(r"[A-Z]{1,3}[0-9]{0,7}:[A-Z]{1,3}[0-9]{0,7}|[0-9]{1,7}:[0-9]{1,7}", text):
        raise ValueError(f"a range names corners, columns or lines, such as A3:F40, A:C or 3:40, but got {text!r}")
    return text


def _is_result(word: str, meaning: str) -> bool:
    """Whether a word is a number or a limit in itself, with or without a unit; '0' may mean 'below limit'.

    As 'not measured' a word with a mark beside the number is one too: it would turn a result into nothing.
    """
    plain = unicodedata.normalize("NFKC", tidy_text(word))
    if meaning == "not measured" and _HOLDS.match(plain):
        return True
    found = _ITSELF.fullmatch(plain)
    if not found or meaning == "number":
        return False
    if meaning == "below limit" and not found[1] and not re.search("[1-9]", found[2]):
        return False
    try:
        return not found[3] or bool(parse_unit(found[3]))
    except ValueError:
        return False


def _tidy(key: str, value: Any) -> Any:
    """The headings under a key of an entry, each in one line; others as they are."""
    if key in ("ignore_columns", "blank_repeats") and isinstance(value, list):
        return [tidy_text(v) if isinstance(v, str) else v for v in value]
    if key in ("analytes", "units", "limits", "upper_limits", "leave_out") and isinstance(value, dict):
        names = {tidy_text(k) if isinstance(k, str) else k: v for k, v in value.items()}
        return names if len(names) == len(value) else value
    if key == "columns" and isinstance(value, dict):
        return {k: tidy_text(v) if isinstance(v, str) else v for k, v in value.items()}
    return value


def _plain(text: str) -> str:
    if reason := unreadable(text):
        raise ValueError(f"{reason}: {RETYPE}")
    return text


MOST_README = 200_000
_CORRECTS = re.compile(r"(?i)\b(errat\w+|corrigend\w+|corrected|correction|should (be|read)|instead of|invalid|withdrawn|"
                       r"cancel\w+|replaced?|supersed\w+|berichtig\w*|korrig\w+|korrektur|ung(ü|ue)ltig|statt|rectif\w+|annul\w+)\b")
"""Words by which a text takes results back, or puts them right (common practice, no source)."""
UnitText = Annotated[str, AfterValidator(_unit)]
Line = Annotated[int, Field(ge=1)]
Plain = Annotated[str, AfterValidator(_plain)]
Reason = Annotated[Plain, Field(min_length=3)]
Mark = Literal["hidden", "struck", "raised", "comment", "white", "merged", "format", "coloured", "remark", "cut"]


class Part(BaseModel):
    """Base of the models here: frozen, unknown keys refused, text kept as written."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class AnalyteColumn(Part):
    """What one name in the file stands for, where the bare analyte does not say enough."""

    analyte: str
    replicate: Annotated[int, Field(ge=1)] | None = None
    unit: UnitText | None = None
    qualifier: Annotated[str, Field(min_length=1)] | None = None
    reason: Reason | None = None


class FileMapping(Part):
    """One ``[[file]]`` entry: the files it serves, how they are laid out and what their words mean."""

    pattern: Annotated[str, Field(min_length=1), AfterValidator(_pattern)]
    layout: Literal["long", "wide", "wide-samples"]
    sheet: str | None = None
    range: Annotated[str, AfterValidator(_range)] | None = None
    header_row: Line | tuple[Line, Line] | None = None
    unit_row: Line | None = None
    blocks: bool = False
    footer: Annotated[str, Field(min_length=1)] | None = None
    encoding: Annotated[str, AfterValidator(_codec)] | None = None
    delimiter: Annotated[str, Field(min_length=1, max_length=1)] | None = None
    quote: Annotated[str, Field(min_length=1, max_length=1)] | None = None
    decimal: Literal[".", ","] | None = None
    thousands: Literal["", ".", ",", " ", "'"] = ""
    date_format: Annotated[str, AfterValidator(_date_format)] | None = None
    density_kg_m3: Annotated[float, Field(ge=100, le=5000)] | None = None
    blank: Literal["not measured", "below limit"] | None = None
    blank_repeats: tuple[str, ...] = ()
    blank_repeats_from: Literal["above", "below"] | None = None
    in_place: Reason | None = None
    replicates: Literal["in order"] | None = None
    revises: str | None = None
    ignore_columns: tuple[str, ...] = ()
    ignore_lines: tuple[str, ...] = ()
    ignore_sheets: tuple[str, ...] = ()
    leave_out: dict[str, dict[str, Reason]] = Field(default_factory=dict)
    ask: tuple[str, ...] = ()
    columns: dict[SourceColumn, Annotated[str, Field(min_length=1)]]
    analytes: dict[str, str | AnalyteColumn] = Field(default_factory=dict)
    units: dict[str, UnitText] = Field(default_factory=dict)
    unit_words: dict[str, UnitText] = Field(default_factory=dict)
    limits: dict[str, Annotated[float, Field(gt=0)]] = Field(default_factory=dict)
    upper_limits: dict[str, Annotated[float, Field(gt=0)]] = Field(default_factory=dict)
    words: dict[str, Meaning] = Field(default_factory=dict)
    constants: dict[ConstantColumn, Plain | int] = Field(default_factory=dict)
    codes: dict[str, str] = Field(default_factory=dict)
    marked: dict[Mark, Reason] = Field(default_factory=dict)
    confirmed: dict[str, Reason] = Field(default_factory=dict)

    @model_validator(mode="before")
    @classmethod
    def _in_one_line(cls, data: Any) -> Any:
        """Headings and names as they are compared: a line break within one is a space."""
        return {k: _tidy(k, v) for k, v in data.items()} if isinstance(data, dict) else data

    @model_validator(mode="after")
    def _harmless_words(self) -> FileMapping:
        bad = sorted(w for w in self.words if safe_cell(w) != w and re.search(r"[\w(!|]", w))
        if bad:
            raise ValueError(f"a word begins like a spreadsheet formula: {', '.join(bad)}")
        return self

    @model_validator(mode="after")
    def _whole(self) -> FileMapping:
        lacking = [c for c in _NEEDED[self.layout] if c not in self.columns]
        if lacking:
            raise ValueError(f"[file.columns] of layout {self.layout!r} also needs: {', '.join(lacking)}")
        barred = [c for c in _BARRED[self.layout] if c in self.columns]
        if barred:
            raise ValueError(f"[file.columns] of layout {self.layout!r} has no place for: {', '.join(barred)}")
        heads = list(self.columns.values())
        twice = sorted({h for h in heads if heads.count(h) > 1})
        if twice:
            raise ValueError(f"[file.columns] uses a heading for two columns: {', '.join(twice)}")
        marks = self.qualifier_heads()
        if marks and (self.layout != "wide" or "qualifier" in self.columns):
            raise ValueError("a qualifier column for each analyte belongs to the wide layout, without columns.qualifier")
        taken = sorted(set(marks.values()) & (set(heads) | set(self.analytes)))
        taken += sorted({h for h in marks.values() if list(marks.values()).count(h) > 1})
        if taken:
            raise ValueError(f"[file.analytes] uses a heading as a qualifier column and for something else: {', '.join(taken)}")
        both = sorted(set(self.columns) & set(self.constants))
        if both:
            raise ValueError(f"both a column and a constant are given for: {', '.join(both)}")
        results = {self.columns.get(c) for c in ("sample", "analyte", "value")}
        if self.leave_out and (self.layout == "wide-samples" or results & set(self.leave_out)):
            raise ValueError("leave_out names lines by a column that holds neither samples nor results")
        if self.thousands and self.thousands == (self.decimal or ""):
            raise ValueError("thousands is the same sign as decimal")
        if self.thousands and self.decimal is None:
            raise ValueError("thousands is declared without decimal; declare both")
        if self.unit_row is not None and self.layout == "long":
            raise ValueError("unit_row belongs to the wide layouts; a long file has a unit column")
        if self.unit_row is not None and "unit" in self.columns:
            raise ValueError("units come from unit_row or from a unit column, not from both")
        if self.unit_row is not None and self.unit_row <= max(self.header_lines() or (0,)):
            raise ValueError("unit_row must lie below header_row")
        return self

    def value_words(self) -> dict[str, str]:
        """[file.words] for cells of results: a number there is a result, whatever it means as a qualifier."""
        return {w: m for w, m in self.words.items() if not _is_result(w, m)}

    def header_lines(self) -> tuple[int, ...]:
        """Declared lines of the headings; empty where they are to be found."""
        if self.header_row is None:
            return ()
        return (self.header_row,) if isinstance(self.header_row, int) else self.header_row

    def qualifier_heads(self) -> dict[str, str]:
        """Heading of the qualifier column of each name under [file.analytes] that has one of its own."""
        return {n: e.qualifier for n, e in self.analytes.items() if isinstance(e, AnalyteColumn) and e.qualifier}

    def target(self, name: str) -> AnalyteColumn | None:
        """What a name in the file stands for; None where the mapping does not say."""
        entry = self.analytes.get(name)
        return AnalyteColumn(analyte=entry) if isinstance(entry, str) else entry

    def analytes_meant(self) -> set[str]:
        """The study's analytes for which names in the file stand."""
        return {t.analyte for t in map(self.target, self.analytes) if t is not None}

    def reasoned(self) -> bool:
        """Whether a person's reason stands behind every name that is read."""
        targets = [t for t in map(self.target, self.analytes) if t is not None and t.analyte]
        return bool(targets) and all(t.reason for t in targets)

    def matches(self, name: str) -> bool:
        """Whether this entry serves the file (its path under raw/, capitals count)."""
        return fnmatchcase(name, self.pattern)


class Signature(Part):
    """Who read a reading sheet against the laboratory's report, when, and the number of the sheet."""

    by: Reason
    on: dt.date
    reading: Annotated[str, Field(pattern="^[0-9a-f]{16}$")]


class Intake(Part):
    """The whole of intake.toml."""

    accept_rejected: Plain = ""
    accept_rejected_rows: Annotated[int, Field(ge=0)] | tuple[str, ...] | None = None
    sign_readings: bool = False
    signed: dict[str, Signature] = Field(default_factory=dict)
    read_by_hand: dict[str, Reason] = Field(default_factory=dict)
    laboratory_sha256: dict[str, Annotated[str, Field(pattern="^[0-9a-fA-F]{64}$")]] = Field(default_factory=dict)
    file: tuple[FileMapping, ...] = ()

    def faults(self, study: Study) -> list[Fault]:
        """Names in the mapping that the study does not know."""
        return [f for k, entry in enumerate(self.file) for f in _entry_faults(k, entry, study)]


def _entry_faults(k: int, entry: FileMapping, study: Study) -> Iterator[Fault]:
    known = ", ".join(study.analytes)
    for question in entry.ask:
        yield Fault(file=INTAKE_FILE, column=f"file.{k}.ask", value=question, reason="is not answered",
                    remedy="answer it in this entry, then take the question out of ask")
    for name in entry.analytes:
        target = entry.target(name)
        if target is not None and target.analyte and target.analyte not in study.analytes:
            yield Fault(file=INTAKE_FILE, column=f"file.{k}.analytes.{name}", value=target.analyte,
                        reason="is not an analyte of study.toml", remedy=f"known are {known}")
        own = {a for part in name.split("|") if (a := likely_analyte(part, study))}
        if own and target is not None and target.analyte in set(study.analytes) - own and not target.reason:
            yield Fault(file=INTAKE_FILE, column=f"file.{k}.analytes.{name}", value=target.analyte,
                        reason=f"stands for {' and '.join(sorted(own))}, another analyte of the study, by its own heading",
                        remedy=f'correct it; if the laboratory means {target.analyte}, say who said so: {{ analyte = '
                        f'"{target.analyte}", reason = "who said so" }}')
        elif target is not None and target.analyte in study.analytes and not target.reason and (
                why := stands_for_another(name, target.analyte, study.analytes[target.analyte].label or "")):
            yield Fault(file=INTAKE_FILE, column=f"file.{k}.analytes.{name}", value=target.analyte, reason=why,
                        remedy=f'ask the laboratory; if the numbers are those of {target.analyte}, say who said so: '
                        f'{{ analyte = "{target.analyte}", reason = "who said so" }}')
    for name in entry.analytes:
        target = entry.target(name)
        others = [n for n in entry.analytes if n != name and (t := entry.target(n)) and target and t.analyte == target.analyte]
        if not others and target is not None and (target.replicate or 1) > 1:
            others = [target.analyte]
        if target is not None and target.analyte and not target.reason and (word := stands_beside(name, others)):
            yield Fault(file=INTAKE_FILE, column=f"file.{k}.analytes.{name}", value=target.analyte,
                        reason=f"has {word!r}, and {others[0]!r} beside it is mapped to {target.analyte} too: are both results "
                        "of it?", remedy=f'set one of them to "", or say who said so: {{ analyte = "{target.analyte}", '
                        'replicate = 2, reason = "who said so" }')
    if "qualifier" not in entry.columns and not entry.qualifier_heads():
        yield from (_number_fault(k, word) for word in entry.words if word not in entry.value_words())
    for table, names in (("units", entry.units), ("limits", entry.limits), ("upper_limits", entry.upper_limits)):
        for name in names:
            if name not in study.analytes and name not in entry.analytes:
                yield Fault(file=INTAKE_FILE, column=f"file.{k}.{table}.{name}", value=name,
                            reason="is neither an analyte nor a name under [file.analytes]",
                            remedy=f"known are {known}")


def _number_fault(k: int, word: str) -> Fault:
    return Fault(file=INTAKE_FILE, column=f"file.{k}.words.{word}", value=word,
                 reason="is a number in itself, or holds a result: what stands for \"not measured\" or a limit is a word",
                 remedy="take the line out; a result is taken out with its reason: studykit exclude FOLDER; one that the "
                 "laboratory took back stays rejected: accept_rejected_rows at the head of intake.toml")


def parse_intake(data: dict[str, Any], study: Study, text: str = "") -> Intake:
    """A mapping from a dictionary; BadInput lists every fault at once, with lines where ``text`` is given."""
    try:
        intake = Intake.model_validate(data)
    except ValidationError as error:
        faults = [_fault(e) for e in error.errors(include_url=False)]
        raise BadInput(_placed(faults, text), title="The intake mapping has faults") from None
    faults = intake.faults(study)
    if faults:
        raise BadInput(_placed(faults, text), title="The intake mapping has faults")
    return intake


def _placed(faults: list[Fault], text: str) -> list[Fault]:
    """Faults with the line of their key."""
    return [replace(f, row=line_of_key(text, tuple(f.column.split(".")))) for f in faults] if text else faults


def _fault(error: Any) -> Fault:
    """One pydantic error in plain words."""
    skip = ("function-after", "tuple", "constrained", "[key]", "AnalyteColumn", "str", "int")
    where = ".".join(str(x) for x in error["loc"] if not str(x).startswith(skip))
    value = error.get("input")
    shown = "" if isinstance(value, (dict, list, tuple)) or error["type"] == "missing" else str(value)
    reason, remedy = error["msg"].removeprefix("Value error, "), "see docs/03-intake.md"
    if error["type"] == "extra_forbidden":
        reason, remedy = "this key is not known here", "check the spelling; docs/03-intake.md lists the keys"
    elif error["type"] == "missing":
        reason, remedy = "this key is required and missing", "add it; docs/03-intake.md has examples"
    elif error["type"] == "literal_error":
        reason, remedy = f"must be one of {error['ctx']['expected']}", "choose one of these"
    return Fault(file=INTAKE_FILE, column=where, value=shown, reason=reason, remedy=remedy)


def load_intake(root: Path, study: Study) -> Intake:
    """Read intake.toml of a study folder; BadInput where it is missing or has faults."""
    path = Path(root) / INTAKE_FILE
    data, text = read_toml(path, "propose one with: studykit intake FOLDER --suggest FILE")
    intake = parse_intake(data, study, text)
    if faults := laboratory_faults(Path(root), intake):
        raise BadInput(_placed(faults, text), title="A raw file is not the one that the laboratory stated")
    return intake


def laboratory_faults(root: Path, intake: Intake) -> list[Fault]:
    """Raw files that are gone, or whose SHA-256 is not the one that the laboratory gave for its file."""
    out = []
    for name, stated in intake.laboratory_sha256.items():
        path = inside(root / "raw", name, INTAKE_FILE)
        if not path.is_file():
            reason, remedy = "there is no such file under raw/", "put it there, or correct the name"
        elif sha256_of(path) != stated.lower():
            reason, remedy = "is not the file whose hash the laboratory stated", "ask the laboratory for its file again"
        else:
            continue
        out.append(Fault(file=f"raw/{name}", column="laboratory_sha256", value=stated[:12], reason=reason, remedy=remedy))
    return out


def raw_files(root: Path) -> list[str]:
    """Files under raw/ as relative paths with '/', sorted; hidden files, temporary copies and what systems leave are not."""
    return [n for n in _under_raw(root) if not any(p.startswith("~$") for p in n.split("/"))]


def _under_raw(root: Path) -> list[str]:
    folder = Path(root) / RAW_FOLDER
    names = (p.relative_to(folder).as_posix() for p in sorted(folder.rglob("*")) if p.is_file()) if folder.is_dir() else ()
    return [n for n in names if not any(p.startswith(".") or left_by_system(p) for p in n.split("/"))]


def unread_files(root: Path) -> dict[str, str]:
    """Files under raw/ that are never read as results, with the reason; hidden ones stand in ``hidden_files``."""
    read = {n for n in raw_files(root) if not _is_readme(n)}
    told = {n: "" if n in read else "a README" if _is_readme(n) else "the temporary copy of an open spreadsheet"
            for n in _under_raw(root)}
    return {n: f"{what}: never read as results" for n, what in told.items() if what}


def readme_faults(root: Path, intake: Intake, codes: Collection[str]) -> list[Fault]:
    """Each README under raw/ that names a sample or speaks of a correction, and that nobody says to have read."""
    out = []
    for name in filter(_is_readme, raw_files(root)):
        text = (Path(root) / RAW_FOLDER / name).read_bytes()[:MOST_README].decode("utf-8", "replace").replace("\0", "")
        told = next((line for line in text.splitlines() if _CORRECTS.search(line)
                     or not set(re.findall(r"[\w./-]+", line)).isdisjoint(codes)), "")
        if told and name not in intake.read_by_hand:
            out.append(Fault(file=f"{RAW_FOLDER}/{name}", row=text[:text.index(told)].count("\n") + 1, value=told.strip()[:120],
                             reason="is a README, which is never read, and speaks of a sample or of a correction",
                             remedy="read it, and put right what it says in a copy of the file or by the laboratory's "
                             f"corrected report; then write read_by_hand = {{ '{name}' = \"who read it\" }} at the top of "
                             "intake.toml"))
    return out


def hidden_files(root: Path) -> list[str]:
    """Files under raw/ that are not read because they, or a folder above them, are hidden; relative paths with '/', sorted."""
    folder = Path(root) / RAW_FOLDER
    names = sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()) if folder.is_dir() else []
    return [n for n in names if any(p.startswith(".") for p in n.split("/")) and n.rpartition("/")[2] not in GITS
            and not any(map(left_by_system, n.split("/")))]


def _is_readme(name: str) -> bool:
    return name.rpartition("/")[2].lower() in ("readme", "readme.md", "readme.txt")


def assign(intake: Intake, names: list[str]) -> tuple[list[tuple[str, FileMapping]], list[Fault]]:
    """Each raw file with the entries that serve it; faults for files with none, entries that overlap, and idle ones.

    Several entries serve one file where each names another sheet or another range of it.
    """
    pairs: list[tuple[str, FileMapping]] = []
    faults: list[Fault] = []
    idle = set(range(len(intake.file)))
    for name in names:
        if _is_readme(name):
            continue
        if not name.isprintable() or any("\ud800" <= c <= "\udfff" for c in name):
            faults.append(Fault(file=RAW_FOLDER, value=name.encode("utf-8", "replace").decode("utf-8"),
                                reason="is a file name with signs that are not text", remedy="rename the file"))
            idle -= {k for k, entry in enumerate(intake.file) if entry.matches(name)}
            continue
        fitting = [k for k, entry in enumerate(intake.file) if entry.matches(name)]
        idle -= set(fitting)
        parts = [(intake.file[k].sheet, intake.file[k].range) for k in fitting]
        if not fitting:
            faults.append(Fault(file=f"{RAW_FOLDER}/{name}", reason="no entry of intake.toml serves this file",
                                remedy=f"propose one with: studykit intake FOLDER --suggest {RAW_FOLDER}/{name}"))
        elif len(fitting) > 1 and (len(set(parts)) < len(parts) or (None, None) in parts or ("*", None) in parts):
            shown = ", ".join(repr(intake.file[k].pattern) for k in fitting)
            faults.append(Fault(file=f"{RAW_FOLDER}/{name}", reason=f"several entries serve this file: {shown}",
                                remedy="make the patterns narrower, or give each its own sheet or range"))
        else:
            pairs += [(name, intake.file[k]) for k in fitting]
    for k in sorted(idle):
        faults.append(Fault(file=INTAKE_FILE, column=f"file.{k}.pattern", value=intake.file[k].pattern,
                            reason="no file under raw/ has such a name",
                            remedy="correct the pattern, add the file, or remove the entry"))
    return pairs, faults
