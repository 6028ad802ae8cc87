"""Public functions of several modules against their definitions, written out in plain loops over small scenes by chance."""

from __future__ import annotations

import dataclasses
import math
from itertools import combinations, product

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from studykit.inference import bounded, critical_range, declared, each, single, unlike, wide
from studykit.inference import contrasts as many
from studykit.inference import departures as departing
from studykit.inference import judge as judging
from studykit.inference.cells import CellBounds
from studykit.inference.margin import Margin
from studykit.study.definition import Margin as DeclaredMargin
from studykit.study.precision import Precision

EDGE = 1.0


def scenes(seed: int, studies: int = 16, contrasts: int = 3) -> many.Contrasts:
    """Estimates near the edge, some without scatter, some that cannot be judged, some at zero or at the edge itself."""
    rng = np.random.default_rng(seed)
    shape = (studies, contrasts)
    se = rng.choice([0.0, 0.05, 0.3, 1.0, np.nan], shape, p=(0.1, 0.3, 0.3, 0.2, 0.1))
    return many.Contrasts(estimate=rng.choice([0.0, EDGE, -EDGE, 0.3, -0.7, 1.1, -1.6, 2.0], shape), se=se,
                          df=rng.choice([0.9, 1.0, 2.5, 7.0, 40.0], shape), unit_variance=rng.uniform(0.05, 0.5, shape))


def tail(number: float, se: float, df: float) -> float:
    """P(t > number / se) by scipy; without scatter 1/2 at zero and else 0 or 1."""
    if se == 0:
        return 0.5 if number == 0 else float(number < 0)
    return float(stats.t.sf(number / se, df))


@pytest.mark.parametrize("side", [0, 1, -1])
@pytest.mark.parametrize("depths", [2, 3, 4, None])
def test_p_values_and_words_are_sums_of_tails_over_the_corners(depths, side):
    """Of k depths a lie on one side of the edge, k - a on the other: a (k - a) pairs at the edge, the others at nothing."""
    K = {2: 1, 3: 3, 4: 6, None: 4}[depths]
    c = scenes(7 + K, contrasts=K)
    within, beyond = many.p_within(c, EDGE, side=side), many.p_beyond(c, EDGE, depths=depths, side=side)
    codes, anything = many.word_codes(c, EDGE, 0.05, depths=depths, side=side), many.p_any(c)
    assert len(set(codes)) > 1
    for s, p in product(range(len(c.estimate)), range(K)):
        e, se, df = (float(x[s, p]) for x in (c.estimate, c.se, c.df))
        judged = math.isfinite(se) and df >= 1
        size = side * e if side else abs(e)
        p_in = tail(EDGE - size, se, df) if judged else 1.0
        if side:
            p_out = K * tail(size - EDGE, se, df) if judged else 1.0
        else:
            corners = [(K, 0)] if depths is None else [(a * (depths - a), K - a * (depths - a)) for a in range(1, depths)]
            near, far, zero = (tail(size + x, se, df) if judged else 1.0 for x in (-EDGE, EDGE, 0.0))
            p_out = max(at * (near + far) + rest * 2 * zero for at, rest in corners)
        assert within[s, p] == pytest.approx(p_in, rel=1e-9)
        assert beyond[s, p] == pytest.approx(min(p_out, 1.0) if judged else 1.0, rel=1e-9)
    for s in range(len(c.estimate)):
        sizes = side * c.estimate[s] if side else np.abs(c.estimate[s])
        shown = any(sizes > EDGE) and any(beyond[s] < 0.05)
        assert codes[s] == (2 if shown else 1 if all(within[s] < 0.05) and not any(sizes > EDGE) else 0)
        both = [2 * tail(abs(float(e)), float(se), float(df)) if np.isfinite(se) and df >= 1 else 1.0
                for e, se, df in zip(c.estimate[s], c.se[s], c.df[s], strict=True)]
        assert anything[s] == pytest.approx(min(1.0, K * min(both)))


@pytest.mark.parametrize(("level", "together"), [(0.9, False), (0.95, True)])
def test_intervals_are_scipys_and_what_is_promised_is_theirs_in_units(level, together):
    c = scenes(3)
    low, high = many.intervals(c, level, together=together)
    for s, p in product(range(16), range(3)):
        if not c.judged[s, p]:
            assert math.isnan(low[s, p])
            assert many.promised(c)[s, p] == math.inf
            continue
        half = float(stats.t.ppf(1 - (1 - level) / 2 / (3 if together else 1), c.df[s, p]) * c.se[s, p])
        assert (low[s, p], high[s, p]) == pytest.approx((c.estimate[s, p] - half, c.estimate[s, p] + half))
        assert many.promised(c)[s, p] == pytest.approx(float(stats.t.ppf(0.95, c.df[s, p])) * math.sqrt(c.unit_variance[s, p]))


