"""The shape of the package: order of imports, sizes, docstrings, frozen results, silence, plain words.

Every check is a function of source text (or of a class), so that each is also shown a bad one and must
name it: a check that cannot fail would protect nothing.
"""

from __future__ import annotations

import ast
import dataclasses
import importlib
import io
import re
import tokenize
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import nbformat
import pytest

import studykit

PACKAGE = Path(studykit.__file__).parent
ROOT = PACKAGE.parent
CEILING = 500

ORDER = ("core", "vessels", "study", "sampling", "physics", "mixed", "mixed.batch", "inference", "plot", "design",
         "intake", "quality", "model", "ageing", "verdict", "report", "deposit", "demos", "front", "register", "notebook",
         "classroom", "course", "commands")
"""The folders from the ground up; each imports only from those before it, in functions too."""

PRINTING = ("__main__",)
DYNAMIC: tuple[str, ...] = ("report.forks",)
"""Modules that import by name at run time, which no graph can see: the one that loads what the notebooks import."""

NOT_FROZEN = {
    "mixed.batch.taylor.Jet": "a working array: value and derivatives are added to in place, inside one computation",
    "intake.cellmodel.Look": "filled cell by cell by the second reader of a spreadsheet; never leaves the intake",
    "intake.layouts.Laid": "filled block by block while a sheet is taken apart; never leaves the intake",
}
POSITIONAL = {
    "mixed.batch.taylor.Jet": "a number with derivatives, written as Jet(v, g, h) in formulas",
    "vessels.solids.Piece": "coefficients of a quadratic, written in their order; not a result",
}


@cache
def tree(source: str) -> ast.Module:
    """The syntax of a source; most checks look at every module."""
    return ast.parse(source)


@cache
def nodes(source: str) -> tuple[ast.AST, ...]:
    """Every node of a source's syntax."""
    return tuple(ast.walk(tree(source)))


def modules() -> dict[str, Path]:
    """All modules of the package by dotted name without the package's own."""
    return {".".join(p.relative_to(PACKAGE).with_suffix("").parts): p for p in sorted(PACKAGE.rglob("*.py"))}


SOURCES = {name: path.read_text(encoding="utf-8") for name, path in modules().items()}


# ---- imports


@cache
def folder_of(module: str) -> str:
    """The folder of a module: the longest declared one that its dotted name begins with; '' for the package itself."""
    return max((f for f in ORDER if module == f or module.startswith(f + ".")), key=len, default="")


@cache
def imported(source: str) -> set[tuple[str, str]]:
    """Pairs of module and name that a source imports from the package, deferred and type-only imports included."""
    found = set()
    for node in nodes(source):
        if isinstance(node, ast.Import):
            found |= {(a.name.partition(".")[2], "") for a in node.names if a.name.split(".")[0] == "studykit"}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "relative import"
            if (node.module or "").split(".")[0] == "studykit":
                found |= {((node.module or "").partition(".")[2], a.name) for a in node.names}
    return found


def module_graph(sources: dict[str, str]) -> dict[str, set[str]]:
    """Module to the modules it imports; a name that is no module counts for the module that it is taken from."""
    def target(module: str, name: str) -> str:
        dotted = f"{module}.{name}".strip(".")
        return dotted if dotted in sources else module if module in sources else f"{module}.__init__".lstrip(".")

    return {m: {target(*pair) for pair in imported(text)} - {m} for m, text in sources.items()}


def folder_graph(sources: dict[str, str]) -> dict[str, set[str]]:
    """Folder to the folders it imports from."""
    graph: dict[str, set[str]] = {}
    for module, needs in module_graph(sources).items():
        graph.setdefault(folder_of(module), set()).update(folder_of(n) for n in needs)
    return {f: needs - {f, ""} for f, needs in graph.items() if f}


