"""What an unmixed container gives out: volumes add up, and a known profile gives known contents."""

import math
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

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


def ends(containers: dict[str, object] | None = None, **samples: object) -> dict[str, float]:
    """Litres of the ends of two stored drums of 500 and 400 mm beside a remixed one of 100 mm; zones at 0.9, 0.5, 0.3."""
    boxes = pd.DataFrame({"container": ["C1", "C2", "K1"], "vessel": "drum", "liquid_height_mm": [500.0, 400.0, 100.0],
                          "treatment": ["stored", "stored", "remixed"]}).assign(**(containers or {}))
    rows = pd.DataFrame([("spot", box, d, h + 0.01 * off) for box, off in (("C1", 1), ("C2", -1), ("K1", 50))
                         for d, h in zip(DEPTHS, (0.9, 0.5, 0.3), strict=True)],
                        columns=["kind", "container", "depth", "height"]).assign(**samples)
    study = SimpleNamespace(vessels={"drum": VESSEL}, factors=SimpleNamespace(depths=list(DEPTHS)))
    return c.litres_of_ends(SimpleNamespace(containers=boxes, samples=rows, study=study))


def test_the_litres_of_the_ends_are_cut_at_the_middles_between_mean_heights():
    """From 0.7 up and from 0.4 down, of an upright drum of 380 mm: 1.134 L a cm; the remixed one says nothing."""
    per_mm = math.pi / 4 * 380**2 / 1e6
    assert ends() == pytest.approx({f"{name}.{end}": part * mm * per_mm for name, part in (("first", 0.3), ("last", 0.4),
                                                                                          ("whole", 1.0))
                                    for end, mm in (("least", 400), ("most", 500))})


@pytest.mark.parametrize(("containers", "samples"), [
    ({"treatment": "remixed"}, {}), ({"liquid_height_mm": [500.0, np.nan, 100.0]}, {}), ({}, {"height": np.nan}),
    ({}, {"height": 0.5}), ({}, {"depth": "upper"})])
def test_no_litres_are_told_where_a_level_or_a_height_is_not_known(containers, samples):
    assert ends(containers, **samples) == {}


@pytest.mark.parametrize("margin", [{"relative_percent": 5}, {"absolute": 5}])
def test_the_whole_content_is_the_mixed_mean_and_the_ends_bracket_it(margin):
    _, m = fit(layered(gradient=0.4, sd=1e-4), DEPTHS, margin)
    layers = c.layers_of(VESSEL, 500, [0.83, 0.5, 0.17])
    whole = c.content(m, layers, np.array(layers.volumes_l))
    assert whole == pytest.approx((100, 100, 100, 100, 100))
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
    assert total == pytest.approx(100, rel=1e-3)  # geometric means over containers add up only nearly


@pytest.mark.parametrize("margin", [{"relative_percent": 5}, {"absolute": 5}])
def test_both_intervals_are_those_of_students_t_over_the_containers(margin):
    frame = layered(n=8, gradient=0.3, sd=0.03)
    _, m = fit(frame, DEPTHS, margin)
    layers = c.layers_of(VESSEL, 500, [0.83, 0.5, 0.17])
    litres = c.taken(layers, 10.0, from_top=True)
    values = frame.pivot(index="container", columns="depth", values="value")[list(DEPTHS)].to_numpy()
    own = 100 * (values @ litres / 10.0) / (values @ np.array(layers.volumes_l) / layers.total_l)
    log = "relative_percent" in margin
    x = np.log(own) if log else own
    t, s, n = stats.t.isf(0.05, 7), x.std(ddof=1), 8
    by_hand = [x.mean(), *(x.mean() + k * t * s * f for f in (1 / n**0.5, (1 + 1 / n) ** 0.5) for k in (-1, 1))]
    assert c.content(m, layers, litres, level=0.9) == pytest.approx(np.exp(by_hand) if log else by_hand)


@pytest.mark.slow
def test_the_intervals_hold_at_their_rate_where_containers_have_their_own_gradients():
    # 400 studies of 8 containers, slope scatter twice the residual: mean of containers and one further, nominal 90 %
    layers = c.layers_of(VESSEL, 500, [0.83, 0.5, 0.17])
    part, whole = c.taken(layers, 10.0, from_top=True), np.array(layers.volumes_l)
    rng = np.random.default_rng(11)
    y = 100 + 10 * rng.normal(size=(400, 9, 1)) * np.array([-0.5, 0, 0.5]) + 5 * rng.normal(size=(400, 9, 3))
    truth = 100 * (np.full(3, 100.0) @ part / part.sum()) / 100
    mean_hits = next_hits = 0
    for study in y:
        own = 100 * (study @ part / part.sum()) / (study @ whole / whole.sum())
        table = pd.DataFrame([(f"C{i}", d, v) for i, r in enumerate(study[:8]) for d, v in zip(DEPTHS, r, strict=True)],
                             columns=["container", "depth", "value"])
        _, low, high, next_low, next_high = c.content(Bare(table), layers, part, level=0.9)
        mean_hits += low < truth < high
        next_hits += next_low < own[8] < next_high
    # 90 % of 400, 3.5 Monte Carlo errors of 1.5 %
    assert 0.847 < mean_hits / 400 < 0.953
    assert 0.847 < next_hits / 400 < 0.953