def by_hand(v: np.ndarray, row: np.ndarray) -> list[tuple[float, float, float, float]]:
    """A t over the containers that have all depths of a row, and Bell and McCaffrey's CR2 by dense matrices: estimate, standard
    error, df and unit variance of each, container dummies and all."""
    d = (v[:, row != 0] @ row[row != 0])
    d = d[np.isfinite(d)]
    found = [(float(d.mean()), float(d.std(ddof=1)) / math.sqrt(len(d)), len(d) - 1.0, 1 / len(d))] if len(d) > 1 else []
    n, k = v.shape
    i, j = np.nonzero(~np.isnan(v))
    X, load = np.hstack([np.eye(n)[i], np.eye(k)[j][:, 1:]]), np.concatenate([np.zeros(n), row[1:]])
    bread = np.linalg.pinv(X.T @ X)
    left, y = np.eye(len(i)) - X @ bread @ X.T, v[i, j]
    meat, columns = 0.0, []
    for c in range(n):
        mine = i == c
        values, vectors = np.linalg.eigh(left[np.ix_(mine, mine)])
        a = load @ bread @ X[mine].T @ ((vectors * np.where(values > 1e-9, np.maximum(values, 1e-9) ** -0.5, 0.0)) @ vectors.T)
        meat += float(a @ (left @ y)[mine]) ** 2
        columns.append(left[:, mine] @ a)
    omega = np.array(columns) @ np.array(columns).T
    unit = float(load @ bread @ load) / float(row @ row)
    return [*found, (float(load @ bread @ X.T @ y), math.sqrt(meat), float(np.trace(omega) ** 2 / (omega**2).sum()), unit)]


def test_any_rows_with_lost_readings_take_the_road_that_promises_more():
    """Rows of one, two and three depths against others; of depths that fewer than three containers have, df may be less."""
    rng = np.random.default_rng(11)
    rows = np.array([[1.0, -0.5, -0.5], [1, -2, 1], [-0.5, 0, 0.5], [0, -1, 1], [0.25, 0.25, -0.5]])
    v = rng.standard_normal((12, 7, 3)) + rng.standard_normal((12, 7, 1))
    v[rng.random(v.shape) < 0.15] = np.nan
    found, seen = many.contrasts_of(v, rows), 0
    for s, p in product(range(12), range(len(rows))):
        whole = np.isfinite(v[s][:, rows[p] != 0]).all(axis=1).sum()
        if whole < 3:
            continue
        best = min(by_hand(v[s], rows[p]), key=lambda x: math.sqrt(x[3]) * stats.t.ppf(0.95, x[2]))
        mine = tuple(float(x[s, p]) for x in (found.estimate, found.se, found.df))
        assert mine == pytest.approx(best[:3], rel=1e-7)
        seen += np.isnan(v[s]).any()
    assert seen > 30


@pytest.mark.parametrize("rows", [[[1.0, -2.0, 1.0]], [[-1e6, 1e6, 0.0]], [[-0.5, -0.5, 1.0], [0.0, -1.0, 1.0]]])
def test_rows_have_to_add_up_to_zero_from_either_side(rows):
    v = np.random.default_rng(0).standard_normal((1, 4, 3))
    assert many.contrasts_of(v, np.array(rows)).estimate.shape == (1, len(rows))
    for sign in (1, -1):
        wrong = np.array(rows)
        wrong[0, 0] += sign * 1e-7 * np.abs(wrong).max()
        with pytest.raises(ValueError, match="add up to zero"):
            many.contrasts_of(v, wrong)


def test_cell_means_are_those_of_a_loop():
    rng = np.random.default_rng(5)
    for _ in range(25):
        n, k, rows, studies = (int(x) for x in rng.integers((1, 1, 1, 1), (4, 4, 12, 15)))
        container, depth = rng.integers(0, n, rows), rng.integers(0, k, rows)
        y = np.where(rng.random((studies, rows)) < 0.2, np.nan, rng.standard_normal((studies, rows)))
        mine = many.cell_means(container, depth, y, (n, k))
        for s, c, d in product(range(studies), range(n), range(k)):
            own = [x for x, a, b in zip(y[s], container, depth, strict=True) if (a, b) == (c, d) and not np.isnan(x)]
            assert mine[s, c, d] == pytest.approx(sum(own) / len(own) if own else math.nan, nan_ok=True)


def test_the_word_for_the_stock_over_every_case():
    for mean, upper, share, beyond, groups, every, may in product(
            ("homogeneous", "inconclusive", "stratified"), (0.1, 0.2, 0.3), (None, 0.2), (0, 1, 2), (False, True),
            (False, True), (0, 1)):
        got = judging.stock_word(mean, share_upper=upper, share=share, containers_beyond=beyond, groups_beyond=groups,
                                 every_one=every, may_be_beyond=may)
        if mean == "stratified" or every:
            word = "stratified"
        elif beyond > 0 or groups:
            word = "uneven"
        elif mean == "homogeneous" and may == 0 and (share is None or upper <= 0.2):
            word = "homogeneous"
        else:
            word = "inconclusive"
        assert got == word