def cycle_in(graph: dict[str, set[str]]) -> list[str]:
    """The members of one cycle, or an empty list."""
    try:
        tuple(TopologicalSorter(graph).static_order())
    except CycleError as error:
        return list(error.args[1])
    return []


def out_of_order(graph: dict[str, set[str]], order: tuple[str, ...]) -> list[str]:
    """Folders that are not in the order, names in it that are no folder, and imports from the right."""
    wrong = [f"{f} is not in the order" for f in graph if f not in order]
    wrong += [f"{f} is in the order but is no folder" for f in order if f not in graph]
    at = {f: i for i, f in enumerate(order)}
    return wrong + [f"{f} imports {n}, which stands after it" for f, needs in graph.items() for n in needs
                    if f in at and n in at and at[n] > at[f]]


def face_of(stub: str) -> set[str]:
    """The names that a folder's ``__init__.pyi`` lists in ``__all__``."""
    for node in tree(stub).body:
        if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") == "__all__":
            return set(ast.literal_eval(node.value))
    return set()


def behind_the_face(sources: dict[str, str], faces: dict[str, set[str]]) -> list[str]:
    """Imports from another folder of something that its face does not list; a folder inside a folder may look out."""
    found = []
    for module, text in sources.items():
        for target, name in imported(text):
            here, there = folder_of(module), folder_of(target)
            if not there or here == there or here.startswith(there + "."):
                continue
            inner = target[len(there):].lstrip(".")
            if (inner or name) not in faces[there] and name not in faces[there]:
                found.append(f"{module} imports {target}.{name}, which is not in the face of {there}")
    return found


def dynamic_imports(source: str) -> list[int]:
    """Lines that import by name at run time, which no graph can see."""
    return [n.lineno for n in nodes(source) if isinstance(n, ast.Call)
            and getattr(n.func, "attr", getattr(n.func, "id", "")) in ("import_module", "__import__")]


FACES = {f: face_of((PACKAGE / f.replace(".", "/") / "__init__.pyi").read_text(encoding="utf-8")) for f in ORDER}


def test_folders_import_one_way_and_only_faces():
    graph = folder_graph(SOURCES)
    assert graph["verdict"] >= {"model", "inference", "study"}  # the graph is not empty
    assert cycle_in(graph) == []
    assert out_of_order(graph, ORDER) == []
    assert cycle_in(module_graph(SOURCES)) == []
    assert behind_the_face(SOURCES, FACES) == []
    assert [m for m, text in SOURCES.items() if dynamic_imports(text)] == list(DYNAMIC)


def test_every_name_of_a_face_is_used_elsewhere_or_shown_in_a_notebook():
    used = {(folder_of(t), x) for m, text in SOURCES.items() for t, n in imported(text) if folder_of(t) != folder_of(m)
            for x in (n, t[len(folder_of(t)):].lstrip("."))}
    files = [*(ROOT / "notebooks").rglob("*.ipynb"), *(ROOT / "tests").rglob("*.py"), PACKAGE / "__init__.pyi"]
    lines = (x for p in files for x in p.read_text(encoding="utf-8").splitlines() if len(x) < 1000)  # the others are pictures
    shown = {word for x in lines for word in re.findall(r"\w+", x)}
    idle = {f"{f}: {n}" for f, names in FACES.items() for n in names if (f, n) not in used and n not in shown}
    assert idle == set()


