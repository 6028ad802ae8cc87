"""Write docs/data-dictionary.md from the code: ``python -m tests.make_dictionary``.

Tables come from ``tablespec`` and ``exclusions``, keys of study.toml and intake.toml from their pydantic
models, meanings of the keys from ``dictionary_words``. A key without a meaning stops the making.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel

from studykit.intake import mapping
from studykit.quality.controls import CHECK_TABLE
from studykit.study import actions, drawing, factors, safety
from studykit.study import definition as settings
from studykit.study.columns import TABLES, Column, TableSpec
from studykit.study.definition import Study
from studykit.study.exclusions import EXCLUSIONS
from studykit.vessels import shapes as vessel
from tests.dictionary_words import MEANINGS

PAGE = Path(__file__).resolve().parent.parent / "docs/data-dictionary.md"
ABOUT = {
    "containers": "One line a container.",
    "samples": "One line a bottle.",
    "results": "One line a determination. Written by the intake, never by hand.",
    "exclusions": "Optional. One line for each result that a person took out, with the reason.",
    "check limits": "Optional. Limits of the check fluid.",
}
KINDS = {
    "code": "text, never a number, so that 007 stays 007",
    "text": "text",
    "number": "number with a decimal point",
    "fraction": "number from 0 to 1",
    "count": "whole number from 0",
    "date": "day, YYYY-MM-DD",
    "moment": "day, or day and time, YYYY-MM-DD HH:MM",
    "choice": "one of the words listed",
}
SHAPES: tuple[type[BaseModel], ...] = get_args(get_args(vessel.Vessel)[0])  # what study.toml may name
SECTIONS: tuple[tuple[str, type[BaseModel]], ...] = (
    ("study.toml, at the head", Study), ("[factors]", factors.Factors), ("[analytes.NAME]", settings.Analyte),
    ("margin, of an analyte", settings.Margin), ("repeatability, of an analyte", settings.Repeatability),
    *((f"[vessels.NAME], {s.model_fields['shape'].default}", s) for s in SHAPES),
    ("bottom, of a vessel", vessel.Bottom), ("pieces, of a stacked vessel", vessel.Section),
    ("[factors.columns.NAME]", factors.OwnFactor), ("[time]", factors.TimeSettings),
    ("[fluid]", settings.FluidSettings), ("[[components]]", settings.ComponentSettings),
    ("[design]", settings.DesignSettings), ("[design.guesses.NAME]", settings.Assumption),
    ("[sampling]", drawing.SamplingSettings), ("[[sampling.zones]]", drawing.ZonePlace),
    ("[[sampling.tests]]", drawing.TestVolume), ("[sampling.labels]", drawing.LabelSheet),
    ("an action, of [actions]", actions.Action), ("[safety]", safety.SafetySettings), ("[deposit]", settings.DepositSettings),
    ("intake.toml, at the head", mapping.Intake), ("[signed.FILE]", mapping.Signature), ("[[file]]", mapping.FileMapping),
    ("an entry of [file.analytes]", mapping.AnalyteColumn),
)
BOUNDS = (("exclusiveMinimum", "above {}"), ("minimum", "from {}"), ("exclusiveMaximum", "below {}"),
          ("maximum", "up to {}"), ("minLength", "at least {} characters"), ("maxLength", "at most {} characters"),
          ("minItems", "at least {} entries"), ("minProperties", "at least {} entries"))
PLAIN = {"string": "text", "number": "number", "integer": "whole number", "boolean": "true or false"}
FORM = "^[a-z]{2}(-[A-Z]{2})?$"


def row(*cells: str) -> str:
    """One line of a Markdown table."""
    return "| " + " | ".join(c.replace("|", "\\|") for c in cells) + " |"


def head(*names: str) -> list[str]:
    """The head of a Markdown table."""
    return [row(*names), row(*("---" for _ in names))]


# ---- tables


def column_limits(column: Column) -> str:
    """Words or bounds of a column."""
    if column.words:
        return ", ".join("empty" if w == "" else f"`{w}`" for w in column.words)
    bounds = [f"from {column.low:g}"] if column.low is not None else []
    return " ".join([*bounds, f"up to {column.high:g}"] if column.high is not None else bounds)


def table_lines(spec: TableSpec) -> Iterator[str]:
    """One table: file, key, columns."""
    yield f"### {spec.file}"
    yield ""
    more = "Further columns are kept." if spec.extra_allowed else "Further columns are refused."
    yield f"{ABOUT[spec.name]} Key: {', '.join(f'`{k}`' for k in spec.key)}. {more}"
    yield ""
    yield from head("Column", "Kind", "Must be there", "Must be filled", "Limits", "Meaning")
    for c in spec.columns:
        yield row(f"`{c.name}`", c.kind, "yes" if c.required else "", "yes" if c.filled else "", column_limits(c), c.meaning)
    yield ""


# ---- keys


def kind_of(schema: dict[str, Any]) -> tuple[str, str]:
    """Kind and limits of one key from its JSON schema."""
    if "anyOf" in schema:
        parts = [kind_of(s) for s in schema["anyOf"] if s.get("type") != "null"]
        return " or ".join(dict.fromkeys(k for k, _ in parts)), "; ".join(dict.fromkeys(b for _, b in parts if b))
    if "$ref" in schema or "oneOf" in schema:
        return "table", ""
    if "const" in schema:
        return "word", f"`{schema['const']}`"
    if "enum" in schema:
        return "word", ", ".join("empty" if w == "" else f"`{w}`" for w in schema["enum"])
    limits = [_counted(text.format(f"{schema[k]:g}")) for k, text in BOUNDS if k in schema]
    if schema.get("minLength") == schema.get("maxLength") == 1:
        limits = ["one character"]
    if schema.get("pattern") == FORM:
        limits.append("two letters, such as `en` or `en-GB`")
    if schema.get("type") == "array":
        return _list_of(schema, limits)
    if schema.get("type") == "object":
        return _table_of(schema, limits)
    return PLAIN[schema["type"]], ", ".join(limits)


def _counted(text: str) -> str:
    return {"at least 1 characters": "not empty", "at least 1 entries": "at least one"}.get(text, text)


def _list_of(schema: dict[str, Any], limits: list[str]) -> tuple[str, str]:
    inner = schema.get("items") or (schema.get("prefixItems") or [{}])[0]
    kind, bounds = kind_of(inner)
    return f"list: {kind}", ", ".join([*limits, *([f"each {bounds}" if kind != "word" else bounds] if bounds else [])])


def _table_of(schema: dict[str, Any], limits: list[str]) -> tuple[str, str]:
    kind, bounds = kind_of(schema["additionalProperties"]) if schema.get("additionalProperties") else ("text", "")
    keys = ", ".join(f"`{w}`" for w in schema.get("propertyNames", {}).get("enum", []))
    found = [*limits, *([f"keys {keys}"] if keys else []), *([f"each {bounds}"] if bounds else [])]
    return f"table: {kind}", "; ".join(found)


def default_of(schema: dict[str, Any], required: bool) -> str:
    """What a key left out stands for."""
    value = schema.get("default")
    if required:
        return "required"
    if isinstance(value, bool):
        return f"`{str(value).lower()}`"
    if isinstance(value, list) and value:
        return ", ".join(f"`{v}`" for v in value)
    return "" if value in (None, "", [], {}) or isinstance(value, dict) else f"`{value}`"


def meaning_of(model: type[BaseModel], key: str) -> str:
    """Meaning of a key, from the class or from the shape it is one of; KeyError where nobody wrote one."""
    for name in (model.__name__, "Shape" if issubclass(model, vessel.Shape) else ""):
        if key in MEANINGS.get(name, {}):
            return MEANINGS[name][key]
    raise KeyError(f"write the meaning of {model.__name__}.{key} in tests/dictionary_words.py")


def section_lines(title: str, model: type[BaseModel]) -> Iterator[str]:
    """One section: every key with kind, default, limits and meaning."""
    yield f"### {title}"
    yield ""
    yield from head("Key", "Kind", "Left out", "Limits", "Meaning")
    schema = model.model_json_schema()
    for key, part in schema["properties"].items():
        kind, limits = kind_of(part)
        required = key in schema.get("required", ()) or (issubclass(model, vessel.Shape) and key == "shape")
        yield row(f"`{key}`", kind, default_of(part, required), limits, meaning_of(model, key))
    yield ""


def page() -> str:
    """The whole page."""
    lines = ["# Data dictionary", "", "Made from the code by `python -m tests.make_dictionary`; do not edit.", "",
             "Tables are CSV files in UTF-8 with a comma between cells. An empty cell means unknown.", "",
             "Kinds of columns:", "", *(f"- {name}: {text}" for name, text in KINDS.items()), "", "## Tables", ""]
    for spec in (*TABLES, EXCLUSIONS, CHECK_TABLE):
        lines += table_lines(spec)
    lines += ["## Keys of study.toml and intake.toml", "", "Unknown keys are refused. NAME is yours to choose.", ""]
    for title, model in SECTIONS:
        lines += section_lines(title, model)
    return "\n".join(lines).rstrip() + "\n"


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8", newline="\n")
