"""Leave-one-out influence and residual tables, with cases where they must and must not speak up."""

from __future__ import annotations

import time

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from studykit.core.errors import DesignMismatch
from studykit.inference.bounded import rounding_step
from studykit.inference.contrasts import contrasts_of
from studykit.inference.influence import (
    check_residuals,
    leave_one_out,
    residual_table,
    steps_without,
    with_and_without,
    without_each,
)


def contrasts(values: list[float]) -> pd.DataFrame:
    return pd.DataFrame({"container": [f"C{i}" for i in range(len(values))], "sample": [f"S{i}" for i in range(len(values))],
                         "analyte": "P", "replicate": 1, "value": values})


def refit(part: pd.DataFrame) -> pd.Series:
    """Mean of the values with its 90 % t interval, against a margin of 5."""
    if len(part) < 3:
        raise DesignMismatch("fewer than three containers are left")
    x = part["value"].to_numpy()
    half = stats.t.ppf(0.95, x.size - 1) * x.std(ddof=1) / np.sqrt(x.size)
    low, high = x.mean() - half, x.mean() + half
    word = "homogeneous" if low > -5 and high < 5 else "stratified" if low > 5 else "inconclusive"
    return pd.Series({"estimate": x.mean(), "low": low, "high": high, "verdict": word})


def test_a_verdict_that_hangs_on_one_container_says_so() -> None:
    data = contrasts([0.1, -0.2, 0.0, 0.2, 30.0])
    got = leave_one_out(data, list(data["container"]), refit)
    assert got.full["verdict"] == "inconclusive"
    assert got.decisive == ("C4",)
    assert got.sentence() == ("The verdict 'inconclusive' depends on single containers: without C4 it would be homogeneous.")
    assert got.to_table()["left_out"].iloc[0] == "C4"


def test_a_solid_verdict_stays() -> None:
    data = contrasts([0.1, -0.2, 0.0, 0.2, 0.3])
    got = leave_one_out(data, list(data["container"]), refit)
    assert got.decisive == ()
    assert "stays the same whichever of the 5 containers" in got.sentence()
    half = (got.full["high"] - got.full["low"]) / 2
    without = np.mean([-0.2, 0.0, 0.2, 0.3])
    assert got.table["shift"].iloc[0] == pytest.approx((without - 0.08) / half)


def test_a_refit_that_cannot_be_done_is_told_apart() -> None:
    got = leave_one_out(contrasts([0.1, 0.2, 0.3]), ["C0", "C1", "C2"], refit)
    assert set(got.table["verdict"]) == {"not assessed"}
    assert set(got.table["note"]) == {"fewer than three containers are left"}


def test_a_numerical_failure_is_a_finding_and_not_a_crash() -> None:
    def breaks(part: pd.DataFrame) -> pd.Series:
        if len(part) < 4:
            raise np.linalg.LinAlgError("Singular matrix")
        return pd.Series({"estimate": 1.0, "low": 0.0, "high": 2.0, "verdict": "inconclusive"})

    found = leave_one_out(pd.DataFrame({"container": list("abcd")}), list("abcd"), breaks)
    assert set(found.table["verdict"]) == {"not assessed"}
    assert set(found.table["note"]) == {"Singular matrix"}


def test_misuse() -> None:
    data = contrasts([0.1, 0.2, 0.3, 0.4])
    with pytest.raises(ValueError, match="containers must be codes in results, but got X"):
        leave_one_out(data, ["X"], refit)
    with pytest.raises(ValueError, match="in results, but got X0, X1, X2, X3, X4, X5, X6, X7, X8"):
        leave_one_out(data, [f"X{k}" for k in reversed(range(9))], refit)
    with pytest.raises(ValueError, match="must have the column 'box'"):
        leave_one_out(data, ["C0"], refit, column="box")
    with pytest.raises(ValueError, match="it lacks low, high, verdict"):
        leave_one_out(data, ["C0"], lambda part: pd.Series({"estimate": 1.0}))
    with pytest.raises(ValueError, match="three or more finite numbers"):
        residual_table([1.0, np.nan, 2.0], [1.0, 2.0, 3.0], container=["a", "b", "c"])
    with pytest.raises(ValueError, match="of one length"):
        residual_table([1.0, 2.0], [1.0, 2.0, 3.0], container=["a"])


def test_verdict_with_and_without_exclusions() -> None:
    data = contrasts([0.1, -0.2, 0.0, 0.2, 30.0])
    table = with_and_without(data, data.iloc[[4]], refit)
    assert list(table["rows"]) == [5, 4]
    assert list(table["verdict"]) == ["inconclusive", "homogeneous"]


def test_normal_scores_by_hand() -> None:
    # Blom (1958): (i - 3/8) / (n + 1/4); for three values +-0.8694 and 0
    table = residual_table([0.3, -0.1, -0.2], [1.0, 2.0, 3.0], container=["a", "b", "c"])
    want = stats.norm.ppf((np.array([3, 2, 1]) - 0.375) / 3.25)
    assert table["normal_score"].to_numpy() == pytest.approx(want)
    assert table["standardised"].std() == pytest.approx(1.0)
    # by hand: mean 0, squares 0.14 over 3 - 1, so one standard deviation is 0.26458
    assert table["standardised"].to_numpy() == pytest.approx([0.3 / 0.264575, -0.1 / 0.264575, -0.2 / 0.264575], rel=1e-5)