def cells_of(values: dict[tuple[int, int], list[float]], n: int, k: int, margin: Margin) -> CellBounds:
    rows = [(c, d, x) for (c, d), own in values.items() for x in own]
    container, depth, y = (np.array(x) for x in zip(*rows, strict=True))
    return CellBounds.of_rows(container, depth, y.astype(float), y.astype(float), shape=(n, k), margin=margin)


def test_next_container_and_depth_means_are_the_textbooks_t_limits():
    """Prediction of one more: mean -/+ t s sqrt(1 + 1/n) of the lowest minus the uppermost; a mean: t s / sqrt(n)."""
    rng = np.random.default_rng(9)
    margin, seen = Margin.absolute(50.0), 0
    for k in (2, 3, 4):
        for n in (1, 2, 3, 4, 8):
            y = 100 + rng.standard_normal((n, k)).round(6)
            cells = cells_of({(c, d): [y[c, d]] for c in range(n) for d in range(k)}, n, k, margin)
            got, d = judging.next_of(cells, margin, 0.9), y[:, -1] - y[:, 0]
            assert (got is None) == (n < 3)
            if got is not None:
                half = float(stats.t.ppf(0.95, n - 1)) * d.std(ddof=1) * math.sqrt(1 + 1 / n)
                assert (got.low, got.high) == pytest.approx((d.mean() - half, d.mean() + half), rel=1e-6)
                seen += 1
            for j in range(k):
                mean, low, high = judging.depth_mean(cells, j, 0.9)
                assert mean == pytest.approx(y[:, j].mean())
                if n == 1:
                    assert math.isnan(low)
                    assert math.isnan(high)
                else:
                    assert (low, high) == pytest.approx(stats.t.interval(0.9, n - 1, y[:, j].mean(), stats.sem(y[:, j])))
    assert seen == 9


@pytest.mark.parametrize(("n", "lost", "told"), [
    (9, 1, False), (10, 1, False), (10, 2, True), (19, 2, True), (20, 2, False), (20, 3, True), (3, 2, True), (3, 3, False),
    (2, 1, False), (30, 3, False), (30, 4, True)])
def test_two_lost_and_over_a_tenth_are_told_unless_none_is_left(n, lost, told):
    cells = cells_of({(c, d): [100.0 + c + d] for c in range(n) for d in range(2) if d == 0 or c >= lost}, n, 2,
                     Margin.absolute(5.0))
    said = judging.lost_reasons(dataclasses.replace(cells, labels=("top", "bottom")))
    assert bool(said) == told
    assert not told or said[0].startswith(f"Containers without a value: {lost} of {n} at bottom. ")


@pytest.mark.parametrize(("upper", "share", "told"), [
    (0.05, None, "At most 5 % of containers like these differ between depths by more than 2."),
    (0.0501, None, "At most 5.1 % of containers like these differ between depths by more than 2."),
    (0.2, 0.2, "At most 20 % of containers like these differ between depths by more than 2; up to 20 % were allowed."),
    (0.201, 0.2, "At most 20.1 % of containers like these differ between depths by more than 2; that is more than the 20 % "
                 "allowed, so the stock is not shown to be even."),
    (0.999, None, "At most 99.9 % of containers like these differ between depths by more than 2."),
    (0.9991, None, "Nothing is shown of the share of containers that differ between depths by more than 2."),
    (1.0, 0.25, "Nothing is shown of the share of containers that differ between depths by more than 2; 25 % were allowed, so "
                "the stock is not shown to be even.")])
def test_the_bound_of_the_share_is_told_rounded_up_to_a_tenth(upper, share, told):
    assert judging._stock_reasons(upper, share, (), pd.DataFrame(), Margin.absolute(2.0)) == (told,)


def test_containers_and_groups_beyond_are_named_groups_of_one_not():
    groups = pd.DataFrame([("lot A", 3, True), ("lot A", 3, True), ("lot B", 1, True), ("lot C", 2, True), ("lot D", 4, False)],
                          columns=["group", "containers", "shown beyond"])
    two, margin = "are shown to differ between depths by more than 2", Margin.absolute(2.0)
    said = judging._stock_reasons(0.5, None, ("K1", "K2"), groups, margin)
    assert said[:2] == (f"Containers K1, K2 {two}.", f"The containers of lot A, lot C {two} on average.")
    one = judging._stock_reasons(0.5, None, ("K1",), groups.iloc[[2, 4]], margin)
    assert one[0] == "Container K1 is shown to differ between depths by more than 2."
    assert len(one) == 2


