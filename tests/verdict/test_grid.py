"""Containers as a grid: a mark a container and analyte, those to treat above the line, and the same in words."""

from __future__ import annotations

import numpy as np
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


def test_the_looks_of_lines_and_letters_are_as_they_stood(stock):
    """No outside source: sizes that were settled by eye, in points; names of analytes stand upright, rows have no marks."""
    study, table, _, _ = stock
    figure = grid.figure(table, study)
    ax = figure.axes[0]
    assert {t.get_fontsize() for t in ax.get_yticklabels()} == {t.get_fontsize() for t in figure.legends[0].get_texts()} == {7}
    assert {(t.get_fontsize(), t.get_rotation()) for t in ax.get_xticklabels()} == {(7.5, 90)}
    title = ax.title if ax.title.get_text() else ax._left_title
    assert (title.get_fontsize(), ax.titleOffsetTrans._t[1] * 72) == (9, pytest.approx(6))
    lines = {(line.get_color(), line.get_linewidth(), line.get_alpha()) for line in ax.lines if line.get_linestyle() == "-"}
    assert lines == {(grid.THIN, 0.3, 0.5), (grid.INK, 0.8, None)}
    assert {line.get_zorder() for line in ax.lines if line.get_color() == grid.THIN and line.get_linestyle() == "-"} == {0}
    assert {line.get_markersize() for line in ax.xaxis.get_ticklines()} == {0}
    assert not any(side.get_visible() for side in ax.spines.values())


WORDS = [cleared.BEYOND, cleared.WITHIN, cleared.OPEN, cleared.NONE, cleared.CLOSED]


def drawn_lots(seed: int, boxes: int, analytes: int) -> dict[tuple[str, str], str]:
    """A word by chance for each container and analyte."""
    chance = np.random.default_rng(seed)
    return {(f"B{c:02d}", f"A{a}"): WORDS[k] for a in range(analytes)
            for c, k in enumerate(chance.choice(5, boxes, p=(0.2, 0.4, 0.2, 0.1, 0.1)))}


def as_table(words: dict[tuple[str, str], str]) -> pd.DataFrame:
    return pd.DataFrame([(*key, word) for key, word in words.items()], columns=["container", "analyte", "word"])


@pytest.mark.parametrize(("seed", "boxes", "analytes"), [(1, 2, 1), (2, 9, 1), (3, 7, 3), (4, 39, 2), (5, 40, 1),
                                                       (6, 41, 2), (7, 45, 12)])
def test_rows_counts_marks_and_words_of_lots_by_chance_are_those_counted_one_by_one(stock, seed, boxes, analytes):
    """Brute force: every cell looked at alone, containers put in order by a plain sort."""
    words, codes = drawn_lots(seed, boxes, analytes), [f"B{c:02d}" for c in range(boxes)]
    names = [f"A{a}" for a in range(analytes)]
    table, study = as_table(words), called(stock[0], {a: "name" + a * (k + 1) for k, a in enumerate(names[::-1])})
    of = {c: [words[c, a] for a in names] for c in codes}
    order = sorted(codes, key=lambda c: (-of[c].count(cleared.BEYOND), of[c].count(cleared.WITHIN)))
    assert grid.rows_of(table) == order
    told = ["shown beyond", "shown within", "neither shown", "no result", "cannot be judged"]
    counted = grid.counts(table).set_index("analyte")
    for a in names:
        column = [words[c, a] for c in codes]
        assert counted.loc[a].to_dict() == {"containers": boxes} | {
            t: column.count(w) for t, w in zip(told, WORDS, strict=True)}
    figure = grid.figure(table, study)
    ax, shown = figure.axes[0], order[:40]
    beyond = [c for c in codes if cleared.BEYOND in of[c]]
    assert [t.get_text() for t in ax.get_yticklabels()] == shown
    assert [t.get_text() for t in ax.get_xticklabels()] == [study.label_of(a) for a in names]
    for word, look in grid.LOOK.items():
        assert marks(figure)[look["marker"]] == {(c, k) for c in shown for k, a in enumerate(names) if words[c, a] == word}
    lines = [float(line.get_ydata()[0]) for line in ax.lines if line.get_linestyle() == "-"]
    edge = sum(c in beyond for c in shown)
    assert lines == [*map(float, range(len(shown))), *([edge - 0.5] if 0 < edge < len(shown) else [])]
    assert [t.get_text() for t in figure.legends[0].get_texts()] == [grid.TOLD[w] for w in WORDS if w in words.values()]
    title = f"{len(beyond) or 'none'} of {boxes} containers shown beyond" + " (first 40 drawn)" * (boxes > 40)
    assert ax.get_title(loc="left") == title
    assert f"columns: {title}" in grid.alt(table, study)
    assert ax.get_xlim() == pytest.approx((-0.6, analytes - 0.4))
    assert ax.get_ylim() == pytest.approx((len(shown) - 0.4, -0.6))
    longest = max(len(study.label_of(a)) for a in names)
    # inches: a row each, a letter each of the longest name, half an inch a column up to a page's width
    assert figure.get_size_inches() == pytest.approx([min(7, 1.4 + analytes / 2), 1.25 + longest * 0.055 + 0.19 * len(shown)])


