"""The contract of the stage notebooks, and a proof that the net over their stored outputs holds.

Every rule is a function of one notebook that returns what breaks it. Each is tried on the real
notebooks, where it must find nothing, and on a sound small one spoilt in one place, where it must.
"""

from __future__ import annotations

import ast
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace

import nbformat
import pytest
from nbformat import NotebookNode
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output

from studykit.study.stages import STAGES, STEMS

ROOT = Path(__file__).resolve().parents[2]
LARGEST_FILE, LARGEST_CELL, WORDS_PER_STATEMENT, MOST_STATEMENTS, WIDEST = 490_000, 12, 7.0, 95, 120
IMPORT = "import studykit.notebook as kit"
PARAMETERS = {"study", "out_dir"}
QUESTIONS = {s.stem: s.question for s in STAGES}
DIGIT = re.compile(r"\d")


def read(stem: str) -> NotebookNode:
    """A stage notebook as it is stored."""
    return nbformat.read(ROOT / f"notebooks/{stem}.ipynb", as_version=4)


def code_cells(nb: NotebookNode) -> list[NotebookNode]:
    """Its code cells."""
    return [c for c in nb.cells if c.cell_type == "code"]


def lines_of(cell: NotebookNode) -> list[str]:
    """Lines of a cell that are not blank."""
    return [line for line in cell.source.splitlines() if line.strip()]


def tags(cell: NotebookNode) -> list[str]:
    """Tags of a cell."""
    return list(cell.metadata.get("tags", []))


def nodes(nb: NotebookNode) -> Iterator[ast.AST]:
    """Syntax nodes of all code cells."""
    for cell in code_cells(nb):
        yield from ast.walk(ast.parse(cell.source))


# ---- the rules


def title_and_question(nb: NotebookNode) -> list[str]:
    """First a title, then the question as a bold sentence, and what is read and written."""
    first = nb.cells[0]
    if first.cell_type != "markdown" or not re.match(r"# \w", first.source):
        return ["the first cell has no title"]
    if not re.search(r"^\*\*[^*]+[?.]\*\*", first.source, flags=re.M):
        return ["the first cell has no question in bold"]
    return [] if "reads" in first.source and "writes" in first.source else ["what is read and written is not said"]


def one_parameters_cell(nb: NotebookNode) -> list[str]:
    """Exactly one cell tagged parameters: study and out_dir, annotated, literals, each with a comment."""
    tagged = [c for c in nb.cells if "parameters" in tags(c)]
    if len(tagged) != 1 or tagged[0].cell_type != "code":
        return [f"{len(tagged)} parameters cells"]
    body = ast.parse(tagged[0].source).body
    if not all(isinstance(n, ast.AnnAssign) and isinstance(n.value, ast.Constant) for n in body):
        return ["a parameter is not an annotated literal"]
    names = {n.target.id for n in body if isinstance(n, ast.AnnAssign) and isinstance(n.target, ast.Name)}
    faults = [] if names == PARAMETERS else [f"parameters are {sorted(names)}"]
    return faults if all("  # " in line for line in lines_of(tagged[0])) else [*faults, "a parameter without a comment"]


BY_HAND = ("import pandas as pd", "from statsmodels.formula.api import ols")


def one_import(nb: NotebookNode) -> list[str]:
    """Every cell imports the kit, so that it can say what to run first; one cell imports more of it, and ``BY_HAND``."""
    found = [[ast.unparse(n) for n in ast.walk(ast.parse(c.source)) if isinstance(n, (ast.Import, ast.ImportFrom))]
             for c in code_cells(nb) if "parameters" not in tags(c)]
    more = [[f for f in cell if f != IMPORT and f not in BY_HAND] for cell in found]
    good = (all(IMPORT in cell for cell in found) and sum(map(bool, more)) <= 1
            and all(f.startswith("from studykit.") for cell in more for f in cell))
    return [] if good else [f"imports: {found}"]


