"""Every figure draws the table it is given: labels with units, the margin's band, a mark for each verdict word."""

import math

import pandas as pd
import pytest

from studykit.model import profile as model_profile
from studykit.model import tables as model_tables
from studykit.plot import many
from studykit.plot import profiles as figures
from studykit.plot.forms import settled_box
from studykit.plot.narrow import ROOM, narrowed
from studykit.study.spans import in_times
from studykit.verdict.rule import judge
from tests.model.test_fit import DEPTHS, fit, layered


@pytest.fixture(scope="module")
def judged():
    study, m = fit(layered(gradient=0.02), DEPTHS, {"relative_percent": 5})
    return study, [m], judge(study, [m]).words()


def test_profile_table_holds_mean_and_containers(judged):
    study, models, _ = judged
    table = model_tables.profiles(models, study)
    assert set(table["who"]) == {"mean", *(f"C{i}" for i in range(6))}
    top = table[table["depth"] == "upper"]
    assert (top["difference"] == 0).all()
    mean = table[(table["who"] == "mean") & (table["depth"] == "lower")].iloc[0]
    # +2 % on the log scale is 2.02 % as a ratio; the margin is 1/1.05 to 1.05
    assert mean["difference"] == pytest.approx(2.02, abs=0.8)
    assert (mean["margin low"], mean["margin high"]) == pytest.approx((-4.7619, 5.0), abs=1e-4)
    assert mean["low"] < mean["difference"] < mean["high"]


def test_profiles_draw_a_panel_an_analyte(judged):
    study, models, words = judged
    figure = figures.profiles(model_tables.profiles(models, study), words)
    assert len(figure.axes) == 1
    assert figure.axes[0].get_title(loc="left") == f"y: {words['y']}"
    assert figure.axes[0].get_xlabel() == "difference from the top zone, %"
    assert len(figure.axes[0].lines) >= 7


def test_margin_figure_keeps_what_is_out_of_sight_at_the_rim():
    table = pd.DataFrame({"analyte": ["a", "b"], "verdict": ["stratified", "homogeneous"], "ratio": [9.0, 0.1],
                          "low": [8.0, -0.2], "high": [10.0, 0.4]})
    ax = figures.against_margin(table).axes[0]
    assert [t.get_text() for t in ax.get_yticklabels()] == ["b  (homogeneous)", "a  (stratified)"]
    assert ax.get_xlim() == pytest.approx((-3.18, 3.18))
    assert sorted(t.get_text() for t in ax.texts) == ["", "9"]  # an arrow, and the number that no axis tells
    assert [line for line in ax.lines if line.get_marker() in figures.WORD_MARK.values()] != []
    assert not any(line.get_marker() == figures.WORD_MARK["stratified"] for line in ax.lines)  # no mark where it is not
    inside = figures.against_margin(table.iloc[1:]).axes[0]
    assert len(inside.texts) == 0


def test_names_stand_with_the_word_that_page_one_has():
    table = pd.DataFrame({"analyte": ["a"], "verdict": ["homogeneous"], "ratio": [0.1], "low": [-0.2], "high": [0.4]})
    ax = figures.against_margin(table, names={"a": "iron"}, words={"a": "homogeneous on average only"}).axes[0]
    assert [t.get_text() for t in ax.get_yticklabels()] == ["iron  (homogeneous on average only)"]


def test_beside_a_factor_the_profile_is_drawn_in_times_as_far_to_a_half_as_to_double():
    study, m = fit(layered(gradient=0.3), DEPTHS, {"factor": 1.5})
    table = in_times(model_tables.profiles([m], study), [m.analyte])
    mean = table[(table["who"] == "mean") & (table["depth"] == "lower")].iloc[0]
    assert mean["difference"] == pytest.approx(math.exp(0.3), rel=0.02)  # on the log scale, by hand
    assert (mean["margin low"], mean["margin high"]) == pytest.approx((1 / 1.5, 1.5))
    (ax,) = figures.profiles(table).axes
    assert ax.get_xlabel() == "times the top zone"
    assert ax.get_xscale() == "log"
    upright = {round(float(line.get_xdata()[0]), 4) for line in ax.lines if len(set(line.get_xdata())) == 1 and list(
        line.get_ydata()) == [0, 1]}
    assert upright == {1.0, 1.5, 0.6667}
    low, high = ax.get_xlim()
    assert 0 < low < 1 / 1.5 < 1.5 < high
    settled_box(ax.figure)
    assert all(t.get_text().startswith("\u00d7") for t in ax.get_xticklabels() if t.get_text())
    assert model_tables.profile_alt(table, study).count(" times (") == 1


