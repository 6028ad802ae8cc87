"""Formulas as terms: what is fitted is read, and what is not is said (the notation is that of Wilkinson & Rogers 1973)."""

from __future__ import annotations

import pytest

from studykit.core.errors import BadInput
from studykit.model.formula import Terms, parse_formula

COLUMNS = ("depth", "lot", "store", "container")


@pytest.mark.parametrize("text", ["depth + lot + depth:lot + (1 | container)", "y ~ depth + lot + depth:lot + (1 | container)"])
def test_terms_stand_in_the_order_written(text: str) -> None:
    assert parse_formula(text, COLUMNS) == Terms(fixed=("depth", "lot", "depth:lot"), random=("container",))


def test_an_intercept_alone_beside_depth_is_enough() -> None:
    assert parse_formula("depth + (1 | container) + (1 | container:depth)", COLUMNS).random == ("container", "container:depth")


@pytest.mark.parametrize(("text", "faults"), [
    ("depth + log(lot) + (1 | container)", ["log(lot) is a function, and terms are plain columns"]),
    ("0 + depth + (1 | container)", ["the model has no intercept"]),
    ("depth + colour + (1 | container)", ["colour is no column of these rows"]),
    ("value ~ depth + (1 | container)", ["value is not the response"]),
    ("lot", ["depth is missing from the fixed terms", "container is missing: samples of one container are not independent"]),
])
def test_every_fault_is_named_and_no_other(text: str, faults: list[str]) -> None:
    with pytest.raises(BadInput) as caught:
        parse_formula(text, COLUMNS)
    assert [f.reason for f in caught.value.faults] == faults
