"""Choosing containers from a stock list, and those that stay shut until a later visit."""

from __future__ import annotations

import pandas as pd
import pytest

from studykit.core.errors import BadInput
from studykit.study.inventory import choose_containers, choose_sisters
from tests.sampling_examples import container_table, stock_rows, study


@pytest.fixture
def rows() -> list[dict[str, str]]:
    return [r | {"treatment": ""} for r in stock_rows(12)]


def test_a_control_in_the_list_is_always_taken_and_never_counts_as_stored(rows, tmp_path) -> None:
    rows[3]["treatment"] = "layered control"
    stock = container_table(rows, tmp_path)
    for seed in range(20):
        s = study(seed=seed, design={"containers": 4, "controls": ["layered control"]})
        chosen = choose_containers(stock, s)
        assert chosen["treatment"].tolist() == ["stored"] * 4 + ["layered control"]
        assert chosen["container"].iloc[-1] == rows[3]["container"]


def test_a_remixed_control_in_the_list_takes_the_place_of_the_chosen_one(rows, tmp_path) -> None:
    rows[5]["treatment"] = "remixed control"
    s = study(design={"containers": 4, "controls": ["remixed control"]})
    chosen = choose_containers(container_table(rows, tmp_path), s)
    assert chosen["treatment"].tolist() == ["stored"] * 4 + ["remixed control"]


def test_controls_do_not_fill_up_a_small_stock(rows, tmp_path) -> None:
    rows = rows[:4]
    rows[0]["treatment"] = "layered control"
    with pytest.raises(BadInput, match="asks for 4 containers, but the stock list has 3"):
        choose_containers(container_table(rows, tmp_path), study(design={"containers": 4, "controls": []}))


def test_a_sister_has_the_same_lot_store_and_vessel_and_the_nearest_day(rows, tmp_path) -> None:
    rows[0]["filled_on"], rows[4]["filled_on"], rows[8]["filled_on"] = "2025-02-01", "2025-02-20", "2025-01-28"
    stock = container_table(rows, tmp_path)
    chosen = stock.iloc[[0]].assign(treatment="stored")
    table = choose_sisters(stock, chosen)
    assert table[["container", "sister_of"]].to_numpy().tolist() == [[rows[8]["container"], rows[0]["container"]]]
    used = choose_sisters(stock, stock.iloc[[0, 8]].assign(treatment="stored"))
    assert used["container"].tolist() == [rows[4]["container"]]  # one left for two: no container is named twice


def test_no_sister_without_a_match_and_none_for_a_control(rows, tmp_path) -> None:
    rows[0]["lot"] = "alone"
    stock = container_table(rows, tmp_path)
    assert choose_sisters(stock, stock.iloc[[0]].assign(treatment="stored")).empty
    assert choose_sisters(stock, stock.iloc[[1]].assign(treatment="remixed control")).empty


def test_unknown_days_of_filling_still_give_a_sister(rows, tmp_path) -> None:
    for r in rows:
        r["filled_on"] = ""
    stock = container_table(rows, tmp_path)
    table = choose_sisters(stock, stock.iloc[[0]].assign(treatment="stored"))
    assert len(table) == 1
    assert pd.isna(table["filled_on"].iloc[0])
