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
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import nbformat
import pytest

import studykit

PACKAGE = Path(studykit.__file__).parent
ROOT = PACKAGE.parent
CEILING = 350

FLOW = """
    __init__ errors numeric files stages units geometry vessel methods settings study
    tablespec tablecells codes flags schema numbers shown lock
    viscosity settling masonweaver column ruledout physicsinputs outlook
    jets remldesign remlborder remlblocks remlcore remlresults remleffects secondopinion smallsample reml
    exactpower simultaneous equivalence bounds variances stratum homogeneity censored influence outliers ranges single
    batchchain batchstrata batchsearch batch
    power search simulation design
    drawplan advice designset stock sampling reconcile drawing sheettexts sheets sampletables planning
    readers sheetcells spreadsheets mapping headings values rowchecks identity determinations layouts takefile
    revisions bulkcsv intake suggest exclusions taking
    replicates profiles massbalance controls runchecks suspicions quality
    figures qualityfigures modelrows model homogeneityset modelset verdict known modelprofile modelchecks
    physicsfigures consequences estimands expected particlebounds sharetable verdictset
    designfigures display widgets designshow overview
    runner manifest report front planpages recheck
    simulate demogen.common demogen.__init__ demogen.antifoam demogen.forge_text demogen.forge_raw demogen.forge
    demogen.slip_text demogen.slip
    demogen.ropeway_text demogen.ropeway_plan demogen.ropeway_raw demogen.ropeway demogen.tote demogen.__main__
    demos newstudy notebook cli __main__
"""
ORDER = tuple(FLOW.split())
"""Every module of the package; each may import only from modules that stand before it, in functions too."""

PRINTING = ("__main__", "demogen.__main__")
DYNAMIC = ("demogen.__main__", "notebook")
"""Two import by name: ``notebook`` (``kit.model`` is the module ``studykit.model``), and the maker of the demos."""

NOT_FROZEN = {
    "jets.Jet": "a working array: value and derivatives are added to in place, inside one computation",
    "layouts.Laid": "filled block by block while a sheet is taken apart; never leaves the intake",
}
POSITIONAL = {
    "jets.Jet": "a number with derivatives, written as Jet(v, g, h) in formulas",
    "geometry.Piece": "coefficients of a quadratic, written in their order; not a result",
}


def modules() -> dict[str, Path]:
    """All modules of the package by dotted name without the package's own."""
    return {".".join(p.relative_to(PACKAGE).with_suffix("").parts): p for p in sorted(PACKAGE.rglob("*.py"))}


SOURCES = {name: path.read_text(encoding="utf-8") for name, path in modules().items()}


# ---- imports


def imported(source: str, known: set[str]) -> set[str]:
    """Modules of the package that a source imports anywhere, deferred imports and type-only ones included."""
    found = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found |= {_module(a.name, known) for a in node.names if a.name.split(".")[0] == "studykit"}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "relative import"
            if (node.module or "").split(".")[0] == "studykit":
                found |= {_module(f"{node.module}.{a.name}", known) for a in node.names}
    return found


def _module(dotted: str, known: set[str]) -> str:
    name = dotted.partition(".")[2]
    while name and name not in known and f"{name}.__init__" not in known:
        name = name.rpartition(".")[0]
    return name if name in known else f"{name}.__init__".lstrip(".")


def graph_of(sources: dict[str, str]) -> dict[str, set[str]]:
    """Module to the modules it imports."""
    return {name: imported(text, set(sources)) - {name} for name, text in sources.items()}


def cycle_in(graph: dict[str, set[str]]) -> list[str]:
    """The modules of one import cycle, or an empty list."""
    try:
        tuple(TopologicalSorter(graph).static_order())
    except CycleError as error:
        return list(error.args[1])
    return []


