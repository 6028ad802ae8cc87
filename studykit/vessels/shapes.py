"""Container shapes: liquid height to volume and back, areas, and an outline to draw.

Heights are in mm above the lowest point of the inside, volumes in litres, areas in mm².
Every upright shape is a stack of pieces whose cross-section is a quadratic in height
(cylinder, box, frustum, cone, ellipsoid, spherical cap), so its volume is an exact cubic.
The lying cylinder uses the circular-segment formula, written so that it does not lose
digits when the vessel is nearly empty.  The inverse is bracketed and found to machine
precision, so that height -> volume -> height returns the height to 1e-9 or better.

Source of the formulas: solid geometry (any textbook); the lying cylinder and its ends are
checked in the tests against published dip and head formulas.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Annotated, ClassVar, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, model_validator

from studykit.core.errors import single
from studykit.vessels.solids import Piece, cone_piece, disc, root, turn_minus_sine

MM3_PER_L = 1e6
Length = Annotated[float, Field(gt=0, le=200_000, allow_inf_nan=False)]
"""A length of a vessel in mm; none is longer than 200 m (no source)."""
_SLACK = 1e-9  # relative; a height this little above the rim is rounding, not an overfill


class _Model(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", serialize_by_alias=True)


class Bottom(_Model):
    """A floor that bulges downwards under an upright vessel, ``depth_mm`` deep.

    ``conical``: a cone (a pyramid under a rectangular vessel); ``ellipsoidal``: half an
    ellipsoid (depth = diameter/4 is the 2:1 head, diameter/2 a hemisphere); ``spherical``:
    a shallow dish cut from a sphere.
    """

    kind: Literal["conical", "ellipsoidal", "spherical"]
    depth_mm: Length

    def piece(self, area_mm2: float) -> Piece:
        """The floor as a piece that meets an area of ``area_mm2`` at its upper edge."""
        d = self.depth_mm
        if self.kind == "conical":
            return Piece(0.0, d, 0.0, 0.0, area_mm2 / d**2)
        if self.kind == "ellipsoidal":
            return Piece(0.0, d, 0.0, 2 * area_mm2 / d, -area_mm2 / d**2)
        radius = (area_mm2 / math.pi + d**2) / (2 * d)
        return Piece(0.0, d, 0.0, 2 * math.pi * radius, -math.pi)


class Shape(_Model):
    """What every vessel can do; the subclasses give the pieces.

    ``posture``: how the vessel stands in this shape; "either" where the shape does not tell.
    """

    posture: ClassVar[Literal["upright", "lying", "either"]] = "upright"
    note: str = ""

    def _pieces(self) -> tuple[Piece, ...]:
        """The stacked pieces from the floor up; none for a shape that is reckoned otherwise."""
        return ()

    @property
    def total_height_mm(self) -> float:
        """Inside height from the lowest point to the rim."""
        return self._pieces()[-1].high

    @property
    def capacity_l(self) -> float:
        """Volume filled to the rim."""
        return self._volume(self.total_height_mm) / MM3_PER_L

    def _volume(self, height: float) -> float:
        return sum(p.volume(min(height, p.high) - p.low) for p in self._pieces() if height > p.low)

    def volume_l(self, height_mm: float) -> float:
        """Litres below ``height_mm``; refuses a height below 0 or above the rim."""
        return self._volume(self._checked_height(height_mm)) / MM3_PER_L

    def area_mm2(self, height_mm: float) -> float:
        """Area of the liquid surface at ``height_mm``; at a step, that of the piece below it."""
        h = self._checked_height(height_mm)
        piece = next(p for p in self._pieces() if h <= p.high)
        return max(piece.area(h - piece.low), 0.0)

    def height_mm(self, volume_l: float) -> float:
        """Liquid height that holds ``volume_l``; refuses less than 0 or more than the capacity."""
        target = self._checked_volume(volume_l) * MM3_PER_L
        below = 0.0
        for p in self._pieces():
            here = p.volume(p.high - p.low)
            if target <= below + here:
                return p.low + root(p.volume, p.high - p.low, target - below)
            below += here
        return self.total_height_mm

    def outline(self, points: int = 40) -> tuple[tuple[float, float], ...]:
        """(height mm, half-width mm) from the floor to the rim, for a drawing to scale.

        A rectangular vessel shows its longer side, a lying cylinder its round end; a table
        of volumes is drawn as if it were round.
        """
        rows: list[tuple[float, float]] = []
        for p in self._pieces():
            n = 1 if p.a2 == 0 and p.a1 == 0 else points
            for i in range(n + 1):
                t = (p.high - p.low) * i / n
                rows.append((p.low + t, self._width_of(p, t)))
        return tuple(rows)

    def _width_of(self, piece: Piece, t: float) -> float:
        return math.sqrt(max(piece.area(t), 0.0) / math.pi)

    def _checked_height(self, height_mm: float) -> float:
        top = self.total_height_mm
        if not 0 <= height_mm <= top * (1 + _SLACK):
            raise single("vessel", f"a liquid height of {height_mm:g} mm is not inside the vessel",
                         f"give a height from 0 to {top:g} mm, or correct the vessel")
        return min(height_mm, top)

    def _checked_volume(self, volume_l: float) -> float:
        full = self.capacity_l
        if not 0 <= volume_l <= full * (1 + _SLACK):
            raise single("vessel", f"a fill of {volume_l:g} L is not inside the vessel",
                         f"the vessel holds 0 to {full:.6g} L: correct the fill or the dimensions")
        return min(volume_l, full)


def _stand(bottom: Bottom | None, area: float) -> tuple[list[Piece], float]:
    if bottom is None:
        return [], 0.0
    return [bottom.piece(area)], bottom.depth_mm


class UprightCylinder(Shape):
    """A standing cylinder; ``height_mm`` is its straight side, above any bulging bottom."""

    shape: Literal["upright_cylinder"] = "upright_cylinder"
    diameter_mm: Length
    side_height_mm: Length = Field(alias="height_mm")
    bottom: Bottom | None = None

    def _pieces(self) -> tuple[Piece, ...]:
        first, low = _stand(self.bottom, disc(self.diameter_mm))
        return (*first, cone_piece(low, self.side_height_mm, self.diameter_mm, self.diameter_mm))


class Rectangular(Shape):
    """A box; a conical bottom is a pyramid."""

    posture: ClassVar[Literal["upright", "lying", "either"]] = "either"
    shape: Literal["rectangular"] = "rectangular"
    length_mm: Length
    width_mm: Length
    side_height_mm: Length = Field(alias="height_mm")
    bottom: Bottom | None = None

    @model_validator(mode="after")
    def _pyramid_only(self) -> Rectangular:
        if self.bottom is not None and self.bottom.kind != "conical":
            raise ValueError("a rectangular vessel can have a conical bottom (a pyramid) or none")
        return self

    def _pieces(self) -> tuple[Piece, ...]:
        area = self.length_mm * self.width_mm
        first, low = _stand(self.bottom, area)
        return (*first, Piece(low, low + self.side_height_mm, area))

    def _width_of(self, piece: Piece, t: float) -> float:
        side = max(self.length_mm, self.width_mm)
        return side / 2 * math.sqrt(max(piece.area(t), 0.0) / (self.length_mm * self.width_mm))


class Frustum(Shape):
    """A pail: diameters at the floor and at the rim."""

    shape: Literal["frustum"] = "frustum"
    bottom_diameter_mm: Length
    top_diameter_mm: Length
    side_height_mm: Length = Field(alias="height_mm")
    bottom: Bottom | None = None

    def _pieces(self) -> tuple[Piece, ...]:
        first, low = _stand(self.bottom, disc(self.bottom_diameter_mm))
        return (*first, cone_piece(low, self.side_height_mm, self.bottom_diameter_mm, self.top_diameter_mm))


class Section(_Model):
    """One piece of a stacked vessel; a piece without ``top_diameter_mm`` is a cylinder."""

    height_mm: Length
    bottom_diameter_mm: Length
    top_diameter_mm: Length | None = None


class Stacked(Shape):
    """Round pieces one above the other, floor first: a bottle with body, shoulder and neck."""

    shape: Literal["stacked"] = "stacked"
    pieces: tuple[Section, ...] = Field(min_length=1)
    bottom: Bottom | None = None

    def _pieces(self) -> tuple[Piece, ...]:
        rows, low = _stand(self.bottom, disc(self.pieces[0].bottom_diameter_mm))
        for s in self.pieces:
            top = s.bottom_diameter_mm if s.top_diameter_mm is None else s.top_diameter_mm
            rows.append(cone_piece(low, s.height_mm, s.bottom_diameter_mm, top))
            low += s.height_mm
        return tuple(rows)


class Table(Shape):
    """A calibration table of heights and volumes; between two rows the volume is a straight line."""

    posture: ClassVar[Literal["upright", "lying", "either"]] = "either"
    shape: Literal["table"] = "table"
    heights_mm: tuple[float, ...] = Field(min_length=2)
    volumes_l: tuple[float, ...] = Field(min_length=2)

    @model_validator(mode="after")
    def _rising(self) -> Table:
        if len(self.heights_mm) != len(self.volumes_l):
            raise ValueError(f"{len(self.heights_mm)} heights but {len(self.volumes_l)} volumes")
        for name, rows in (("heights_mm", self.heights_mm), ("volumes_l", self.volumes_l)):
            if rows[0] != 0:
                raise ValueError(f"{name} must start at 0 (the floor), but starts at {rows[0]:g}")
            if any(b <= a for a, b in pairwise(rows)):
                raise ValueError(f"{name} must rise from row to row")
        return self

    def _pieces(self) -> tuple[Piece, ...]:
        h, v = self.heights_mm, [x * MM3_PER_L for x in self.volumes_l]
        return tuple(Piece(h[i], h[i + 1], (v[i + 1] - v[i]) / (h[i + 1] - h[i])) for i in range(len(h) - 1))


# Two ends together hold k·h²·(1.5·d - h): published head formulas (vessel-volume handbooks).
# A full dished end so holds what a spherical cap of crown radius d does (shown in the tests).
ENDS = {"flat": 0.0, "hemispherical": math.pi / 3, "elliptical": math.pi / 6, "dished": 0.215483}


class HorizontalCylinder(Shape):
    """A lying cylinder; ``length_mm`` is its straight length between the two (equal) ends."""

    posture: ClassVar[Literal["upright", "lying", "either"]] = "lying"
    shape: Literal["horizontal_cylinder"] = "horizontal_cylinder"
    diameter_mm: Length
    length_mm: Length
    ends: Literal["flat", "hemispherical", "elliptical", "dished"] = "flat"

    @property
    def total_height_mm(self) -> float:
        """The inside diameter."""
        return self.diameter_mm

    def _volume(self, height: float) -> float:
        r, d = self.diameter_mm / 2, self.diameter_mm
        turn = 4 * math.asin(math.sqrt(min(height / d, 1.0)))
        segment = r**2 / 2 * turn_minus_sine(turn)
        return segment * self.length_mm + ENDS[self.ends] * height**2 * (1.5 * d - height)

    def area_mm2(self, height_mm: float) -> float:
        """Area of the liquid surface at ``height_mm``."""
        h, d = self._checked_height(height_mm), self.diameter_mm
        return 2 * math.sqrt(h * (d - h)) * self.length_mm + ENDS[self.ends] * 3 * h * (d - h)

    def height_mm(self, volume_l: float) -> float:
        """Liquid height that holds ``volume_l``; refuses less than 0 or more than the capacity."""
        return root(self._volume, self.diameter_mm, self._checked_volume(volume_l) * MM3_PER_L)

    def outline(self, points: int = 40) -> tuple[tuple[float, float], ...]:
        """(height mm, half-width mm) of the round end, from the lowest line to the highest."""
        r = self.diameter_mm / 2
        angles = [math.pi * i / points for i in range(points + 1)]
        return tuple((r * (1 - math.cos(a)), r * math.sin(a)) for a in angles)


Vessel = Annotated[UprightCylinder | HorizontalCylinder | Rectangular | Frustum | Stacked | Table,
                   Field(discriminator="shape")]
VESSEL: TypeAdapter[Shape] = TypeAdapter(Vessel)