@pytest.mark.parametrize(("first", "may"), [
    ([1.0, 2.0, 3.0], True), ([0.1, 0.25, 7.0], True), ([1234567.0, 1.0, 2.0], True), ([0.1234567, 0.2, 0.3], True),
    ([math.pi, 1.0, 2.0], False), ([1.0, 2.0, math.e], False), ([0.0, 0.0, 0.0], True), ([math.nan, 5.0, 1.5], True),
    ([-1.5, 2.0, -3.25], True), ([1.0, -math.sqrt(2), 1.0], False), ([10.0, 20.0, 30.00001], True),
    ([10.0, 20.0, 30.000001], False), ([1e-8, 2e-8, 3e-8], True), ([1e-9, 1e-9, 1e-9], False)])
def test_numbers_with_at_most_seven_digits_of_the_largest_may_have_a_step(first, may):
    """Only the first three readings are looked at."""
    y = np.array([[*first, math.pi], [*first, 1.0]])
    assert judging.maybe_rounded(y).tolist() == [may, may]


def test_the_step_of_logs_is_that_of_the_smallest_reading():
    """Half a step either way of the least: log((x + h/2) / (x - h/2)), and the step itself on the raw scale."""
    relative, absolute = Margin.relative(5), Margin.absolute(1)
    for y, step in (([10.0, 14.0, 12.0], 2.0), ([1.5, 0.7, math.nan], 0.1), ([3.0, 7.0, 8.0], 1.0)):
        least = np.nanmin(y)
        assert judging._widest_step(np.array(y), absolute) == pytest.approx(step)
        wide = math.log((least + step / 2) / (least - step / 2))
        assert judging._widest_step(np.array(y), relative) == pytest.approx(wide)
    assert judging._widest_step(np.array([math.pi, 1.0, 2.0]), relative) == 0
    assert judging._widest_step(np.array([0.0, 1.0, 2.0]), relative) == math.inf


def test_groups_and_pairs_of_a_table_are_t_limits_of_their_own_containers():
    """Every row by scipy: p of each pair by the two roads, groups from their own containers, alpha where none is given 0.05."""
    rng = np.random.default_rng(13)
    n, depths = 9, ["a", "b", "c"]
    y = 100 + rng.standard_normal((n, 3)).round(5) + np.array([0.0, 0.4, 1.3])
    y[6:] += np.array([0.0, 0.0, 1.0])
    rows = [(f"C{c}", d, y[c, j], "early" if c < 6 else "late") for c in range(n) for j, d in enumerate(depths)]
    table = pd.DataFrame(rows, columns=["container", "depth", "value", "lot"])
    got = judging.judge(table, margin={"absolute": 2}, depths=depths, groups=["lot"])
    for row, (i, j) in zip(got.pairs.to_dict("records"), combinations(range(3), 2), strict=True):
        d = y[:, j] - y[:, i]
        se = d.std(ddof=1) / 3
        low, high = stats.t.interval(0.9, 8, d.mean(), se)
        assert (row["pair"], row["df"]) == (f"{depths[j]} - {depths[i]}", pytest.approx(8))
        assert (row["estimate"], row["low"], row["high"]) == pytest.approx((d.mean(), low, high))
        near, far, zero = (stats.t.sf((abs(d.mean()) + x) / se, 8) for x in (-2, 2, 0))
        assert row["p_within"] == pytest.approx(stats.t.sf((2 - abs(d.mean())) / se, 8))
        assert row["p_beyond"] == pytest.approx(min(1, 2 * (near + far) + 2 * zero))
    wanted = [(g, part, i, j) for g, part in (("early", y[:6]), ("late", y[6:])) for i, j in combinations(range(3), 2)]
    for row, (g, part, i, j) in zip(got.groups.to_dict("records"), wanted, strict=True):
        d = part[:, j] - part[:, i]
        low, high = stats.t.interval(0.9, len(d) - 1, d.mean(), stats.sem(d))
        assert g in row["group"]
        assert (row["containers"], row["pair"]) == (len(d), f"{depths[j]} - {depths[i]}")
        assert (row["estimate"], row["low"], row["high"]) == pytest.approx((d.mean(), low, high))
        near, far, zero = (stats.t.sf((abs(d.mean()) + x) / stats.sem(d), len(d) - 1) for x in (-2, 2, 0))
        assert row["shown beyond"] == (2 * (2 * (near + far) + 2 * zero) < 0.05)


def test_the_mean_is_taken_without_groups_only_where_that_judges_every_pair():
    """Two groups; a depth that one group lacks, then a depth that all but one container lack."""
    margin, names = Margin.absolute(5.0), ("early", "late")
    Z = np.eye(2)[np.repeat([0, 1], 4)]
    for lost, apart in (([], False), ([(c, 1) for c in range(4)], True), ([(c, 1) for c in range(7)], False),
                        ([(0, 1), (5, 0)], False)):
        y = {(c, d): [100.0 + (3 * c + 5 * d) % 7] for c in range(8) for d in range(2) if (c, d) not in lost}
        cells = dataclasses.replace(cells_of(y, 8, 2, margin), groups=Z, group_names=names)
        kept, why = judging.mean_cells(cells)
        assert (kept.groups is None, bool(why)) == (apart, apart)
        assert not apart or "(early)" in why[0]


