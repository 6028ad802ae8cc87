"""How far runs read apart: means that one wild reading moves little, gaps of containers and check fluids, by hand."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from studykit.quality.frame import NU
from studykit.quality.shifts import TAIL, Gap, _fluid_gaps, cost, means_of_fluid, robust_mean


class KindsAlone:
    """Of a frame only what its rows are."""

    def __init__(self, rows: pd.DataFrame) -> None:
        self.rows = rows


def test_a_robust_mean_is_the_root_of_its_own_equation_and_a_wild_reading_moves_it_little() -> None:
    """Student's t likelihood with ``NU``: sum of z / (NU + z^2) is 0 there; of symmetric readings it is their middle."""
    x = np.array([[1.0, 5.0, np.nan, 2.0], [2.0, 5.1, np.nan, 2.0], [3.0, 4.9, np.nan, 2.0], [np.nan, 50.0, np.nan, 2.0]])
    s = np.full(x.shape, 0.5)
    m, var = robust_mean(x, s)
    assert m[[0, 3]] == pytest.approx([2, 2])
    assert m[1] == pytest.approx(5, abs=0.05)
    assert np.isnan(m[2])
    assert var[[0, 1, 3]] == pytest.approx([0.25 / 3, 0.25 / 4, 0.25 / 4])  # of a weighted mean, 1 / sum of 1/s^2
    z = (x[:, 1] - m[1]) / 0.5
    assert (z / (NU + z**2)).sum() == pytest.approx(0, abs=2e-3)


@pytest.mark.parametrize(("runs", "gaps"), [((10.0, 10.1, 12.0), (-0.1, 0.0, 1.9)), ((10.0, 12.0), (-2.0, 2.0)),
                                            ((10.0, np.nan), (np.nan, np.nan)), ((10.0, 12.0, np.nan), (-1.0, 1.0, np.nan))])
def test_a_check_fluid_is_held_against_the_middle_of_the_runs_or_against_the_other_one(runs, gaps) -> None:
    """By hand: of three runs against their median, of two against the other; standard errors of two readings of 0.2 each."""
    reads = [[r] * 2 for r in runs]
    y = np.concatenate([np.array(r)[:, None] for r in reads])
    f = KindsAlone(pd.DataFrame({"kind": ["check fluid"] * len(y)}))
    sc = SimpleNamespace(f=f, y=y, m=SimpleNamespace(s=np.full(y.shape, 0.2)))
    rows = [(f"R{k}", np.array([2 * k, 2 * k + 1])) for k in range(len(runs))]
    found = _fluid_gaps(*means_of_fluid(sc, rows))  # type: ignore[arg-type]
    for k, gap in enumerate(gaps):
        assert found[0][k] == pytest.approx([gap], nan_ok=True)
        if gap == gap:
            assert found[1][k] == pytest.approx([math.sqrt(0.02 + 0.02)])


def test_means_of_runs_taken_together_are_to_the_bit_those_of_each_run_by_itself() -> None:
    """Runs with none, one, three and four bottles of the check fluid among others, some not read."""
    rng = np.random.default_rng(8)
    y, s = rng.normal(5, 0.1, (40, 3)), rng.uniform(0.05, 0.2, (40, 3))
    y[rng.random(y.shape) < 0.2] = np.nan
    kinds = [k for n, other in ((0, 10), (1, 9), (3, 2), (3, 2), (4, 6)) for k in ["check fluid"] * n + ["spot"] * other]
    sc = SimpleNamespace(f=KindsAlone(pd.DataFrame({"kind": kinds})), y=y, m=SimpleNamespace(s=s))
    rows = [(f"R{k}", np.arange(a, b)) for k, (a, b) in enumerate([(0, 10), (10, 20), (20, 25), (25, 30), (30, 40)])]
    mean, var = means_of_fluid(sc, rows)  # type: ignore[arg-type]
    for k, (_, own) in enumerate(rows):
        fluid = own[np.array(kinds)[own] == "check fluid"]
        one = robust_mean(y[fluid], s[fluid])
        assert np.array_equal(mean[k], one[0], equal_nan=True)
        assert np.array_equal(var[k], one[1])


def gap(containers: tuple[float, float], fluid: tuple[float, float]) -> Gap:
    return Gap(column=0, containers=containers, fluid=fluid, usual=0.5, off=0.0, se_off=0.1)


def test_what_is_known_of_a_run_is_weighted_by_its_errors() -> None:
    """By hand: 2 and 5 with standard errors 1 and 2 have the weighted mean (2 + 5/4) / (5/4) = 2.6."""
    both = gap((2.0, 1.0), (5.0, 2.0))
    assert (both.best, both.both) == (pytest.approx(2.6), True)
    for unknown in ((math.nan, 1.0), (5.0, 1e9)):
        assert (gap((2.0, 1.0), unknown).best, gap((2.0, 1.0), unknown).both) == (2.0, False)
        assert (gap(unknown, (2.0, 1.0)).best, gap(unknown, (2.0, 1.0)).both) == (2.0, False)
        assert math.isnan(gap(unknown, unknown).best)
    assert [both.near(x) for x in (-2.0, -0.2, 0.3, 2.0)] == [-0.5, -0.2, 0.3, 0.5]


def test_a_gap_costs_what_students_t_says() -> None:
    """(TAIL + 1)/2 ln(1 + z^2/TAIL) nats at z standard errors from where it should be; nothing where it is not known."""
    assert cost(3.0, 0.5, 2.0) == pytest.approx((TAIL + 1) / 2 * math.log(1 + 4 / TAIL))
    assert cost(2.0, 0.5, 2.0) == 0
    assert cost(math.nan, 0.5, 2.0) == cost(3.0, 1e9, 2.0) == 0
