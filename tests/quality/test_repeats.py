"""Repeats against one another from a few lines: pairs, their limits and chances, pooled scatter, words of single bottles."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from studykit.quality.frame import NU
from studykit.quality.replicates import (
    R_FACTOR,
    PooledRepeatability,
    _by_one_factor,
    _one_bottle,
    _power_of_ten,
    check_duplicates,
    check_repeatability,
    duplicate_pairs,
    pooled_repeatability,
    sample_means,
    scale_s,
    wider,
)
from tests.quality_cases import study_of

NAN = float("nan")


def rows(*lines: tuple[str, str, str, float], analyte: str = "P", kind: str = "", depth: str = "upper") -> pd.DataFrame:
    """Working table: sample, container, run, value; spots first and later ones of a container as duplicates."""
    seen: set[str] = set()
    kinds = [kind or ("duplicate" if c in seen or seen.add(c) else "spot") for _, c, *_ in lines]  # type: ignore[func-returns-value]
    count: dict[str, int] = {}
    replicate = [count.setdefault(s, 0) or 0 for s, *_ in lines]
    for k, (s, *_) in enumerate(lines):
        count[s] += 1
        replicate[k] = count[s]
    value = [x for *_, x in lines]
    return pd.DataFrame({"analyte": analyte, "sample": [s for s, *_ in lines], "container": [c for _, c, *_ in lines],
                         "kind": kinds, "depth": depth, "run": [r for _, _, r, _ in lines], "value": value,
                         "y": np.log(value), "relative": True, "unit": "mg/kg", "replicate": replicate})


S = 0.02


def pairs(t: pd.DataFrame, drawn: dict[str, float] | None = None, study: Any = None, s: float = S) -> list[dict[str, Any]]:
    return duplicate_pairs(study or study_of(), t, {"P": s}, drawn).to_dict("records")


@pytest.mark.parametrize("r", [0.1, 0.3, 0.7, 1.2])
def test_a_difference_of_r_exactly_is_within_r(r: float) -> None:
    """Readings of one decimal that differ by just r, whose binary difference is a rounding off: r is not exceeded (ISO 4259:
    two results are suspect where they differ by more than r; from memory)."""
    lines = [(f"{first}{by}", first, round(first + by, 1)) for first in (10.1, 99.7, 100.0, 104.3, 250.6)
             for by in (r, -r, r + 0.1, r - 0.1)]
    t = rows(*((f"{box}{k}", box, "R1", x) for box, *both in lines for k, x in enumerate(both)))
    found = {p["container"]: p["beyond"] for p in pairs(t.assign(y=t["value"], relative=False), s=r / R_FACTOR)}
    assert [found[box] for box, *_ in lines] == 5 * [False, False, True, False]


def test_two_bottles_of_a_zone_by_hand() -> None:
    """100 and 106: 100 ln 1.06 = 5.83 %; r = 1.96 sqrt(2) 2 % = 5.54 %; Student's t with 6 degrees of d / (s sqrt 2)."""
    (own,) = pairs(rows(("A", "C1", "R1", 100.0), ("B", "C1", "R1", 106.0)))
    d = np.log(1.06)
    assert (own["kind"], own["sample"], own["other"], own["unit"], own["same_run"]) == ("same zone", "A", "B", "%", True)
    assert own["difference"] == pytest.approx(100 * d)
    assert own["limit"] == pytest.approx(100 * 1.959964 * S * np.sqrt(2))
    assert own["ratio"] == pytest.approx(own["difference"] / own["limit"])
    assert own["beyond"]
    assert own["p"] == pytest.approx(2 * stats.t.sf(d / (S * np.sqrt(2)), 6))
    wide = pairs(rows(("A", "C1", "R1", 100.0), ("B", "C1", "R1", 106.0)), {"P": 0.03})[0]
    assert wide["p"] == pytest.approx(2 * stats.t.sf(d / (0.03 * np.sqrt(2)), 6))
    assert wide["limit"] == own["limit"]  # r is the method's
    small = pairs(rows(("A", "C1", "R1", 100.0), ("B", "C1", "R1", 106.0)), {"P": 0.01})[0]
    assert small["p"] == own["p"]


def test_means_of_unequal_numbers() -> None:
    """Twice 100 and once 106: variance of the difference s^2 (1/2 + 1); the two of one bottle are a pair of their own."""
    zone, sample = pairs(rows(("A", "C1", "R1", 100.0), ("B", "C1", "R1", 106.0), ("A", "C1", "R1", 100.0)).assign(
        kind=["spot", "duplicate", "spot"]))
    assert zone["limit"] == pytest.approx(100 * 1.959964 * S * np.sqrt(1.5))
    assert (sample["kind"], sample["sample"], sample["difference"]) == ("same sample", "A", 0.0)
    assert sample["limit"] == pytest.approx(100 * 1.959964 * S * np.sqrt(2))


