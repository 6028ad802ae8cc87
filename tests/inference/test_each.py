"""What is said of one container by its own readings: by how much its noise is told, and wherever limits lie."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from scipy import stats

from studykit.inference.cells import CellBounds
from studykit.inference.each import containers_beyond, own_noise, within_by_own
from studykit.inference.margin import Margin
from studykit.inference.table import read_table


def cells_of(rows: list[tuple[int, str, str]]) -> tuple[Margin, CellBounds]:
    table = pd.DataFrame(rows, columns=["container", "depth", "value"])
    return read_table(table, margin={"absolute": 1}, depths=["top", "bottom"], alpha=0.05, share=0.2, groups=[], weights=None)


def readings(limited: int) -> list[tuple[int, str, str]]:
    """Twelve containers that scatter by 0.05, two determinations a zone; in the last few the second is a limit only."""
    rng = np.random.default_rng(3)
    return [(c, z, "<12" if c >= 12 - limited and m else f"{10 + rng.normal(0, 0.05):.2f}")
            for c in range(12) for z in ("top", "bottom") for m in range(2)]


def test_where_a_limit_may_hide_any_scatter_no_container_is_within_by_its_own_readings() -> None:
    margin, cells = cells_of(readings(3))
    assert cells.noise_span is not None
    assert cells.noise_span[1] > 3  # values of 8 and 12 beside one another would be within the limits
    assert not within_by_own(cells, margin, cells.noise_se, cells.noise_df, 0.05, twice=True).any()
    margin, cells = cells_of(readings(0))
    assert within_by_own(cells, margin, cells.noise_se, cells.noise_df, 0.05, twice=True).all()


def test_a_container_that_scatters_more_has_the_noise_of_its_own_determinations() -> None:
    """By hand: variances 0 and (0.8 - 0)^2 / 2, pooled over two zones; of two determinations each, twice a half of it."""
    rows = [(c, z, v) for c in range(12) for z in ("top", "bottom") for v in ("10.0", "10.1")]
    wild = [(0, "top", "10.0"), (0, "top", "10.0"), (0, "bottom", "10.0"), (0, "bottom", "10.8")]
    _, cells = cells_of(wild + rows[4:])
    noise, least = own_noise(cells, 0.05, 0.05, twice=True)
    own = math.sqrt((0 + 0.8**2 / 2) / 2)
    assert noise[0, 0] == pytest.approx(own * math.sqrt(1 / 2 + 1 / 2), rel=1e-6)
    assert least[0, 0] == pytest.approx(2.9199856 * own, rel=1e-6)  # Student's t, 95 %, 2 degrees of freedom (tables)
    assert noise[1, 0] < 0.2


def test_a_containers_own_determinations_say_its_noise_where_it_is_more() -> None:
    """A: 10, 12 and 20, 24 and 5, 5: squares 2, 8 and 0. The pair of the first two by (2 + 8) / 2, all its zones by 10 / 3."""
    values = np.array([10.0, 12, 20, 24, 5, 5, 10, 10, 20, 20, 5, 5])
    container, depth = np.repeat([0, 1], 6), np.tile(np.repeat([0, 1, 2], 2), 2)
    cells = CellBounds.of_rows(container, depth, values, values, shape=(2, 3), margin=Margin.absolute(5), step=0.0)
    se, least = own_noise(cells, 0.1, 0.05, twice=True)
    own = math.sqrt(10 / 3)  # of two determinations a zone a difference has the variance of one
    assert se[0] == pytest.approx([math.sqrt(10 / 2), max(own, math.sqrt(2 / 2)), max(own, math.sqrt(8 / 2))])
    assert se[1] == pytest.approx([0.1] * 3)
    assert least[0] == pytest.approx([float(stats.t.isf(0.05, 3)) * own] * 3)
    assert least[1] == pytest.approx([0.0] * 3)
    plain, none = own_noise(cells, 0.1, 0.05, twice=False)
    assert plain == pytest.approx(np.full((2, 3), 0.1))
    assert not none.any()


def one_twice(scatter: float, end: float, seed: int) -> tuple[CellBounds, CellBounds]:
    """Sixteen containers at three depths, the uppermost of eight determined twice; the first lies ``end`` off in its lowest.

    The second is the same study without the second draw of that container.
    """
    rng = np.random.default_rng(seed)
    sd = np.ones((16, 3, 1))
    sd[0] = scatter
    y = sd * rng.standard_normal((16, 3, 2))
    y[0, 2] += end
    container, depth, draw = (x.ravel() for x in np.indices(y.shape))
    kept = (draw == 0) | ((depth == 0) & (container < 8))
    def of(keep: NDArray[np.bool_]) -> CellBounds:
        return CellBounds.of_rows(container[keep], depth[keep], y.ravel()[keep], y.ravel()[keep], shape=(16, 3),
                                  margin=Margin.absolute(6), step=0.0)
    return of(kept), of(kept & ~((container == 0) & (draw == 1)))


def told(cells: CellBounds) -> tuple[bool, bool]:
    """Of the first container: whether it is named beyond, and whether it is shown within."""
    margin, se, df = Margin.absolute(6), float(cells.noise_se or 0), cells.noise_df
    return (bool(containers_beyond(cells, margin, se, df, 0.05, twice=True).signs[0].any()),
            bool(within_by_own(cells, margin, se, df, 0.05, twice=True)[0]))


def rates(scatter: float, end: float) -> tuple[float, float, float, float]:
    """Per cent of 600 studies: named with and without a second draw, shown within with and without it."""
    both = [[x for pair in zip(*map(told, one_twice(scatter, end, seed)), strict=True) for x in pair] for seed in range(600)]
    return tuple((100 * np.mean(both, axis=0)).tolist())


@pytest.mark.slow
def test_a_second_draw_that_agrees_with_the_first_names_more_and_clears_more() -> None:
    """A t test on the one degree of freedom of a duplicate (6.3 times its scatter) had un-named half of such containers."""
    named, alone, _, _ = rates(1, 12)
    assert named > alone > 40
    _, _, within, single = rates(1, 0)
    assert within > single - 2 > 85


@pytest.mark.slow
def test_a_second_draw_keeps_a_container_that_scatters_more_from_being_named_as_often() -> None:
    """At the margin, with three and five times the scatter: half as often and less as of a container drawn once."""
    for scatter, most in ((3, 9.0), (5, 13.0)):
        named, alone, within, single = rates(scatter, 6)
        assert named < most
        assert alone > 1.5 * named
        assert within < single


def test_a_duplicate_far_apart_is_a_scatter_of_its_own() -> None:
    """By hand: eleven 0.1 apart and one 1.0, F = 100 on 1 and 11; one 0.15 apart, F = 2.25, is as the others."""
    for apart, own in ((1.0, True), (0.15, False)):
        rows = [(c, "top", f"{10 + x:.2f}") for c in range(12) for x in (0, apart if c == 0 else 0.1)]
        _, cells = cells_of(rows + [(c, "bottom", "10") for c in range(12)])
        noise, least = own_noise(cells, 0.1, 0.05, twice=True)
        assert least[0, 0] == pytest.approx(6.3137515 * apart / math.sqrt(2) * math.sqrt(1.5) if own else 0)  # t, 95 %, 1 df
        assert bool(noise[0, 0] > noise[1, 0]) is own
