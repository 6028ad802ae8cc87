"""What lies on the floor, from a handful of numbers: spans of limits, the mean at its worst, and the word of every case."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from studykit.inference.equivalence import Margin
from studykit.model.fit import FittedModel
from studykit.verdict import floors as floor
from studykit.verdict.floors import (
    BEYOND,
    MOST,
    NO_REST,
    NO_RESULT,
    OPEN,
    SINGLE,
    UNDECIDED,
    UNKNOWN,
    WITHIN,
    Floors,
    _apart,
    _far,
    _nearest,
    _unfitted,
    _upper,
    _values,
    on_average,
    word_of,
)

INF, NAN = math.inf, math.nan
TWENTY, FIVE = Margin.relative(20), Margin.absolute(5, "mg/kg")


def drawn(spans: dict[str, tuple[float, float]], unseen: tuple[str, ...] = (), open_: tuple[str, ...] = ()) -> Floors:
    return Floors(nearest={c: _nearest(*s) for c, s in spans.items()}, spans=spans, results=dict.fromkeys(spans, 1),
                  levels=dict.fromkeys(spans, 10.0), open=open_, unseen=unseen)


def model(margin: Margin = FIVE, alpha: float = 0.05) -> Any:
    rows = SimpleNamespace(margin=margin, table=pd.DataFrame({"value": [1.0]}), log=margin.log)
    return SimpleNamespace(rows=rows, alpha=alpha, shown_unit=margin.unit)


def test_a_result_is_its_number_or_what_its_limit_allows() -> None:
    """Two numbers count by their mean, each limit by itself: below 8 from 0 to 8, above 90 without an end."""
    rows = pd.DataFrame({"qualifier": ["", "<", "", ">"], "value": [10.0, NAN, 14.0, NAN], "limit": [NAN, 8.0, NAN, 90.0]})
    assert _values(rows) == [(12.0, 12.0), (0.0, 8.0), (90.0, INF)]
    assert _values(rows.iloc[[1]]) == [(0.0, 8.0)]
    assert _values(rows.iloc[:0]) == []


@pytest.mark.parametrize(("value", "zones", "span"), [
    ((12.0, 12.0), (10.0, 10.0), (math.log(1.2), math.log(1.2))), ((0.0, 8.0), (10.0, 10.0), (-INF, math.log(0.8))),
    ((12.0, 12.0), (0.0, 10.0), (math.log(1.2), INF)), ((90.0, INF), (10.0, 10.0), (math.log(9), INF)),
    ((12.0, 12.0), (10.0, INF), (-INF, math.log(1.2))), ((6.0, 8.0), (2.0, 3.0), (math.log(2), math.log(4))),
    ((0.0, 0.0), (10.0, 10.0), (NAN, NAN)), ((5.0, 5.0), (0.0, 0.0), (NAN, NAN)), ((0.0, 0.5), (0.0, 0.5), (-INF, INF))])
def test_ratios_of_what_lies_between_two_ends(value: tuple[float, float], zones: tuple[float, float],
                                              span: tuple[float, float]) -> None:
    assert _apart(TWENTY, value, zones) == pytest.approx(span, nan_ok=True)


def test_differences_of_what_lies_between_two_ends() -> None:
    """6 to 8 less 2 to 3: 3 to 6. No ratio is asked for, so zero is a number."""
    assert _apart(FIVE, (6.0, 8.0), (2.0, 3.0)) == (3.0, 6.0)
    assert _apart(FIVE, (0.0, 0.0), (2.0, 2.0)) == (-2.0, -2.0)


@pytest.mark.parametrize(("margin", "value", "zones", "far"), [
    (TWENTY, 12.0, 10.0, math.log(1.2)), (TWENTY, 0.0, 10.0, NAN), (TWENTY, 10.0, 0.0, NAN), (FIVE, 12.0, 10.0, 2.0),
    (FIVE, 0.0, 10.0, -10.0), (FIVE, 10.0, 0.0, 10.0)])
def test_a_value_against_the_zones(margin: Margin, value: float, zones: float, far: float) -> None:
    assert _far(margin, value, zones) == pytest.approx(far, nan_ok=True)


@pytest.mark.parametrize(("span", "near"), [((2.0, 5.0), 2.0), ((-5.0, -2.0), -2.0), ((-5.0, 2.0), 0.0), ((0.0, 2.0), 0.0),
                                            ((3.0, 3.0), 3.0), ((-3.0, -3.0), -3.0), ((-INF, -1.0), -1.0)])
def test_the_nearest_to_none_that_a_span_allows(span: tuple[float, float], near: float) -> None:
    assert _nearest(*span) == near


def interval(values: list[float], alpha: float = 0.05) -> tuple[float, float]:
    """Student's interval of 1 - 2 alpha for a mean, by scipy."""
    mean, se = float(np.mean(values)), stats.sem(values)
    half = float(stats.t.isf(alpha, len(values) - 1) * se)
    return mean - half, mean + half