def test_repeats_of_two_runs_have_the_laboratorys_own_precision_or_none() -> None:
    t = rows(("A", "C1", "R1", 100.0), ("B", "C1", "R2", 106.0))
    (none,) = pairs(t)
    assert (none["same_run"], none["beyond"]) == (False, False)
    assert np.isnan([none["limit"], none["p"]]).all()
    study = study_of()
    own = study.analytes["P"].model_copy(update={"intermediate_s": 5.0})
    given = study.model_copy(update={"analytes": {**study.analytes, "P": own}})
    assert pairs(t, study=given)[0]["limit"] == pytest.approx(100 * 1.959964 * (5.0 / 100) * np.sqrt(2))


def test_other_zones_and_composites_are_no_repeats() -> None:
    one, other = rows(("A", "C1", "R1", 100.0)), rows(("B", "C1", "R1", 106.0), depth="lower")
    assert pairs(pd.concat([one, other])) == []
    assert pairs(pd.concat([one, rows(("B", "C1", "R1", 106.0), kind="composite")])) == []
    assert pairs(pd.concat([one, rows(("B", "C2", "R1", 106.0))])) == []
    assert check_duplicates(duplicate_pairs(study_of(), one, {"P": S})).note == "not assessed: the study has no duplicates"
    unknown = check_duplicates(duplicate_pairs(study_of(), rows(("A", "C1", "R1", 100.0), ("B", "C1", "R1", 106.0)), {}))
    assert unknown.note == "not assessed: no repeatability known for any repeat"


def test_a_pair_is_flagged_where_chance_over_all_pairs_is_small() -> None:
    """Student's t of six degrees: 0.01 / 2 pairs at 4.3 standard errors."""
    need = float(stats.t.isf(0.01 / 2 / 2, 6)) * S * np.sqrt(2)
    for far, told in ((need * 1.02, True), (need * 0.98, False)):
        t = rows(("A", "C1", "R1", 100.0), ("B", "C1", "R1", 100.0 * float(np.exp(far))), ("D", "C2", "R1", 100.0),
                 ("E", "C2", "R1", 100.0))
        flags = check_duplicates(duplicate_pairs(study_of(), t, {"P": S})).flags
        assert bool(flags) == told
        if told:
            assert (flags[0].rule, flags[0].where, flags[0].samples) == ("duplicates apart", "container C1, upper", ("A", "B"))


@pytest.mark.parametrize(("one", "other", "yes"), [(10.0, 1.0, True), (1.0, 10.0, True), (12.5, 1.0, True), (12.7, 1.0, False),
                                                   (8.0, 1.0, True), (7.9, 1.0, False), (1.0, 1.0, False), (1050.0, 1.0, True),
                                                   (30.0, 1.0, False), (0.0, 10.0, False), (10.0, 0.0, False)])
def test_powers_of_ten_within_a_tenth_of_a_decade(one: float, other: float, yes: bool) -> None:
    assert _power_of_ten(one, other) is yes


def bottle(first: float, second: float, limit: float = 5.5, unit: str = "%") -> str:
    difference = 100 * float(np.log(second / first)) if unit == "%" else second - first
    return _one_bottle({"first": first, "second": second, "difference": difference, "limit": limit, "unit": unit,
                        "ratio": abs(difference) / limit})[0]


def test_what_two_readings_of_one_bottle_may_be() -> None:
    """100 and 1010 a decimal; 195 and 160 digits (159 agrees with 160 within r); 100 and 144 nothing of these."""
    assert bottle(100.0, 1010.0) == "unit slip"
    assert bottle(195.0, 160.0) == "transposed digits"
    assert bottle(160.0, 195.0) == "transposed digits"
    assert bottle(100.0, 144.0) == "one of two readings"
    assert bottle(195.0, 160.0, limit=0.9, unit="mg/kg") == "one of two readings"
    assert bottle(195.0, 160.0, limit=1.0, unit="mg/kg") == "transposed digits"


def apart(factors: dict[str, float], kind: str = "same sample", limit: float = 5.5) -> pd.DataFrame:
    return pd.DataFrame({"analyte": list(factors), "kind": kind, "unit": "%", "sample": "A", "other": "A",
                         "difference": 100 * np.log(list(factors.values())), "limit": limit, "first": 100.0,
                         "second": 100 * np.array(list(factors.values())), "p": 1e-9, "ratio": 9.0, "container": "C",
                         "depth": "upper"})


