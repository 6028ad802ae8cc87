"""Small parts of several checks by hand: saved nats, means of zones, clean blanks, pairs that agree, rivals, limits, zeros."""

from __future__ import annotations

import math
from itertools import product
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from studykit.quality import maps, suspects
from studykit.quality.alone import _mean_of_zones
from studykit.quality.copies import Chances, _row
from studykit.quality.disorder import _zones
from studykit.quality.explain import Candidate, Scene
from studykit.quality.frame import _clean
from studykit.quality.mistaken import _coarsely
from studykit.quality.plausibility import NEAR_ZERO, _zeros, odd_limits
from studykit.quality.runs import drifts
from tests.quality.hand import scene_of
from tests.quality.test_plausibility import small


def cost(z: float) -> float:
    """Of Student's t with six degrees of freedom; nothing where there is no number."""
    return 0.0 if math.isnan(z) else 3.5 * math.log(1 + z * z / 6)


@pytest.mark.parametrize("seed", range(5))
def test_what_two_rows_save_by_each_others_reading(seed: int) -> None:
    """Analyte by analyte, of those that were read and are expected in both rows."""
    rng = np.random.default_rng(seed)
    x, should, s = rng.normal(size=(2, 6)), rng.normal(size=(2, 6)), rng.uniform(0.1, 0.9, 6)
    x[0, 1] = should[1, 2] = should[0, 3] = np.nan
    found = _coarsely(SimpleNamespace(m=SimpleNamespace(share=0.7)), x, should, s, 0, 1)  # type: ignore[arg-type]
    for saved, (one, other) in zip(found, ((0, 1), (1, 0)), strict=True):
        cells = [cost((x[one, a] - should[one, a]) / s[a]) - cost((x[one, a] - should[other, a]) / s[a]) for a in range(6)
                 if np.isfinite([x[one, a], should[one, a], should[other, a]]).all()]
        assert saved == pytest.approx(0.7 * sum(cells))


def test_bottles_of_one_height_count_as_their_mean() -> None:
    """10, 11 and 18 of one height have the mean 13, whatever their middle; with 23 of another height 18."""
    x = pd.DataFrame({"P": [10.0, 11.0, 18.0, 23.0]}, index=list("ABCD"))
    assert _mean_of_zones(x, {"A": 0.2, "B": 0.2, "C": 0.2, "D": 0.8}) == {"P": 18.0}


@pytest.mark.parametrize("seed", range(4))
def test_a_clean_blank_follows_a_bottle_of_its_run(seed: int) -> None:
    """By loops over rows, places in the run drawn from few, so that blanks stand before, at and behind the first bottle."""
    rng, codes = np.random.default_rng(seed), ("S1", "S2", "B1", "B2")
    samples = pd.DataFrame({"sample": codes, "kind": ["spot", "spot", "blank", "blank"]})
    rows = [(s, run, a, float(rng.integers(1, 4)) if rng.random() > 0.1 else np.nan, float(rng.integers(1, 9)))
            for s, run, a in product(codes, ("R1", "R2", None), ("P", "Zn")) if rng.random() > 0.2]
    results = pd.DataFrame(rows, columns=["sample", "run", "analyte", "run_order", "value"])
    expected: dict[str, list[float]] = {}
    for s, run, a, order, value in rows:
        first = min((o for t, r, _, o, _ in rows if t[0] == "S" and r == run and o == o), default=math.nan)
        if s[0] == "B" and order > first:
            own = expected.setdefault(run or "", [math.inf, math.inf])
            own["PZ".index(a[0])] = min(value, own["PZ".index(a[0])])
    assert {run: row.tolist() for run, row in _clean(results, samples, ("P", "Zn")).items()} == expected


@pytest.mark.parametrize(("pairs", "count"), [
    ([(0, 1)], 1), ([(0, 1), (2, 3)], 2), ([(0, 1), (1, 2)], 1), ([(0, 1), (2, 3), (3, 4)], 2), ([(0, 1), (2, 3), (4, 5)], 3),
    ([(0, 1), (2, 3), (2, 4), (4, 5)], 3)])
