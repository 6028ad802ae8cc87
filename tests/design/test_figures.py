"""Design figures draw the tables that stand beside them."""

from __future__ import annotations

import pytest

from studykit.design.cheapest import Aim, Costs, Limits, cheapest
from studykit.design.figures import (
    chance_against_cost,
    chance_against_gradient,
    chance_against_margin,
    cost_table,
    gradient_table,
    margin_table,
)
from studykit.design.operating import Size, chances
from studykit.study.sections import Guess

AIM = Aim(analyte="water", guess=Guess(s_r=12.0, gradient=60.0), margin=50.0, unit="mg/kg")
SIZE = Size(containers=6, depths=3)


def test_gradient_table_runs_from_homogeneous_to_stratified() -> None:
    table = gradient_table(AIM, SIZE)
    assert (table["gradient"].iloc[0], table["gradient"].iloc[-1]) == (0, 100)
    assert table["homogeneous"].is_monotonic_decreasing
    assert table["stratified"].is_monotonic_increasing
    assert (table[["homogeneous", "stratified", "inconclusive"]].sum(axis=1)).tolist() == pytest.approx([100] * 13)
    at = table[table["in_margins"] == 1.0].iloc[0]
    # at the margin no more than alpha
    assert at["homogeneous"] <= 5 + 1e-6


def test_margin_table_holds_the_declared_margin_and_its_chances() -> None:
    table = margin_table(AIM, SIZE)
    row = table.iloc[(table["margin"] - 50).abs().argmin()]
    got = chances(SIZE, AIM.guess, float(row["margin"]))
    assert row["stratified"] == pytest.approx(100 * got.stratified)
    assert table["homogeneous"].is_monotonic_increasing


def test_figures_draw_their_tables() -> None:
    table = gradient_table(AIM, SIZE)
    lines = {line.get_label(): line for line in chance_against_gradient(table, AIM).axes[0].get_lines()}
    assert list(lines["stratified"].get_ydata()) == table["stratified"].tolist()
    margins = margin_table(AIM, SIZE)
    drawn = {line.get_label(): line for line in chance_against_margin(margins, AIM).axes[0].get_lines()}
    assert list(drawn["homogeneous"].get_xdata()) == margins["margin"].tolist()
    assert len({line.get_linestyle() for name, line in drawn.items() if not name.startswith("_")}) == 3


def test_cost_figure_marks_the_cheapest_design() -> None:
    result = cheapest((AIM.__class__(analyte="w", guess=Guess(s_r=12.0), margin=30.0, unit="mg/kg"),),
                      Costs(container=40, sample=10, determination=6), Limits(depths=(3,), max_containers=20))
    assert result.found is not None
    axes = chance_against_cost(result, "hours").axes[0]
    marked = next(line for line in axes.get_lines() if line.get_label() == "cheapest that will do")
    assert (marked.get_xdata()[0], marked.get_ydata()[0]) == (result.found.cost, 100 * result.found.lowest)
    assert axes.get_xlabel() == "cost, hours"
    assert cost_table(result.tried)["cost"].is_monotonic_increasing
