"""Highest readings that too many bottles share: what is counted and what is expected, by hand and by scipy's Poisson tail."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from studykit.quality.ceiling import ALL, _rows, saturated_curve
from studykit.quality.flags import robust_sd


def bottles(values: list[float], runs: list[str]) -> pd.DataFrame:
    n = len(values)
    return pd.DataFrame({"analyte": "P", "sample": [f"S{i}" for i in range(n)], "container": [f"C{i}" for i in range(n)],
                         "depth": "upper", "kind": "spot", "run": runs, "value": values})


def test_bottles_at_the_end_of_a_range_are_counted_in_all_runs_and_in_each() -> None:
    """Readings from 30.3 to 49.8 in halves, and six of 50.1, five of them in run R2; steps of 0.1."""
    low = [30.3 + k / 2 for k in range(40)]
    values, runs = [*low, *[50.1] * 6], [*["R2", "R1"] * 20, "R1", *["R2"] * 5]
    rows = list(_rows("P", bottles(values, runs), 0.1))
    assert [r[1] for r in rows] == [ALL, "R1", "R2"]
    for (_, run, top, many, of, expected, p), count in zip(rows, (6, 1, 5), strict=True):
        own = np.array([v for v, r in zip(values, runs, strict=True) if run in (ALL, r)])
        wide = robust_sd(own)
        near = ((own > 50.1 - wide) & (own < 50.1)).sum()
        assert (top, many, of) == (50.1, count, len(own))
        assert expected == pytest.approx((near + 1) * 0.1 / wide)
        assert p == pytest.approx(stats.poisson.sf(count - 1, expected))
    steps = pd.DataFrame({"analyte": ["P"], "step": [0.1]})
    found = saturated_curve(bottles(values, runs), steps)
    assert [f.analyte for f in found.flags] == ["P"]
    assert found.flags[0].samples == tuple(f"S{i}" for i in range(40, 46))
    assert not saturated_curve(bottles(low, runs[:40]), steps).flags
    assert saturated_curve(bottles(low, runs[:40]), steps.assign(step=0.0)).note.startswith("not assessed")


def test_readings_that_are_shared_throughout_are_steps_and_few_are_none() -> None:
    """Every reading twice is rounding, by no chance too rare; five bottles are too few; a zone read twice counts once."""
    paired = bottles([80.0, 80, 85, 85, 90, 90, 95, 95, 100, 100, 100, 100], ["R1"] * 12)
    assert [r[-1] for r in _rows("P", paired, 0.1)] == [1.0]
    assert not list(_rows("P", bottles([94.0, 100, 100, 100, 100], ["R1"] * 5), 0.1))
    twice = bottles([80.0, 85, 90, 95, 97, 99, 100, 100, 100, 100], ["R1"] * 10).assign(container=list("ABCDEFGGHH"))
    assert [r[3] for r in _rows("P", twice, 0.1)] == [2]
