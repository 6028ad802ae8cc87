"""Random slopes against lme4, lmerTest and pbkrtest on open sets (tests/reference/mixed/slopes.json), and what is refused."""

from __future__ import annotations

import json
import sys
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from studykit.core.errors import DesignMismatch
from studykit.mixed.fit import RemlFit, fit_reml
from studykit.mixed.slopes import _lifted, _way_out, lowest, roots_of, written

DOSSIER = Path(__file__).parents[1] / "reference" / "mixed"
sys.path.insert(0, str(DOSSIER))
from mixed_cases import SLOPES, turned  # noqa: E402

REFERENCE = json.loads((DOSSIER / "slopes.json").read_text(encoding="utf-8"))["models"]
RELATIVE = 1e-6
SHORT = ("cake_far",)  # lme4's search stops above the minimum here
NAMES = [n for n in SLOPES if n not in SHORT]


@cache
def fit_case(name: str) -> RemlFit:
    case = SLOPES[name]
    return fit_reml(case.load(), case.response, case.fixed, case.random)


@pytest.mark.few(6)
@pytest.mark.parametrize("name", NAMES)
def test_estimates(name: str) -> None:
    ref, fit = REFERENCE[name], fit_case(name)
    assert fit.n == ref["n"]
    assert fit.criterion == pytest.approx(ref["criterion"], abs=1e-7)
    np.testing.assert_allclose(np.sqrt(np.diag(fit.cov)), ref["se"], rtol=RELATIVE)
    np.testing.assert_allclose(fit.beta, ref["beta"], atol=RELATIVE * min(ref["se"]))
    size = max(ref["variances"].values())
    for component, value in ref["variances"].items():
        assert fit.variances[component] == pytest.approx(value, rel=1e-5, abs=1e-8 * size)
    for a, b, value in ref["covariances"]:
        bound = np.sqrt(ref["variances"][a] * ref["variances"][b])
        assert fit.covariances[a, b] == pytest.approx(value, abs=1e-5 * bound + 1e-12)
    assert bool(fit.at_zero) is ref["singular"]


@pytest.mark.parametrize("name", NAMES)
def test_single_contrasts(name: str) -> None:
    ref, fit = REFERENCE[name], fit_case(name)
    rows = np.eye(len(fit.names))
    kr = [fit.test(row) for row in rows]
    np.testing.assert_allclose([t.se for t in kr], ref["kr_se"], rtol=RELATIVE)
    np.testing.assert_allclose([t.df2 for t in kr], ref["kr_df"], rtol=RELATIVE)
    np.testing.assert_allclose([fit.test(r, "satterthwaite").df2 for r in rows], ref["satt_df"], rtol=RELATIVE)


@pytest.mark.parametrize("name", [n for n in NAMES if REFERENCE[n]["joint"]])
def test_joint(name: str) -> None:
    fit = fit_case(name)
    for joint in REFERENCE[name]["joint"]:
        L = np.eye(len(fit.names))[joint["rows"] if isinstance(joint["rows"], list) else [joint["rows"]]]
        kr, satt = fit.test(L), fit.test(L, "satterthwaite")
        found = [kr.statistic, kr.df2, kr.scale, satt.statistic, satt.df2]
        np.testing.assert_allclose(found, [joint[k] for k in ("kr_F", "kr_df", "kr_scale", "satt_F", "satt_df")], rtol=RELATIVE)


@pytest.mark.parametrize("name", NAMES)
def test_predicted_effects(name: str) -> None:
    ref, fit = REFERENCE[name], fit_case(name)
    for term, values in ref["effects"].items():
        found = fit.effects(term)
        mine = dict(zip(found.levels, found.values, strict=True))
        size = np.sqrt(ref["variances"][term]) + 1e-12
        assert {k: mine[k] for k in values} == pytest.approx(values, abs=1e-4 * size + 1e-9)