def test_three_analytes_by_one_factor_are_a_portion() -> None:
    three = {"P": 0.70, "Zn": 0.72, "S": 0.68}
    assert len(_by_one_factor(apart(three))) == 3
    assert _by_one_factor(apart({"P": 0.70, "Zn": 0.72})).empty
    assert _by_one_factor(apart(three, kind="same zone")).empty
    # ln (0.72 / 0.68) = 5.72 % apart: twice the limit of one of them is allowed
    assert _by_one_factor(apart(three, limit=2.85)).empty
    assert len(_by_one_factor(apart(three, limit=2.87))) == 3
    (flag,) = check_duplicates(apart(three)).flags
    assert (flag.rule, flag.concern, flag.samples) == ("portion or dilution", "ask before trusting", ("A",))
    assert "0.7 times the other of the same bottle in P, S and Zn" in flag.evidence
    (slip,) = check_duplicates(apart({"P": 10.0, "Zn": 10.1, "S": 9.9})).flags
    assert (slip.rule, slip.concern) == ("unit slip", "stop and find out")


# -- pooled ------------------------------------------------------------------------------------------------------------


def test_pooled_scatter_of_sets_of_any_size() -> None:
    """Bottle A 100, 104, 99 and bottle B 50, 51: sum of squares about their means over 2 + 1 degrees of freedom, on logs."""
    t = rows(("A", "C1", "R1", 100.0), ("A", "C1", "R1", 104.0), ("A", "C1", "R1", 99.0), ("B", "C2", "R1", 50.0),
             ("B", "C2", "R1", 51.0), ("B", "C2", "R2", 70.0)).assign(kind="spot")
    (own,) = [p for p in pooled_repeatability(t, {"P": 0.02}) if p.kind == "same sample"]
    squares = sum(np.var(np.log(x)) * len(x) for x in ([100, 104, 99], [50, 51]))  # another run is no repeat
    assert own.df == 3
    assert own.s == pytest.approx(np.sqrt(squares / 3))
    assert (own.published, own.relative, own.unit) == (0.02, True, "mg/kg")
    assert np.square(own.contrasts).sum() == pytest.approx(squares)
    low, high = own.interval()
    assert (low, high) == pytest.approx(tuple(own.s * np.sqrt(3 / stats.chi2.ppf(q, 3)) for q in (0.975, 0.025)))
    assert own.shown_s()[:4] == pytest.approx((100 * own.s, 100 * low, 100 * high, 2.0))
    assert own.shown_s()[4] == "%"


def test_zones_are_compared_by_the_means_of_their_bottles_and_the_check_fluid_within_runs() -> None:
    t = rows(("A", "C1", "R1", 100.0), ("A", "C1", "R1", 104.0), ("B", "C1", "R1", 110.0))
    t["kind"] = ["spot", "spot", "duplicate"]
    own = {p.kind: p for p in pooled_repeatability(t, {})}
    d = np.log(110) - (np.log(100) + np.log(104)) / 2
    assert own["same zone"].s == pytest.approx(abs(d) / np.sqrt(2))
    assert np.isnan(own["same zone"].published)
    assert np.isnan([own["same zone"].p_larger(), own["same zone"].p_smaller()]).all()
    fluid = rows(("F", "", "R1", 100.0), ("G", "", "R1", 103.0), ("H", "", "R2", 120.0), kind="check fluid")
    (told,) = [p for p in pooled_repeatability(fluid, {}) if p.kind == "check fluid"]
    assert (told.df, told.s) == (1, pytest.approx(np.log(1.03) / np.sqrt(2)))
    means = sample_means(t)
    assert means[["sample", "n"]].to_numpy().tolist() == [["A", 2], ["B", 1]]
    assert means["value"].tolist() == [102.0, 110.0]


def pooled(s: float, df: int = 20, published: float = 0.02, kind: str = "same sample",
           analyte: str = "P") -> PooledRepeatability:
    """Repeats that all scatter alike: contrasts of plus and minus s."""
    return PooledRepeatability(analyte=analyte, kind=kind, s=s, df=df, published=published, relative=True, unit="mg/kg",
                               contrasts=tuple(s * (-1) ** k for k in range(df)))


