"""Sentences of the pages that hold no number, each against the code that it speaks of; their rows stand in the ledger."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from studykit.core.errors import BadInput
from studykit.sampling.order import make_plan
from studykit.study.codes import ALPHABET, CONFUSED
from studykit.study.definition import Margin, parse_study
from tests.docs.reading import ROOT
from tests.sampling_examples import container_table, stock_rows, study


def test_only_an_absolute_margin_keeps_its_width_near_zero() -> None:
    """A share of a level falls to nothing with it: by arithmetic."""
    assert Margin(absolute=50).at(0.0) == Margin(absolute=50).at(1e-6) == 50
    assert Margin(factor=2).at(0.0) == Margin(relative_percent=20).at(0.0) == 0


def test_the_laboratory_gets_no_key(tmp_path: Path) -> None:
    made = make_plan(study(), container_table(stock_rows(4), tmp_path))
    assert set(made.submission) == {"run", "position", "sample", "volume_ml", "tests"}
    assert {"container", "depth", "kind"} <= set(made.key)


def test_the_groups_named_are_those_of_the_list() -> None:
    """Each group that the page names stands whole in one group of the list, and no two characters of codes stand in one."""
    page = (ROOT / "docs/02-sampling.md").read_text(encoding="utf-8")
    named = re.search(r"taken for one another \(([^)]*) and so on\)", page)
    assert named is not None
    groups = ["".join(g) for g in re.findall(r"(\w)(?:, (\w))? and (\w)", named[1])]
    assert groups == ["PRF", "KX", "KH", "MW", "T7", "69"]
    assert all(any(set(g) <= set(c) for c in CONFUSED) for g in groups)
    assert not any(len(set(ALPHABET) & set(c)) > 1 for c in CONFUSED)


def test_the_power_of_declared_scatter_is_that_of_the_table() -> None:
    text = (ROOT / "docs/operating.md").read_text(encoding="utf-8")
    found = {d: re.search(rf"^\| {d} \| equal \| 4 x 5 x 1 \|(?:[^|]*\|){{4}} ([\d.]+) \(([\d.]+)\) \|", text, re.M)
             for d in ("pooled", "own gradient")}
    said = re.search(r"homogeneous in (\d+) of\s100 studies with `\"pooled\"` and in (\d+) with `\"own gradient\"`, instead of "
                     r"(\d+) or (\d+),", (ROOT / "docs/05-model.md").read_text(encoding="utf-8"))
    assert said is not None
    both = [m for m in found.values() if m is not None]
    assert [round(float(m[1])) for m in both] + [round(float(m[2])) for m in both] == [int(n) for n in said.groups()]


def test_the_filled_example_shows_no_key_that_is_refused() -> None:
    """Each line of the example that is put out of use by # may be put to use: its key is one that is read."""
    text = (ROOT / "docs/first-study/study.toml").read_text(encoding="utf-8")
    assert "mixing_actions" not in text
    last = text[text.index("[safety]"):text.index("# What a deposit")]
    assert parse_study(tomllib.loads(text))
    with pytest.raises(BadInput, match="no longer read"):
        parse_study(tomllib.loads(text.replace(last, last + "\nmixing_actions = [\"stratified\"]\n")))


def test_what_new_writes_no_line_for_is_named_on_the_page() -> None:
    page = (ROOT / "docs/first-study.md").read_text(encoding="utf-8")
    assert "(`invented`, `tool`, `tests`) is added" in " ".join(page.split())
    written = (ROOT / "studykit/templates/new/study.toml").read_text(encoding="utf-8")
    assert not any(re.search(rf"(?m)^(?:# )?{key} = ", written) for key in ("invented", "tool", "tests"))
