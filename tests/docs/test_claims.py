"""Every statement with a number, a never, an always or an every is held by something that exists and agrees with it."""

from __future__ import annotations

import pytest

from studykit.design.operating import DesignSize, resolvable_margin
from studykit.study.definition import Assumption
from studykit.study.precision import R_FACTOR
from tests.docs.claims import row, tokens, unheld, wanting
from tests.docs.ledger import LEDGER
from tests.docs.names import CHECKS
from tests.docs.reading import hand_written, statements


def test_every_claim_is_held() -> None:
    """A page changed? Say in tests/docs/ledger.py what holds the sentence now."""
    assert wanting(hand_written(), LEDGER) == []
    assert unheld(LEDGER) == []


@pytest.mark.parametrize("check", CHECKS, ids=lambda c: c.__name__)
def test_names_on_the_pages_are_those_of_the_code(check) -> None:
    assert check(hand_written()) == []


def test_most_claims_are_held_by_a_test_or_a_value() -> None:
    rows = [r for page in LEDGER.values() for r in page]
    firm = [r for r in rows if "::" in r.held or r.held == "values"]
    assert len(rows) > 200
    assert len(firm) / len(rows) > 0.8


def test_the_worked_margins_are_those_of_the_design() -> None:
    """01-design: s_r = 2 %; one container and three depths 9.5 %, twelve containers 2.9 %; r of one is 1.714 r."""
    one, twelve = (resolvable_margin(DesignSize(containers=n, depths=3), Assumption(s_r=2.0)) for n in (1, 12))
    assert one == pytest.approx(9.5, abs=0.05)
    assert one / (2 * R_FACTOR) == pytest.approx(1.7, abs=0.05)
    assert twelve == pytest.approx(2.9, abs=0.05)


def test_what_the_ledger_cannot_hold_is_named() -> None:
    page = {"docs/x.md": "# X\n\nIt holds 12 % always. Nothing here. A table:\n\n| a | b |\n|---|---|\n| w | 3.5 |\n"}
    assert statements(page["docs/x.md"]) == ["X", "It holds 12 % always.", "Nothing here.", "A table:", "a | b", "w | 3.5"]
    assert tokens("never −1.5 of ISO 5725-2:1994 and `7`, twelve") == ["never", "-1.5", "twelve"]
    whole = {"docs/x.md": [row("It holds 12", "12 always", "values", 12.0), row("w |", "3.5", "practice: x")]}
    assert wanting(page, whole) == []
    assert unheld(whole) == []
    changed = {"docs/x.md": page["docs/x.md"].replace("12 % always", "13 % always").replace("3.5", "2.5 never")}
    assert [w.removeprefix("docs/x.md: ").split(",")[0] for w in wanting(changed, whole)] == [
        "nothing holds: It holds 13 % always.", "says '2.5 never'", "no statement says: It holds 12"]
    assert unheld({"p": [row("a", "12", "values", 11.0), row("b", "1", "test_flow.py::no_such"), row("c", "1", "because"),
                         row("d", "0.35", "values", 0.354), row("e", "2", "values")]}) == [
        "p: a: 12 is 11", "p: b: there is no test test_flow.py::no_such", "p: c: 'because' holds nothing",
        "p: e: 1 numbers, 0 values"]
