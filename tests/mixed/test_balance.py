"""Nested and balanced designs are told from others, and where one minimum is promised a second start finds no other."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from studykit.mixed.balance import chain, one_minimum
from studykit.mixed.blocks import compress
from studykit.mixed.design import build_design
from studykit.mixed.fit import best_state, fit_design, fit_reml
from studykit.mixed.woodbury import components

NESTED = ["container", "container:depth"]


def table(containers: int, depths: int, replicates: int, seed: int, sd: float = 0.5) -> pd.DataFrame:
    """A simulated study (invented numbers) with a lot and an age a container."""
    rng = np.random.default_rng(seed)
    c, d, _ = np.indices((containers, depths, replicates)).reshape(3, -1)
    y = 0.3 * d + sd * rng.normal(size=containers)[c] + rng.normal(size=len(c))
    y += 0.4 * rng.random() * rng.normal(size=containers * depths)[c * depths + d]
    return pd.DataFrame({"y": y, "container": [f"C{i}" for i in c], "depth": [f"D{i}" for i in d], "age": c % 3 * 6.0,
                         "lot": [f"L{i % 2}" for i in c], "run": [f"R{i}" for i in rng.permutation(len(c)) % 4],
                         "x": rng.normal(size=len(c))})


def promised(frame: pd.DataFrame, fixed: list[str], random: list[str]) -> bool:
    d = build_design(frame, fixed, random)
    return one_minimum([t.codes for t in d.terms], d.Q)


@pytest.mark.parametrize("fixed", [[], ["depth"], ["depth", "age"], ["depth", "lot", "depth:lot"],
                                   ["depth", "age", "depth:age"]])
@pytest.mark.parametrize("random", [["container"], NESTED, NESTED[::-1], ["container:depth"]])
def test_balanced_nested_designs_are_known(fixed: list[str], random: list[str]) -> None:
    assert promised(table(6, 3, 2, 1), fixed, random)


@pytest.mark.parametrize(("rows", "fixed", "random", "why"), [
    (slice(1, None), ["depth"], NESTED, "a lost determination"),
    (slice(6, None), ["depth", "x"], NESTED, "a column that changes within the finest term"),
    (slice(None), ["depth"], ["container", "run"], "terms that cross"),
    (slice(2, None), [], ["container"], "containers of different size"),
])
def test_others_are_not(rows: slice, fixed: list[str], random: list[str], why: str) -> None:
    assert not promised(table(6, 3, 2, 1).iloc[rows].reset_index(drop=True), fixed, random), why


def test_levels_of_equal_size_need_not_be_nested() -> None:
    coarse, fine = np.repeat([0, 1, 2], 4), np.repeat(np.arange(6), 2)
    found = chain([fine, coarse])
    assert found is not None
    assert [f.tolist() for f in found] == [coarse.tolist(), fine.tolist()]
    assert chain([coarse, np.tile([0, 1, 2, 3], 3)]) is None


@pytest.mark.few(10)
@pytest.mark.parametrize("seed", range(40))
def test_a_second_start_finds_nothing_lower_where_one_minimum_is_promised(seed: int) -> None:
    """Half of the studies have no scatter between containers, so that variances rest at zero."""
    frame = table(3 + seed % 5, 2 + seed % 3, 2, seed, sd=0.0 if seed % 2 else 0.7)
    for fixed in (["depth"], ["depth", "lot"]):
        d = build_design(frame, fixed, NESTED)
        z = (frame["y"] - frame["y"].mean()) / frame["y"].std(ddof=0)
        blocks = compress([t.codes for t in d.terms], np.column_stack([d.Q, z]))
        once, twice = (best_state(blocks, ("residual", *NESTED), once=o) for o in (True, False))
        assert one_minimum([t.codes for t in d.terms], d.Q)
        assert np.array_equal(once[0].theta == 0, twice[0].theta == 0)
        np.testing.assert_allclose(once[0].theta, twice[0].theta, rtol=1e-8)  # both stop at a step below 1e-9
        assert once[1] < twice[1]


def test_the_estimates_are_those_of_the_analysis_of_variance() -> None:
    """Balanced, estimates positive: REML is the analysis of variance (Searle, Casella and McCulloch 1992, from memory)."""
    frame = table(9, 3, 4, 2, sd=2.0)
    cell, box = (frame.groupby(k)["y"].transform("mean") for k in (["container", "depth"], "container"))
    zone, whole = frame.groupby("depth")["y"].transform("mean"), frame["y"].mean()
    within = float(((frame["y"] - cell) ** 2).sum() / (9 * 3 * 3))
    between = float(((cell - box - zone + whole) ** 2).sum() / 16)
    boxes = float(((box - whole) ** 2).sum() / 8)
    fit = fit_reml(frame, "y", ["depth"], NESTED)
    wanted = {"residual": within, "container:depth": (between - within) / 4, "container": (boxes - between) / 12}
    assert min(wanted.values()) > 0
    for name, value in wanted.items():
        assert fit.variances[name] == pytest.approx(value, rel=1e-9)
    assert fit.iterations == 2  # the first step is Fisher's, which ends there


def test_lost_rows_still_get_a_second_start() -> None:
    frame = table(6, 3, 2, 1)
    whole, lost = (build_design(f, ["depth"], NESTED) for f in (frame, frame.iloc[1:]))
    assert fit_design(lost, frame["y"].to_numpy()[1:]).iterations > fit_design(whole, frame["y"].to_numpy()).iterations


@pytest.mark.parametrize("seed", range(20))
def test_pieces_of_nested_terms_are_those_of_the_graph(seed: int) -> None:
    """Reference: scipy's connected components of cells and levels, whose labels come by first appearance."""
    rng = np.random.default_rng(seed)
    fine = np.unique(rng.integers(0, 15, 40), return_inverse=True)[1]
    terms = [np.unique(rng.integers(0, 5, 15)[fine], return_inverse=True)[1], fine][:: 1 if seed % 2 else -1]
    offsets = np.cumsum([40, *(int(t.max()) + 1 for t in terms)])
    columns = np.concatenate([t + o for t, o in zip(terms, offsets[:-1], strict=True)])
    graph = sparse.csr_array((np.ones(80), (np.tile(np.arange(40), 2), columns)), shape=(offsets[-1],) * 2)
    assert components(terms, 40).tolist() == connected_components(graph, directed=False)[1][:40].tolist()


def test_groups_of_unlike_size_are_not_balanced_even_where_the_fixed_part_knows_their_sizes() -> None:
    """Two containers of two rows in one lot, two of three in the other, the lots fixed; of three each there is one minimum."""
    for sizes, one in (((2, 2, 3, 3), False), ((3, 3, 2, 2), False), ((3, 3, 3, 3), True)):
        code = np.repeat(np.arange(4), sizes)
        lots = np.eye(2)[code // 2]
        assert one_minimum([code], lots / np.sqrt(lots.sum(axis=0))) == one