def test_a_cycle_a_wrong_order_and_a_reach_behind_a_face_would_be_seen():
    loop = {"core.a": "def f():\n    from studykit.study import b\n", "study.b": "from studykit.core.a import f\n",
            "core.__init__": "", "study.__init__": ""}
    assert set(cycle_in(folder_graph(loop))) == {"core", "study"}
    assert set(cycle_in(module_graph(loop))) == {"core.a", "study.b"}
    assert "core imports study, which stands after it" in out_of_order(folder_graph(loop), ("core", "study"))
    line = {"core.a": "", "study.b": "from studykit.core.a import x\n", "core.__init__": "", "study.__init__": ""}
    assert cycle_in(folder_graph(line)) == []
    assert out_of_order(folder_graph(line), ("core", "study")) == []
    assert out_of_order(folder_graph(line), ("core",)) == ["study is not in the order"]
    assert out_of_order(folder_graph(line), ("core", "study", "plot")) == ["plot is in the order but is no folder"]
    assert behind_the_face(line, {"core": {"a"}, "study": set()}) == []
    assert behind_the_face(line, {"core": {"x"}, "study": set()}) == []  # a single name of the face
    assert behind_the_face(line, {"core": {"b"}, "study": set()}) == [
        "study.b imports core.a.x, which is not in the face of core"]
    inner = {"mixed.batch.fit": "from studykit.mixed.blocks import y\n", "mixed.blocks": ""}
    assert behind_the_face(inner, {"mixed": set(), "mixed.batch": set()}) == []
    assert face_of('__all__ = [\n    "a",\n]\n') == {"a"}
    assert dynamic_imports("import importlib\nimportlib.import_module('x')\n") == [2]


# ---- sizes and docstrings


def size_faults(source: str) -> list[str]:
    """A module has one subject, which takes at most 500 lines, and says what it is for."""
    lines = len(source.splitlines())
    faults = [] if 1 <= lines <= CEILING else [f"{lines} lines"]
    return faults if ast.get_docstring(tree(source)) else [*faults, "no docstring"]


def _is_protocol(node: ast.ClassDef) -> bool:
    return any(ast.unparse(b).partition("[")[0] in ("Protocol", "typing.Protocol") for b in node.bases)


def public_definitions(body: list[ast.stmt], prefix: str = "") -> Iterator[tuple[str, ast.FunctionDef | ast.ClassDef]]:
    """Public functions, classes and methods; members of a Protocol are documented where they are made."""
    for node in body:
        if isinstance(node, (ast.FunctionDef, ast.ClassDef)) and not node.name.startswith("_"):
            yield prefix + node.name, node
            if isinstance(node, ast.ClassDef) and not _is_protocol(node):
                yield from public_definitions(node.body, f"{prefix}{node.name}.")


def docstring_faults(source: str) -> list[str]:
    """Public names without a docstring, or whose first paragraph does not begin with a sentence and a full stop."""
    faults = []
    for name, node in public_definitions(tree(source).body):
        text = ast.get_docstring(node) or ""
        first = " ".join(text.partition("\n\n")[0].split())
        if not re.match(r".*?[\w)'\"`\]%²³/]\.(\s|$)", first):
            faults.append(f"{name}: {first[:60]!r}")
    return faults


def test_every_module_is_short_and_says_what_it_is_for():
    assert {m: f for m, text in SOURCES.items() if (f := size_faults(text))} == {}


def test_every_public_name_has_a_sentence():
    assert {m: f for m, text in SOURCES.items() if (f := docstring_faults(text))} == {}
    assert sum(len(list(public_definitions(tree(t).body))) for t in SOURCES.values()) > 500


def test_long_modules_and_missing_sentences_would_be_seen():
    assert size_faults("") == ["0 lines", "no docstring"]
    assert size_faults('"""A."""\n' + "x = 1\n" * 500) == ["501 lines"]
    assert size_faults('"""A."""\n' + "x = 1\n" * 499) == []
    bad = '''
def bare(): pass
def question():
    """Is it so?"""
def unfinished():
    """A table

    with columns."""
def good():
    """A table (a copy); 4 mm is the limit. More."""
class Thing:
    """A thing."""
    def method(self): pass
    def _private(self): pass
class Shape(Protocol):
    """A shape."""
    def area(self): ...
'''
    assert [f.partition(":")[0] for f in docstring_faults(bad)] == ["bare", "question", "unfinished", "Thing.method"]


# ---- dataclasses