def no_machinery(nb: NotebookNode) -> list[str]:
    """No magics, shell lines, functions, classes, lambdas, filters of warnings; a loop may only record."""
    magic = [line for c in code_cells(nb) for line in lines_of(c) if re.match(r"\s*[%!?]", line)]
    if magic:
        return [f"magic: {line}" for line in magic]
    kinds = (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef, ast.Lambda, ast.While, ast.Try, ast.With)
    faults = [f"{type(n).__name__} in a notebook" for n in nodes(nb) if isinstance(n, kinds)]
    faults += ["a loop that does more than record" for n in nodes(nb) if isinstance(n, ast.For)
               and not all(ast.unparse(line).startswith("stage.record(") for line in n.body)]
    filters = r"simplefilter|filterwarnings|catch_warnings"
    return faults + ["filters warnings" for c in code_cells(nb) if re.search(filters, c.source)]


def no_paths(nb: NotebookNode) -> list[str]:
    """No path literal: a text with a slash and no blank, or with the ending of a data file."""
    texts = [n.value for n in nodes(nb) if isinstance(n, ast.Constant) and isinstance(n.value, str)]
    path = r"\S*[/\\]\S*|\S+\.(csv|toml|json|xlsx?|png|ipynb|html)"
    return [f"path literal {t!r}" for t in texts if re.fullmatch(path, t)]


def prose_before_code(nb: NotebookNode) -> list[str]:
    """Every code cell follows prose; on the report's front page that may be a sentence or caption just shown."""
    faults = []
    for i, cell in enumerate(nb.cells):
        before = nb.cells[i - 1] if i else None
        if cell.cell_type != "code" or (before is not None and before.cell_type == "markdown"):
            continue
        front = nb.cells[0].source.startswith("# Report\n")
        if not (front and before is not None and re.search(r"\bkit\.say\(|caption=", before.source)):
            faults.append(f"cell {i}: no prose before it")
    return faults


def executed_in_order(nb: NotebookNode) -> list[str]:
    """Every code cell was run, from top to bottom, in one session."""
    counts = [c.execution_count for c in code_cells(nb)]
    return [] if counts == list(range(1, len(counts) + 1)) else [f"execution counts {counts}"]


SHOWS = ("table", "figure", "say", "show")


def outputs_stored(nb: NotebookNode) -> list[str]:
    """A cell that shows something has its output stored; nothing on stderr, no error anywhere."""
    faults = []
    for i, cell in enumerate(code_cells(nb)):
        calls = [n.func.attr for n in ast.walk(ast.parse(cell.source)) if isinstance(n, ast.Call)
                 and isinstance(n.func, ast.Attribute) and getattr(n.func.value, "id", "") in ("kit", "stage")]
        if len(cell.outputs) < sum(name in SHOWS for name in calls):
            faults.append(f"code cell {i}: fewer outputs than it shows")
        for output in cell.outputs:
            if output.output_type == "error" or output.get("name") == "stderr":
                faults.append(f"code cell {i}: {output.output_type}")
    return faults


def sizes(nb: NotebookNode) -> list[str]:
    """Prose in proportion, short cells, few statements (a call may run over several lines), no line past the page."""
    prose = sum(len(c.source.split()) for c in nb.cells if c.cell_type == "markdown")
    lengths = [sum(ast.unparse(n) != IMPORT for n in ast.parse(c.source).body) for c in code_cells(nb)]
    faults = [f"a code cell of {n} statements" for n in lengths if n > LARGEST_CELL]
    faults += [f"a code line of {len(line)} characters" for c in code_cells(nb) for line in lines_of(c) if len(line) > WIDEST]
    if sum(lengths) > MOST_STATEMENTS:
        faults.append(f"{sum(lengths)} code statements")
    if prose / max(1, sum(lengths)) < WORDS_PER_STATEMENT:
        faults.append(f"{prose / sum(lengths):.1f} words a code statement")
    return faults


def named_kernel(nb: NotebookNode) -> list[str]:
    """The kernel and the language are written down, and nothing of the last run."""
    faults = [] if nb.metadata.get("kernelspec", {}).get("name") == "python3" else ["no kernelspec"]
    faults += [] if nb.metadata.get("language_info", {}).get("name") == "python" else ["no language_info"]
    return faults + [f"metadata {k}" for k in nb.metadata if k not in ("kernelspec", "language_info")]


