"""A figure is drawn again unless one of the same contents was drawn: then no sign in it differs."""

from __future__ import annotations

import os
import subprocess
import sys

import matplotlib
import pytest
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from studykit.core.memory import PLACE
from studykit.plot import forms
from studykit.plot.forms import contents_of, figure_forms
from tests.plot.test_forms import drawn

SCRIPT = "from tests.plot.test_contents import *; print(contents_of(drawn(), 'a title'))"
CHANGES = {
    "a value": lambda f: f.axes[0].lines[0].set_ydata([0.5, 3, -1.001]),
    "a marker": lambda f: f.axes[0].lines[0].set_marker("s"),
    "a width": lambda f: f.axes[0].lines[0].set_linewidth(1.51),
    "a colour": lambda f: f.axes[0].lines[0].set_color("#123456"),
    "an order": lambda f: f.axes[0].lines[0].set_zorder(5),
    "a word": lambda f: f.axes[0].set_ylabel("two\nline"),
    "a limit": lambda f: f.axes[0].set_ylim(-2, 4),
    "a scale": lambda f: f.axes[0].set_yscale("symlog"),
    "a pixel": lambda f: f.axes[1].images[0].set_data([[0, 1], [2, 4]]),
    "a label of the legend": lambda f: f.axes[0].get_legend().texts[0].set_text("other"),
    "a mark more": lambda f: f.axes[0].add_patch(Rectangle((0, 0), 1, 1, transform=f.axes[0].transAxes)),
    "where it stands": lambda f: f.axes[0].add_patch(Rectangle((0, 0), 1, 1, transform=f.axes[1].transAxes)),
    "a size": lambda f: f.set_size_inches(4, 2.6),
    "a layout": lambda f: f.set_layout_engine("tight"),
    "a tick": lambda f: f.axes[0].set_xticks([0, 1]),
    "what is seen": lambda f: f.axes[1].set_visible(False),
}


def changed(how: str) -> Figure:
    figure = drawn()
    CHANGES[how](figure)
    return figure


@pytest.mark.slow
def test_two_figures_drawn_alike_have_the_same_contents_in_every_process():
    said = {subprocess.run([sys.executable, "-c", SCRIPT], check=True, capture_output=True, text=True,
                           env=os.environ | {"PYTHONHASHSEED": seed}).stdout.strip() for seed in ("1", "2")}
    assert said == {contents_of(drawn(), "a title")} != {""}


def test_each_change_changes_the_contents():
    told = {how: contents_of(changed(how), "") for how in CHANGES} | {"none": contents_of(drawn(), ""),
                                                                     "a title": contents_of(drawn(), "a")}
    with matplotlib.rc_context({"font.size": 11}):
        told["a style"] = contents_of(drawn(), "")
    assert len(set(told.values())) == len(told)


@pytest.mark.slow
def test_one_that_cannot_be_told_is_drawn_each_time(tmp_path, monkeypatch):
    monkeypatch.setenv(PLACE, str(tmp_path))
    figure = drawn()
    figure.axes[0].xaxis.set_major_formatter(lambda x, pos: f"{x:g} m")
    assert contents_of(figure, "") == ""
    assert figure_forms(figure).svg
    assert list(tmp_path.iterdir()) == []


@pytest.mark.slow
def test_what_is_taken_is_what_would_be_drawn(tmp_path, monkeypatch):
    plain = figure_forms(drawn(), "a")
    monkeypatch.setenv(PLACE, str(tmp_path))
    assert figure_forms(drawn(), "a") == plain
    monkeypatch.setattr(forms, "_drawn", lambda *_: pytest.fail("drawn again"))
    assert figure_forms(drawn(), "a") == plain
