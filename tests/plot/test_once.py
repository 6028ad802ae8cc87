"""What is worked out once for all forms of a figure gives the same files as working it out each time."""

from __future__ import annotations

import matplotlib
import matplotlib.pyplot as plt
import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.text import Text

from studykit.plot import once
from studykit.plot.forms import Forms, figure_forms

NOT_THERE = (*once.NEEDED, (Text, "_no_release_has_this"))


def _panels() -> Figure:
    """Shared and logarithmic axes, long names of rows, turned and wrapped texts, a legend, many numbers at an axis."""
    figure, axes = plt.subplots(2, 3, figsize=(9, 6), layout="constrained", sharey="row")
    x = np.linspace(0.1, 9.7, 40)
    for k, ax in enumerate(axes.flat):
        ax.plot(x, np.exp(x / (k + 1)), marker="o", label=f"series {k}")
        ax.set_title(f"panel {k}\non two lines", fontsize=8)
        ax.set_xlabel("time")
    axes[0, 0].set_xscale("log")
    axes[1, 0].tick_params(axis="x", rotation=40)
    axes[1, 0].set_ylabel("a name upright")
    axes[1, 1].annotate("here", (5, 2), (6, 8), arrowprops={"arrowstyle": "->"}, rotation=30)
    axes[1, 2].text(0.1, 0.9, "a wrapped text", transform=axes[1, 2].transAxes, wrap=True, in_layout=False)
    axes[1, 2].text(2, 1, "along", rotation=45, transform_rotates_text=True, rotation_mode="anchor", in_layout=False)
    figure.legend(*axes[0, 0].get_legend_handles_labels(), loc="outside lower center")
    return figure


def _rows() -> Figure:
    figure, (ax, square) = plt.subplots(1, 2, figsize=(8, 3), layout="constrained")
    square.imshow([[0, 1], [2, 3]])
    ax.barh([0, 1, 2], [1.0, 2.5, 7.0])
    ax.set_yticks([0, 1, 2], ["a row with a long name indeed, of several words", "two", "three"])
    ax.set_xlim(0, 8)
    return figure


def _forms(monkeypatch: pytest.MonkeyPatch, needed: object, draw: object) -> Forms:
    monkeypatch.delenv("STUDYKIT_MEMORY", raising=False)
    monkeypatch.setattr(once, "NEEDED", needed)
    figure = draw()  # type: ignore[operator]
    try:
        return figure_forms(figure, "a title")
    finally:
        plt.close(figure)


@pytest.mark.few(1)
@pytest.mark.parametrize("draw", [_rows, _panels])
def test_all_forms_have_the_same_bytes(monkeypatch: pytest.MonkeyPatch, draw: object) -> None:
    known, anew = (_forms(monkeypatch, needed, draw) for needed in (once.NEEDED, NOT_THERE))
    assert known == anew
    assert known.narrow


@pytest.mark.slow
def test_texts_are_measured_much_less_often(monkeypatch: pytest.MonkeyPatch) -> None:
    counts = []
    for needed in (once.NEEDED, NOT_THERE):
        with monkeypatch.context() as own:
            calls, layout = [0], Text._get_layout  # type: ignore[attr-defined]

            def counted(text: Text, renderer: object, calls: list[int] = calls, layout: object = layout) -> object:
                calls[0] += 1
                return layout(text, renderer)  # type: ignore[operator]

            own.setattr(Text, "_get_layout", counted)
            _forms(own, needed, _panels)
            counts.append(calls[0])
    assert counts[0] < counts[1] / 3


def test_matplotlib_is_as_before_whatever_ends_the_drawing() -> None:
    before = [getattr(kind, name) for kind, name in once.NEEDED]
    meanwhile = []

    def stopped() -> None:
        with once.worked_out_once():
            meanwhile.extend(getattr(kind, name) for kind, name in once.NEEDED)
            raise RuntimeError

    with pytest.raises(RuntimeError):
        stopped()
    assert not set(meanwhile) & set(before)
    assert [getattr(kind, name) for kind, name in once.NEEDED] == before


def test_this_release_of_matplotlib_has_the_names() -> None:
    assert all(hasattr(kind, name) for kind, name in once.NEEDED), matplotlib.__version__


def test_another_span_and_another_place_get_their_own_ticks() -> None:
    figure, ax = plt.subplots()
    ax.set_xlim(0, 10)
    with once.worked_out_once():
        first = [tick.get_loc() for tick in ax.xaxis._update_ticks()]  # type: ignore[attr-defined]
        ax.set_xlim(0, 1)
        second = [tick.get_loc() for tick in ax.xaxis._update_ticks()]  # type: ignore[attr-defined]
        ax.set_position([0.1, 0.1, 0.05, 0.8])
        third = [tick.get_loc() for tick in ax.xaxis._update_ticks()]  # type: ignore[attr-defined]
    plt.close(figure)
    assert max(first) == 10
    assert max(second) == 1
    assert len(third) < len(second)