def test_a_margin_of_two_sizes_counts_on_the_side_of_the_difference():
    margin = Margin(low=-2.0, high=4.0, scale="raw", text="")
    assert [margin.in_margins(x) for x in (-1.0, 0.0, 1.0, 8.0)] == [-0.5, 0.0, 0.25, 2.0]


DECLARED = [{"absolute": 2.0}, {"relative_percent": 20.0}, {"factor": 1.5}]


@pytest.mark.parametrize("given", DECLARED)
@pytest.mark.parametrize("side", [None, "below", "above"])
def test_margins_of_every_kind_by_hand(given, side):
    """Ends on the scale, told ends, the same at a level of 8, and both ways for the floor."""
    m = Margin.declared(DeclaredMargin(**given, **({"side": side} if side else {})), "mg/kg")
    absolute, kind = "absolute" in given, next(iter(given))
    up = {"absolute": 2.0, "relative_percent": math.log(1.2), "factor": math.log(1.5)}[kind]
    down = math.log(0.8) if side and "relative_percent" in given else -up
    low, high = (-math.inf if side == "above" else down), (math.inf if side == "below" else up)
    assert (m.low, m.high, m.side) == (pytest.approx(low), pytest.approx(high), {None: 0, "below": -1, "above": 1}[side])
    edge = -down if side == "below" else up
    assert (m.edge, m.log, m.unit) == (pytest.approx(edge), not absolute, "mg/kg" if absolute else "%")
    assert [m.sized(x) for x in (-1.0, 0.5)] == {None: [1, 0.5], "below": [1, -0.5], "above": [-1, 0.5]}[side]
    assert [m.in_margins(x) for x in (-1.0, 3.0)] == pytest.approx([-1 / edge, 3 / edge])
    assert m.passed([edge, edge * (1 + 1e-12), edge * (1 + 1e-8), -2 * edge, math.nan]).tolist() == [
        False, False, True, True, False]
    at = m.at(8.0)
    told = {"absolute": 2.0, "relative_percent": 1.6, "factor": 4.0}[kind]  # upper edge in mg/kg, at 8
    share = 8 * (1 - 1 / 1.5) if side == "below" and "factor" in given else told
    assert m.edge_at(8.0) == pytest.approx(share)
    if "relative_percent" in given:
        assert (at.scale, at.level, at.edge) == ("raw", 8.0, pytest.approx(1.6))
        assert (at.low, at.high) == (-math.inf if side == "above" else pytest.approx(-1.6),
                                     math.inf if side == "below" else pytest.approx(1.6))
        assert (at.shown(0.4), at.from_shown(5.0), at.both.level) == (pytest.approx(5), pytest.approx(0.4), 8.0)
    else:
        assert at is m
    both = m.both
    assert (both.low, both.high, both.scale, both.unit, both.ratio) == (
        pytest.approx(-edge), pytest.approx(edge), m.scale, m.unit, m.ratio)
    if side:
        assert both.text == f"{m.text.removesuffix(f' {side} the mixed container')} either way (of zones: {side} only)"
    else:
        assert both is m
    assert m.sd_at(0.4, 8.0) == pytest.approx(0.4 if absolute else 0.05)
    assert m.shown_sd(0.05) == pytest.approx(0.05 if absolute else 5)
    for x in (-0.3, 0.0, 0.25):
        assert m.shown(x) == pytest.approx(x if absolute else 100 * (math.exp(x) - 1))
        assert m.from_shown(m.shown(x)) == pytest.approx(x, abs=1e-12)
        assert m.as_scatter(m.shown(x)) == pytest.approx(x if absolute else 100 * x, abs=1e-12)
        assert m.to_level(float(m.to_scale([8.0 + x])[0])) == pytest.approx(8.0 + x)


@pytest.mark.parametrize("log", [True, False])
def test_departures_of_boxes_lie_at_their_corners(log):
    """A zone less its weighted mean (on logs over the mean of contents): least and most over every corner of its box."""
    rng = np.random.default_rng(17)
    margin = Margin.declared(DeclaredMargin(**({"relative_percent": 20.0} if log else {"absolute": 2.0}), side="above"), "g")
    for _ in range(12):
        n, k = int(rng.integers(1, 4)), int(rng.integers(2, 5))
        low, weights = rng.uniform(1.0, 2.0, (n, k)), rng.uniform(0.2, 1.0, (n, k))
        high = low + rng.choice([0.0, 0.7], (n, k))
        lost = rng.random(n) < 0.2
        low[lost, 0] = high[lost, 0] = np.nan
        least, most = departing.departures_between(low, high, weights, margin)
        for c, j in product(range(n), range(k)):
            w = weights[c] / weights[c].sum()
            corners = []
            for corner in product(*zip(low[c], high[c], strict=True)):
                x = np.array(corner)
                corners.append(x[j] - math.log(float(w @ np.exp(x))) if log else x[j] - float(w @ x))
            wanted = (math.nan, math.nan) if lost[c] else (min(corners), max(corners))
            assert (least[c, j], most[c, j]) == pytest.approx(wanted, nan_ok=True)


