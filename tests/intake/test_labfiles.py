"""Laboratory files whose meaning is known, a short seeded part: nothing read wrong, nothing lost without a word.

The generator (`tests.intake.labfiles`) was written by someone who had not seen the intake; it knows what was meant.
``python -m tests.intake.labfiles.run 100000`` is the long run.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.intake.labfiles.generate import make_case
from tests.intake.labfiles.registry import KINDS
from tests.intake.labfiles.run import try_case
from tests.intake.labfiles.score import BAD, OVER, Outcome, TidyRow, judge

#: The numbered cases that an outside reviewer found read wrong without a word, by the kinds that hold them.
FOUND = {
    1: ("two values as whole numbers, newline", "two values, space, hundreds", "ods: text:s between two values",
        "three values as whole numbers, commas", "two values, apostrophe, hundreds"),
    2: ("decimal comma in comma file beside an empty remark", "decimal comma in comma file, long, remark column"),
    3: ('format "<"0.0 shows <', "format 0.0000% over a share, heading mg/kg", "format 0.0, shows a thousandth",
        'format "n.d." over a number', "superscript footnote digit", "struck whole number, new one close behind"),
    4: ("two columns of one heading, ignore *", "sample heading twice, each for what follows, ignore *"),
    5: ("codes collide: 7 and 007 both in the study, 007 written 7", "codes collide: 1E5 and 100000 both in the study",
        "codes collide: 1.10 and 1.1 both in the study", "codes collide: a1 and A1 both in the study, swapped",
        "codes collide: Cyrillic and Latin K both in the study"),
    6: ("OVR, declared above the limit, only a lower limit known",),
    7: ("second report below, headings name another unit", "second report below, a remark line names another unit"),
    8: ("error cells, blank declared, prefix parts", "error cells, blank declared, other paths parts",
        "error cells, blank declared, single quotes parts", "formula without a value, blank declared"),
    9: ("hidden line, withdrawn", "filtered lines, withdrawn", "veryHidden sheet with other bottles, sheet *", "struck line",
        "comment 'invalid'", "missing code -999 as a number", "missing code 9999",
        "totals or mean line under 'T1', which is also a sample code"),
    10: ("same bottle in two runs on two dates", "same bottle in two runs on two dates, wide"),
    12: ("analytes over two sheets of other headings, one entry", "tables side by side, other samples",
         "merged headings over two lines"),
}


@pytest.mark.few(10)
@pytest.mark.parametrize(("case", "kind"), [(n, k) for n, kinds in FOUND.items() for k in kinds])
def test_cases_that_were_read_wrong_once(tmp_path: Path, case: int, kind: str) -> None:
    for seed in (case, 100 + case):
        made = make_case(seed, [kind])
        found = judge(made, try_case(made, tmp_path))
        assert found.verdict not in (*BAD, OVER), (kind, seed, found)


@pytest.mark.few(1)
@pytest.mark.parametrize("family", [
    "forms of a cell", "columns that decide", "certificates", "aligned", "group rows", "written once", "preparations",
    "negative", "uncertainty", "limit lines", "clerks", "names set aside", "two marks", "colours", "more files"])
def test_kinds_by_people_who_had_the_promise_alone(tmp_path: Path, family: str) -> None:
    kinds = [name for name, known in KINDS.items() if known.family == family]
    assert kinds
    for seed, kind in enumerate(kinds):
        made = make_case(seed, [kind])
        found = judge(made, try_case(made, tmp_path))
        assert found.verdict not in (*BAD, OVER), (kind, seed, found)


def drawn(first: int, count: int) -> Iterator[int]:
    return iter(range(first, first + count))


@pytest.mark.slow
@pytest.mark.parametrize("first", [1, 1_001])
def test_drawn_and_combined_cases(tmp_path: Path, first: int) -> None:
    agreed = refused = 0
    for seed in drawn(first, 60):
        made = make_case(seed)
        found = judge(made, try_case(made, tmp_path))
        assert found.verdict not in BAD, (seed, made.kinds, found)
        agreed += made.two_people_agree
        refused += found.verdict == OVER
    assert refused <= max(1, 0.02 * agreed)


def test_the_judge_can_find_fault() -> None:
    made = make_case(1, ["plain"])
    rows = [TidyRow(t.sample, t.analyte, float(t.value or 0), t.unit, "") for t in made.truth]
    assert judge(made, Outcome(0, rows)).verdict == "right"
    assert judge(made, Outcome(0, rows[1:])).verdict == "SILENTLY MISSING"
    rows[0].value *= 10
    assert judge(made, Outcome(0, rows)).verdict == "SILENTLY WRONG"
    assert judge(made, Outcome(2)).verdict == "over-refused"
    assert judge(made, Outcome(70)).verdict == "CRASH"
    assert len(KINDS) >= 120
