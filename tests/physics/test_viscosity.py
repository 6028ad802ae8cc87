"""Viscosity line, density, viscosity index: the standards' worked examples, and refusals."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from studykit.core.errors import BadInput
from studykit.physics.viscosity import (
    _VI_ROWS,
    BASE_C,
    Liquid,
    ViscosityLine,
    d341_viscosity,
    d341_z,
    viscosity_index,
)
from tests.physics_examples import HERE, grade


@pytest.mark.parametrize(("at_40", "at_100", "exact", "index"), [
    # ASTM D2270, example of procedure A (text found): L 119.94, H 69.48, 92.43 -> 92
    (73.30, 8.86, 92.43, 92),
    # ASTM D2270, example of procedure B (text found): 156.37 with rounded steps -> 156
    (22.83, 5.05, 156.46, 156),
    # ASTM D2270, second example of procedure B; inputs found in text, answer recalled
    (53.47, 7.80, 111.30, 111),
])
def test_viscosity_index_of_the_standards_examples(at_40: float, at_100: float, exact: float, index: int) -> None:
    assert viscosity_index(at_40, at_100) == index
    assert viscosity_index(at_40, at_100, rounded=False) == pytest.approx(exact, abs=0.006)


def test_viscosity_index_is_continuous_over_the_table() -> None:
    knots = [3.8, 4.4, 5.0, 6.4, 7.0, 7.7, 9.0, 12, 15, 18, 22, 28, 40, 55, 70]
    for y in knots:
        u = 5.5 * y
        below, above = (viscosity_index(u, y * (1 + e), rounded=False) for e in (-1e-6, 1e-6))
        assert abs(above - below) < 0.6, y


def test_d341_line_of_the_worked_example() -> None:
    # Walther line through 32 mm²/s at 40 °C and 5.4 at 100 °C (text found): A 9.5259, B 3.7449 with T = t + 273,
    # 8.5 mm²/s at 80 °C; with 273.15 the recomputation gives A 9.53082, B 3.74658, 8.5332.
    line = ViscosityLine.through(32, 40, 5.4, 100)
    assert line.a == pytest.approx(9.53082, abs=2e-5)
    assert line.b == pytest.approx(3.74658, abs=2e-5)
    assert float(line.kinematic_mm2_s(80.0)) == pytest.approx(8.533, abs=1e-3)
    assert line.kinematic_mm2_s(np.array([40.0, 100.0])) == pytest.approx([32, 5.4], rel=1e-4)


def test_d341_inverse_as_printed() -> None:
    # ASTM D341 formula pair, recomputed: 0.5 -> 0.500055, 1 -> 0.999949
    assert float(d341_viscosity(d341_z(0.5))) == pytest.approx(0.500055, abs=1e-6)
    assert float(d341_viscosity(d341_z(1.0))) == pytest.approx(0.999949, abs=1e-6)
    v = np.geomspace(0.21, 1e5, 400)
    assert d341_viscosity(d341_z(v)) == pytest.approx(v, rel=3e-4)


def test_density_by_the_oil_rule() -> None:
    # API MPMS 11.1 lubricating oils, density 880 at 60 °F: 880.35, 877.21, 864.58, 826.15 (recomputed)
    oil = Liquid(line=ViscosityLine.through(32, 40, 5.4, 100), density_kg_m3=880, density_at_c=BASE_C)
    assert oil.density(np.array([15, 20, 40, 100.0])) == pytest.approx([880.35, 877.21, 864.58, 826.15], abs=0.005)
    other = Liquid(line=oil.line, density_kg_m3=864.576, density_at_c=40)
    assert float(other.density(15.0)) == pytest.approx(880.35, abs=0.01)


def test_viscosities_in_the_store() -> None:
    table = pd.read_csv(HERE / "store.csv")
    rows = table[table["kind"] == "viscosity"]
    assert len(rows) == 35
    for r in rows.to_dict("records"):
        assert float(grade(r["name"]).dynamic_pa_s(float(r["where"]))) * 1e3 == pytest.approx(r["value"], rel=0.03), r


@settings(max_examples=60, deadline=None)
@given(v=st.floats(2, 5e3), fall=st.floats(0.03, 0.9), t=st.floats(-19, 148))
def test_viscosity_falls_with_temperature(v: float, fall: float, t: float) -> None:
    line = ViscosityLine.through(v, 40, max(v * fall, 0.3), 100)
    assert line.kinematic_mm2_s(t + 1) < line.kinematic_mm2_s(t)


def test_one_viscosity_is_constant_over_its_range() -> None:
    line = ViscosityLine.constant(200.0, (0, 30))
    assert line.kinematic_mm2_s(np.array([0.0, 17, 30])) == pytest.approx(200.0, rel=1e-6)
    with pytest.raises(BadInput, match="outside 0 to 30 °C"):
        line.kinematic_mm2_s(31.0)


@pytest.mark.parametrize(("call", "text"), [
    (lambda: ViscosityLine.through(0, 40, 5, 100), "viscosity_mm2_s must be greater than 0, but got 0"),
    (lambda: ViscosityLine.through(0.2, 40, 0.1, 100), "must be at least 0.21"),
    (lambda: ViscosityLine.through(30, 40, 40, 100), "must fall as temperature rises"),
    (lambda: ViscosityLine.through(30, 40, 20, 40.5), "must differ by 1 °C"),
    (lambda: viscosity_index(20, 1.5), "not defined below 2"),
    (lambda: viscosity_index(5, 8), "must exceed that at 100 °C"),
    (lambda: Liquid(line=ViscosityLine.constant(1, (0, 9)), density_kg_m3=700), "give expansion_per_k"),
    (lambda: Liquid(line=ViscosityLine.constant(1, (0, 9)), density_kg_m3=-1), "density_kg_m3 must be greater than 0"),
    (lambda: Liquid(line=ViscosityLine.constant(1, (0, 9)), density_kg_m3=900, yield_stress_pa=-1),
     "yield_stress_pa must be 0 or more"),
])
def test_refusals(call: object, text: str) -> None:
    with pytest.raises(ValueError, match=text):
        call()  # type: ignore[operator]


def test_temperature_outside_the_line_is_refused_with_the_range() -> None:
    line = ViscosityLine.through(32, 40, 5.4, 100, valid_c=(-5, 60))
    with pytest.raises(BadInput, match="2 temperatures are outside -5 to 60 °C") as caught:
        line.kinematic_mm2_s(np.array([-6.0, 20, 80]))
    assert caught.value.faults[0].value == "-6"


def test_a_viscosity_that_does_not_fall_is_refused_also_where_it_is_equal() -> None:
    with pytest.raises(ValueError, match="must fall as temperature rises"):
        ViscosityLine.through(10.0, 40, 10.0, 100)


def test_rows_of_the_index_meet_where_one_ends_and_the_next_begins() -> None:
    """L and H of ASTM D2270 are one curve each: their rows agree to 0.2 %. L(15) 296.5 and H(15) 149.7 from memory."""
    for before, after in itertools.pairwise(_VI_ROWS):
        y = after[0]
        for k in (1, 4):
            assert np.polyval(before[k : k + 3], y) == pytest.approx(np.polyval(after[k : k + 3], y), rel=2e-3)
    row = next(r for r in _VI_ROWS if r[0] == 15.0)
    assert np.polyval(row[1:4], 15) == pytest.approx(296.5, abs=0.1)
    assert np.polyval(row[4:7], 15) == pytest.approx(149.7, abs=0.1)


def test_a_line_takes_two_temperatures_that_are_one_degree_apart() -> None:
    assert ViscosityLine.through(100.0, 40.0, 95.0, 41.0).b > 0
    with pytest.raises(ValueError, match="differ by 1 °C or more"):
        ViscosityLine.through(100.0, 40.0, 95.0, 40.9)


def test_an_oil_that_does_not_thin_has_no_index() -> None:
    for at_40 in (5.0, 4.9):
        with pytest.raises(ValueError, match="must exceed that at 100"):
            viscosity_index(at_40, 5.0)