def test_the_lift_is_half_the_weighted_variance_of_the_zones_over_whole_containers():
    rng = np.random.default_rng(19)
    above, below, raw = (Margin.declared(DeclaredMargin(**m, side=s), "g") for m, s in (
        ({"relative_percent": 20.0}, "above"), ({"relative_percent": 20.0}, "below"), ({"absolute": 2.0}, "above")))
    for n, lost in ((1, 0), (2, 0), (2, 1), (5, 0), (5, 2), (6, 6)):
        d, weights = rng.standard_normal((n, 3)), rng.uniform(0.2, 1.0, (n, 3))
        d[:lost, 1] = np.nan
        whole, w = d[lost:], (weights / weights.sum(axis=1, keepdims=True)).mean(axis=0)
        wanted = sum(w[j] * np.var(whole[:, j], ddof=1) for j in range(3)) / 2 if len(whole) > 1 else 0.0
        assert float(departing.lift_of(d, weights, above)) == pytest.approx(wanted)
        assert float(departing.lift_of(d, weights, below)) == float(departing.lift_of(d, weights, raw)) == 0.0
        assert departing.lift_of(np.stack([d, d]), weights, above) == pytest.approx([wanted, wanted])


def test_departures_keep_inner_and_outer_bounds_apart():
    """Zones of 10 and 20, the first known within 2, both rounded to 1: by hand, of equal zones, half the difference."""
    margin = Margin.declared(DeclaredMargin(absolute=2.0, side="below"), "g")
    cells = np.array([[[9.0, 20.0]], [[11.0, 20.0]], [[8.5, 19.5]], [[11.5, 20.5]]])
    got = departing.Departures.of(cells, np.ones((1, 2)), margin)
    assert [x[0].tolist() for x in (got.low, got.high, got.outer_low, got.outer_high)] == [
        [-5.5, 4.5], [-4.5, 5.5], [-6.0, 4.0], [-4.0, 6.0]]
    assert (got.side, got.noise, got.lift) == (-1, pytest.approx(math.sqrt((1 / 4 + 1 / 4) / 2)), 0.0)  # sqrt(1/2) / sqrt(2)
    assert got.cells.tolist() == [[-5.0, 5.0, 0.0]]
    assert got.towards(np.array([-1.0, 2.0])).tolist() == [-1.0, 0.0]


def test_of_limits_the_middle_on_logs_tells_lift_and_noise():
    """Four containers, a middle between limits: the lift and the noise are those of the middles."""
    rng = np.random.default_rng(29)
    margin = Margin.declared(DeclaredMargin(relative_percent=20.0, side="above"), "g")
    low, weights = rng.standard_normal((4, 3)), rng.uniform(0.2, 1.0, (4, 3))
    high = low + rng.choice([0.0, 0.9], (4, 3))
    got = departing.Departures.of(np.stack([low, high, low - 0.1, high + 0.2]), weights, margin)
    assert got.noise == pytest.approx(departing.noise_share((low + high) / 2, weights, margin))
    assert got.lift == pytest.approx(float(departing.lift_of((got.low + got.high) / 2, weights, margin)))
    assert got.mean_cells[:, :3] == pytest.approx((got.low + got.high) / 2 + got.lift)
    assert got.rows.tolist() == [[1, 0, 0, -1], [0, 1, 0, -1], [0, 0, 1, -1]]


def test_of_fewer_than_two_whole_containers_no_zone_is_told():
    margin = Margin.declared(DeclaredMargin(absolute=2.0, side="above"), "g")
    for v in (np.zeros((1, 3)), np.array([[0.0, 0.0, 0.0], [0.0, np.nan, 0.0]])):
        spans = departing.group_between(v, v, margin, alpha=0.05, step=0.0, looked_at=1)
        assert [(x, y, bool(z)) for x, y, z in spans] == [(-math.inf, math.inf, False)] * 3 or all(
            not z and not math.isfinite(x) and not math.isfinite(y) for x, y, z in spans)
        assert len(spans) == 3