def test_where_lme4_stops_short_ours_is_lower_and_is_the_minimum() -> None:
    """Where a slope's column is counted from makes no difference to intercepts and slopes that may be correlated."""
    fit, near = fit_case("cake_far"), fit_case("cake")
    assert REFERENCE["cake_far"]["criterion"] > REFERENCE["cake"]["criterion"] + 1e-11
    assert fit.criterion <= REFERENCE["cake_far"]["criterion"]
    assert fit.criterion == pytest.approx(REFERENCE["cake"]["criterion"], abs=1e-9)
    for method, kind in (("kenward-roger", "kr_df"), ("satterthwaite", "satt_df")):
        found = [fit.test(row, method) for row in np.eye(4)[1:]]
        np.testing.assert_allclose([t.df2 for t in found], REFERENCE["cake"][kind][1:], rtol=RELATIVE)
    assert fit.variances["temp | recipe:replicate"] == pytest.approx(near.variances["temp | recipe:replicate"], rel=1e-6)


def test_the_dossier_holds_what_it_must() -> None:
    assert len({n.partition('_')[0] for n in NAMES} - {'set'}) == 9  # open sets, as docs/time.md says
    singular = {n for n in NAMES if REFERENCE[n]["singular"]}
    assert {"orange", "oats", "cake", "set_no_slope", "set_nothing", "set_apart_zero", "set_visits"} <= singular
    for name in ("set_no_slope", "orange", "cake"):  # correlation at one of its ends
        fit = fit_case(name)
        ((a, b),) = fit.covariances
        assert abs(fit.covariances[a, b]) == pytest.approx(np.sqrt(fit.variances[a] * fit.variances[b]), rel=1e-6)
        assert fit.at_zero == (f"{a}, {b}",)
    assert fit_case("set_apart_zero").variances["months | cont"] == 0


def dense_criterion(table: pd.DataFrame, fit: RemlFit, G: np.ndarray) -> float:
    """-2 log restricted likelihood by its definition, covariance G (2, 2) of level and rate of each container."""
    X, y = fit._design.X, table["y"].to_numpy(float)
    Z = np.column_stack([np.ones(len(y)), table["months"]])
    same = table["cont"].to_numpy()[:, None] == table["cont"].to_numpy()
    V = fit.variances["residual"] * np.eye(len(y)) + same * (Z @ G @ Z.T)
    W = np.linalg.inv(V)
    XWX = X.T @ W @ X
    rest = y - X @ np.linalg.solve(XWX, X.T @ W @ y)
    return float(np.linalg.slogdet(V)[1] + np.linalg.slogdet(XWX)[1] + rest @ W @ rest
                 + (len(y) - X.shape[1]) * np.log(2 * np.pi))


@pytest.mark.parametrize("name", ["set_free", "set_in_step", "set_no_slope", "set_nothing"])
def test_criterion_by_its_definition_and_no_neighbour_in_the_cone_is_better(name: str) -> None:
    table, fit = SLOPES[name].load(), fit_case(name)
    a, b = "cont", "months | cont"
    G = np.array([[fit.variances[a], fit.covariances[a, b]], [fit.covariances[a, b], fit.variances[b]]])
    assert dense_criterion(table, fit, G) == pytest.approx(fit.criterion, abs=1e-8)
    for seed in range(40):
        step = np.random.default_rng(seed).normal(size=(2, 2)) * [[0.02], [0.002]]
        assert dense_criterion(table, fit, G + step @ step.T) > fit.criterion
        root = np.linalg.cholesky(G + 1e-12 * np.eye(2)) + 0.3 * step
        assert dense_criterion(table, fit, root @ root.T) > fit.criterion - 1e-9


@pytest.mark.parametrize("unit", [1e-3, 30.44])
def test_unit_of_time(unit: float) -> None:
    table, fit = SLOPES["set_free"].load(), fit_case("set_free")
    other = fit_reml(table.assign(months=table["months"] * unit), "y", *(SLOPES["set_free"].fixed, SLOPES["set_free"].random))
    assert other.variances["months | cont"] * unit**2 == pytest.approx(fit.variances["months | cont"], rel=1e-6)
    assert other.effects("months | cont").values[0] * unit == pytest.approx(fit.effects("months | cont").values[0], rel=1e-5)
    np.testing.assert_allclose([other.test(r).df2 for r in np.eye(4)], [fit.test(r).df2 for r in np.eye(4)], rtol=1e-6)


