"""Tables of the model stage: rows as they entered, and the model in R's notation and in words."""

from __future__ import annotations

import csv
from dataclasses import replace

import pytest

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
    told = {3e-9: "1e\u22126", 2e-5: "1e\u22124", 0.5: "1e0", 99.0: "1e2", 500.0: "500", 4321.0: "4321"}
    assert {g: tables._power(g).replace(" ", "").replace("\u202f", "") for g in told} == told
