"""Stocks of someone who had not seen the code: error rates of the mean's word, and no reassurance from unseen floors."""

from __future__ import annotations

import zlib

import numpy as np
import pytest

from studykit.inference.judge import judge, judge_many
from tests.inference.strange_stocks import DEPTHS, SCENES, limit, lost_floor_table, rates

CHOSEN = ("12x3 slopes2", "8x5 slopes5", "4x3 floor10", "12x3 ar95", "6x2 sphere", "12x3x2 duplicates slopes2")


@pytest.mark.parametrize("name", CHOSEN)
def test_error_rates_over_strange_stocks(name: str):
    studies = 3000
    found = rates(judge_many, SCENES[name], studies, zlib.crc32(name.encode()))
    assert max(found["edge"], found["least"]) <= limit(studies)  # 5 % and 3.5 Monte Carlo errors


def test_containers_whose_floor_nobody_measured_never_reassure():
    """40 % of the stock lies beyond the margin at the floor, which was drawn in 6 of 46 containers."""
    rng = np.random.default_rng(12)
    said = [judge(lost_floor_table(rng), margin={"absolute": 1.0}, depths=DEPTHS[:3], share=0.2) for _ in range(30)]
    assert sum(j.word == "homogeneous" for j in said) <= 4  # 5 % of 30 and 3.5 Monte Carlo errors, rounded down
    assert sum(j.share_upper < 0.4 for j in said) <= 4
