"""Figures and tables of large studies say how much of them is drawn, and leave out nothing that lies far out."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from studykit.notebook import display
from studykit.plot import many
from studykit.quality import figures


def test_the_outermost_marks_and_a_sample_are_drawn() -> None:
    size = np.random.default_rng(3).normal(size=20_000)
    seen = many.few(size)
    assert len(seen) <= many.MARKS
    assert set(np.argsort(-np.abs(size))[: many.MARKS // 5]) <= set(seen)
    assert list(seen) == sorted(seen)
    assert list(many.few(size[:100])) == list(range(100))


def test_of_hundreds_of_runs_the_furthest_are_drawn() -> None:
    rows = [("P", "%", f"R{r:03d}", p, f"S{r}{p}", "zone or whole", 5.0 if r == 77 else 0.01 * p)
            for r in range(300) for p in range(6)]
    table = pd.DataFrame(rows, columns=["analyte", "unit", "run", "run_order", "sample", "what", "departure"])
    (ax,) = figures.run_order(table).axes
    told = [t.get_text().strip() for t in ax.texts]
    assert "R077" in told
    assert f"{many.RUNS} of 300 runs drawn, the outermost among them" in told


def test_a_figure_of_containers_left_out_stays_low() -> None:
    table = pd.DataFrame({"left_out": [f"C{k}" for k in range(300)], "estimate": 1.0, "low": 0.0, "high": 2.0,
                          "verdict": "homogeneous", "changed": [k == 250 for k in range(300)]})
    figure = figures.leave_one_out(table, table.iloc[0])
    assert figure.get_size_inches()[1] < 12
    assert "C250: homogeneous" in [t.get_text() for t in figure.axes[0].get_yticklabels()]


def test_a_long_table_shows_its_first_rows_and_names_the_file(monkeypatch: pytest.MonkeyPatch) -> None:
    shown: list[dict[str, str]] = []
    monkeypatch.setattr(display, "display", lambda data, **_: shown.append(data))
    table = pd.DataFrame({"container": [f"C{k:04d}" for k in range(5000)], "value": np.arange(5000.0)})
    display.show_table(table, caption="Each container.", file="each.csv")
    display.show_table(table.head(display.LONG), caption="Each container.")
    assert "Each container. Shown: the first 40 of 5,000 rows; all of them in each.csv." in shown[0]["text/html"]
    assert shown[0]["text/html"].count("<tr>") == 1 + display.ROWS
    assert len(shown[0]["text/html"]) < 5000
    assert shown[1]["text/html"].count("<tr>") == 1 + display.LONG