def worst(spans: list[tuple[float, float]]) -> tuple[float, float]:
    """Lowest and highest end of the interval over a grid of fillings, corners included."""
    grids = np.meshgrid(*[np.linspace(*s, 41) if s[0] < s[1] else np.array([s[0]]) for s in spans])
    ends = [interval(list(x)) for x in zip(*(g.ravel() for g in grids), strict=True)]
    return min(e[0] for e in ends), max(e[1] for e in ends)


@pytest.mark.parametrize(("spans", "word"), [
    ([(0.0, 1.0), (0.5, 0.5), (1.0, 1.0), (0.8, 0.8)], WITHIN), ([(0.0, 9.0), (0.5, 0.5), (1.0, 1.0), (0.8, 0.8)], UNDECIDED),
    ([(8.0, 9.0), (8.5, 8.5), (8.2, 8.2), (8.8, 8.8)], BEYOND), ([(-9.0, -8.0), (-8.5, -8.5), (-8.2, -8.2)], BEYOND),
    ([(-1.0, 0.0), (-0.5, -0.5), (-1.0, -1.0)], WITHIN), ([(-9.0, 0.0), (-0.5, -0.5), (-1.0, -1.0)], UNDECIDED)])
def test_the_mean_over_containers_at_its_worst(spans: list[tuple[float, float]], word: str) -> None:
    """Reference: the interval at every filling of a grid (a corner is the worst), margin 5."""
    told = on_average(model(), drawn({f"C{k}": s for k, s in enumerate(spans)}))
    assert told is not None
    low, high = worst(spans)
    assert (told[2], told[3]) == pytest.approx((low, high), rel=1e-3, abs=1e-6)
    assert (told[0], told[4]) == (word, "mg/kg")
    assert math.isnan(told[1])
    turned = on_average(model(), drawn({f"C{k}": s for k, s in enumerate(spans)}), turned=True)
    assert turned is not None
    assert (turned[2], turned[3]) == pytest.approx((-told[3], -told[2]))


def test_no_mean_of_numbers_alone_or_of_one() -> None:
    assert on_average(model(), drawn({"A": (1.0, 1.0), "B": (2.0, 2.0)})) is None
    assert on_average(model(), drawn({"A": (1.0, 4.0)})) is None
    assert on_average(model(), drawn({"A": (1.0, 4.0), "B": (2.0, 2.0)})) is not None


def test_a_value_without_an_end_leaves_that_end_open_and_enters_the_other_by_what_it_has() -> None:
    """One above 8 with no end: no upper limit; the lower one is that of 8, 8.5 and 8.2."""
    told = on_average(model(), drawn({"A": (8.0, INF), "B": (8.5, 8.5), "C": (8.2, 8.2)}))
    assert told is not None
    assert told[3] == INF
    assert told[2] == pytest.approx(interval([8.0, 8.5, 8.2])[0], rel=1e-6)
    assert told[0] == BEYOND
    assert _upper(np.array([-INF, 0.0]), np.array([1.0, 0.0]), 0.05) == pytest.approx(interval([1.0, 0.0])[1])


def test_limits_in_per_cent_of_a_relative_margin() -> None:
    told = on_average(model(TWENTY), drawn({"A": (0.0, 0.1), "B": (0.05, 0.05), "C": (0.06, 0.06)}))
    assert told is not None
    low, high = worst([(0.0, 0.1), (0.05, 0.05), (0.06, 0.06)])
    assert (told[2], told[3]) == pytest.approx((100 * math.expm1(low), 100 * math.expm1(high)), rel=1e-3)


# -- the word ----------------------------------------------------------------------------------------------------------


