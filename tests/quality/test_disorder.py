"""Exchanged bottles of one container that stands alone: told by its own zones.

What the test holds for true is physics: suspended matter that only settles, or only creams, has a content that rises, or falls,
all the way with depth (its columns and layers are those of ``tests/faults/laboratory.py``); none of it is used by the check.
The kinds are those of somebody who had only the page's promise.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tests.faults.bench import ASK, STOP, USUAL, flags_of
from tests.faults.laboratory import Lab, make
from tests.faults.planted import _exchange
from tests.faults.truth import scale, spot

FIVE = replace(USUAL, containers=1, lots=1, depths=5, settled=0.0, duplicates=0, twice=0, runs=1)


def swapped(lab: Lab) -> pd.DataFrame:
    f = flags_of(lab)
    return f[(f["rule"] == "swapped samples") & f["concern"].isin([STOP, ASK])]


@pytest.mark.few(1)
@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(("kind", "one", "other"), [("settled", "top", "lower"), ("creamed", "middle", "bottom")])
def test_two_bottles_of_a_settled_container_that_stands_alone(kind: str, one: str, other: str, seed: int) -> None:
    lab = make(FIVE, seed, {"C01": (kind, 0.25)})
    pair = {spot(lab, "C01", one), spot(lab, "C01", other)}
    _exchange(lab, *sorted(pair))
    found = swapped(lab)
    assert len(found) == 1
    assert pair <= set(found["samples"].iloc[0].split())
    assert "fresh draw" in found["evidence"].iloc[0]


@pytest.mark.slow
def test_where_settling_and_creaming_would_fit_both_pairs_are_told() -> None:
    """2 and 4 of five exchanged, or 1 and 5 in a container that creams: the zones read 1 4 3 2 5 either way."""
    lab = make(FIVE, 2, {"C01": ("settled", 0.25)})
    pairs = [{spot(lab, "C01", a), spot(lab, "C01", b)} for a, b in (("upper", "lower"), ("top", "bottom"))]
    _exchange(lab, *sorted(pairs[0]))
    (samples,) = swapped(lab)["samples"]
    assert set(samples.split()) == pairs[0] | pairs[1]


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["settled", "creamed", "half-settled", "layered"])
@pytest.mark.parametrize("seed", range(2))
def test_no_container_that_has_truly_settled_is_told_so(kind: str, seed: int) -> None:
    for depths, size in ((3, 0.05), (4, 0.4), (5, 1.0)):
        own = {"C01": (kind, size), "C02": (kind, size / 2)}
        lab = make(replace(FIVE, containers=2, depths=depths, tails="t5", draw=1.0, duplicates=seed), seed, own)
        assert not len(swapped(lab)), (kind, depths, size)


@pytest.mark.slow
def test_a_portion_and_dirt_in_one_bottle_are_no_exchange() -> None:
    for analytes, factor in ((None, 0.7), (["Si", "Ba"], 2.0)):
        lab = make(replace(FIVE, depths=3), 5)
        scale(lab, lab.rows(sample=spot(lab, "C01", "middle")), analytes or lab.analytes, factor)
        assert not len(swapped(lab)), (analytes, factor)


@pytest.mark.slow
def test_one_bottle_of_three_that_is_another_fluid_is_named_beside() -> None:
    lab = make(replace(FIVE, depths=3), 6)
    scale(lab, lab.rows(sample=spot(lab, "C01", "middle")), lab.analytes, np.linspace(0.6, 1.5, len(lab.analytes)))
    (evidence,) = swapped(lab)["evidence"]
    assert "one of them alone off" in evidence
