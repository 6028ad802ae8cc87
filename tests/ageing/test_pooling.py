"""ICH Q1E's tests and times against R, children of Orthodont as batches; random lots."""

from __future__ import annotations

import numpy as np
import pytest

from studykit.ageing.courses import Course
from studykit.ageing.pooling import ich_time, pool, random_lots
from tests.ageing.test_lines import REFERENCE, open_set

LINEAR = Course()


@pytest.mark.parametrize("ref", REFERENCE["ich"], ids=lambda r: r["who"][0])
def test_tests_and_times_agree_with_r(ref: dict) -> None:
    table = open_set("Orthodont")
    part = table[table["Subject"].isin(ref["who"])]
    y, t, who = part["distance"].to_numpy(float), part["age"].to_numpy(float), part["Subject"].to_list()
    found = pool(y, t, who, LINEAR)
    # R: anova(one line, common slope, own slopes), each F with the largest model's mean square
    assert (found.rates_f, found.rates_p, found.levels_f, found.levels_p) == pytest.approx(
        (ref["rates_f"], ref["rates_p"], ref["levels_f"], ref["levels_p"]), rel=1e-6)
    # the first and third set have one rate at 0.25 and own levels, the second own lines
    assert found.choice == ("own lines" if ref["who"][0] == "F01" else "common rate")
    for choice, name in (("one line", "one"), ("common rate", "common"), ("own lines", "own")):
        time = ich_time(y, t, who, LINEAR, (-1e9, ref["limit"]), choice=choice, stop=200, span=(8, 14))
        # R: uniroot of predict(se.fit) + qt(0.95) se at the limit, earliest batch
        assert time == pytest.approx(ref[name], rel=1e-6)


def test_one_group_cannot_be_pooled() -> None:
    with pytest.raises(ValueError, match="at least two"):
        pool([1, 2, 3], [0, 1, 2], ["a"] * 3, LINEAR)


def test_random_lots_need_four() -> None:
    rng = np.random.default_rng(2)
    t, lots = np.tile([4.0, 12, 20], 5), np.repeat(list("abcde"), 3)
    y = rng.normal(0.5, 0.05, 5)[np.repeat(np.arange(5), 3)] * t + rng.normal(0, 0.2, 15)
    few = lots < "d"
    kept = {"alpha": 0.05, "span": (4.0, 30.0), "stop": 40.0}
    assert random_lots(y[few], t[few], lots[few], LINEAR, (-10, 10), 0.2, **kept) is None
    found = random_lots(y, t, lots, LINEAR, (-10, 10), 0.2, **kept)
    assert found is not None
    assert found.lots == 5
    assert found.share.safe[0] < found.mean.safe[0] < 20
