"""Small studies of a known truth, as somebody who did not write the page made them, and what page one says of them.

Every container holds each analyte at its level times one plus its zone's departure (or plus the departure, where it is told
in the analyte's unit); readings scatter, are rounded, and below the limit of the method only the limit is told.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

import studykit.notebook.stage as kit
from studykit.ageing import tables as age_tables
from studykit.ageing import trend
from studykit.model import tables as model_tables
from studykit.report import questions
from studykit.verdict import cleared, containers, excluded, floors, tables, uses
from tests.studies import definition, write_study
from tests.verdict_cases import DEPTHS, HEAD_C, HEAD_R


@dataclass(frozen=True, kw_only=True)
class Truth:
    """One analyte: its level, what upper, middle and lower depart by, scatter of a reading; ``bad``: how many times as far
    in which containers; ``heel``: what lies on the floor (None: no draw); ``below``: the limit under which nothing is told."""

    margin: Mapping[str, Any]
    level: float
    departs: tuple[float, float, float]
    scatter: float
    relative: bool = True
    bad: Mapping[str, float] = field(default_factory=dict)
    heel: float | None = None
    below: float = 0.0
    more: Mapping[str, Any] = field(default_factory=dict)

    def reads(self, rng: np.random.Generator, container: str, place: str) -> str:
        """One result as it is written."""
        far = (self.heel or 0.0) if place == "heel" else self.departs[list(DEPTHS).index(place)]
        far *= self.bad.get(container, 1.0)
        value = self.level * (1 + far) * float(np.exp(rng.normal(0, self.scatter))) if self.relative else (
            self.level + far + rng.normal(0, self.scatter))
        return f"<{self.below:g}" if value < self.below else f"{value:.2f}"


def named(number: int, letter: str = "F") -> list[str]:
    """Names of so many containers."""
    return [f"{letter}{i:02d}" for i in range(1, number + 1)]


def write(root: Path, truths: Mapping[str, Truth], names: Sequence[str], *, seed: int = 1, reps: int = 2,
          filled: Mapping[str, str] | None = None, **study: Any) -> Path:
    """The study folder with its results."""
    rng = np.random.default_rng(seed)
    held, samples, rows, line = HEAD_C, "sample,container,kind,depth,height\n", HEAD_R, 2
    places = [*DEPTHS, *["heel"] * any(t.heel is not None for t in truths.values())]
    for c in names:
        held += f"{c},L1,north,drum,500,{(filled or {}).get(c, '2025-01-10')},2026-01-10,stored\n"
        for place in places:
            code = f"{c}{place[:2]}"
            spot = place in DEPTHS
            samples += f"{code},{c},{'spot' if spot else 'heel'},{place if spot else ''},{DEPTHS.get(place, '')}\n"
            for key, truth in truths.items():
                for k in range(1, reps + 1):
                    told = truth.reads(rng, c, place)
                    limit = told[1:] if told.startswith("<") else ""
                    rows += f"{code},{key},{'' if limit else told},mg/kg,{'<' * bool(limit)},{limit},{k},R1,lab.csv,{line}\n"
                    line += 1
    analytes = {k: {"unit": "mg/kg", "method": "invented", "margin": dict(t.margin), "margin_reason": "a test", **t.more}
                for k, t in truths.items()}
    return write_study(root, study=definition(analytes=analytes, scope="stock", **study), containers=held, samples=samples,
                       results_text=rows)


def judged(root: Path) -> kit.Stage:
    """The stages whose tables page one reads, run in this process; the report's stage, opened."""
    stage = kit.open_stage("06-verdict", str(root), str(root / "report"))
    models = model_tables.fit_all(stage)
    outcome = tables.judge_all(stage, models)
    by_use = uses.uses(stage, models, outcome, drawn := floors.each(stage, models))
    tables.record_verdict(stage, outcome, by_use, models)
    beyond = floors.beyond(stage, models, drawn)
    taken_out = excluded.with_and_without(stage, outcome, models)
    over_time = trend.ageing(stage.study, models)
    saved = {
        "verdicts": outcome.to_table(), "in-margins": tables.in_margins(outcome), "uses": by_use,
        "sentences": tables.sentences(outcome), "evidence": outcome.evidence(), "containers-beyond": beyond,
        "exclusions": taken_out.words, "beyond-with-excluded": taken_out.beyond,
        "margins-before": tables.at_earlier_margins(stage, outcome, models),
        "groups": containers.groups(stage.study, models), "cannot": tables.cannot(stage, models),
        "containers-within": cleared.within(stage, models, cleared.words(stage, models, beyond)),
        "time-answers": age_tables.answers(stage.study, over_time),
        "time-actions": age_tables.actions(stage.study, over_time, stage.containers, beyond)}
    for name, table in saved.items():
        stage.save_table(table, name)
    model = kit.open_stage("05-model", str(root), str(root / "report"))
    model.save_table(model_tables.fits(models), "fits")
    opened = str(len(stage.containers))
    for stem, numbers in (("00-study", {"containers_stored": opened, "depths": "3", "samples_planned": "9"}),
                          ("03-intake", {"rows_in": "9", "rows_taken": "9"}), ("04-quality", {"flags_stop": "0",
                                                                                             "flags_ask": "0"})):
        before = kit.open_stage(stem, str(root), str(root / "report"))
        for name, number in numbers.items():
            before.record(name, int(number))
    return kit.open_stage("07-report", str(root), str(root / "report"))


def page_one(root: Path) -> dict[str, str]:
    """The answers of page one by their question, blanks that do not break as blanks."""
    return {q: " ".join(told).replace("\u00a0", " ") for q, told in questions.five(judged(root))}


def verdicts(root: Path) -> pd.DataFrame:
    """The verdict table that was saved, by analyte."""
    return pd.read_csv(root / "report/06-verdict/verdicts.csv", keep_default_na=False).set_index("analyte")