def dataclasses_of(name: str) -> Iterator[tuple[str, type]]:
    """The dataclasses that a module defines."""
    module = importlib.import_module(f"studykit.{name}".removesuffix(".__init__"))
    for key, thing in vars(module).items():
        if isinstance(thing, type) and thing.__module__ == module.__name__ and dataclasses.is_dataclass(thing):
            yield f"{name}.{key}", thing


def dataclass_faults(name: str, cls: type) -> list[str]:
    """A dataclass is frozen, slotted and keyword-only, but for the exceptions with their reasons."""
    faults = []
    if not cls.__dataclass_params__.frozen and name not in NOT_FROZEN:  # type: ignore[attr-defined]
        faults.append("not frozen")
    if "__slots__" not in vars(cls):
        faults.append("no slots")
    if not all(f.kw_only for f in dataclasses.fields(cls)) and name not in POSITIONAL:
        faults.append("fields by position")
    return faults


def test_dataclasses_are_frozen_slotted_and_keyword_only():
    found = dict(pair for m in SOURCES if m != "__main__" for pair in dataclasses_of(m))
    assert len(found) > 60
    assert {n: f for n, c in found.items() if (f := dataclass_faults(n, c))} == {}
    for name in {*NOT_FROZEN, *POSITIONAL}:  # no exception outlives its reason
        cls = found[name]
        assert name not in NOT_FROZEN or not cls.__dataclass_params__.frozen
        assert name not in POSITIONAL or not all(f.kw_only for f in dataclasses.fields(cls))


def test_a_loose_dataclass_would_be_seen():
    @dataclass
    class Loose:
        x: int

    @dataclass(frozen=True, slots=True, kw_only=True)
    class Tight:
        x: int

    assert dataclass_faults("x.Loose", Loose) == ["not frozen", "no slots", "fields by position"]
    assert dataclass_faults("x.Tight", Tight) == []
    with pytest.raises(dataclasses.FrozenInstanceError):
        Tight(x=1).x = 2  # type: ignore[misc]


# ---- silence


def noise(source: str, may_print: bool = False) -> list[str]:
    """Calls of print, and handlers that catch everything without a name."""
    found = []
    for node in nodes(source):
        if not may_print and isinstance(node, ast.Call) and getattr(node.func, "id", "") == "print":
            found.append(f"print in line {node.lineno}")
        if isinstance(node, ast.ExceptHandler) and node.type is None:
            found.append(f"bare except in line {node.lineno}")
    return found


def test_library_code_never_prints_and_never_swallows_everything():
    assert {m: f for m, text in SOURCES.items() if (f := noise(text, m in PRINTING))} == {}
    assert sorted(noise("try:\n    print(1)\nexcept:\n    pass\n")) == ["bare except in line 3", "print in line 2"]
    assert noise("print(1)\n", may_print=True) == []


# ---- words

BANNED_WORDS = (
    (r"\bsignifican(?:t|ce|tly)\b(?!\s+(?:digit|figure)s?\b)", "say what was found, with its interval"),
    (r"\btraffic[ -]lights?\b", "a verdict is a word"),
    (r"\b(?:red|amber|green)\s*/\s*(?:red|amber|green)\b", "a verdict is a word"),
    (r"\bgraded? [A-F]\b", "a verdict is a word"),
    (r"(?<![*\w])\*{1,3} ?p ?[<≤]", "no star codes"),
    (r"\bp ?[<≤] ?0?\.05\b", "give the interval"),
)
MACHINE = (
    (r"(?<![\w.])/(?:work|root|home|Users|tmp|opt|var/folders)/\w", "a path of one machine"),
    (r"\b[A-Z]:\\(?:Users|Temp|work)", "a path of one machine"),
    (r"(?:py[p]i\.org|files\.python[h]osted\.org|registry\.np[m]js|conda\.ana[c]onda\.org|proxy\.gola[n]g)", "a registry"),
    (r"https?://(?:localhost|127\.0\.0\.1|10\.\d|192\.168\.)", "a host of one machine"),
)


