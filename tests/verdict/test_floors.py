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
from studykit.inference.single import SingleResult
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
    rows = [("", 10.0, NAN), ("<", NAN, 8.0), ("", 14.0, NAN), (">", NAN, 90.0)]
    assert _values(rows) == [(12.0, 12.0), (0.0, 8.0), (90.0, INF)]
    assert _values(rows[1:2]) == [(0.0, 8.0)]
    assert _values([]) == []


@pytest.mark.parametrize("odd", [("", pd.NA, pd.NA), ("", None, None), ("<", NAN, NAN), (">", NAN, None)])
def test_a_floor_without_number_or_limit_was_not_seen(odd: tuple[Any, Any, Any]) -> None:
    """Tables made by hand hold such cells; a sign without its limit says nothing."""
    stage: Any = SimpleNamespace(
        samples=pd.DataFrame({"sample": ["H1", "H2"], "kind": "heel", "container": ["C1", "C2"]}),
        containers=pd.DataFrame({"container": ["C1", "C2"], "treatment": "stored"}))
    results = pd.DataFrame([("P", "H1", *odd), ("P", "H2", "", 12.0, NAN)],
                           columns=["analyte", "sample", "qualifier", "value", "limit"], dtype=object)
    judged = SimpleNamespace(**vars(model()), analyte="P")
    found = floor.floors(stage, judged, results, ("heel",), {"C1": (10.0, 10.0), "C2": (10.0, 10.0)})
    assert (found.unseen, found.nearest) == (("C1",), {"C2": 2.0})


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
    (FIVE, 0.0, 10.0, -10.0), (FIVE, 10.0, 0.0, 10.0), (TWENTY, 0.5, 0.25, math.log(2)), (TWENTY, 0.25, 0.5, -math.log(2)),
    (TWENTY, -1.0, -2.0, NAN), (TWENTY, 0.5, -0.5, NAN), (FIVE, 0.5, -0.5, 1.0)])
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


def test_a_floor_below_counts_as_one_above(single: Any) -> None:
    shown, read, _ = single(drawn({"A": (-6.0, -6.0), "B": (-9.0, -7.0), "C": (-1.0, 0.0)}), None)
    assert {*shown, *read} == {"A", "B"}


def test_half_of_the_floors_as_numbers_tell_the_noise_and_readings_alone_no_more(single: Any) -> None:
    """Four numbers of ten leave a limit of 7 to 9 named by its reading; five of ten do not, nor five where all are numbers."""
    limits = {f"L{k}": (0.0, 1.0) for k in range(5)}
    calm = {"A": (0.0, 0.0), "B": (0.1, 0.1), "C": (-0.1, -0.1), "D": (0.2, 0.2)}
    assert single(drawn({**calm, **limits, "X": (7.0, 9.0)}), None)[1] == ("X",)
    many = {**calm, "E": (9.0, 9.0)}
    shown, read, _ = single(drawn({**many, **dict(list(limits.items())[:4]), "X": (7.0, 9.0)}), None)
    # the middle half of the numbers lies within 0.1: Student's t with 0.37 (5 - 1) degrees at 0.05 / 10
    reach = 1.4826 * 0.1 * float(stats.t.isf(0.05 / 10, 0.37 * 4))
    assert (9 - reach > 5) == (shown == ("E",))
    assert read == ()
    assert single(drawn({"A": (6.0, 6.0), "B": (0.0, 0.0)}), None)[1] == ()  # numbers alone, too few to tell their noise


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


def stage_of(containers: dict[str, str], samples: list[tuple[str, str, str]]) -> Any:
    """Containers with their treatment; samples as (code, container, kind)."""
    return SimpleNamespace(study=SimpleNamespace(alpha=0.05), containers=pd.DataFrame(
        {"container": list(containers), "treatment": list(containers.values())}),
        samples=pd.DataFrame(samples, columns=["sample", "container", "kind"]))


def lines(*rows: tuple[str, str, float]) -> pd.DataFrame:
    """Results of P: sample, qualifier, and the value or the limit."""
    return pd.DataFrame([(s, "P", q, NAN if q else x, x if q else NAN) for s, q, x in rows],
                        columns=["sample", "analyte", "qualifier", "value", "limit"])


def found(zones: dict[str, tuple[float, float]], results: pd.DataFrame, margin: Margin = FIVE,
          kinds: tuple[str, ...] = ("heel",)) -> Floors:
    stage = stage_of({**dict.fromkeys("ABC", "stored"), "X": "remixed control"},
                     [(f"h{c}", c, "heel") for c in "ABCX"] + [("sA", "A", "spot"), ("wA", "A", "composite")])
    made = SimpleNamespace(analyte="P", rows=SimpleNamespace(margin=margin))
    return floor.floors(stage, made, results, kinds, zones)  # type: ignore[arg-type]


