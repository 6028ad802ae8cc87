"""The cheapest design: proved by enumeration, tied to a brute-force check; budgets; refusals."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy import stats

from studykit.core.errors import BadInput
from studykit.design.cheapest import (
    UNTYPED_PROFILES,
    Aim,
    Candidate,
    Costs,
    Limits,
    aim_chances,
    cheapest,
    costs_of,
    for_budget,
    frontier,
    limits_of,
    price,
    right_chance,
)
from studykit.design.operating import BOTH, DesignSize, Side, chances, resolvable_margin
from studykit.study.definition import Assumption, DesignSettings

COSTS = Costs(container=40, sample=10, determination=6)
LIMITS = Limits(depths=(3,), max_containers=30, max_replicates=4)
STILL = Aim(analyte="P", guess=Assumption(s_r=2, sd_container_depth=0.5), margin=2.0, unit="%")
LAYERED = Aim(analyte="Si", guess=Assumption(s_r=6, sd_container_depth=2, gradient=26), margin=18.0, unit="%")


def every_design(aims: tuple[Aim, ...], target: float) -> list[tuple[float, DesignSize]]:
    """Cost and size of every design of the grid that reaches the target, without any order or stopping."""
    return [(COSTS.of(s), s) for s in LIMITS.sizes() if min(right_chance(a, s) for a in aims) >= target]


@pytest.mark.parametrize("aims", [(STILL,), (LAYERED,), (STILL, LAYERED)])
@pytest.mark.parametrize("target", [0.5, 0.8, 0.95])
def test_cheapest_is_the_cheapest_of_the_whole_grid(aims: tuple[Aim, ...], target: float) -> None:
    reaching = every_design(aims, target)
    found = cheapest(aims, COSTS, LIMITS, target=target)
    assert found.found is not None
    assert found.found.cost == min(cost for cost, _ in reaching)
    assert [c.cost for c in found.best] == sorted(cost for cost, _ in reaching)[:5]
    assert all(c.lowest < target for c in found.tried if c.cost < found.found.cost)
    cheaper = sum(COSTS.of(s) < found.found.cost for s in LIMITS.sizes())
    assert f"All {cheaper} cheaper designs of a grid of 116 were evaluated" in found.proof()


def test_costs_add_up() -> None:
    # 5 containers of 3 depths, 2 determinations: 5·40 + 15·10 + 30·6 + 7
    costs = Costs(container=40, sample=10, determination=6, fixed=7)
    assert costs.of(DesignSize(containers=5, depths=3, replicates=2)) == 200 + 150 + 180 + 7


def test_dear_containers_buy_more_determinations_and_cheap_ones_more_containers() -> None:
    dear = cheapest((STILL,), Costs(container=500, sample=1, determination=1), LIMITS).found
    cheap = cheapest((STILL,), Costs(container=1, sample=1, determination=500), LIMITS).found
    assert dear is not None
    assert cheap is not None
    assert dear.size.replicates > cheap.size.replicates == 1
    assert dear.size.containers < cheap.size.containers


def test_right_verdict_follows_the_guess() -> None:
    assert (STILL.right_word, LAYERED.right_word) == ("homogeneous", "stratified")
    size = DesignSize(containers=12, depths=3)
    assert right_chance(STILL, size) == chances(size, STILL.guess, STILL.margin).homogeneous
    assert right_chance(LAYERED, size) == aim_chances(LAYERED, size).stratified


def test_target_for_all_analytes_at_once_is_harder() -> None:
    each = cheapest((STILL, LAYERED), COSTS, LIMITS, target=0.8).found
    both = cheapest((STILL, LAYERED), COSTS, LIMITS, target=0.8, every=True).found
    assert each is not None
    assert both is not None
    assert both.every >= 0.8
    assert both.cost >= each.cost
    made = price((STILL, LAYERED), DesignSize(containers=8, depths=3), COSTS)
    assert made.every == pytest.approx(max(0.0, sum(p for _, p in made.rights) - 1))


def test_no_design_of_the_grid_is_said_with_the_best_chance() -> None:
    hopeless = Aim(analyte="B", guess=Assumption(s_r=10), margin=1.0, unit="%")
    result = cheapest((hopeless,), COSTS, LIMITS)
    assert result.found is None
    assert len(result.tried) == 116
    assert result.proof().startswith("None of the 116 designs tried reaches 80 %")
    assert result.to_table().empty


@pytest.mark.parametrize("budget", [400.0, 1000.0, 2000.0])
def test_budget_buys_the_highest_chance_of_all_affordable_designs(budget: float) -> None:
    got = for_budget((STILL, LAYERED), COSTS, LIMITS, budget)
    affordable = [s for s in LIMITS.sizes() if COSTS.of(s) <= budget]
    best = max(min(right_chance(a, s) for a in (STILL, LAYERED)) for s in affordable)
    assert got.found is not None
    assert got.found.lowest == pytest.approx(best, abs=1e-9)
    assert got.found.cost <= budget
    assert got.unaffordable == 116 - len(affordable)


def test_smallest_margin_reaches_its_chance_and_is_shown_in_per_cent() -> None:
    size = DesignSize(containers=6, depths=3)
    aim = Aim(analyte="P", guess=Assumption(s_r=2), margin=100 * math.log(1.05), unit="%",
              relative=True)
    assert aim.shown(aim.margin) == pytest.approx(5)
    least = aim.shown(resolvable_margin(size, aim.guess, chance=0.9))
    back = 100 * math.log1p(least / 100)
    assert chances(size, aim.guess, back).homogeneous == pytest.approx(0.9, abs=2 / 8192)  # one of the simulated studies
    assert aim.with_margin(back).margin == back


def test_frontier_only_rises() -> None:
    tried = cheapest((STILL,), COSTS, LIMITS, target=0.95).tried
    edge = frontier(tried)
    assert all(b.cost > a.cost and b.lowest > a.lowest for a, b in pairwise(edge))
    assert edge[-1].lowest == max(c.lowest for c in tried)
    for c in tried:
        assert c.lowest <= max(e.lowest for e in edge if e.cost <= c.cost)


def test_limits_of_samples_and_determinations_are_kept() -> None:
    limits = Limits(depths=(3, 5), max_containers=30, max_samples=30, max_determinations=60)
    sizes = limits.sizes()
    assert max(s.samples for s in sizes) == 30
    assert max(s.determinations for s in sizes) == 60
    assert {s.depths for s in sizes} == {3, 5}
    assert limits_of(DesignSettings(max_containers=9, max_samples=20), 3).sizes()[-1].containers == 6


def test_refusals_say_what_to_write() -> None:
    with pytest.raises(BadInput, match=r"needs costs: 3 faults(?s:.*)cost_determination: no cost is given"):
        costs_of(DesignSettings())
    with pytest.raises(BadInput, match="smallest design of the grid costs 176"):
        for_budget((STILL,), COSTS, LIMITS, 100)
    with pytest.raises(BadInput, match="limits leave no design"):
        Limits(depths=(3,), max_samples=2).sizes()
    with pytest.raises(ValueError, match="target must lie between 0 and 1"):
        cheapest((STILL,), COSTS, LIMITS, target=1.0)
    with pytest.raises(ValueError, match="at least one analyte"):
        cheapest((), COSTS, LIMITS)


def test_costs_of_analytes_are_part_of_a_determination() -> None:
    made = costs_of(DesignSettings(cost_container=1, cost_determination=2, cost_per_analyte={"P": 3, "Si": 4}))
    assert made.determination == 9


def test_the_usual_grid_reaches_60_containers_of_four_determinations() -> None:
    usual = Limits(depths=(3,))
    assert (usual.min_containers, usual.max_containers, usual.max_replicates) == (2, 60, 4)


@pytest.mark.parametrize(("relative", "difference", "shown"), [(True, 100 * math.log(1.05), 5.0), (False, 5.0, 5.0)])
def test_a_difference_is_shown_in_per_cent_and_taken_back(relative: bool, difference: float, shown: float) -> None:
    a = Aim(analyte="P", guess=Assumption(s_r=2), margin=2.0, unit="%", relative=relative)
    assert a.shown(difference) == pytest.approx(shown)
    assert a.scaled(shown) == pytest.approx(difference)


def test_untyped_profiles_put_one_container_in_six_beyond() -> None:
    """Two depths of half a margin's scatter each: a difference beyond the margin has 2 Q(1 / (0.5 sqrt 2)) = 15.7 %."""
    assert 2 * stats.norm.sf(1 / (UNTYPED_PROFILES * math.sqrt(2))) == pytest.approx(1 / 6, abs=0.015)