def out_of_order(graph: dict[str, set[str]], order: tuple[str, ...]) -> list[str]:
    """Modules that are not in the order, names in it that are no module, and imports from the right."""
    wrong = [f"{m} is not in the order" for m in graph if m not in order]
    wrong += [f"{m} is in the order but is no module" for m in order if m not in graph]
    wrong += [f"{m} stands twice in the order" for m in order if order.count(m) > 1]
    at = {m: i for i, m in enumerate(order)}
    return wrong + [f"{m} imports {n}, which stands after it" for m, needs in graph.items() for n in needs
                    if m in at and n in at and at[n] > at[m]]


def dynamic_imports(source: str) -> list[int]:
    """Lines that import by name at run time, which no graph can see."""
    return [n.lineno for n in ast.walk(ast.parse(source)) if isinstance(n, ast.Call)
            and getattr(n.func, "attr", getattr(n.func, "id", "")) in ("import_module", "__import__")]


def test_imports_have_no_cycle_and_follow_the_declared_order():
    graph = graph_of(SOURCES)
    assert graph["model"] >= {"reml", "equivalence", "study"}  # the graph is not empty
    assert cycle_in(graph) == []
    assert out_of_order(graph, ORDER) == []
    assert [m for m, text in SOURCES.items() if dynamic_imports(text)] == list(DYNAMIC)


def test_a_cycle_and_a_wrong_order_would_be_seen():
    loop = {"a": "def f():\n    from studykit import b\n", "b": "from studykit.a import f\n", "__init__": ""}
    assert set(cycle_in(graph_of(loop))) == {"a", "b"}
    line = {"a": "from studykit.b import x\n", "b": "", "c": "import studykit.a\n", "__init__": ""}
    graph = graph_of(line)
    assert cycle_in(graph) == []
    assert out_of_order(graph, ("__init__", "b", "a", "c")) == []
    assert out_of_order(graph, ("__init__", "a", "b", "c")) == ["a imports b, which stands after it"]
    assert out_of_order(graph, ("__init__", "b", "a")) == ["c is not in the order"]
    assert out_of_order(graph, ("__init__", "b", "a", "c", "d")) == ["d is in the order but is no module"]
    assert dynamic_imports("import importlib\nimportlib.import_module('x')\n") == [2]


# ---- sizes and docstrings


def size_faults(source: str) -> list[str]:
    """A module must have 1 to 350 lines and say what it is for."""
    lines = len(source.splitlines())
    faults = [] if 1 <= lines <= CEILING else [f"{lines} lines"]
    return faults if ast.get_docstring(ast.parse(source)) else [*faults, "no docstring"]


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
    for name, node in public_definitions(ast.parse(source).body):
        text = ast.get_docstring(node) or ""
        first = " ".join(text.partition("\n\n")[0].split())
        if not re.match(r".*?[\w)'\"`\]%²³/]\.(\s|$)", first):
            faults.append(f"{name}: {first[:60]!r}")
    return faults


def test_every_module_is_short_and_says_what_it_is_for():
    assert {m: f for m, text in SOURCES.items() if (f := size_faults(text))} == {}


def test_every_public_name_has_a_sentence():
    assert {m: f for m, text in SOURCES.items() if (f := docstring_faults(text))} == {}
    assert sum(len(list(public_definitions(ast.parse(t).body))) for t in SOURCES.values()) > 500


def test_long_modules_and_missing_sentences_would_be_seen():
    assert size_faults("") == ["0 lines", "no docstring"]
    assert size_faults('"""A."""\n' + "x = 1\n" * 350) == ["351 lines"]
    assert size_faults('"""A."""\n' + "x = 1\n" * 349) == []
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
    for node in ast.walk(ast.parse(source)):
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
    parts = [n.value for n in ast.walk(ast.parse(source)) if isinstance(n, ast.Constant) and isinstance(n.value, str)]
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
    found |= {f"notebooks/{p.name}": notebook_text(p) for p in (ROOT / "notebooks").glob("*.ipynb")}
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
