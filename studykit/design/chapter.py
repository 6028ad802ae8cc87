"""The figures of the design notebook with their texts, its record of numbers, and the explorer."""

from __future__ import annotations

from typing import Protocol

import pandas as pd
from matplotlib.figure import Figure

from studykit.design.assumptions import Proposal
from studykit.design.cheapest import SearchResult
from studykit.design.figures import (
    chance_against_cost,
    chance_against_gradient,
    chance_against_margin,
    gradient_table,
    margin_table,
)
from studykit.design.operating import beyond_share_bound, resolvable_margin
from studykit.design.tables import NOTHING, DesignView, chance_percent, with_gradient


class Recording(Protocol):
    """What ``record_design`` needs of an open stage."""

    def record(self, name: str, value: float | int | str, unit: str = "", digits: int = 3, *, kind: str = "",
               table: str = "") -> str: ...


def gradient_curve(view: DesignView) -> pd.DataFrame:
    """Chances (per cent) against the true difference, for the analyte drawn."""
    aim = view.shown
    if aim is None:
        return pd.DataFrame({"note": [NOTHING]})
    return _curve(gradient_table(aim, view.size, view.study.alpha))


def margin_curve(view: DesignView) -> pd.DataFrame:
    """Chances (per cent) against the margin if nothing had settled, for the analyte drawn."""
    aim = view.shown
    if aim is None:
        return pd.DataFrame({"note": [NOTHING]})
    return _curve(margin_table(with_gradient(aim, 0.0), view.size, view.study.alpha))


def _curve(table: pd.DataFrame) -> pd.DataFrame:
    return table.round({"homogeneous": 3, "stratified": 3, "inconclusive": 3})


def gradient_figure(view: DesignView, table: pd.DataFrame) -> Figure:
    """Draws ``gradient_curve``."""
    return _nothing_to_draw() if view.shown is None else chance_against_gradient(table, view.shown)


def margin_figure(view: DesignView, table: pd.DataFrame) -> Figure:
    """Draws ``margin_curve``."""
    return _nothing_to_draw() if view.shown is None else chance_against_margin(table, view.shown)


def cost_figure(view: DesignView, found: SearchResult | None) -> Figure:
    """Chance against cost of every design tried."""
    return _nothing_to_draw() if found is None else chance_against_cost(found, view.settings.currency)


def _nothing_to_draw() -> Figure:
    figure = Figure(figsize=(5, 0.6))
    figure.text(0.02, 0.5, "nothing to draw: see the table", va="center", fontsize=9)
    return figure


def curve_alt(table: pd.DataFrame, x: str, view: DesignView) -> str:
    """What a curve figure shows, in words with its end points."""
    if view.shown is None:
        return "Nothing to draw."
    first, last = table.iloc[0], table.iloc[-1]
    return (f"Chance of each verdict for {view.shown.analyte} against the {x}: homogeneous from "
            f"{first['homogeneous']:.0f} % at {first[x]:.3g} {view.shown.unit} to {last['homogeneous']:.0f} % at "
            f"{last[x]:.3g} {view.shown.unit}, stratified from {first['stratified']:.0f} % to "
            f"{last['stratified']:.0f} %.")


def cost_alt(found: SearchResult | None) -> str:
    """What the cost figure shows, in words."""
    if found is None:
        return "Nothing to draw."
    return f"Chance of the right verdict against cost for {len(found.tried)} designs. {found.proof()}"


def record_design(stage: Recording, view: DesignView, found: SearchResult | None, plan: Proposal) -> None:
    """Record what the report quotes of the design."""
    stage.record("planned containers", view.size.containers)
    stage.record("planned determinations per sample", view.size.replicates)
    stage.record("planned samples with controls", plan.samples, table="plan")
    if view.study.scope != "container":
        stage.record("share of containers beyond the margin still possible if none is",
                     100 * beyond_share_bound(view.size.containers, view.study.alpha), "%")
    for a in view.aims:
        still = with_gradient(a, 0.0)
        stage.record(f"{a.analyte}, chance of homogeneous if nothing settled", chance_percent(still, view, "homogeneous"),
                     "%", table="chances")
        least = resolvable_margin(view.size, still.guess, alpha=view.study.alpha)
        stage.record(f"{a.analyte}, smallest margin shown in 80 % of studies", a.shown(least), a.unit,
                     table="chances")
    if found is not None and found.found is not None:
        stage.record("cost of the cheapest design", found.found.cost, view.settings.currency, table="cheapest")