@pytest.mark.parametrize("name", ["set_free", "set_visits"])
def test_prediction_errors_by_their_definition(name: str) -> None:
    """Henderson 1975: the covariance of prediction errors is G - G Z'P Z G."""
    table, fit = SLOPES[name].load(), fit_case(name)
    X, names = fit._design.X, sorted(set(table["cont"]))
    here = (table["cont"].to_numpy()[:, None] == np.array(names)).astype(float)
    Z = np.hstack([here, here * table["months"].to_numpy()[:, None]])
    c = fit.covariances["cont", "months | cont"]
    G = np.kron([[fit.variances["cont"], c], [c, fit.variances["months | cont"]]], np.eye(len(names)))
    W = np.linalg.inv(Z @ G @ Z.T + fit.variances["residual"] * np.eye(len(table)))
    P = W - W @ X @ np.linalg.solve(X.T @ W @ X, X.T @ W)
    expected = np.sqrt(np.diag(G - G @ Z.T @ P @ Z @ G))
    found = [*fit.effects("cont").prediction_error, *fit.effects("months | cont").prediction_error]
    np.testing.assert_allclose(found, expected, rtol=1e-6)
    np.testing.assert_allclose(fit.fitted + fit.residuals, table["y"], rtol=1e-12)
    if name == "set_free":
        np.testing.assert_allclose(fit.fitted, X @ fit.beta + Z @ G @ Z.T @ W @ (table["y"] - X @ fit.beta), rtol=1e-7)


def test_three_effects_may_be_correlated() -> None:
    table = turned(0.2, 1.5, 0.03, 0.4)
    table["square"] = table["months"] ** 2 / 18
    fit = fit_reml(table, "y", ["months", "square"], ["months + square | cont"])
    assert set(fit.covariances) == {("cont", "months | cont"), ("cont", "square | cont"), ("months | cont", "square | cont")}
    assert fit.criterion < fit_reml(table, "y", ["months", "square"], ["months | cont"]).criterion + 1e-9
    roots = roots_of(3, ((0, 1), (0, 2), (1, 2)))
    G = np.array([[2.0, 0.3, -0.2], [0.3, 1.0, 0.1], [-0.2, 0.1, 0.5]])
    theta = np.array([1.0, *np.diag(G), 0.3, -0.2, 0.1])
    np.testing.assert_allclose(roots.theta(roots.roots(theta)), theta, atol=1e-12)
    np.testing.assert_allclose(roots.roots(theta * 1e-12), roots.roots(theta) * 1e-6, rtol=1e-9)  # whatever the unit is


@pytest.mark.parametrize(("random", "sentence"), [
    (["store | cont"], "needs one column of numbers. For a factor write 'cont:store'"),
    (["rate | cont"], "No column named 'rate'"),
    (["months | "], "cannot be read"),
    (["months || cont"], "cannot be read"),
    (["0 | cont"], "cannot be read"),
    (["cont", "months | cont"], "'cont' and 'cont' group the rows in the same way"),
    (["months | cont", "0 + months | cont"], "group the rows in the same way"),
    (["months | cont:visit"], "82 rows cannot carry 82 random effects of 'cont:visit'"),
])  # fmt: skip
def test_refusals(random: list[str], sentence: str) -> None:
    with pytest.raises(DesignMismatch, match=sentence):
        fit_reml(turned(0.2, 1.5, 0.03, 0.4), "y", ["months"], random)


def test_two_ages_of_sister_containers_tell_no_slope_from_a_level() -> None:
    table = turned(0.2, 1.5, 0.03, 0.4)
    table = table[table["months"].eq(np.where(table["store"] == "a", 3.0, 12.0))]
    table = pd.concat([table, table.assign(y=table["y"] + 0.1 * np.cos(np.arange(len(table))))], ignore_index=True)
    with pytest.raises(DesignMismatch, match=r"'cont' and 'months \| cont' and 'cont, months \| cont' cannot be told apart"):
        fit_reml(table, "y", ["months"], ["months | cont"])


def test_too_few_rows_for_slopes() -> None:
    table = turned(0.2, 1.5, 0.03, 0.4).groupby("cont").head(2)
    with pytest.raises(DesignMismatch, match="18 rows cannot carry 18 random effects of 'cont'"):
        fit_reml(table, "y", ["store"], ["months | cont"])


