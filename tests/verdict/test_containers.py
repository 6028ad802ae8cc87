"""Containers one by one and by group: contrasts by hand, pooled scatter by numpy, shares by counting."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from studykit.inference.equivalence import Contrast
from studykit.inference.margin import Margin
from studykit.model import tables as model_tables
from studykit.model.fit import fit_analyte, fit_rows
from studykit.verdict import containers
from tests.model.test_fit import study_of, tables_of
from tests.verdict_cases import calm, make

DEPTHS = ("upper", "lower")
# bottom minus top of eight containers, by store: skewed, so that no median is a mean
OWN = {"north": (1.0, 2.0, 9.0, 4.0), "south": (-3.0, 0.5, -8.0, -1.5)}
MARGIN = 2.5


def study(**factors):
    return study_of(DEPTHS, {"absolute": MARGIN}, **factors)


def fitted(what, *, ages=None, own=OWN):
    """The model of containers whose contrasts are exactly those of ``own``."""
    rows, store = [], {}
    for name, contrasts in own.items():
        for k, d in enumerate(contrasts):
            code = f"{name[0].upper()}{k}"
            store[code] = name
            rows += [(code, "upper", 100.0 + 3 * k), (code, "lower", 100.0 + 3 * k + d)]
    extra = {"store": store} | ({"age_months": ages} if ages else {})
    frame = pd.DataFrame(rows, columns=["container", "depth", "value"])
    return fit_analyte(what, "y", *tables_of(frame, **extra))


def test_own_contrasts_stand_in_order_of_size_whatever_their_sign():
    t = containers.own_contrasts(fitted(study()))
    assert t["contrast"].tolist() == pytest.approx([9.0, -8.0, 4.0, -3.0, 2.0, -1.5, 1.0, 0.5])
    assert t["container"].tolist() == ["N2", "S2", "N3", "S0", "N1", "S3", "N0", "S1"]


def test_any_factor_makes_groups_and_a_number_of_ones_own_makes_none():
    """The same numbers whatever the factor is called; a study with drums upright and lying once ended here."""
    plain = study(fixed=["store"], by_depth=["store"])
    expected, _ = containers.group_contrasts(fitted(plain), plain)
    columns = {"warmth": {"unit": "degC"}, "cap": {"levels": ["north", "south"]}}
    for name in ("orientation", "cap"):
        what = study(fixed=[name, "warmth"], by_depth=[name, "warmth"], columns=columns)
        rows, facts = [], {}
        for word, contrasts in OWN.items():
            for k, d in enumerate(contrasts):
                facts[f"{word[0].upper()}{k}"] = word
                code, level = f"{word[0].upper()}{k}", 100.0 + 3 * k
                rows += [(code, "upper", level), (code, "lower", level + d)]
        frame = pd.DataFrame(rows, columns=["container", "depth", "value"])
        warm = {c: float(i % 5) for i, c in enumerate(facts)}
        table, _ = containers.group_contrasts(fit_analyte(what, "y", *tables_of(frame, **{name: facts, "warmth": warm})), what)
        pd.testing.assert_frame_equal(table.rename(columns={name: "store"}), expected)


def test_groups_have_their_mean_and_their_own_scatter():
    """Mean and t interval from the group's own standard deviation, numpy and scipy's quantile."""
    what = study(fixed=["store"], by_depth=["store"])
    table, note = containers.group_contrasts(fitted(what), what)
    table = table.set_index("store")
    for name, values in OWN.items():
        assert table.loc[name, "containers"] == 4
        assert table.loc[name, "bottom - top"] == pytest.approx(np.mean(values))
        level = 0.05 / 2 if abs(np.mean(values)) > MARGIN else 0.05  # two groups share alpha
        half = stats.t.isf(level, 3) * np.std(values, ddof=1) / 2
        assert table.loc[name, "high"] - table.loc[name, "low"] == pytest.approx(2 * half)
    assert note == ""


def test_a_group_of_two_that_cannot_be_told_has_its_mean_and_unit_and_no_interval():
    """By hand: (1 + 4) / 2 = 2.5 against 2.5; of two containers the interval is +-6.3 SE, which says nothing."""
    what = study(fixed=["store"], by_depth=["store"])
    table, _ = containers.group_contrasts(fitted(what, own={"north": OWN["north"], "south": (1.0, 4.0)}), what)
    row = table.set_index("store").loc["south"]
    assert (row["containers"], row["bottom - top"], row["unit"]) == (2, pytest.approx(2.5), table["unit"].iloc[0])
    assert table["unit"].nunique() == 1
    assert row["interval lies"] == containers.TWO
    assert np.isnan([row["low"], row["high"]]).all()


def test_shares_are_counted_in_per_cent_to_a_tenth():
    m = fitted(study())
    row = containers.shares(study(), [m]).iloc[0]
    beyond = sum(abs(d) > MARGIN for v in OWN.values() for d in v)
    assert row["seen beyond, %"] == 100 * beyond / 8 == 50.0
    assert row["containers"] == 8
    assert 50.0 < row["at most, %"] <= 100.0
    assert row["share, noise taken out, %"] == round(row["share, noise taken out, %"], 1)
    # by normal tables of mean 0.5 and the standard deviation of the eight, with no noise known
    values = np.concatenate([np.array(v) for v in OWN.values()])
    spread = stats.norm(values.mean(), values.std(ddof=1))
    assert row["share, noise taken out, %"] == pytest.approx(100 * (spread.sf(MARGIN) + spread.cdf(-MARGIN)), abs=0.051)


@pytest.mark.parametrize(("own", "told"), [((1.0, 4.0), False), ((1.0, 4.0, 2.0), True)])
def test_of_two_containers_no_share_is_told_as_if_they_were_normal(own, told):
    row = containers.shares(study(), [fitted(study(), own={"north": own})]).iloc[0]
    assert [bool(np.isfinite(row[c])) for c in ("share, noise taken out, %", "at most, were they normal, %")] == [told] * 2


def test_shares_of_a_calm_stock_of_which_zones_were_lost():
    """Eight of three zones within 1 %, margin 5 %: none beyond; one lacks the top, one the floor, one its middle alone."""
    three = ("upper", "middle", "lower")
    rows = [(f"C{c}", d, 100.0 + 0.1 * ((c * 7 + 3 * k) % 8)) for c in range(8) for k, d in enumerate(three)
            if (c, d) not in {(0, "upper"), (1, "lower"), (2, "middle")}]
    what = study_of(three, {"relative_percent": 5})
    m = fit_analyte(what, "y", *tables_of(pd.DataFrame(rows, columns=["container", "depth", "value"])))
    row = containers.shares(what, [m]).iloc[0]
    assert (row["containers"], row["seen beyond, %"], row["with both ends"]) == (8, 0.0, 6)


@pytest.mark.parametrize(("share", "told"), [(0.0, 0.1), (0.2, 20.0), (0.2001, 20.1), (0.20099, 20.1), (1.0, 100.0)])
def test_an_upper_bound_is_never_rounded_down(share, told):
    assert containers.rounded_up(share) == pytest.approx(told)


def test_noise_from_zones_determined_twice_is_the_residual_over_results_a_depth():
    rng = np.random.default_rng(4)
    cells = [(f"C{c}", d, 100 + rng.normal(0, 5)) for c in range(6) for d in DEPTHS]
    rows = [(c, d, level + rng.normal(0, 1)) for c, d, level in cells for _ in range(2)]
    m = fit_analyte(study(), "y", *tables_of(pd.DataFrame(rows, columns=["container", "depth", "value"])))
    noise, df, source = containers.noise_of(study(), m)
    # a difference of two means of two determinations: 2 s^2 / 2, with one degree of freedom for each of 12 zones
    pairs = np.array([r[2] for r in rows]).reshape(12, 2)
    assert noise == pytest.approx(math.sqrt(pairs.var(axis=1, ddof=1).mean()), rel=1e-6)
    assert (df, source) == (12.0, "zones determined twice")


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("beyond", [None, 0.01])
@pytest.mark.parametrize("alpha", [0.05, 0.1])
def test_an_interval_lies_inside_beyond_or_across(alpha, beyond, sign):
    """Student's quantiles at 9 df: just inside and just over the edge, and beyond by the smaller level where one is given."""
    inner, outer = (0.2 * float(stats.t.isf(p, 9)) for p in (alpha, beyond or alpha))
    inside, across = "inside the margin", containers.ACROSS
    for estimate, word in ((2.5 - 1.001 * inner, inside), (2.5 - 0.999 * inner, across), (2.5, across),
                           (2.5 + 0.999 * outer, across), (2.5 + 1.001 * outer, containers.BEYOND)):
        contrast = Contrast(label="x", estimate=sign * estimate, se=0.2, df=9)
        assert containers.place(contrast, Margin.absolute(2.5), alpha, beyond) == word