@pytest.mark.parametrize("level", [0.9, 0.95])
def test_the_mean_at_a_depth_with_one_limit_is_bounded_by_every_filling(level):
    """One value anywhere from 0 to 5 beside two or three numbers: ends of mean -/+ t s / sqrt(n) over a fine grid of it."""
    for known in ((4.0, 7.0), (1.0, 2.0, 9.0)):
        n = len(known) + 1
        rows = np.arange(n).repeat(2), np.tile([0, 1], n), np.repeat([*known, 0.0], 2), np.repeat([*known, 5.0], 2)
        cells = CellBounds.of_rows(*rows, shape=(n, 2), margin=Margin.absolute(2.0))
        filled = np.column_stack([np.tile(known, (1001, 1)), np.linspace(0, 5, 1001)])
        half = float(stats.t.ppf((1 + level) / 2, n - 1)) * filled.std(axis=1, ddof=1) / math.sqrt(n)
        ends = float((filled.mean(axis=1) - half).min()), float((filled.mean(axis=1) + half).max())
        mean, low, high = judging.depth_mean(cells, 0, level)
        assert math.isnan(mean)
        assert (low, high) == pytest.approx(ends, rel=1e-4)


def test_the_noise_of_a_zone_is_that_of_the_textbook_at_the_worst_zone():
    """Var(x_j - sum w x) over var of a difference, 2: (1 - w_j)^2 + the other w^2, halved; on logs the shares of contents."""
    rng = np.random.default_rng(23)
    raw, logs = (Margin.declared(DeclaredMargin(**m, side="below"), "g") for m in (DECLARED[0], DECLARED[1]))
    for k in (2, 3, 5):
        middle, weights = rng.standard_normal((4, k)), rng.uniform(0.1, 1.0, (4, k))
        for margin, part in ((raw, weights), (logs, weights * np.exp(middle))):
            each = part / part.sum(axis=1, keepdims=True)
            worst = max(((1 - p[j]) ** 2 + sum(q**2 for i, q in enumerate(p) if i != j)) / 2 for p in each for j in range(k))
            assert departing.noise_share(middle, weights, margin) == pytest.approx(min(1.0, math.sqrt(worst)))
    assert departing.noise_share(np.full((1, 2), np.nan), np.ones((1, 2)), raw) == 1.0


def test_a_form_bounds_its_largest_eigenvalue_from_above():
    """Against numpy's eigenvalues of the whole matrix, blocks and a common part of either sign."""
    rng = np.random.default_rng(31)
    for _ in range(40):
        n, k, q = (int(x) for x in rng.integers((2, 1, 1), (5, 4, 4)))
        half, C = rng.standard_normal((n, k, k)), rng.standard_normal((q, q))
        at = np.sort(rng.permutation(n * k)[:max(2, n * k - 1)])
        form = wide.Form(blocks=half @ half.swapaxes(1, 2) * rng.choice([0.01, 1.0]), at=at,
                         P=rng.standard_normal((len(at), q)), C=(C + C.T) / 2)
        whole = form.dense()
        assert form.top() >= np.linalg.eigvalsh(whole).max() * (1 - 1e-12)
        assert form.diagonal() == pytest.approx(np.diag(whole))
        x = rng.standard_normal(len(at))
        assert form @ x == pytest.approx(whole @ x)
        keep, scale = np.sort(rng.permutation(len(at))[:2]), rng.standard_normal(2)
        assert form.of(keep, scale).dense() == pytest.approx(whole[np.ix_(keep, keep)] * np.outer(scale, scale))
        assert form.of(keep).dense() == pytest.approx(whole[np.ix_(keep, keep)])


@pytest.mark.parametrize("alpha", [0.04, 0.05, 0.0501, 0.06, 0.1, 0.2, 0.4])
def test_what_unlike_scatter_costs_is_said_above_five_per_cent_alone(alpha):
    """By the worst level itself: said where alpha is above 0.05 and that is half a tenth of a point more, or further off."""
    for n in range(2, 30):
        worst = unlike.worst_level(n, alpha)
        said = unlike.unlike_words(n, alpha)
        assert bool(said) == (alpha > 0.05 and worst >= alpha + 0.0005)
        assert not said or f"few of {n} containers" in said
        assert not said or f"up to {100 * worst:.1f} % may err" in said
    assert unlike.unlike_words(1, alpha) == ""


@pytest.mark.parametrize(("depths", "told"), [(2, "two"), (3, "three"), (4, "four"), (5, "five"), (6, "6")])
def test_depths_are_told_in_words_up_to_five(depths, told):
    one = critical_range.singles_arithmetic(depths, 1, 1).sentences()
    assert f"all pairs of {told} depths together" in one[1]
    assert one[3].startswith("With 1 analyte, ")
    more = critical_range.singles_arithmetic(depths, 2, 3).sentences()
    assert more[0].startswith("Two means of 2 results can never")
    assert more[3].startswith("With 3 analytes, ")


@pytest.mark.parametrize(("span", "exact", "twice", "noise", "read"), [
    ((0.1, 0.3), 2, True, 0.1, True), ((0.3, 0.3), 2, True, 0.1, False), ((0.1, 0.3), 3, True, 0.1, False),
    ((0.1, 0.3), 2, False, 0.1, False), (None, 2, True, 0.1, False), (None, 1, False, None, True), (None, 3, False, None, True),
    (None, 4, False, None, False)])
