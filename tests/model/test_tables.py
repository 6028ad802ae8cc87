"""Tables of the model stage: rows as they entered, and the model in R's notation and in words."""

from __future__ import annotations

import csv
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from studykit.model import tables
from studykit.model.tables import fit_all
from tests.verdict_cases import calm, make


def test_a_limit_is_listed_as_a_limit(tmp_path):
    cells = calm(6)
    cells["C2"]["lower"] = ["<40"]
    stage = make(tmp_path / "s", cells, margin={"absolute": 60.0})
    models = fit_all(stage)
    stage.out.mkdir(parents=True, exist_ok=True)
    tables.save_rows(stage, models)
    rows = list(csv.DictReader((stage.out / "rows-P.csv").read_text(encoding="utf-8").splitlines()))
    limit = [r for r in rows if r["qualifier"]]
    assert [(r["value"], r["qualifier"], r["limit"], r[tables.ENTERED]) for r in limit] == [("", "<", "40.0", "as a limit")]
    assert sum(r[tables.ENTERED] == "yes" for r in rows) == len(models[0].rows.measured) == len(rows) - 1
    assert all(r["value"] for r in rows if r[tables.ENTERED] == "yes")


def test_rows_of_an_analyte_that_was_not_assessed_entered_no_fit(tmp_path):
    cells = {c: {d: ["<5"] for d in depths} for c, depths in calm(4).items()}
    stage = make(tmp_path / "s", cells)
    models = fit_all(stage)
    assert models[0].path == "not assessed"
    assert set(tables.rows_listed(models[0])[tables.ENTERED]) == {"no"}
    assert tables.notation(models[0]) == ""
    assert tables.terms_in_words(stage.study, models) == "No mixed model was fitted."


def test_a_model_is_told_in_r_notation_and_in_words(tmp_path):
    stage = make(tmp_path / "s", calm(6))
    models = fit_all(stage)
    text = tables.terms_in_words(stage.study, models)
    assert text.startswith("- P: `log(value) ~ depth + (1 | container)`, that is a level for each depth, and random scatter "
                           "between containers, between determinations.")


def test_interactions_with_depth_and_age_are_named(tmp_path):
    stage = make(tmp_path / "s", calm(8))
    fitted = fit_all(stage)[0]
    told = replace(fitted, fixed=("depth", "store", "depth:store", "age_months"))
    assert tables.notation(told) == "log(value) ~ depth + store + depth:store + age_months + (1 | container)"
    assert "each depth and each store, a straight line in months of age, differences between depths of their own by store" in (
        tables.terms_in_words(stage.study, [told]))


def test_recorded_scatter_is_that_of_the_variance_table(tmp_path):
    stage = make(tmp_path / "s", calm(6))
    models = fit_all(stage)
    tables.record_models(stage, models)
    told = stage.numbers().set_index("name")["value"]
    for row in models[0].variances().to_dict("records"):
        assert float(told[f"sd.P.{row['component']}"]) == pytest.approx(row["SD"], rel=2e-3)  # three digits are printed


def test_a_gradient_is_told_as_the_power_of_ten_above_it_and_a_large_one_as_it_is():
    told = {3e-9: "1e\u22126", 1e-4: "1e\u22123", 2e-5: "1e\u22124", 0.5: "1e0", 99.0: "1e2", 500.0: "500", 4321.0: "4321"}
    assert {g: tables._power(g).replace(" ", "").replace("\u202f", "") for g in told} == told


def test_a_gradient_points_where_the_analyte_is_richer(tmp_path):
    """Fractions of 3 of 1000 from zone to zone: the trend is the least-squares line (numpy's polyfit), in per cent."""
    for step, said in ((0.3, "richer below"), (-0.3, "richer above")):
        cells = {f"C{i}": {d: [100 + step * k + 0.01 * ((2 * i + k) % 5)] for k, d in enumerate(("upper", "middle", "lower"))}
                 for i in range(6)}
        model = fit_all(make(tmp_path / said, cells))[0]
        (row,) = tables.gradients([model]).to_dict("records")
        logs = np.log([[v[0] for v in c.values()] for c in cells.values()])
        change = [-np.polyfit((0.83, 0.5, 0.17), own, 1)[0] for own in logs]
        assert row["direction"] == said
        assert row["trend"] == pytest.approx(100 * math.expm1(np.mean(change)), rel=1e-6)
        span = stats.ttest_1samp(change, 0).confidence_interval(0.95)
        assert (row["low"], row["high"]) == pytest.approx([100 * math.expm1(x) for x in span], rel=1e-6)
        assert row["df"] == 5
        told = tables.rows_used([model]).iloc[0]
        assert (told["values"], told["containers"], told["first source"]) == (18, 6, "lab.csv row 2")


