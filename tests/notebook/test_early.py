"""Every cell of every shipped notebook run too early, alone in a fresh session: it says what to run first, without a trace."""

from __future__ import annotations

import builtins
import json
import symtable
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from IPython.core.interactiveshell import InteractiveShell

from studykit.core.errors import single
from studykit.notebook import early

ROOT = Path(__file__).resolve().parents[2]
BOOKS = sorted([*(ROOT / "notebooks").glob("*.ipynb"), *(ROOT / "notebooks/course").glob("*.ipynb")])


def code_of(path: Path) -> list[str]:
    """The code cells of a notebook that are not its parameters."""
    cells = json.loads(path.read_text("utf-8"))["cells"]
    code = [c for c in cells if c["cell_type"] == "code" and "parameters" not in c["metadata"].get("tags", ())]
    return ["".join(c["source"]) for c in code]


@pytest.fixture
def shell(monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    """A session as a kernel has it, whose errors are kept in ``said``: one list of lines an error."""
    made = InteractiveShell()
    made.said = []
    made._showtraceback = lambda _kind, _error, lines: made.said.append(list(lines))
    made.display_pub.publish = lambda *_, **__: None
    monkeypatch.setattr("IPython.get_ipython", lambda: made)
    early.guard()
    yield made
    InteractiveShell.clear_instance()


def needed(source: str) -> set[str]:
    """The names that a cell takes from cells before it."""
    table = symtable.symtable(source, "cell", "exec")
    inner = [i for t in table.get_children() for i in t.get_symbols() if i.is_global()]
    used = {s.get_name() for s in [*table.get_symbols(), *inner] if s.is_referenced()}
    return used - {s.get_name() for s in table.get_symbols() if s.is_assigned() or s.is_imported()} - set(dir(builtins))


@pytest.mark.slow
@pytest.mark.parametrize("path", BOOKS, ids=lambda p: p.stem)
def test_each_cell_that_needs_others_says_what_to_run_first(shell, path):
    hungry = [source for source in code_of(path) if needed(source)]
    assert len(hungry) > 2
    for source in hungry:
        shell.user_ns.clear()
        shell.said.clear()
        shell.history_manager.input_hist_raw[:] = [""]
        error = shell.run_cell(source, store_history=True).error_in_exec
        assert isinstance(error, NameError), source
        assert error.name in needed(source)
        assert shell.said == [[early.what_first(error.name, [source])]], source
        assert "the cells under" in shell.said[0][0] or "the first cells of this notebook" in shell.said[0][0], source


def test_a_trace_is_what_a_fresh_session_would_have_shown(shell):
    """Without the guard the same cell gives Python's own words, so the test above can fail."""
    shell.set_custom_exc((), None)
    shell.run_cell("alarms")
    assert "NameError" in "\n".join(shell.said[0])


def test_bad_input_is_told_by_its_faults_alone(shell):
    shell.user_ns["fault"] = single("05-model/means.csv", "this table is not there yet", "run the notebook 05-model first")
    shell.run_cell("raise fault")
    assert shell.said == [["The input has faults: 1 fault.",
                           "  05-model/means.csv: this table is not there yet -> run the notebook 05-model first"]]


def test_other_errors_keep_their_trace(shell):
    shell.run_cell("1 / 0")
    assert any("Traceback" in line for line in shell.said[0])


def test_a_name_is_sought_in_the_notebook_whose_cells_were_run():
    verdict = json.loads((ROOT / "notebooks/06-verdict.ipynb").read_text("utf-8"))["cells"]
    own = [c for c in ("".join(c["source"]) for c in verdict) if "outcome.to_table()" in c][:1]
    assert early.made_in("outcome", own) == "the cells under “What the words mean”"
    assert early.made_in("stage", own) == "the first cells of this notebook"
    assert early.made_in("outcome", []) == "the cells above this one"  # 03-intake makes one of that name too
    assert early.made_in("nothing of that name", own) == "the cells above this one"
