"""The map and the plot of pairs draw their tables, and mark the cause at its place."""

from __future__ import annotations

import warnings
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from matplotlib.patches import Rectangle

from studykit.plot.forms import figure_forms
from studykit.quality import maps
from studykit.quality.assess import QualityReport, assess
from tests.faults.bench import USUAL
from tests.faults.laboratory import make
from tests.faults.planted import spoiled
from tests.quality.test_figures import png, points


@pytest.fixture(scope="module")
def diluted() -> tuple[QualityReport, str]:
    """Container diluted by 20 %, in all analytes."""
    lab, truth = spoiled("dilution", 2, USUAL, 4)
    return assess(*lab.tables(), limits=lab.limits), next(iter(truth.places))


@pytest.fixture(scope="module")
def table(diluted: tuple[QualityReport, str]) -> pd.DataFrame:
    return maps.departures(diluted[0].suspects)


def test_the_map_has_every_cell_once_and_the_wholes(table: pd.DataFrame) -> None:
    assert not table.duplicated(["container", "depth", "analyte"]).any()
    whole = table[table["depth"] == maps.WHOLE]
    assert len(whole) == 12 * 8 - 1  # the diluted container's barium lies below its reporting limit
    # what is common to a container's zones is in its whole: a zone's departures about it have a middle of nought
    assert abs(table.loc[table["depth"] != maps.WHOLE, "standardised"].median()) < 0.2


def test_the_planted_cause_is_marked_at_its_container(table: pd.DataFrame, diluted: tuple[QualityReport, str]) -> None:
    marked = table[table["number"] == 1]
    assert set(marked["container"]) == {diluted[1]}
    assert set(marked["cause"]) == {"diluted or evaporated"}
    assert set(marked.loc[marked["depth"] == maps.WHOLE, "analyte"]) == set(table["analyte"]) - {"Ba"}
    assert maps.furthest(table, 3)["container"].eq(diluted[1]).all()


def test_the_map_draws_its_table(table: pd.DataFrame) -> None:
    figure = maps.map_of(table, str.lower)
    panels = [ax for ax in figure.axes if ax.images and ax.get_subplotspec() is not None]
    assert all(ax.images[0].get_array().shape[1] <= maps.MOST_COLUMNS for ax in panels)
    drawn = np.concatenate([np.ma.filled(ax.images[0].get_array().astype(float), np.nan).ravel() for ax in panels])
    assert np.sort(drawn[np.isfinite(drawn)]) == pytest.approx(np.sort(table["standardised"].to_numpy()))
    frames = [p for ax in panels for p in ax.patches if isinstance(p, Rectangle)]
    assert len(frames) == (table["number"] > 0).sum()
    texts = [t.get_text() for ax in panels for t in ax.texts]
    assert "−1" in texts
    assert "zn" in texts
    assert png(figure).startswith(b"\x89PNG")


@pytest.mark.slow
def test_of_many_containers_those_that_depart_most_are_shown() -> None:
    lab = make(replace(USUAL, containers=30), 3)
    lab.wide.loc[lab.rows(container="C29"), lab.analytes] *= 0.7
    figure = maps.map_of(maps.departures(assess(*lab.tables()).suspects))
    shown = [t.get_text() for t in figure.axes[0].get_yticklabels()]
    assert len(shown) == maps.MOST_ROWS
    assert "C29" in shown


@pytest.mark.parametrize(("boxes", "depths", "analytes"), [
    (1, "upper lower", 1), (1, "upper middle lower", 2), (2, "d1 d2 d3 d4 d5", 6), (3, "upper middle lower", 9),
    (1, "uppermost_zone lowest_of_all", 11)])
def test_maps_of_any_size_are_laid_out_for_page_and_phone(boxes: int, depths: str, analytes: int) -> None:
    """One container, whose names of depths left no room for a row; three panels on four places, as of nine analytes."""
    rows = [(f"K{i}", d, f"analyte {a}", 0.5) for i in range(boxes) for d in [*depths.split(), maps.WHOLE]
            for a in range(analytes)]
    table = pd.DataFrame(rows, columns=["container", "depth", "analyte", "standardised"])
    figure = maps.map_of(table.assign(number=0, cause=""))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        forms = figure_forms(figure)
    assert min(len(forms.png), len(forms.svg)) > 1000


def test_pairs_draw_every_bottle_and_mark_those_of_a_cause(diluted: tuple[QualityReport, str]) -> None:
    table = maps.pairs_table(diluted[0].suspects)
    pairs = table[["across", "up"]].drop_duplicates()
    assert len(pairs) == 4
    assert pairs.to_numpy().ravel().tolist() == list(dict.fromkeys(pairs.to_numpy().ravel()))
    figure = maps.pairs(table)
    first = next(k for k, x in enumerate(pairs.itertuples(index=False)) if "Ba" not in x)  # below its limit where it is diluted
    own = table[table["across"] == pairs["across"].iloc[first]]
    assert np.sort(points(figure, first)[:, 0]) == pytest.approx(np.sort(own["departure_across"].clip(-6, 6).to_numpy()))
    (diamonds,) = [line for line in figure.axes[first].lines if line.get_marker() == "D"]
    assert len(diamonds.get_xdata()) == (own["number"] > 0).sum() > 0


def test_empty_tables_draw_nothing(table: pd.DataFrame) -> None:
    assert maps.map_of(table.iloc[:0]) is None
    assert maps.pairs(pd.DataFrame(columns=["across", "up"])) is None


def test_long_names_stand_on_several_lines() -> None:
    assert maps._folded("kinematic viscosity at 40", 12) == "kinematic\nviscosity at\n40"
    assert maps._folded("P", 12) == "P"
    assert maps._folded("", 12) == ""


def test_pairs_of_analytes_that_go_together_most_come_first() -> None:
    z = np.random.default_rng(3).normal(size=(60, 4))
    z[:, 3] = z[:, 0] + 0.1 * z[:, 3]
    z[:, 1] = -z[:, 2] + 0.5 * z[:, 1]
    assert maps._pairs(SimpleNamespace(first=SimpleNamespace(z=z)), np.arange(60)) == [(0, 3), (1, 2)]


def test_where_nothing_is_named_numbers_are_numbers() -> None:
    """pandas 2.2 warns of a column without a type, and a warning in a notebook is a difference for who rechecks."""
    named = maps.causes(SimpleNamespace(found=()))
    assert named.dtypes[["i", "a", "n"]].astype(str).tolist() == ["int64"] * 3
