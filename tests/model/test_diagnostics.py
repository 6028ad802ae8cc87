"""Checks of the fitted models: what comes first in them, against rows by hand, scipy's t test and the chi-square limits."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import combinations
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from studykit.core.errors import DesignMismatch
from studykit.model import diagnostics as d
from studykit.model.fit import fit_analyte
from studykit.model.rows import model_rows
from studykit.study.definition import parse_study
from tests.model.test_fit import DEPTHS, fit, layered, study_of, tables_of
from tests.studies import definition


def residuals_of(**analytes: list[float]) -> pd.DataFrame:
    """A residual table whose normal scores are all zero, so that the largest residual lies furthest from its score."""
    return pd.concat([pd.DataFrame({"analyte": a, "standardised": v, "normal_score": 0.0, "residual": v, "fitted": 1.0})
                      for a, v in analytes.items()], ignore_index=True)


CHECKS = pd.DataFrame({"analyte": ["a", "b", "c"], "p normal": [0.4, 0.001, 0.9], "p size": [0.3, math.nan, 0.002]})


def test_the_least_normal_and_the_most_uneven_come_first_largest_first() -> None:
    """By hand: the smallest p of each check; an analyte without one is never the most uneven."""
    table = residuals_of(a=[1.0, 2.0], b=[0.5, -3.0, 2.0], c=[1.0, -1.5])
    normal, uneven = d.least_normal(table, CHECKS), d.most_uneven(table, CHECKS)
    assert list(normal["analyte"].unique()) == ["b"]
    assert list(normal["standardised"]) == [-3.0, 2.0, 0.5]
    assert list(uneven["analyte"].unique()) == ["c"]
    assert list(uneven["standardised"]) == [-1.5, 1.0]
    shifted = table.assign(normal_score=table["standardised"].where(table["standardised"] != 0.5, 9.0))
    assert d.least_normal(shifted, CHECKS)["standardised"].iloc[0] == 0.5  # by the distance from its score, not by size
    assert d.least_normal(table, CHECKS.iloc[:0]) is table
    assert d.most_uneven(table, CHECKS.iloc[:0]) is table


def test_a_check_is_read_with_every_analyte_counted() -> None:
    """Bonferroni: of one analyte p < 0.01 is told, of 20 p < 0.0005. Shapiro-Francia sees one of 40 residuals at 12 s."""
    rng = np.random.default_rng(4)

    def table(name: str, far: float) -> pd.DataFrame:
        v = rng.permutation(stats.norm.ppf((np.arange(40) + 0.5) / 40))
        v[0] = far
        score = stats.norm.ppf((stats.rankdata(v) - 0.375) / 40.25)
        return pd.DataFrame({"analyte": name, "residual": v, "standardised": v, "normal_score": score,
                             "fitted": rng.permutation(40) + 50.0})

    one = d.residual_checks(table("a", 12.0))
    assert one["residuals"].tolist() == [40]
    assert "further out than normal errors would" in one["reading"][0]
    calm = d.residual_checks(table("a", 0.1))
    assert calm["reading"][0] == "nothing to note"
    grown = table("a", 0.1).assign(fitted=lambda t: t["standardised"].abs())
    assert d.residual_checks(grown)["reading"][0] == "their size changes with the level"
    p = float(calm["p normal"][0])
    assert p * 20 > d.LOOK


def test_the_page_shows_twelve_rows() -> None:
    rows = d.first_twelve(residuals_of(a=list(np.linspace(3, 1, 30))))
    assert len(rows) == 12
    assert "residual" not in rows
    assert rows["standardised"].iloc[0] == 3.0
    assert d.first_twelve(residuals_of(a=[1.0]).assign(fitted=1.23456789))["fitted"].tolist() == ["1.2346"]  # five digits


@pytest.fixture(scope="module")
def one_off():
    """Nine containers, one of which is settled by 9 where the margin is 2.5: it leaves open what the others show within."""
    frame = layered(n=9, sd=0.004, seed=8)
    frame["value"] = 100 + (frame["value"] / frame.groupby("container")["value"].transform("mean") - 1) * 100
    frame.loc[(frame["container"] == "C4") & (frame["depth"] == "lower"), "value"] += 9
    return frame, fit(frame, DEPTHS, {"absolute": 2.5})[1]


def test_without_a_container_the_paired_t_of_the_others_is_left(one_off) -> None:
    """scipy's paired t test of the eight that are left, with its 90 % interval."""
    frame, model = one_off
    found = d.influence_of(model)
    a, b = model.pairs.widest.label.split(" - ")
    for by_hand in (found.table, replace(found, table=found.table).to_table()):
        for row in by_hand.to_dict("records"):
            wide = frame[frame["container"] != row["left_out"]].pivot(index="container", columns="depth", values="value")
            t = stats.ttest_rel(wide[a], wide[b])
            span = t.confidence_interval(0.9)
            assert (row["estimate"], row["low"], row["high"]) == pytest.approx(
                ((wide[a] - wide[b]).mean(), span.low, span.high), rel=1e-9)
    table = d.influence_table([model], {"y": found})
    assert list(table["largest shift, container"]) == ["C4"]
    half = (found.full["high"] - found.full["low"]) / 2
    own = found.table.set_index("left_out").loc["C4", "estimate"]
    assert float(table["largest shift, %"][0]) == pytest.approx(100 * (own - found.full["estimate"]) / half)
    rows = d.influence_rows({"y": found}, "y")
    assert rows["left out"].iloc[0] == "C4"
    assert float(rows["shift, %"].iloc[0]) == pytest.approx(float(table["largest shift, %"][0]))
    told = d.influence_rows({model.analyte: found}, model.analyte, [model])
    assert list(told)[1:5] == ["estimate", "low", "high", "unit"]
    assert set(told["unit"]) == {""}  # of a ratio, whose unit is written 1 and told as nothing
    assert d.influence_rows({}, "").empty


