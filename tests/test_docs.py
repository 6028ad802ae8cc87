"""The pages say what the code does: generated pages are fresh, names are told, links lead somewhere.

Each check is a function of texts, and each is also given a text in which it must find the fault.
"""

from __future__ import annotations

import ast
import json
import re
import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import get_args

import pytest

from studykit.core.errors import BadInput
from studykit.quality.controls import read_check_limits
from studykit.study.columns import TABLES
from studykit.study.definition import Analyte, Section, Study, load_study
from studykit.study.stages import STEMS
from studykit.vessels.shapes import Shape
from tests import make_commands, make_dictionary
from tests.dictionary_words import MEANINGS

ROOT = Path(__file__).resolve().parent.parent
LINK = re.compile(r"!?\[[^\]]*\]\(\s*<?([^)\s>]+)>?(?:\s+\"[^\"]*\")?\s*\)")
NAME_OF = re.compile(r"^[A-Za-z0-9._-]+")


def pages() -> dict[str, str]:
    """README.md, DEVELOPERS.md and all pages under docs/, by path from the root."""
    paths = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").rglob("*.md"))]
    return {str(p.relative_to(ROOT)): p.read_text(encoding="utf-8") for p in paths if p.exists()}


def without_code(text: str) -> str:
    """Text without fenced blocks and code spans."""
    return re.sub(r"`[^`\n]*`", "", re.sub(r"^```.*?^```", "", text, flags=re.S | re.M))


def anchors(text: str) -> set[str]:
    """Anchors of a page's headings, as repository hosts make them."""
    found = re.findall(r"^#{1,6}\s+(.+?)\s*#*$", re.sub(r"^```.*?^```", "", text, flags=re.S | re.M), flags=re.M)
    return {re.sub(r"[^\w\- ]", "", re.sub(r"[`*]", "", h).lower()).replace(" ", "-") for h in found}


def dead_links(name: str, text: str, root: Path = ROOT) -> list[str]:
    """Links of a page to local files or headings that are not there."""
    dead = []
    for target in LINK.findall(without_code(text)):
        if re.match(r"[a-z][a-z0-9+.-]*:", target):
            continue
        path, _, anchor = target.partition("#")
        file = (root / name).parent / path if path else root / name
        inside = root.resolve() in (file.resolve(), *file.resolve().parents)
        lost = not (inside and file.exists())
        if lost or (anchor and file.suffix == ".md" and anchor not in anchors(file.read_text(encoding="utf-8"))):
            dead.append(target)
    return dead


def untold(names: list[str], text: str, form: str = r"(?<![\w-]){}(?![\w-])") -> list[str]:
    """Names that a text does not contain as a word."""
    return [n for n in names if not re.search(form.format(re.escape(n)), text)]


