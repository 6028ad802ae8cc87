"""Mass balance: zone weights by shape and density, closure with interval, impossible closures."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from studykit.quality import massbalance
from studykit.quality.flags import CheckResult, Scatter, working_table
from tests.quality_cases import ANALYTES, Case, build, study_of

UNIT = {a: Scatter(s=level * s, source="invented") for a, (level, s, _, _) in ANALYTES.items()}
PAIL = {"vessel": "pail", "liquid_height_mm": 320.0}


def balance(case: Case) -> CheckResult:
    return massbalance.mass_balance(case.study, case.containers, case.samples, working_table(*case.tables()), UNIT)


def test_shares_of_a_frustum_by_hand() -> None:
    """Thirds of a pail 270/300 mm wide over 360 mm, filled to 320 mm: cone slices h/3 (R^2 + R r + r^2)."""
    share, words = massbalance.zone_shares(study_of(), PAIL, [5 / 6, 1 / 2, 1 / 6])
    edge = [135 + 15 * h / 360 for h in (320, 640 / 3, 320 / 3, 0)]
    slices = np.array([a * a + a * b + b * b for a, b in pairwise(edge)])
    assert share == pytest.approx(slices / slices.sum(), rel=1e-9)
    assert words == "volume of the vessel"


def test_unknown_shape_falls_back_on_height_and_says_so() -> None:
    share, words = massbalance.zone_shares(study_of(), {"vessel": ""}, [0.25, 0.75])
    assert share == pytest.approx([0.5, 0.5])
    assert words == "height; the shape is not known"


def test_density_weights_of_a_settled_slurry() -> None:
    """A keg of five zones: plain mean 21.3, mass-weighted 22.0 (invented scenario, recomputed by hand)."""
    solids = np.array([6.1, 16.3, 21.8, 24.5, 37.7])
    density = [1040.0, 1105.0, 1143.0, 1163.0, 1270.0]
    share, words = massbalance.zone_shares(study_of(), {"vessel": ""}, [0.9, 0.7, 0.5, 0.3, 0.1], density)
    assert words.startswith("mass")
    assert round(float(solids.mean()), 1) == 21.3
    assert round(float(share @ solids), 1) == 22.0


def test_one_zone_is_the_whole() -> None:
    share, _ = massbalance.zone_shares(study_of(), PAIL, [0.4])
    assert share.tolist() == [1.0]


def test_misuse_of_heights() -> None:
    with pytest.raises(ValueError, match="heights must be distinct"):
        massbalance.zone_shares(study_of(), PAIL, [])
    with pytest.raises(ValueError, match="heights must be distinct"):
        massbalance.zone_shares(study_of(), PAIL, [0.5, 0.5])


def test_a_clean_study_closes_and_intervals_cover() -> None:
    check = balance(build(1))
    assert check.flags == ()
    assert len(check.table) == 3 * len(ANALYTES)
    inside = (check.table["low_percent"] < 100) & (check.table["high_percent"] > 100)
    # 18 intervals of 95 %: fewer than 14 inside has a chance below 0.001
    assert inside.sum() >= 14


def test_interval_by_hand() -> None:
    check = balance(build(1))
    row = check.table[check.table["analyte"] == "P"].iloc[0]
    share, _ = massbalance.zone_shares(study_of(), PAIL, [0.83, 0.5, 0.17])
    # the first containers have a duplicate in one zone, so one of the three means is of two
    sd = [UNIT["P"].s * np.sqrt(np.sum(share**2 / n) + 1) for n in ([2, 1, 1], [1, 2, 1], [1, 1, 2])]
    half = (row["high_percent"] - row["low_percent"]) / 2 / 100 * row["whole"]
    t = working_table(*build(1).tables())
    own = t[(t["analyte"] == "P") & (t["container"] == row["container"]) & (t["depth"] != "")]
    half -= massbalance.STEEP * np.ptp(own.groupby("depth")["value"].mean())
    assert min(abs(half - 1.959964 * s) for s in sd) < 1e-4 * half


def test_chances_of_more_and_of_less_by_hand() -> None:
    """From the normal table: how far the zones' sum lies from the whole, in standard deviations and half of what may bend."""
    t = balance(build(1)).table
    added = (t["high_percent"] - t["low_percent"]) / 2 - 1.959964 * t["sd_percent"]
    assert (added >= 0).all()
    z = (t["closure_percent"] - 100) / (t["sd_percent"] + added / 2)
    assert t["p_more"].to_numpy() == pytest.approx(stats.norm.sf(z), abs=1e-5)
    assert t["p_less"].to_numpy() == pytest.approx(stats.norm.cdf(z), abs=1e-5)
    assert (t["closure_percent"].gt(100) == t["p_more"].lt(t["p_less"])).all()


