"""What a study could not see: sizes that its own finder names, or does not, when they are put into its results."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from studykit.quality.assess import QualityReport, assess
from studykit.quality.explain import Candidate
from studykit.quality.runs import run_rows
from studykit.quality.suspects import search
from studykit.quality.unseen import (
    COLUMNS,
    FAULTS,
    SIZES,
    Unseen,
    _net,
    _shift,
    above_the_fluid,
    blind_to,
    reached,
    unseen,
)
from tests.faults.bench import USUAL, explained, right
from tests.faults.laboratory import CHECK, make
from tests.faults.planted import slipped


@pytest.fixture(scope="module")
def report() -> QualityReport:
    lab = make(USUAL, 3)
    return assess(*lab.tables(), limits=lab.limits)


@pytest.fixture(scope="module")
def found(report: QualityReport) -> Unseen:
    return unseen(report.suspects, 1, ("drift", "shift", "container"))


@pytest.mark.parametrize(("named", "size"), [
    ((0.0, 0.4, 0.6, 1.0), 2.5), ((0.0, 0.6, 0.4, 1.0), 3 + 1 / 6), ((0.9, 1.0, 1.0, 1.0), 1.0), ((0.0, 0.1, 0.2, 0.3), np.nan),
])
def test_the_size_is_where_the_share_stays_reached(named: tuple[float, ...], size: float) -> None:
    got = reached(np.array([1.0, 2.0, 3.0, 4.0]), np.array(named), 0.5)
    # straight lines between the sizes, by hand
    assert got == pytest.approx(size, nan_ok=True)


@pytest.mark.slow
def test_shares_grow_from_none_to_nearly_all(found: Unseen) -> None:
    for fault, own in found.shares.groupby("fault"):
        assert list(own["size"]) == list(SIZES[fault])
        assert own["named"].iloc[0] < 0.5, fault
        assert own["named"].iloc[-1] > 0.9, fault


@pytest.mark.slow
def test_what_it_says_holds_for_the_search_itself(found: Unseen) -> None:
    """Far above the size named at 8 of 10 places a drift is named by the whole search, far below it is not."""
    row = found.table[(found.table["fault"] == FAULTS["drift"]) & (found.table["analyte"] == "P")].iloc[0]
    named = []
    for factor in (1.6 * row["most_from"], 0.3 * row["half_from"]):
        lab = make(USUAL, 3)
        truth = slipped(lab, "drift", "R2", "P", float(np.log1p(factor / 100)))
        named.append(any(right(f, truth) for f in explained(lab).query("concern != 'hint only'").to_dict("records")))
    assert named == [True, False]


@pytest.mark.slow
def test_the_same_seed_gives_the_same_table_and_nothing_is_changed(report: QualityReport, found: Unseen) -> None:
    before = report.suspects.y.copy()
    again = unseen(report.suspects, 1, ("container",))
    assert np.array_equal(before, report.suspects.y, equal_nan=True)
    assert list(again.table.columns) == COLUMNS
    assert again.table["analyte"].tolist() == ["several"]


@pytest.mark.slow
def test_the_sentences_name_analyte_sizes_and_places(found: Unseen) -> None:
    (drift, shift, level, never) = found.sentences(lambda a: f"analyte {a}")
    assert drift.startswith("Drift over a run: analyte S below ")
    assert "named at fewer than half of the places, from" in shift
    assert level.startswith("Level of a container, by one factor: analytes of usual scatter below ")
    assert never.startswith("Seen at no size: what happened to every container alike")


def test_what_these_samples_cannot_show_at_any_size_is_said(found: Unseen, report: QualityReport) -> None:
    """The check fluid of the bench holds 0.4 to 0.8 of the stock in P, S, Ca and Mo, and more of the others."""
    assert set(found.above) == {a for a, share in CHECK.items() if share < 1}
    assert "higher than it in analyte Ca, analyte Mo, analyte P and analyte S" in found.sentences(lambda a: f"analyte {a}")[-1]
    assert "in every run alike" not in " ".join(found.blind)
    f = report.suspects.frame
    unknown = replace(f, reference=np.full(len(f.analytes), np.nan))
    assert "in every run alike" in " ".join(blind_to(unknown))
    without = replace(f, rows=f.rows.assign(kind=f.rows["kind"].replace("check fluid", "blank")))
    assert "no check fluid" in " ".join(blind_to(without))
    assert above_the_fluid(without) == ()


@pytest.mark.slow
def test_ten_deviations_in_one_value_are_not_named(report: QualityReport) -> None:
    """The tails that the model allows for make a single value of such a size no proof: said on the page."""
    value = unseen(report.suspects, 1, ("value",)).shares.set_index("size")["named"]
    assert value.loc[8.0] == 0
    assert value.loc[12.0] < 0.5


@pytest.mark.slow
def test_of_one_value_alone_no_size_is_promised(report: QualityReport) -> None:
    """In fresh studies of one design a stranger planted values of the size "8 of 10" and found 21 of 37 named."""
    got = unseen(report.suspects, 1, ("value", "drift"))
    value = got.table[got.table["fault"] == FAULTS["value"]]
    assert value["half_from"].notna().any()
    assert value["most_from"].isna().all()
    assert got.table.loc[got.table["fault"] == FAULTS["drift"], "most_from"].notna().any()
    (said,) = [s for s in got.sentences() if s.startswith("One value alone")]
    assert "8 of 10" not in said
    assert "a fresh study names fewer" in said


def test_one_run_has_no_shift(report: QualityReport, monkeypatch: pytest.MonkeyPatch) -> None:
    f = report.suspects.frame
    monkeypatch.setitem(f.rows, "run", "R1")
    assert unseen(search(f), 1, ("shift",)).table.empty


def test_the_best_explanation_of_these_rows_and_this_column_counts() -> None:
    def one(cause: str, gain: float, row: int, column: int) -> Candidate:
        return Candidate(cause=cause, rows=(row,), columns=(column,), readings=np.zeros((1, 1)), gain=gain, price=1.0,
                         place="cell")

    found = [one("value alone", 30.0, 4, 1), one("drift", 20.0, 4, 0), one("value alone", 12.0, 4, 0), one("drift", 90.0, 7, 1)]
    assert _net(found, ("value alone",), 1, {4})
    assert not _net(found, ("value alone",), 1)  # a drift of other rows is the better one then
    assert not _net(found, ("value alone",), 0, {4})
    assert not _net(found, ("value alone",), 2)
    assert not _net([one("value alone", 4.9, 4, 1)], ("value alone",), 1)


def test_of_two_runs_both_can_be_shifted(report: QualityReport) -> None:
    base, rng = report.suspects.scene, np.random.default_rng(1)
    runs = list(run_rows(base))[:2]
    assert len(list(_shift(base, runs, np.full(len(base.f.analytes), 0.02), 5.0, rng))) == 2
    assert list(_shift(base, runs[:1], np.full(len(base.f.analytes), 0.02), 5.0, rng)) == []
