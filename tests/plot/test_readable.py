"""Tables as people read them: intervals in one cell, p in words, nothing done to an empty table."""

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from matplotlib.text import Text

from studykit.notebook.display import table_html
from studykit.plot.readable import as_written, p_text, readable, span_text, without_dust


def test_an_interval_becomes_one_cell_in_the_place_of_its_lower_end():
    table = pd.DataFrame({"a": ["x", "y"], "low": [1.23456, np.nan], "high": [2.0, np.nan], "p": [1e-9, 0.034567]})
    out = readable(table, "interval", p=["p"], names={"a": "analyte"})
    assert list(out.columns) == ["analyte", "interval", "p"]
    assert out["interval"].tolist() == ["1.23 to 2.00", ""]
    assert out["p"].tolist() == ["below 0.0001", "0.035"]
    assert list(table.columns) == ["a", "low", "high", "p"]
    assert list(readable(table, "interval", keep=["interval", "a"]).columns) == ["interval", "a"]
    assert list(readable(table, {"span": ("low", "high")}, drop=["p", "not there"]).columns) == ["a", "span"]


def test_tables_without_rows_or_limits_stay():
    empty = pd.DataFrame(columns=["low", "high"])
    assert readable(empty, "interval") is empty
    assert readable(pd.DataFrame({"a": [1]}), "interval").columns.tolist() == ["a"]


def test_texts_of_what_is_missing():
    assert (p_text(float("nan")), p_text(0.999), span_text(float("nan"), 1.0)) == ("", "above 0.99", "")


def test_a_dollar_in_a_name_begins_no_formula_and_powers_of_ten_stay():
    """Matplotlib sets what stands between two $ as mathematics: a label could then look like a word of the kit's."""
    def drawn(name: str) -> Figure:
        figure = Figure()
        left, right = figure.subplots(1, 2)
        left.set(title=f"{name}: inconclusive", yticks=[0], yticklabels=[name])
        left.text(0, 0, name)
        right.set(xscale="log", xlim=(1, 1000))
        return figure

    name = "zinc $\\mathbf{homogeneous}$"
    texts = [t for t in as_written(drawn(name)).findobj(Text) if name in t.get_text()]
    assert len(texts) == 4  # title, text, and the label on either side of the axis
    assert [t._preprocess_math(t.get_text()) for t in texts] == [(t.get_text(), False) for t in texts]
    assert drawn(name).axes[0].title._preprocess_math(f"{name}: inconclusive")[1]  # what happens without it
    powers = [t for t in as_written(drawn("zinc")).axes[1].get_xticklabels() if t.get_text()]
    assert powers
    assert all(t.get_parse_math() for t in powers)


def test_what_only_the_last_bits_make_is_printed_as_nothing():
    table = pd.DataFrame({"departure": [4.2, -2.38e-16, 0.003], "p": [1e-40, 0.2, 1.0], "chance": [1e-30, 0.1, 0.2],
                          "low": [-3.28e-17, 1.0, 2.0], "high": [2.0, 3.0, 4.0], "D, m²/s": [1e-15, 2e-15, 3e-15],
                          "far": [1e15, 0.05, 2e-9]})
    out = without_dust(table)
    assert out["departure"].tolist() == [4.2, 0.0, 0.003]
    kept = ["p", "chance", "D, m²/s", "far"]  # small numbers that mean what they say
    assert out[kept].equals(table[kept])
    assert readable(table, "interval")["interval"].iloc[0] == "0 to 2.00"
    assert table.loc[1, "departure"] == -2.38e-16
    assert "e\u221216" not in table_html(table[["departure"]], "a table")