def test_each_floor_against_the_zones_of_its_own_container() -> None:
    """A: 12 and 14 against 10; B: below 8 against 10; C has no result; the control, a spot and another analyte do not count."""
    other = lines(("hA", "", 99.0)).assign(analyte="Q")
    results = pd.concat([lines(("hA", "", 12.0), ("hA", "", 14.0), ("hB", "<", 8.0), ("hX", "", 99.0), ("sA", "", 50.0)),
                         other])
    told = found(dict.fromkeys("ABCX", (10.0, 10.0)), results)
    assert told.nearest == {"A": 3.0, "B": -2.0}
    assert told.spans == {"A": (3.0, 3.0), "B": (-10.0, -2.0)}
    assert (told.results, told.levels) == ({"A": 2, "B": 1}, {"A": 13.0, "B": 8.0})
    assert (told.open, told.unseen) == (("B",), ("C",))
    assert found(dict.fromkeys("ABC", (10.0, 10.0)), lines(("wA", "", 4.0)), kinds=("composite",)).nearest == {"A": -6.0}


@pytest.mark.parametrize(("limit", "zones", "open_"), [
    (5.1, (10.0, 10.0), True), (12.0, (3.0, 3.0), True), (8.0, (3.1, 3.1), False), (8.0, (3.0, 3.0), True)])
def test_a_limit_leaves_open_what_may_lie_at_the_margin(limit: float, zones: tuple[float, float], open_: bool) -> None:
    """Below 8 against 3.1 lies between -3.1 and 4.9: within 5 wherever it lies; against 3.0 it may lie at 5."""
    assert bool(found({"A": zones}, lines(("hA", "<", limit))).open) == open_


def test_of_a_number_and_a_limit_the_farther_counts_and_the_span_holds_both() -> None:
    told = found({"A": (10.0, 10.0)}, lines(("hA", "", 11.0), ("hA", ">", 17.0)))
    assert (told.nearest["A"], told.spans["A"], told.results["A"]) == (7.0, (1.0, INF), 1)
    assert told.levels["A"] == 14.0
    assert told.open == ("A",)


def test_a_floor_without_a_ratio_or_without_zones_is_unseen() -> None:
    assert found({"A": (10.0, 10.0)}, lines(("hA", "", 0.0)), TWENTY).unseen == ("A", "B", "C")
    assert found({}, lines(("hA", "", 9.0))).unseen == ("A", "B", "C")


def test_zones_between_which_values_lie(monkeypatch: pytest.MonkeyPatch) -> None:
    """A: upper 4 and 8, lower 12, bottom 15: mean of means 11, weighted 8.5; B with a limit keeps its two
    ends, whatever was weighted."""
    table = pd.DataFrame({"container": [*"AAAA", *"BB"], "depth": ["u", "u", "l", "b", "u", "l"],
                          "qualifier": ["", "", "", "", "<", ""], "value": [4.0, 8, 12, 15, NAN, 6],
                          "limit": [NAN, NAN, NAN, NAN, 4.0, NAN]})
    made = SimpleNamespace(rows=SimpleNamespace(table=table))
    stage = SimpleNamespace(study=None, containers=None, samples=None)
    weighted: list[Any] = []
    monkeypatch.setattr(floor, "zones_of", lambda *_: weighted)
    assert floor._zones(stage, made) == {"A": (11.0, 11.0), "B": (3.0, 5.0)}  # type: ignore[arg-type]
    weighted += [SimpleNamespace(container="A", mean=8.5), SimpleNamespace(container="B", mean=1.0)]
    assert floor._zones(stage, made) == {"A": (8.5, 8.5), "B": (3.0, 5.0)}  # type: ignore[arg-type]


def test_noise_of_a_floor_from_what_is_stated_at_its_level(monkeypatch: pytest.MonkeyPatch) -> None:
    """s_r of 2 % of the level, of a difference of two; in the unit where the margin is absolute; none at a level of 0."""
    monkeypatch.setattr(floor, "precision_at", lambda study, analyte, level: SimpleNamespace(s_r=0.02 * level))
    two = Floors(nearest={"A": 1.0, "B": 1.0}, spans={}, results={}, levels={"A": 0.5, "B": 50.0}, open=(), unseen=())
    made = SimpleNamespace(analyte="P", rows=SimpleNamespace(log=True))
    se, df = floor._noise(None, made, two)  # type: ignore[arg-type]
    assert se == pytest.approx([0.02 * math.sqrt(2)] * 2)
    assert df == INF
    made.rows.log = False
    assert floor._noise(None, made, two)[0] == pytest.approx([0.01 * math.sqrt(2), math.sqrt(2)])  # type: ignore[arg-type]
    none = Floors(nearest={"A": 1.0, "B": 1.0}, spans={}, results={}, levels={"A": 0.0, "B": 50.0}, open=(), unseen=())
    assert floor._noise(None, made, none)[0] is None  # type: ignore[arg-type]
    monkeypatch.setattr(floor, "precision_at", lambda *_: None)
    assert floor._noise(None, made, two)[0] is None  # type: ignore[arg-type]