@pytest.mark.parametrize("word", WORDS)
def test_two_containers_of_one_word_are_told_as_all(stock, word):
    """No line is drawn where all or none are beyond; a single container is no grid."""
    study = called(stock[0], {"A0": "zinc"})
    table = as_table({("B1", "A0"): word, ("B2", "A0"): word})
    figure = grid.figure(table, study)
    assert [float(line.get_ydata()[0]) for line in figure.axes[0].lines if line.get_linestyle() == "-"] == [0.0, 1.0]
    told = {cleared.BEYOND: "2 of 2 containers shown beyond. Beyond by zinc: all 2.",
            cleared.WITHIN: "none of 2 containers shown beyond. Shown within by every analyte: 2.",
            cleared.OPEN: "none of 2 containers shown beyond. Undecided, and not shown beyond: all 2.",
            cleared.NONE: "none of 2 containers shown beyond. Without any result: all 2.",
            cleared.CLOSED: "none of 2 containers shown beyond. No single container can be judged by zinc."}
    assert grid.alt(table, study) == f"Containers in rows, analytes in columns: {told[word]}"
    one = pd.concat([table.iloc[:1], table.iloc[:1].assign(analyte="A1")])
    assert (grid.figure(one, study), grid.alt(one, study)) == (None, "no figure")


def test_who_is_named_under_which_word_and_names_over_forty_are_counted(stock):
    study = called(stock[0], {"P": "phosphorus", "Q": "silicon"})
    far, open_, none, within = cleared.BEYOND, cleared.OPEN, cleared.NONE, cleared.WITHIN
    pairs = [(far, within), (far, open_), (within, far), (far, far), (open_, within), (none, open_), (none, within),
             (far, none), (within, within)]
    table = as_table({(f"K{k}", a): w for k, pair in enumerate(pairs) for a, w in zip("PQ", pair, strict=True)})
    assert grid.rows_of(table) == ["K3", "K1", "K7", "K0", "K2", "K5", "K4", "K6", "K8"]
    assert grid.alt(table, study) == (
        "Containers in rows, analytes in columns: 5 of 9 containers shown beyond. Beyond by phosphorus and silicon: K3. "
        "Beyond by phosphorus: K1, K7 and K0. Beyond by silicon: K2. Undecided, and not shown beyond: K5 and K4. "
        "Without any result: K5 and K6. Shown within by every analyte: 1.")
    many = called(stock[0], {f"A{k}": f"n{k}" for k in range(41)})
    for analytes, told in ((40, "n38 and n39"), (41, "n39 and 1 more")):
        words = {(c, f"A{k}"): far if c == "K0" else within for c in ("K0", "K1") for k in range(analytes)}
        assert f"{told}: K0. Shown" in grid.alt(as_table(words), many)
    one = grid.figure(as_table({("K0", "P"): far, ("K1", "P"): within, ("K2", "P"): within}), study)
    assert [line.get_ydata()[0] for line in one.axes[0].lines if line.get_linewidth() == 0.8] == [0.5]  # below the one beyond
    for far_ones, told in ((40, "K39"), (41, "1 more")):
        words = {(f"K{k:02d}", "P"): far if k < far_ones else within for k in range(50)}
        assert grid.alt(as_table(words), study).partition(". Shown")[0].endswith(f"and {told}")
