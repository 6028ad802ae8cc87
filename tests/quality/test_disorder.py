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

from studykit.quality.disorder import bottles_out_of_order
from studykit.quality.flags import Scatter
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


def test_an_analyte_that_one_container_lacks_hides_no_exchange_of_two_others() -> None:
    """All of it may lie below its limit there; such a study once ended in a traceback."""
    rows = [(f"{box}{k}", box, "spot", h, a, 5.0 + size * k * (1 + a / 10) + 0.001 * ord(box) * a) for box, size in
            (("A", 0.10), ("B", 0.14), ("C", 0.12)) for k, h in enumerate((0.9, 0.63, 0.37, 0.1)) for a in range(4)]
    t = pd.DataFrame(rows, columns=["sample", "container", "kind", "height", "analyte", "y"])
    t = t.assign(analyte=t["analyte"].map(str), treatment="stored", depth="", label="", run="R1", value=np.exp(t["y"]))
    a, b = (t["sample"].eq(code).to_numpy() for code in ("A1", "B3"))
    t.loc[a, "y"], t.loc[b, "y"] = t.loc[b, "y"].to_numpy(), t.loc[a, "y"].to_numpy()
    scatter = {str(k): Scatter(s=0.01) for k in range(4)}
    whole, less = (bottles_out_of_order(x, scatter, {str(k): str(k) for k in range(4)}) for x in (
        t, t[~(t["container"].eq("C") & t["analyte"].eq("2"))]))
    assert [set(c.table.loc[0, ["first", "second"]]) for c in (whole, less)] == [{"A1", "B3"}] * 2
    assert less.table["analytes"].tolist() == whole.table["analytes"].tolist()
    assert less.table["nats"].iloc[0] == pytest.approx(whole.table["nats"].iloc[0], rel=0.01)