def test_noise_of_a_floor_that_was_measured_less_often_than_its_zones(monkeypatch: pytest.MonkeyPatch) -> None:
    """Zones twice, the heel once: variance (1 + 2) / 2 of that of two zones; twice or more: as of two zones."""
    monkeypatch.setattr(floor, "noise_of", lambda *_: (0.4, 7.0, "words"))
    made = FittedModel.__new__(FittedModel)
    measured = pd.DataFrame({"container": ["A"] * 4, "depth": ["u", "u", "l", "l"]})
    object.__setattr__(made, "rows", SimpleNamespace(measured=measured))
    some = Floors(nearest=dict.fromkeys("ABC", 1.0), spans={}, results={"A": 1, "B": 2, "C": 3}, levels={}, open=(), unseen=())
    se, df = floor._noise(None, made, some)  # type: ignore[arg-type]
    assert se == pytest.approx([0.4 * math.sqrt(1.5), 0.4, 0.4])
    assert df == 7.0
    monkeypatch.setattr(floor, "noise_of", lambda *_: (None, 7.0, "words"))
    assert floor._noise(None, made, some)[0] is None  # type: ignore[arg-type]


def of_one(monkeypatch: pytest.MonkeyPatch, heel: pd.DataFrame, spread: float = 1.0, margin: Margin = FIVE, **more: Any) -> Any:
    """One container of three zones that read 2 on average by a stated precision."""
    judged = SingleResult.__new__(SingleResult)
    for name, value in {"comparison": SimpleNamespace(margin=margin, unit=margin.unit), "means": (1.0, 2.0, 3.0),
                        "unit": "mg/kg"}.items():
        object.__setattr__(judged, name, value)
    monkeypatch.setattr(SingleResult, "spread", property(lambda self: spread))
    monkeypatch.setattr(floor, "single_results", lambda *_: {"P": judged})
    table = pd.DataFrame({"container": ["A"] * 3, "value": [1.0, 2.0, 3.0]})
    made = SimpleNamespace(analyte="P", rows=SimpleNamespace(table=table, measured=table))
    stage = stage_of({"A": "stored", "B": "stored"}, [("hA", "A", "heel"), ("hB", "B", "heel")])
    return floor.of_one(stage, made, heel, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(("heel", "word"), [(2.0, WITHIN), (12.0, BEYOND), (7.0, UNDECIDED), (-8.0, BEYOND)])
def test_the_floor_of_one_container(monkeypatch: pytest.MonkeyPatch, heel: float, word: str) -> None:
    """Estimate heel - 2, standard error sqrt(1 + 1/3), normal limits at 5 % on each side."""
    told = of_one(monkeypatch, lines(("hA", "", heel), ("hB", "", 99.0)))
    half = float(stats.norm.isf(0.05)) * math.sqrt(1 + 1 / 3)
    assert told == (word, pytest.approx(heel - 2), pytest.approx(heel - 2 - half), pytest.approx(heel - 2 + half), "mg/kg")
    turned = of_one(monkeypatch, lines(("hA", "", heel)), turned=True)
    assert turned[1:4] == (pytest.approx(2 - heel), pytest.approx(2 - heel - half), pytest.approx(2 - heel + half))


def test_where_the_floor_of_one_container_says_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    assert of_one(monkeypatch, lines(("hA", "<", 9.0), ("hA", "", 9.0))) is None
    assert of_one(monkeypatch, lines(("hB", "", 9.0))) is None
    assert of_one(monkeypatch, lines(("hA", "", 0.0)), margin=TWENTY) is None
    two = of_one(monkeypatch, lines(("hA", "", 9.0), ("hA", "", 11.0)))
    assert two[3] - two[2] == pytest.approx(2 * float(stats.norm.isf(0.05)) * math.sqrt(1 / 2 + 1 / 3))
    monkeypatch.setattr(floor, "single_results", lambda *_: {})
    stage = stage_of({"A": "stored"}, [("hA", "A", "heel")])
    made = SimpleNamespace(analyte="P", rows=SimpleNamespace(table=pd.DataFrame({"container": ["A"]})))
    assert floor.of_one(stage, made, lines(("hA", "", 9.0))) is None  # type: ignore[arg-type]


def test_those_beyond_by_zones_floor_and_rest_stand_under_one_another(monkeypatch: pytest.MonkeyPatch) -> None:
    columns = ["container", "analyte", "name", "pair", "difference", "unit", "margin", "by"]
    zones = pd.DataFrame([("Z", "P", "P", "lower - upper", 9.0, "mg/kg", "5", "shown")], columns=columns)
    study = SimpleNamespace(decides=lambda a: a == "P", label_of=lambda a: a.lower())
    made = [SimpleNamespace(analyte=a, rows=SimpleNamespace(margin=FIVE), shown_unit="mg/kg") for a in ("P", "Q")]
    heel, rest = drawn({"A": (7.0, 7.0)}), drawn({"B": (-8.0, -8.0)})
    by = {id(heel): (("A",), (), 0.0), id(rest): ((), ("B",), 0.0)}

    def single_of(*asked: Any) -> Any:
        assert asked[:2] == (study, made[0])
        return by[id(asked[2])]

    def treated(*asked: Any) -> pd.DataFrame:
        assert asked == (study, made)
        return zones

    monkeypatch.setattr(floor, "_single", single_of)
    monkeypatch.setattr(floor, "treat", treated)
    table = floor.beyond(SimpleNamespace(study=study), made, {("P", ("heel",)): heel, ("P", ("composite",)): rest})  # type: ignore[arg-type]
    assert table[["container", "pair", "difference"]].to_numpy().tolist() == [
        ["Z", "lower - upper", 9.0], ["A", "floor - zones", 7.0], ["B", "zones - whole container", 8.0]]
    assert table["name"].tolist() == ["P", "p", "p"]
    assert table["by"].tolist()[1:] == [floor.SHOWN, floor.READ]


@pytest.mark.parametrize(("word", "told"), [(WITHIN, SINGLE), (UNDECIDED, SINGLE), (UNKNOWN, BEYOND), (BEYOND, BEYOND)])
def test_one_floor_beyond_is_that_of_all_only_where_nothing_else_is_known(monkeypatch: pytest.MonkeyPatch, word: str,
                                                                          told: str) -> None:
    monkeypatch.setattr(floor, "_single", lambda *_: (("A",), (), 1.0))
    stage: Any = SimpleNamespace(study=SimpleNamespace(share_percent=20, scope="stock"))
    assert word_of(stage, model(), word, drawn({"A": (9.0, 9.0)})) == (told, "" if word == BEYOND else "A")


@pytest.mark.parametrize(("word", "fitted", "shown", "opened", "unseen", "share", "said"), [
    (floor.WITHIN, False, "", "", "", 0.0, floor.WITHIN), (floor.UNKNOWN, False, "", "", "", 0.0, "unfitted"),
    (floor.UNKNOWN, True, "", "", "", 0.0, floor.UNKNOWN), (floor.WITHIN, True, "", "", "", 0.2, floor.WITHIN),
    (floor.WITHIN, True, "", "", "", 0.21, floor.UNDECIDED), (floor.WITHIN, False, "", "", "", 0.21, floor.WITHIN),
    (floor.WITHIN, True, "", "A", "", 0.0, floor.UNDECIDED), (floor.BEYOND, True, "", "", "", 0.0, floor.BEYOND),
    (floor.WITHIN, True, "A", "", "", 0.0, floor.SINGLE), (floor.WITHIN, True, "ABC", "", "", 0.0, floor.MOST),
    (floor.WITHIN, True, "AB", "", "", 0.0, floor.SINGLE), (floor.UNDECIDED, True, "ABCD", "", "", 0.0, floor.BEYOND),
    (floor.WITHIN, True, "ABCD", "", "", 0.0, floor.MOST), (floor.UNDECIDED, True, "ABCD", "", "E", 0.0, floor.MOST),
    (floor.UNKNOWN, False, "AB", "", "", 0.0, floor.SINGLE), (floor.UNDECIDED, True, "", "", "", 0.0, floor.UNDECIDED)])
def test_the_word_of_four_floors_follows_from_each_of_them(monkeypatch, word, fitted, shown, opened, unseen, share, said):
    """20 % may lie beyond; half of them are not most, and of some that were not seen not all are beyond."""
    monkeypatch.setattr(floor, "_single", lambda *_: (tuple(shown), (), share))
    monkeypatch.setattr(floor, "_unfitted", lambda *_: ("unfitted", ""))
    monkeypatch.setattr(floor, "FittedModel", SimpleNamespace if fitted else int)
    stage = SimpleNamespace(study=SimpleNamespace(share_percent=20.0, scope="stock"))
    drawn = SimpleNamespace(nearest=dict.fromkeys("ABCD", 0.0), unseen=tuple(unseen), open=tuple(opened))
    assert floor.word_of(stage, SimpleNamespace(rows=None), word, drawn)[0] == said
