"""Containers as a grid: a mark a container and analyte, those to treat above the line, and the same in words."""

from __future__ import annotations

import pandas as pd
import pytest
from matplotlib.figure import Figure

from studykit.model import tables as model_tables
from studykit.plot.forms import figure_forms, settled_box
from studykit.plot.narrow import ROOM, narrowed
from studykit.report.vectors import odd_parts
from studykit.verdict import cleared, floors, grid
from tests.verdict.test_shares import mixture
from tests.verdict_cases import make


@pytest.fixture(scope="module")
def stock(tmp_path_factory: pytest.TempPathFactory) -> tuple[object, pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Four of 24 containers settled far beyond the margin, one without a lower result, one with a limit, one floor beyond."""
    cells = mixture(4)
    cells["C5"].pop("lower")
    cells["C6"]["upper"] = ["<120"]
    cells["C7"]["heel"] = [160.0, 160.0]
    stage = make(tmp_path_factory.mktemp("grid") / "s", cells, margin={"absolute": 5.0})
    models = model_tables.fit_all(stage)
    named = floors.beyond(stage, models)
    return stage.study, cleared.words(stage, models, named), named, cleared.within(stage, models)


def called(study, names):
    """The study with the analyte P under these keys and names."""
    one = study.analytes["P"]
    return study.model_copy(update={"analytes": {k: one.model_copy(update={"label": n}) for k, n in names.items()}})


def marks(figure: Figure) -> dict[str, set[tuple[str, int]]]:
    """Of each kind of mark the containers and columns where it stands."""
    ax = figure.axes[0]
    rows = [t.get_text() for t in ax.get_yticklabels()]
    return {str(line.get_marker()): {(rows[int(y)], int(x)) for x, y in line.get_xydata()}
            for line in ax.lines if line.get_linestyle() == "None"}


def test_each_container_has_the_mark_of_its_word_and_those_beyond_come_first(stock):
    study, table, named, within = stock
    figure = grid.figure(table, study)
    found = marks(figure)
    assert {c for c, _ in found["D"]} == set(named["container"]) > {"C7"}
    assert {c for c, _ in found["o"]} == set(within.loc[within["within"] == "yes", "container"])
    assert sum(map(len, found.values())) == len(table) == 24
    order = [t.get_text() for t in figure.axes[0].get_yticklabels()]
    assert set(order[:len(found["D"])]) == {c for c, _ in found["D"]}
    (line,) = [line for line in figure.axes[0].lines if line.get_linestyle() == "-" and line.get_color() == grid.INK]
    assert line.get_ydata()[0] == len(found["D"]) - 0.5
    assert figure.axes[0].get_title(loc="left") == f"{len(found['D'])} of 24 containers shown beyond"
    columns = len(set(table["analyte"]))  # every mark stands inside, with half a column and row about it
    assert figure.axes[0].get_xlim() == pytest.approx((-0.6, columns - 0.4))
    assert figure.axes[0].get_ylim() == pytest.approx((24 - 0.4, -0.6))


def test_the_table_counts_and_the_words_name_them(stock):
    study, table, named, _ = stock
    (row,) = grid.counts(table).to_dict("records")
    assert row["shown beyond"] + row["shown within"] + row["neither shown"] + row["cannot be judged"] == row["containers"] == 24
    assert row["shown beyond"] == named["container"].nunique()
    told = grid.alt(table, study)
    assert all(c in told for c in named["container"])
    assert study.label_of("P") in told


def test_the_words_name_all_that_is_to_be_treated_or_left_open_and_count_the_others(stock):
    study, _, _, _ = stock
    study = called(study, {"P": "phosphorus", "Q": "silicon", "R": "water"})
    of = {"P": ["beyond"] * 15 + ["open"] * 2 + ["within"] * 5, "Q": ["beyond"] * 2 + ["within"] * 20,
          "R": [cleared.CLOSED] * 22}
    rows = [(f"K{k:02d}", a, word) for a, words in of.items() for k, word in enumerate(words)]
    table = pd.DataFrame(rows, columns=["container", "analyte", "word"])
    first, second, rest, *told = grid.alt(table, study).removesuffix(".").split(". ")
    assert first == "Containers in rows, analytes in columns: 15 of 22 containers shown beyond"
    assert second == "Beyond by phosphorus and silicon: K00 and K01"
    assert rest == f"Beyond by phosphorus: {', '.join(f'K{k:02d}' for k in range(2, 14))} and K14"  # more than twelve
    assert told == ["Undecided, and not shown beyond: K15 and K16", "No single container can be judged by water"]
    two = table[table["analyte"] != "R"]
    assert grid.alt(two, study).endswith("K15 and K16. Shown within by every analyte: 5.")
    all_open = table[table["analyte"] == "Q"].assign(word=cleared.OPEN)
    assert grid.alt(all_open, study).endswith("none of 22 containers shown beyond. Undecided, and not shown beyond: all 22.")


def test_a_long_name_stands_on_several_lines_and_does_not_push_the_rows_down(stock):
    study, table, _, _ = stock
    heights = []
    for name in ("phosphorus of twenty-six l", "Polyalkylenglykol-Anteil (Karl-Fischer-korrigiert)"):
        figure = grid.figure(table, called(study, {"P": name}))
        heights.append(figure.get_figheight())
        assert figure.axes[0].get_xticklabels()[0].get_text().replace("\n", " ").replace("- ", "-") == name
    assert heights[1] <= heights[0]


def test_the_legend_names_the_marks_that_are_drawn(stock):
    study, table, _, _ = stock
    few = table[table["word"].isin([cleared.BEYOND, cleared.WITHIN])]
    (legend,) = grid.figure(few, study).legends
    assert [t.get_text() for t in legend.get_texts()] == [grid.TOLD[w] for w in grid.LOOK if w in set(few["word"])]
    assert len(legend.get_texts()) == 2


@pytest.mark.slow
def test_of_many_containers_those_to_treat_are_drawn_and_one_needs_no_grid(stock):
    study, table, _, _ = stock
    many = pd.concat([table.assign(container=table["container"] + f"-{k}") for k in range(3)], ignore_index=True)
    figure = grid.figure(many, study)
    shown = [t.get_text() for t in figure.axes[0].get_yticklabels()]
    assert len(shown) == grid.MOST
    assert set(many.loc[many["word"] == cleared.BEYOND, "container"]) <= set(shown)
    assert figure.axes[0].get_title(loc="left").endswith(f"of 72 containers shown beyond (first {grid.MOST} drawn)")
    assert grid.figure(table[table["container"] == "C0"], study) is None
    assert grid.figure(table.iloc[:0], study) is None


@pytest.mark.slow
def test_an_analyte_by_which_none_can_be_judged_has_its_own_mark(stock):
    study, table, _, _ = stock
    closed = table.assign(word=cleared.CLOSED, judged=cleared.NO)
    assert set(marks(grid.figure(closed, study))["_"]) == {(c, 0) for c in table["container"]}
    assert grid.counts(closed)["cannot be judged"].tolist() == [24]
    assert settled_box(narrowed(grid.figure(closed, study))).width <= ROOM
    assert odd_parts(figure_forms(grid.figure(table, study)).svg) == ""  # else the page would show a PNG


@pytest.mark.slow
def test_a_container_without_any_result_is_not_told_as_undecided(tmp_path):
    cells = mixture(4)
    for zone in list(cells["C5"]):
        cells["C5"][zone] = []
    stage = make(tmp_path / "s", cells, margin={"absolute": 5.0})
    models = model_tables.fit_all(stage)
    table = cleared.words(stage, models)
    assert list(table.loc[table["word"] == cleared.NONE, "container"]) == ["C5"]
    assert grid.counts(table)["no result"].tolist() == [1]
    assert marks(grid.figure(table, stage.study))["x"] == {("C5", 0)}
    told = grid.alt(table, stage.study)
    assert "Without any result: C5" in told
    assert "C5" not in told.partition("Without any result")[0]
    own = cleared.within(stage, models).set_index("container").loc["C5"]
    assert (own["within"], own["left open by"]) == ("no", cleared.NO_RESULT)
