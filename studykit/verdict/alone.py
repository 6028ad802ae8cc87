"""An analyte measured in one container of a stock: its word holds for that one, and the stock's can be no better than open.

Scatter between containers cannot be seen in one, so neither a share of containers nor a pouring answer follows for others.
"""

from __future__ import annotations

from dataclasses import replace

from studykit.core.record import significant
from studykit.inference.share import share_bound_clear
from studykit.model.analyte import AnalyteModel
from studykit.study.definition import Study
from studykit.study.stages import StudyTables
from studykit.verdict.containers import Stock
from studykit.verdict.rule import AnalyteVerdict, ComparedVerdict


def one_of_many(study: Study, model: AnalyteModel) -> bool:
    """True where a claim about more than one container would rest on an analyte measured in one."""
    return study.scope != "container" and model.path == "known precision"


def opened(stage: StudyTables) -> int:
    """How many stored containers the study opened."""
    return int((stage.containers["treatment"] == "stored").sum())


def measured_in(stage: StudyTables, model: AnalyteModel) -> str:
    """In how many of the opened containers an analyte has a value, in words."""
    return f"measured in {model.n_containers} of {opened(stage)} containers"


def of_one_only(stage: StudyTables, verdict: AnalyteVerdict, model: AnalyteModel) -> AnalyteVerdict:
    """The verdict with the word for the stock that one container can carry: stratified as it is, else inconclusive."""
    if not isinstance(verdict, ComparedVerdict) or not one_of_many(stage.study, model):
        return verdict
    bound, allowed = share_bound_clear(0, 1, 1 - stage.study.alpha), stage.study.share_percent / 100
    told = measured_in(stage, model)
    why = (f"{told[:1].upper()}{told[1:]}, and the claim is about the {stage.study.scope}: the word holds for that one "
           f"container, and up to {significant(100 * bound, 2)} % of others could lie beyond the margin.")
    stock = Stock(word="inconclusive", share_upper=bound, allowed=allowed, beyond=(), groups=(), reasons=(why,))
    return replace(verdict, stock=stock, reasons=(why, *verdict.reasons), sentence=f"{verdict.sentence} {why}")
