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


_VOLUMES = {"l": 1.0, "litre": 1.0, "liter": 1.0, "ltr": 1.0, "dm3": 1.0, "dm³": 1.0, "ml": 0.001, "cl": 0.01, "dl": 0.1,
            "hl": 100.0, "m3": 1000.0, "m³": 1000.0, "cbm": 1000.0, "cubic metre": 1000.0, "cubic meter": 1000.0}
"""Litres in one of each unit of volume that a package may be told in."""
_VOLUME = re.compile(r"(\d+(?:[.,]\d+)*)\s*(cubic\s+met(?:re|er)s?|[a-zµ]+[³3]?)?", re.I)


def _litres_in(text: str) -> tuple[float | None, str]:
    """The litres that a text tells, None without a number, and the text without them; ValueError says what is unclear."""
    found = list(_VOLUME.finditer(text))
    if not found:
        return None, text
    number, unit = found[0][1], " ".join((found[0][2] or "").casefold().split()).removesuffix("s")
    if len(found) > 1:
        raise ValueError("it has several numbers: write the word and what one holds, such as tank 8000 L")
    if unit.removesuffix("on") in ("gal", "gall") or unit == "usg":
        raise ValueError("gallons are of two sizes (3.785 and 4.546 L): write litres")
    if unit not in _VOLUMES:
        raise ValueError(f"{number}{f' {unit}' if unit else ''} is no volume that is read: write L or m3 behind the number, "
                         f"such as tank {number} L")
    if re.fullmatch(r"[1-9]\d{0,2}([.,]\d{3})+", number) or number.count(",") + number.count(".") > 1:
        plain = re.sub("[.,]", "", number)
        raise ValueError(f"{number} could have a sign between thousands: write it without, such as {plain} L")
    litres = float(number.replace(",", ".")) * _VOLUMES[unit]
    return litres, text[:found[0].start()] + " " + text[found[0].end():]


def package_in(text: str) -> Package | None:
    """The package that a text names, 'drum', '200 L drum' or 'tank 8 m3'; None where it names none with its volume.

    ValueError, which says what to write, for a volume whose unit or number is unclear.
    """
    volume, rest = _litres_in(text)
    words = [w for w in re.findall(r"[a-z]+", rest.casefold()) if w not in ("of", "with", "a", "an", "the", "and", "in")]
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
