"""Middles without some rows, from one sorting; runs of a large study against all containers."""

from __future__ import annotations

import numpy as np
import pytest

from studykit.quality import shifts
from studykit.quality.elsewhere import Middles, Others
from studykit.quality.frame import quantile
from studykit.quality.runs import run_rows
from studykit.quality.shifts import shift_table
from tests.quality.hand import scene_of


def test_middles_without_rows_are_those_of_the_others() -> None:
    """To the bit, with ties, missing numbers, a column without any and all rows taken away."""
    rng = np.random.default_rng(6)
    x = np.round(rng.normal(size=(41, 4)), 1)
    x[rng.random(x.shape) < 0.2] = np.nan
    x[:, 3] = np.nan
    middles, every = Middles(x), np.arange(41)
    for size in (0, 1, 5, 40, 41):
        gone = rng.permutation(every)[:size]
        np.testing.assert_array_equal(middles.without(gone), quantile(np.delete(x, gone, axis=0), 0.5))


def test_others_are_those_rows_that_are_left() -> None:
    x = np.arange(10.0)[:, None]
    others = Others(x, np.array([1, 3, 5]))
    assert others.without(np.array([0, 3]))[0] == 3.0  # of 1 and 5
    assert others.without(np.array([1, 3, 5]))[1] is False
    assert others.without(np.array([0]))[1] is True


def test_many_runs_are_held_against_all_containers(monkeypatch: pytest.MonkeyPatch) -> None:
    """Twenty runs of six: nearly as run by run (half a standard error at most), a shift of 0.5 found."""
    rng = np.random.default_rng(12)
    u = {b: list(0.1 * rng.normal(size=4) + (0.5 if b // 6 == 3 else 0.0)) for b in range(120)}
    run = np.repeat([f"R{b // 6:02d}" for b in range(120)], 3)
    sc = scene_of(boxes=120, u=u, rows={"run": run})
    runs = list(run_rows(sc))
    few = shift_table(sc, runs)
    monkeypatch.setattr(shifts, "MANY", 2)
    many = shift_table(sc, runs)
    np.testing.assert_allclose(many["containers_se"], few["containers_se"], rtol=0.05)
    off = (many["containers"] - few["containers"]).abs() / few["containers_se"]
    assert float(off.max()) < 0.5
    assert float(off.median()) < 0.1
    assert many.loc[many["run"] == "R03", "containers"].to_numpy() == pytest.approx(np.full(4, 0.5), abs=0.15)


def test_one_run_is_asked_about_as_among_all() -> None:
    u = {b: [0.5 if b // 6 == 3 else 0.0] * 4 for b in range(30)}
    sc = scene_of(boxes=30, u=u, rows={"run": np.repeat([f"R{b // 6:02d}" for b in range(30)], 3)})
    runs = list(run_rows(sc))
    every = [(c.cause, c.place, c.columns, c.gain) for c in shifts.shifts(sc, runs) if c.place == "run R03"]
    assert every
    assert [(c.cause, c.place, c.columns, c.gain) for c in shifts.shifts(sc, runs, "R03")] == every
