"""Duplicates against r, pooled repeatability with its chi-square interval, repeats that are too good."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from studykit.quality import replicates
from studykit.quality.assess import judging_scatter
from studykit.quality.flags import working_table
from tests.faults.bench import USUAL, flags_of
from tests.faults.laboratory import make
from tests.faults.planted import spoiled
from tests.quality_cases import ANALYTES, Case, build

S_Y = {a: s for a, (_, s, _, _) in ANALYTES.items()}


def table(case: Case) -> pd.DataFrame:
    return working_table(*case.tables())


def test_r_factor() -> None:
    # ISO 5725-6: r = 1.96 sqrt(2) s_r = 2.77 s_r
    assert pytest.approx(2.7718, abs=5e-5) == replicates.R_FACTOR


def test_limit_of_a_plain_pair_is_r() -> None:
    case = build(1)
    pairs = replicates.duplicate_pairs(case.study, table(case), S_Y)
    p = pairs[pairs["analyte"] == "P"]
    assert len(p) == 6
    assert p["limit"].to_numpy() == pytest.approx(100 * 2.7718 * 0.018, rel=1e-4)
    first, second = p["first"].iloc[0], p["second"].iloc[0]
    assert p["difference"].iloc[0] == pytest.approx(100 * np.log(second / first), rel=1e-9)


def test_limit_of_means_of_unequal_numbers() -> None:
    """Means of two and of one determination: r sqrt((1/2 + 1) / 2)."""
    case = build(1)
    again = case.results[case.results["sample"] == case.sample_of("C01", "upper")].assign(replicate=2)
    case.results = pd.concat([case.results, again], ignore_index=True)
    pairs = replicates.duplicate_pairs(case.study, table(case), S_Y)
    own = pairs[(pairs["analyte"] == "P") & (pairs["container"] == "C01") & (pairs["kind"] == "same zone")]
    assert own["limit"].iloc[0] == pytest.approx(277.18 * 0.018 * np.sqrt(0.75), rel=1e-4)
    same = pairs[(pairs["kind"] == "same sample") & (pairs["analyte"] == "P")]
    assert len(same) == 1
    assert same["difference"].iloc[0] == 0


def test_repeats_of_two_runs_are_not_compared_with_r() -> None:
    case = build(1)
    case.results.loc[case.results["sample"].str.startswith("D"), "run"] = "other"
    pairs = replicates.duplicate_pairs(case.study, table(case), S_Y)
    assert pairs["limit"].isna().all()
    check = replicates.check_duplicates(pairs)
    assert check.flags == ()
    assert "no repeatability known" in check.note


def test_a_duplicate_far_apart_is_named_and_a_clean_study_is_silent() -> None:
    case = build(2)
    assert replicates.check_duplicates(replicates.duplicate_pairs(case.study, table(case), S_Y)).flags == ()
    duplicate = case.sample_of("C01", "upper", "duplicate")
    case.multiply(duplicate, "S", 1.20)
    flags = replicates.check_duplicates(replicates.duplicate_pairs(case.study, table(case), S_Y)).flags
    assert [f.rule for f in flags] == ["duplicates apart"]
    assert duplicate in flags[0].samples
    assert "container C01, upper" in flags[0].where


def test_repeats_that_scatter_too_much_are_one_question() -> None:
    case = build(3, duplicates=12)
    for k, c in enumerate(case.containers["container"][:12]):
        depth = str(case.samples.loc[(case.samples["container"] == c) & (case.samples["kind"] == "duplicate"),
                                     "depth"].iloc[0])
        case.multiply(case.sample_of(c, depth, "duplicate"), "P", 1 + (-1) ** k * 0.12)
    larger = replicates.check_repeatability(replicates.pooled_repeatability(table(case), S_Y))
    assert [f.analyte for f in larger.flags] == ["P"]
    assert "where 1.8 % is stated" in larger.flags[0].evidence


def test_repeats_that_are_too_good_are_asked_about_and_judge_nothing() -> None:
    """Second results written down from the first (times 1.001): asked about, and the stated value goes on judging."""
    case = build(3, duplicates=8)
    t = table(case)
    first = t[t["kind"] == "spot"].groupby(["container", "depth", "analyte"])["y"].mean()
    late = t["kind"].eq("duplicate")
    t.loc[late, "y"] = [first[c, d, a] + 0.001 for c, d, a in
                        t.loc[late, ["container", "depth", "analyte"]].itertuples(index=False)]
    pooled = replicates.pooled_repeatability(t, S_Y)
    (flag,) = replicates.check_repeatability(pooled).flags
    assert (flag.rule, flag.concern) == ("too good", "ask before trusting")
    judged = judging_scatter(t, S_Y, {}, pooled)
    assert {a: s.s for a, s in judged.items()} == S_Y


def test_repeats_that_agree_to_the_last_digit_are_asked_about_in_words() -> None:
    case = build(3, duplicates=8)
    t = table(case)
    (flag,) = replicates.check_repeatability(replicates.pooled_repeatability(t.assign(y=4.0), S_Y)).flags
    assert flag.evidence.startswith("repeats (same zone) agree to the last digit, over ")


def test_drawn_duplicates_are_judged_with_the_scatter_of_drawing() -> None:
    case = build(2)
    case.multiply(case.sample_of("C01", "upper", "duplicate"), "S", 1.22)
    plain = replicates.duplicate_pairs(case.study, table(case), S_Y)
    wide = replicates.duplicate_pairs(case.study, table(case), S_Y, {"S": 0.05})
    assert replicates.check_duplicates(plain).flags
    assert not replicates.check_duplicates(wide).flags
    assert plain["limit"].equals(wide["limit"])


def test_pooled_sd_of_pairs_is_root_mean_square_over_root_two() -> None:
    """sqrt(sum d^2 / 2k), with its chi-square interval put back into its definition."""
    case = build(4)
    pairs = replicates.duplicate_pairs(case.study, table(case), S_Y)
    d = pairs.loc[pairs["analyte"] == "Ca", "difference"].to_numpy() / 100
    own = next(p for p in replicates.pooled_repeatability(table(case), S_Y) if p.analyte == "Ca")
    assert own.s == pytest.approx(np.sqrt(np.sum(d**2) / (2 * d.size)), rel=1e-10)
    assert own.df == 6
    low, high = own.interval(0.95)
    # chi-square quantiles with 6 degrees of freedom, 0.025 and 0.975: 1.2373, 14.4494 (printed tables)
    assert low == pytest.approx(own.s * np.sqrt(6 / 14.4494), rel=1e-4)
    assert high == pytest.approx(own.s * np.sqrt(6 / 1.2373), rel=1e-4)
    assert own.interval(0.9)[0] > low


def test_smaller_than_stated_is_said_and_asked_about() -> None:
    case = build(5)
    check = replicates.check_repeatability(replicates.pooled_repeatability(table(case), {"P": 0.2}))
    row = check.table.query("kind == 'same zone'").set_index("analyte").loc["P"]
    assert row["reading"] == "smaller than stated beyond chance: the stated value judges"
    assert [f.rule for f in check.flags] == ["too good"]


def test_an_interval_beside_the_stated_value_is_not_called_agreement() -> None:
    one = replicates.PooledRepeatability(analyte="Zn", kind="same zone", s=0.035, df=4, published=0.15, relative=False,
                                         unit="mg/kg")
    check = replicates.check_repeatability((one,) * 8)
    assert set(check.table["reading"]) == {"smaller, by no more than chance among 8 rows"}
    # each alone may be chance; eight together are not
    assert [f.rule for f in check.flags] == ["too good"]
    alike = replicates.PooledRepeatability(analyte="Zn", kind="same zone", s=0.14, df=4, published=0.15, relative=False,
                                           unit="mg/kg")
    assert set(replicates.check_repeatability((alike,)).table["reading"]) == {"agrees with the stated value"}


def test_interval_level_is_checked() -> None:
    own = replicates.pooled_repeatability(table(build(5)), S_Y)[0]
    with pytest.raises(ValueError, match="level must be between 0 and 1"):
        own.interval(95)


def test_determinations_a_power_of_ten_apart_are_a_unit_slip() -> None:
    case = build(2)
    sample = case.sample_of("C01", "upper")
    again = case.results[case.results["sample"] == sample].assign(replicate=2)
    again.loc[again["analyte"] == "S", "value"] *= 1000
    case.results = pd.concat([case.results, again], ignore_index=True)
    flags = replicates.check_duplicates(replicates.duplicate_pairs(case.study, table(case), S_Y)).flags
    assert [(f.analyte, f.where) for f in flags if f.rule == "unit slip"] == [("S", f"sample {sample}")]


@pytest.mark.slow
def test_two_readings_of_one_bottle_name_the_digits_and_no_mean_of_them() -> None:
    lab, truth = spoiled("digits in one of two", 2, USUAL, 4)
    (sample,) = truth.places
    flags = flags_of(lab)
    own = flags[flags["samples"].str.contains(sample) & flags["analyte"].str.contains("P")]
    assert list(own["rule"]) == ["transposed digits"], own.to_string()
    (i, _, text), = lab.edits
    other = next(f"{lab.wide.at[k, 'P']:.0f}" for k in lab.rows(sample=sample) if k != i)
    assert f"in place of {float(text):g} would agree with {other}" in own["evidence"].iloc[0]


@pytest.mark.slow
def test_one_of_two_readings_far_off_is_named_so() -> None:
    lab = make(USUAL, 4)
    i = int(np.flatnonzero(lab.wide["sample"].duplicated(keep=False) & lab.wide["kind"].eq("spot"))[0])
    lab.edits.append((i, "P", "555"))
    own = flags_of(lab).query(f"samples == '{lab.wide.at[i, 'sample']}' and analyte == 'P'")
    assert list(own["rule"]) == ["one of two readings"], own.to_string()


def _pooled(x: np.ndarray) -> tuple[replicates.PooledRepeatability, ...]:
    return tuple(replicates.PooledRepeatability(
        analyte="P", kind=k, s=float(np.sqrt((z**2).mean())), df=z.size, published=0.02, relative=True, unit="mg/kg",
        contrasts=tuple(z)) for k, z in zip(("same sample", "same zone", "check fluid"), np.split(0.02 * x, 3), strict=True))


def test_scatter_of_all_kinds_together_is_asked_about_and_one_wild_reading_is_not() -> None:
    """Three kinds of repeats at 3 times the stated scatter ask together; a single wild set in each does not."""
    usual = np.random.default_rng(3).standard_normal(18)
    assert {f.rule for f in replicates.check_repeatability(_pooled(3 * usual)).flags} == {"repeatability"}
    hinting = _pooled(1.6 * usual)
    assert not replicates.check_repeatability(hinting, bottles={"P": 0.04}).flags
    assert {f.rule for f in replicates.check_repeatability(hinting, bottles={"P": 0.06}).flags} == {"repeatability"}
    wild = np.where(np.arange(18) % 6 == 0, 6.0, usual)
    assert not replicates.check_repeatability(_pooled(wild)).flags


@pytest.mark.slow
@pytest.mark.parametrize(("tails", "most"), [("normal", 0.5), ("t5", 1.5)])
def test_chance_of_a_wider_scale_is_no_larger_than_it_says(tails: str, most: float) -> None:
    """18 repeats: at 1 and 0.1 % no more alarms than told with normal tails, with t5 (standard deviation 1) about as many."""
    rng = np.random.default_rng(8)
    x = rng.standard_normal((4000, 18)) if tails == "normal" else rng.standard_t(5, (4000, 18)) / np.sqrt(5 / 3)
    p = np.array([replicates.wider(row) for row in x])
    for level in (0.01, 0.001):
        assert (p < level).mean() <= most * level + 3.5 * np.sqrt(level / 4000), level  # 3.5 Monte Carlo errors
    assert np.mean([replicates.wider(3.0 * row) < 0.001 for row in x[:500]]) > 0.9


def test_contrasts_hold_the_sum_of_squares_of_their_sets() -> None:
    """Helmert contrasts: of three readings 1, 2, 6 the squares about their mean add up to 14 (by hand)."""
    t = pd.DataFrame({"a": ["x"] * 3 + ["z"], "y": [1.0, 2.0, 6.0, 9.0]})
    x = replicates._contrasts(t, ["a"])
    assert x.size == 2
    assert float((x**2).sum()) == pytest.approx(14.0)
