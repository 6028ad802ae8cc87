"""A move of the sliders: the cheapest design as the search over all finds it, one study as the rule judges it."""

from __future__ import annotations

import numpy as np
import pytest

from studykit.design import operating
from studykit.design.cheapest import Aim, Costs, Limits, cheapest, right_chance
from studykit.design.operating import DesignSize, _studies, chances
from studykit.design.world import DIFFERENCES, FEWEST_STUDIES, MOST_STUDIES, about_cheapest, drawn_study, explore, few
from studykit.study.definition import Assumption

COSTS = Costs(container=40, sample=10, determination=6)
GRID = Limits(depths=(3,), max_containers=30)


def aim(**guess: float) -> Aim:
    return Aim(analyte="x", guess=Assumption(**({"s_r": 1.0} | guess)), margin=2.0)


@pytest.mark.parametrize("guess", [{}, {"sd_container_depth": 1.0}, {"gradient": 1.0}, {"s_r": 3.0},
                                   {"gradient": 4.0, "sd_container_depth": 0.5}])
def test_halving_finds_what_trying_every_design_finds(guess) -> None:
    a = aim(**guess)
    slow, fast = cheapest((a,), COSTS, GRID, few=1).found, about_cheapest(a, COSTS, GRID)
    if slow is None or fast is None:
        assert slow is fast
        return
    # both count simulated studies, of which the sliders take the first quarter: apart by no more than its error
    assert right_chance(a, fast.size) > 0.8 - 3 * 0.4 / np.sqrt(few(3))
    assert fast.cost == pytest.approx(slow.cost, rel=0.1)


def test_a_move_is_work_for_a_tenth_of_a_second_at_the_ends_too(monkeypatch) -> None:
    """Counted, not timed: designs whose simulated studies are judged. Each takes up to 4 ms there (bench_sliders)."""
    calls: list[DesignSize] = []
    monkeypatch.setattr(operating, "_made", lambda size, *a, made=operating._made: (calls.append(size), made(size, *a))[1])
    most = Limits(depths=(7,), max_containers=60, max_replicates=4)
    for guess in ({"s_r": 0.02}, {"s_r": 2.0}, {"s_r": 8.0, "gradient": 8.0}, {"s_r": 3.0, "sd_container_depth": 3.0}):
        calls.clear()
        explore(aim(**guess), DesignSize(containers=60, depths=7, replicates=8), COSTS, most)
        assert 0 < len(calls) <= 13 + 3 + 24


def test_where_no_design_will_do_none_is_named() -> None:
    assert about_cheapest(Aim(analyte="x", guess=Assumption(s_r=5.0), margin=0.1), COSTS, GRID) is None


def test_the_first_studies_are_those_of_the_tables() -> None:
    whole, part = _studies(7, 4, "unstructured"), _studies(7, 4, "unstructured", 100)
    assert np.array_equal(whole.estimate[:100], part.estimate)
    assert np.array_equal(whole.se[:100], part.se)
    more = _studies(70, 3, "unstructured", 100)  # more than are drawn at once
    assert np.array_equal(more.estimate, _studies(70, 3, "unstructured").estimate[:100])


@pytest.mark.slow
@pytest.mark.parametrize("size", [DesignSize(containers=8, depths=3), DesignSize(containers=1, depths=3, replicates=2)])
def test_words_of_studies_drawn_come_as_often_as_their_chances_say(size) -> None:
    own = 0.0 if size.containers == 1 else 0.4  # one container's own profile is what is judged, and no scatter
    a = aim(gradient=1.2, sd_container=9.0, sd_container_depth=own)
    words = [drawn_study(a, size, k).word for k in range(600)]
    for word in ("homogeneous", "stratified"):
        p = getattr(chances(size, a.guess, a.margin), word)
        assert words.count(word) / 600 == pytest.approx(p, abs=4 * np.sqrt(max(p * (1 - p), 1e-3) / 600))


def test_the_same_number_scatters_the_same_way_in_every_size() -> None:
    a, small, large = aim(sd_container_depth=0.4), DesignSize(containers=4, depths=3), DesignSize(containers=9, depths=3)
    assert np.array_equal(drawn_study(a, small, 5).cells, drawn_study(a, large, 5).cells[:4])
    assert not np.array_equal(drawn_study(a, small, 5).cells, drawn_study(a, small, 6).cells)


def test_one_container_is_exact() -> None:
    a, one = aim(gradient=0.5), DesignSize(containers=1, depths=3, replicates=4)
    found = explore(a, one, COSTS, Limits(depths=(3,), min_containers=1, max_containers=1, max_replicates=12))
    assert found.chances == chances(one, a.guess, a.margin)
    assert found.cheapest is not None
    assert found.cheapest.size.containers == 1


def test_how_many_studies_a_move_counts_goes_with_the_pairs_of_depths() -> None:
    """One pair of 2 depths, 3 of 3, 21 of 7: never more studies for more pairs, and about as many differences."""
    counts = [few(k) for k in (2, 3, 4, 5, 7, 9)]
    assert counts == sorted(counts, reverse=True)
    assert few(7) * 21 == pytest.approx(DIFFERENCES, rel=0.05) or few(7) in (FEWEST_STUDIES, MOST_STUDIES)
    assert few(3) * 3 == pytest.approx(DIFFERENCES, rel=0.05) or few(3) in (FEWEST_STUDIES, MOST_STUDIES)


def test_the_pair_of_a_drawn_study_is_the_two_depths_that_differ_most() -> None:
    """A straight gradient far above its scatter: uppermost and lowest, with their difference by hand."""
    for gradient in (60.0, -60.0):
        drawn = drawn_study(aim(gradient=gradient), DesignSize(containers=6, depths=4), 1, 0.05)
        assert drawn.pair == (0, 3)
        assert drawn.estimate == pytest.approx((drawn.cells[:, 3] - drawn.cells[:, 0]).mean())
        assert drawn.low < drawn.estimate < drawn.high
