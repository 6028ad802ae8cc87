"""The stage pages are true of the code: examples, table names, tolerance classes, exit codes, numbers of the rule."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path

import pytest

from studykit.core import errors
from studykit.core.record import CLASSES
from studykit.inference.critical_range import critical_range_factor, singles_arithmetic
from studykit.inference.share import share_bound_clear
from studykit.study.definition import Analyte, Factors, Study, parse_study

ROOT = Path(__file__).resolve().parents[2]
SAVED = re.compile(r'save_table\([^()]*(?:\([^()]*\))?[^()]*"([\w-]+)"\)')


def page(name: str) -> str:
    return (ROOT / "docs" / name).read_text(encoding="utf-8")


def test_the_complete_example_is_a_study() -> None:
    block = next(b for b in re.findall(r"```toml\n(.*?)```", page("00-study.md"), flags=re.DOTALL) if "title" in b)
    study = parse_study(tomllib.loads(block))
    assert study.analytes["Si"].margin.relative
    # the page claims to be complete: every key of these sections stands in it
    named = set(re.findall(r"^([a-z_]+) *=", block, flags=re.MULTILINE))
    later = {"factors", "analytes", "vessels", "actions", "fluid", "components", "design", "sampling", "exclusion_rules",
             "safety", "unusual", "deposit", "time"}
    assert set(Study.model_fields) - later <= named
    assert set(Analyte.model_fields) <= named
    assert set(Factors.model_fields) - {"columns"} <= named  # those have a block of their own below
    with pytest.raises(errors.BadInput, match="this key is not known here"):
        parse_study(tomllib.loads(block + "\nmade_up = 1\n"))


def saved_tables(code: str) -> set[str]:
    """Names under which a notebook's code saves tables."""
    return set(re.findall(r'name="([\w-]+)"', code)) | set(SAVED.findall(code))


@pytest.mark.parametrize("stem", ["04-quality", "05-model", "06-verdict"])
def test_every_saved_table_is_named_on_its_page(stem: str) -> None:
    cells = json.loads((ROOT / f"notebooks/{stem}.ipynb").read_text(encoding="utf-8"))["cells"]
    saved = saved_tables("\n".join("".join(c["source"]) for c in cells if c["cell_type"] == "code"))
    text = re.sub(r"\s+", " ", page(f"{stem}.md"))
    assert len(saved) > 5
    assert [name for name in sorted(saved) if name not in text] == []


def test_saved_tables_are_found_in_code() -> None:
    code = 'kit.table(x, caption="C", name="one")\nstage.save_table(f(a), "two")\nstage.save_table(t, "three")\nkit.table(y)'
    assert saved_tables(code) == {"one", "two", "three"}


def test_tolerances_are_those_of_the_code() -> None:
    rows = dict(re.findall(r"^\| (count|word|estimate|optimised) \| ([\d.]+) \|", page("recheck.md"), flags=re.MULTILINE))
    assert {k: float(v) for k, v in rows.items()} == CLASSES


def test_exit_codes_are_those_of_the_code() -> None:
    text = page("07-report.md")
    for kind, words in ((errors.BadInput, "faults in the input"), (errors.DesignMismatch, "cannot carry the design"),
                        (errors.ModelNotTrusted, "not to be trusted"), (errors.ParametersRefused, "parameters refused"),
                        (errors.StageFailed, "a cell failed")):
        assert re.search(rf"{kind.exit_code} [^;]*{words}", text), words
    assert f"Exit code {errors.RunsDiffer.exit_code}" in page("recheck.md")


def test_the_numbers_of_the_rule_are_computed_ones() -> None:
    text = page("06-verdict.md")
    told = singles_arithmetic(3)
    assert f"less than {told.never:.2f} r" in text
    assert f"margin of {told.pair:.1f} r" in text
    assert f"need {told.all_pairs:.1f} r" in text
    assert f"held against {told.range_rule:.1f} r" in text
    assert f"{100 * share_bound_clear(0, 24):.0f} % for n = 24" in text
    assert f"{critical_range_factor(3):.2f} s_r for three" in page("glossary.md")
