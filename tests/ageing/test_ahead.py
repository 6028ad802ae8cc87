"""Chances of rates and times: exact power, an own simulation with an own rule, and the report's words on whole studies."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path

import numpy as np
import pytest
from scipy import optimize, stats

from studykit.ageing import ahead
from studykit.ageing.ahead import Drawings, Growth, TimeChances, drawings, simulated, studies_of, time_chances
from studykit.ageing.courses import Course
from studykit.ageing.lines import fit_lines
from tests.ageing import wrong_worlds
from tests.ageing.test_trend import made, study_of

LINEAR = Course()
AGES = (4.0, 12.0, 20.0, 30.0)
WIDE = Growth(margin=10, passes=20, cell=0.8, profiles=1.0, own_rates=0.3)
T = np.array(AGES)


def found(plan: Drawings, growth: Growth, course: Course = LINEAR, depths: int = 3) -> TimeChances:
    got = time_chances(plan, growth, course, depths=depths)
    assert got is not None
    return got


def monte_carlo(p: float, *studies: int) -> float:
    """Three and a half standard errors of a difference of simulated shares."""
    return 3.5 * math.sqrt(max(p * (1 - p), 0.01) * sum(1 / n for n in studies))


@pytest.mark.few(1)
@pytest.mark.parametrize("own", [0.0, 0.3, 1.2])
def test_growth_of_containers_drawn_again_is_seen_with_the_power_of_students_t(own: float) -> None:
    """Own slopes are independent and normal, and their t test is exact: its power is that of the noncentral t (Owen 1968)."""
    n, growth = 6, dataclasses.replace(WIDE, own_rates=own, passes=60.0)
    sxx = float(((T - T.mean()) ** 2).sum())
    sd = math.hypot(own * 10 / 60, math.sqrt(2 / sxx) * growth.cell)
    q, away = stats.t.isf(0.025, n - 1), math.sqrt(n) * 10 / 60 / sd
    power = float(stats.nct.sf(q, n - 1, away) + stats.nct.cdf(-q, n - 1, away))
    got = found(drawings(AGES, n, again=True), growth)
    assert got.seen == pytest.approx(power, abs=monte_carlo(power, ahead.STUDIES))


def own_studies(n: int, growth: Growth, studies: int, rng: np.random.Generator) -> np.ndarray:
    """Differences (studies, containers, ages) of containers drawn again, written without the kit."""
    rate = growth.margin / growth.passes * (1 + growth.own_rates * rng.normal(size=(studies, n, 1)))
    cell = growth.cell * rng.normal(size=(studies, n, len(T)))
    return rate * T + math.sqrt(2) * (growth.profiles * rng.normal(size=(studies, n, 1)) + cell)


def own_lines_at(d: np.ndarray, at: np.ndarray, degree: int) -> tuple[np.ndarray, np.ndarray]:
    """Each container's own polynomial (S, n, T) at times, and its highest coefficient (S, n)."""
    coefficients = d @ np.linalg.pinv(np.vander(T, degree + 1)).T
    return coefficients @ np.vander(at, degree + 1).T, coefficients[..., 0]


def own_safe(lines: np.ndarray, at: np.ndarray, margin: float) -> tuple[np.ndarray, np.ndarray]:
    """Month at which a 95 % limit of the mean leaves the margin after its best age, and True where none lies within."""
    n = lines.shape[1]
    half = stats.t.ppf(0.95, n - 1) * lines.std(axis=1, ddof=1) / math.sqrt(n)
    gap = margin - np.abs(lines.mean(axis=1)) - half
    best = gap[:, at <= T[-1]].argmax(axis=1)
    out = (gap < 0) & (np.arange(len(at)) >= best[:, None])
    return np.where(out.any(axis=1), at[out.argmax(axis=1)], at[-1]), gap.max(axis=1, where=at <= T[-1], initial=-1e9) < 0


