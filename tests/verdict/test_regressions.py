"""Stocks on which an earlier verdict erred: each test fails on the code before the verdict looked at containers.

All six were run against the parent of the commit "Verdict under any scatter across depths" and failed there. (The rates
under gradients of the containers' own are in test_fit and tests/operating.)
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from studykit.model.fit import fit_analyte
from studykit.study.definition import parse_study
from studykit.verdict.rule import judge
from tests.studies import definition

DEPTHS = ("upper", "lower")
HEIGHTS = {"upper": 0.8, "middle": 0.5, "lower": 0.2}


def said(rows, margin, depths=DEPTHS, factors=None, **info):
    """The study's verdict over rows (container, depth, value or '<limit')."""
    frame = pd.DataFrame(rows, columns=["container", "depth", "value"])
    limit = frame["value"].astype(str).str.startswith("<")
    codes = frame["container"] + frame["depth"]
    containers = pd.DataFrame({"container": frame["container"].unique()}).assign(
        lot="L", store="s", vessel="drum", age_months=12.0, treatment="stored", liquid_height_mm=500.0)
    for name, values in info.items():
        containers[name] = values
    samples = pd.DataFrame({"sample": codes, "container": frame["container"], "kind": "spot", "depth": frame["depth"],
                            "height": frame["depth"].map(HEIGHTS)}).drop_duplicates("sample")
    number = frame["value"].astype(str).str.lstrip("<").astype(float)
    results = pd.DataFrame({"sample": codes, "analyte": "y", "value": number.where(~limit), "unit": "1",
                            "qualifier": np.where(limit, "<", ""), "limit": number.where(limit),
                            "replicate": frame.groupby(codes).cumcount() + 1, "run": "R1", "run_order": 1,
                            "source_file": "f.csv", "source_row": 2})
    study = parse_study(definition(
        scope="stock", factors={"depths": list(depths), **(factors or {})},
        analytes={"y": {"unit": "1", "method": "a test", "margin": margin, "margin_reason": "for the test"}}))
    return judge(study, [fit_analyte(study, "y", containers, samples, results)])


def test_crash_cells_that_differ_equally_everywhere():
    """Balanced duplicates of 10 and 11 in both zones: the report stopped with 'se and df above 0'."""
    rows = [(f"C{c}", d, v) for c in range(6) for d in DEPTHS for v in (10, 11)]
    assert said(rows, {"relative_percent": 20}).words() == {"y": "homogeneous"}


def test_crash_single_readings_that_agree_everywhere():
    """Top = bottom in every container is the best news possible, not 'not assessed'."""
    rows = [(f"C{c}", d, 10 + c) for c in range(6) for d in DEPTHS]
    assert said(rows, {"absolute": 2}).words() == {"y": "homogeneous"}


def test_mixture_four_of_24_at_three_margins():
    """The mean is within, a sixth of the containers is not: 'homogeneous' was the study's word."""
    rng = np.random.default_rng(1)
    rows = [(f"C{c:02}", d, 100 + (15.0 if c >= 20 and d == "lower" else 0.0) + 0.3 * rng.standard_normal())
            for c in range(24) for d in DEPTHS for _ in range(2)]
    out = said(rows, {"absolute": 5.0})
    assert out.words() == {"y": "homogeneous"}
    assert out.word == "uneven"


def test_group_beyond_beside_a_level_mean():
    """A lot of four at 1.6 margins among twenty: named, and never beside 'homogeneous'."""
    rng = np.random.default_rng(2)
    rows = [(f"C{c:02}", d, 100 + (8.0 if c >= 16 and d == "lower" else 0.0) + 0.4 * rng.standard_normal())
            for c in range(20) for d in DEPTHS for _ in range(2)]
    out = said(rows, {"absolute": 5.0}, factors={"fixed": ["lot"], "by_depth": ["lot"]}, lot=["new"] * 16 + ["old"] * 4)
    assert out.words() == {"y": "homogeneous"}
    assert out.word == "uneven"


def test_limits_six_containers_below_two():
    """Six near 10 in both zones, six '<2' in both: ±20 % was printed, though 0.1 above and 1.9 below give +336 %."""
    rng = np.random.default_rng(3)
    rows = [(f"C{c:02}", d, f"{10 + 0.05 * rng.standard_normal():.3f}" if c < 6 else "<2") for c in range(12) for d in DEPTHS]
    assert said(rows, {"relative_percent": 20}).words() == {"y": "inconclusive"}


def test_coarse_rounding_decides_nothing():
    """Read as 10 above and 11 below everywhere: 10.49 and 10.51 are possible, and so are 9.5 and 11.5."""
    rows = [(f"C{c:02}", d, 10 + (d == "lower")) for c in range(12) for d in DEPTHS]
    assert said(rows, {"relative_percent": 5}).words() == {"y": "inconclusive"}
