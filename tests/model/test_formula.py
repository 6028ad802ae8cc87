"""Formulas as terms: what is fitted is read, and what is not is said (the notation is that of Wilkinson & Rogers 1973)."""

from __future__ import annotations

import pytest

from studykit.core.errors import BadInput
from studykit.model.formula import Terms, parse_formula

COLUMNS = ("depth", "lot", "store", "container", "age_months")
NUMBERS = ("age_months",)


@pytest.mark.parametrize("text", ["depth + lot + depth:lot + (1 | container)", "y ~ depth + lot + depth:lot + (1 | container)"])
def test_terms_stand_in_the_order_written(text: str) -> None:
    assert parse_formula(text, COLUMNS, NUMBERS) == Terms(fixed=("depth", "lot", "depth:lot"), random=("container",))


def test_an_intercept_alone_beside_depth_is_enough() -> None:
    found = parse_formula("depth + (1 | container) + (1 | container:depth)", COLUMNS, NUMBERS)
    assert found.random == ("container", "container:depth")


# lme4: (x | g) is (1 + x | g); (x || g) is (1 | g) + (0 + x | g) (Bates et al. 2015, J. Stat. Softw. 67(1), table 2)
@pytest.mark.parametrize(("random", "read"), [
    ("(age_months | container)", ("age_months | container",)),
    ("(1 + age_months | container)", ("age_months | container",)),
    ("(0 + age_months | container)", ("0 + age_months | container",)),
    ("(age_months || container)", ("container", "0 + age_months | container")),
    ("(1 | container) + (0 + age_months | container)", ("container", "0 + age_months | container")),
    ("(age_months | container) + (1 | lot)", ("age_months | container", "lot")),
    ("(age_months | container:lot) + (1 | container)", ("age_months | container:lot", "container")),
])
def test_slopes_are_read_as_lme4_reads_them(random: str, read: tuple[str, ...]) -> None:
    assert parse_formula("depth + " + random, COLUMNS, NUMBERS).random == read


def test_columns_are_named_in_order_whatever_theirs_was() -> None:
    for columns in (COLUMNS, COLUMNS[::-1]):
        with pytest.raises(BadInput) as caught:
            parse_formula("depth + colour + (1 | container)", columns, NUMBERS)
        assert caught.value.faults[0].remedy == "columns are age_months, container, depth, lot, store"


@pytest.mark.parametrize(("text", "faults"), [
    ("depth + (age | container)", ["age is no column of these rows"]),
    ("depth + (lot | container)", ["lot has no numbers for a random slope"]),
    ("depth + log(lot) + (1 | container)", ["log(lot) is a function, and terms are plain columns"]),
    ("0 + depth + (1 | container)", ["the model has no intercept"]),
    ("depth + colour + (1 | container)", ["colour is no column of these rows"]),
    ("value ~ depth + (1 | container)", ["value is not the response"]),
    ("lot", ["depth is missing from the fixed terms", "container is missing: samples of one container are not independent"]),
])
def test_every_fault_is_named_and_no_other(text: str, faults: list[str]) -> None:
    with pytest.raises(BadInput) as caught:
        parse_formula(text, COLUMNS, NUMBERS)
    assert [f.reason for f in caught.value.faults] == faults
