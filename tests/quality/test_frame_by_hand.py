"""The frame of a few bottles and the parts of its fit, by hand: which rows enter, levels by kind, scales, spreads."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from studykit.quality.frame import (
    NU,
    Frame,
    _by_kind,
    _is_box,
    _median,
    _raw,
    _scales,
    _shape,
    _spread_of_containers,
    build_frame,
    fit,
    kind_columns,
    one_of_two,
    rho,
    spread,
    summing,
)
from studykit.quality.reweighted import alike, robust_line, robust_lines
from tests.quality.hand import paid, scene_of

NAN = float("nan")


def working(*rows: tuple[str, str, str, str, float], **more: Any) -> pd.DataFrame:
    """Working table: sample, container, kind, depth, value of P; read in run R1 in this order."""
    t = pd.DataFrame(rows, columns=["sample", "container", "kind", "depth", "value"])
    height = {"upper": 0.8, "lower": 0.2}
    return t.assign(**{"analyte": "P", "run": "R1", "run_order": np.arange(1.0, len(t) + 1), "relative": True,
                       "y": np.log(t["value"]), "treatment": "stored", "height": t["depth"].map(height), "draw_order": 1,
                       "label": t["depth"].where(t["depth"] != "", t["kind"]), "lot": "L", "store": "",
                       "age_months": NAN} | more)


def raw_of(t: pd.DataFrame) -> pd.DataFrame:
    return t[["sample", "run", "analyte", "value"]].assign(qualifier="")


SIX = [("A1", "A", "spot", "upper", 100.0), ("A2", "A", "duplicate", "lower", 110.0), ("A3", "A", "composite", "", 105.0),
       ("F1", "", "check fluid", "", 500.0), ("K1", "", "blank", "", 1.0), ("A4", "A", "heel", "", 300.0)]


def test_which_rows_have_a_container_and_a_place() -> None:
    """Zones and the composite belong to A, the check fluid to itself; a blank and a heel to nothing that is fitted."""
    t = working(*SIX)
    f = build_frame(t, raw_of(t), pd.DataFrame(), {"P": 0.02})
    assert f.rows["sample"].tolist() == ["A1", "A2", "A3", "F1", "K1", "A4"]
    assert f.names == ("A", "check fluid")
    assert f.at.tolist() == [0, 0, 0, 1, -1, -1]
    assert [f.labels[k] if k >= 0 else "" for k in f.place] == ["upper", "lower", "composite", "check fluid", "", ""]
    assert f.zone.tolist() == [True, True, False, False, False, False]
    np.testing.assert_allclose(f.y[:, 0], np.log([100, 110, 105, 500, 1, 300]))
    assert (f.stated.tolist(), f.tests, f.relative.tolist()) == ([0.02], (), [True])


def test_controls_have_a_level_of_their_own_and_no_profile() -> None:
    t = working(("X1", "X", "spot", "upper", 90.0), ("Y1", "Y", "spot", "upper", 90.0), *SIX[:2]).assign(
        treatment=["remixed control", "layered control", "stored", ""])
    f = build_frame(t, raw_of(t), pd.DataFrame(), {})
    assert f.at.tolist() == [0, -1, 1, 1]
    assert f.names == ("X", "A")
    assert [f.labels[k] if k >= 0 else "" for k in f.place] == ["remixed", "", "upper", "lower"]
    assert f.zone.tolist() == [False, False, True, True]
    assert np.isnan(f.stated).all()


def test_determinations_of_a_bottle_are_averaged_and_runs_are_not() -> None:
    t = working(*SIX[:2], ("A1", "A", "spot", "upper", 104.0), ("A1", "A", "spot", "upper", 120.0)).assign(
        run=["R1", "R1", "R1", "R2"])
    f = build_frame(t, raw_of(t), pd.DataFrame(), {"P": 0.02}, tests={"P": "icp"})
    assert f.rows[["sample", "run"]].to_numpy().tolist() == [["A1", "R1"], ["A2", "R1"], ["A1", "R2"]]
    assert f.value[:, 0].tolist() == [102.0, 110.0, 120.0]
    assert f.y[0, 0] == pytest.approx((np.log(100) + np.log(104)) / 2)
    assert f.rows["order"].tolist() == [1.0, 2.0, 4.0]
    assert f.tests == ("icp",)


def test_limits_stand_as_half_of_them_for_what_a_predecessor_may_leave() -> None:
    t = working(*SIX[:2])
    results = pd.DataFrame({"sample": ["A1", "A2", "Z9"], "run": ["R1", None, "R1"], "analyte": "P", "value": [8.0, 110.0, 3.0],
                            "qualifier": ["<", "", ""]})
    names = pd.Index(["A1\tR1", "A2\t"])
    np.testing.assert_allclose(_raw(results, names, ("P", "Zn")), [[4.0, NAN], [110.0, NAN]])
    f = build_frame(t, results, pd.DataFrame(), {})
    np.testing.assert_allclose(f.raw[:, 0], [4.0, 110.0])  # where nothing else was read, the value itself


@pytest.mark.parametrize(("second", "stated", "kept"), [
    (float(np.exp(0.16)) * 100, 0.02, 2), (float(np.exp(0.18)) * 100, 0.02, 1),  # 6 sqrt(2) 0.02 = 0.17
    (290.0, None, 2), (310.0, None, 1)])  # where none is stated a factor of three
def test_of_two_determinations_that_cannot_both_be_right_the_nearer_enters(second: float, stated: float | None,
                                                                          kept: int) -> None:
    t = working(("A1", "A", "spot", "upper", 100.0), ("A1", "A", "spot", "upper", second), ("B1", "B", "spot", "upper", 99.0),
                ("C1", "C", "spot", "upper", 101.0))
    left = one_of_two(t, {} if stated is None else {"P": stated})
    assert len(left) == kept + 2
    if kept == 1:
        assert left["value"].tolist() == [100.0, 99.0, 101.0]


def test_absolute_determinations_without_a_stated_scatter_are_never_set_aside() -> None:
    t = working(("A1", "A", "spot", "upper", 100.0), ("A1", "A", "spot", "upper", 900.0)).assign(relative=False)
    assert len(one_of_two(t.assign(y=t["value"]), {})) == 2


def test_sums_by_code_leave_out_what_has_none() -> None:
    by = summing(np.array([1, -1, 0, 1]), 3)
    assert (by @ np.array([[1.0], [2.0], [4.0], [8.0]])).ravel().tolist() == [4.0, 9.0, 0.0]
    assert _median(np.array([[1.0], [9.0], [3.0]]), np.array([0, 0, 2]), 3).ravel().tolist() == pytest.approx(
        [5.0, NAN, 3.0], nan_ok=True)


def test_the_cost_of_a_departure_and_a_robust_spread() -> None:
    assert rho(np.array([-3.0]))[0] == pytest.approx(float(paid(3)))
    x = np.array([[1.0], [-2.0], [3.0], [-4.0], [5.0]])
    assert spread(x)[0] == pytest.approx(1.4826 * 3)
    assert spread(x, 0.5)[0] == pytest.approx(1.4826 * 4)  # a quarter of the freedom more: the 0.75 quantile
    assert spread(x, 1.0)[0] == pytest.approx(1.4826 * 4)  # the largest of a few has no part in it
    assert spread(np.arange(1.0, 102.0)[:, None], 1.0)[0] == pytest.approx(1.4826 * 96)  # the 0.95 quantile at most


def test_the_profile_of_a_row_is_less_its_mean_over_the_depths() -> None:
    f = scene_of(analytes=("P",)).f
    profile = np.array([[1.0], [2.0], [6.0]])
    assert _shape(f, profile)[:3, 0].tolist() == [-2.0, -1.0, 3.0]
    zone = f.zone.copy()
    zone[0] = False
    assert _shape(SimpleNamespace(place=f.place, zone=zone), profile)[0, 0] == 0.0  # type: ignore[arg-type]
    assert _is_box(f).tolist() == [True] * 4


def lots(**columns: Any) -> Frame:
    """Seven containers of three zones with these columns, by container."""
    f = scene_of(boxes=7).f
    for name, values in columns.items():
        f.rows[name] = np.repeat(values, 3)
    return f


def test_kinds_are_lots_stores_and_ages_of_three_containers_or_more() -> None:
    x = kind_columns(lots(lot=["a", "a", "a", "b", "b", "b", "c"]))
    assert x.shape == (7, 2)
    assert x[:, 1].tolist() == [0, 0, 0, 1, 1, 1, 0]  # c has one container only
    assert kind_columns(lots(lot=["a"] * 7)).shape == (7, 1)
    aged = kind_columns(lots(age_months=[1.0, 2, 3, 4, 5, 6, 9]))
    assert aged.shape == (7, 2)
    ages = np.array([1.0, 2, 3, 4, 5, 6, 9])
    assert aged[:, 1] == pytest.approx((ages - ages.mean()) / ages.std(ddof=1))
    assert kind_columns(lots(age_months=[1.0, 2, 3, 4, 5, NAN, NAN])).shape == (7, 1)  # five are too few
    assert kind_columns(lots(age_months=[10.0] * 7)).shape == (7, 1)
    # within 5 % of their mean age they are of one age
    assert kind_columns(lots(age_months=[100.0, 101, 102, 103, 104, 105, 106])).shape == (7, 1)
    assert kind_columns(lots(age_months=[80.0, 90, 100, 110, 120, 130, 140])).shape == (7, 2)
    both = lots(lot=["a", "a", "a", "a", "b", "b", "b"], age_months=[10.0, 10, 10, 10, 20, 20, 20])
    assert kind_columns(both).shape == (7, 2)  # an age that goes with the lot is the lot
    assert not x.flags.writeable


def test_levels_of_containers_against_their_kind() -> None:
    """Lot a reads 1.0 and lot b 2.0: nothing is left; one that reads 1.5 in lot a is 0.5 off, its kind moved little."""
    f = lots(lot=["a", "a", "a", "a", "b", "b", "b"])
    level = np.array([[1.0], [1.001], [0.999], [1.5], [2.0], [2.001], [1.999]])
    u, kinds = _by_kind(f, level)
    assert kinds[:, 0] == pytest.approx([1, 1, 1, 1, 2, 2, 2], abs=2e-3)
    assert u[:, 0] == pytest.approx(level[:, 0] - kinds[:, 0])
    assert u[3, 0] == pytest.approx(0.5, abs=2e-3)
    none = np.full((7, 1), NAN)
    none[0] = 1.0
    assert np.isnan(_by_kind(f, none)[0]).all()  # one container has no kind


def test_what_cells_are_measured_by() -> None:
    """Of alike zones the robust spread, no less than what is stated; a composite by what is stated alone."""
    f = scene_of(boxes=8, analytes=("P",), s=0.01).f
    e = np.where(np.arange(24) % 2 == 0, 0.05, -0.05)[:, None]
    wide = 1.4826 * 0.05
    assert _scales(f, e)[:, 0] == pytest.approx(np.full(24, wide))
    stated = scene_of(boxes=8, analytes=("P",), s=0.2).f
    assert _scales(stated, e)[:, 0].tolist() == [0.2] * 24
    assert np.isinf(_scales(SimpleNamespace(**{k: getattr(f, k) for k in ("at", "zone", "place")}, stated=np.array([NAN])),  # type: ignore[arg-type]
                            np.zeros((24, 1)))).all()
    zone = f.zone.copy()
    zone[0] = False
    f2 = SimpleNamespace(at=f.at, zone=zone, place=f.place, stated=f.stated)
    assert _scales(f2, e)[0, 0] == 0.01  # type: ignore[arg-type]


def test_a_zone_that_scatters_more_is_measured_by_more() -> None:
    """The lower zones scatter three times as much: weight 8 / (8 + 4) for their own spread, the rest for that of all."""
    f = scene_of(boxes=8, analytes=("P",), s=1e-6).f
    sign = np.where(np.arange(24) // 3 % 2 == 0, 1.0, -1.0)
    e = (sign * np.where(f.place == 2, 0.15, 0.05))[:, None]
    lost = min(0.6, 11 / 24)
    whole, own = float(spread(e, lost)[0]), float(spread(e[f.place == 2], lost)[0])
    found = _scales(f, e)[:, 0]
    assert own == pytest.approx(1.4826 * 0.15)
    assert found[2] == pytest.approx(np.sqrt(whole**2 / 3 + 2 / 3 * own**2))
    calm = float(spread(e[f.place == 0], lost)[0])
    assert found[0] == pytest.approx(np.sqrt(whole**2 / 3 + 2 / 3 * max(calm, 0.5 * whole) ** 2))


def test_containers_scatter_within_their_runs_where_a_run_is_shifted() -> None:
    """Three runs of four containers, +-0.02 in each, the second run 1 higher: the spread is that within."""
    f = scene_of(boxes=12, analytes=("P",)).f
    f.rows["run"] = np.repeat(["R1", "R2", "R3"], 12)
    u = np.tile([0.02, -0.02, 0.02, -0.02], 3)[:, None] + np.repeat([0.0, 1.0, 0.0], 4)[:, None]
    box = np.full(12, True)
    within = 1.4826 * 0.02
    assert _spread_of_containers(f, u, box)[0] == pytest.approx(within)
    f.rows["run"] = "R1"
    whole = _spread_of_containers(f, u, box)[0]
    assert whole == pytest.approx(float(spread(u, 3.0 / 12)[0]))
    f.rows["run"] = np.repeat(["R1", "R1", "R1", "R1", "R1", "R1", "R1", "R1", "R1", "R1", "R2", "R2"], 3)
    assert _spread_of_containers(f, u, box)[0] == whole  # two containers of a run are too few
    f.rows["run"] = np.where(np.arange(36) == 0, "R9", np.repeat(["R1", "R2", "R3"], 12))
    assert _spread_of_containers(f, u, box)[0] == whole  # one container was read in two runs


def test_a_fit_finds_level_profile_and_the_one_bottle_that_departs() -> None:
    rng = np.random.default_rng(3)
    sc = scene_of(boxes=9, profile={"P": (-0.2, 0.0, 0.3)}, s=0.02, u={2: [0.5, 0.0, 0.0, 0.0]})
    y = sc.y + rng.normal(0, 0.02, sc.y.shape)
    y[4, 1] += 0.5
    m = fit(sc.f, y)
    assert m.e[4, 1] == pytest.approx(0.5, abs=0.06)
    assert m.z[4, 1] == pytest.approx(m.e[4, 1] / m.s[4, 1])
    assert np.ptp(m.profile[:, 0]) == pytest.approx(0.5, abs=0.06)
    assert m.u[2, 0] == pytest.approx(0.5, abs=0.06)
    np.testing.assert_allclose(m.typical, y - m.e)
    assert 0.5 < m.share <= 1


def test_columns_that_hang_together_have_the_shortest_coefficients() -> None:
    """Two equal columns share what one alone would carry."""
    x = np.column_stack([np.ones(6), np.ones(6), np.arange(6.0)])
    assert robust_line(x, 3 + 2 * np.arange(6.0)) == pytest.approx([1.5, 1.5, 2.0])


@pytest.mark.parametrize("n", [7, 10, 13])
def test_lines_of_many_columns_are_those_of_each_alone_by_the_textbook_rounds(n: int) -> None:
    rng = np.random.default_rng(n)
    x = np.column_stack([np.ones(n), rng.normal(size=n), np.arange(n) % 2])
    y, s = rng.normal(size=(n, 5)) + 3 * x[:, [1]], np.array([0.0, 0.4, 0.0, 2.0, 0.0])
    y[1, 2] += 30.0
    for rounds in (1, 6, 15):
        found = robust_lines(x, y, s, rounds)
        for a in range(5):
            beta = np.array([np.median(y[:, a]), 0.0, 0.0])
            for _ in range(rounds):
                r = y[:, a] - x @ beta
                w = (NU + 1) / (NU + (r / (s[a] or 1.4826 * np.median(np.abs(r)))) ** 2)
                beta = np.linalg.lstsq(x * np.sqrt(w)[:, None], y[:, a] * np.sqrt(w), rcond=None)[0]
            assert found[:, a] == pytest.approx(beta, rel=1e-9, abs=1e-11)
            assert robust_line(x, y[:, a], float(s[a]), rounds) == pytest.approx(beta, rel=1e-9, abs=1e-11)


def test_columns_of_which_the_same_rows_are_known_go_together() -> None:
    known = np.array([[True, True, False], [True, True, True], [False, False, True]])
    (first, ab), (second, c) = alike(known)
    assert (first.tolist(), ab.tolist()) == ([True, True, False], [0, 1])
    assert (second.tolist(), c.tolist()) == ([False, True, True], [2])