def test_what_is_not_given_with_slopes() -> None:
    fit = fit_case("set_free")
    assert not fit.second_opinion().fitted
    with pytest.raises(ValueError, match="not given where random slopes may be correlated"):
        fit.profile_upper("cont")
    assert fit_case("set_apart_zero").profile_upper("months | cont") > 0
    assert written("age | container:depth").group == "container:depth"


# Obenchain 1990: assay of three batches over twelve months, in per cent of label claim; printed as the example of random
# coefficients in manuals of mixed models (seen); the estimates printed there from memory, check your copy
BATCHES = {
    "b1": {0: "101.2 103.3 103.3 102.1 104.4 102.4", 1: "98.8 99.4 99.7 99.5", 3: "98.4 99.0 97.3 99.8",
           6: "101.5 100.2 101.7 102.7", 9: "96.3 97.2 97.2 96.3", 12: "97.3 97.9 96.8 97.7 97.7 96.7"},
    "b2": {0: "102.6 102.7 102.4 102.1 102.9 102.6", 1: "99.1 99.0 99.9 100.6", 3: "105.7 103.3 103.4 104.0",
           6: "101.3 101.5 100.9 101.4", 9: "94.1 96.5 97.2 95.6", 12: "93.1 92.8 95.4 92.2 92.2 93.0"},
    "b3": {0: "105.1 103.9 106.1 104.1 103.7 104.6", 1: "102.2 102.0 100.8 99.8", 3: "101.2 101.8 100.8 102.6",
           6: "101.1 102.0 100.1 100.2", 9: "100.9 99.5 102.2 100.8", 12: "97.8 98.3 96.9 98.4 96.9 96.5"},
}  # fmt: skip


def test_a_published_stability_study_with_random_batches() -> None:
    rows = [(b, float(m), float(v)) for b, ages in BATCHES.items() for m, line in ages.items() for v in line.split()]
    fit = fit_reml(pd.DataFrame(rows, columns=["batch", "month", "assay"]), "assay", ["month"], ["month | batch"])
    assert fit.criterion == pytest.approx(350.3, abs=0.05)
    found = [fit.variances["batch"], fit.covariances["batch", "month | batch"], fit.variances["month | batch"],
             fit.variances["residual"]]
    assert found == pytest.approx([0.9768, -0.1045, 0.03717, 3.2932], abs=5e-5)
    level, rate = fit.test([1, 0], "satterthwaite"), fit.test([0, 1], "satterthwaite")
    assert (level.estimate, level.se, rate.estimate, rate.se) == pytest.approx((102.70, 0.6456, -0.5259, 0.1194), abs=5e-3)
    assert (level.se, rate.estimate, rate.se) == pytest.approx((0.6456, -0.5259, 0.1194), abs=5.1e-5)
    assert (level.df2, rate.df2) == pytest.approx((2, 2))