def no_typed_number(nb: NotebookNode) -> list[str]:
    """No number stands in a sentence that is said: results come by {name} from the record."""
    faults = []
    for n in nodes(nb):
        if isinstance(n, ast.Call) and isinstance(n.func, ast.Attribute) and n.func.attr == "say":
            texts = [c.value for a in n.args for c in ast.walk(a) if isinstance(c, ast.Constant)
                     and isinstance(c.value, str)]
            faults += [f"typed number in {t!r}" for t in texts if DIGIT.search(re.sub(r"\{[^}]*\}", "", t))]
            faults += ["an f-string is said" for a in n.args if any(isinstance(c, ast.JoinedStr) for c in ast.walk(a))]
    return faults


def table_before_figure(nb: NotebookNode) -> list[str]:
    """Each figure follows a table, since pictures are not compared: count of tables so far is never behind."""
    tables = figures = 0
    faults = []
    for i, cell in enumerate(code_cells(nb)):
        for line in lines_of(cell):
            tables += line.lstrip().startswith("kit.table(")
            figures += line.lstrip().startswith("kit.figure(")
            if figures > tables:
                faults.append(f"code cell {i}: a figure without a table before it")
    return faults


def links_stay_inside(nb: NotebookNode) -> list[str]:
    """Links to other notebooks lead to one that exists."""
    found = re.findall(r"\]\(([^)#]+\.ipynb)\)", "\n".join(c.source for c in nb.cells if c.cell_type == "markdown"))
    return [f"dead link {f}" for f in found if not (ROOT / "notebooks" / f).exists()] + ([] if found else ["no link on"])


Rule = Callable[[NotebookNode], list[str]]
RULES: tuple[Rule, ...] = (
    title_and_question, one_parameters_cell, one_import, no_machinery, no_paths, prose_before_code, executed_in_order,
    outputs_stored, sizes, named_kernel, no_typed_number, table_before_figure, links_stay_inside)


@pytest.mark.parametrize("rule", RULES, ids=lambda r: r.__name__)
@pytest.mark.parametrize("stem", STEMS)
def test_contract(stem, rule):
    assert rule(read(stem)) == []


@pytest.mark.parametrize("stem", STEMS)
def test_file(stem):
    path = ROOT / f"notebooks/{stem}.ipynb"
    assert path.stat().st_size < LARGEST_FILE
    nb = read(stem)
    nbformat.validate(nb)
    assert len(code_cells(nb)) >= 4
    assert QUESTIONS[stem].rstrip("?.") in nb.cells[0].source
    assert f'kit.open_stage("{stem}", study, out_dir)' in "\n".join(c.source for c in code_cells(nb))


def test_there_is_one_notebook_a_stage_and_no_other():
    assert sorted(p.stem for p in (ROOT / "notebooks").glob("*.ipynb")) == sorted(STEMS)


# ---- the rules can fail


def sound() -> NotebookNode:
    """A small notebook that keeps every rule."""
    said = [new_output("display_data", {"text/plain": "Two rows of three."})]
    words = "These words say what the next cell does and why it is done that way and not another. " * 2
    nb = new_notebook(cells=[
        new_markdown_cell("# Trial\n\n**Does the net hold?** This notebook reads nothing and writes nothing."),
        new_code_cell('study: str = ""  # study folder\nout_dir: str = ""  # where results go', execution_count=1,
                      metadata={"tags": ["parameters"]}),
        new_markdown_cell(words),
        new_code_cell(IMPORT + '\n\nstage = kit.open_stage("00-study", study, out_dir)', execution_count=2),
        new_markdown_cell(words),
        new_code_cell(IMPORT + '\n\nkit.table(stage.numbers(), caption="Numbers, in mg/kg and 95 % intervals.")',
                      execution_count=3, outputs=said),
        new_markdown_cell(words + "[on](00-study.ipynb)"),
        new_code_cell(IMPORT + '\n\nstage.say("Of {rows} rows {taken} were taken.")', execution_count=4, outputs=said),
    ], metadata={"kernelspec": {"name": "python3", "display_name": "Python 3", "language": "python"},
                 "language_info": {"name": "python"}})
    return nb


def _source(i: int, text: str) -> Callable[[NotebookNode], None]:
    def spoil(nb: NotebookNode) -> None:
        nb.cells[i].source = text
    return spoil


def _add(i: int, text: str) -> Callable[[NotebookNode], None]:
    def spoil(nb: NotebookNode) -> None:
        nb.cells[i].source += "\n" + text
    return spoil


