"""The sizes that explanations tell are those that were planted: truth by construction, in studies of clear faults.

Tolerances: what the scatter of drawing and measuring (0.5 and 1 repeatability a bottle, ``tests/faults/laboratory.py``) leaves
of the mean of a container's bottles, or of a run's, with a factor of about three.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.faults.bench import USUAL, _searched
from tests.faults.laboratory import ANALYTES, make
from tests.faults.planted import FAULTS

SETTING = replace(USUAL, containers=9, twice=0)
# fault, cause, what is told of size s, its tolerance; in repeatabilities where the analyte decides
SIZES = {
    "dilution": ("diluted or evaporated", lambda s: 1 - s, 0.03),
    "evaporation": ("diluted or evaporated", lambda s: 1 + s, 0.04),
    "portion": ("portion or dilution", lambda s: 1 - s, 0.04),
    "unit in a cell": ("unit slip", lambda s: s, 1e-9),
    "carry-over": ("carry-over", lambda s: s, 0.04),
    "drift in one run": ("drift", lambda s: s, 2.5),
    "shift of one run": ("run shift", lambda s: s, 2.0),
    "spoiled check fluid": ("check fluid", lambda s: s, 2.5)}
IN_REPEATABILITIES = ("drift in one run", "shift of one run", "spoiled check fluid")
PLANTED = {"shift of one run": 8.0}
"""Sizes other than the clear one: of three containers a run the clear shift is not always told."""


@pytest.mark.slow
@pytest.mark.parametrize("name", SIZES)
def test_the_size_that_is_told_is_the_one_that_was_planted(name: str) -> None:
    cause, want, near = SIZES[name]
    fault = FAULTS[name]
    size = PLANTED.get(name, fault.sizes[2])
    lab = make(fault.setting(SETTING, size), 61)
    truth = fault.plant(lab, size)
    searched = _searched(lab)
    (found,) = [c for c in searched.found if c.cause == cause]
    named = {str(x) for i in found.rows for x in searched.frame.rows.loc[i, ["sample", "container", "run"]]}
    assert named & truth.places
    told = found.amount
    if name in IN_REPEATABILITIES:
        (analyte,) = truth.analytes
        assert [searched.frame.analytes[a] for a in found.columns] == [analyte]
        told /= ANALYTES[analyte][1]
    assert told == pytest.approx(want(size), abs=near)
