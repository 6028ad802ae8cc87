"""Processor time of the chapter on time: 24 containers, three depths, four visits, eight analytes, tables and figure."""

from __future__ import annotations

import math
import time

import numpy as np
import pandas as pd
import pytest

from studykit.ageing import figures, shares, tables
from studykit.ageing.reach import bootstrap
from studykit.ageing.trend import Ageing, ageing
from studykit.model.analyte import AnalyteModel
from studykit.model.fit import fit_analyte
from studykit.study.definition import Study, parse_study
from tests.ageing.test_trend import DEPTHS, NONE_BEYOND
from tests.model.test_fit import tables_of
from tests.studies import definition

VISITS = pd.to_datetime(["2025-01-01", "2025-07-02", "2026-01-01", "2026-07-02"])
ANALYTES = [f"a{k}" for k in range(8)]


def _study() -> Study:
    one = {"unit": "1", "method": "a test", "margin": {"relative_percent": 20}, "margin_reason": "for the test"}
    return parse_study(definition(
        factors={"depths": list(DEPTHS), "fixed": ["store", "age_months"], "by_depth": ["store", "age_months"]},
        analytes=dict.fromkeys(ANALYTES, one), time={"course": "linear", "starts": "filled"}))


def _tables(rng: np.random.Generator) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Kegs that settle each at its own rate, drawn at four visits."""
    rows = [(f"D{i:02d}", v, depth, 100 * math.exp(part * rate * 6 * v + rng.normal(0, 0.01)))
            for i, rate in enumerate(rng.normal(0.012, 0.0024, 24)) for v in range(4)
            for depth, part in zip(DEPTHS, (-0.5, 0.0, 0.5), strict=True)]
    frame = pd.DataFrame(rows, columns=["container", "visit", "depth", "value"])
    containers, samples, results = tables_of(frame[["container", "depth", "value"]],
                                             store={f"D{i:02d}": "ab"[i % 2] for i in range(24)})
    samples["visited_on"] = frame["visit"].map(dict(enumerate(VISITS)))
    return (containers.assign(filled_on=VISITS[0], sampled_on=pd.NaT, last_mixed_on=pd.NaT), samples, results)


def _whole(study: Study, models: list[AnalyteModel], containers: pd.DataFrame) -> Ageing:
    """Everything that the chapter prints of time."""
    found = ageing(study, models)
    for made in (tables.rates, tables.rate_pairs, tables.times, tables.pooled):
        made(found)
    tables.courses(found, study)
    tables.answers(study, found)
    tables.actions(study, found, containers, NONE_BEYOND)
    figures.over_time(figures.drawn(found.trends)).canvas.draw()
    return found


@pytest.mark.slow
def test_time_takes_five_seconds_at_most_and_2000_refits_two() -> None:
    study, rng, given = _study(), np.random.default_rng(1), []
    for a in ANALYTES:
        containers, samples, results = _tables(rng)
        given.append((a, containers, samples, results.assign(analyte=a)))
    start = time.process_time()
    models = [fit_analyte(study, *g) for g in given]
    found = _whole(study, models, given[0][1])
    whole = time.process_time() - start
    assert len(found.trends) == 16
    assert whole < 5
    own, start = found.trends[0].own, time.process_time()
    got = bootstrap(own.values, found.trends[0].growth, own.course, own.months, own.units, own.edges)
    share = shares.simulated([t.own for t in found.trends[0].pairs], 30, 1)
    assert share is not None
    assert len(got.mean) == len(share) == 2000
    assert time.process_time() - start < 2