def test_groups_of_all_fitted_analytes_stand_in_one_table():
    what = study(fixed=["store"], by_depth=["store"])
    first = fitted(what)
    table = containers.groups(what, [first, first])
    assert table.columns[0] == "analyte"
    assert table["analyte"].tolist() == [first.analyte] * 4
    assert table["store"].tolist() == ["north", "south"] * 2
    assert "note" not in table
    few = fitted(what, own={"north": (1.0, 2.0), "south": (1.0, 4.0)})
    assert list(containers.groups(what, [few]).columns) == ["analyte"]


def test_groups_are_made_by_factors_of_the_study_that_have_levels():
    two = fitted(study(fixed=["store"], by_depth=["store"]))
    one = fitted(study(fixed=["store"], by_depth=["store"]), own={"north": (1.0, 2.0, 9.0)})
    for model, names, levels in ((two, ["store"], ["store"]), (two, ["lot", "store"], ["store"]), (one, ["store"], []),
                                 (two, [], [])):
        assert containers._grouping(model, study(fixed=names, by_depth=names)) == levels
    own = dataclasses.replace(two, notes=(containers.OWN_TERMS,), fixed=("store",))  # terms of the reader's own tell them apart
    assert containers._grouping(own, study(fixed=["lot", "store"], by_depth=["lot", "store"])) == ["store"]
    assert containers._grouping(dataclasses.replace(own, fixed=()), study(fixed=["store"], by_depth=["store"])) == []


