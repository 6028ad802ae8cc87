"""The counts of the page by size of fault: the table is that of the stored counts, and the counting counts."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from tests.faults import bench
from tests.faults.planted import FAULTS
from tests.faults.present import PRESENT, STATES, other_lines, pair_lines
from tests.faults.present import lines as faults_now
from tests.faults.table import counts, lines, sums

PAGE = Path("docs/04-quality.md")


def test_the_table_of_the_page_is_that_of_the_stored_counts() -> None:
    text = PAGE.read_text(encoding="utf-8")
    assert "\n".join(lines()) in text
    c = counts()
    assert list(dict.fromkeys(c["fault"])) == list(FAULTS), "a fault came or went: python -m tests.faults power --only NAME"
    assert [tuple(own) for _, own in c.groupby("fault", sort=False)["size"]] == [f.sizes for f in FAULTS.values()]
    assert (c["found"] <= c["studies"]).all()


def test_the_counts_of_the_present_state_are_those_of_the_page() -> None:
    """Every fault was counted as the checks stand; over all faults nine of ten and more are named, and nothing clean stops."""
    text = PAGE.read_text(encoding="utf-8")
    assert all("\n".join(table) in text for table in (faults_now(), other_lines(), pair_lines()))
    t = pd.read_csv(PRESENT)
    now = t[t["commit"].isin(STATES) & t["first_seed"].notna()]
    own = now[now["what"] == "clear fault"]
    assert set(own["name"]) == set(FAULTS)
    assert own["right"].sum() >= 0.9 * own["studies"].sum()
    assert (own["hints"] <= own["right"]).all()
    assert (own[["right", "wrong"]].max(axis=1) <= own["studies"]).all()
    assert t["stop"].sum() == 0


def test_one_fault_is_counted_anew_and_the_counts_of_the_others_stay(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    path = tmp_path / "power.csv"
    counts().assign(studies=7, found=3, first_seed=4).to_csv(path, index=False)
    monkeypatch.setattr(bench, "spoiled", lambda *_: (None, None))
    monkeypatch.setattr(bench, "explained", lambda _: pd.DataFrame([{}]))
    monkeypatch.setattr(bench, "right", lambda *_: True)
    bench.found_by_size(range(2), path, "dilution")
    after = pd.read_csv(path)
    assert list(dict.fromkeys(after["fault"])) == list(FAULTS)
    assert set(map(tuple, after.loc[after["fault"] == "dilution", ["studies", "found"]].to_numpy())) == {(2, 2)}
    assert set(map(tuple, after.loc[after["fault"] != "dilution", ["studies", "found"]].to_numpy())) == {(7, 3)}


@pytest.mark.slow
def test_counts_are_of_studies_with_that_fault_and_no_more(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A share of a tenth in all analytes of a container is named, one too small for any check is not."""
    fault = FAULTS["dilution"]
    monkeypatch.setattr(bench, "FAULTS", {"dilution": bench.FAULTS["dilution"]})
    assert fault.sizes == (0.03, 0.08, 0.20)
    bench.found_by_size(range(40, 42), tmp_path / "power.csv")
    found = pd.read_csv(tmp_path / "power.csv")
    assert list(found["studies"]) == [2, 2, 2]
    assert found["found"].iloc[2] == 2
    assert found["found"].is_monotonic_increasing


def test_larger_faults_are_found_more_often() -> None:
    """Over all faults together; single rows of some studies may turn round by chance."""
    studies, found = sums()
    assert found[0] < found[1] < found[2] <= studies
