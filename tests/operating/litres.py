"""First and last litres: how often their intervals hold the population's mean and one further container."""

from __future__ import annotations

from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any

import numpy as np

from studykit.inference.cells import CellBounds
from studykit.inference.margin import Margin
from studykit.verdict.pouring import Layers, content, own_contents, taken

from .engine import allowed

LAYERS = Layers(edges=(1.0, 2 / 3, 1 / 3, 0.0), volumes_l=(6.0, 7.0, 7.0), liquid_height_mm=350.0)
LITRES = {"first litre": taken(LAYERS, 1.0, from_top=True), "last litre": taken(LAYERS, 1.0, from_top=False)}
NOMINAL = 90.0
POPULATION = 100_000


@dataclass(frozen=True, slots=True, kw_only=True)
class LitreRates:
    """Coverage of the mean's interval and of that for one further container, nominal 90 %, per cent."""

    which: str
    scale: str
    containers: int
    studies: int
    mean: float
    further: float

    def faults(self) -> list[str]:
        """Coverage off its nominal rate by more than Monte Carlo error and half a point."""
        slack = allowed(0.1, self.studies, 3.5) + 0.5
        return [f"{name} {value:.1f} %" for name, value in (("mean", self.mean), ("further container", self.further))
                if abs(value - NOMINAL) > slack]


def _containers(rng: np.random.Generator, n: int) -> np.ndarray:
    """Logarithms of three zones of n containers that settled, each with a level and a gradient of its own, (n, 3)."""
    h = np.array([-1.0, 0.0, 1.0])
    return np.asarray(np.log(100) + 0.15 * rng.standard_normal((n, 1)) + (0.12 + 0.05 * rng.standard_normal((n, 1))) * h
                      + 0.03 * rng.standard_normal((n, 3)))


def _model(logs: np.ndarray, scale: str) -> Any:
    """What ``pouring`` asks of a model: its cells and whether they are logarithms."""
    n, k = logs.shape
    margin = Margin.relative(20) if scale == "log" else Margin.absolute(10)
    values = np.exp(logs).ravel()
    cells = CellBounds.of_rows(np.repeat(np.arange(n), k), np.tile(np.arange(k), n), values, values, shape=(n, k),
                               margin=margin, step=0.0)
    return SimpleNamespace(cells=cells, rows=SimpleNamespace(log=scale == "log"))


def run_litres(which: str, scale: str, n: int, studies: int, seed: int) -> LitreRates:
    """Coverage over many studies of n containers; on the log scale the mean is that of logarithms."""
    rng, litres = np.random.default_rng(seed), LITRES[which]
    everyone = own_contents(_model(_containers(rng, POPULATION), scale), LAYERS, litres)
    truth = float(np.exp(np.log(everyone).mean()) if scale == "log" else everyone.mean())
    mean = further = 0
    for _ in range(studies):
        _, low, high, next_low, next_high = content(_model(_containers(rng, n), scale), LAYERS, litres, NOMINAL / 100)
        mean += low <= truth <= high
        further += next_low <= rng.choice(everyone) <= next_high
    return LitreRates(which=which, scale=scale, containers=n, studies=studies, mean=100 * mean / studies,
                      further=100 * further / studies)


POURED = tuple((w, s, n) for w in LITRES for s in ("raw", "log") for n in (4, 12))