def test_a_group_with_a_container_known_only_as_a_limit_is_not_said_to_lie_anywhere():
    """The rest of a group does not speak for a pail that reads "<300": it may lie on either side."""
    what = study(fixed=["store"], by_depth=["store"])
    rows = fitted(what).rows
    table = rows.table.copy()
    first = (table["container"] == "S0") & (table["depth"] == "upper")
    table.loc[first, ["qualifier", "limit"]] = ["<", 300.0]
    table.loc[first, ["value", "y"]] = np.nan
    plain, _ = containers.group_contrasts(fitted(what), what)
    told, _ = containers.group_contrasts(fit_rows(what, dataclasses.replace(rows, table=table, censored=1)), what)
    assert containers.ONLY_LIMIT not in set(plain["interval lies"])
    assert told.set_index("store")["interval lies"].eq(containers.ONLY_LIMIT).to_dict() == {"north": False, "south": True}


@pytest.mark.parametrize(("limit", "many", "word"), [(4.0, 5, containers.BEYOND), (90.0, 5, containers.ONLY_LIMIT),
                                                     (4.0, 2, containers.BEYOND), (4.0, 1, containers.ONLY_LIMIT)])
def test_a_group_that_no_filling_brings_back_is_beyond(limit, many, word):
    """Five pails of 100 above and "<4" below are 96 lower at least: the report said nothing of their store, ``judge`` did."""
    what = study(fixed=["store"], by_depth=["store"])
    own = {"north": (1.0, -1.0, 0.5, 0.0, -0.5), "south": (0.0,) * many}
    rows = fitted(what, own=own).rows
    table = rows.table.copy()
    low = table["container"].str.startswith("S") & (table["depth"] == "lower")
    table.loc[low, ["qualifier", "limit"]] = ["<", limit]
    table.loc[low, ["value", "y"]] = np.nan
    told, _ = containers.group_contrasts(fit_rows(what, dataclasses.replace(rows, table=table, censored=many)), what)
    south = told.set_index("store").loc["south"]
    assert south["interval lies"] == word  # between 0 and 90 they may scatter too much for a t interval
    assert math.isnan(south["bottom - top"])
    level = sum(100 + 3 * k for k in range(many)) / many
    assert math.isnan(south["low"]) if many == 1 else south["low"] < 1 - level  # on average, where all have nothing below
    assert south["containers"] == many