def dependencies() -> list[str]:
    """Names of all dependencies in pyproject.toml, the optional ones too."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    lists = [project["dependencies"], *project["optional-dependencies"].values()]
    found = [NAME_OF.match(d).group() for part in lists for d in part]  # type: ignore[union-attr]
    return [n for n in found if n != "studykit"]


def without_a_line(names: list[str], text: str) -> list[str]:
    """Names that stand in no line together with at least three more words, which say what they are for."""
    lines = [line for line in text.splitlines() if len(line.split()) >= 4]
    return [n for n in names if not any(untold([n], line) == [] for line in lines)]


# ---- generated pages


def test_the_data_dictionary_is_fresh():
    assert make_dictionary.PAGE.read_text(encoding="utf-8") == make_dictionary.page(), \
        "run: python -m tests.make_dictionary"


def test_the_commands_page_is_fresh():
    assert make_commands.PAGE.read_text(encoding="utf-8") == make_commands.page(), "run: python -m tests.make_commands"


def test_the_dictionary_holds_every_column_and_every_key():
    text = make_dictionary.page()
    for spec in TABLES:
        part = text.partition(f"### {spec.file}\n")[2].partition("\n### ")[0]
        assert [n for n in spec.names if f"| `{n}` |" not in part] == []
    assert text.count("\n| `") > 200
    told = {model for _, model in make_dictionary.SECTIONS}
    sections = {c for c in Section.__subclasses__() if c.__module__.startswith("studykit.")}
    assert {c.__name__ for c in sections - told} == set()


def test_every_shape_that_study_toml_may_name_is_documented():
    text = make_dictionary.page()
    assert len(make_dictionary.SHAPES) >= 6
    assert set(make_dictionary.SHAPES) == set(Shape.__subclasses__())  # a shape in the module that nobody may name
    for s in make_dictionary.SHAPES:
        word = s.model_fields["shape"].default
        part = text.partition(f"### [vessels.NAME], {word}\n")[2].partition("\n### ")[0]
        assert [f.alias or k for k, f in s.model_fields.items() if f"| `{f.alias or k}` |" not in part] == []


def test_no_meaning_outlives_its_key():
    models = {m.__name__: m for _, m in make_dictionary.SECTIONS}
    for name, meanings in MEANINGS.items():
        if name == "Shape":
            known = {f.alias or k for s in make_dictionary.SHAPES for k, f in s.model_fields.items()}
        else:
            known = {f.alias or k for k, f in models[name].model_fields.items()}
        assert set(meanings) <= known, name


def test_a_key_without_a_meaning_stops_the_making():
    class Margin(Section):
        relative_percent: float
        new_key: int = 3

    with pytest.raises(KeyError, match=r"Margin\.new_key in tests/dictionary_words\.py"):
        list(make_dictionary.section_lines("margin", Margin))


def test_limits_defaults_and_kinds_are_read_from_the_models():
    lines = {line.split("|")[1].strip(): [c.strip() for c in line.split("|")[2:-2]]
             for line in make_dictionary.section_lines("", Study) if line.startswith("| `")}
    assert lines["`alpha`"] == ["number", "`0.05`", "above 0, up to 0.2"]
    assert lines["`title`"] == ["text", "required", "at least 3 characters, at most 200 characters"]
    assert lines["`analytes`"] == ["table: table", "required", "at least one"]
    assert lines["`invented`"] == ["true or false", "`false`", ""]


@pytest.mark.parametrize("lost", ["analyte", "low", "high", "spread", "source"])
def test_the_check_limits_table_is_as_the_dictionary_says(tmp_path, lost):
    names = [c for c in make_dictionary.CHECK_TABLE.names if c != lost]
    (tmp_path / "plan").mkdir()
    row = {"analyte": "Si", "low": "9.5", "high": "10.5", "value": "10", "uncertainty": "0.1", "spread": "0.3",
           "source": "certificate"}
    study = load_study(ROOT / "demo_data/ropeway")
    (tmp_path / "plan/check_limits.csv").write_text(",".join(names) + "\n" + ",".join(row[n] for n in names) + "\n")
    if make_dictionary.CHECK_TABLE.column(lost).required:
        with pytest.raises(BadInput, match="this required column is missing"):
            read_check_limits(tmp_path, study)
    else:
        assert set(names) <= set(read_check_limits(tmp_path, study))


# ---- what is added must be told

PACKAGE = ROOT / "studykit"


def check_rules(sources: Iterable[str]) -> set[str]:
    """Names of all quality checks: the constant ``rule`` of every ``CheckResult`` that is made."""
    calls = [n for text in sources for n in ast.walk(ast.parse(text)) if isinstance(n, ast.Call)]
    return {str(k.value.value) for c in calls if getattr(c.func, "id", "") == "CheckResult" for k in c.keywords
            if k.arg == "rule" and isinstance(k.value, ast.Constant)}


def figures(sources: Iterable[str]) -> set[str]:
    """Names of all public functions of modules that return a figure."""
    found = [n for text in sources for n in ast.parse(text).body if isinstance(n, ast.FunctionDef)]
    return {f.name for f in found if not f.name.startswith("_") and f.returns and "Figure" in ast.unparse(f.returns)}


def idle(names: Iterable[str], shown: str, sources: Iterable[str]) -> list[str]:
    """Figures that no notebook shows and no other code calls."""
    code = [shown, *(re.sub(r"def \w+", "", text) for text in sources)]
    return [n for n in sorted(names) if not any(re.search(rf"\b{n}\(", text) for text in code)]


def code_of_notebooks() -> str:
    """Source of all code cells of the notebooks, lessons included."""
    books = [json.loads(p.read_text(encoding="utf-8")) for p in sorted((ROOT / "notebooks").rglob("*.ipynb"))]
    cells = [c for book in books for c in book["cells"]]
    return "\n".join("".join(c["source"]) for c in cells if c["cell_type"] == "code")


def test_every_quality_check_has_its_line():
    rules = check_rules(p.read_text(encoding="utf-8") for p in (PACKAGE / "quality").glob("*.py"))
    assert len(rules) >= 15
    table = pages()["docs/04-quality.md"].partition("## The checks")[2].partition("\n## ")[0]
    assert untold(sorted(rules), table, r"(?m)^\| {} \|") == []


def test_every_kind_of_analyte_is_told():
    kinds = list(get_args(Analyte.model_fields["kind"].annotation))
    assert "viscosity" in kinds
    assert untold(kinds, pages()["docs/00-study.md"], r"`{}`") == []


@pytest.mark.slow
def test_every_figure_is_shown_somewhere():
    sources = [p.read_text(encoding="utf-8") for p in sorted(PACKAGE.rglob("*.py"))]
    names = figures(sources)
    assert len(names) > 10
    assert idle(names, code_of_notebooks(), sources) == []


def test_a_check_and_a_figure_that_nobody_told_would_be_seen():
    source = ("def new(t) -> CheckResult:\n    return CheckResult(rule='tilted shelf', table=t)\n"
              "def tilt(t) -> Figure:\n    pass\n")
    assert untold(sorted(check_rules([source])), "| drift | does it creep? |", r"(?m)^\| {} \|") == ["tilted shelf"]
    assert idle(figures([source]), "kit.figure(other(t))", [source]) == ["tilt"]
    assert idle(figures([source]), "kit.figure(plot.tilt(t))", [source]) == []


# ---- what people must find


def test_the_front_pages_are_there_and_short():
    text = pages()
    assert len(text["README.md"].splitlines()) <= 150
    assert len(text["DEVELOPERS.md"].splitlines()) <= 250


def test_every_command_is_told():
    commands = list(make_commands.commands())
    assert {"demo", "new", "check", "plan", "lock", "intake", "report", "recheck"} <= set(commands)
    text = pages()
    assert untold([f"studykit {c}" for c in commands], text["README.md"]) == []
    assert untold(commands, text["docs/commands.md"], r"(?m)^## {}$") == []


def test_every_option_is_in_the_commands_page():
    text = make_commands.page()
    options = [o for c in make_commands.commands().values() for p in c.params for o in p.opts if o.startswith("--")]
    assert len(options) >= 5
    assert untold(options, text) == []


@pytest.mark.parametrize("stem", STEMS)
def test_every_stage_has_a_page_and_a_notebook(stem):
    page = ROOT / f"docs/{stem}.md"
    assert page.exists()
    assert (ROOT / f"notebooks/{stem}.ipynb").exists()
    text = page.read_text(encoding="utf-8")
    assert text.startswith(f"# {stem[:2]} ")
    assert len(without_code(text).split()) > 150


def test_every_link_to_a_local_file_leads_there():
    assert {n: d for n, t in pages().items() if (d := dead_links(n, t))} == {}
    links = sum(len(LINK.findall(without_code(t))) for t in pages().values())
    assert links > 10


def test_every_dependency_has_a_line():
    names = dependencies()
    assert len(names) > 30
    assert without_a_line(names, pages()["DEVELOPERS.md"]) == []


def test_every_page_can_be_found_from_the_front():
    reached, todo = set(), ["README.md", "DEVELOPERS.md"]
    text = pages()
    while todo:
        name = todo.pop()
        if name in reached or name not in text:
            continue
        reached.add(name)
        base = (ROOT / name).parent
        todo += [str((base / t.partition("#")[0]).resolve().relative_to(ROOT)) for t in LINK.findall(without_code(text[name]))
                 if t.partition("#")[0].endswith(".md") and not re.match(r"[a-z][a-z0-9+.-]*:", t)]
    assert set(text) - reached == set()


# ---- the checks can fail


def test_dead_links_would_be_seen(tmp_path):
    (tmp_path / "docs").mkdir()
    (tmp_path / "docs/a.md").write_text("# The first part\n\n## Of `x`, and y\n")
    text = ("[a](docs/a.md) [b](docs/b.md) [c](docs/a.md#the-first-part) [d](docs/a.md#of-x-and-y) [e](docs/a.md#z) "
            "[web](https://example.org/x.md) `[code](no.md)` [out](../x.md) [here](#top)\n\n# Top\n")
    (tmp_path / "README.md").write_text(text)
    (tmp_path.parent / "x.md").write_text("")
    assert dead_links("README.md", text, tmp_path) == ["docs/b.md", "docs/a.md#z", "../x.md"]


def test_untold_names_would_be_seen():
    assert untold(["plan", "lock"], "plans are locked; studykit plan FOLDER") == ["lock"]
    lines = "- numpy: arrays and linear algebra\nscipy\nscipy-stubs: types for it\n"
    lines = "- numpy: arrays and linear algebra\nscipy\nscipy-stubs: types for it\n"
    assert without_a_line(["numpy", "scipy", "mypy"], lines) == ["scipy", "mypy"]