def own_times(d: np.ndarray, margin: float, last: float) -> np.ndarray:
    """By the rule on docs/time.md: by lines, no longer than by lines with a bend, no age beyond stands within; 0: at no age."""
    at, n = np.linspace(4, last, 400), d.shape[1]
    safe, none = own_safe(own_lines_at(d, at, 1)[0], at, margin)
    lines, square = own_lines_at(d, at, 2)
    bent, never = own_safe(lines, at, margin)
    hint = np.abs(square.mean(axis=1)) > stats.t.ppf(0.875, n - 1) * square.std(axis=1, ddof=1) / math.sqrt(n)
    safe = np.minimum(safe, np.where(never, T[-1], bent))
    beyond = np.abs(d.mean(axis=1)) > margin
    first = np.where(beyond.any(axis=1), beyond.argmax(axis=1), -1)
    safe = np.where((first > 0) & (safe >= T[first]), T[first - 1], safe)
    return np.where(none | (hint & never) | (first == 0), 0.0, safe)


def test_times_are_those_of_an_own_simulation_with_an_own_rule() -> None:
    n, studies = 8, 2000
    mine = own_times(own_studies(n, WIDE, studies, np.random.default_rng(5)), 10, 42)
    got = found(drawings(AGES, n, again=True), WIDE, depths=2)
    assert got.bound == 42  # ICH Q1E: twelve months beyond the oldest
    for part in (0.25, 0.5, 0.75):
        below = float(np.mean(got.safe <= np.quantile(mine, part)))
        assert below == pytest.approx(part, abs=monte_carlo(part, studies, ahead.STUDIES))
    assert np.mean(got.safe > 20) <= 0.05 + monte_carlo(0.05, ahead.STUDIES)


def own_shares(d: np.ndarray, margin: float, last: float, share: float) -> np.ndarray:
    """Month at which 95 % limits of the shares of own lines beyond either side add up to ``share``; 0: at once."""
    at, n = np.linspace(4, last, 400), d.shape[1]
    lines = own_lines_at(d, at, 1)[0]
    # Owen 1968: k = t'(0.95; n - 1, z sqrt(n)) / sqrt(n), read backwards: which share has that k
    shares = np.geomspace(0.5, 1e-6, 200)
    k = stats.nct.ppf(0.95, n - 1, stats.norm.isf(shares) * math.sqrt(n)) / math.sqrt(n)
    mean, sd = lines.mean(axis=1), lines.std(axis=1, ddof=1)
    most = sum(np.exp(np.interp((margin + side * mean) / sd, k, np.log(shares))) for side in (-1, 1))
    out = most > share
    return np.where(out.any(axis=1), at[np.maximum(out.argmax(axis=1), 1)], last) * ~out[:, 0]


def test_times_of_the_share_are_those_of_an_own_simulation_with_an_own_rule() -> None:
    n, studies = 8, 2000
    mine = own_shares(own_studies(n, WIDE, studies, np.random.default_rng(6)), 10, 42, 0.2)
    got = found(drawings(AGES, n, again=True), WIDE, depths=2)
    assert got.few is not None
    for part in (0.25, 0.5, 0.75):
        below = float(np.mean(got.few <= np.quantile(mine, part)))
        assert below == pytest.approx(part, abs=monte_carlo(part, studies, ahead.STUDIES))
    assert got.few_within == pytest.approx(float(np.median(mine)), abs=0.5)
    # a fifth of the containers themselves, profile and rate, lie beyond from here on
    level = math.sqrt(2) * WIDE.profiles
    true = optimize.brentq(lambda t: stats.norm.sf(10, 0.5 * t, math.hypot(level, 0.15 * t)) - 0.2, 5, 20)
    assert np.mean(got.few > true) <= 0.05 + monte_carlo(0.05, ahead.STUDIES)
    once = found(drawings(AGES, 12, again=False), WIDE, depths=2)
    assert once.few is not None
    assert np.mean(once.few > true) <= 0.05 + monte_carlo(0.05, ahead.STUDIES)


