"""Names that pages give: commands with their options, exit codes, files, tables, keys and dotted names, against the code.

Each function takes pages (path to text) and returns what it found wrong, one line each.
"""

from __future__ import annotations

import importlib
import re
import shlex
import tomllib
from functools import cache
from itertools import pairwise
from typing import Any

from pydantic import ValidationError

from studykit.commands.new import answers_given
from studykit.core import errors
from studykit.intake.mapping import FileMapping, Intake
from studykit.study.asking import answered
from studykit.study.columns import TABLES
from studykit.study.definition import Section, Study, parse_study
from studykit.study.stages import STEMS
from studykit.vessels.shapes import Shape
from tests import make_commands
from tests.docs.reading import PARSER, ROOT, blocks, spans, statements

FILE = re.compile(r"^[\w./*<>-]*\.(?:csv|toml|json|html|ipynb|pdf|xlsx|lock|py|md|txt|pyi|yml)$")
PLACE = re.compile(r"NAME|FOLDER|FILE|ANALYTE|<|\*|…|\.\.\.")
PICTURE = re.compile(r'"image/png": "[^"]*"')
EXAMPLES = {"grep", "STEM"}
OTHER_TOOLS = {"--all", "--durations", "--check", "--strict", "--amend", "--break-system-packages"}


@cache
def sources() -> str:
    """All code, templates and notebooks as one text: where a name that a page quotes must be found."""
    folders = {"studykit": "*", "tests": "*.py", "notebooks": "*.ipynb", "demo_data": "*.toml"}
    paths = [p for f, pattern in folders.items() for p in sorted((ROOT / f).rglob(pattern)) if p.suffix in (
        ".py", ".pyi", ".toml", ".ipynb", ".typ", ".csv", ".j2", ".txt", ".css") and "tests/docs" not in str(p)]
    paths += [ROOT / "pyproject.toml", ROOT / "conftest.py"]
    return "\n".join(PICTURE.sub("", p.read_text(encoding="utf-8")) for p in paths)


def _stands(name: str, before: str = "-") -> bool:
    """Whether the sources hold a name that no letter, digit, underscore or hyphen continues (nor ``before`` begins)."""
    text, at = sources(), -1
    while (at := text.find(name, at + 1)) >= 0:
        first, last = text[at - 1:at], text[at + len(name):at + len(name) + 1]
        if not (first == "_" or first.isalnum() or (first and first in before)) and not (
                last == "_" or last.isalnum() or last == "-"):
            return True
    return False


@cache
def words() -> frozenset[str]:
    """All names in the sources."""
    return frozenset(re.findall(r"[^\W\d][\w-]*|\w+", sources())) | frozenset(re.findall(r"\w+", sources()))


@cache
def stage_tables() -> dict[str, set[str]]:
    """Tables and figures that each stage's notebook names."""
    out = {}
    for stem in STEMS:
        text = (ROOT / f"notebooks/{stem}.ipynb").read_text(encoding="utf-8").replace('\\"', '"')
        out[stem] = set(re.findall(r'name="([\w-]+)"', text)) | set(re.findall(r'save_table\([^"]*"([\w-]+)"\)', text))
    return out


# ---- commands


WHOLE = {"-h", "--help", "--traceback", "--json", "--quiet"}
"""Options that stand before the command."""


def commands_of(pages: dict[str, str]) -> list[tuple[str, str]]:
    """Page and text of every command line that a page shows."""
    found = [(page, s) for page, text in pages.items() for s in spans(text)]
    found += [(b.page, line.partition("#")[0]) for b in blocks(pages) if b.language in ("", "sh", "console")
              for line in b.text.splitlines()]
    shape = re.compile(r"(python3 -m |\.venv/bin/)?studykit( |$)")
    texts = [(page, t.strip().removeprefix("$ ")) for page, t in found]
    return [(page, t) for page, t in texts if shape.match(t)]


def wrong_commands(pages: dict[str, str]) -> list[str]:
    """Command lines with a command, an option or an argument that the kit does not have."""
    known = make_commands.commands()
    out = []
    for page, text in commands_of(pages):
        said = re.split(r" {2,}", text)[0]
        parts = shlex.split(re.sub(r"^.*?studykit", "", said))
        if parts and parts[0] in WHOLE:
            parts = parts[1:]
        if not parts or parts[0] in ("COMMAND", "...") or (parts[0] == "test" and text.startswith("python3 -m")):
            continue
        if parts[0] not in known:
            out.append(f"{page}: {said}: there is no command {parts[0]}")
            continue
        options = {o for p in known[parts[0]].params for o in p.opts} | {"-h", "--help"}
        out += [f"{page}: {said}: {parts[0]} has no option {w}" for w in parts[1:] if w.startswith("-") and w not in options]
    return out