def test_a_container_that_lacks_a_zone_has_no_balance() -> None:
    case = build(1)
    own = case.samples.loc[(case.samples["container"] == "C02") & (case.samples["depth"] == "lower"), "sample"]
    case.results = case.results[~case.results["sample"].isin(own)].reset_index(drop=True)
    assert set(balance(case).table["container"]) == {"C01", "C03"}


def test_more_than_was_filled_is_impossible() -> None:
    case = build(2)
    case.multiply(str(case.samples.loc[(case.samples["container"] == "C02") & (case.samples["kind"] == "composite"),
                                       "sample"].iloc[0]), "Ca", 0.8)
    flags = balance(case).flags
    assert ("container C02", "Ca", "ask before trusting") in {(f.where, f.analyte, f.concern) for f in flags}
    assert any("more than was filled cannot be" in f.evidence for f in flags)


def test_loss_to_the_floor_is_said() -> None:
    case = build(3)
    for c in ("C01", "C02", "C03"):
        whole = case.samples[(case.samples["container"] == c) & (case.samples["kind"] == "composite")]
        case.multiply(str(whole["sample"].iloc[0]), "S", 1.06)
    (flag,) = [f for f in balance(case).flags if f.analyte == "S"]
    assert flag.rule == "less than was filled"
    assert "on the floor or the walls" in flag.evidence


def test_without_a_whole_nothing_is_claimed() -> None:
    case = build(4)
    keep = case.samples.loc[case.samples["kind"] != "composite", "sample"]
    case.results = case.results[case.results["sample"].isin(keep)].reset_index(drop=True)
    check = balance(case)
    assert check.table.empty
    assert "do not show that nothing lies on the floor" in check.note


def kept_from_filling(case: Case, lot: str) -> str:
    """Make the composite of the first container the kept sample of a lot, and drop every other composite."""
    s = case.samples.assign(lot="")
    first, *others = s.loc[s["kind"] == "composite", "sample"]
    s.loc[s["sample"] == first, ["kind", "container", "lot"]] = ["retained", "", lot]
    case.samples = s[~s["sample"].isin(others)].reset_index(drop=True)
    case.results = case.results[~case.results["sample"].isin(others)].reset_index(drop=True)
    return str(first)


def test_a_sample_kept_from_filling_is_the_whole_of_its_lot() -> None:
    case = build(5)
    kept_from_filling(case, "L1")
    t = balance(case).table
    stored = case.containers[case.containers["treatment"].isin(("", "stored")) & (case.containers["lot"] == "L1")]
    assert set(t["container"]) == set(stored["container"])  # not the controls, whose content was changed
    assert set(t["whole_is"]) == {massbalance.OF_THE_LOT}
    assert balance(case).flags == ()
    other = build(5)
    kept_from_filling(other, "another lot")
    assert balance(other).table.empty


def test_loss_since_filling_is_said_and_an_error_of_the_kept_sample_is_not_counted_once_a_container() -> None:
    lost, off = build(6), build(6)
    lost.multiply(kept_from_filling(lost, "L1"), "S", 1.5)
    (flag,) = [f for f in balance(lost).flags if f.analyte == "S"]
    assert flag.rule == "less than was filled"
    assert "of the sample kept from the filling of the lot" in flag.evidence
    s = ANALYTES["S"][1]
    off.multiply(kept_from_filling(off, "L1"), "S", 1 + 2 * s)  # two standard deviations: common in one bottle
    assert [f for f in balance(off).flags if f.analyte == "S"] == []