@pytest.mark.slow
def test_a_share_needs_five_containers() -> None:
    assert math.isnan(found(drawings(AGES, 4, again=True), WIDE).few_within)
    assert math.isnan(found(drawings(AGES, 4, again=False), WIDE).few_within)
    assert found(drawings(AGES, 5, again=True), WIDE).few is not None
    assert found(drawings(AGES, 24, again=True), WIDE).few_within < found(drawings(AGES, 24, again=True), WIDE).within


def printed_worlds() -> list[tuple[str, str, list[float]]]:
    """Design, world and numbers of each row of the table in docs/01-design.md."""
    text = (Path(__file__).parents[2] / "docs/01-design.md").read_text(encoding="utf-8")
    rows = [line.strip("| ").split(" | ") for line in text.split("**Where the world is not as guessed**")[1].splitlines()
            if line.startswith("| ")][1:11]
    names = [n for n in wrong_worlds.DESIGNS for _ in wrong_worlds.WORLDS]
    return [(n, w, [float(x) for x in r[1:]]) for n, w, r in zip(names, wrong_worlds.WORLDS * 2, rows, strict=True)]


@pytest.mark.slow
@pytest.mark.parametrize(("design", "world", "told"), printed_worlds())
def test_where_the_world_is_not_as_guessed(design: str, world: str, told: list[float]) -> None:
    """Assumptions violated, beside the promise: the printed table again from fewer studies."""
    seen, within, late = wrong_worlds.run(wrong_worlds.DESIGNS[design], world, 1000)
    pattern = 8.0 if world == "15 % lost" else 0.0  # forty patterns are not the same forty
    assert seen == pytest.approx(told[0], abs=100 * monte_carlo(told[0] / 100, 1000, 4000) + pattern)
    assert within == pytest.approx(told[1], abs=1.0)
    assert late == pytest.approx(told[2], abs=100 * monte_carlo(told[2] / 100, 1000, 4000))


@pytest.mark.slow
def test_what_is_promised_is_what_the_report_says_of_whole_studies() -> None:
    """Sister containers, readings at three depths judged by the model and the time chapter as a study is."""
    study, studies, hits, shorter = study_of({"course": "linear"}, ("age_months",)), 40, 0, 0
    growth = Growth(margin=math.log(1.2), passes=40.0, cell=0.03, own_rates=0.2)
    promised = found(drawings(AGES, 12, again=False), growth)
    assert 0.15 < promised.seen < 0.85
    for seed in range(studies):
        seen, safe = by_the_report(study, growth, np.random.default_rng(seed))
        hits, shorter = hits + seen, shorter + (safe < promised.within)
    assert hits / studies == pytest.approx(promised.seen, abs=monte_carlo(promised.seen, studies, ahead.STUDIES))
    assert shorter / studies == pytest.approx(0.5, abs=monte_carlo(0.5, studies, ahead.STUDIES))


def by_the_report(study: object, growth: Growth, rng: np.random.Generator) -> tuple[bool, float]:
    """Whether growth is shown, and up to which month the mean is told to be within (0: at no age)."""
    import pandas as pd

    rows, age = [], {}
    for k in range(12):
        name, t = f"c{k:02d}", AGES[k % 4]
        age[name] = t
        rate = growth.margin / growth.passes * (1 + growth.own_rates * rng.normal())
        for depth, part in zip(("upper", "middle", "lower"), (-0.5, 0.0, 0.5), strict=True):
            rows.append((name, depth, 100 * math.exp(part * rate * t + growth.cell * rng.normal())))
    frame = pd.DataFrame(rows, columns=["container", "depth", "value"])
    got, _ = made(study, frame, {"age_months": age, "store": dict.fromkeys(age, "s")})  # type: ignore[arg-type]
    told = got.trends[0]
    return told.outer.p_rate() < 0.05, 0.0 if told.mean.outside[0] else float(told.mean.safe[0])


