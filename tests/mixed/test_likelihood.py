"""Sums and derivatives of the restricted likelihood by their definitions, with n x n matrices, on small random tables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest

import studykit.mixed.blocks as remlblocks
from studykit.core.errors import DesignMismatch
from studykit.mixed.blocks import Blocks, cell_means, compress, moments, with_data
from studykit.mixed.design import Design, build_design
from studykit.mixed.fit import _in_step
from studykit.mixed.likelihood import State, _cut_short, _step, free_components, residual_is_there, search, state_at
from studykit.mixed.results import predicted
from studykit.mixed.woodbury import Moments, choose_border, components, joint_cells, largest_piece
from tests.mixed.dense import defined, products

CASES = {
    "nested": ["container", "container:depth"], "three levels": ["lot", "container", "container:depth"],
    "crossed": ["container", "run"], "crossed and nested": ["run", "container", "container:depth"],
    "slopes": ["age | container"], "slopes and runs": ["age | container", "run"]}


def table(seed: int, keep: float = 0.8) -> pd.DataFrame:
    """Rows of six containers of two lots, three depths, two determinations, some lost, in no order."""
    rng = np.random.default_rng(seed)
    c, d, r = np.indices((6, 3, 2)).reshape(3, -1)
    rows = pd.DataFrame({"container": [f"C{i}" for i in c], "depth": [f"D{i}" for i in d], "lot": [f"L{i % 2}" for i in c],
                         "run": [f"R{i}" for i in rng.integers(0, 3, len(c))], "age": (c + 2.0 * d + r) % 5,
                         "y": rng.normal(size=len(c)) + 0.7 * rng.normal(size=6)[c]})
    return rows.sample(frac=keep, random_state=seed).reset_index(drop=True)


def parts(name: str, seed: int, border: Sequence[int] | None = ()) -> tuple[Design, np.ndarray, Blocks]:
    """The design of a case, its data [Q z] and their compressed form."""
    rows = table(seed)
    design = build_design(rows, ["depth"], CASES[name])
    y = rows["y"].to_numpy()
    A = np.column_stack([design.Q, (y - y.mean()) / y.std()])
    return design, A, compress([t.codes for t in design.terms], A, border, [t.slope for t in design.terms], design.pairs)


def some_theta(design: Design, seed: int, zero: int | None = None) -> np.ndarray:
    theta = np.random.default_rng(seed).uniform(0.2, 1.0, 1 + len(design.terms) + len(design.pairs))
    theta[1 + len(design.terms):] *= 0.2  # a covariance that is below the root of the product of its variances
    if zero is not None:
        theta[zero] = 0.0
    return theta


def assert_agree(found: Moments, want: Moments) -> None:
    for part in ("logdet", "S", "S1", "S2", "t1", "t2"):
        np.testing.assert_allclose(getattr(found, part), getattr(want, part), rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize("name", CASES)
def test_sums_are_those_of_their_definition(name: str) -> None:
    for seed in range(3):
        design, A, blocks = parts(name, seed)
        theta = some_theta(design, seed, zero=2 if seed == 2 and not design.pairs else None)
        assert_agree(moments(blocks, theta), defined(design, A, theta))
        other = np.column_stack([A[:, :1], A[:, -1] ** 2])
        assert_agree(moments(with_data(blocks, other), theta), defined(design, other, theta))


@pytest.mark.parametrize(("name", "border"), [("crossed", (0,)), ("crossed", (0, 1)), ("crossed and nested", (0,)),
                                              ("crossed and nested", (0, 1)), ("three levels", (1,))])
def test_sums_with_absorbed_terms_are_those_of_their_definition(name: str, border: tuple[int, ...]) -> None:
    for seed, zero in ((3, None), (4, border[0] + 1)):
        design, A, blocks = parts(name, seed, border)
        assert blocks.border == border
        theta = some_theta(design, seed, zero)
        assert_agree(moments(blocks, theta), defined(design, A, theta))
        other = np.column_stack([A[:, :1], A[:, -1] ** 2])
        assert_agree(moments(with_data(blocks, other), theta), defined(design, other, theta))


@pytest.mark.parametrize("name", ["crossed", "slopes and runs"])
def test_sums_of_one_large_block_are_those_of_their_definition(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(remlblocks, "STACK_LIMIT", 1)
    design, A, blocks = parts(name, 5)
    assert not isinstance(blocks.groups[0].Z, np.ndarray)
    theta = some_theta(design, 5)
    assert_agree(moments(blocks, theta), defined(design, A, theta))


def test_many_blocks_of_one_pattern_are_reduced_without_loss() -> None:
    """Forty alike containers hold more rows of data than one pattern needs; what a few unlike ones hold stays."""
    c, d, r = np.indices((40, 2, 2)).reshape(3, -1)
    rows = pd.DataFrame({"container": [f"C{i:02}" for i in c], "depth": [f"D{i}" for i in d]})
    rows = rows[(c > 1) | (d == 0) | (r == 0)].sample(frac=1, random_state=2).reset_index(drop=True)
    design = build_design(rows, ["depth"], ["container", "container:depth"])
    A = np.column_stack([design.Q, np.random.default_rng(1).normal(size=(len(rows), 1))])
    blocks = compress([t.codes for t in design.terms], A)
    assert sum(len(g.A) for g in blocks.groups) < 15
    assert sorted(g.count.tolist() for g in blocks.groups) == [[2.0, 38.0]]
    theta = np.array([0.3, 0.5, 0.2])
    assert_agree(moments(blocks, theta), defined(design, A, theta))
    assert blocks.df_within == len(rows) - len(rows.drop_duplicates())
    means = rows.assign(z=A[:, -1]).groupby(["container", "depth"])["z"].agg(lambda z: z.sum() / np.sqrt(len(z)))
    assert sorted(cell_means(blocks, A)[:, -1]) == pytest.approx(sorted(means))


@pytest.mark.parametrize("name", ["three levels", "crossed", "slopes"])
def test_gradient_and_informations_by_their_definitions(name: str) -> None:
    """Gilmour, Thompson & Cullis 1995: with P = W - WX(X'WX)^-1 X'W, dD = tr PG - y'PGPy, A = y'PGPHPy, E = tr PGPH."""
    design, data, blocks = parts(name, 6)
    theta = some_theta(design, 6)
    X, y, G = data[:, :-1], data[:, -1], products(design)
    W = np.linalg.inv(np.einsum("i,iab->ab", theta, G))
    P = W - W @ X @ np.linalg.solve(X.T @ W @ X, X.T @ W)
    s = state_at(blocks, theta)
    assert pytest.approx(-np.linalg.slogdet(W)[1] + np.linalg.slogdet(X.T @ W @ X)[1] + y @ P @ y, abs=1e-9) == s.D
    np.testing.assert_allclose(s.gradient, [np.trace(P @ g) - y @ P @ g @ P @ y for g in G], atol=1e-8)
    np.testing.assert_allclose(s.A, [[y @ P @ g @ P @ h @ P @ y for h in G] for g in G], atol=1e-8)
    np.testing.assert_allclose(s.E, [[np.trace(P @ g @ P @ h) for h in G] for g in G], atol=1e-8)
    np.testing.assert_allclose(s.beta, np.linalg.solve(X.T @ W @ X, X.T @ W @ y), atol=1e-10)
    np.testing.assert_allclose(s.Phi, np.linalg.inv(X.T @ W @ X), atol=1e-10)
    steps = 1e-5 * np.eye(len(theta))
    slopes = [(state_at(blocks, theta + h).gradient - state_at(blocks, theta - h).gradient) / 2e-5 for h in steps]
    np.testing.assert_allclose(s.hessian, slopes, atol=1e-5)


@pytest.mark.parametrize(("name", "border"), [
    ("three levels", ()), ("crossed", (0,)), ("crossed", (0, 1)), ("crossed and nested", (0, 1)), ("crossed and nested", (0,)),
    ("slopes and runs", ())])
def test_effects_and_their_errors_by_their_definitions(name: str, border: tuple[int, ...]) -> None:
    """Henderson 1975: with C the covariance of the effects with y, C'Py and the variances of the effects less C'PC."""
    design, data, blocks = parts(name, 8, border)
    theta = some_theta(design, 8)
    X, y = data[:, :-1], data[:, -1]
    W = np.linalg.inv(np.einsum("i,iab->ab", theta, products(design)))
    P = W - W @ X @ np.linalg.solve(X.T @ W @ X, X.T @ W)
    Z = [(t.codes[:, None] == np.arange(len(t.levels))) * (1.0 if t.slope is None else t.slope[:, None]) for t in design.terms]
    state = state_at(blocks, theta)
    for i, term in enumerate(design.terms):
        C = theta[i + 1] * Z[i]
        for c, (a, b) in enumerate(design.pairs, start=1 + len(Z)):
            C = C + (theta[c] * Z[a + b - i] if i in (a, b) else 0.0)
        found = predicted(design, blocks, state, y, term.name, 3.0 * term.unit)
        assert found.levels == term.levels
        np.testing.assert_allclose(found.values, 3 * C.T @ P @ y, atol=1e-9)
        np.testing.assert_allclose(found.prediction_error, 3 * np.sqrt(theta[i + 1] - np.diag(C.T @ P @ C)), atol=1e-9)


@pytest.mark.parametrize(("level", "slope", "both", "told"), [
    (0.5, 0.5, 0.5, True), (0.5, 0.02, -0.1, True), (0.5, 0.5, 0.2, False), (0.5, 0.0, 0.0, False), (0.0, 0.0, 0.0, False)])
def test_effects_move_in_step_where_their_correlation_is_one_and_neither_variance_zero(
        level: float, slope: float, both: float, told: bool) -> None:
    design = parts("slopes", 1)[0]
    for unit in (2.0**-30, 1.0, 2.0**30):
        found = _in_step(design, unit * np.array([1.0, level, slope, both]))
        assert found == (("container, age | container",) if told else ())


def invented(seed: int, k: int) -> tuple[State, np.ndarray]:
    """A state with any gradient and any informations, some components at zero, and what is free there."""
    rng = np.random.default_rng(seed)
    theta, half = rng.uniform(0.1, 1.0, k), rng.normal(size=(2, k, k + 2))
    theta[1:] *= rng.random(k - 1) < 0.6
    A, E = half @ np.swapaxes(half, 1, 2)
    nothing = Moments(logdet=0.0, S=A, S1=A, S2=A, t1=A, t2=A)
    state = State(theta=theta, D=0.0, gradient=3 * rng.normal(size=k), A=A, E=E, beta=theta, Phi=A, m=nothing)
    return state, free_components(state)


def test_a_step_cut_short_leads_down_and_ends_where_the_first_component_reaches_zero() -> None:
    """Along the step of Newton's method in all components that can move, by the average of both informations."""
    stuck = cut = 0
    for seed in range(200):
        state, free = invented(seed, 4)
        step = _cut_short(state, free)
        moved = step != 0
        assert (state.theta + step >= -1e-12).all()
        assert not (step[~free]).any()
        assert moved[free & (state.theta > 0)].all()
        ix = np.ix_(free, free)
        first = -np.linalg.solve((state.A + state.E)[ix] / 2, state.gradient[free])
        if not (first[state.theta[free] == 0] < 0).any():
            assert moved[free].all()  # none is stuck
        ix = np.ix_(moved, moved)
        whole = -np.linalg.solve((state.A + state.E)[ix] / 2, state.gradient[moved])
        t = min([1.0, *(state.theta[moved] / -whole)[whole < 0]])
        whole *= t
        if moved[0]:
            whole[0] = max(whole[0], -0.9 * state.theta[0])
        np.testing.assert_allclose(step[moved], whole, rtol=1e-9)
        stuck, cut = stuck + bool((free & ~moved).any()), cut + (t < 1)
    assert stuck > 10
    assert 10 < cut < 200


@pytest.mark.parametrize(("share", "directions", "kept"), [
    (0.5, 1.0, True), (1e-3, 1e-9, True), (5e-5, 1.0, True), (5e-5, 2e-3, True), (5e-5, 5e-4, False), (1e-11, 1.0, True),
    (1e-13, 5.0, False)])
def test_a_residual_of_next_to_nothing_needs_directions_of_its_own(share: float, directions: float, kept: bool) -> None:
    """Where V has c directions of the residual r alone, E = c / r^2; whatever the unit."""
    for unit in (1.0, 2.0**20):
        state, _ = invented(1, 3)
        theta = unit * np.array([share, 0.4 * (1 - share), 0.6 * (1 - share)])
        E = np.diag([directions / theta[0] ** 2, 1.0, 1.0])
        if kept:
            residual_is_there(replace(state, theta=theta, E=E))
        else:
            with pytest.raises(DesignMismatch, match="the residual scatter is estimated as zero"):
                residual_is_there(replace(state, theta=theta, E=E))


def test_a_bounded_step_solves_for_those_that_stay_above_zero() -> None:
    """Components pushed below zero go to zero exactly; the derivative of the quadratic is zero in all others."""
    bent = 0
    for seed in range(200):
        state, free = invented(seed, 4)
        step = _step(state, free)
        H = state.hessian[np.ix_(free, free)]
        scale = np.sqrt(np.diag(state.E)[free])
        if np.linalg.eigvalsh(H / np.outer(scale, scale))[0] < 1e-6:
            H = (state.A + state.E)[np.ix_(free, free)] / 2
        assert not step[~free].any()
        assert (state.theta[1:] + step[1:] >= -1e-12).all()
        assert step[0] >= -0.9 * state.theta[0]
        if step[0] == -0.9 * state.theta[0]:
            continue  # the residual is held back afterwards
        left = (free & (state.theta + step > 1e-12))[free]
        np.testing.assert_allclose((state.gradient[free] + H @ step[free])[left], 0.0, atol=1e-8)
        bent += not left.all()
    assert bent > 20


def test_a_start_far_below_and_far_above_leads_to_the_same_minimum() -> None:
    for name in ("three levels", "crossed"):
        _, _, blocks = parts(name, 7)
        k = blocks.k
        ends = [search(blocks, state_at(blocks, np.append(r, np.full(k, v))))[0] for r in (0.5, 2.0) for v in (0.0, 0.01, 3.0)]
        for a, b in pairwise(ends):
            assert pytest.approx(b.D, abs=1e-9) == a.D
            np.testing.assert_allclose(a.theta, b.theta, atol=1e-6)


def test_pieces_and_cells_are_those_that_share_levels() -> None:
    """Cells linked through any shared level, found by closing the relation by hand."""
    for seed in range(20):
        rng = np.random.default_rng(seed)
        codes = [np.unique(rng.integers(0, 5, 8), return_inverse=True)[1] for _ in range(2)]
        linked = (codes[0][:, None] == codes[0]) | (codes[1][:, None] == codes[1])
        for _ in range(8):
            linked = (linked.astype(int) @ linked) > 0
        found = components(codes, 8)
        np.testing.assert_array_equal(found[:, None] == found, linked)
        first, cell = joint_cells(codes)
        both = list(zip(*codes, strict=True))
        assert [both[first[c]] for c in cell] == both
        assert len(first) == len(set(both))
        distinct = sorted(set(both))
        assert largest_piece(codes) == max(len({distinct.index(both[j]) for j in np.flatnonzero(row)}) for row in linked)


def test_a_run_over_all_containers_is_absorbed_and_containers_are_not() -> None:
    c, d, r = np.indices((40, 3, 2)).reshape(3, -1)
    assert choose_border([c, (7 * c + d) % 5]) == (1,)
    assert choose_border([(7 * c + d) % 5, c]) == (0,)
    assert choose_border([c, 3 * c + d]) == ()  # nested: no piece is large
    assert choose_border([c[:60], (7 * c[:60] + d[:60]) % 5]) == ()  # so few rows need none
    assert choose_border([np.arange(240) % 80, r + 2 * d + 6 * (c % 13)]) == ()  # as many columns as rows would save