def wrong_options(pages: dict[str, str]) -> list[str]:
    """Options named by themselves that no command has."""
    known = {o for c in make_commands.commands().values() for p in c.params for o in p.opts}
    known |= WHOLE | OTHER_TOOLS
    told = [(page, s) for page, text in pages.items() for s in spans(text)]
    told += [(b.page, b.text) for b in blocks(pages) if b.language in ("", "sh", "console")]
    own = [(page, s) for page, s in told if "python -m tests" not in s]  # programs of the tests have options of their own
    said = [(page, w) for page, s in own for w in re.findall(r"(?<!\S)--[a-z][\w-]+", s)]
    return [f"{page}: {w} is no option" for page, w in said if w not in known]


def wrong_exit_codes(pages: dict[str, str]) -> list[str]:
    """Exit codes that are not those of the errors, where a page lists or names one."""
    codes = {c.exit_code for c in vars(errors).values() if isinstance(c, type) and issubclass(c, errors.StudyKitError)}
    codes |= {0, 8, 70, 130}
    meant = {2: "fault|input|no report", 3: "design", 4: "fit", 5: "parameter", 6: "cell|notebook", 7: "difference|differ",
             8: "row", 0: "done", 9: "missing"}
    out = []
    for page, text in pages.items():
        for s in statements(text):
            near = [(int(n), s) for n in re.findall(r"[Ee]xit codes? (\d+)", s)]
            if s.startswith("0 done;"):
                near += [(int(n), part) for part in s.split(";") for n in re.findall(r"^\s*(\d+) ", part)]
            elif "exit code is that" in s:
                near += [(int(n), part) for part in s.split(",") for n in re.findall(r"(\d+) for", part)]
            out += [f"{page}: exit code {n}: {said[:60]}" for n, said in near
                    if n not in codes or not re.search(meant.get(n, "."), said, re.I)]
    return out


# ---- files and tables


def wrong_files(pages: dict[str, str]) -> list[str]:
    """File names that neither lie in the repository nor are written anywhere by the code."""
    out = []
    for page, text in pages.items():
        for s in spans(text):
            name = s.removeprefix("drums/").removeprefix("notebooks/")
            if FILE.match(s) and not PLACE.search(s) and not _known_file(name, page):
                out.append(f"{page}: no such file is written or shipped: {s}")
    told = [(page, w) for page, text in commands_of(pages) for w in text.split() if w.startswith("raw/") and FILE.match(w)]
    examples = [ROOT / "docs/first-study" / w for _, w in told]
    return out + [f"{page}: no such file is written or shipped: {w}" for (page, w), example in zip(told, examples, strict=True)
                  if not example.exists() and not _known_file(w, page)]


def wrong_lists(pages: dict[str, str]) -> list[str]:
    """Numbers of list items that are neither 1 nor the one after the last."""
    out = []
    for page, text in pages.items():
        numbers = [int(t.info) for t in PARSER.parse(text) if t.type == "list_item_open" and t.info]
        out += [f"{page}: item {n} follows {before}" for before, n in pairwise([0, *numbers]) if n not in (1, before + 1)]
    return out


def _known_file(name: str, page: str) -> bool:
    stage = re.match(r"report/(\d\d-\w+)/([\w-]+)\.csv", name)
    if stage:
        tables = stage_tables().get(stage[1], set())
        return stage[2] in tables or (stage[1] == "05-model" and stage[2].startswith("rows-"))
    places = (ROOT / name, ROOT / "studykit" / name, (ROOT / page).parent / name)
    if any(t.file == name for t in TABLES) or any(p.exists() for p in places):
        return True
    alone = name.split("/")[-1]
    return _stands(name, ".-") or (_stands(alone, ".-") and _folder_known(name))


def _folder_known(name: str) -> bool:
    folder = name.rpartition("/")[0]
    return not folder or _stands(folder)