def test_readings_count_by_themselves_only_where_nothing_tells_their_scatter(span, exact, twice, noise, read):
    """Five containers, the last 10 apart beside a margin of 2: fewer than half by numbers and the noise between two ends, or no
    noise at all and fewer than four by numbers, the least of which a middle half tells a scatter."""
    values = {(c, d): [100.0 + c + (10.0 if (c, d) == (4, 1) else 0.1 * d)] for c in range(5) for d in range(2)}
    cells = dataclasses.replace(cells_of(values, 5, 2, Margin.absolute(2.0)), exact=np.arange(5) >= 5 - exact, noise_span=span)
    got = each.read_beyond(cells, Margin.absolute(2.0), noise, twice=twice)
    assert got.tolist() == [[0]] * 4 + [[int(read)]]


def test_a_container_may_lie_beyond_where_its_furthest_filling_would_be_shown_there():
    """Brute force: the limit at its upper end as a number, and then named; the noise is the same."""
    margin, words = Margin.absolute(2.0), set()
    low = np.array([[100.0, 100.2], [101.0, 100.9], [99.0, 99.3], [100.0, 100.0], [102.0, 101.7], [98.0, 98.1]])
    for top in np.linspace(102.0, 106.0, 33):
        ends = low.copy()
        ends[3, 1] = top
        rows = np.arange(6).repeat(2), np.tile([0, 1], 6)
        limited = CellBounds.of_rows(*rows, low.ravel(), ends.ravel(), shape=(6, 2), margin=margin)
        filled = CellBounds.of_rows(*rows, ends.ravel(), ends.ravel(), shape=(6, 2), margin=margin)
        may = each.may_lie_beyond(limited, margin, 0.5, 10.0, 0.05)
        named = each.containers_beyond(filled, margin, 0.5, 10.0, 0.05).names
        assert may == named
        words.add(bool(may))
    assert words == {True, False}


@pytest.mark.parametrize("looked_at", [1, 2, 5])
def test_groups_on_one_side_share_alpha_with_all_that_are_looked_at(looked_at):
    """A one-sided t test of each of two zones at alpha / groups / zones, by scipy."""
    margin, seen = Margin.declared(DeclaredMargin(absolute=1.0, side="above"), "g"), set()
    rng = np.random.default_rng(37)
    for _ in range(16):
        d = rng.uniform(0.5, 3.0) + 0.6 * rng.standard_normal(5)
        v = np.column_stack([d, -d])
        got = departing.group_between(v, v, margin, alpha=0.05, step=0.0, looked_at=looked_at)
        p = float(stats.ttest_1samp(d, 1.0, alternative="greater").pvalue)
        assert [bool(x[2]) for x in got] == [p < 0.05 / looked_at / 2, False]
        low, high = stats.t.interval(0.9, 4, d.mean(), stats.sem(d))
        assert got[0][:2] == pytest.approx((low, high), rel=1e-5)
        seen.add(bool(got[0][2]))
    assert seen == {True, False}


@pytest.mark.parametrize("structure", ["pooled", "own gradient"])
def test_a_level_far_off_changes_no_p_value_of_a_declared_scatter(structure):
    """Readings of a hundred million that scatter by a tenth say what those about zero say."""
    v = 0.1 * np.random.default_rng(41).standard_normal((9, 4))
    near = declared.departure_p(v, structure)
    assert 0 < near < 1
    assert declared.departure_p(v + 1e8, structure) == pytest.approx(near, abs=5e-3)
    assert declared.departure_p(v - 1e8, structure) == pytest.approx(near, abs=5e-3)
    assert math.isnan(declared.departure_p(np.zeros((9, 4)) + 1e8, structure))
    assert math.isnan(declared.departure_p(v[:2], structure))
    assert not math.isnan(declared.departure_p(v[:3], structure))


PRECISION = Precision(kind="laboratory", level=100, unit="mg/kg", r=2.77, s_r=1.0, source="invented")


def test_what_is_decided_needs_no_more_results_than_the_depth_with_most():
    """Three and one results: a decided word stands with the number there is."""
    told = single.judge_container("P", {"upper": [100.0, 100.0, 100.0], "lower": [130.0]}, PRECISION, Margin.absolute(5.0),
                                  scatter=single.which_scatter(PRECISION, ["1"]))
    assert (told.word, told.counts, told.results_needed()) == ("stratified", (3, 1), 3)


def test_a_written_step_stands_where_numbers_are_too_large_to_have_a_grid():
    """Whole numbers of which the largest has more digits than a double; below that the grid of even numbers is two."""
    assert bounded.rounding_step([2.0, 4e16], 1.0) == 1.0
    assert bounded.rounding_step([2.0, 4e14], 1.0) == 2.0
