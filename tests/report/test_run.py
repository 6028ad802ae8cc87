"""Notebooks run in order; parameters are refused first; a failing cell is told in a few lines; old reports survive."""

import nbformat
import pytest

from studykit.core.errors import ParametersRefused, StageFailed
from studykit.report import run as runner

PARAMETERS = 'study: str = ""  # folder\nout_dir: str = ""  # folder'


def notebook(path, *cells, tagged=PARAMETERS, tag="parameters"):
    nb = nbformat.v4.new_notebook()
    nb.metadata = {"kernelspec": {"display_name": "x", "language": "python", "name": "my-env-312"},
                   "language_info": {"name": "python"}}
    nb.cells = [nbformat.v4.new_markdown_cell("# A stage"), nbformat.v4.new_code_cell(tagged, metadata={"tags": [tag]})]
    for text in cells:
        nb.cells += [nbformat.v4.new_markdown_cell("## A step"), nbformat.v4.new_code_cell(text)]
    nbformat.write(nb, path)
    return path


def test_accepted_parameters_are_read_from_the_tagged_cell(tmp_path):
    path = notebook(tmp_path / "a.ipynb", tagged=PARAMETERS + "\nlevel: float = 0.9")
    assert runner.accepted_parameters(path) == ("study", "out_dir", "level")
    with pytest.raises(ParametersRefused, match="no cell is tagged 'parameters'"):
        runner.accepted_parameters(notebook(tmp_path / "b.ipynb", tag="other"))


def test_unknown_and_missing_parameters_are_both_named(tmp_path):
    path = notebook(tmp_path / "a.ipynb", tagged='study: str = ""')
    with pytest.raises(ParametersRefused) as caught:
        runner.check_parameters(path, {"study": "x", "out_dir": "y", "aplha": 0.1})
    text = str(caught.value)
    assert "unknown: out_dir, aplha" in text
    assert "missing: out_dir" in text
    assert "accepted are study" in text


def test_nothing_runs_where_one_notebook_refuses(tmp_path):
    books = tmp_path / "books"
    books.mkdir()
    notebook(books / "a.ipynb", "open(out_dir + '/ran', 'w').close()")
    notebook(books / "b.ipynb", tagged='study: str = ""')
    (tmp_path / "study").mkdir()
    with pytest.raises(ParametersRefused, match=r"b\.ipynb"):
        runner.run_stages(tmp_path / "study", books, ("a", "b"), lambda _: None)
    assert list((tmp_path / "study").iterdir()) == []


@pytest.mark.slow
def test_a_run_executes_in_order_and_a_failure_is_told_briefly(tmp_path):
    books, root, said = tmp_path / "books", tmp_path / "study", []
    books.mkdir()
    (root / "report").mkdir(parents=True)
    (root / "report/report.html").write_text("the filed one")
    text = "from pathlib import Path\nPath(out_dir, 'seen.txt').write_text('\u00e4 007')"
    notebook(books / "a.ipynb", text)
    notebook(books / "b.ipynb", "from pathlib import Path\nvalue = Path(out_dir, 'seen.txt').read_text()",
             "raise ValueError('samples.csv row 14: -3 is below 0')")
    with pytest.raises(StageFailed) as caught:
        runner.run_stages(root, books, ("a", "b"), said.append)
    message = str(caught.value)
    assert message.startswith("b.ipynb, step 'A step', code cell [")
    assert "    | raise ValueError(" in message
    assert "ValueError: samples.csv row 14: -3 is below 0" in message
    assert "Traceback" not in message
    assert len(message.splitlines()) < 8
    assert (root / "report/report.html").read_text() == "the filed one"
    saved = nbformat.read(root / "report.part/b/b.ipynb", 4)
    assert any("papermill-error-cell-tag" in c.metadata.get("tags", []) for c in saved.cells)
    assert any("a  done in" in s for s in said)
    assert any("cell 3 of 3" in s for s in said)


def test_the_exchange_and_the_recovery_after_a_kill(tmp_path):
    for name, text in (("report", "old"), ("report.part", "new")):
        (tmp_path / name).mkdir()
        (tmp_path / name / "report.html").write_text(text)
    runner.exchange(tmp_path)
    assert (tmp_path / "report/report.html").read_text() == "new"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["report"]
    # killed between the two renames: only report.old is there
    (tmp_path / "report").rename(tmp_path / "report.old")
    runner.recover(tmp_path)
    assert (tmp_path / "report/report.html").read_text() == "new"
