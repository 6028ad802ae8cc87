"""Usual packages: which one a text names, how many litres it holds, and insides of one's own, by hand."""

from __future__ import annotations

import math

import pytest

from studykit.vessels.packages import PACKAGES, own_package, package_in


@pytest.mark.parametrize(("text", "name", "litres", "known"), [
    ("drum", "drum", 200, True), ("200 L drums", "drum", 200, True), ("180 l drum", "drum", 180, True),
    ("drum of 216,5 litres", "drum", 216.5, True), ("20 L pail", "pail", 20, True),
    ("60 L drum", "drum", 60, False), ("300 L drum", "drum", 300, False), ("10 L cans", "can", 10, False)])
def test_a_package_is_known_by_its_name_where_its_litres_are_about_the_usual_ones(text, name, litres, known):
    """Within 15 % of 200 L the usual inside is taken, far below or above it none is."""
    found = package_in(text)
    assert found is not None
    assert (found.name, found.litres) == (name, pytest.approx(litres))
    assert bool(found.shape) is known


@pytest.mark.parametrize("text", ["", "can", "10 L", "0 L can"])
def test_a_text_without_a_name_or_without_litres_names_none(text):
    assert package_in(text) is None


def test_no_package_holds_more_than_its_inside():
    """pi/4 * 0.5715 m * 0.5715 m * 0.85 m = 218 L of the drum; 225 L are within 15 % of 200."""
    drum = PACKAGES["drum"]
    assert drum.capacity_l == pytest.approx(1000 * math.pi / 4 * 0.5715**2 * 0.85)
    assert package_in("225 L drum").litres == pytest.approx(drum.capacity_l)


def test_insides_of_ones_own_and_on_the_side():
    """Two numbers are a diameter and a height, three a length, a width and a height; 10 by 20 by 30 cm hold 6 L."""
    can = package_in("5 L can")
    assert own_package(can, [200, 300]).capacity_l == pytest.approx(math.pi * 9 / 4 * 4 / 3)
    box = own_package(can, [100, 200, 300])
    assert (box.capacity_l, box.rolls, box.litres) == (pytest.approx(6), False, 5)
    assert (PACKAGES["drum"].rolls, PACKAGES["tote"].rolls, PACKAGES["pail"].rolls) == (True, False, False)
    lying = PACKAGES["drum"].lying()
    assert lying.capacity_l == pytest.approx(PACKAGES["drum"].capacity_l)
    assert 'shape = "horizontal_cylinder"' in lying.shape
