"""Stocks of someone who had not seen the code: error rates of the mean's word, and no reassurance from unseen floors."""

from __future__ import annotations

import zlib

import numpy as np
import pytest

from studykit.inference.judge import judge, judge_many
from tests.inference.strange_stocks import DEPTHS, SCENES, limit, lost_floor_table, rates, settled_and_lost

CHOSEN = ("12x3 slopes2", "8x5 slopes5", "4x3 floor10", "12x3 ar95", "6x2 sphere", "12x3x2 duplicates slopes2")


@pytest.mark.parametrize("name", CHOSEN)
def test_error_rates_over_strange_stocks(name: str):
    studies = 3000
    found = rates(judge_many, SCENES[name], studies, zlib.crc32(name.encode()))
    assert max(found["edge"], found["least"]) <= limit(studies)  # 5 % and 3.5 Monte Carlo errors


def test_what_is_lost_because_it_settled_is_told_and_never_reassures():
    """The mean cannot know and is often "homogeneous" (true: 1.5 margins); the stock's word never is, and a reason says why."""
    rng = np.random.default_rng(3)
    said = [judge(settled_and_lost(rng), margin={"absolute": 1.0}, depths=DEPTHS[:3], share=0.2) for _ in range(12)]
    assert "homogeneous" in {j.mean_word for j in said}
    assert "homogeneous" not in {j.word for j in said}
    assert all("could not be drawn" in " ".join(j.reasons) for j in said)
    whole = judge(settled_and_lost(rng, gone=0.03), margin={"absolute": 1.0}, depths=DEPTHS[:3], share=0.2)
    assert "could not be drawn" not in " ".join(whole.reasons)


def test_containers_whose_floor_nobody_measured_never_reassure():
    """40 % of the stock lies beyond the margin at the floor, which was drawn in 6 of 46 containers."""
    rng = np.random.default_rng(12)
    said = [judge(lost_floor_table(rng), margin={"absolute": 1.0}, depths=DEPTHS[:3], share=0.2) for _ in range(30)]
    assert sum(j.word == "homogeneous" for j in said) <= 4  # 5 % of 30 and 3.5 Monte Carlo errors, rounded down
    assert sum(j.share_upper < 0.4 for j in said) <= 4
