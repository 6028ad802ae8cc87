"""Criteria of homogeneity beside the verdict: one-way analysis of variance by scipy, the words at their edges."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from studykit.model import tables as model_tables
from studykit.verdict import sufficiency
from tests.verdict_cases import DEPTHS, make

RNG = np.random.default_rng(12)
ZONES = {(c, d): [round(float(v), 3) for v in 100 + RNG.normal(0, 4) + RNG.normal(0, 1, 2)] for c in range(5) for d in DEPTHS}


@pytest.fixture(scope="module")
def opened(tmp_path_factory):
    cells = {f"C{c}": {d: ZONES[c, d] for d in DEPTHS} for c in range(5)}
    cells["C5"] = {d: [100.0] for d in DEPTHS}  # determined once: no item
    stage = make(tmp_path_factory.mktemp("s"), cells, margin={"absolute": 5}, sigma_pt=4.0)
    return stage, model_tables.fit_all(stage)


def test_one_row_holds_the_analysis_of_variance_over_zones_determined_twice(opened):
    stage, models = opened
    assert len(sufficiency.items_of(models[0])) == 15
    row = sufficiency.criteria(stage.study, models).iloc[0]
    pairs = np.array(list(ZONES.values()))
    within = pairs.var(axis=1, ddof=1).mean()
    between = (2 * pairs.mean(axis=1).var(ddof=1) - within) / 2  # expected mean squares of pairs
    assert row["zones"] == 15
    assert row["F test, p"] == pytest.approx(stats.f_oneway(*pairs).pvalue)
    assert row["SD within"] == pytest.approx(math.sqrt(within))
    assert row["SD between"] == pytest.approx(math.sqrt(between))
    assert row["allowed"] == pytest.approx(0.3 * 4.0)  # ISO 13528:2022, B.2.3: s_s <= 0.3 sigma_pt
    assert row["in words"] == "zones differ; not sufficiently homogeneous for this sigma_pt"


@pytest.mark.parametrize(("p", "words"), [(0.04, "zones differ"), (0.05, "zones are not shown to differ"),
                                         (0.06, "zones are not shown to differ")])
def test_the_words_change_at_alpha(opened, p, words):
    stage, models = opened
    found = sufficiency.homogeneity_of(stage.study, models[0])
    assert sufficiency.reading(replace(found, p=p)).startswith(words + ";")