def test_of_designs_that_cost_the_same_the_better_one_alone_stands_on_the_frontier() -> None:
    """By hand: cost and chance 1 at .2, 2 at .5 and .6, 3 at .55, 4 at .9 leave 1, the better 2 and 4."""
    size = DesignSize(containers=4, depths=3)
    made = [Candidate(size=size, cost=c, rights=(("A", p), ("B", 0.95))) for c, p in
            ((2, 0.5), (4, 0.9), (2, 0.6), (3, 0.55), (1, 0.2))]
    assert [(c.cost, c.lowest) for c in frontier(made)] == [(1, 0.2), (2, 0.6), (4, 0.9)]
    assert made[0].every == pytest.approx(0.45)  # 1 - .5 - .05


def test_margins_of_a_size_below_and_above_the_mixed_container() -> None:
    """20 on 100 ln: above e^0.2 - 1 = 22.1 %, below 1 - e^-0.2 = 18.1 %; in the unit 20 either way."""
    def aim(sign: int, relative: bool = True) -> Aim:
        return Aim(analyte="P", guess=Assumption(s_r=2), margin=2.0, relative=relative,
                   side=Side(sign=sign, log=relative) if sign else BOTH)  # type: ignore[arg-type]

    assert aim(1).margin_at(20) == pytest.approx(100 * math.expm1(0.2))
    assert aim(0).margin_at(20) == pytest.approx(100 * math.expm1(0.2))
    assert aim(-1).margin_at(20) == pytest.approx(100 * -math.expm1(-0.2))
    assert aim(-1, relative=False).margin_at(20) == 20