@pytest.mark.parametrize("alone", [False, True])
def test_profiles_have_the_intervals_of_the_verdict(tmp_path, alone):
    """1 - 2 alpha, 90 %: of several containers scipy's paired t, of one the normal quantile with the stated scatter."""
    own = {"repeatability": {"s_r": 0.5, "source": "a test"}} if alone else {}
    cells = calm(1 if alone else 6, lower=1.0)
    stage = make(tmp_path / "s", cells, margin={"absolute": 5.0}, **own)
    table = tables.profiles(fit_all(stage), stage.study)
    mean = table[table["who"] == "mean"].set_index("depth")
    differences = [c["lower"][0] - c["upper"][0] for c in cells.values()]
    if alone:
        half = stats.norm.isf(0.05) * 0.5 * math.sqrt(2)
        ends = differences[0] - half, differences[0] + half
    else:
        ends = stats.ttest_1samp(differences, 0).confidence_interval(0.9)
    assert mean.loc["lower", ["low", "high"]].tolist() == pytest.approx(ends)
    assert mean.loc["lower", "difference"] == pytest.approx(np.mean(differences))
    assert mean.loc["upper", ["difference", "low", "high"]].tolist() == [0, 0, 0]
    if not alone:
        for container, depths in cells.items():
            row = table[(table["who"] == container) & (table["depth"] == "lower")].iloc[0]
            assert row["difference"] == pytest.approx(depths["lower"][0] - depths["upper"][0])


def test_a_one_sided_profile_has_the_level_that_is_asked_for(tmp_path):
    """Each zone from its mixed container: t interval over the containers, and the ratio of t quantiles of two levels."""
    stage = make(tmp_path / "s", calm(6), margin={"relative_percent": 20, "side": "below"})
    model = fit_all(stage)[0]
    half = {}
    for level in (0.8, 0.95):
        table = model.profile(level)
        mean = table[table["who"] == "mean"].set_index("depth")
        half[level] = np.log((100 + mean["high"]) / (100 + mean["low"])).astype(float)
        assert set(mean.index) == {"upper", "middle", "lower"}
    ratio = stats.t.isf(0.025, 5) / stats.t.isf(0.1, 5)
    assert (half[0.95] / half[0.8]).tolist() == pytest.approx([ratio] * 3)


def test_the_example_is_an_analyte_measured_everywhere(tmp_path):
    lost = calm(6)
    lost["C3"]["lower"] = []
    few, whole = (fit_all(make(tmp_path / n, c))[0] for n, c in (("few", lost), ("whole", calm(6))))
    none = fit_all(make(tmp_path / "none", {c: {d: ["<5"] for d in v} for c, v in calm(4).items()}))[0]
    assert tables.example([none, few, whole]) is whole
    assert tables.example([none, few]) is few
    assert tables.example([none]) is none
    assert few.n_containers == 6
    shown = tables.fits_shown(tables.fits([none, whole]))
    assert shown["rows"].tolist() == ["", "18"]
    assert shown["containers"].tolist() == ["", "6"]


def test_a_calculation_that_fails_is_that_analytes_finding(tmp_path, monkeypatch):
    def fails(*_, **__):
        raise np.linalg.LinAlgError("no way down\nand more")

    monkeypatch.setattr(tables, "fit_analyte", fails)
    stage = make(tmp_path / "s", calm(4))
    (model,) = fit_all(stage)
    assert (model.path, model.alpha, model.notes) == ("not assessed", stage.study.alpha,
                                                      ("The calculation failed: no way down.",))
    assert model.n_containers == 4