def test_a_determination_counts_in_one_pair_alone(pairs: list[tuple[int, int]], count: int) -> None:
    """Six rows that all agree in four analytes by a chance of 1e-4 each; further pairs at twice the chance."""
    names = ["B", "Ca", "Mo", "P"]
    rows = pd.MultiIndex.from_tuples([(f"S{i % 2}", i // 2 + 1, "R1") for i in range(6)])
    wide = pd.DataFrame(1.0, index=rows, columns=names)
    alone = pd.DataFrame(np.eye(4), index=names, columns=names)
    row = _row(wide, np.ones((6, 4), dtype=int), np.full((6, 4), 1e-4), pairs,
               Chances(scatter=dict.fromkeys(names, 1.0), own=dict.fromkeys(names, 1.0), together=alone))
    assert row is not None
    assert (row[4], row[-1]) == (4, count)
    assert math.log(float(str(row[-2]))) == pytest.approx(
        4 * math.log(1e-4) + math.log(15) + 4 * (count - 1) * math.log(2e-4), rel=1e-9)


@pytest.mark.parametrize(("known", "there"), [(("P", "Zn"), True), (("P",), True), ((), False)])
def test_zones_are_compared_where_the_scatter_of_one_analyte_is_known(known: tuple[str, ...], there: bool) -> None:
    t = pd.DataFrame([("C1", "spot", h, s, a, v) for s, h, v in (("L", 0.1, 1.0), ("U", 0.9, 3.0), ("M", 0.5, 2.0))
                      for a in ("P", "Zn")], columns=["container", "kind", "height", "sample", "analyte", "y"])
    found = _zones(t, "C1", {a: SimpleNamespace(s=0.1) for a in known}, ["P", "Zn"])  # type: ignore[misc]
    assert (found is not None) == there
    if found is not None:
        assert (found.sample, found.depth.tolist(), found.y[:, 0].tolist()) == (("U", "M", "L"), [-0.9, -0.5, -0.1], [3, 2, 1])
    assert _zones(t[t["sample"] != "M"], "C1", {"P": SimpleNamespace(s=0.1)}, ["P"]) is None  # type: ignore[dict-item]


def test_a_number_beside_a_limit_is_no_limit() -> None:
    """A laboratory that states its limit in each row: numbers stay numbers, whatever stands there; so does "<" without one."""
    results = small([("Zn", v, "x") for v in (2.1, 2.4, 2.0, 3.0)]).assign(limit=[25.0, 2.0, 25.0, np.nan])
    assert odd_limits(results).flags == ()
    results.loc[3, "qualifier"] = "<"
    assert odd_limits(results).flags == ()
    results.loc[0, "qualifier"] = "<"
    assert [f.samples for f in odd_limits(results).flags] == [("S0",)]


@pytest.mark.parametrize(("least", "told"), [(5.0, True), (4.0, False)])
def test_zeros_are_asked_about_where_most_others_are_five_steps_off_and_more(least: float, told: bool) -> None:
    """Steps of 1: of eleven readings from 5 on the second least is 5, five steps exactly; from 4 on it is less."""
    some = [least, least, *(least + k for k in range(1, 10))]
    assert NEAR_ZERO == 5
    assert np.quantile(some, 0.1) == least
    t = small([("P", v, "x") for v in (*some, 0.0, 0.0)]).assign(source_file="a.csv", run="R1")
    assert [f.samples for f in _zeros(t)] == ([("S11", "S12")] if told else [])


def test_a_drift_is_undone_where_the_order_is_known() -> None:
    """The place of the bottle without one is the middle of the run, where nothing is undone."""
    order = np.arange(1.0, 13.0)
    order[4] = np.nan
    sc = scene_of(rows={"order": order})
    table = pd.DataFrame({"gain": [9.0, 2.0, 9.0, 9.0], "slope": [0.4, 0.4, 0.2, -0.4], "se": [0.1] * 4})
    found = list(drifts(sc, "R1", np.arange(12), table, 2))
    assert [(c.columns, c.amount, c.gain) for c in found] == [((0,), 0.4, 9.0), ((3,), -0.4, 9.0)]  # 0.2 is two of its errors
    for c in found:
        undone = (sc.y[:, c.columns[0]] - c.readings[:, 0]) / c.amount
        assert undone[4] == 0
        step = np.diff(np.delete(undone, 4)) / np.diff(np.delete(order, 4))
        np.testing.assert_allclose(step, step[0])
        assert step[0] > 0


def rivals(sc: Scene, **changes: Any) -> list[tuple[str, str]]:
    best = Candidate(**{"cause": "unit slip", "rows": (5,), "columns": (1,), "readings": np.ones((1, 1)), "gain": 30.0,
                        "price": 1.0, "place": "cell", "amount": 0.1} | changes)
    found = suspects._rivals(sc, best, ())
    assert all(math.isnan(behind) for *_, behind in found)
    return [(cause, where) for cause, where, _ in found]


def test_settling_and_the_floor_are_rivals_of_what_they_could_bring_about(monkeypatch: pytest.MonkeyPatch) -> None:
    """Every combination of cause, place, size and zone, and of what the other bottles of the stock rule out."""
    sc = scene_of()
    says = {"refuted": False, "too_much": False, "could_settle": False}
    for name in says:
        monkeypatch.setattr(suspects, name, lambda *_, n=name: says[n])
    for cause, place, amount, row, *said in product(
            ("unit slip", suspects.PORTION, "dirt"), ("bottle", "cell", "container", "run R1"), (0.5, 1.0, 2.0), (4, 5),
            *[(False, True)] * 3):
        says.update(zip(says, said, strict=True))
        where = suspects.place_of(sc.f, Candidate(cause=cause, rows=(row,), columns=(1,), readings=np.ones((1, 1)), gain=1.0,
                                                  price=1.0, place=place))[0]
        floor = cause != "dirt" and place == "bottle" and amount < 1 and row == 5  # the lowest zone of its container
        slip = cause == "unit slip" and place == "cell" and not says["refuted"] and not says["too_much"]
        settled = slip or says["could_settle"]
        expected = [(suspects.FLOOR, where)] * floor + [("own settling", where)] * settled
        assert rivals(sc, cause=cause, place=place, amount=amount, rows=(row,)) == expected


def test_the_map_grows_with_its_containers_their_names_and_its_analytes() -> None:
    """Inches: 3.6 for each panel across and 0.047 for each letter beyond eight; 0.9 and 0.17 a container for each line, 0.7;
    as for four containers at least, where the longest name of a depth has five letters."""
    def size(name: str, boxes: int, analytes: int) -> tuple[float, float]:
        table = pd.DataFrame([(f"{b:0>{len(name)}}", d, f"A{a:02}", 0.5, 0, "") for b in range(boxes)
                              for d in ("upper", maps.WHOLE) for a in range(analytes)],
                             columns=["container", "depth", "analyte", "standardised", "number", "cause"])
        figure = maps.map_of(table)
        assert figure is not None
        wide, high = figure.get_size_inches()
        return float(wide), float(high)

    per = maps.MOST_COLUMNS // 2
    for name, boxes, analytes in (("12345678", 3, 2), ("1" * 28, 3, 2), ("1" * 9, 5, per), ("123", 2, per + 1),
                                  ("1", 2, 2 * per + 1)):
        parts = math.ceil(analytes / per)
        assert size(name, boxes, analytes) == pytest.approx((
            3.6 * min(2, parts) + 0.047 * max(0, len(name) - 8), (0.9 + 0.17 * max(4, boxes)) * math.ceil(parts / 2) + 0.7))
