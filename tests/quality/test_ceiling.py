"""Highest readings that too many bottles share: what is counted and what is expected, by hand and by scipy's Poisson tail."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from studykit.quality.ceiling import ALL, FEWEST, _rows, _step_at, _within, saturated_curve
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


@pytest.mark.parametrize(("top", "values", "step"), [
    (101.0, [99.7, 99.9, 100.0, 101.0], 1.0), (99.9, [99.7, 99.9, 9.75], 0.1), (101.5, [99.75, 100.0, 101.5], 0.1),
    (0.0, [0.0, -0.25], 0.01), (9.0, [9.0, 1.25], 0.01), (0.5, [0.5, 0.125, 0.05], 0.001), (3.0, [3.0, 2.0, 0.25], 1.0),
    (1.0, [1.0, 0.5], 1.0)])
def test_the_step_in_which_readings_of_the_highest_power_of_ten_stand(top: float, values: list[float], step: float) -> None:
    """Significant digits: 99.7 beside 101 has more decimals, and does not say that 101 was read to a tenth."""
    assert _step_at(top, np.array(values)) == pytest.approx(step)


def within_by_hand(values: list[float], boxes: list[str]) -> float:
    """Each reading off the median of its container, where another stands beside it; each container has taken one number."""
    own = [[v for v, b in zip(values, boxes, strict=True) if b == box] for box in sorted(set(boxes))]
    own = [x for x in own if len(x) > 1]
    about = [v - float(np.median(x)) for x in own for v in x]
    if len(about) < FEWEST:
        return float("inf")
    return robust_sd(about) / float(np.sqrt(1 - len(own) / len(about)))


@pytest.mark.parametrize("boxes", ["AABBCC", "AAABBBCCC", "AAABBBCCCDE", "AABBC", "ABCDEFG", "AAAAAABCD", "AAAABBCCCCCD"])
def test_readings_scatter_about_the_middle_of_their_container(boxes: str) -> None:
    """In any order, against medians taken container by container; five that stand beside another are too few."""
    rng = np.random.default_rng(len(boxes))
    for _ in range(3):
        order = rng.permutation(len(boxes))
        values, mixed = rng.normal(size=len(boxes)), [boxes[i] for i in order]
        code = np.unique(mixed, return_inverse=True)[1]
        assert _within(values, code) == pytest.approx(within_by_hand(values.tolist(), mixed))


def test_the_scatter_that_counts_is_that_within_containers_if_it_is_smaller_and_a_step_at_least() -> None:
    """Two lots, 40 and 80, read to 0.1: containers of two that differ by 0.4 (0.2 off their middle) or by nothing,
    which leaves whole numbers: a step of 1 at the top."""
    box = [f"C{k}" for k in range(12) for _ in (0, 1)]
    for gap, step in ((0.4, 0.1), (0.0, 1.0)):
        values = [40.0 * (1 + k % 2) - gap * j for k in range(12) for j in (0, 1)]
        t = bottles(values, ["R1"] * 24).assign(container=box)
        wide = max(within_by_hand(values, box), 0.101)
        (row,) = _rows("P", t, 0.1)
        near = sum(step / 2 <= 80 - v < wide for v in values)
        assert row[5] == pytest.approx((near + 1) * step / wide)


@pytest.mark.parametrize(("low", "p"), [([80.0, 80, 85, 85], 1.0), ([80.0, 80, 80, 85, 90], None), ([80.0, 80, 80, 85], 1.0)])
def test_lower_readings_shared_twice_on_average_are_steps(low: list[float], p: float | None) -> None:
    """Four readings of two values, exactly twice: steps; five of three values: none."""
    (row,) = _rows("P", bottles([*low, *[100.0] * 4], ["R1"] * (len(low) + 4)), 0.1)
    assert (row[-1] == 1.0) == (p is not None)


def flagged(bottles_at_top: int, rows: int = 1) -> bool:
    """So many bottles that share 50.1 above readings from 30.3 on in halves; one analyte alone, or one of many."""
    t = bottles([*(30.3 + k / 2 for k in range(40)), *[50.1] * bottles_at_top], ["R1"] * (40 + bottles_at_top))
    more = [t.assign(analyte=f"Q{k}") for k in range(rows - 1)]
    steps = pd.DataFrame({"analyte": ["P", *(f"Q{k}" for k in range(rows - 1))], "step": 0.1})
    return any(f.analyte == "P" for f in saturated_curve(pd.concat([t, *more], ignore_index=True), steps).flags)


def test_four_bottles_at_least_and_by_a_chance_that_all_rows_share(monkeypatch: pytest.MonkeyPatch) -> None:
    """Three are too few whatever their chance; the chance of four is held against what is allowed, times the rows."""
    assert [flagged(n) for n in (3, 4, 5)] == [False, True, True]
    (row,) = _rows("P", bottles([*(30.3 + k / 2 for k in range(40)), *[50.1] * 4], ["R1"] * 44), 0.1)
    p = float(str(row[-1]))
    assert 0 < p < 1e-3
    monkeypatch.setattr("studykit.quality.ceiling.CHANCE", 10 * p)
    assert flagged(4, rows=9)
    assert not flagged(4, rows=11)