def test_subtraction_and_refitting_say_the_same(one_off) -> None:
    """What is known of every container without a refit is what the refit gives."""
    frame, model = one_off
    table = model.rows.table
    quick = d._by_subtraction(model)
    assert set(quick) == set(table["container"])
    for container, fast in quick.items():
        slow = d._again(model, table[table["container"] != container])
        assert list(fast.drop("verdict")) == pytest.approx(list(slow.drop("verdict")), rel=1e-9)
        assert fast["verdict"] == slow["verdict"]
    lots = {f"C{i}": "L1" if i < 5 else "L2" for i in range(9)}
    study = study_of(DEPTHS, {"absolute": 5}, fixed=["lot"], by_depth=["lot"])
    grouped = fit_analyte(study, "y", *tables_of(frame, lot=lots))
    for container, fast in d._by_subtraction(grouped).items():
        slow = d._again(grouped, grouped.rows.table[grouped.rows.table["container"] != container])
        assert list(fast.drop("verdict")) == pytest.approx(list(slow.drop("verdict")), rel=1e-9)
    with pytest.raises(DesignMismatch, match="too few containers are left"):
        d._again(model, table[table["container"] == "C0"])


def coarse(decimals: int, replicates: int = 1, sd: float = 0.02) -> pd.DataFrame:
    """Seven containers read in these decimals, one row lost of the third."""
    frame = layered(n=7, sd=sd, seed=3, replicates=replicates)
    frame["value"] = (frame["value"] / frame["value"].mean() * 50).round(decimals)
    return frame.drop(frame.index[frame["container"] == "C2"][0])


@pytest.mark.parametrize("replicates", [1, 2])
def test_the_rounding_step_without_a_container_is_that_of_the_others_alone(replicates: int) -> None:
    """A container read twice as finely as the others changes how they are written, and no other one does."""
    frame = coarse(0, replicates)
    frame.loc[frame["container"] == "C5", "value"] += 0.5
    model = fit(frame, DEPTHS, {"absolute": 5})[1]
    steps, same = d._rounding(model)
    quick = d._by_subtraction(model)
    assert [c for c, s in zip(model.cells.containers, same, strict=True) if not s] == ["C5"]
    assert "C5" not in quick
    for container, step, alike in list(zip(model.cells.containers, steps, same, strict=True))[2::3]:
        alone = fit(frame[frame["container"] != container], DEPTHS, {"absolute": 5})[1]
        assert alone.cells.step == pytest.approx(step if alike else 2 * step)


