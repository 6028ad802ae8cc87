"""What comes back for money: the bottles that were paid for, with what goes wrong on their way and in the laboratory."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from studykit.classroom.worlds import DEPTHS, REPORTED, World, given, s_r_of
from studykit.demos.simulate import decimals_of, stream

PORTION, OFF = 0.85, 5.0
"""A wrongly weighed portion as a share of the right one; a run's shift in repeatability deviations."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One bottle of an order: what it is, where it is measured, and which of its determinations (from 0) are bought now."""

    sample: str
    container: str
    kind: str
    depth: str
    run: str
    position: int
    draw: int
    first: int
    determinations: int

    @property
    def key(self) -> str:
        """The bottle's name in the world."""
        zone = "heel" if self.kind == "heel" else "" if self.kind == "composite" else self.depth
        return f"{self.container}|{zone}|{self.draw}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Planted:
    """One thing that went wrong: its kind, the places that name it (bottle, keg, run), the analyte or '', and a sentence."""

    kind: str
    places: tuple[str, ...]
    analyte: str
    text: str
    factor: float = 1.0


def plant(world: World, lines: Iterable[Line]) -> tuple[Planted, ...]:
    """Where the world's kinds of fault strike a first order; one that finds no place is left out."""
    rng, every = stream(world.bench, "faults"), list(lines)
    left = [x for x in every if x.kind == "spot"]
    order = [x.sample for x in left]
    shuffled = [left[int(i)] for i in rng.permutation(len(order))]
    taken: set[str] = set()
    out = []
    for kind in world.kinds:
        free = [x for x in shuffled if x.container not in taken]
        if not free:
            break
        found = _strike(kind, free[0], every, rng)
        if found:
            out.append(found)
            taken.add(free[0].container)
    return tuple(out)


def _strike(kind: str, at: Line, bottles: list[Line], rng: np.random.Generator) -> Planted | None:
    """One fault of a kind at a bottle, its keg or its run; None where it cannot happen there."""
    factor, analyte = float(np.exp(rng.choice([-1, 1]) * rng.uniform(0.25, 0.4))), str(rng.choice(["P", "Ca"]))
    own = {x.depth: x.sample for x in bottles if x.container == at.container and x.kind == "spot"}
    if kind == "swapped bottles":
        if not {"upper", "lower"} <= set(own):
            return None
        return Planted(kind=kind, places=(own["upper"], own["lower"], at.container), analyte="",
                       text=f"the bottles of the upper and the lower draw of keg {at.container} carry each other's code")
    if kind == "wrong product":
        return Planted(kind=kind, places=(at.container, *(x.sample for x in bottles if x.container == at.container)),
                       analyte="", factor=factor,
                       text=f"keg {at.container} holds another fluid")
    if kind == "run off":
        return Planted(kind=kind, places=(at.run,), analyte=analyte, text=f"run {at.run} is off in {analyte}", factor=factor)
    said = {"slipped digit": f"one value of {analyte} of bottle {at.sample} has its decimal point one place off",
            "bad portion": f"a portion of bottle {at.sample} was weighed wrongly: all elements are low by one factor",
            "lost bottle": f"bottle {at.sample} broke on the way"}
    return Planted(kind=kind, places=(at.sample,), analyte=analyte if kind == "slipped digit" else "", text=said[kind],
                   factor=factor)


def planted(entry: Mapping[str, Any]) -> tuple[Planted, ...]:
    """The faults of a student's world as the ledger has them, which struck the first order."""
    return tuple(Planted(**{**f, "places": tuple(f["places"])}) for f in entry["faults"])


def measure(world: World, lines: Iterable[Line], faults: Iterable[Planted]) -> pd.DataFrame:
    """The laboratory's rows for these lines: Bottle, Run, Position, Determination, one column of numbers an analyte."""
    pool, struck = world.readings(), tuple(faults)
    rows: list[dict[str, object]] = []
    for line in sorted(lines, key=lambda x: (x.run, x.position)):
        if any(f.kind == "lost bottle" and line.sample in f.places for f in struck):
            continue
        for k in range(line.first, line.first + line.determinations):
            values = _reading(world, line, k, pool, struck)
            rows.append({"Bottle": line.sample, "Run": line.run, "Position": line.position, "Determination": k + 1,
                         **_faulty(line, k, values, struck)})
    return pd.DataFrame(rows)


def _reading(world: World, line: Line, k: int, pool: Mapping[str, np.ndarray], planted: tuple[Planted, ...]
             ) -> dict[str, float]:
    """The reading of one determination: of the keg's zone, of the check fluid, or of a blank (0)."""
    if line.kind == "blank":
        return dict.fromkeys(given().analytes, 0.0)
    if line.kind == "check fluid":
        noise = stream(world.bench, line.kind, line.run, str(line.position), str(k)).standard_normal(len(world.check))
        return {a: level + scatter(a, level) * float(e) for (a, level), e in zip(world.check.items(), noise, strict=True)}
    key = line.key
    for f in planted:
        if f.kind == "swapped bottles" and line.sample in f.places and line.draw == 0:
            key = f"{line.container}|{DEPTHS[-1] if line.depth == DEPTHS[0] else DEPTHS[0]}|0"
    return dict(zip(world.check, map(float, pool[key][k]), strict=True))


def scatter(analyte: str, level: float) -> float:
    """Repeatability deviation at a level, in the unit."""
    relative = given().analytes[analyte].margin.relative_percent is not None
    return s_r_of(given(), analyte) * (level if relative else 1.0)


def _faulty(line: Line, k: int, values: dict[str, float], planted: tuple[Planted, ...]) -> dict[str, float]:
    """The values after what went wrong with this keg, this run, this determination."""
    out = dict(values)
    for f in planted:
        hit = line.sample in f.places and k == 0
        if f.kind == "wrong product" and line.container == f.places[0]:
            signs = {"KV40": 0.1, "P": 1.0, "Ca": -1.0, "Si": 0.5, "Water": 0.2}
            out = {a: v * f.factor ** signs[a] for a, v in out.items()}
        elif f.kind == "run off" and line.run == f.places[0]:
            out[f.analyte] *= 1 + OFF * s_r_of(given(), f.analyte) * float(np.sign(np.log(f.factor)))
        elif f.kind == "slipped digit" and hit:
            out[f.analyte] *= 10.0 if f.factor > 1 else 0.1
        elif f.kind == "bad portion" and hit:
            out |= {a: out[a] * PORTION for a in ("P", "Ca", "Si")}
    return out


def report(rows: pd.DataFrame, day: str) -> bytes:
    """The laboratory's file: a heading, a line of units, a line a determination; rounded, '<' below the limit."""
    study, out = given(), io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(["Bottle", "Run", "Position", "Determination", "Reported", *study.analytes])
    writer.writerow(["", "", "", "", "", *(a.unit for a in study.analytes.values())])
    for r in rows.to_dict("records"):
        writer.writerow([r["Bottle"], r["Run"], r["Position"], r["Determination"], day,
                         *(_written(a, float(r[a])) for a in study.analytes)])
    return out.getvalue().encode()


def _written(analyte: str, value: float) -> str:
    """A value as it is reported."""
    step, limit = REPORTED[analyte]
    if value == 0 and limit == 0:
        return ""  # a blank has no viscosity
    text = f"{round(value / step) * step:.{decimals_of(step)}f}"
    return f"<{limit:g}" if float(text) < limit else text
