"""Sliders over a design: move one and read the chances and the cost anew, within a tenth of a second.

The numbers come from ``explore``, an ordinary function; the widgets only call it.  The picture is a
small SVG with a text alternative.  Run headless, ``show_explorer`` shows a sentence instead, so that
a stored notebook holds no widget state.
"""

from __future__ import annotations

import html
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from IPython.display import display

from studykit.design.cheapest import Aim, Costs, aim_chances
from studykit.design.operating import DesignSize, OperatingCharacteristic, resolvable_margin
from studykit.design.tables import DesignView
from studykit.notebook.display import show_text

WIDE, HIGH, LEFT, BASE = 520, 190, 46, 150
MARKS = {"homogeneous": "", "stratified": "7 4", "inconclusive": "2 3"}
STEPS = np.linspace(0.0, 2.0, 17)  # true gradients drawn, in margins
OFFLINE = ("Opened in JupyterLab, this cell shows sliders for containers, depths, determinations, margin, "
           "repeatability and gradient, with chances and cost beside them. Run without a person, it shows this line.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Explored:
    """One position of the sliders: chances, cost, smallest margin that can be shown, curve over gradients."""

    size: DesignSize
    aim: Aim
    chances: OperatingCharacteristic
    cost: float
    smallest_margin: float
    curve: tuple[tuple[float, float, float], ...]  # gradient in margins, chance homogeneous, chance stratified

    def text(self, currency: str = "units") -> str:
        """The numbers as one plain sentence."""
        c = self.chances
        z = self.size
        return (f"{z.containers} containers x {z.depths} depths x {z.replicates} determinations: "
                f"homogeneous {100 * c.homogeneous:.1f} %, stratified {100 * c.stratified:.1f} %, "
                f"inconclusive {100 * c.inconclusive:.1f} %; cost {self.cost:g} {currency}; smallest margin that "
                f"could be shown if nothing had settled: ±{self.smallest_margin:.3g} {self.aim.unit}")


def explore(aim: Aim, size: DesignSize, costs: Costs, alpha: float = 0.05) -> Explored:
    """Everything the sliders show for one design."""
    curve = []
    for x in STEPS:
        got = aim_chances(aim.with_gradient(float(x * aim.margin)), size, alpha)
        curve.append((float(x), got.homogeneous, got.stratified))
    least = resolvable_margin(size, aim.with_gradient(0.0).guess, alpha=alpha)
    return Explored(size=size, aim=aim, chances=aim_chances(aim, size, alpha), cost=costs.of(size),
                    smallest_margin=aim.shown(least), curve=tuple(curve))


def picture(found: Explored) -> str:
    """Chances against the true gradient as SVG; the guessed gradient is a thin upright line."""
    def place(x: float, chance: float) -> str:
        return f"{LEFT + x / 2 * (WIDE - LEFT - 20):.1f},{BASE - chance * (BASE - 20):.1f}"

    lines = []
    for word, dash in MARKS.items():
        values = [(x, h if word == "homogeneous" else s if word == "stratified" else 1 - h - s)
                  for x, h, s in found.curve]
        lines.append(f'<polyline fill="none" stroke="#1d2733" stroke-width="1.6" stroke-dasharray="{dash}" points="'
                     + " ".join(place(x, max(p, 0.0)) for x, p in values) + '"/>')
    aim = found.aim
    at = min(abs(aim.guess.gradient) / aim.margin, 2.0)
    right, width = place(1.0, 0).split(",")[0], float(place(1.0, 0).split(",")[0]) - LEFT
    here = place(at, 0).split(",")[0]
    scale = "".join(f'<text x="{LEFT - 6}" y="{BASE - p * (BASE - 20) + 4:.0f}" text-anchor="end">{p:.0%}</text>'
                    for p in (0.0, 0.5, 1.0))
    legend = "".join(f'<line x1="{LEFT + 130 * i}" x2="{LEFT + 130 * i + 26}" y1="184" y2="184" stroke="#1d2733" '
                     f'stroke-width="1.6" stroke-dasharray="{d}"/><text x="{LEFT + 130 * i + 32}" y="188">{w}</text>'
                     for i, (w, d) in enumerate(MARKS.items()))
    return (f'<svg role="img" aria-label="{html.escape(found.text())}" viewBox="0 0 {WIDE} {HIGH + 4}" width="{WIDE}" '
            f'font-size="11" fill="#1d2733"><rect width="{WIDE}" height="{HIGH + 4}" fill="white"/>'
            f'<rect x="{LEFT}" y="20" width="{width:.1f}" height="{BASE - 20}" '
            f'fill="#e9e6dc"/><line x1="{LEFT}" x2="{WIDE - 20}" y1="{BASE}" y2="{BASE}" stroke="#1d2733"/>'
            f'<line x1="{here}" x2="{here}" y1="20" y2="{BASE}" stroke="#7a8794"/>{scale}{"".join(lines)}'
            f'<text x="{LEFT}" y="{BASE + 15}">nothing settled</text><text x="{right}" y="{BASE + 15}" '
            f'text-anchor="middle">true difference = margin</text>{legend}</svg>')


class Explorer:
    """The sliders with their read-out; ``box`` is the widget to display, ``found`` the last result."""

    def __init__(self, aims: Sequence[Aim], size: DesignSize, costs: Costs, *, alpha: float = 0.05,
                 currency: str = "units") -> None:
        import ipywidgets as widgets  # of the extra lab; a report, which has no sliders, runs without it

        if not aims:
            raise ValueError("aims must name at least one analyte")
        self.aims = {a.analyte: a for a in aims}
        self.size, self.costs, self.alpha, self.currency = size, costs, alpha, currency
        self.found: Explored | None = None
        self._quiet = False
        self.analyte = widgets.Dropdown(options=list(self.aims), description="analyte")
        self.containers = self._whole("containers", size.containers, 1, max(60, size.containers))
        self.depths = self._whole("depths", size.depths, 2, 7)
        self.replicates = self._whole("determinations", size.replicates, 1, 8)
        self.margin = self._real("margin")
        self.s_r = self._real("repeatability s_r")
        self.gradient = self._real("true gradient")
        self.words = widgets.HTML()
        self.drawing = widgets.HTML()
        sliders = (self.containers, self.depths, self.replicates, self.margin, self.s_r, self.gradient)
        for slider in sliders:
            slider.observe(self._moved, names="value")
        self.analyte.observe(self._chosen, names="value")
        self.box = widgets.VBox([self.analyte, *sliders, self.words, self.drawing])
        self._chosen()

    @staticmethod
    def _whole(name: str, value: int, low: int, high: int) -> Any:
        import ipywidgets as widgets

        return widgets.IntSlider(value=value, min=low, max=high, description=name, continuous_update=True,
                                 style={"description_width": "170px"}, layout={"width": "520px"})

    @staticmethod
    def _real(name: str) -> Any:
        import ipywidgets as widgets

        return widgets.FloatSlider(description=name, readout_format=".3g", continuous_update=True,
                                   style={"description_width": "170px"}, layout={"width": "520px"})

    def _chosen(self, change: object = None) -> None:
        """Put the sliders to what study.toml says of the analyte, then read out."""
        aim = self.aims[self.analyte.value]
        self._quiet = True
        for slider, name in ((self.margin, "margin"), (self.s_r, "repeatability s_r"), (self.gradient, "true gradient")):
            slider.description = f"{name}, {aim.unit}"
        _reach(self.margin, aim.shown(aim.margin), 0.1)
        _reach(self.s_r, aim.guess.s_r, 0.1)
        top = max(3 * aim.shown(aim.margin), 1.5 * abs(aim.shown(aim.guess.gradient)))
        self.gradient.min, self.gradient.max, self.gradient.step = 0.0, top, top / 200
        self.gradient.value = abs(aim.shown(aim.guess.gradient))
        self._quiet = False
        self._moved()

    def current(self) -> tuple[Aim, DesignSize]:
        """The analyte and the design that the sliders stand for."""
        aim = self.aims[self.analyte.value]
        guess = aim.guess.model_copy(update={"s_r": self.s_r.value, "gradient": aim.scaled(self.gradient.value)})
        made = replace(aim, guess=guess, margin=aim.scaled(self.margin.value))
        return made, replace(self.size, containers=self.containers.value, depths=self.depths.value,
                             replicates=self.replicates.value)

    def _moved(self, change: object = None) -> None:
        if self._quiet:
            return
        aim, size = self.current()
        self.found = explore(aim, size, self.costs, self.alpha)
        self.words.value = f"<p><b>{html.escape(self.found.text(self.currency))}</b></p>"
        self.drawing.value = picture(self.found)


def _reach(slider: Any, value: float, low: float) -> None:
    """A slider around ``value``, from ``low`` of it to four times it."""
    slider.max = max(slider.max, 4 * value)
    slider.min = low * value
    slider.max, slider.step = 4 * value, value / 50
    slider.value = value


def show_explorer(aims: Sequence[Aim], size: DesignSize, costs: Costs, *, alpha: float = 0.05, currency: str = "units",
                  live: bool = True) -> Explorer | None:
    """Display the sliders where a person can move them (``live``); else one sentence, and nothing is kept."""
    if not live:
        show_text(OFFLINE)
        return None
    explorer = Explorer(aims, size, costs, alpha=alpha, currency=currency)
    display(explorer.box)
    return explorer


def show_sliders(view: DesignView, live: bool) -> Explorer | None:
    """The explorer for a person at the notebook; a sentence where there is nobody, or nothing to explore."""
    costs = view.costs or Costs(container=0.0, sample=0.0, determination=0.0)
    if not view.aims:
        return show_explorer((), view.size, costs, live=False)
    aims = sorted(view.aims, key=lambda a: a != view.shown)  # the analyte of the figures first
    return show_explorer(aims, view.size, costs, alpha=view.study.alpha, currency=view.settings.currency,
                         live=live)