@pytest.mark.parametrize(("decimals", "sd", "known"), [(4, 0.02, 7), (1, 0.02, 7), (0, 0.004, 0)])
def test_what_is_known_without_a_refit_is_what_a_refit_gives_however_coarse(decimals: int, sd: float, known: int) -> None:
    model = fit(coarse(decimals, sd=sd), DEPTHS, {"absolute": 3})[1]
    table, quick = model.rows.table, d._by_subtraction(model)
    assert len(quick) == known
    for container, fast in quick.items():
        slow = d._again(model, table[table["container"] != container])
        assert list(fast.drop("verdict")) == pytest.approx(list(slow.drop("verdict")), rel=1e-9)
        assert fast["verdict"] == slow["verdict"]


def test_without_a_container_that_a_pair_needs_nothing_is_known() -> None:
    """Of three containers one has no uppermost zone: without another one a single difference from it is left."""
    frame = layered(n=3, sd=0.02, seed=3)
    frame = frame[(frame["container"] != "C1") | (frame["depth"] != "upper")]
    model = fit(frame, DEPTHS, {"absolute": 3})[1]
    assert set(d._by_subtraction(model)) == {"C1"}


def test_two_containers_are_not_left_out_and_the_closest_analyte_is_chosen(one_off) -> None:
    """By hand: the word of one hangs on a container; else the interval end nearest an edge, in widths of the interval."""
    frame, hanging = one_off
    calm = frame[frame["container"] != "C4"]
    far, near = (fit(calm, DEPTHS, {"absolute": m})[1] for m in (50, 1.5))
    assert far.word == near.word == "homogeneous"
    span = near.pairs.widest.interval(0.9)
    lean = replace(far, rows=replace(far.rows, margin=replace(far.rows.margin, low=-500.0, high=span.high + 1e-3)))
    named = [replace(m, rows=replace(m.rows, analyte=a)) for a, m in (("hanging", hanging), ("far", far), ("near", near),
                                                                      ("lean", lean))]
    found = d.influences(named[:3])
    assert set(found) == {"hanging", "far", "near"}
    found["lean"] = found["far"]
    assert found["hanging"].decisive == ("C4",)
    assert d.closest(named, found) == "hanging"
    assert d.closest(named[1:3], found) == "near"
    assert d.closest(named[1:], found) == "lean"  # one edge is near, the other far away
    assert d.closest([], found) == ""
    assert d.influences([fit(layered(n=2), DEPTHS, {"absolute": 5})[1]]) == {}
    assert d.influence_words({}) == "With fewer than three containers none can be left out."
    assert d.influence_words({"far": found["far"]}).startswith("No analyte's word on average changes")
    assert d.influence_words(found).startswith("- hanging: The verdict")


def stated(margin: dict[str, float], **repeatability: object):
    entry = {"unit": "1", "method": "a test", "margin": margin, "margin_reason": "for the test"}
    if repeatability:
        entry["repeatability"] = {"source": "a test", **repeatability}
    return parse_study(definition(factors={"depths": list(DEPTHS)}, analytes={"y": entry}))


@pytest.mark.parametrize("margin", [{"absolute": 50}, {"relative_percent": 20}])
def test_scatter_of_repeats_beside_the_stated_one(margin) -> None:
    """Pairs whose halves differ by 2 at a level of 100: s = sqrt(2), 12 degrees of freedom, limits by chi-square; per cent
    margin: of logarithms. Stated 1.4 agrees, 0.5 is exceeded, 5 is fallen short of."""
    rows = [(f"C{c}", z, 100 + 3 * c + x) for c in range(4) for z in DEPTHS for x in (-1.0, 1.0)]
    frame = pd.DataFrame(rows, columns=["container", "depth", "value"])
    log = "relative_percent" in margin
    halves = [math.log((101 + 3 * c) / (99 + 3 * c)) if log else 2.0 for c in range(4)]
    s = math.sqrt(sum(h**2 / 2 for h in halves) / 4)
    unit = 100 * math.sqrt(math.exp(s**2) - 1) if log else s
    bare = stated(margin)
    model = fit_analyte(bare, "y", *tables_of(frame))
    assert d.pooled_within(model) == pytest.approx((s, 12))
    for s_r, said in ((1.4, "agrees"), (0.5, "larger"), (5.0, "smaller")):
        study = stated(margin, s_r=s_r)
        (row,) = d.repeatability(study, [model]).to_dict("records")
        assert row["s found"] == pytest.approx(unit, rel=2e-3 if log else 1e-9)
        assert row["df"] == 12
        limits = [s * math.sqrt(12 / stats.chi2.isf(q, 12)) for q in (0.025, 0.975)]
        ratio = row["s found"] / s
        assert (row["low"], row["high"]) == pytest.approx([x * ratio for x in limits], rel=0.01)
        assert row["reading"].startswith(said)
        assert row["s stated"] == pytest.approx(100 * s_r / 104.5 if log else s_r, rel=5e-3)
    assert d.repeatability(bare, [model])["reading"].tolist() == ["no repeatability is stated"]
    equal = frame.assign(value=frame.groupby(["container", "depth"])["value"].transform("mean"))
    study = stated(margin, s_r=1.0)
    (row,) = d.repeatability(study, [replace(model, rows=model_rows(study, "y", *tables_of(equal)))]).to_dict("records")
    assert row["reading"].startswith("all repeats are equal")
    single = frame.drop_duplicates(["container", "depth"])
    model = replace(model, rows=model_rows(study, "y", *tables_of(single)))
    assert d.repeatability(study, [model]).empty
    assert d.pooled_within(model)[1] == 0


