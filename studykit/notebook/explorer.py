"""Sliders over a design and the world it meets: chances, cost, the cheapest design, and one study drawn in that world."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from studykit.design.cheapest import Aim, Costs, Limits
from studykit.design.operating import DesignSize
from studykit.design.tables import DesignView
from studykit.design.world import Explored, explore, few, prepare
from studykit.inference.margin import around
from studykit.notebook.board import Board, Control, ReadOut, chosen, slider
from studykit.notebook.display import cell_text, show_text
from studykit.notebook.drawing import DASHES, Axes, drawing, legend
from studykit.notebook.sliders import person, show
from studykit.plot import many
from studykit.plot.profiles import THIN

NAME = "A design and its world"
NOTHING = "Nothing is known of any analyte yet, so there is nothing to try out."
WORDS = ("homogeneous", "stratified", "inconclusive")
STEPS = np.linspace(0.0, 4.0, 41)  # of what the study says
MOST_CONTAINERS, MOST_DEPTHS, MOST_REPLICATES, STUDIES = 60, 7, 8, 30


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """What the sliders begin at and what does not move: analytes, size, prices, grid, target, level, currency, names."""

    aims: tuple[Aim, ...]
    size: DesignSize
    costs: Costs
    limits: Limits
    target: float = 0.8
    alpha: float = 0.05
    currency: str = "units"
    labels: Mapping[str, str] = field(default_factory=dict)

    def controls(self, analyte: int = 0) -> tuple[Control, ...]:
        """The sliders at what the study says of an analyte."""
        aim, z, c = self.aims[analyte], self.size, self.costs
        margin, g, unit = aim.shown(aim.margin), aim.guess, aim.unit
        spreads = [float(s / 4 * max(margin, 2 * g.s_r)) for s in STEPS]
        return (chosen("analyte", [self.labels.get(a.analyte, a.analyte) for a in self.aims], analyte),
                slider("containers", z.containers, range(1, max(MOST_CONTAINERS, z.containers) + 1)),
                slider("depths", z.depths, range(2, max(MOST_DEPTHS, z.depths) + 1)),
                slider("determinations of a sample", z.replicates, range(1, max(MOST_REPLICATES, z.replicates) + 1)),
                slider("margin, ±", margin, margin * STEPS[2:], unit),
                slider("scatter of levels of containers", g.sd_container, spreads, unit),
                slider("scatter of profiles of containers", g.sd_container_depth, spreads, unit),
                slider("scatter of a determination", g.s_r, spreads[1:], unit),
                slider("true difference, lowest minus top", aim.shown(g.gradient), margin * STEPS, unit),
                slider("price of a container", c.container, _prices(c.container), self.currency),
                slider("price of a sample", c.sample, _prices(c.sample), self.currency),
                slider("price of a determination", c.determination, _prices(c.determination), self.currency),
                slider("study drawn, number", 1, range(1, STUDIES + 1)))

    def read_out(self, at: dict[str, float]) -> ReadOut:
        """What a position says, in words, numbers and two drawings."""
        aim = self.aims[int(at["analyte"])]
        guess = aim.guess.model_copy(update={
            "sd_container": at["scatter of levels of containers"], "s_r": at["scatter of a determination"],
            "sd_container_depth": at["scatter of profiles of containers"],
            "gradient": aim.scaled(at["true difference, lowest minus top"])})
        size = replace(self.size, containers=int(at["containers"]), depths=int(at["depths"]),
                       replicates=int(at["determinations of a sample"]))
        costs = Costs(container=at["price of a container"], sample=at["price of a sample"],
                      determination=at["price of a determination"], fixed=self.costs.fixed)
        found = explore(replace(aim, guess=guess, margin=aim.scaled(at["margin, ±"])), size, costs, self.limits,
                        target=self.target, alpha=self.alpha, number=int(at["study drawn, number"]))
        said = (_chances(found), _cost(found, self.target, self.currency), _study(found))
        return ReadOut(sentences=said, rows=_rows(found, self.currency),
                       drawings=(chances_drawing(found), study_drawing(found)))


def _prices(price: float) -> list[float]:
    return [float(p) for p in (price or 10.0) * STEPS]


def _chances(found: Explored) -> str:
    c, z = found.chances, found.size
    how = f"{few(z.depths)} simulated studies" if c.studies else "exact"
    return (f"{_size(z)}: homogeneous {100 * c.homogeneous:.0f} %, stratified {100 * c.stratified:.0f} %, "
            f"inconclusive {100 * c.inconclusive:.0f} % ({how}). Smallest margin that could be shown if nothing had settled: "
            f"{around(found.smallest_margin, found.aim.unit)}.")


def _size(z: DesignSize) -> str:
    def of(n: int, word: str) -> str:
        return f"{n} {word}{'' if n == 1 else 's'}"

    return f"{of(z.containers, 'container')} x {of(z.depths, 'depth')} x {of(z.replicates, 'determination')}"


def _cost(found: Explored, target: float, currency: str) -> str:
    best = found.cheapest
    if not found.cost:
        return "No prices are set, so no design is the cheapest."
    goal = f"{found.aim.right_word} with {100 * target:g} % chance"
    more = (f"no design of the grid shows {goal}." if best is None else
            f"the cheapest of as many depths that shows {goal}: {_size(best.size)}, {best.cost:g} {currency}.")
    return f"Cost {found.cost:g} {currency}; {more}"


def _study(found: Explored) -> str:
    d, aim = found.drawn, found.aim
    shown = [cell_text(aim.shown(x), 3) for x in (d.estimate, d.low, d.high)]
    return (f"One study drawn in this world: {d.word}; depth {d.pair[1] + 1} from the top against depth {d.pair[0] + 1}: "
            f"{shown[0]} {aim.unit} ({shown[1]} to {shown[2]}).")


def _rows(found: Explored, currency: str) -> tuple[tuple[str, float | str, str], ...]:
    best, aim, d = found.cheapest, found.aim, found.drawn
    chance = [(f"chance of {w}", round(100 * getattr(found.chances, w), 1), "%") for w in WORDS]
    cheapest = () if best is None or not found.cost else (("cheapest design that will do", _size(best.size), ""),
                                                          ("its cost", best.cost, currency))
    return (*chance, ("cost", found.cost, currency),
            *cheapest, ("largest difference of the study drawn", aim.shown(d.estimate), aim.unit),
            ("its word", d.word, ""))


def chances_drawing(found: Explored) -> str:
    """The three chances against the true difference; shaded: within the margin; dashed: the difference that was set."""
    aim = found.aim
    at = [aim.shown(x * aim.margin) for x, *_ in found.curve]
    axes = Axes(across=f"true difference, {aim.unit}", up="chance, %", x=(0.0, at[-1]), y=(0.0, 100.0))
    rows = zip(*((100 * h, 100 * s, max(100 * (1 - h - s), 0.0)) for _, h, s in found.curve), strict=True)
    lines = [axes.line(at, row, dash) for row, dash in zip(rows, DASHES, strict=False)]
    c = found.chances
    alt = (f"Chance of each word against the true difference. At {aim.shown(aim.guess.gradient):.3g} {aim.unit}: homogeneous "
           f"{100 * c.homogeneous:.0f} %, stratified {100 * c.stratified:.0f} %, inconclusive {100 * c.inconclusive:.0f} %.")
    return drawing(alt, (axes.band(0.0, aim.shown(aim.margin)), axes.upright(abs(aim.shown(aim.guess.gradient))), *lines,
                         axes.frame(), legend(WORDS)))


def study_drawing(found: Explored) -> str:
    """The containers' profiles (thin) and their mean (thick) of the study drawn; shaded: the margin about the mean's top."""
    aim, cells = found.aim, found.drawn.cells
    mean = cells.mean(axis=0)
    depth = np.arange(1, cells.shape[1] + 1)
    shown = np.vectorize(aim.shown)
    reach = 1.05 * max(float(np.abs(shown(cells)).max()), 1.2 * aim.shown(aim.margin))
    axes = Axes(across=f"reading less the stock's level, {aim.unit}", up="depth, from the top", x=(-reach, reach),
                y=(cells.shape[1] + 0.3, 0.7), whole=True)
    some = cells if len(cells) <= many.LINES else cells[:many.LINES]  # they come in no order
    lines = [axes.line(shown(row), depth, colour=THIN, width=0.8) for row in some]
    edges = [float(mean[0]) - aim.margin, float(mean[0]) + aim.margin]
    of = "" if len(some) == len(cells) else f", {len(some)} of its {len(cells):,} containers"
    return drawing(f"Profiles of the study drawn{of}. {_study(found)}",
                   (axes.band(*map(aim.shown, edges)), *lines, axes.line(shown(mean), depth, width=2.6), axes.frame()))


ONE_SIDED = "Every margin is one-sided, and these sliders show differences between depths: read the tables above instead."


def both_sided(view: DesignView) -> list[Aim]:
    """The analytes that the sliders show: those judged by differences between depths."""
    return [a for a in view.aims if not a.side.sign]


def desk_of(view: DesignView) -> Desk:
    """The desk of an open design: the analyte of the figures first, free where no costs are given."""
    aims = tuple(sorted(both_sided(view), key=lambda a: a != view.shown))
    return Desk(aims=aims, size=view.size, costs=view.costs or Costs(container=0.0, sample=0.0, determination=0.0),
                limits=view.limits, target=view.settings.target, alpha=view.study.alpha, currency=view.settings.currency,
                labels=view.study.labels)


def show_sliders(view: DesignView) -> None:
    """The sliders for a person at the notebook, their still form elsewhere; a sentence where there is nothing to try."""
    if not both_sided(view):
        show_text(NOTHING if not view.aims else ONE_SIDED)
        return
    desk = desk_of(view)
    if person():
        prepare(range(2, MOST_DEPTHS + 1))
    show(Board(NAME, desk.controls, desk.read_out))