@pytest.mark.parametrize("variance", [5.0, 0.37, 140.0])
def test_a_search_is_carried_on_to_the_last_digit_where_one_component_is_right_from_the_start(variance: float) -> None:
    """n (log theta + t / theta) of two normal samples is lowest at theta = t (10 and 30 values, variances 1 and t)."""
    n, t = np.array([10.0, 30.0]), np.array([1.0, variance])

    def at(theta: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        first, second = n * (1 / theta - t / theta**2), n * (2 * t / theta**3 - 1 / theta**2)
        return float((n * (np.log(theta) + t / theta)).sum()), first, np.diag(second)

    found = lowest(roots_of(1, ()), np.array([1.0, 3.0]), at, 40)
    assert found[0] == 1.0
    assert found[1] == pytest.approx(variance, rel=1e-13)


def test_a_way_out_of_the_edge_leads_down_and_there_is_none_at_a_minimum() -> None:
    """Two variances of 1 and a correlation of 1. By hand: the gradient as a matrix has -1 along (1, -1) and 2 along (1, 1)."""
    roots, edge = roots_of(2, ((0, 1),)), np.array([0.5, 1.0, 1.0, 1.0])
    step = _way_out(roots, edge, np.array([0.0, 0.5, 0.5, 3.0]))
    assert step is not None
    assert step / step[1] == pytest.approx([0, 1, 1, -1])
    assert step[1] > 0
    assert step @ [0.0, 0.5, 0.5, 3.0] < 0  # less of the correlation lowers the criterion
    for unit in (2.0**-20, 2.0**20):  # whatever the unit
        moved = _way_out(roots, edge * unit, np.array([0.0, 0.5, 0.5, 3.0]) / unit)
        assert moved is not None
        assert moved / unit == pytest.approx(step)
    assert _way_out(roots, edge, np.array([0.0, 1.5, 1.5, 1.0])) is None  # 1 and 2: every direction leads up


@pytest.mark.parametrize(("k", "pairs", "linked"), [
    (3, (), ((0,), (1,), (2,))), (2, ((0, 1),), ((0, 1),)), (4, ((0, 1), (2, 3)), ((0, 1), (2, 3))),
    (4, ((1, 2), (1, 3), (2, 3)), ((0,), (1, 2, 3))), (3, ((0, 2),), ((0, 2), (1,))),
    (9, ((1, 8),), ((0,), (1, 8), *((t,) for t in range(2, 8))))])
def test_roots_are_triangular_roots_of_the_covariances(k: int, pairs: tuple[tuple[int, int], ...],
                                                       linked: tuple[tuple[int, ...], ...]) -> None:
    """Components of random L: theta = L L' there and back, derivatives against differences; what has no rank stays so."""
    rng, roots = np.random.default_rng(k), roots_of(k, pairs)
    assert roots.linked == linked
    for lost in (False, True):
        factors = {t: np.tril(rng.normal(size=(len(t), len(t)))) + 2 * np.eye(len(t)) for t in linked}
        if lost:
            factors = {t: f * (np.arange(len(t)) < max(1, len(t) - 1)) for t, f in factors.items()}
        cov = np.zeros((k, k))
        for t, f in factors.items():
            cov[np.ix_(t, t)] = f @ f.T
        theta = np.array([0.7, *np.diag(cov), *(cov[a, b] for a, b in pairs)])
        for t in linked:
            np.testing.assert_allclose(roots.matrix(theta, t), cov[np.ix_(t, t)])
            np.testing.assert_allclose(roots.matrix(theta, t, half=0.5), (cov + np.diag(np.diag(cov)))[np.ix_(t, t)] / 2)
        x = roots.roots(theta)
        assert len(x) == 1 + sum(len(t) * (len(t) + 1) // 2 for t in linked)
        np.testing.assert_allclose(roots.theta(x), theta, atol=1e-9)
        H, g, at = rng.normal(size=(len(theta), len(theta))), rng.normal(size=len(theta)), 1e-5 * np.eye(len(x))
        H = H + H.T
        moved = np.transpose([(roots.theta(x + e) - roots.theta(x - e)) / 2e-5 for e in at])
        np.testing.assert_allclose(roots.jacobian(x), moved, atol=1e-8)

        def slope(y: np.ndarray, base: np.ndarray = theta, g: np.ndarray = g, H: np.ndarray = H) -> np.ndarray:
            return (g + H @ (roots.theta(y) - base)) @ roots.jacobian(y)

        np.testing.assert_allclose(roots.curvature(x, g, H), [(slope(x + e) - slope(x - e)) / 2e-5 for e in at], atol=1e-6)
        lifted = _lifted(roots, theta)
        more = np.array([0.0, *([1e-4 * np.abs(theta).sum()] * k), *([0.0] * len(pairs))])
        np.testing.assert_allclose(roots.theta(lifted), theta + more, atol=1e-9)


@pytest.mark.parametrize(("name", "read"), [
    ("container", ("container", (), True)), ("container:depth", ("container:depth", (), True)),
    ("age | container", ("container", ("age",), True)), ("1 + age | container", ("container", ("age",), True)),
    ("0 + age | container", ("container", ("age",), False)), ("age + dose | lot:run", ("lot:run", ("age", "dose"), True)),
    ("1 | container", ("container", (), True))])
def test_random_terms_are_read_as_lme4_reads_them(name: str, read: tuple[str, tuple[str, ...], bool]) -> None:
    found = written(name)
    assert (found.group, found.columns, found.intercept) == read


@pytest.mark.parametrize("name", ["age |", "| container", "age + | container", "a | b | c", "0 + 0 + age | container",
                                  "0 | container"])
def test_random_terms_that_say_nothing_are_refused(name: str) -> None:
    with pytest.raises(DesignMismatch, match="cannot be read"):
        written(name)