def wrong_table_lists(pages: dict[str, str]) -> list[str]:
    """Stage pages whose list "Writes into report/STEM/" names a table that the stage's notebook does not save."""
    out = []
    for stem in STEMS:
        page = f"docs/{stem}.md"
        told = re.search(rf"[Ww]rites (?:into|the\s+tables of)\s+`report/{stem}/`:\s*([^.]*)\.", pages.get(page, ""))
        if told is None or stem in ("00-study", "01-design"):
            continue
        names = [re.sub(r"\(.*?\)|the rows used|`", "", n).strip() for n in told[1].split(",")]
        out += [f"{page}: the stage saves no table {n}" for n in names if re.fullmatch(r"[a-z-]+", n)
                and n not in stage_tables()[stem] and n not in ("sentences",)]
    return out


# ---- keys and other names


@cache
def keys() -> frozenset[str]:
    """Every key that study.toml, intake.toml or a table may hold, and every value that a key may only take."""
    models: list[type[Section]] = [Study, *Section.__subclasses__(), *Shape.__subclasses__()]
    models += [c for s in Shape.__subclasses__() for c in s.__subclasses__()]
    found = {f.alias or k for m in models for k, f in m.model_fields.items()}
    found |= {f.alias or k for m in (Intake, FileMapping) for k, f in m.model_fields.items()}
    return frozenset(found | {c for t in TABLES for c in t.names})


def lost_names(pages: dict[str, str]) -> list[str]:
    """Code spans with a name that stands nowhere in code, templates or notebooks."""
    out = []
    for page, text in pages.items():
        for s in spans(text):
            if FILE.match(s) or re.match(r"(python3|\.venv|studykit |pip|cp )", s) or PLACE.search(s):
                continue
            lost = [w for w in re.findall(r"[^\W\d]\w*", s) if w not in words() and w not in EXAMPLES]
            out += [f"{page}: {w} (in `{s}`) stands nowhere in the code" for w in lost]
    return out


def wrong_dotted(pages: dict[str, str]) -> list[str]:
    """Dotted names of the kit that cannot be imported."""
    out = []
    for page, text in pages.items():
        for s in spans(text):
            found = re.match(r"(studykit(?:\.\w+)+)", s)
            if found and not FILE.match(s) and not _imports(found[1]):
                out.append(f"{page}: {found[1]} cannot be imported")
    return out


@cache
def _imports(name: str) -> bool:
    parts = name.split(".")
    for k in range(len(parts), 0, -1):
        try:
            found: Any = importlib.import_module(".".join(parts[:k]))
        except ModuleNotFoundError:
            continue
        for part in parts[k:]:
            if not hasattr(found, part):
                return False
            found = getattr(found, part)
        return True
    return False


# ---- blocks


BASE: dict[str, Any] = {
    "title": "Example", "question": "Must it be mixed?", "responsible": "engineer",
    "factors": {"depths": ["upper", "middle", "lower"]},
    "analytes": {n: {"unit": "mg/kg", "method": "in-house", "margin": {"relative_percent": 20}, "margin_reason": "invented",
                     "nominal": 10} for n in ("Si", "P", "KV40", "Fe")},
    "vessels": {"drum": {"shape": "upright_cylinder", "diameter_mm": 571.5, "height_mm": 850}},
    "fluid": {"density_kg_m3": 895, "viscosity_mm2_s_at_40c": 220, "viscosity_mm2_s_at_100c": 19},
}


def wrong_toml(pages: dict[str, str]) -> list[str]:
    """Blocks of TOML that the kit would refuse: as a study (laid over a small one), as a mapping, or as answers."""
    out = []
    for b in blocks(pages):
        if b.language.partition(" ")[0] != "toml":
            continue
        try:
            data = tomllib.loads(b.text)
            if b.language.endswith("answers.toml"):  # for `studykit new`; a test holds it to the file named
                answered(answers_given(ROOT / b.language.partition(" ")[2], []), None)
            elif set(data) & {f.alias or k for k, f in Intake.model_fields.items()}:
                Intake.model_validate({"file": [{"pattern": "*.csv", "layout": "wide", "columns": {"sample": "S"}}], **data})
            else:
                parse_study(_over(BASE, data))
        except (errors.BadInput, ValidationError, tomllib.TOMLDecodeError) as error:
            out.append(f"{b.page} line {b.line}: {str(error)[:300]}")
    return out


def _over(base: dict[str, Any], data: dict[str, Any]) -> dict[str, Any]:
    merged = dict(base.items())
    for k, v in data.items():
        whole = "shape" in v if isinstance(v, dict) and isinstance(base.get(k), dict) else True
        merged[k] = v if whole else _over(base[k], v)
    return merged


CHECKS = (wrong_commands, wrong_options, wrong_exit_codes, wrong_files, wrong_lists, wrong_table_lists, lost_names,
          wrong_dotted, wrong_toml)
