"""Every shape at many heights, and every text that names a package, for ``tests.kept``."""

from __future__ import annotations

from typing import Any

from studykit.core.errors import BadInput
from studykit.vessels.packages import PACKAGES, own_package, package_in
from studykit.vessels.solids import Piece, cone_piece, disc, root, turn_minus_sine
from tests.kept import Cases, Kept, condensed, kept
from tests.vessels.test_shapes import EVERY

TEXTS = ("drum", "200 L drums", "180 l drum", "169 L drum", "171 L drum", "229 L drum", "231 L drum", "2 hl drum",
         "20000 ml pail", "0.02 m3 pail", "60 L drum", "a tank of 8 m3", "tank 8000 L", "tank 8.000 L", "tank 1,234.5 L",
         "tank 12,5 L", "10 gal can", "10 oz can", "5 L and 6 L can", "can", "10 L", "0 L can", "", "kegs with 60 litres",
         "1 cubic metre totes", "75 cl bottle", "pail of 17 L", "pail of 16.9 L")


def _shapes() -> Kept:
    out: list[tuple[str, Any]] = []
    words: list[str] = []
    for name, vessel in EVERY.items():
        top, full = vessel.total_height_mm, vessel.capacity_l
        part = (0.0, 1e-7, 0.001, 0.03, 0.14, 0.25, 0.3, 0.5, 0.77, 0.8, 0.93, 0.999, 1.0, 1 + 5e-10)
        out += [(f"{name} / size", condensed([top, full])),
                (f"{name} / volume", condensed([vessel.volume_l(x * top) for x in part])),
                (f"{name} / area", condensed([vessel.area_mm2(x * top) for x in part])),
                (f"{name} / height", condensed([vessel.height_mm(x * full) for x in part]))]
        out += [(f"{name} / outline {n}", condensed([x for row in vessel.outline(n) for x in row])) for n in (3, 40)]
        words.append(f"{name}: {vessel.posture}")
        for ask in (lambda v=vessel, t=top: v.volume_l(t * (1 + 2e-9)), lambda v=vessel: v.volume_l(-1e-9),  # type: ignore[misc]
                    lambda v=vessel, f=full: v.height_mm(f * (1 + 2e-9)), lambda v=vessel: v.height_mm(-1e-9)):  # type: ignore[misc]
            try:
                ask()
            except BadInput as error:
                words += [f"{name}: {f.reason}; {f.remedy}" for f in error.faults]
    return kept(out, words)


def _solids() -> Kept:
    piece = Piece(10.0, 30.0, 5.0, 0.3, -0.01)
    frustum = cone_piece(4.0, 20.0, 8.0, 12.0)
    turns = (0.0, 1e-6, 1e-3, 0.1, 0.29, 0.3, 0.3000001, 0.31, 1.0, 3.0, 6.0)
    return kept([
        ("piece", condensed([f(t) for f in (piece.area, piece.volume, frustum.area, frustum.volume)
                             for t in (0.0, 0.5, 7.0, 20.0)])),
        ("frustum", condensed([frustum.low, frustum.high, disc(3.0)])),
        ("turns", condensed([turn_minus_sine(t) for t in turns])),
        ("small turns", condensed([turn_minus_sine(t) / t**3 for t in turns[1:6]])),
        ("roots", condensed([root(piece.volume, 20.0, x) for x in (-1.0, 0.0, 1e-9, 50.0, 132.0, 1e6)]))])


def _packages() -> Kept:
    words: list[str] = []
    for text in TEXTS:
        try:
            found = package_in(text)
        except ValueError as error:
            words.append(f"{text}: {error}")
            continue
        told = found and f"{found.name}, {found.litres:.9g} L, holds {found.capacity_l:.9g}, rolls {found.rolls}, {found.shape}"
        words.append(f"{text}: {told or 'nothing'}")
    own = [own_package(PACKAGES["pail"], n) for n in ([200.0, 300.0], [100.0, 200.0, 300.0])]
    words += [f"{p.name} {p.litres:g} {p.capacity_l:.9g} {p.rolls} {p.shape}" for p in (
        *PACKAGES.values(), *own, PACKAGES["keg"].lying(), own[0].lying())]
    return kept((), words)


QUICK: Cases = {"shapes": _shapes, "solids": _solids, "packages": _packages}
SLOW: Cases = {}