def test_chances_of_more_and_of_less_than_stated() -> None:
    """Chi-square: a quarter of the degrees of freedom for more (tails are heavy), all for less."""
    own = pooled(0.03)
    assert own.p_larger() == pytest.approx(stats.chi2.sf(20 / 4 * 1.5**2, 5))
    assert own.p_larger(1.5) == pytest.approx(stats.chi2.sf(20 / 4, 5))
    assert own.p_smaller() == pytest.approx(stats.chi2.cdf(20 * 1.5**2, 20))
    assert own.standard[:2] == pytest.approx((1.5, -1.5))
    assert pooled(0.03, kind="same zone").standard[0] == pytest.approx(1.5 / 1.6)


def test_means_of_two_determinations_are_held_against_the_scatter_of_such_means() -> None:
    """Two bottles of a zone, each read twice: their means scatter by s_r / sqrt(2) where drawing adds nothing (ISO 5725)."""
    rng = np.random.default_rng(5)
    place = {"analyte": "P", "kind": "spot", "depth": "low", "run": "R1", "relative": True, "unit": "mg/kg", "value": 1.0}
    rows = [place | {"sample": f"S{c}{b}", "container": f"C{c}", "y": float(rng.normal(0, 0.02))}
            for c in range(40) for b in range(2) for _ in range(2)]
    own = {p.kind: p for p in pooled_repeatability(pd.DataFrame(rows), {"P": 0.02})}
    assert own["same zone"].averaged == 2.0
    assert own["same sample"].averaged == 1.0
    assert own["same zone"].least == pytest.approx(0.02 / np.sqrt(2))
    assert own["same zone"].s == pytest.approx(own["same zone"].least, rel=0.25)
    ratio = own["same zone"].s / own["same zone"].least
    assert own["same zone"].p_smaller() == pytest.approx(stats.chi2.cdf(40 * ratio**2, 40))
    assert check_repeatability(tuple(own.values())).flags == ()


def test_the_likelihood_of_a_larger_scale_is_students() -> None:
    """Half a chi-square of twice the gain: sum of 3.5 ln(1 + (z/k)^2 / 6) + n ln k over scales k of 1 to 10."""
    z = np.full(10, 3.0)
    scales = np.exp(np.linspace(0, np.log(10), 4000))
    costs = ((NU + 1) / 2 * np.log1p((z / scales[:, None]) ** 2 / NU)).sum(axis=1) + 10 * np.log(scales)
    assert wider(z) == pytest.approx(0.5 * stats.chi2.sf(2 * (costs[0] - costs.min()), 1), rel=2e-2)
    assert wider(np.full(10, 0.3)) == 0.5  # no larger scale is likelier


def reading(*own: PooledRepeatability, **more: Any) -> tuple[list[str], list[str]]:
    found = check_repeatability(own, **more)
    return list(found.table["reading"]), [f.rule for f in found.flags]


def test_readings_of_pooled_scatter_beside_the_stated_one() -> None:
    assert reading(pooled(0.02)) == (["agrees with the stated value"], [])
    assert reading(pooled(0.02, published=NAN)) == (["no stated value"], [])
    assert reading(pooled(0.08)) == (["larger than stated: ask why"], ["repeatability"])
    assert reading(pooled(0.028)) == (["larger, by no more than chance among 1 rows"], [])
    words, flags = reading(pooled(0.008))
    assert words == ["smaller than stated beyond chance: the stated value judges"]
    assert flags == ["too good"]
    assert reading(pooled(0.008), coarse=("P",))[1] == []
    assert reading(pooled(0.0135))[0] == ["smaller, by no more than chance among 1 rows"]
    assert check_repeatability(()).note.startswith("not assessed")


def test_too_good_is_less_than_six_tenths_over_all_analytes_beyond_chance() -> None:
    """Half of the degrees of freedom are counted, and half of the chance of one in a hundred, for each of two kinds."""
    for ratio, df, told in ((0.59, 60, True), (0.61, 60, False), (0.5, 20, False), (0.3, 20, True)):
        chance = stats.chi2.cdf(df / 2 * ratio**2, df / 2)
        assert (ratio < 0.6 and chance < 0.005) == told
        assert (reading(pooled(0.02 * ratio, df=df))[1] == ["too good"]) == told
    assert "too good" in reading(pooled(0.011, df=30), pooled(0.011, df=30, analyte="Zn"))[1]  # together
    assert reading(pooled(0.006, kind="check fluid"))[1] == []


def test_the_scale_of_a_relative_analyte_is_a_share_of_its_middle_level() -> None:
    t = pd.DataFrame({"analyte": ["P", "P", "P", "K"], "value": [100.0, 200.0, 900.0, 5.0],
                      "relative": [True, True, True, False]})
    assert scale_s(study_of(), t, {"P": 4.0, "K": 2.0}) == {"P": 0.02, "K": 2.0}
    assert np.isnan(scale_s(study_of(), t, {})["P"])