class Bare:
    """A model as far as pouring needs it: cells on the raw scale."""

    def __init__(self, table):
        self.rows = SimpleNamespace(log=False)
        wide = table.pivot(index="container", columns="depth", values="value")[list(DEPTHS)].to_numpy()
        self.cells = SimpleNamespace(low=wide, high=wide, exact=np.ones(len(wide), dtype=bool))


def test_an_analyte_without_a_number_in_every_zone_has_no_row():
    """Ten rows of litres without a content stood there, of copper, of which every container had a limit in one zone."""
    own = layered(n=4)
    model = Bare(own)
    model.means = lambda: pd.DataFrame({"height": [0.9, 0.5, 0.1]})
    assert len(c.consequences(model, VESSEL, 500)) == 10
    model.cells.exact[:] = False
    assert c.consequences(model, VESSEL, 500).empty


def test_what_has_no_row_beside_others_is_named(monkeypatch):
    models = [SimpleNamespace(analyte=a) for a in ("Cu", "Fe", "Zn")]
    monkeypatch.setattr(c, "fitted", list)
    stage = SimpleNamespace(study=SimpleNamespace(label_of={"Cu": "copper", "Fe": "iron", "Zn": "zinc"}.get))
    words = {"Cu": "inconclusive", "Fe": "stratified", "Zn": "homogeneous"}
    table = pd.DataFrame({"analyte": ["Fe"]})
    assert c.not_told(stage, models, words, table).startswith("No litres are worked out of copper: no container has a number")
    assert c.not_told(stage, models[1:], words, table) == "Every fitted analyte that is not homogeneous stands in this table."
    assert c.not_told(stage, models, words, table.iloc[:0]) == "No litres are told here."


def test_the_typical_container_is_a_stored_one():
    from tests.model.test_fit import tables_of

    containers, *_ = tables_of(layered(n=4))
    containers["liquid_height_mm"] = [300.0, 400.0, 500.0, 600.0]
    assert c.typical_container(containers)["liquid_height_mm"] == 400
    containers["treatment"] = "remixed control"
    assert c.typical_container(containers) is None


def own_settled(rng, n, kind):
    """True contents of three zones of n containers, (n, 3): alike, each by its own amount, or three in ten settled."""
    amount = np.clip(rng.normal(0.5, 0.2, (n, 1)), 0, 0.8) if kind == "alike" else np.where(rng.random((n, 1)) < 0.3, 0.6, 0.02)
    return (80 + 20 * rng.random((n, 1))) * (1 - amount * np.array([1.0, 0.2, -1.2]))


@pytest.mark.few(1)
@pytest.mark.parametrize("log", [False, True])
@pytest.mark.parametrize(("kind", "mean"), [("alike", (86.0, 94.0)), ("mixture", (70.0, 81.0))])
def test_own_litres_are_covered(log, kind, mean):
    """Truth by numpy alone: the first twentieth of a cylinder, all of it from the upper zone, in per cent of the whole."""
    rng, held, further, studies = np.random.default_rng(17), 0, 0, 800
    layers, share = c.layers_of(VESSEL, 500, [0.9, 0.5, 0.1]), np.array([0.3, 0.4, 0.3])
    litres = c.taken(layers, 0.05 * layers.total_l, from_top=True)

    def first(contents):
        return 100 * contents[:, 0] / (contents @ share)

    everyone = first(own_settled(rng, 200_000, kind))
    for _ in range(studies):
        seen = own_settled(rng, 4, kind) * np.exp(0.01 * rng.normal(size=(4, 3)))
        cells = SimpleNamespace(low=np.log(seen) if log else seen, exact=np.full(4, True))
        cells.high = cells.low
        model = SimpleNamespace(cells=cells, rows=SimpleNamespace(log=log))
        _, low, high, next_low, next_high = c.content(model, layers, litres)
        held += low <= everyone.mean() <= high
        further += next_low <= rng.choice(everyone) <= next_high
    assert mean[0] < 100 * held / studies < mean[1]  # nominal 90 where containers are alike; the page says what is not
    assert 100 * further / studies > 86