def prose_of(source: str) -> str:
    """Comments and string constants of a Python source, without the expressions inside f-strings."""
    parts = [n.value for n in nodes(source) if isinstance(n, ast.Constant) and isinstance(n.value, str)]
    tokens = tokenize.generate_tokens(io.StringIO(source).readline)
    return "\n".join([*parts, *(t.string for t in tokens if t.type == tokenize.COMMENT)])


def word_faults(text: str, rules: tuple[tuple[str, str], ...]) -> list[str]:
    """Each banned expression found, with its surroundings."""
    return [f"{text[max(0, m.start() - 30): m.end() + 30]!r}: {why}" for pattern, why in rules
            for m in re.finditer(pattern, text)]


def notebook_text(path: Path) -> str:
    """Sources and text outputs of a notebook; pictures left out."""
    parts = []
    for cell in nbformat.read(path, as_version=4).cells:
        parts.append(cell.source)
        for output in cell.get("outputs", []):
            parts.append(str(output.get("text", "")))
            parts += [str(v) for k, v in output.get("data", {}).items() if k.startswith("text/")]
    return "\n".join(re.sub(r"base64,[A-Za-z0-9+/=\s]+", "", p) for p in parts)


def texts() -> dict[str, str]:
    """What people read: prose of the package and of its templates, notebooks, pages, demo files."""
    found = {f"studykit/{m}.py": prose_of(t) for m, t in SOURCES.items()}
    for folder, kinds in (("studykit/templates", ("*",)), ("docs", ("*.md",)), ("demo_data", ("*.md", "*.toml"))):
        for kind in kinds:
            found |= {str(p.relative_to(ROOT)): p.read_text(encoding="utf-8", errors="replace")
                      for p in (ROOT / folder).rglob(kind) if p.is_file()}
    found |= {f"notebooks/{p.name}": notebook_text(p) for p in (ROOT / "notebooks").rglob("*.ipynb")}
    return found | {n: (ROOT / n).read_text(encoding="utf-8") for n in ("README.md", "DEVELOPERS.md", "pyproject.toml")
                    if (ROOT / n).exists()}


def test_no_banned_word_and_no_trace_of_a_machine():
    everything = texts()
    assert len(everything) > 120
    assert {n: f for n, t in everything.items() if (f := word_faults(t, BANNED_WORDS + MACHINE))} == {}


def test_tests_name_no_machine_either():
    sources = {p.name: p.read_text(encoding="utf-8") for p in [*(ROOT / "tests").rglob("*.py"), ROOT / "conftest.py"]
               if p.name != Path(__file__).name}
    assert {n: f for n, t in sources.items() if (f := word_faults(t, MACHINE[:3]))} == {}


@pytest.mark.parametrize("text", [
    "a significant difference was found", "no significant effect", "the significance of it", "significantly lower",
    "like a traffic light", "red/amber/green", "this lot is grade B", "stars: ** p < .01", "holds at p < 0.05",
    "saved in /home/me/study", "C:\\Users\\me", "from https://py" + "pi.org/simple", "http://127.0.0.1:8888",
])
def test_each_banned_expression_would_be_seen(text):
    assert len(word_faults(text, BANNED_WORDS + MACHINE)) >= 1


@pytest.mark.parametrize("text", ["four significant digits", "significant figures", "upgrade it", "see docs/home.md"])
def test_honest_words_pass(text):
    assert word_faults(text, BANNED_WORDS + MACHINE) == []


def test_only_prose_is_read_for_words():
    source = "def f(x):  # plain\n    'A text.'\n    return f'a {significant(x)} b'\n"
    assert word_faults(prose_of(source), BANNED_WORDS) == []
    assert len(word_faults(prose_of(source.replace("plain", "significant")), BANNED_WORDS)) == 1
