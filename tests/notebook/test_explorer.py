"""The explorer without a browser: numbers equal the library's, sliders change them, headless shows a sentence."""

from __future__ import annotations

import math
import xml.etree.ElementTree as ET

import pytest

from studykit.design.cheapest import Aim, Costs
from studykit.design.operating import DesignSize, chances
from studykit.notebook.explorer import OFFLINE, Explorer, explore, picture, show_explorer
from studykit.study.definition import Assumption

COSTS = Costs(container=40, sample=10, determination=6)
P = Aim(analyte="P", guess=Assumption(s_r=2.0, gradient=100 * math.log1p(0.03)), margin=100 * math.log1p(0.05), unit="%",
        relative=True)
WATER = Aim(analyte="water", guess=Assumption(s_r=12.0), margin=50.0, unit="mg/kg")


def make() -> Explorer:
    return Explorer((P, WATER), DesignSize(containers=6, depths=3), COSTS)


def test_first_reading_is_the_plan_of_the_study() -> None:
    found = make().found
    assert found is not None
    exact = chances(DesignSize(containers=6, depths=3), P.guess, P.margin)
    # tolerance: the sliders stand on steps of a fiftieth of the value
    assert found.chances.homogeneous == pytest.approx(exact.homogeneous, abs=5e-3)
    assert found.cost == 6 * 40 + 18 * 10 + 18 * 6


def test_every_slider_moves_its_number() -> None:
    explorer = make()
    seen = [explorer.words.value]
    for slider, value in ((explorer.containers, 9), (explorer.depths, 5), (explorer.replicates, 2),
                          (explorer.margin, 7.0), (explorer.s_r, 4.0), (explorer.gradient, 9.0)):
        slider.value = value
        assert explorer.words.value not in seen
        seen.append(explorer.words.value)
    aim, size = explorer.current()
    assert (size.containers, size.depths, size.replicates) == (9, 5, 2)
    assert aim.margin == pytest.approx(100 * math.log1p(0.07))
    assert explorer.found is not None
    assert explorer.found.chances == chances(size, aim.guess, aim.margin)
    assert explorer.found.cost == COSTS.of(size)


def test_choosing_another_analyte_puts_its_own_values() -> None:
    explorer = make()
    explorer.analyte.value = "water"
    aim, _ = explorer.current()
    assert (aim.margin, aim.guess.s_r, aim.guess.gradient) == pytest.approx((50, 12, 0))
    assert "mg/kg" in explorer.words.value
    explorer.analyte.value = "P"
    assert explorer.current()[0].margin == pytest.approx(P.margin)


def test_picture_is_valid_svg_with_its_numbers_as_text() -> None:
    found = explore(P, DesignSize(containers=6, depths=3), COSTS)
    root = ET.fromstring(picture(found))
    assert root.attrib["aria-label"] == found.text()
    lines = [e for e in root.iter() if e.tag == "polyline"]
    assert len(lines) == 3
    ends = [e.attrib["points"].split()[0] for e in lines]
    tops = [float(p.split(",")[1]) for p in ends]
    # nothing settled: the chance of "homogeneous" is drawn, 130 px high for 100 %
    assert (150 - tops[0]) / 130 == pytest.approx(found.curve[0][1], abs=1e-3)
    assert len({e.attrib["stroke-dasharray"] for e in lines}) == 3


def test_headless_shows_a_sentence_and_keeps_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    assert show_explorer((P,), DesignSize(containers=6, depths=3), COSTS, live=False) is None
    assert "sliders" in OFFLINE
    assert OFFLINE in capsys.readouterr().out


def test_live_shows_the_sliders(capsys: pytest.CaptureFixture[str]) -> None:
    made = show_explorer((P,), DesignSize(containers=6, depths=3), COSTS, live=True)
    assert made is not None
    assert "VBox" in capsys.readouterr().out


def test_no_analyte_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one analyte"):
        Explorer((), DesignSize(containers=6, depths=3), COSTS)
