"""A container's mixed sample against its zones: in a strongly settled stock nothing says to the per cent what it must read."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.faults.bench import ASK, STOP, USUAL, explained
from tests.faults.laboratory import Lab, make

SETTLED = replace(USUAL, settled=1.5)


def after_the_floor(seed: int) -> tuple[Lab, list[str]]:
    """A study that has settled by a factor of some ten; codes of composites that were read right after a lower bottle."""
    lab = make(SETTLED, seed)
    w = lab.wide.sort_values(["run", "run_order", "replicate"])
    before = w.shift()
    at = (w["kind"] == "composite") & (before["depth"] == "lower") & (before["run"] == w["run"])
    return lab, list(w.loc[at, "sample"])


@pytest.mark.slow
def test_a_composite_after_a_rich_bottle_holds_nothing_of_it() -> None:
    """Counted once: of two such composites in twenty studies both were said to hold a fifth of the bottle before."""
    seen = 0
    for seed in (31000004, 31000019):
        lab, codes = after_the_floor(seed)
        found = explained(lab)
        asked = found[found["concern"].isin([STOP, ASK])]
        assert codes
        assert not any(set(s.split()) & set(codes) for s in asked["samples"]), asked.to_string()
        seen += len(codes)
    assert seen >= 2


@pytest.mark.slow
def test_a_composite_of_a_stock_that_has_not_settled_is_held_to_its_zones() -> None:
    lab = make(replace(USUAL, settled=0.05), 31000004)
    code = str(lab.wide.loc[lab.wide["kind"] == "composite", "sample"].iloc[0])
    lab.wide.loc[lab.rows(sample=code), lab.analytes] *= 0.7
    found = explained(lab)
    assert any(code in str(s).split() for s in found.loc[found["rule"] == "portion or dilution", "samples"])