@pytest.mark.slow
def test_more_depths_promise_no_longer_a_time() -> None:
    """A container is beyond by any pair of depths, and the mean by the first pair that passes."""
    two, five = (found(drawings(AGES, 24, again=True), WIDE, depths=k) for k in (2, 5))
    assert five.within < two.within + 0.2
    assert 0 < five.few_within < two.few_within
    low = found(drawings(AGES, 24, again=True), dataclasses.replace(WIDE, shape="lowest only"), depths=5)
    assert low.few_within < two.few_within


def test_more_containers_older_ones_and_less_scatter_promise_more() -> None:
    few, many = (found(drawings(AGES, n, again=False), WIDE) for n in (12, 36))
    ends = found(drawings((4.0, 30.0), 12, again=False), WIDE)
    calm = found(drawings(AGES, 12, again=False), dataclasses.replace(WIDE, own_rates=0.0, profiles=0.0))
    assert few.seen < min(many.seen, ends.seen, calm.seen)
    assert few.known() > max(many.known(), calm.known())
    assert few.chance_known(4) < min(many.chance_known(4), calm.chance_known(4))
    assert few.within < many.within <= 20


def test_no_growth_is_seen_as_often_as_the_level_and_has_no_end() -> None:
    got = found(drawings(AGES, 8, again=True), dataclasses.replace(WIDE, passes=math.inf, own_rates=0.0))
    assert got.seen == pytest.approx(0.05, abs=monte_carlo(0.05, ahead.STUDIES))
    assert math.isinf(got.known())
    assert got.error(got.seen) == pytest.approx(0.007, abs=0.001)


def test_a_curved_course_promises_nothing_beyond_the_oldest_age() -> None:
    got = found(drawings(AGES, 8, again=True), WIDE, Course(shape="square root"))
    assert got.bound == 30
    assert got.safe.max() <= 30


@pytest.mark.parametrize("plan", [drawings((6.0,), 12, again=False), drawings(AGES, 2, again=False)])
def test_one_age_or_two_drawings_carry_no_line(plan: Drawings) -> None:
    assert time_chances(plan, WIDE, LINEAR) is None


@pytest.mark.parametrize("wrong", [{"margin": 0}, {"passes": 0}, {"cell": 0}, {"profiles": -1}, {"own_rates": -0.1}])
def test_impossible_guesses_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="must be above 0"):
        dataclasses.replace(WIDE, **wrong)
    with pytest.raises(ValueError, match="an age of 0 or more"):
        Drawings(months=(-1.0,), units=(0,))


def test_the_coarse_grid_finds_the_reports_times() -> None:
    """The chances follow limits on a third of the report's ages: interpolated, that is no week."""
    from studykit.ageing.reach import mean_passes

    zones = ahead.simulated(drawings(AGES, 12, again=False), WIDE, LINEAR, 2, np.random.default_rng(1))[:200]
    d = zones[..., 1] - zones[..., 0]
    lines = fit_lines(d, LINEAR.line(np.tile(T, 3)), np.arange(12))
    fine, coarse = (mean_passes(lines, LINEAR, (-10, 10), alpha=0.05, span=(4, 30), stop=42, points=k)
                    for k in (400, ahead.POINTS))
    assert np.nanmax(np.abs(fine.safe - coarse.safe)) < 7 / 30.4


@pytest.mark.few(3)
@pytest.mark.parametrize(("drawn", "depths", "studies"), [(2, 2, 1000), (66, 3, 1000), (100, 2, 1000), (101, 2, 990),
                                                         (333, 3, 200), (1000, 3, 200), (5000, 5, 200)])
def test_of_many_drawings_fewer_studies_are_made(drawn: int, depths: int, studies: int) -> None:
    """200,000 zones in all where that is at least 200 studies and at most 1,000."""
    assert studies_of(drawn, depths) == studies
    plan = Drawings(months=tuple(float(i % 4) for i in range(drawn)), units=tuple(range(drawn)))
    made = simulated(plan, Growth(margin=5, passes=20, cell=1), LINEAR, depths, np.random.default_rng(1))
    assert made.shape == (studies, drawn, depths)
