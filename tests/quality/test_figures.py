"""Quality figures draw exactly the table that they are given, and survive empty and odd ones."""

from __future__ import annotations

import io
import warnings

import numpy as np
import pandas as pd
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from studykit.inference.influence import leave_one_out, residual_table
from studykit.quality import figures
from studykit.quality.assess import QualityReport, assess
from tests.inference.test_influence import contrasts, refit
from tests.quality_cases import build


@pytest.fixture(scope="module")
def report() -> QualityReport:
    return assess(*build(1).tables())


def points(figure: Figure, panel: int = 0) -> np.ndarray:
    """All marked points of a panel, sorted by x."""
    lines = [line for line in figure.axes[panel].lines if line.get_marker() not in ("None", "", None)]
    xy = np.vstack([np.column_stack([line.get_xdata(), line.get_ydata()]).astype(float) for line in lines])
    return xy[np.lexsort((xy[:, 1], xy[:, 0]))]


def png(figure: Figure) -> bytes:
    out = io.BytesIO()
    figure.savefig(out, format="png")
    return out.getvalue()


def test_run_order_draws_every_departure(report: QualityReport) -> None:
    table = figures.run_order_table(report.working, ["P", "Si"])
    assert set(table["unit"]) == {"%"}
    figure = figures.run_order(table)
    own = table[table["analyte"] == "P"]
    assert len(points(figure)) == len(own)
    assert np.sort(points(figure)[:, 1]) == pytest.approx(np.sort(own["departure"].to_numpy()))
    assert png(figure).startswith(b"\x89PNG")


def test_departures_are_free_of_container_and_depth(report: QualityReport) -> None:
    """A steep, common profile leaves departures no larger than scatter of about 5 %."""
    table = figures.run_order_table(report.working, ["Si"])
    zones = table[~table["sample"].str.startswith("X")]
    assert zones["departure"].std() < 8


def test_duplicates_draws_every_judged_pair(report: QualityReport) -> None:
    figure = figures.duplicates(report.duplicates)
    assert len(points(figure)) == len(report.duplicates)
    wild = report.duplicates.assign(difference=1e6)
    assert points(figures.duplicates(wild))[:, 0].max() == 3
    assert png(figures.duplicates(report.duplicates.iloc[:0])).startswith(b"\x89PNG")


def test_residual_figures_draw_their_table() -> None:
    rng = np.random.default_rng(3)
    table = residual_table(rng.normal(size=30), rng.normal(size=30), container=[f"C{i % 10}" for i in range(30)],
                           sample=[f"S{i}" for i in range(30)])
    drawn = points(figures.normal_scores(table))
    assert drawn[:, 0] == pytest.approx(np.sort(table["normal_score"].to_numpy()))
    figure = figures.normal_scores(table)
    codes = figure.axes[0].texts
    assert 2 <= len(codes) <= 5
    FigureCanvasAgg(figure).draw()
    boxes = [t.get_window_extent() for t in codes]
    assert not any(a.overlaps(b) for i, a in enumerate(boxes) for b in boxes[:i])
    level = points(figures.scale_against_level(table))
    assert level[:, 0] == pytest.approx(np.sort(table["fitted"].to_numpy()))
    assert (level[:, 1] >= 0).all()


def test_leave_one_out_marks_what_changes_the_verdict() -> None:
    data = contrasts([0.1, -0.2, 0.0, 0.2, 30.0])
    got = leave_one_out(data, list(data["container"]), refit)
    figure = figures.leave_one_out(got.to_table(), got.full, margin=(-4.76, 5.0), unit="%")
    marks = [line.get_marker() for line in figure.axes[0].lines]
    assert marks.count("D") == 1
    assert any("C4: homogeneous" in t.get_text() for t in figure.axes[0].get_yticklabels())
    dashed = [line.get_xdata()[0] for line in figure.axes[0].lines if line.is_dashed()]
    assert dashed == [got.full["low"], got.full["high"]]
    band, = figure.axes[0].patches  # one meaning of the grey band everywhere: the margin
    assert band.get_extents().transformed(figure.axes[0].transData.inverted()).intervalx == pytest.approx([-4.76, 5.0])


@pytest.mark.parametrize("margin", [(-4.76, np.inf), (-np.inf, 5.0)])
def test_the_band_of_a_one_sided_margin_ends_at_the_rim(margin: tuple[float, float]) -> None:
    data = contrasts([0.1, -0.2, 0.0, 0.2, 1.0])
    got = leave_one_out(data, list(data["container"]), refit)
    figure = figures.leave_one_out(got.to_table(), got.full, margin=margin, unit="%")
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        figure.savefig(io.BytesIO())
    ax = figure.axes[0]
    band, = ax.patches
    low, high = band.get_extents().transformed(ax.transData.inverted()).intervalx
    assert [low, high] == pytest.approx([max(margin[0], ax.get_xlim()[0]), min(margin[1], ax.get_xlim()[1])])
    assert low < high


def test_one_run_and_one_analyte(report: QualityReport) -> None:
    table = figures.run_order_table(report.working, ["Ca"])
    assert len(figures.run_order(table[table["run"] == "1"]).axes) == 1
    assert isinstance(figures.run_order(pd.DataFrame(columns=table.columns)), Figure)


def test_no_repeats_draw_nothing_and_say_so() -> None:
    none = pd.DataFrame({"analyte": ["Si"], "kind": ["same zone"], "difference": [1.0], "limit": [float("nan")]})
    assert figures.duplicates(none).axes == []
    assert "no sample was measured twice" in figures.duplicates(none).texts[0].get_text()


def test_runs_stand_in_the_sequence_of_their_numbers() -> None:
    working = pd.DataFrame({"analyte": "Ca", "unit": "mg/kg", "run": [f"R{k}" for k in (10, 2, 1, 10, 2, 1)],
                            "run_order": [1, 1, 1, 2, 2, 2], "sample": list("abcdef"), "kind": "spot",
                            "container": list("uvwuvw"), "label": "upper",
                            "y": [1.0, 2.0, 3.0, 1.1, 2.1, 3.1], "relative": False})
    table = figures.run_order_table(working)
    assert list(table["run"]) == ["R1", "R1", "R2", "R2", "R10", "R10"]
    texts = [(t.get_position()[0], t.get_text().strip()) for t in figures.run_order(table).axes[0].texts]
    assert [name for _, name in sorted(texts)] == ["R1", "R2", "R10"]
