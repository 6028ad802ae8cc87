"""What would be said with the results that a person excluded: verdicts, and containers that would be named beyond.

Beside every answer stands what leaving results out did to it, so that bad news cannot be taken out unseen.
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from studykit.model.analyte import AnalyteModel
from studykit.model.tables import fit_all
from studykit.study.exclusions import read_exclusions
from studykit.study.stages import OpenStage
from studykit.verdict import floors
from studykit.verdict.containers import BEYOND_COLUMNS
from studykit.verdict.rule import StudyVerdict
from studykit.verdict.tables import judge_all

WITH = "verdict with the excluded results"
COLUMNS = ["analyte", "excluded", "verdict as filed", WITH, "reasons given"]
STUDY = "the study"
"""In the column of analytes: the study's own verdict, where that would be another."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Excluded:
    """``words``: one row an analyte with excluded results (COLUMNS), and one of the study where its verdict would be another;
    ``beyond``: containers shown to lie beyond with them alone (BEYOND_COLUMNS). Both empty where nothing was excluded."""

    words: pd.DataFrame
    beyond: pd.DataFrame


def with_and_without(stage: OpenStage, outcome: StudyVerdict, models: list[AnalyteModel]) -> Excluded:
    """The verdicts, as page one lists them, with and without the results that a person excluded."""
    taken_out = read_exclusions(stage.root, stage.study, stage.results)
    if taken_out.empty:
        return Excluded(words=pd.DataFrame(columns=COLUMNS), beyond=pd.DataFrame(columns=BEYOND_COLUMNS))
    others = fit_all(stage, with_excluded=True)
    other, filed, rows = judge_all(stage, others), outcome.told_words(), []
    for analyte, word in other.told_words().items():
        mine = taken_out[taken_out["analyte"].isin([analyte, ""])]
        if len(mine):
            rows.append((analyte, len(mine), filed[analyte], word, "; ".join(sorted(set(mine["reason"])))))
    if other.word != outcome.word:
        rows.append((STUDY, len(taken_out), outcome.word, other.word, "; ".join(sorted(set(taken_out["reason"])))))
    named = floors.beyond(stage, others, floors.each(stage, others, stage.results))
    known = set(map(tuple, floors.beyond(stage, models)[["container", "analyte"]].to_numpy()))
    alone = [pair not in known for pair in map(tuple, named[["container", "analyte"]].to_numpy())]
    return Excluded(words=pd.DataFrame(rows, columns=COLUMNS), beyond=named[alone].reset_index(drop=True))
