"""The words against stocks simulated by somebody who had not seen the code: at most 5 % wrong, and 3.5 Monte Carlo errors."""

from __future__ import annotations

import math

import numpy as np
import pytest

from studykit.inference.contrasts import contrasts_of, word_codes
from tests.inference.own_groups import (
    calm_duplicates,
    floor_limit,
    judged,
    one_limit,
    rounded_group,
    wild_duplicates,
)
from tests.inference.own_truths import KINDS, rates

STUDIES = 1500
LIMIT = 0.05 + 3.5 * math.sqrt(0.05 * 0.95 / STUDIES)


@pytest.mark.few(4)
@pytest.mark.parametrize("kind", [k for k in KINDS if k != "two-point"])
@pytest.mark.parametrize("design", [(5, 3, 1), (12, 3, 2)], ids=str)
def test_at_most_one_in_twenty_is_wrong(kind, design):
    assert max(rates(kind, design, "none", "absolute", STUDIES)) <= LIMIT


@pytest.mark.few(1)
@pytest.mark.parametrize(("loss", "scale"), [("15 %", "relative"), ("one has one depth", "negative"),
                                             ("staircase", "about zero"), ("floor in all but 2", "offset 1e9"),
                                             ("single of duplicates", "tiny")])
def test_with_losses_and_on_every_scale_too(loss, scale):
    assert max(rates("floor x5", (6, 3, 2), loss, scale, STUDIES)) <= LIMIT


@pytest.mark.few(1)
@pytest.mark.parametrize("loss", ["chain", "two whole, the rest chain"])
@pytest.mark.parametrize("design", [(6, 3, 2), (12, 3, 2)], ids=str)
def test_zones_linked_only_through_others_keep_the_promise(loss, design):
    """Containers with two neighbouring zones alone; the degrees of freedom of equal scatter would give 7 % here."""
    assert max(rates("floor x5", design, loss, "absolute", 2 * STUDIES)) <= 0.05 + 3.5 * math.sqrt(0.05 * 0.95 / 2 / STUDIES)


def test_the_mixture_that_no_such_rule_holds_for_is_seen_to_exceed_it():
    """A fifth of the containers settled: docs/operating.md says so, and the limit can be exceeded, so it can fail."""
    assert rates("two-point", (5, 5, 1), "none", "absolute", STUDIES)[0] > LIMIT


@pytest.mark.parametrize(("sizes", "spread"), [((10, 2), (0.5, 2.5)), ((10, 2), (2.5, 0.5)), ((6, 6), (0.5, 2.5)),
                                               ((6, 6), (1.0, 1.0)), ((2,) * 6, (1.0,) * 5 + (5.0,))], ids=str)
@pytest.mark.parametrize("lost", [0.0, 0.15])
def test_named_groups_of_unlike_scatter_keep_the_promise(sizes, spread, lost):
    """With scatter pooled within groups 12 % of stocks at the margin were homogeneous, where 2 of 12 scatter five times."""
    rng, studies = np.random.default_rng(8), 2000 if lost else 12_000
    sd = np.repeat(spread, sizes)
    margin = 8 * math.sqrt((sd**2).sum()) / len(sd)
    cells = rng.normal(size=(studies, len(sd), 2)) * sd[:, None] / math.sqrt(2) + np.array([0.0, margin])
    cells[rng.random(cells.shape) < lost] = np.nan
    groups = np.eye(len(sizes))[np.repeat(range(len(sizes)), sizes)]
    words = word_codes(contrasts_of(cells, groups=groups), margin, depths=2)
    assert max(np.mean(words == 1), np.mean(words == 2)) < 0.05 + 3.5 * math.sqrt(0.05 * 0.95 / studies)


def test_losses_in_the_group_that_scatters_most_are_a_limit():
    """6 and 6 that lie apart, the second scatters five times as much, half of its lowest readings are lost: 8 %, as told."""
    rng, studies = np.random.default_rng(5), 4000
    sd = np.repeat([1.0, 5.0], 6)
    margin = 8 * math.sqrt(2 * (sd**2).sum()) / 12
    cells = rng.normal(size=(studies, 12, 2)) * sd[:, None] + np.array([0.0, margin])
    cells[:, :, 1] += math.sqrt(2) * np.repeat([-1, 1], 6)
    gone = rng.random((studies, 6)) < 0.5
    gone[:, -1] = False
    cells[:, 6:, 1][gone] = np.nan
    words = word_codes(contrasts_of(cells, groups=np.eye(2)[np.repeat([0, 1], 6)]), margin, depths=2)
    assert 0.05 < np.mean(words == 1) < 0.095


@pytest.mark.slow
def test_a_group_is_shown_beyond_by_its_own_scatter_alone():
    """Two of twelve scatter five times as much, their mean AT the margin: with pooled scatter 20 % were shown beyond."""
    rng, shown, covered, studies = np.random.default_rng(9), 0, 0, 400
    for _ in range(studies):
        values = np.repeat(10 + rng.normal(0, 0.1, (12, 2, 1)), 1, axis=2)
        values[:, 1, 0] += np.r_[rng.normal(0, 0.5, 10), 4 + rng.normal(0, 2.5, 2)]
        told = judged(values, ["new"] * 10 + ["old"] * 2, 4.0).groups.set_index("group").loc["old"]
        shown, covered = shown + told["shown beyond"], covered + (told["low"] <= 4 <= told["high"])
    assert shown / studies < 0.025 + 3.5 * math.sqrt(0.025 * 0.975 / studies)  # two groups share 5 %
    assert covered / studies == pytest.approx(0.9, abs=3.5 * math.sqrt(0.09 / studies))


@pytest.mark.few(1)
@pytest.mark.parametrize("case", [one_limit, floor_limit, rounded_group, wild_duplicates, calm_duplicates])
def test_nothing_wrong_is_said_of_groups_and_limits(case):
    assert not any(case(seed) for seed in range(12))