def test_a_whole_is_the_mean_of_its_determinations_and_one_determined_thrice_is_known_better() -> None:
    case = build(1)
    whole = case.samples[(case.samples["container"] == "C01") & (case.samples["kind"] == "composite")]["sample"].iloc[0]
    own = case.results[(case.results["sample"] == whole) & (case.results["analyte"] == "P")]
    more = [own.assign(replicate=k, value=own["value"] * x) for k, x in ((2, 1.0), (3, 1.03))]
    case.results = pd.concat([case.results, *more], ignore_index=True)
    rows = [balance(c).table.query("analyte == 'P' and container == 'C01'").iloc[0] for c in (build(1), case)]
    assert rows[1]["whole"] == pytest.approx(1.01 * rows[0]["whole"])
    squares = [(r["sd_percent"] * r["whole"] / 100 / UNIT["P"].s) ** 2 for r in rows]
    assert squares[0] - squares[1] == pytest.approx(1 - 1 / 3)


def test_shares_are_weighed_by_density_only_where_each_is_known() -> None:
    study, heights = study_of(), [5 / 6, 1 / 2, 1 / 6]
    plain, words = massbalance.zone_shares(study, PAIL, heights)
    heavy, mass = massbalance.zone_shares(study, PAIL, heights, [1.0, 1.0, 2.0])
    assert heavy == pytest.approx(plain * [1, 1, 2] / (1 + plain[2]))
    assert mass == f"mass ({words})"
    some = massbalance.zone_shares(study, PAIL, heights, [1.0, np.nan, 2.0])
    assert some[0] == pytest.approx(plain)
    assert some[1] == words


def test_a_level_that_was_not_measured_follows_from_the_volume_filled() -> None:
    study, heights = study_of(), [5 / 6, 1 / 2, 1 / 6]
    known, _ = massbalance.zone_shares(study, PAIL, heights)
    litres = study.vessels["pail"].volume_l(320.0)
    filled, words = massbalance.zone_shares(study, {"vessel": "pail", "fill_volume_l": float(litres)}, heights)
    assert filled == pytest.approx(known, rel=1e-6)
    assert words == "volume of the vessel"
    for nothing in ({}, {"fill_volume_l": np.nan}, {"fill_volume_l": None}, {"fill_volume_l": "full"}):
        share, words = massbalance.zone_shares(study, {"vessel": "pail", **nothing}, heights)
        assert share == pytest.approx([1 / 3] * 3)
        assert words == "height; the level is not known"


def test_chances_of_closures_together_by_their_definitions() -> None:
    closure = np.array([97.0, 99.0, 98.5, 96.0])
    g = pd.DataFrame({"closure_percent": closure, "sd_percent": 2.0, "df": 9.0, "whole_is": "composite", "p_less": 0.5})
    t = (closure - 100).sum() / (2.0 * 2)  # four independent ones: 2 sqrt(4)
    assert massbalance._p_together(g) == pytest.approx(2 * stats.t.sf(abs(t), 9))
    shared = g.assign(whole_is=massbalance.OF_THE_LOT)
    assert massbalance._p_together(shared) == pytest.approx(2 * stats.t.sf(abs((closure - 100).sum() / 8.0), 9))
    stated = g.assign(p_less=np.nan)
    assert massbalance._p_together(stated) == pytest.approx(stats.ttest_1samp(closure, 100.0).pvalue)
    assert np.isnan(massbalance._p_together(stated[:2]))
    assert np.isfinite(massbalance._p_together(stated[:3]))
    assert np.isnan(massbalance._p_together(stated.assign(closure_percent=99.0)))


def test_shares_worked_out_once_are_nobodys_to_change() -> None:
    """Containers of one shape, level and heights get the same shares, each a copy of its own."""
    first, _ = massbalance.zone_shares(study_of(), PAIL, [0.9, 0.5, 0.1])
    before = first.copy()
    first[:] = 0.0
    assert massbalance.zone_shares(study_of(), PAIL, [0.9, 0.5, 0.1])[0].tolist() == before.tolist()
    lower = PAIL | {"liquid_height_mm": 200.0}
    assert massbalance.zone_shares(study_of(), lower, [0.9, 0.5, 0.1])[0].tolist() != before.tolist()