LONG = {"a": "Polyalkylenglykol-Anteil (Karl-Fischer-korrigiert)", "b": "Silikonentschäumerkonzentration im Gebinde"}


def test_long_names_leave_the_drawing_most_of_the_width():
    """Half: what a person looks at is the drawing. On a phone the names stand over their rows and leave it nearly all."""
    table = pd.DataFrame({"analyte": ["a", "b"], "verdict": ["homogeneous"] * 2, "ratio": 0.1, "low": -0.2, "high": 0.4})
    figure = figures.against_margin(table, names=LONG, words={"a": "homogeneous on average only", "b": "homogeneous"})
    (ax,), names = figure.axes, [t.get_text() for t in figure.axes[0].get_yticklabels()]
    assert names[1].split("\n")[-1] == "(homogeneous on average only)"
    assert max(len(line) for name in names for line in name.split("\n")) <= figures.LETTERS
    settled_box(figure)
    assert ax.get_position().width > 0.5
    narrowed(figure)
    assert settled_box(figure).width <= ROOM
    assert ax.get_position().width > 0.9
    over = [t.get_text().replace("\n", " ") for t in ax.texts]
    assert over == [f"{LONG['b']} (homogeneous)",
                    "Polyalkylenglykol-Anteil (Karl-Fischer- korrigiert) (homogeneous on average only)"]
    boxes = [t.get_window_extent() for t in ax.texts]
    assert not boxes[0].overlaps(boxes[1])
    assert all(box.y0 > ax.transData.transform((0, t.xy[1]))[1] for box, t in zip(boxes, ax.texts, strict=True))


def test_short_names_stand_beside_their_rows_on_a_phone_too():
    table = pd.DataFrame({"analyte": ["a"], "verdict": ["homogeneous"], "ratio": [0.1], "low": [-0.2], "high": [0.4]})
    ax = narrowed(figures.against_margin(table, names={"a": "silicon"})).axes[0]
    assert [t.get_text() for t in ax.get_yticklabels()] == ["silicon\n(homogeneous)"]
    assert len(ax.texts) == 0


def test_nothing_to_draw_is_said():
    empty = pd.DataFrame(columns=model_profile.PROFILE_COLUMNS)
    assert "no analyte could be judged" in figures.profiles(empty).texts[0].get_text()
    none = pd.DataFrame(columns=["analyte", "verdict", "ratio", "low", "high"])
    assert "no analyte could be judged" in figures.against_margin(none).texts[0].get_text()


def test_containers_outside_a_panel_are_marked_at_its_rim_and_counted(judged):
    study, models, _ = judged
    table = model_tables.profiles(models, study)
    (clean,) = figures.profiles(table).axes
    assert list(clean.texts) == []
    low = table["depth"] == "lower"
    for who, value in (("C0", 900.0), ("C1", 800.0), ("C2", -700.0)):
        table.loc[low & (table["who"] == who), "difference"] = value
    table = pd.concat([table, *[table[table["who"] == f"C{k}"].assign(who=f"C{k}{n}") for k in (3, 4, 5) for n in range(40)]])
    (ax,) = figures.profiles(table).axes
    rim, height = ax.get_xlim(), table.loc[low, "height"].iloc[0]
    marks = {(line.get_marker(), *line.get_xydata()[0]) for line in ax.lines if line.get_marker() in "<>"}
    assert marks == {("<", rim[0], height), (">", rim[1], height)}
    assert rim[1] < 100
    told = [t.get_text() for t in ax.texts]
    assert [t for t in told if t.isdigit()] == ["2"]
    assert "bands: half and nine tenths of 126 containers; 20 drawn" in told
    assert len([line for line in ax.lines if line.get_marker() == "."]) == many.SAMPLE


def test_an_interval_of_the_mean_without_an_end_is_marked_where_it_leaves_the_panel(judged):
    study, models, _ = judged
    table = model_tables.profiles(models, study)
    mean = (table["who"] == "mean") & (table["depth"] == "lower")
    table.loc[mean, "high"] = float("inf")
    (ax,) = figures.profiles(table).axes
    found = [line for line in ax.lines if line.get_marker() in ("<", ">") and line.get_color() == figures.INK]
    assert [(line.get_marker(), *line.get_xydata()[0]) for line in found] == [
        (">", ax.get_xlim()[1], table.loc[mean, "height"].iloc[0])]
