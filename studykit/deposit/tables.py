"""A Data Package v2 descriptor of every table that the kit wrote: schema, units and a description of each column.

Descriptions of stage tables are their captions in the filed notebooks, those of columns stand in templates/columns.toml
and ``studykit.study.columns``. Raw files are the laboratory's and are not described.
"""

from __future__ import annotations

import ast
import csv
import hashlib
import io
import json
import re
import tomllib
from collections.abc import Iterator, Mapping
from functools import cache
from typing import Any

from studykit.study.columns import TABLES, Column
from studykit.study.exclusions import EXCLUSIONS
from studykit.study.stages import HERE

PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"
SPECS = {spec.file: spec for spec in (*TABLES, EXCLUSIONS)}
CODES = ("sample", "container", "lot", "store", "run", "other", "after", "vessel", "visit", "who", "analyte", "depth",
         "largest shift, container", "without", "left out", "sister_of")
"""Columns that hold text whatever it looks like, beside those that the study's own tables declare as text."""
TEXT = ("code", "text", "choice")
TEXTS = frozenset({*CODES, *(c.name for spec in SPECS.values() for c in spec.columns if c.kind in TEXT)})
WHOLE, DECIMAL = re.compile(r"[-+]?(0|[1-9]\d*)"), re.compile(
    r"[-+]?((0|[1-9]\d*)(\.\d*)?|\.\d+)([eE][-+]?\d+)?|-?inf")
DAY = re.compile(r"\d{4}-\d{2}-\d{2}")
OWN = "a further column of the study's own table"


@cache
def known() -> dict[str, Any]:
    """Units and meanings of columns, and what tables without a caption hold."""
    return tomllib.loads((HERE / "templates/columns.toml").read_text(encoding="utf-8"))


def described(path: str) -> bool:
    """Whether a file of the study is a table of the kit: under plan/, tidy/ or report/."""
    return path.endswith(".csv") and path.partition("/")[0] in ("plan", "tidy", "report")


def captions(notebook: str) -> dict[str, str]:
    """Captions of the tables that a notebook saves, by name; those put together at run time are left out."""
    out: dict[str, str] = {}
    for cell in json.loads(notebook)["cells"]:
        if cell["cell_type"] == "code":
            out |= dict(_captions(ast.parse("".join(cell["source"]))))
    return out


def _captions(tree: ast.AST) -> Iterator[tuple[str, str]]:
    for node in ast.walk(tree):
        given = {k.arg: k.value for k in node.keywords} if isinstance(node, ast.Call) else {}
        name, caption = given.get("name"), given.get("caption")
        if isinstance(name, ast.Constant) and isinstance(caption, ast.Constant):
            yield str(name.value), str(caption.value)


def descriptor(head: Mapping[str, Any], files: Mapping[str, bytes], prefix: str) -> dict[str, Any]:
    """datapackage.json as a dictionary; ``files``: of the study, by path; ``prefix``: the study's folder in the package."""
    told = {p.split("/")[1]: captions(data.decode()) for p, data in files.items()
            if p.startswith("report/") and p.endswith(".ipynb")}
    out, names = [], set[str]()
    for path, data in sorted(files.items()):
        if described(path):
            name = _name(path, names)
            names.add(name)
            out.append(resource(path, data, name, prefix, told))
    return {"$schema": PROFILE, **head, "resources": out}


def _name(path: str, taken: set[str]) -> str:
    """A resource's name: lower case, dots and hyphens, new among those taken."""
    name = re.sub(r"[^a-z0-9]+", "-", path.removesuffix(".csv").lower()).strip("-")
    return name if name not in taken else f"{name}-{hashlib.sha256(path.encode()).hexdigest()[:8]}"


def resource(path: str, data: bytes, name: str, prefix: str, told: Mapping[str, Mapping[str, str]]) -> dict[str, Any]:
    """One table with its schema."""
    rows = list(csv.reader(io.StringIO(data.decode("utf-8-sig"), newline="")))
    head, body = (rows[0], [r for r in rows[1:] if any(r)]) if rows else ([], [])
    fields = [field(path, column, [r[k] for r in body if k < len(r)]) for k, column in enumerate(head)]
    schema: dict[str, Any] = {"fields": fields, "missingValues": [""]}
    if path in SPECS:
        schema["primaryKey"] = list(SPECS[path].key)
    return {"name": name, "type": "table", "path": f"{prefix}/{path}", "description": about(path, told), "format": "csv",
            "mediatype": "text/csv", "encoding": "utf-8", "bytes": len(data), "schema": schema,
            "hash": f"sha256:{hashlib.sha256(data).hexdigest()}"}


def about(path: str, told: Mapping[str, Mapping[str, str]]) -> str:
    """What a table holds, in a sentence."""
    parts = path.removesuffix(".csv").split("/")
    stem, kept = parts[-1], known()["tables"]
    if parts[0] == "report" and (found := told.get(parts[1], {}).get(stem)):
        return found
    if parts[:2] == ["tidy", "reading"]:
        return "What was read of one raw file, cell by cell."
    return str(kept.get("rows" if stem.startswith("rows-") else stem, f"Table {stem} of {'/'.join(parts[:-1])}."))


def field(path: str, name: str, cells: list[str]) -> dict[str, Any]:
    """One column: its type from what is declared of it, else from what it holds; unit and meaning."""
    spec = next((c for c in SPECS[path].columns if c.name == name), None) if path in SPECS else None
    unit, meaning = (_unit_of(spec), spec.meaning) if spec else meaning_of(path, name)
    kind = type_of(name, [c for c in cells if c], spec)
    out: dict[str, Any] = {"name": name, "type": kind, "description": f"{meaning[:1].upper()}{meaning[1:]}."}
    if kind == "boolean":
        out |= {"trueValues": ["True"], "falseValues": ["False"]}
    return out | ({"unit": unit} if unit else {})


def _unit_of(spec: Column) -> str:
    found = re.search(r", ([a-zA-Z°µ/³%]+)( |$)", spec.meaning)
    return "as in the column unit" if spec.name in ("value", "limit") else found[1] if spec.kind == "number" and found else ""


def meaning_of(path: str, name: str) -> tuple[str, str]:
    """Unit and meaning of a stage table's column; columns named after analytes or depths by their form."""
    columns = known()["columns"]
    if name in columns:
        unit, meaning = columns[name]
        return ("as in the column unit" if unit == "=" else unit), meaning
    if path.startswith(("plan/", "tidy/reading/", "report/05-model/rows-")):
        return "", OWN
    if name.endswith(" mPa·s"):
        return "d", f"days to cross 500 mm in a liquid of {name}"
    head, comma, unit = name.rpartition(", ")
    if comma:
        return unit, f"of {head}"
    return ("as in the column unit", f"difference {name}") if " - " in name else ("", name.replace("_", " "))


def type_of(name: str, cells: list[str], spec: Column | None) -> str:
    """The Table Schema type that every cell of a column has."""
    if name in CODES or (spec.kind in TEXT if spec else name in TEXTS or name.endswith("as_written")):
        return "string"
    if not cells:
        return "any"
    tests = (("integer", WHOLE.fullmatch), ("number", DECIMAL.fullmatch), ("date", DAY.fullmatch),
             ("boolean", re.compile("True|False").fullmatch))
    return next((kind for kind, test in tests if all(map(test, cells))), "string")

