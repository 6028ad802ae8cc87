"""What is counted in worlds is right in whatever worlds were drawn, many answers are answered, and no lesson tells its answers.

The answers are counted here by scipy's t test and by plain arithmetic, not by the lessons' own checks.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pandas as pd
import pytest
from IPython.core.interactiveshell import InteractiveShell
from scipy import stats

from studykit.core.errors import BadInput
from studykit.course import (
    capstone,
    controls,
    findfaults,
    marginfirst,
    ninety,
    onebarrel,
    physicsfirst,
    randomorder,
    sameenough,
    wheremoney,
)
from studykit.notebook import early
from tests.course import make

LESSONS = (onebarrel, sameenough, marginfirst, wheremoney, randomorder, controls, physicsfirst, findfaults, ninety, capstone)


def _alarms(worlds: np.ndarray) -> float:
    return float((stats.ttest_ind(worlds[:, 0], worlds[:, 1], axis=1).pvalue < 0.05).mean())


def _kept(worlds: pd.DataFrame, factor: float) -> float:
    return float(((worlds["mean"] - 3).abs() <= factor * worlds["sd"] / 6**0.5).mean())


COUNTED: list[tuple[ModuleType, str, Callable[[int], float], tuple[int, ...]]] = [
    (onebarrel, "alarms", lambda s: _alarms(onebarrel.draw(s, barrels=1, bottles=3)), (443,)),
    (onebarrel, "honest", lambda s: _alarms(onebarrel.draw(s, barrels=3, bottles=1)), (415, 416)),
    (marginfirst, "share", lambda s: float((marginfirst.upper_ends(marginfirst.draw(s)) < 7.5).mean()), (203,)),
    (randomorder, "left", lambda s: float(randomorder.many(s, shuffled=True).mean()), (183,)),
    (controls, "pulled", lambda s: float(controls.read(s, blind=False).mean()), (239,)),
    (ninety, "share", lambda s: _kept(ninety.draw(s), stats.t.ppf(0.95, 5)), (43, 6)),
    (ninety, "normal", lambda s: _kept(ninety.draw(s), 1.645), (204, 511, 607)),
]


@pytest.mark.few(1)
@pytest.mark.parametrize(("lesson", "name", "count", "odd"), COUNTED, ids=lambda v: v if isinstance(v, str) else "")
def test_what_is_counted_in_any_worlds_is_right_there_and_chance_is_no_answer(lesson, name, count, odd):
    """``odd``: seeds whose worlds lie more than three standard errors from theory, or beside a rounded quantile."""
    for seed in (*range(12), *odd):
        right = count(seed)
        for written in (right, round(right, 3), round(right, 2), np.float32(right), np.array([right])[0]):
            assert lesson.check(name, written).right, (seed, written)
        count(seed + 1)  # a look at other worlds
        assert lesson.check(name, right, seed).right
        assert not lesson.check(name, right + 0.021, seed).right
        assert not lesson.check(name, right - 0.021, seed).right


@pytest.mark.slow
def test_the_answer_of_the_wrong_recipe_is_not_right_because_it_lies_near():
    """Seed 6: t keeps 0.92, the shortcut 0.87."""
    worlds = ninety.draw(6)
    assert (_kept(worlds, stats.t.ppf(0.95, 5)), _kept(worlds, 1.645)) == (0.92, 0.87)
    assert not any(ninety.check("share", k / 200, 6).right for k in range(201) if k != 184)
    assert not any(onebarrel.check("alarms", k / 100, 11).right for k in range(101) if abs(k / 100 - _alarms(
        onebarrel.draw(11, barrels=1, bottles=3))) > 0.0051)


def test_who_has_drawn_nothing_is_told_so():
    for lesson, name, _, _ in COUNTED:
        lesson.drawn.forget()
        assert "Draw your worlds first" in lesson.check(name, 0.4).text


@pytest.mark.parametrize("seed", [-1, 1.5, "11", None, True, float("nan")])
def test_a_seed_that_is_none_is_refused_in_words(seed):
    for draw in (lambda: onebarrel.draw(seed, barrels=1, bottles=3), lambda: marginfirst.draw(seed),
                 lambda: randomorder.measure(randomorder.sorted_bottles(), seed), lambda: randomorder.many(seed, shuffled=True),
                 lambda: controls.read(seed, blind=False), lambda: ninety.draw(seed)):
        with pytest.raises(BadInput, match="whole number of 0 or more"):
            draw()


def _shapes_of(a: float) -> list[Any]:
    """A number as people and programs write one, and what is none."""
    return [Fraction(a).limit_denominator(10**9), Decimal(repr(float(a))), np.float32(a), np.array(a), np.array([a]), [a],
            pd.Series([a]), str(a), str(a).replace(".", ","), np.nan, np.inf, -np.inf, None, ..., [], "", True, complex(a),
            lambda: a, -a, a * 100, pd.DataFrame({"a": [a]}), pd.NA, pd.NaT, {"a": a}, {a}, (a,), (i for i in [a]), b"1",
            10**400, (10, True), (np.inf, 1), (10**400, 1), (np.nan, np.nan, "homogeneous"),
            {"check fluid": np.inf}, {2.0: (np.inf, 1)}]


@pytest.mark.few(5)
@pytest.mark.parametrize("lesson", LESSONS, ids=lambda m: m.__name__.rpartition(".")[2])
def test_every_check_answers_whatever_it_is_given(lesson):
    for name in lesson.CHECKS:
        for a in (0.375, 1.0, 2.0, 0.92):
            for answer in _shapes_of(a):
                reply = lesson.check(name, answer)
                assert len(str(reply)) > 15
                if isinstance(answer, str | bytes | bool):
                    assert not reply.right


def test_a_function_that_ends_the_program_does_not_end_the_check():
    def word(low, high, margin):
        raise SystemExit

    assert "stops with SystemExit" in sameenough.check("rule", word).text


def test_the_upper_zone_is_judged_by_the_students_own_fall(monkeypatch):
    monkeypatch.setattr(physicsfirst, "_own", {})
    assert physicsfirst.check("upper", 0.383).right
    assert not physicsfirst.check("upper", 0.425).right
    assert physicsfirst.check("fall", 115).right
    assert physicsfirst.check("upper", 1 - 115 / 200).right
    assert physicsfirst.check("upper", 0.383).right
    assert not physicsfirst.check("upper", 1 / 3).right


def test_drums_that_differ_much_have_a_price_too():
    """282 drums at 20 %: by the normal distribution (1.645 + 1.282)^2 * 2 (20^2 + 9) / 5^2 = 280.3, a little more by t."""
    rows = wheremoney.table(20.0)
    normal = (stats.norm.ppf(0.95) + stats.norm.ppf(0.9)) ** 2 * 2 * (20**2 + 9) / 25
    assert 0 < rows.loc[0, "containers needed"] - normal < 3
    assert (rows["cost, units"] > 10_000).all()
    for bad in (1e4, -1.0, "2", float("nan")):
        with pytest.raises(BadInput, match="profiles"):
            wheremoney.table(bad)


def test_a_churn_that_is_not_there_is_not_left_out_silently(monkeypatch):
    monkeypatch.setattr(capstone, "_bought", {})
    data = capstone.buy("robin", (10, 1))
    assert len(capstone.differences(data, without=("J03", "upper"))) == len(capstone.differences(data, without="J03")) == 9
    for answer in ("C99", ..., 3, None, (), ("C99", "upper")):
        with pytest.raises(BadInput, match="is no churn"):
            capstone.differences(data, without=answer)


@pytest.fixture
def shell(monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    """A session as a kernel has it, whose outputs are kept in ``told``."""
    made = InteractiveShell()
    made.told = []
    made._showtraceback = lambda *_: None
    made.display_pub.publish = lambda data, *_, **__: made.told.append(str(data.get("text/html", "")))
    monkeypatch.setattr("IPython.get_ipython", lambda: made)
    early.guard()
    yield made
    InteractiveShell.clear_instance()


@pytest.mark.few(1)
@pytest.mark.parametrize("path", sorted(make.STUDENT.glob("*.ipynb")), ids=lambda p: p.stem)
def test_run_all_with_nothing_filled_in_gives_no_trace_and_no_answer(shell, path: Path):
    cells = json.loads(path.read_text("utf-8"))["cells"]
    for cell in (c for c in cells if c["cell_type"] == "code"):
        error = shell.run_cell("".join(cell["source"]), store_history=True).error_in_exec
        assert error is None or isinstance(error, NameError | BadInput), (cell["id"], error)
    shown = "".join(shell.told)
    for answer in {"04-containers": ["648"], "05-random-order": ["4.11", "0.0259", "0.026"],
                   "07-physics-first": ["0.383", "0.206"]}.get(path.stem, []):
        assert answer not in shown