def _set(i: int, **values: object) -> Callable[[NotebookNode], None]:
    def spoil(nb: NotebookNode) -> None:
        nb.cells[i].update(values)
    return spoil


STDERR = [new_output("stream", name="stderr", text="a warning")]
ERROR = [new_output("error", ename="ValueError", evalue="no", traceback=[])]
SPOILT: tuple[tuple[Rule, Callable[[NotebookNode], None]], ...] = (
    (title_and_question, _source(0, "Trial\n\n**Does it hold?** reads, writes")),
    (title_and_question, _source(0, "# Trial\n\nDoes it hold? It reads this and writes that.")),
    (title_and_question, _source(0, "# Trial\n\n**Does it hold?**")),
    (one_parameters_cell, _set(1, metadata={})),
    (one_parameters_cell, _set(3, metadata={"tags": ["parameters"]})),
    (one_parameters_cell, _add(1, 'more: str = ""  # one too many')),
    (one_parameters_cell, _source(1, 'study: str = ""  # a\nout_dir: str = study + "x"  # derived')),
    (one_parameters_cell, _source(1, 'study: str = ""\nout_dir: str = ""  # told')),
    (one_import, _add(3, "import scipy")),
    (one_import, _source(3, "stage = None")),
    (one_import, _source(5, "kit.table(stage.numbers())")),
    (one_import, _add(7, "from studykit.verdict import tables\nimport scipy")),
    (no_machinery, _add(5, "%matplotlib inline")),
    (no_machinery, _add(5, "!ls")),
    (no_machinery, _add(5, "def f():\n    return 1")),
    (no_machinery, _add(5, "class A:\n    pass")),
    (no_machinery, _add(5, "kit.warnings.simplefilter('ignore')")),
    (no_machinery, _add(5, "for x in []:\n    stage.say(x)")),
    (no_paths, _add(5, "t = stage.read('tidy/results.csv')")),
    (no_paths, _add(5, "t = stage.read('results.csv')")),
    (prose_before_code, _set(4, cell_type="code", outputs=[], execution_count=9)),
    (executed_in_order, _set(5, execution_count=None)),
    (executed_in_order, _set(5, execution_count=7)),
    (outputs_stored, _set(5, outputs=[])),
    (outputs_stored, _set(7, outputs=[])),
    (outputs_stored, _set(5, outputs=[*sound().cells[5].outputs, *STDERR])),
    (outputs_stored, _set(5, outputs=[*sound().cells[5].outputs, *ERROR])),
    (sizes, _add(5, "x = 1\n" * 15)),
    (sizes, _add(5, "x = '" + "wide " * 30 + "'")),
    (sizes, _add(5, "x = 1\n" * 12)),
    (named_kernel, lambda nb: nb.metadata.pop("kernelspec")),
    (named_kernel, lambda nb: nb.metadata.pop("language_info")),
    (named_kernel, lambda nb: nb.metadata.update(papermill={})),
    (no_typed_number, _source(7, 'stage.say("Of 12 rows {taken} were taken.")')),
    (no_typed_number, _source(7, "kit.say('about ' + '3.5 %')")),
    (no_typed_number, _source(7, "kit.say(f'{stage} rows')")),
    (table_before_figure, _source(5, 'kit.figure(stage, alt="a", caption="b")')),
    (links_stay_inside, _source(6, "[on](99-nothing.ipynb)")),
    (links_stay_inside, _source(6, "The end.")),
)


@pytest.mark.parametrize("rule", RULES, ids=lambda r: r.__name__)
def test_the_sound_notebook_keeps_every_rule(rule):
    assert rule(sound()) == []
    assert rule in {r for r, _ in SPOILT}


@pytest.mark.parametrize("k", range(len(SPOILT)), ids=lambda k: f"{k}-{SPOILT[k][0].__name__}")
def test_each_breach_is_found(k):
    rule, spoil = SPOILT[k]
    nb = sound()
    spoil(nb)
    assert len(rule(nb)) >= 1


# ---- the net holds: pytest --nbval with the conftest of this repository

