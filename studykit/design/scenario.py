"""A scenario of simulated studies: a TOML file with a margin, how many studies, and a grid of designs and truths.

    title = "Pails, three depths"
    margin = { relative_percent = 5 }   # or { absolute = 2 }
    studies = 20000                     # of each cell of the grid
    seed = 1
    [grid]                              # each key one value or a list; every combination is a cell
    containers = [6, 12]
    difference = [0, 5]                 # lowest depth less the uppermost

Differences and standard deviations are in per cent of the level where the margin is, else in its unit.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from itertools import product
from pathlib import Path
from typing import Any

from studykit.core.errors import BadInput, Fault
from studykit.core.files import line_of_key, read_toml
from studykit.inference.margin import Margin
from studykit.inference.table import read_margin

MOST_CELLS, MOST_STUDIES = 10_000, 100_000_000
ALPHA = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One design and one truth. ``tails``: degrees of freedom of Student's t by which zones and determinations scatter, scaled
    to the same standard deviation; 0 is normal. ``lost``: share of samples lost. ``limit``: quantification limit in the unit
    of ``level``, below which a result is known as "<" only; 0: none. ``sd_gradient``: of the containers' own differences.
    """

    containers: int = 12
    depths: int = 3
    determinations: int = 1
    difference: float = 0.0
    s_r: float = 1.0
    sd_container: float = 0.0
    sd_container_depth: float = 0.0
    sd_gradient: float = 0.0
    tails: int = 0
    lost: float = 0.0
    level: float = 100.0
    limit: float = 0.0


RANGES: dict[str, tuple[float, float]] = {
    "containers": (2, 1000), "depths": (2, 20), "determinations": (1, 20), "difference": (-1e9, 1e9), "s_r": (0, 1e9),
    "sd_container": (0, 1e9), "sd_container_depth": (0, 1e9), "sd_gradient": (0, 1e9), "tails": (0, 100), "lost": (0, 0.89),
    "level": (1e-9, 1e12), "limit": (0, 1e12)}
"""Least and largest value of each key of the grid."""
WHOLE = ("containers", "depths", "determinations", "tails")
TAILS_FROM = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """A scenario: its margin, seed, studies a cell, alpha, and the cells of the grid in the order of its keys."""

    title: str
    margin: Margin
    studies: int
    seed: int
    alpha: float
    cells: tuple[Cell, ...]

    def key_of(self, cell: Cell) -> str:
        """What the counts of a cell hang on besides the code: the cell, the margin, the seed and alpha, as a digest.

        Neither the rest of the grid nor the number of studies is in it: both may grow, and what was counted stands.
        """
        told = [asdict(cell), self.margin.low, self.margin.high, self.margin.scale, self.seed, self.alpha]
        return hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()


def read_scenario(path: Path) -> Scenario:
    """The scenario of a TOML file; BadInput lists every fault with its line."""
    data, text = read_toml(path, "name a scenario file; docs/operating-grids.md shows one")
    faults: list[Fault] = []

    def fault(key: str, reason: str, remedy: str, value: object = "") -> None:
        faults.append(Fault(file=path.name, column=key, row=line_of_key(text, tuple(key.split("."))), value=str(value)[:60],
                            reason=reason, remedy=remedy))

    for key in data.keys() - {"title", "margin", "studies", "seed", "alpha", "grid"}:
        fault(key, "this key is not known here", "write title, margin, studies, seed, alpha or [grid]")
    margin = _margin(data.get("margin"), fault)
    studies = _number(data, "studies", 1, MOST_STUDIES, 10_000, fault, whole=True)
    seed = _number(data, "seed", 0, 2**63, 0, fault, whole=True)
    alpha = _number(data, "alpha", 1e-4, 0.2, ALPHA, fault)
    if not isinstance(title := data.get("title", path.stem), str):
        fault("title", "must be a text", "write it in quotation marks", title)
    cells = _cells(data.get("grid", {}), margin, fault)
    if faults or margin is None:
        raise BadInput(faults, title="The scenario has faults")
    return Scenario(title=str(title), margin=margin, studies=int(studies), seed=int(seed), alpha=alpha, cells=cells)


def _margin(given: Any, fault: Any) -> Margin | None:
    if not isinstance(given, Mapping) or set(given) - {"relative_percent", "absolute"}:
        fault("margin", "must be { relative_percent = ... } or { absolute = ... }", "write one of the two", given)
        return None
    margin, found = read_margin(given)
    for f in found:
        fault("margin", f.reason, f.remedy, f.value)
    return margin


def _number(data: Mapping[str, Any], key: str, low: float, high: float, default: float, fault: Any, *, whole: bool = False,
            ) -> float:
    value = data.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int if whole else (int, float)) or not low <= value <= high:
        fault(key, f"must be a {'whole ' if whole else ''}number from {low:g} to {high:g}", "correct it", value)
        return default
    return value


def _cells(grid: Any, margin: Margin | None, fault: Any) -> tuple[Cell, ...]:
    if not isinstance(grid, Mapping):
        fault("grid", "is no table", "write [grid] and its keys below")
        return ()
    axes = {}
    for key, value in grid.items():
        if key not in RANGES:
            fault(f"grid.{key}", "this key is not known here", f"write one of {', '.join(RANGES)}")
            continue
        axes[key] = value if isinstance(value, list) else [value]
        if not axes[key]:
            fault(f"grid.{key}", "is an empty list", "write a value, or leave it out")
        for v in axes[key]:
            if reason := _wrong(key, v, margin):
                fault(f"grid.{key}", reason, "correct it", v)
    if math.prod(len(a) for a in axes.values()) > MOST_CELLS:
        fault("grid", f"has more than {MOST_CELLS} cells", "write fewer values, or several scenarios")
        return ()
    names = [f.name for f in fields(Cell) if f.name in axes]
    return tuple(Cell(**dict(zip(names, values, strict=True))) for values in product(*(axes[n] for n in names)))


def _wrong(key: str, value: Any, margin: Margin | None) -> str:
    """Why a value of the grid cannot be taken; '' where it can."""
    low, high = RANGES[key]
    whole = key in WHOLE
    if isinstance(value, bool) or not isinstance(value, int if whole else (int, float)) or not low <= value <= high:
        return f"must be a {'whole ' if whole else ''}number from {low:g} to {high:g}"
    if key == "tails" and 0 < value < TAILS_FROM:
        return f"must be 0 (normal) or from {TAILS_FROM} on: with fewer there is no standard deviation"
    if key == "difference" and margin is not None and margin.log and value <= -100:
        return "must be above -100 per cent"
    return ""
