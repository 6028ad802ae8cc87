"""Design figures draw the tables that stand beside them."""

from __future__ import annotations

import pytest

from studykit.design.cheapest import Aim, Costs, Limits, cheapest
from studykit.design.figures import chance_against, chance_against_cost, sweep
from studykit.design.operating import DesignSize, chances
from studykit.study.definition import Assumption

AIM = Aim(analyte="water", guess=Assumption(s_r=12.0, gradient=60.0), margin=50.0, unit="mg/kg")
SIZE = DesignSize(containers=6, depths=3)


def test_gradient_table_runs_from_homogeneous_to_stratified() -> None:
    table = sweep(AIM, SIZE, "gradient")
    assert (table["gradient"].iloc[0], table["gradient"].iloc[-1]) == (0, 100)
    assert table["homogeneous"].is_monotonic_decreasing
    assert table["stratified"].is_monotonic_increasing
    assert (table[["homogeneous", "stratified", "inconclusive"]].sum(axis=1)).tolist() == pytest.approx([100] * 13)
    at = table[table["in_margins"] == 1.0].iloc[0]
    # at the margin no more than alpha and 3.5 standard errors of 8192 studies
    assert at["homogeneous"] <= 5 + 0.85


def test_margin_table_holds_the_declared_margin_and_its_chances() -> None:
    table = sweep(AIM, SIZE, "margin")
    row = table.iloc[(table["margin"] - 50).abs().argmin()]
    got = chances(SIZE, AIM.guess, float(row["margin"]))
    assert row["stratified"] == pytest.approx(100 * got.stratified)
    assert table["homogeneous"].is_monotonic_increasing


def test_figures_draw_their_tables() -> None:
    table = sweep(AIM, SIZE, "gradient")
    lines = {line.get_label(): line for line in chance_against("gradient", table, AIM).axes[0].get_lines()}
    assert list(lines["stratified"].get_ydata()) == table["stratified"].tolist()
    margins = sweep(AIM, SIZE, "margin")
    drawn = {line.get_label(): line for line in chance_against("margin", margins, AIM).axes[0].get_lines()}
    assert list(drawn["homogeneous"].get_xdata()) == margins["margin"].tolist()
    assert len({line.get_linestyle() for name, line in drawn.items() if not name.startswith("_")}) == 3


def test_cost_figure_marks_the_cheapest_design() -> None:
    result = cheapest((AIM.__class__(analyte="w", guess=Assumption(s_r=12.0), margin=30.0, unit="mg/kg"),),
                      Costs(container=40, sample=10, determination=6), Limits(depths=(3,), max_containers=20))
    assert result.found is not None
    axes = chance_against_cost(result, "hours").axes[0]
    marked = next(line for line in axes.get_lines() if line.get_label() == "cheapest that will do")
    assert (marked.get_xdata()[0], marked.get_ydata()[0]) == (result.found.cost, 100 * result.found.lowest)
    assert axes.get_xlabel() == "cost, hours"
    edge = next(line for line in axes.get_lines() if line.get_label() == "best for its cost")
    assert (edge.get_xdata()[1:] > edge.get_xdata()[:-1]).all()
    assert (edge.get_ydata()[1:] > edge.get_ydata()[:-1]).all()
