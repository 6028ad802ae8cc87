"""Many responses at once: each as it is alone, steps and Kenward-Roger by their definitions on small random tables."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pandas as pd
import pytest

from studykit.mixed.batch.chain import Chain, Point, build_chain, chain_data, point_at, rough_start
from studykit.mixed.batch.fit import BatchDesign
from studykit.mixed.batch.newton import _solved, kenward_roger, newton_step, solve
from studykit.mixed.batch.strata import balanced_strata, nested_order
from studykit.mixed.design import Design, build_design
from tests.mixed.dense import kenward_roger as dense_kenward_roger
from tests.mixed.dense import moment_ratios

TERMS = {"containers": ["container"], "cells": ["container", "container:depth"],
         "lots": ["lot", "container", "container:depth"]}


def nested(name: str, seed: int = 1) -> tuple[Design, tuple[int, ...], Chain]:
    """Eight containers of three lots, three depths, one to three determinations, in no order."""
    rng = np.random.default_rng(seed)
    c, d, r = np.indices((8, 3, 3)).reshape(3, -1)
    rows = pd.DataFrame({"container": [f"C{i}" for i in c], "depth": [f"D{i}" for i in d], "lot": [f"L{i % 3}" for i in c]})
    rows = rows[r <= rng.integers(0, 3, (8, 3))[c, d]].sample(frac=0.95, random_state=seed).reset_index(drop=True)
    design = build_design(rows, ["depth"], TERMS[name])
    order = nested_order(design.terms)
    assert order is not None
    return design, order, build_chain(design, order)


def responses(design: Design, many: int, seed: int = 1) -> np.ndarray:
    """What least squares leaves of responses whose terms scatter as much as their determinations."""
    rng = np.random.default_rng(seed)
    Y = rng.normal(size=(design.n, many)) + sum(
        rng.choice([0.0, 1.0], many) * rng.normal(size=(len(t.levels), many))[t.codes] for t in design.terms)
    return np.asarray(Y - design.Q @ (design.Q.T @ Y))


@pytest.mark.parametrize("name", TERMS)
def test_a_response_among_many_is_what_it_is_alone(name: str) -> None:
    """Points, steps and minima of four together and of each by itself."""
    design, _, chain = nested(name)
    Y = responses(design, 4)
    gamma = np.random.default_rng(3).uniform(0, 1, (len(chain.terms), 4)) * (np.arange(4) % 3 > 0)
    together = point_at(chain, chain_data(chain, Y), gamma)
    steps, (final, settled) = newton_step(together), solve(chain, chain_data(chain, Y), gamma)
    assert settled.all()
    for r in range(4):
        data, own = chain_data(chain, Y[:, [r]]), gamma[:, [r]]
        alone = point_at(chain, data, own)
        for f in fields(Point):
            whole = getattr(together, f.name)
            np.testing.assert_allclose(whole[:, r] if f.name == "gamma" else whole[r],
                                       getattr(alone, f.name)[:, 0] if f.name == "gamma" else getattr(alone, f.name)[0],
                                       rtol=1e-9, atol=1e-9)
        np.testing.assert_allclose(steps[:, r], newton_step(alone)[:, 0], rtol=1e-6, atol=1e-9)
        least, _ = solve(chain, data, own)
        assert pytest.approx(least.D[0], abs=1e-9) == final.D[r]
        np.testing.assert_allclose(final.gamma[:, r], least.gamma[:, 0], atol=1e-6)


@pytest.mark.parametrize("name", TERMS)
def test_starts_are_moment_estimates_by_their_definition(name: str) -> None:
    design, order, chain = nested(name, 2)
    Y = responses(design, 20, 4)
    Y[:, 0] += 100 * np.sin(design.terms[order[-1]].codes)  # a residual counts as a hundredth of the total at least
    Y -= design.Q @ (design.Q.T @ Y)
    found = rough_start(chain, design)(Y)
    np.testing.assert_allclose(found.T, [moment_ratios(design, order, y) for y in Y.T], atol=1e-8)
    assert (found == 0).any()
    assert (found > 0).any()


@pytest.mark.parametrize("name", TERMS)
def test_kenward_roger_by_its_definition(name: str) -> None:
    """Each response has ratios of its own, a zero among them; rows of contrasts together."""
    design, order, chain = nested(name, 3)
    gamma = np.random.default_rng(5).uniform(0.1, 2.0, (len(order), 3))
    gamma[-1, 2] = 0.0
    rows = np.array([[0.3, 1.0, -0.5], [0.0, 0.2, 1.0]])
    v, df = kenward_roger(chain, gamma, rows)
    for r in range(3):
        theta = np.append(1.0, np.zeros(len(order)))
        theta[1 + np.array(order)] = gamma[:, r]
        want = [dense_kenward_roger(design, design.Q, theta, row) for row in rows]
        np.testing.assert_allclose(np.column_stack([v[:, r], df[:, r]]), want, rtol=1e-7)


def quadratic(seed: int, k: int, many: int) -> Point:
    """Points of random convex quadratics, some ratios at zero."""
    rng = np.random.default_rng(seed)
    half = rng.normal(size=(many, k, k))
    gamma = rng.uniform(0.1, 1.0, (k, many)) * (rng.random((k, many)) < 0.6)
    H = half @ np.swapaxes(half, 1, 2) + 0.3 * np.eye(k)
    nothing = np.zeros(many)
    return Point(gamma=gamma, D=nothing, gradient=2 * rng.normal(size=(many, k)), hessian=H, q=nothing, beta=nothing)


@pytest.mark.parametrize("k", [1, 2, 3])
def test_a_step_is_newtons_in_what_stays_above_zero_and_the_rest_goes_to_zero(k: int) -> None:
    point = quadratic(k, k, 200)
    step = newton_step(point)
    slope = point.gradient.T + np.einsum("rkl,lr->kr", point.hessian, step)
    held = (point.gamma == 0) & (point.gradient.T >= 0)
    zero = point.gamma + step == 0
    assert (point.gamma + step >= 0).all()
    assert not step[held].any()
    np.testing.assert_allclose(slope[~zero], 0.0, atol=1e-8)
    assert 20 < (zero & ~held).sum() < 180 * k
    assert (~zero).any(axis=0).sum() > 20


def test_a_step_along_hardly_any_curvature_is_short_and_others_are_whole() -> None:
    """On the scale of ratio + 0.1 no longer than 2 in any direction, but only where a curvature is nearly none."""
    gamma = np.array([[0.4, 0.9], [0.4, 0.9], [0.4, 0.9]])
    scale, g = gamma + 0.1, np.array([[3.0, 1.0], [3.0, 1.0], [0.001, 0.002]])
    flat, round_ = np.diag([1e-9, 1.0]), np.diag([0.01, 0.02])
    H = np.array([flat, round_, flat]) / scale[:, :, None] / scale[:, None, :]
    step = _solved(H, g / scale, gamma) / scale
    np.testing.assert_allclose(np.abs(step[0]).max(), 2.0)
    np.testing.assert_allclose(step[0] / 2.0, np.array([3.0 / 1e-8, 1.0]) / (3.0 / 1e-8))
    np.testing.assert_allclose(step[1], [300.0, 50.0])
    np.testing.assert_allclose(np.abs(step[2]).max(), 2.0)
    down = _solved(-H[1:2], g[1:2] / scale[1:2], gamma[1:2]) / scale[1:2]
    np.testing.assert_allclose(down[0], [300.0, 50.0])  # a curvature below zero counts by its size: the step leads down
    short = _solved(np.array([flat]) / scale[0][:, None] / scale[0], np.array([[1e-8, 0.5]]) / scale[:1], gamma[:1])
    np.testing.assert_allclose(short[0] / scale[0], [1.0, 0.5])  # it is short as it stands


def test_the_fixed_part_splits_along_the_strata_into_projectors() -> None:
    """Shares are 0 or 1 in some basis, and add up to the identity; where a fixed column crosses strata, there are none."""
    c, d, _ = np.indices((6, 3, 2)).reshape(3, -1)
    rows = pd.DataFrame({"container": [f"C{i}" for i in c], "depth": [f"D{i}" for i in d], "age": (c * 7 % 5).astype(float),
                         "draw": np.cos(1.7 * np.arange(36))}).sample(frac=1, random_state=1).reset_index(drop=True)
    strata = balanced_strata(build_design(rows, ["depth", "age", "depth:age"], ["container", "container:depth"]))
    assert strata is not None
    np.testing.assert_allclose(strata.C.sum(axis=0), np.eye(6), atol=1e-10)
    for C, part in zip(strata.C, strata.parts, strict=True):
        np.testing.assert_allclose(C @ C, C, atol=1e-10)
        np.testing.assert_allclose(part @ part.T, C, atol=1e-10)
    # analysis of variance by hand: determinations 18; cells 18 - 6 - 2 depths - 2 depth:age; containers 6 - mean - age
    assert strata.df.tolist() == [18, 8, 4]
    assert balanced_strata(build_design(rows, ["depth", "draw"], ["container", "container:depth"])) is None


@pytest.mark.parametrize("lost", [0, 5])
def test_responses_in_another_order_scaled_and_shifted_by_powers_of_two_are_the_same(lost: int) -> None:
    """Scaling by 2**k changes no digit of a ratio; a response is found where it stands; an offset moves the intercept only."""
    c, d, _ = np.indices((6, 3, 2)).reshape(3, -1)
    rows = pd.DataFrame({"container": [f"C{i}" for i in c], "depth": [f"D{i}" for i in d]}).iloc[lost:].reset_index(drop=True)
    batch = BatchDesign.from_table(rows, ["depth"], TERMS["cells"])
    rng = np.random.default_rng(6)
    Y = rng.normal(size=(len(rows), 5)) + rng.normal(size=(6, 5))[c[lost:]]
    fits, order = batch.fit(Y), np.array([3, 0, 4, 2, 1])
    moved = batch.fit(Y[:, order] * 2.0**20)
    np.testing.assert_allclose(moved.variances / 2.0**40, fits.variances[order], rtol=1e-6, atol=1e-12)
    np.testing.assert_allclose(moved.criterion - 2 * (len(rows) - 3) * 20 * np.log(2.0), fits.criterion[order], atol=1e-8)
    rest = np.eye(3)[1:]
    a, b, far = (batch.contrast(f, rest) for f in (fits, moved, batch.fit(Y + 1024.0)))
    for got, unit, at in ((b, 2.0**20, order), (far, 1.0, np.arange(5))):
        np.testing.assert_allclose(got.estimate / unit, a.estimate[at], atol=1e-9)
        np.testing.assert_allclose(got.se / unit, a.se[at], rtol=1e-6)
        np.testing.assert_allclose(got.df, a.df[at], rtol=1e-5)
    np.testing.assert_allclose(batch.fit(Y + 1024.0).beta - fits.beta, np.tile([1024.0, 0, 0], (5, 1)), atol=1e-8)
