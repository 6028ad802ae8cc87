"""Texts that reach a sheet: an order, a forbidden deed or a tool that insulates is refused; a question may name any of them."""

from __future__ import annotations

from typing import Any

import pytest

from studykit.core.errors import BadInput
from studykit.study.reasons import says_nothing
from studykit.study.wording import insulator_in, order_in
from tests.sampling_examples import study

CHANGES: list[tuple[dict[str, Any], str]] = [
    ({"title": "Heat the drums to 60 and roll them"}, "title.*reads as an order"),
    ({"question": "Roll the drums for ten minutes, then suck by mouth?"}, "question.*reads as an order"),
    ({"question": "May it be sucked up by mouth?"}, "question.*by mouth"),
    ({"exclusion_rules": ["open the drum by grinder if stuck"]}, r"exclusion_rules\\[1\\].*reads as an order"),
    ({"sampling": {"tool": "plastic dipper on nylon cord, suck by mouth"}}, "sampling.tool.*reads as an order"),
    ({"sampling": {"tool": "drill whisk"}}, "sampling.tool.*names what the cautions bar"),
    ({"sampling": {"tool": "heated tube"}}, "sampling.tool.*names what the cautions bar"),
]


@pytest.mark.parametrize(("change", "said"), CHANGES)
def test_what_nobody_may_be_told_is_refused_wherever_it_is_printed(change: dict[str, Any], said: str) -> None:
    with pytest.raises(BadInput, match=said.replace("\\\\", "\\")):
        study(**change)


@pytest.mark.parametrize("text", [
    "Must a stored pail be mixed before the first 12 L are poured?", "Rolling drums: does it help?", "Mixing trial 4",
    "Cutting fluid in totes", "Does anything settle to the floor, and may the last litres be used?", "Drilling mud, two depths",
    "half of what the blender allows; rolled stock scatters by a tenth"])
def test_a_question_or_a_name_may_hold_any_of_the_words(text: str) -> None:
    assert order_in(text) == ""
    assert study(title=text, question=text)


def test_a_tool_that_insulates_is_refused_only_where_something_may_ignite() -> None:
    assert study(sampling={"tool": "plastic dipper"})  # flash point 220 °C, no gas
    for worse in ({"flash_point_c": 21}, {"pressure_or_gas": "unknown"}):
        with pytest.raises(BadInput, match=r"sampling.tool.*does not conduct.*plastic.*may ignite"):
            study(sampling={"tool": "plastic dipper", "heel": False, "residue": False}, safety=worse)
    assert [insulator_in(t) for t in ("glass thief", "tube of conductive plastic", "non-conductive plastic", "steel tube")] == [
        "glass", "", "plastic", ""]


@pytest.mark.parametrize("text", [
    "write here why", "as discussed", "as agreed with Fred", "siehe oben", "Begründung folgt", "TODO", "tbd",
    "write here why: TODO",
    "wie besprochen", "voir ci-dessus", "à compléter", "comme convenu", "véase arriba", "por definir", "vedi sopra",
    "zie boven", "because", "don't know yet", "N/A", "(to follow)", "'see above'", "reason to follow"])
def test_placeholders_of_the_common_languages_are_no_reasons(text: str) -> None:
    assert says_nothing(text)


@pytest.mark.parametrize("text", [
    "half of the blender's tolerance", "found behind the rack", "the pump fails above 80 mg/kg",
    "because the pump fails above it",
    "as the supplier's certificate of 3 March says", "Begründung: halbe Toleranz des Herstellers", "control chart, 2026"])
def test_reasons_stay_reasons(text: str) -> None:
    assert not says_nothing(text)
