"""Large tables as CSV: the same cells as pandas reads back, whatever the texts hold."""

from __future__ import annotations

import io

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from studykit.core.files import table_bytes


def back(data: bytes) -> list[list[str]]:
    return pd.read_csv(io.BytesIO(data), dtype=str, keep_default_na=False).values.tolist()


def test_kinds_of_columns() -> None:
    table = pd.DataFrame({
        "text": ["007", 'a "b", c', "line\nbreak"], "float": [9.8, np.nan, 12.0], "whole": [3, 1, 2],
        "maybe": pd.array([1, None, 3], dtype="Int64"), "day": pd.to_datetime(["2026-05-04", None, "2026-05-05"]),
        "shared": pd.Categorical(["x", "x", "y"]), "flag": [True, False, True]})
    assert back(table_bytes(table)) == [
        ["007", "9.8", "3", "1", "2026-05-04", "x", "True"], ['a "b", c', "", "1", "", "", "x", "False"],
        ["line\nbreak", "12.0", "2", "3", "2026-05-05", "y", "True"]]


def test_safe_columns_and_empty_tables() -> None:
    table = pd.DataFrame({"a": ["=1+1", "-3.2", "+x"], "b": ["=1", "=2", "=3"]})
    assert back(table_bytes(table, safe=("a",))) == [["'=1+1", "=1"], ["-3.2", "=2"], ["'+x", "=3"]]
    assert table_bytes(pd.DataFrame(columns=["a", "b,c"])) == b'a,"b,c"\n'


@pytest.mark.slow
@settings(max_examples=150, deadline=None, derandomize=True)
@given(st.lists(st.tuples(st.text(st.characters(blacklist_categories=["Cs"], blacklist_characters="\r\0")),
                          st.floats(allow_nan=False)), min_size=1, max_size=20))
def test_every_text_and_number_comes_back(rows: list[tuple[str, float]]) -> None:
    table = pd.DataFrame(rows, columns=["t", "v"]).assign(last="x").astype({"t": object})
    got = back(table_bytes(table))
    assert [r[0] for r in got] == [t for t, _ in rows]
    assert [float(r[1]) for r in got] == [v for _, v in rows]