def test_the_typical_container_is_the_median_one_and_of_two_the_lower():
    table = pd.DataFrame({"container": list("dcba"), "treatment": ["stored"] * 3 + ["remixed control"],
                          "liquid_height_mm": [300.0, 500.0, 100.0, 50.0]})
    found = c.typical_container(table)
    assert found is not None
    assert found["container"] == "d"
    two = c.typical_container(table[table["container"] != "b"])
    assert two is not None
    assert two["container"] == "d"
    assert c.typical_container(table.assign(liquid_height_mm=math.nan)) is None


def test_litres_leave_a_layer_of_their_own_and_no_more_than_there_are():
    layers = c.layers_of(VESSEL, 500, [0.83, 0.5, 0.17])
    first, middle, last = layers.volumes_l
    assert c.taken(layers, first, from_top=True) == pytest.approx([first, 0, 0])
    assert c.taken(layers, first + middle + 1, from_top=True) == pytest.approx([first, middle, 1])
    assert c.taken(layers, last + 2, from_top=False) == pytest.approx([0, 2, last])
    for bad in (0.0, -1.0, 1.001 * layers.total_l):
        with pytest.raises(ValueError, match="litres must lie in 0 to"):
            c.taken(layers, bad, from_top=True)
    with pytest.raises(ValueError, match="must fall from the surface"):
        c.layers_of(VESSEL, 500, [0.5, 0.5])


def test_one_container_has_a_content_and_no_interval_and_none_without_anything():
    table = pd.DataFrame([("A", d, v) for d, v in zip(DEPTHS, (80.0, 100.0, 120.0), strict=True)],
                         columns=["container", "depth", "value"])
    layers = c.layers_of(VESSEL, 500, [0.83, 0.5, 0.17])
    found = c.content(Bare(table), layers, c.taken(layers, 5.0, from_top=True))
    mixed = (80 * layers.volumes_l[0] + 100 * layers.volumes_l[1] + 120 * layers.volumes_l[2]) / layers.total_l
    assert found[0] == pytest.approx(100 * 80 / mixed)
    assert all(math.isnan(x) for x in found[1:])
    none = pd.DataFrame([("A", d, 0.0) for d in DEPTHS], columns=["container", "depth", "value"])
    assert math.isnan(c.content(Bare(none), layers, c.taken(layers, 5.0, from_top=True))[0])  # nothing in it: no per cent of it


def test_litres_and_shares_of_the_table_by_hand():
    """A cylinder cut in three: a twentieth of it lies within the first or the last third."""
    rows = [(n, d, v) for n, k in (("A", 1.0), ("B", 1.1), ("C", 0.9))
            for d, v in zip(DEPTHS, (80 * k, 100.0, 120.0), strict=True)]
    model = Bare(pd.DataFrame(rows, columns=["container", "depth", "value"]))
    model.means = lambda: pd.DataFrame({"height": [5 / 6, 1 / 2, 1 / 6]})
    table = c.consequences(model, VESSEL, 600)
    total = math.pi / 4 * 3.8**2 * 6
    assert table.iloc[:, 1].tolist() == pytest.approx([x * total for x in (0.05, 0.1, 0.25, 0.5) * 2 + (0.05, 0.1)])
    first = np.mean([100 * 80 * k / ((80 * k + 220) / 3) for k in (1.0, 1.1, 0.9)])
    assert table["content %"].iloc[0] == pytest.approx(first)
    assert table["share of the analyte %"].iloc[0] == pytest.approx(0.05 * first)
    assert table["content %"].iloc[4] == table["content %"].iloc[8]  # the last litres are those a tap gives first


@pytest.mark.parametrize("depths", [["upper"], ["upper", "lower"], ["upper", "middle", "lower"], ["lower", "upper"]])
def test_heights_of_two_depths_are_known_and_have_to_fall(depths):
    """Of one depth there are no layers; those named from the floor up do not fall; a composite says nothing of heights."""
    at = {"upper": 0.8, "middle": 0.5, "lower": 0.2}
    rows = pd.DataFrame([(kind, box, d, h + off) for kind, box, off in (("spot", "C1", 0.01), ("spot", "C2", -0.01),
                                                                        ("composite", "C1", 5.0), ("spot", "X", 5.0))
                         for d, h in at.items()], columns=["kind", "container", "depth", "height"])
    stage = SimpleNamespace(samples=rows, study=SimpleNamespace(factors=SimpleNamespace(depths=depths)))
    wanted = [] if depths in (["upper"], ["lower", "upper"]) else [at[d] for d in depths]
    assert c._heights(stage, {"C1", "C2"}) == pytest.approx(wanted)