def test_the_closest_is_that_whose_interval_ends_nearest_an_edge_in_widths_of_it() -> None:
    """Of each two of five analytes, by scipy's paired t interval of 90 % and the distance of its nearer end."""
    models, away = {}, {}
    for i in range(5):
        frame = layered(n=5, sd=0.005 + 0.004 * (i % 3), gradient=0.004 * (i - 3), seed=20 + i)
        model = fit(frame, DEPTHS, {"absolute": 6})[1]
        a, b = model.pairs.widest.label.split(" - ")
        wide = frame.pivot(index="container", columns="depth", values="value")
        span = stats.ttest_rel(wide[a], wide[b]).confidence_interval(0.9)
        high = span.high + (0.3, -0.2, 0.5, -0.35, 0.1)[i] * (span.high - span.low)  # inside the interval and outside
        near, name = min(abs(end - edge) for end in (span.low, span.high) for edge in (high, -2 * high)), f"a{i}"
        models[name] = replace(model, rows=replace(model.rows, analyte=name,
                                                   margin=replace(model.rows.margin, low=-2 * high, high=high)))
        away[name] = near / (span.high - span.low)
    none = SimpleNamespace(decisive=())
    for one, other in combinations(models, 2):
        found = d.closest([models[one], models[other]], {one: none, other: none})  # type: ignore[dict-item]
        assert found == min((one, other), key=lambda a: away[a])


def test_repeats_scaled_by_a_power_of_two_agree_as_well_in_per_cent() -> None:
    """A level of 0.4 instead of 100: the margin and the stated precision in per cent say the same of both."""
    study = stated({"relative_percent": 5}, s_r_percent=1.0)
    frame = layered(n=4, replicates=2)
    rows = [d.repeatability(study, [fit_analyte(study, "y", *tables_of(frame.assign(value=frame["value"] * by)))])
            for by in (1.0, 2.0**-8)]
    assert len(rows[0]) == 1
    pd.testing.assert_frame_equal(*rows)


def test_where_not_every_container_was_left_out_the_table_and_the_sentence_say_so(monkeypatch) -> None:
    """Of 60 containers, one of which lacks a depth, eight are tried: the sentence had said "whichever"."""
    frame = layered(n=60, sd=0.004, seed=8)
    frame = frame[~((frame["container"] == "C3") & (frame["depth"] == "lower"))]
    model = fit(frame, DEPTHS, {"absolute": 2.5})[1]
    whole = {"y": d.influence_of(model)}
    assert "tried" not in d.influence_table([model], whole)
    assert d.influence_words(whole) == "No analyte's word on average changes, whichever single container is left out."
    monkeypatch.setattr(d, "EVERY", 50)
    monkeypatch.setattr(d, "FURTHEST", 8)
    some = {model.analyte: d.influence_of.__wrapped__(model)}
    table = d.influence_table([model], some)
    assert list(table["tried"]) == ["8 of 60"]
    assert "of y the 8 of 60 containers that lie furthest out" in d.influence_words({"y": some[model.analyte]})
    kept = set(some[model.analyte].table["left_out"])
    rest = whole["y"].table.set_index("left_out").loc[sorted(kept)]
    np.testing.assert_allclose(rest["estimate"], some[model.analyte].table.set_index("left_out").loc[sorted(kept), "estimate"])
    shifts = whole["y"].table.set_index("left_out")["shift"].abs()
    assert shifts.idxmax() in kept