class Told:
    """``word_of`` with what ``_single`` says of each container given."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.patch = monkeypatch

    def __call__(self, word: str, floors: Floors, shown: tuple[str, ...] = (), read: tuple[str, ...] = (), share: float = 0.0,
                 fitted: bool = True, **more: Any) -> tuple[str, str]:
        self.patch.setattr(floor, "_single", lambda *_: (shown, read, share))
        scope = more.pop("scope", "stock")
        stage = SimpleNamespace(study=SimpleNamespace(share_percent=20, scope=scope))
        made: Any = model()
        if fitted:
            plain, made = made, FittedModel.__new__(FittedModel)
            object.__setattr__(made, "rows", plain.rows)
        return word_of(stage, made, word, floors, **more)  # type: ignore[arg-type]


@pytest.fixture
def told(monkeypatch: pytest.MonkeyPatch) -> Told:
    return Told(monkeypatch)


FOUR = drawn(dict.fromkeys("ABCD", (1.0, 1.0)))


def test_one_that_is_shown_beyond_is_named_and_most_are_most(told: Told) -> None:
    assert told(WITHIN, FOUR, shown=("A",)) == (SINGLE, "A")
    assert told(WITHIN, FOUR, shown=("A",), read=("B",)) == (SINGLE, "A and B")  # half is not most
    assert told(WITHIN, FOUR, shown=("A", "C"), read=("B",)) == (MOST, "3 of 4: A, C and B")
    assert told(UNDECIDED, FOUR, shown=("A", "B", "C", "D")) == (BEYOND, "in all 4 containers")
    assert told(WITHIN, FOUR, shown=("A", "B", "C", "D")) == (MOST, "4 of 4: A, B, C and D")
    assert told(BEYOND, FOUR, shown=("A",)) == (BEYOND, "")


def test_of_a_single_container_there_is_no_most(told: Told) -> None:
    one = drawn({"A": (9.0, 9.0)})
    assert told(UNKNOWN, one, shown=("A",)) == (BEYOND, "A")
    assert told(UNDECIDED, one, shown=("A",)) == (SINGLE, "A")
    assert told(UNKNOWN, drawn({"A": (9.0, 9.0)}, unseen=("B",)), shown=("A",)) == (SINGLE, "A")  # half of two planned


def test_those_that_were_not_seen_are_counted_among_the_planned(told: Told) -> None:
    unseen = drawn(dict.fromkeys("AB", (9.0, 9.0)), unseen=("C", "D"))
    assert told(UNDECIDED, unseen, shown=("A", "B")) == (SINGLE, "A and B")
    assert told(UNDECIDED, drawn(dict.fromkeys("AB", (9.0, 9.0)), unseen=("C",)), shown=("A", "B"))[0] == MOST


def test_nothing_seen_says_so_where_something_was_planned_and_measured(told: Told) -> None:
    none = drawn({}, unseen=("A",))
    assert told(WITHIN, none) == (UNDECIDED, NO_RESULT)
    assert told(WITHIN, none, of_floors=False) == (UNDECIDED, NO_REST)
    assert told(WITHIN, drawn({})) == (WITHIN, "")


def test_limits_that_leave_it_open_and_shares_that_are_not_excluded(told: Told) -> None:
    open_ = drawn(dict.fromkeys("ABCD", (1.0, 1.0)), open_=("C",))
    assert told(WITHIN, open_) == (UNDECIDED, "known only as a limit: C")
    assert told(WITHIN, FOUR, share=0.2) == (WITHIN, "")
    why = "the floors of up to 52 % of the containers could lie beyond, and 20 % are allowed"
    assert told(WITHIN, FOUR, share=0.52) == (UNDECIDED, why)
    assert told(WITHIN, FOUR, share=0.52, of_floors=False)[1].startswith("by what was stirred after the draws up to 52 %")
    assert told(WITHIN, FOUR, share=0.52, share_asked=False) == (WITHIN, "")
    assert told(WITHIN, FOUR, share=0.52, scope="container") == (WITHIN, "")
    assert told(WITHIN, FOUR, share=0.52, fitted=False) == (WITHIN, "")
    assert told(UNDECIDED, FOUR, share=0.52) == (UNDECIDED, "")


def test_a_rest_that_cannot_be_told_says_why(told: Told) -> None:
    assert told(UNDECIDED, FOUR, of_floors=False) == (UNDECIDED, OPEN)
    assert told(UNDECIDED, FOUR, of_floors=False, share_asked=False) == (UNDECIDED, "")
    lost = drawn({"A": (1.0, 1.0)}, unseen=("B",))
    assert told(UNDECIDED, lost, of_floors=False) == (UNDECIDED, "no result: B")
    assert told(WITHIN, lost, of_floors=False) == (WITHIN, "")


def test_where_no_mean_is_told_each_floor_speaks_for_itself(told: Told) -> None:
    """Margin 5: nearest 1 is within, 5 is not; a lost one leaves it open, limits alone say nothing."""
    assert told(UNKNOWN, FOUR, fitted=False) == (WITHIN, "")
    assert told(UNKNOWN, FOUR) == (UNKNOWN, "")
    assert _unfitted(model(), drawn({"A": (1.0, 1.0), "B": (5.0, 5.0)})) == (UNDECIDED, "")
    assert _unfitted(model(), drawn({"A": (1.0, 1.0), "B": (-5.0, -5.0)})) == (UNDECIDED, "")
    assert _unfitted(model(), drawn({"A": (1.0, 1.0)}, unseen=("B",))) == (UNDECIDED, "no result: B")
    assert _unfitted(model(), drawn({"A": (1.0, 9.0)}, open_=("A",))) == (UNKNOWN, "known only as limits")
    assert _unfitted(model(), drawn({"A": (-4.9, -4.9), "B": (4.9, 4.9)})) == (WITHIN, "")


# -- each container ----------------------------------------------------------------------------------------------------


@pytest.fixture
def single(monkeypatch: pytest.MonkeyPatch) -> Any:
    def of(floors: Floors, noise: float | None, df: float = INF) -> tuple[tuple[str, ...], tuple[str, ...], float]:
        told = None if noise is None else np.full(len(floors.nearest), noise)
        monkeypatch.setattr(floor, "_noise", lambda *_: (told, df))
        return floor._single(SimpleNamespace(), model(), floors)  # type: ignore[arg-type]

    return of


def test_a_floor_is_shown_beyond_by_its_noise_with_all_floors_taken_into_account(single: Any) -> None:
    """Margin 5, noise 1, three floors: Holm asks z at 0.05 / 3 of the first, 2.13."""
    need = float(stats.norm.isf(0.05 / 3))
    assert single(drawn({"A": (5 + need + 0.05,) * 2, "B": (0.0, 0.0), "C": (0.0, 0.0)}), 1.0)[0] == ("A",)
    assert single(drawn({"A": (5 + need - 0.05,) * 2, "B": (0.0, 0.0), "C": (0.0, 0.0)}), 1.0)[0] == ()
    assert single(drawn({}), 1.0) == ((), (), 1.0)


def test_without_noise_and_with_few_numbers_readings_speak_alone(single: Any) -> None:
    """Fewer than four numbers, limits among them: a floor whose reading lies beyond is told by it, not shown."""
    few = drawn({"A": (6.0, 6.0), "B": (7.0, 9.0), "C": (0.0, 1.0)})
    shown, read, _ = single(few, None)
    assert set(shown) | set(read) == {"A", "B"}
    assert "C" not in (*shown, *read)


def test_the_share_counts_those_unseen_and_open_as_beyond(single: Any) -> None:
    """Clopper and Pearson: none of 4 beyond, 1 - 0.05^(1/4); one of 5, by the beta quantile; unseen and open count."""
    base = dict.fromkeys("ABCD", (0.0, 0.0))
    none = 1 - 0.05**0.25
    assert single(drawn(base), 0.01)[2] == pytest.approx(none, abs=0.02)
    one = float(stats.beta.ppf(0.95, 2, 4))
    assert single(drawn(base, unseen=("E",)), 0.01)[2] == pytest.approx(one, abs=0.02)
    with_open = drawn({**base, "E": (1.0, 9.0)}, open_=("E",))
    assert single(with_open, 0.01)[2] == pytest.approx(one, abs=0.02)
    assert single(drawn({**base, "E": (1.0, 3.0)}), 0.01)[2] == pytest.approx(1 - 0.05**0.2, abs=0.02)