CELLS = {  # what a cell prints when run, what may be stored instead, and whether that must be told
    "right": ('print("mean 12.3456 mg/kg, 5 containers")', "mean 12.3456 mg/kg, 5 containers", False),
    "within tolerance": ('print("3.14159265 and 1.0e-12")', "3.14159266 and 1.1e-12", False),
    "a digit": ('print("mean 12.3456 mg/kg")', "mean 12.3556 mg/kg", True),
    "the last of few digits": ('print("mean 12.34 mg/kg")', "mean 12.35 mg/kg", True),
    "a whole number": ('print("5 containers")', "6 containers", True),
    "a sign": ('print("difference -2.5 %")', "difference 2.5 %", True),
    "a word": ('print("homogeneous")', "inconclusive", True),
    "a shown number": ("round(2.718281828, 5)", "2.81828", True),
}


def stored(names: tuple[str, ...]) -> NotebookNode:
    """A notebook of those cells, with what is stored for each."""
    cells = []
    for k, name in enumerate(names, start=1):
        source, text, _ = CELLS[name]
        shown = new_output("execute_result", {"text/plain": text}, execution_count=k)
        printed = new_output("stream", name="stdout", text=text + "\n")
        cells.append(new_code_cell(source, execution_count=k, outputs=[printed if "print" in source else shown]))
    return new_notebook(cells=cells, metadata=sound().metadata)


def run_net(folder: Path) -> tuple[int, dict[str, str]]:
    """Exit code and the word for each item of pytest over the notebooks of a folder, with this repository's conftest."""
    shutil.copy(ROOT / "conftest.py", folder)
    (folder / "pytest.ini").write_text("[pytest]\n")
    command = [sys.executable, "-m", "pytest", "--nbval", "--nbval-current-env", "-p", "no:cacheprovider", "-p",
               "tests.lean", "-q", "-rA", "--tb=no", "."]
    environment = {k: v for k, v in os.environ.items() if not k.startswith("PYTEST_")} | {"PYTHONPATH": str(ROOT)}
    done = subprocess.run(command, cwd=folder, env=environment, capture_output=True, text=True, timeout=180, check=False)
    lines = re.findall(r"^(PASSED|FAILED) (\S+\.ipynb::.+?)(?: - .*)?$", done.stdout, flags=re.M)
    assert lines, done.stdout + done.stderr
    return done.returncode, {name: word for word, name in lines}


@pytest.mark.slow
def test_the_net_over_stored_outputs_holds(tmp_path):
    """Each changed cell of a notebook fails, each unchanged one passes, and nothing else is told."""
    nbformat.write(stored(tuple(CELLS)), tmp_path / "changed.ipynb")
    code, told = run_net(tmp_path)
    assert code == 1
    assert told.pop("changed.ipynb::stored outputs") == "PASSED"
    assert told == {f"changed.ipynb::Cell {k}": "FAILED" if wrong else "PASSED"
                    for k, (_, _, wrong) in enumerate(CELLS.values())}


def test_a_stripped_notebook_and_one_with_stderr_fail():
    """They have no cell to compare, or one that would compare equal: the item that the conftest adds fails."""
    from conftest import StoredOutputs

    def told(nb: NotebookNode) -> None:
        StoredOutputs.runtest(SimpleNamespace(parent=SimpleNamespace(nb=nb)))

    stripped, loud = stored(("right",)), stored(("right",))
    stripped.cells[0].update(outputs=[], execution_count=None)
    loud.cells[0].outputs.append(STDERR[0])
    told(stored(("right", "within tolerance")))
    with pytest.raises(AssertionError, match="code cell 0: not run, nothing would be compared"):
        told(stripped)
    with pytest.raises(AssertionError, match="code cell 0: stored stream"):
        told(loud)


def test_notebooks_wait_only_for_those_that_come_before_them():
    """Otherwise two workers could wait for each other for ever; and every file named is there."""
    from conftest import AFTER, LONGEST

    assert [p for p in LONGEST if not (ROOT / p).exists()] == []
    place = {Path(p).stem: k for k, p in enumerate(LONGEST) if p.endswith(".ipynb")}
    assert set(place) == set(STEMS)
    assert set(AFTER) == set(STEMS) - {"03-intake"}
    assert [(a, b) for a, needs in AFTER.items() for b in needs if place[b] >= place[a]] == []
