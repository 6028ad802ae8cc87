"""One container judged by stated precision: at which level it applies, limits, and its profile, by hand."""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np
import pandas as pd
import pytest

from studykit.model.fit import fit_analyte
from studykit.model.profile import PROFILE_COLUMNS
from studykit.model.stated import DEPENDS, single_profile, single_results
from studykit.study.definition import parse_study
from tests.model.test_fit import DEPTHS, HEIGHTS, tables_of
from tests.studies import definition


def judged(values: dict[str, list[float | str]], margin: dict[str, object] | None = None, scope: str = "container",
           **analyte: object):
    """The result, the rows and the study of one container; '<2' is a limit."""
    entry = {"unit": "1", "method": "a test", "margin": margin or {"absolute": 20.0}, "margin_reason": "for the test"}
    study = parse_study(definition(factors={"depths": list(DEPTHS)}, scope=scope, analytes={"y": entry | analyte}))
    rows = [("C0", z, v) for z, own in values.items() for v in own]
    told = [str(v) for *_, v in rows]
    frame = pd.DataFrame(rows, columns=["container", "depth", "value"])
    limit = np.array([t[:1] in "<>" for t in told])
    containers, samples, results = tables_of(frame.assign(value=[float(t.lstrip("<>")) for t in told]))
    results = results.assign(qualifier=np.where(limit, [t[:1] for t in told], ""),
                             limit=results["value"].where(limit), value=results["value"].where(~limit))
    model = fit_analyte(study, "y", containers, samples, results)
    return single_results(study, [model]).get("y"), model, study


PER_CENT = {"repeatability": {"s_r_percent": 1.0, "source": "a test"}}
ABSOLUTE = {"repeatability": {"s_r": 1.0, "source": "a test"}}


def test_a_precision_in_per_cent_is_that_of_the_mean_over_the_depths():
    """By hand: depths at 100, 110 and 120 (the first determined three times) have their mean at 110, 1 % of which is 1.1."""
    found, *_ = judged({"upper": [99.0, 100.0, 101.0], "middle": [110.0], "lower": [120.0]}, **PER_CENT)
    assert found.scatter.s == pytest.approx(1.1)
    assert found.means == pytest.approx((100, 110, 120))
    assert found.counts == (3, 1, 1)


def test_the_profile_starts_at_the_uppermost_zone_with_the_interval_that_is_asked_for():
    """Known scatter: half width z s sqrt(1/n + 1/m), the quantile by the standard library."""
    found, model, _ = judged({"upper": [100.0, 100.0], "middle": [103.0], "lower": [108.0]}, **ABSOLUTE)
    for level in (0.8, 0.95):
        table = single_profile(found, model.rows, level)
        assert list(table.columns) == PROFILE_COLUMNS
        assert table["height"].tolist() == [HEIGHTS[d] for d in DEPTHS]
        assert table["difference"].tolist() == pytest.approx([0, 3, 8])
        assert table.loc[0, ["low", "high"]].tolist() == [0, 0]
        half = NormalDist().inv_cdf((1 + level) / 2) * math.sqrt(1.5)
        assert (table["high"] - table["low"]).tolist() == pytest.approx([0, 2 * half, 2 * half])
        assert set(table["margin high"]) == {20.0}
        assert set(table["who"]) == {"mean"}


def test_a_limit_lies_anywhere_from_nothing_up_to_it():
    """By hand, s = 1 and margin 20: '<10' under 12 differs by 2 to 12, within; '<40' under 45 by 5 to 45, open; '<10' under
    60 by 50 at least, beyond. Of the first the interval holds both ends: 2 - 1.645 sqrt(2) and 12 + 1.645 sqrt(2)."""
    words = []
    for limit, above in (("<10", 12.0), ("<40", 45.0), ("<10", 60.0)):
        found, model, _ = judged({"upper": [above], "middle": [above], "lower": [limit]}, **ABSOLUTE)
        words.append(found if isinstance(found, str) else found.word)
        if above == 12.0:
            table = single_profile(found, model.rows, 0.9).set_index("depth")
            half = NormalDist().inv_cdf(0.95) * math.sqrt(2)
            assert table.loc["lower", ["low", "high"]].tolist() == pytest.approx([-12 - half, -2 + half])
            assert table.loc["middle", ["low", "high"]].tolist() == pytest.approx([-half, half])
    assert words[::2] == ["homogeneous", "stratified"]
    assert words[1].startswith("1 of 3 results lie below quantification")
    assert DEPENDS in words[1]


def test_values_above_the_range_and_mostly_limits_are_told():
    assert judged({"upper": [10.0], "middle": [10.0], "lower": [">40"]}, **ABSOLUTE)[0].startswith(
        "1 of 3 results lie above the range")
    assert judged({"upper": ["<3"], "middle": ["<3"], "lower": [10.0]}, **ABSOLUTE)[0] == (
        "2 of 3 results are known only as a limit.")
    assert judged({"upper": ["<3"], "middle": ["<3"], "lower": [4.0, 4.0]}, **ABSOLUTE)[0] == (
        "2 of 4 results are known only as a limit.")  # half of them, but numbers at one depth only
    half, *_ = judged({"upper": ["<3", "<3"], "middle": [4.0], "lower": [4.0]}, **ABSOLUTE)
    assert half.word == "homogeneous"  # half of them are not most
    beyond, *_ = judged({"upper": ["<3"], "middle": ["<3"], "lower": [60.0]}, **ABSOLUTE)
    assert beyond.word == "stratified"


def test_without_a_stated_scatter_or_with_a_side_nothing_is_judged():
    assert "No repeatability is known" in judged({d: [100.0] for d in DEPTHS})[0]
    sided = judged({d: [100.0] for d in DEPTHS}, {"relative_percent": 20, "side": "below"}, "stock", **ABSOLUTE)[0]
    assert sided.startswith("A one-sided margin is judged by several containers")