def test_the_zone_that_lies_farthest_on_the_side_that_counts() -> None:
    """10 from top to bottom of three, in the unit: -5, 0 and 5 about the mean."""
    guess = Assumption(s_r=2, gradient=10)
    for sign, right in ((1, "homogeneous"), (-1, "homogeneous")):
        near = Aim(analyte="P", guess=guess, margin=5.1, side=Side(sign=sign, log=False))  # type: ignore[arg-type]
        assert near.farthest(3) == pytest.approx(5)
        assert near.right_at(3) == right
        assert near.with_margin(4.9).right_at(3) == "stratified"
    both = Aim(analyte="P", guess=guess, margin=10.0)
    assert (both.right_word, both.with_margin(9.9).right_word) == ("homogeneous", "stratified")


def test_a_target_that_is_just_reached_is_reached_and_a_budget_that_is_just_enough_is_enough() -> None:
    tried = cheapest((STILL,), COSTS, LIMITS, target=0.9).found
    assert tried is not None
    exact = cheapest((STILL,), COSTS, LIMITS, target=tried.lowest)
    assert exact.found is not None
    assert exact.found.cost <= tried.cost
    assert any(c.lowest == tried.lowest for c in exact.best)
    least = min(COSTS.of(s) for s in LIMITS.sizes())
    bought = for_budget((STILL,), COSTS, LIMITS, least)
    assert [c.cost for c in bought.tried] == [least]
    assert bought.target == bought.tried[0].lowest
    assert bought.unaffordable == bought.grid_size - 1
    with pytest.raises(BadInput, match=f"costs {least:g}"):
        for_budget((STILL,), COSTS, LIMITS, math.nextafter(least, 0))
    with pytest.raises(ValueError, match="target must lie"):
        cheapest((STILL,), COSTS, LIMITS, target=0.0)


def test_few_is_how_many_are_given_and_the_rest_is_not_tried() -> None:
    one = cheapest((STILL,), COSTS, LIMITS, target=0.8, few=1)
    assert len(one.best) == 1
    assert one.tried[-1] is one.best[0]  # stops there
    assert [len(for_budget((STILL,), COSTS, LIMITS, 800, few=n).best) for n in (1, 3)] == [1, 3]


def test_a_candidate_in_its_row_and_its_chance_for_all_at_once() -> None:
    size = DesignSize(containers=4, depths=3, replicates=2)
    made = Candidate(size=size, cost=7.0, rights=(("A", 0.9), ("B", 0.8)))
    assert (made.lowest, made.every) == (0.8, pytest.approx(0.7))
    assert made.row() == {"containers": 4, "depths": 3, "determinations_per_sample": 2, "samples": 12, "determinations": 24,
                          "cost": 7.0, "lowest_chance_percent": 80.0, "all_at_least_percent": pytest.approx(70)}
    assert Candidate(size=size, cost=7.0, rights=(("A", 0.3), ("B", 0.2))).every == 0.0


def test_any_single_price_is_enough_for_a_cheapest_design() -> None:
    for given in ({"cost_container": 1.0}, {"cost_sample": 1.0}, {"cost_determination": 1.0}, {"cost_per_analyte": {"P": 1.0}}):
        assert costs_of(DesignSettings(**given)).fixed == 0  # type: ignore[arg-type]
    assert limits_of(DesignSettings(max_containers=1), 3).min_containers == 1
    assert limits_of(DesignSettings(max_containers=7, max_replicates=2), 4, "pooled").sizes()[-1] == DesignSize(
        containers=7, depths=4, replicates=2, scatter="pooled")
    limits = Limits(depths=(3,), max_samples=6, max_replicates=1)  # two containers of three depths are six samples
    assert [s.containers for s in limits.sizes()] == [2]
    limits = Limits(depths=(3,), max_determinations=6)
    assert [(s.containers, s.replicates) for s in limits.sizes()] == [(2, 1)]


@pytest.mark.parametrize("relative", [False, True])
@pytest.mark.parametrize("sign", [0, -1, 1])
def test_a_difference_of_so_many_margins_puts_its_farthest_zone_there(sign: int, relative: bool) -> None:
    """On both sides the ends differ by 1.5 margins; on one the farthest of four zones lies 1.5 margins off."""
    side = Side(sign=sign, log=relative) if sign else BOTH  # type: ignore[arg-type]
    aim = Aim(analyte="P", guess=Assumption(s_r=2), margin=6.0, relative=relative, side=side).beyond_by(1.5, 4)
    effects = np.linspace(0, aim.guess.gradient, 4)
    if not sign:
        assert effects[-1] == 9.0
        return
    mixed = 100 * math.log(np.exp(effects / 100).mean()) if relative else effects.mean()
    assert (sign * (effects - mixed)).max() == pytest.approx(9.0)


def test_typed_profiles_stay_and_untyped_ones_get_half_a_margin() -> None:
    assert not STILL.untyped_profiles
    assert STILL.scattered() is STILL
    bare = Aim(analyte="P", guess=Assumption(s_r=2), margin=6.0)
    assert bare.untyped_profiles
    assert bare.scattered().guess.sd_container_depth == 3.0
