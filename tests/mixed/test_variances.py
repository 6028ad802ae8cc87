"""Intervals for scatter: definition, own against published."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy import optimize, stats

from studykit.mixed.fit import fit_reml
from studykit.mixed.variances import check_repeatability, sd_interval


def test_sd_interval_factors():
    # 10 duplicate pairs leave the true SD between 0.70 and 1.75 times the estimate, 5 pairs 0.62 to 2.45
    assert tuple(round(x, 2) for x in sd_interval(1.0, 10)) == (0.70, 1.75)
    assert tuple(round(x, 2) for x in sd_interval(1.0, 5)) == (0.62, 2.45)
    assert [stats.chi2.cdf(7 / s**2, 7) for s in sd_interval(1.0, 7)] == pytest.approx([0.975, 0.025])


def test_own_repeatability_against_the_stated_one():
    assert check_repeatability(1.1, 24, 1.0).word == "agrees"
    small = check_repeatability(0.4, 24, 1.0)
    assert small.word == "smaller"
    assert "independent determinations" in small.sentence()
    large = check_repeatability(2.0, 24, 1.0)
    assert large.word == "larger"
    assert "look for a cause" in large.sentence()
    assert (large.low, large.high) == sd_interval(2.0, 24)


@pytest.mark.parametrize(("call", "words"), [
    (lambda: sd_interval(-1, 5), "finite number >= 0"),
    (lambda: sd_interval(1, 5, 1.0), "level must lie"),
    (lambda: sd_interval(1, 0), "df must be above 0"),
    (lambda: check_repeatability(1, 5, 0), "stated must be"),
])
def test_misuse_is_named(call, words):
    with pytest.raises(ValueError, match=words):
        call()


def test_the_interval_by_the_chi_square_of_the_variance_at_any_level():
    for level in (0.9, 0.99):
        low, high = sd_interval(3.0, 6, level)
        assert stats.chi2.sf(6 * 9 / low**2, 6) == pytest.approx((1 - level) / 2)
        assert stats.chi2.cdf(6 * 9 / high**2, 6) == pytest.approx((1 - level) / 2)
    assert sd_interval(0.0, 5) == (0.0, 0.0)  # equal replicates are a finding, not a fault
    assert sd_interval(1.0, 0.5)[0] < 1
    for level in (0.5, 1.0):
        with pytest.raises(ValueError, match="level must lie"):
            sd_interval(1.0, 5, level)
    for s in (float("inf"), float("nan")):
        with pytest.raises(ValueError, match="finite number >= 0"):
            sd_interval(s, 5)
    with pytest.raises(ValueError, match="stated must be"):
        check_repeatability(1, 5, float("inf"))


def test_a_stated_value_on_a_limit_of_the_interval_agrees():
    low, high = sd_interval(1.0, 9, 0.9)
    assert [check_repeatability(1.0, 9, x, 0.9).word for x in (low, high, low * 0.999, high * 1.001)] == [
        "agrees", "agrees", "larger", "smaller"]
    assert "90 % interval 0.729 to 1.65, 9 degrees" in check_repeatability(1.0, 9, 1.0, 0.9).sentence()


@pytest.mark.parametrize("level", [0.8, 0.95])
@pytest.mark.parametrize("between", [0.02, 3.0])
def test_profile_limits_of_a_variance_are_where_the_restricted_likelihood_has_risen_by_z_squared(level, between):
    """Balanced one-way layout: -2 log likelihood = g (m - 1) log e + SSW/e + (g - 1) log(e + m a) + SSB/(e + m a), by hand."""
    rng, g, m = np.random.default_rng(3), 8, 3
    y = 5 + math.sqrt(between) * rng.standard_normal((g, 1)) + rng.standard_normal((g, m))
    table = pd.DataFrame({"c": np.repeat([f"C{i}" for i in range(g)], m), "y": y.ravel()})
    ssb, ssw = m * ((y.mean(axis=1) - y.mean()) ** 2).sum(), ((y - y.mean(axis=1, keepdims=True)) ** 2).sum()

    def deviance(e: float, a: float) -> float:
        return float(g * (m - 1) * np.log(e) + ssw / e + (g - 1) * np.log(e + m * a) + ssb / (e + m * a))

    def profile(name: str, value: float) -> float:
        f = (lambda x: deviance(value, np.exp(x))) if name == "residual" else (lambda x: deviance(np.exp(x), value))
        return float(optimize.minimize_scalar(f, bounds=(-30, 8), method="bounded", options={"xatol": 1e-10}).fun)

    fit = fit_reml(table, "y", [], ["c"])
    rise = stats.norm.ppf(level) ** 2
    lowest = profile("c", fit.variances["c"])
    for name in ("residual", "c"):
        upper, lower = fit.profile_upper(name, level), fit.profile_lower(name, level)
        assert profile(name, upper) - lowest == pytest.approx(rise, rel=1e-5)
        assert lower <= fit.variances[name] < upper
        if lower > 0:
            assert profile(name, lower) - lowest == pytest.approx(rise, rel=1e-5)
        else:
            assert profile(name, 1e-12) - lowest < rise
    assert (fit.profile_lower("c", level) == 0) == (between < 1)  # by these drawings
    for bad in (0.5, 1.0):
        with pytest.raises(ValueError, match="level must be between"):
            fit.profile_upper("c", bad)
    with pytest.raises(ValueError, match="component must be one of residual, c"):
        fit.profile_lower("d")


@pytest.mark.parametrize("unit", [1e-20, 1e20])
def test_a_unit_changes_no_fit(unit: float) -> None:
    rng = np.random.default_rng(4)
    y = 5 + rng.standard_normal((6, 1)) + 0.5 * rng.standard_normal((6, 3))
    table = pd.DataFrame({"c": np.repeat([f"C{i}" for i in range(6)], 3), "y": y.ravel()})
    plain, scaled = fit_reml(table, "y", [], ["c"]), fit_reml(table.assign(y=unit * table["y"]), "y", [], ["c"])
    assert scaled.beta / unit == pytest.approx(plain.beta)
    for name, variance in plain.variances.items():
        assert scaled.variances[name] / unit**2 == pytest.approx(variance)
