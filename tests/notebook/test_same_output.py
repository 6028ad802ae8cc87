"""What the comparison of stored notebook outputs takes for the same, and what not."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import nbformat
import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def net():
    """The conftest of the repository as a module, loaded apart so that its changes to nbval are not made twice."""
    spec = importlib.util.find_spec("conftest")
    assert spec is not None
    import conftest

    assert Path(conftest.__file__) == ROOT / "conftest.py"
    return conftest


@pytest.mark.parametrize(("a", "b"), [
    ("x 1.2345678 y", "x 1.23456781 y"), ("0.0400001", "0.0400000"), ("p = 1.0000e-05", "p = 1.0001e-05"),
    ("a\nb", "a\nb"), ("sample 007", "sample 007"), ("\u22121.50000", "\u22121.50001"), ("1  2", "1 2"),
])
def test_the_same(net, a, b):
    assert net.same_output(a, b)


@pytest.mark.parametrize(("a", "b"), [
    ("sample 007", "sample 7"), ("lot 1E5", "lot 100000"), ("lot 1E5", "lot 1.0E5"), ("12", "13"), ("12", "12.0"),
    ("p 0.0500", "p 0.0499"), ("p 0.04999", "p 0.05000"), ("p 0.049999", "p 0.050000"), ("1.23", "1.24"), ("word", "other"),
    ("+5", "5"), ("00.5", "0.5"), ("1e5", "1E5"), ("1.00", "1.0"),
    ("Versions of the programs.\nnumpy 1", "Other table.\nnumpy 1"),
])
def test_not_the_same(net, a, b):
    assert not net.same_output(a, b)
    assert not net.same_output(b, a)


def test_only_the_table_of_versions_is_left_out(net):
    text = "Versions of the programs.\n what  value\nnumpy {}"
    page = '<table class="data"><caption>Versions of the programs.</caption><tr><td>{}</td></tr></table>'
    assert net.same_output(text.format("2.1"), text.format("2.2"))
    assert net.same_output(page.format("2.1"), page.format("2.2"))
    assert not net.same_output("Rows used: 12\n" + text.format("2.1"), "Rows used: 13\n" + text.format("2.1"))
    more = page + '<table class="data"><caption>Rows</caption><tr><td>{}</td></tr></table>'
    assert not net.same_output(more.format("2.1", 12), more.format("2.1", 13))


def _figure(alt: str, caption: str, shown: str, table: str = "Means.\n 12.5 silicon") -> list:
    picture = nbformat.v4.new_output("display_data", {"image/png": "aGk=", "text/plain": f"Figure: {alt}"},
                                     metadata={"image/png": {"alt": alt, "caption": caption}})
    below = nbformat.v4.new_output("display_data", {"text/plain": shown, "text/markdown": f"*{shown}*"},
                                   metadata={"studykit": "caption"})
    before = nbformat.v4.new_output("display_data", {"text/plain": table})
    return [nbformat.v4.new_code_cell("f()", outputs=[before]), nbformat.v4.new_code_cell("g()", outputs=[picture, below])]


def test_a_figure_is_held_by_the_tables_before_it(net):
    assert net.figure_faults(_figure("silicon 12 mg/kg", "Profile.", "Profile.")) == []
    assert net.figure_faults(_figure("silicon 17 mg/kg", "Profile.", "Profile.")) == [
        "cell 1: the figure tells 17, which stands in no table before it"]
    assert net.figure_faults(_figure("silicon 12 mg/kg", "Profile.", "Other.")) == [
        "cell 1: the figure's caption is not the one shown"]


def test_figures_of_the_kits_notebooks_are_held(net):
    figures = 0
    for path in sorted((ROOT / "notebooks").glob("0*.ipynb")):
        cells = nbformat.read(path, as_version=4).cells
        assert net.figure_faults(cells) == [], path.name
        figures += sum("image/png" in o.get("data", {}) for c in cells for o in c.get("outputs", []))
    assert figures > 10
