"""An analyte measured in one container of a stock clears no stock: word, uses, action, and what stands beside them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from studykit.model import tables as model_tables
from studykit.study.actions import Action
from studykit.verdict import alone, tables, uses
from studykit.verdict import floors as floor
from studykit.verdict.rule import ONE_ONLY, StudyVerdict
from tests.verdict_cases import calm, make

STATED = {"repeatability": {"r": 0.3, "source": "a test"}}


def measured(tmp_path, containers: int, scope: str = "stock", of: int = 24, lower: float = 0.0):
    """``of`` containers opened, with results in the first ``containers`` of them only."""
    cells = calm(of, step=0.05, lower=lower)
    for depths in list(cells.values())[containers:]:
        for depth in depths:
            depths[depth] = []
    stage = make(tmp_path / f"{containers}{scope}", cells, **STATED)
    stage = replace(stage, tables=replace(stage.tables, study=stage.study.model_copy(update={"scope": scope})))
    models = model_tables.fit_all(stage)
    return stage, models, tables.judge_all(stage, models)


@pytest.mark.few(1)
@pytest.mark.parametrize("scope", ["stock", "lot", "store"])
def test_one_container_of_24_says_nothing_of_the_others(tmp_path, scope) -> None:
    stage, models, outcome = measured(tmp_path, 1, scope)
    (verdict,) = outcome.analytes
    assert (outcome.word, verdict.word, verdict.final) == ("inconclusive", "homogeneous", "inconclusive")
    assert outcome.sentence.endswith(f"{ONE_ONLY.capitalize()}: {verdict.label}.")
    assert "Measured in 1 of 24 containers" in verdict.sentence
    assert verdict.stock.allowed == pytest.approx(0.2)  # of 20 per cent
    assert verdict.stock.share_upper == pytest.approx(0.95)  # by hand: none of one beyond, 1 - 0.05^(1/1)
    table = uses.uses(stage, models, outcome)
    assert not {floor.WITHIN, uses.ABOVE} & set(table["word"])
    acting = StudyVerdict(word="homogeneous", sentence="", analytes=outcome.analytes, action=Action(do="Use as it stands."))
    assert "Use as it stands" not in uses.action(stage, acting, table)
    told = " ".join(tables.cannot(stage, models)["what"])
    assert f"{verdict.label} was measured in 1 of 24 containers" in told
    assert "The answer holds" not in told


def test_a_claim_about_one_container_keeps_its_word_and_a_settled_one_is_said(tmp_path) -> None:
    stage, models, outcome = measured(tmp_path, 1, "container", of=1)
    assert outcome.word == "homogeneous"
    assert outcome.analytes[0].stock is None
    assert floor.WITHIN in set(uses.uses(stage, models, outcome)["word"])
    settled = measured(tmp_path / "settled", 1, lower=30)[2]
    assert settled.word == "stratified"  # never better than it is


@pytest.mark.few(1)
@pytest.mark.parametrize("containers", [2, 5, 12])
def test_a_few_containers_carry_no_stock_either(tmp_path, containers) -> None:
    """By hand: none of 12 beyond still allows 1 - 0.05^(1/12) = 22 %, and 20 % are allowed."""
    stage, models, outcome = measured(tmp_path, containers)
    assert outcome.word == "inconclusive"
    assert alone.measured_in(stage, models[0]) == f"measured in {containers} of 24 containers"
