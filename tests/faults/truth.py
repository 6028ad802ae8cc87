"""What a planted fault is held against, and what planters share: which rows, which analyte, which run."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tests.faults.laboratory import Lab, Setting


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What was planted: right causes (rules), the places of which one must be named, analytes ('' = any)."""

    causes: tuple[str, ...]
    places: frozenset[str]
    near: frozenset[str] = frozenset()
    analytes: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """A fault: its three sizes (small, middling, clear) as words and numbers, the setting it needs, the planter."""

    sizes: tuple[float, float, float]
    plant: Callable[[Lab, float], Truth]
    setting: Callable[[Setting, float], Setting] = lambda s, _size: s


def pick(lab: Lab, n: int = 1) -> list[str]:
    return [str(c) for c in lab.rng.choice(lab.stored(), n, replace=False)]


def an_analyte(lab: Lab, names: tuple[str, ...] = ("P", "Zn", "S", "Ca", "B")) -> str:
    return str(lab.rng.choice([a for a in names if a in lab.analytes]))


def a_run(lab: Lab) -> str:
    return str(lab.rng.choice(sorted(set(lab.wide["run"]))))


def spot(lab: Lab, container: str, depth: str) -> str:
    w = lab.wide
    return str(w.loc[(w["container"] == container) & (w["depth"] == depth) & (w["kind"] == "spot"), "sample"].iloc[0])


def bottles(lab: Lab, container: str) -> frozenset[str]:
    return frozenset(lab.wide.loc[lab.wide["container"] == container, "sample"])


def scale(lab: Lab, rows: np.ndarray, analytes: list[str], factor: float | np.ndarray) -> None:
    block = lab.wide.loc[rows, analytes].to_numpy(float)
    lab.wide.loc[rows, analytes] = block * factor


def run_bottles(lab: Lab, run: str) -> set[str]:
    return set(lab.wide.loc[lab.wide["run"] == run, "sample"]) | {"check fluid"}


def boxes(lab: Lab, run: str) -> frozenset[str]:
    """The containers of a run."""
    return frozenset(lab.wide.loc[lab.wide["run"] == run, "container"]) - {""}