def test_residual_summaries_fire_and_stay_silent() -> None:
    rng = np.random.default_rng(8)
    level, names = np.linspace(1, 10, 120), [f"C{i // 3}" for i in range(120)]
    good = check_residuals(residual_table(rng.normal(size=120), level, container=names))
    assert good.normal_p > 0.01
    assert good.scale_p > 0.01
    heavy = check_residuals(residual_table(rng.standard_t(1.5, size=120), level, container=names))
    assert heavy.normal_p < 1e-4
    assert heavy.normal_r < good.normal_r
    fan = check_residuals(residual_table(rng.normal(size=120) * level, level, container=names))
    assert fan.scale_p < 1e-3
    assert fan.scale_rho > 0.2
    assert list(fan.to_table().columns) == ["question", "correlation", "p"]


def test_constant_residuals_have_no_shape() -> None:
    got = check_residuals(residual_table([0.0, 0.0, 0.0], [1.0, 1.0, 1.0], container=["a", "b", "c"]))
    assert np.isnan(got.normal_r)
    assert np.isnan(got.scale_rho)


def test_what_sums_leave_is_no_shape_and_makes_no_ranks() -> None:
    """Residuals that are equal but for their last digits, as another processor ends sums: ranks of their exact values."""
    names, last = list("abcdefghijkl"), np.random.default_rng(4).normal(size=(2, 12)) * 3e-15
    bare = residual_table(last[0], np.log(220.0) + last[1], container=names)
    assert all(np.isnan(v) for v in check_residuals(bare).to_table()[["correlation", "p"]].to_numpy().ravel())
    exact = np.array([2, -1, -1, 1, -1, 0, 1, -2, 1, 2, -1, -1.0]), np.repeat([3.0, 5.0, 4.0], 4)
    got = residual_table(0.01 * exact[0] + last[0], exact[1] + last[1], container=names)
    np.testing.assert_allclose(got["normal_score"], stats.norm.ppf((stats.rankdata(exact[0]) - 0.375) / 12.25))
    found, want = check_residuals(got), stats.spearmanr(np.abs(exact[0]), exact[1])
    assert (found.scale_rho, found.scale_p) == pytest.approx((want.statistic, want.pvalue), rel=1e-12)


def test_by_subtraction_it_is_the_t_of_the_others() -> None:
    """Against scipy's one-sample t of each pair of depths, container by container."""
    cells = np.random.default_rng(5).normal(100.0, [1.0, 2.0, 4.0], (30, 3))
    found = without_each(cells)
    for i in range(30):
        rest = np.delete(cells, i, axis=0)
        for p, (a, b) in enumerate(((0, 1), (0, 2), (1, 2))):
            t = stats.ttest_1samp(rest[:, b] - rest[:, a], 0.0)
            assert found.estimate[i, p] / found.se[i, p] == pytest.approx(float(t.statistic), rel=1e-9)
            assert found.df[i, p] == t.df


def test_forty_thousand_containers_are_left_out_within_a_second() -> None:
    cells, start = np.random.default_rng(8).normal(size=(40_000, 3)), time.process_time()
    found = without_each(cells)
    assert time.process_time() - start < 1.0  # as many refits would read 5e9 cells
    assert found.se[17] == pytest.approx(contrasts_of(np.delete(cells, 17, axis=0)[None]).se[0], rel=1e-9)


@pytest.mark.parametrize("lost", [False, True])
@pytest.mark.parametrize("grouped", [False, True])
def test_without_each_is_a_fit_of_the_others(lost: bool, grouped: bool) -> None:
    rng = np.random.default_rng(6)
    cells, store = rng.normal(3.0, 1.0, (14, 3)), np.arange(14) % 3
    if lost:
        cells[rng.random(cells.shape) < 0.15] = np.nan
    columns = np.column_stack([np.ones(14), store == 1, store == 2]).astype(float)
    found = without_each(cells, store, lambda chosen: columns[chosen]) if grouped else without_each(cells)
    for i in range(14):
        rest = np.delete(np.arange(14), i)
        one = contrasts_of(cells[rest][None], groups=columns[rest] if grouped else None)
        for name in ("estimate", "se", "df", "unit_variance"):
            assert getattr(found, name)[i] == pytest.approx(getattr(one, name)[0], rel=1e-8, nan_ok=True)


def test_groups_that_a_container_alone_holds_up_are_left_open() -> None:
    lost = np.array([[1.0, 1.0], [1.0, 1.0], [1.0, 1.0], [1.0, np.nan]])
    assert np.isnan(without_each(lost, [0, 0, 0, 1], lambda chosen: None).estimate).all()


@pytest.mark.parametrize("seed", range(40))
def test_the_step_without_a_container_is_that_of_the_other_values(seed: int) -> None:
    rng = np.random.default_rng(seed)
    container = np.repeat(np.arange(5), 3)
    values = rng.integers(1, 40, 15) * rng.choice([10.0, 0.5, 0.1])
    values[rng.integers(0, 15)] += rng.choice([0.0, 0.01, 7.0])
    whole = rounding_step(values)
    same = [rounding_step(values[container != c]) == whole for c in range(5)]
    assert steps_without(container, values).tolist() == same