def test_a_lot_without_a_complete_container_says_so_and_the_others_stay():
    """The table of groups was empty for all lots: the model that tells lots apart could not be fitted."""
    what = study(fixed=["lot"], by_depth=["lot"])
    rng, rows, lot = np.random.default_rng(6), [], {}
    for name, end in (("A", 0.0), ("B", 8.0), ("C", 0.0)):
        for k in range(5):
            lot[f"{name}{k}"] = name
            rows += [(f"{name}{k}", "upper", 100 + rng.normal(0, 0.2))]
            rows += [] if name == "C" else [(f"{name}{k}", "lower", 100 + end + rng.normal(0, 0.2))]
    frame = pd.DataFrame(rows, columns=["container", "depth", "value"])
    table, _ = containers.group_contrasts(fit_analyte(what, "y", *tables_of(frame, lot=lot)), what)
    told = table.set_index("lot")
    assert told["interval lies"].to_dict() == {"A": "inside the margin", "B": "beyond the margin", "C": containers.NO_ENDS}
    assert told.loc["C", ["bottom - top", "low", "high"]].isna().all()
    assert told["containers"].to_dict() == {"A": 5, "B": 5, "C": 5}


def test_a_whole_store_is_named_where_its_ages_are_too_few_each():
    """Twelve pails of a hut at +65 with a margin of 50, two of each age: found by somebody who had not seen the code."""
    what = study_of(DEPTHS, {"absolute": 50}, fixed=["store", "age_months"], by_depth=["store", "age_months"])
    rng = np.random.default_rng(5)
    rows, store, age = [], {}, {}
    for k in range(24):
        code = f"D{k}"
        store[code], age[code] = ("hut", "valley")[k % 2], float(2 + 6 * (k // 4))
        rows += [(code, "upper", 300.0), (code, "lower", 300 + (65 if k % 2 == 0 else 0) + rng.normal(0, 12))]
    frame = pd.DataFrame(rows, columns=["container", "depth", "value"])
    table, _ = containers.group_contrasts(fit_analyte(what, "y", *tables_of(frame, store=store, age_months=age)), what)
    alone = table[table["age_months"].isna()].set_index("store")
    assert alone["containers"].to_dict() == {"hut": 12, "valley": 12}
    assert alone["interval lies"].to_dict() == {"hut": "beyond the margin", "valley": "inside the margin"}
    outside = table[table["interval lies"] == "across its edge"]
    assert ((outside["low"] < 50) & (outside["high"] > -50)).all()  # no interval beyond the margin beside these words


def test_groups_are_compared_where_three_containers_stand_beside_another_of_their_group():
    """Three and two of two stores: five less two groups are three; two and two less two are two, and two are too few."""
    held = pd.DataFrame({"store": [*"NNNSSS"], "age_months": [1, 1, 2, 1, 1, 1], "ends": [True] * 5 + [False]})
    assert containers._spare(held, ["store"]) == 3
    assert containers._spare(held, ["store", "age_months"]) == 2
    assert containers._spare(held.iloc[1:], ["store"]) == 2
    what = study(fixed=["store"], by_depth=["store"])
    for south, compared in (((-3.0, 0.5), True), ((-3.0,), False)):
        table, note = containers.group_contrasts(fitted(what, own={"north": (1.0, 2.0, 9.0), "south": south}), what)
        assert (len(table) > 0, note == "") == (compared, compared)


def test_groups_of_young_containers_are_named_by_their_own_ages():
    """7 and 30 days were told as 6 and 30: tenths of a month group them, and named them too."""
    what, a_day = study(fixed=["age_months"], by_depth=["age_months"]), 12 / 365.2425
    ages = {f"{s}{k}": (7 if s == "N" else 30) * a_day for s in "NS" for k in range(4)}
    table, _ = containers.group_contrasts(fitted(what, ages=ages), what)
    assert [containers.group_name(r) for r in table.to_dict("records")] == ["7 days", "30 days"]


def test_a_group_that_is_not_told_apart_by_store_or_age_says_so():
    """"store north, 29 months; 29 months" named a cell and all stores of one age alike."""
    rows = [{"store": "north", "age_months": 29.0}, {"store": np.nan, "age_months": 29.0},
            {"store": "north", "age_months": pd.NA}, {"lot": "A", "store": np.nan}, {"store": "north", "lot": ""},
            {"orientation": "lying", "containers": 3, "note": "x", "analyte": "Mo"}, {"store": "north", "drum": "steel"},
            {"store": "north", "drum": np.nan}, {"age_months": 12, "drum": "steel", "lot": "A"}]
    assert [containers.group_name(r) for r in rows] == [
        "store north, 29 months", "29 months, all stores", "store north, all ages", "lot A, all stores", "store north",
        "orientation lying", "store north, drum steel", "store north, every drum", "lot A, drum steel, 12 months"]


@pytest.mark.parametrize(("young", "told"), [(True, [0.3, 1.0, 12.3]), (False, [0, 1, 12])])
def test_ages_are_grouped_by_months_or_where_all_are_young_by_tenths(young, told):
    assert containers._months(pd.Series([0.26, 1.04, 12.349]), young).tolist() == told


def test_a_group_with_limits_is_told_by_its_ends_and_not_by_the_middle():
    """Three zones: the middle 60 lower, the floor "<4" of 100: by hand at least 96 and at most 100 lower on average."""
    what = study_of(("upper", "middle", "lower"), {"absolute": MARGIN}, fixed=["store"], by_depth=["store"])
    codes = {f"{s}{k}": s for s in "NS" for k in range(4)}
    frame = pd.DataFrame([(c, z, 100.0 - drop + 0.5 * int(c[1]) * (s == "N")) for c, s in codes.items() for z, drop in (
        ("upper", 0), ("middle", 60 if s == "S" else 0), ("lower", 0.1 * int(c[1])))], columns=["container", "depth", "value"])
    rows = fit_analyte(what, "y", *tables_of(frame, store=codes)).rows
    table = rows.table.copy()
    low = table["container"].str.startswith("S") & (table["depth"] == "lower")
    table.loc[low, ["qualifier", "limit"]] = ["<", 4.0]
    table.loc[low, ["value", "y"]] = np.nan
    told, _ = containers.group_contrasts(fit_rows(what, dataclasses.replace(rows, table=table, censored=4)), what)
    south = told.set_index("store").loc["S"]
    t = stats.t.isf(0.05, 3)  # two of four at either end of their limits: mean 2, variance 16 / 3
    assert south["low"] <= -98 - t * math.sqrt(16 / 3) / 2 <= south["low"] + 3
    assert south["high"] - 3 <= -98 + t * math.sqrt(16 / 3) / 2 <= south["high"]
    assert south["interval lies"] == containers.BEYOND


@pytest.mark.parametrize(("m", "stated", "twice"), [
    (2, {}, True), (1, {"repeatability": {"r": 1.0, "source": "a test"}}, False)])
def test_limits_count_in_the_noise_only_where_it_is_that_of_determinations(tmp_path, monkeypatch, m, stated, twice):
    """What is asked of single containers and of their share: with the span that limits leave to the noise, or without."""
    cells = {c: {d: [v[0] + 0.1 * k for k in range(m)] for d, v in zones.items()} for c, zones in calm(6).items()}
    stage = make(tmp_path / "s", cells, margin={"absolute": 5}, **stated)
    (model,) = model_tables.fit_all(stage)
    asked: list[object] = []
    for name in ("containers_beyond", "may_lie_beyond"):
        whole = getattr(containers, name)
        monkeypatch.setattr(containers, name, lambda *a, twice, whole=whole: asked.append(twice) or whole(*a, twice=twice))
    bound = containers.share_upper
    monkeypatch.setattr(containers, "share_upper", lambda *a, noise_span, **k: asked.append(noise_span is not None) or bound(
        *a, noise_span=noise_span, **k))
    containers.stock_of(stage.study, model)
    assert asked == [twice] * 3
