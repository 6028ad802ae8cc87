"""Usual packages and their insides, as a start: whoever has the container measures it and writes the own numbers."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, replace

from studykit.vessels.shapes import Frustum, HorizontalCylinder, Rectangular, UprightCylinder


@dataclass(frozen=True, slots=True, kw_only=True)
class Package:
    """A kind of container: its name, litres of a full one, the lines of its section in study.toml, what they hold (L)."""

    name: str
    litres: float
    shape: str = ""
    capacity_l: float = 0.0

    @property
    def rolls(self) -> bool:
        """Whether it is round and straight, so that it may lie on its side."""
        return 'shape = "upright_cylinder"' in self.shape

    def lying(self) -> Package:
        """The same on its side; for one that ``rolls``."""
        told = tomllib.loads(self.shape)
        return _package(self.name, self.litres, HorizontalCylinder(
            shape="horizontal_cylinder", diameter_mm=told["diameter_mm"], length_mm=told["height_mm"]))


def _package(name: str, litres: float, vessel: UprightCylinder | HorizontalCylinder | Rectangular | Frustum) -> Package:
    told = vessel.model_dump(by_alias=True, exclude_none=True, exclude={"note"})
    lines = "\n".join(f'{k} = "{v}"' if isinstance(v, str) else f"{k} = {v:g}" for k, v in told.items())
    return Package(name=name, litres=litres, shape=lines, capacity_l=vessel.capacity_l)


PACKAGES = {p.name: p for p in (
    _package("pail", 20, Frustum(shape="frustum", bottom_diameter_mm=270, top_diameter_mm=300, height_mm=360)),
    _package("keg", 60, UprightCylinder(shape="upright_cylinder", diameter_mm=380, height_mm=600)),
    _package("drum", 200, UprightCylinder(shape="upright_cylinder", diameter_mm=571.5, height_mm=850)),
    _package("tote", 1000, Rectangular(shape="rectangular", length_mm=1150, width_mm=950, height_mm=1000)))}
"""Insides from common practice, no source; each with its nominal filling."""
ALIKE = 0.15
"""How far the litres that are told may be from the usual ones for the inside to be taken (own judgement)."""


def package_in(text: str) -> Package | None:
    """The package that a text names, 'drum', '200 L drum' or 'can 10 L'; None where it names none with its litres."""
    litres = re.search(r"(\d+(?:[.,]\d+)?)\s*(?:l|litres?|liters?)?\b", text, re.I)
    words = [w for w in re.findall(r"[a-z]+", text.casefold()) if w not in ("l", "litre", "litres", "liter", "liters", "of")]
    volume = float(litres[1].replace(",", ".")) if litres else None
    for name, usual in PACKAGES.items():
        if {name, f"{name}s"} & set(words) and (volume is None or abs(volume / usual.litres - 1) <= ALIKE):
            return usual if volume is None else replace(usual, litres=min(volume, usual.capacity_l))
    if not words or not volume:
        return None
    return Package(name=words[-1].removesuffix("s"), litres=volume)


def own_package(package: Package, numbers: Sequence[float]) -> Package:
    """The package with an inside of its own: diameter and height, or length, width and height, in mm."""
    if len(numbers) == 2:
        return _package(package.name, package.litres, UprightCylinder(
            shape="upright_cylinder", diameter_mm=numbers[0], height_mm=numbers[1]))
    return _package(package.name, package.litres, Rectangular(
        shape="rectangular", length_mm=numbers[0], width_mm=numbers[1], height_mm=numbers[2]))
