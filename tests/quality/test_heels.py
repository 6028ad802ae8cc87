"""A lowest zone that holds some of its container's own heel: mixtures made by hand are taken apart again."""

from __future__ import annotations

from dataclasses import replace
from math import log

import numpy as np
import pandas as pd
import pytest

from studykit.quality.explain import Candidate, Scene
from studykit.quality.heels import _thinned, of_the_floor, own_heel
from studykit.quality.suspects import _says
from studykit.quality.together import FLOOR
from tests.quality.hand import paid, scene_of

ANALYTES = ("B", "Na", "K", "Si")
THINNED = {"B": 50.0, "Na": 45.0, "K": 55.0, "Si": 200.0}
"""A heel in which silicon is rich and the rest thinned; all else reads 100."""


def with_heel(heel: dict[str, float], low: dict[str, float], box: str = "C1") -> Scene:
    """Four containers that read 100, the lowest zone of C1 as ``low``; and a heel of one container."""
    sc = scene_of({(1, 2): {a: log(x / 100) for a, x in low.items()}}, analytes=ANALYTES, s=0.02)
    row = sc.f.rows.iloc[[5]].assign(sample="H1", container=box, kind="heel", depth="heel", height=0.02)
    y = np.vstack([sc.y, [log(heel[a]) for a in ANALYTES]])
    grown = {name: np.vstack([x, np.full(len(ANALYTES), np.nan)]) for name, x in (("e", sc.m.e), ("typical", sc.m.typical))}
    f = replace(sc.f, rows=pd.concat([sc.f.rows, row], ignore_index=True), y=y, value=np.exp(y), raw=np.exp(y),
                at=np.append(sc.f.at, -1), place=np.append(sc.f.place, -1), zone=np.append(sc.f.zone, False))
    m = replace(sc.m, s=np.vstack([sc.m.s, sc.m.s[-1:]]), **grown)
    return Scene(f=f, y=y, m=m, live=np.isfinite(y))


def holding(share: float, heel: dict[str, float]) -> dict[str, float]:
    return {a: (1 - share) * 100 + share * x for a, x in heel.items()}


@pytest.mark.parametrize("share", [0.2, 0.45, 0.7])
def test_one_share_of_the_heel_explains_every_analyte(share: float) -> None:
    low = holding(share, THINNED)
    found = list(own_heel(with_heel(THINNED, low), [0, 1, 2]))
    assert [(c.cause, c.rows, c.columns) for c in found] == [("heel in the zone", (5,), (0, 1, 2, 3))]
    assert found[0].amount == pytest.approx(share)
    np.testing.assert_allclose(np.exp(found[0].readings), np.full((1, 4), 100.0))
    off = np.array([log(low[a] / 100) / 0.02 for a in ANALYTES])
    assert found[0].gain == pytest.approx(float(paid(off).sum()), rel=0.1)  # two other bottles of the container read 100
    assert found[0].price == pytest.approx(log(4) + 3.5)  # four containers, and a share


@pytest.mark.parametrize(("heel", "why"), [
    ({"B": 100.0, "Na": 100.0, "K": 250.0, "Si": 400.0}, "rich alone: it has settled"),
    ({"B": 100.0, "Na": 85.0, "K": 40.0, "Si": 10.0}, "thinned by amounts of their own: it has creamed")])
def test_what_settling_or_creaming_leaves_is_no_heel(heel: dict[str, float], why: str) -> None:
    assert not list(own_heel(with_heel(heel, holding(0.45, heel)), [1])), why


def test_the_heel_of_another_container_says_nothing() -> None:
    assert not list(own_heel(with_heel(THINNED, holding(0.45, THINNED), box="C2"), [1]))


def test_water_thins_all_by_one_factor() -> None:
    heel = dict.fromkeys(ANALYTES, 20.0)
    found = list(own_heel(with_heel(heel, holding(0.3, heel)), [1]))
    assert len(found) == 1
    assert found[0].amount == pytest.approx(0.3)


def test_a_zone_that_does_not_lie_between_is_none() -> None:
    assert not list(own_heel(with_heel(THINNED, {"B": 100.0, "Na": 100.0, "K": 100.0, "Si": 60.0}), [1]))


def test_the_words_name_the_share() -> None:
    sc = with_heel(THINNED, holding(0.45, THINNED))
    text = _says(sc.f, sc.y, next(own_heel(sc, [1])))
    assert "as if about 45 % of it were what the heel of this container is" in text
    assert "nothing is pumped from the floor" in text


@pytest.mark.parametrize("level", [0.7, 1.0, 3.0, 30.0, 41.0, 100.0, 350.0, 1230.0])
def test_a_heel_of_nine_tenths_exactly_is_not_thinned(level: float) -> None:
    """27 below 30, 90 below 100: log(0.9) comes out a rounding above or below, and less than nine tenths is asked."""
    sc = scene_of(analytes=ANALYTES, s=0.005, level=level)
    at, below = (np.full(4, log(round(share * level, 6))) for share in (0.9, 0.89))
    assert not _thinned(sc, np.array([0, 1]), at)
    assert _thinned(sc, np.array([0, 1]), below)


@pytest.mark.parametrize(("s", "reads", "thinned"), [
    (1.0, 44.8, False), (1.0, 44.7, True),  # -ln 0.9 of the level is 5.27; five standard deviations are 5
    (1.2, 44.1, False), (1.2, 43.9, True)])  # five of 1.2 are 6
def test_of_values_as_they_are_a_heel_is_held_against_the_level(s: float, reads: float, thinned: bool) -> None:
    sc = scene_of(analytes=ANALYTES, absolute=ANALYTES, s=s, level=50.0)
    assert _thinned(sc, np.array([0, 1]), np.full(4, reads)) == thinned


def test_half_of_the_analytes_exactly_are_enough_and_two_at_least() -> None:
    sc = scene_of(analytes=ANALYTES, s=0.02)
    for thin, thinned in ((1, False), (2, True), (3, True)):
        assert _thinned(sc, np.array([0, 1]), np.log([50.0] * thin + [100.0] * (4 - thin))) == thinned
    rich = scene_of(analytes=ANALYTES[:3], s=0.02)
    assert _thinned(rich, np.array([0, 1]), np.log([80.0, 40.0, 300.0]))  # by amounts of their own, beside one that is rich
    assert not _thinned(rich, np.array([0, 1]), np.log([80.0, 40.0, 100.0]))


@pytest.mark.parametrize(("cause", "detail", "floor"), [
    (FLOOR, "", True), ("heel in the zone", "its own heel", True), ("heel in the zone", "", False),
    ("portion or dilution", "P", False), ("carry-over", "B03", False), ("wrong product", "", False)])
def test_which_explanations_name_what_lies_at_the_floor(cause: str, detail: str, floor: bool) -> None:
    c = Candidate(cause=cause, rows=(1,), columns=(0,), readings=np.zeros((1, 1)), gain=9.0, price=4.0, place="bottle",
                  detail=detail)
    assert of_the_floor(c) == floor
