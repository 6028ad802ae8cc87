"""What an unmixed container gives out: volumes add up, and a known profile gives known contents."""

import math

import numpy as np
import pytest

from studykit.verdict import pouring as c
from studykit.vessels.shapes import UprightCylinder
from tests.model.test_fit import DEPTHS, fit, layered

VESSEL = UprightCylinder(shape="upright_cylinder", diameter_mm=380, height_mm=600)


def test_layers_hold_the_whole():
    layers = c.layers_of(VESSEL, 500, [0.83, 0.5, 0.17])
    assert layers.edges == pytest.approx((1.0, 0.665, 0.335, 0.0))
    assert layers.total_l == pytest.approx(math.pi / 4 * 3.8**2 * 5)
    with pytest.raises(ValueError, match="must fall from the surface"):
        c.layers_of(VESSEL, 500, [0.17, 0.5, 0.83])


def test_litres_leave_layer_by_layer():
    layers = c.layers_of(VESSEL, 500, [0.83, 0.5, 0.17])
    top = c.taken(layers, 20.0, from_top=True)
    assert top.sum() == pytest.approx(20)
    assert top == pytest.approx([18.996, 1.004, 0.0], abs=1e-3)
    assert c.taken(layers, 20.0, from_top=False)[0] == 0
    assert c.taken(layers, layers.total_l, from_top=False) == pytest.approx(layers.volumes_l)
    with pytest.raises(ValueError, match="litres must lie in 0 to"):
        c.taken(layers, 99.0, from_top=True)


@pytest.mark.parametrize("margin", [{"relative_percent": 5}, {"absolute": 5}])
def test_the_whole_content_is_the_mixed_mean_and_the_ends_bracket_it(margin):
    _, m = fit(layered(gradient=0.4, sd=1e-4), DEPTHS, margin)
    layers = c.layers_of(VESSEL, 500, [0.83, 0.5, 0.17])
    whole = c.content(m, layers, np.array(layers.volumes_l))
    assert whole == pytest.approx((100, 100, 100))
    table = c.consequences(m, VESSEL, 500)
    first = table.iloc[0]
    # upper zone e^0 against the volume-weighted mean of e^0, e^0.2, e^0.4 with shares 0.335, 0.33, 0.335
    mixed = 0.335 + 0.33 * math.exp(0.2) + 0.335 * math.exp(0.4)
    assert first["content %"] == pytest.approx(100 / mixed, rel=2e-3)
    assert first["low %"] < first["content %"] < first["high %"]
    assert table["share of the analyte %"].between(0, 100).all()


def test_what_leaves_first_and_what_stays_make_up_the_whole():
    _, m = fit(layered(gradient=0.4), DEPTHS, {"relative_percent": 5})
    layers = c.layers_of(VESSEL, 500, [0.83, 0.5, 0.17])
    part = c.taken(layers, 0.3 * layers.total_l, from_top=True)
    rest = np.array(layers.volumes_l) - part
    total = sum(c.content(m, layers, p)[0] * p.sum() for p in (part, rest)) / layers.total_l
    assert total == pytest.approx(100)


def test_the_interval_is_that_of_a_simulation():
    _, m = fit(layered(n=8, gradient=0.3, sd=0.03), DEPTHS, {"relative_percent": 5})
    layers = c.layers_of(VESSEL, 500, [0.83, 0.5, 0.17])
    litres = c.taken(layers, 10.0, from_top=True)
    mean, low, high = c.content(m, layers, litres, level=0.9)
    rng = np.random.default_rng(1)
    draws = np.exp(rng.multivariate_normal(m.mean_values, m.mean_cov, 200_000))
    ratio = 100 * (draws @ litres / litres.sum()) / (draws @ np.array(layers.volumes_l) / layers.total_l)
    # the normal simulation has no t quantile: compare standard errors on the log scale, 2 % for the delta method
    from scipy import stats

    se = math.log(high / low) / (2 * stats.t.isf(0.05, m.pairs.df))
    assert np.log(ratio).std() == pytest.approx(se, rel=0.02)
    assert mean == pytest.approx(np.median(ratio), rel=1e-3)


def test_the_typical_container_is_a_stored_one():
    from tests.model.test_fit import tables_of

    containers, *_ = tables_of(layered(n=4))
    containers["liquid_height_mm"] = [300.0, 400.0, 500.0, 600.0]
    assert c.typical_container(containers)["liquid_height_mm"] == 400
    containers["treatment"] = "remixed control"
    assert c.typical_container(containers) is None
