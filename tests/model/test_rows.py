"""Rows of one analyte: bounds of limits, margins as people write them, which terms rows can carry."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from studykit.core.errors import BadInput
from studykit.inference.margin import Margin
from studykit.model.rows import (
    cells_of,
    columns_of,
    container_contrasts,
    few_depths,
    fixed_terms,
    heights_of,
    margin_given,
    model_rows,
    random_terms,
    replicated,
    zone_heights,
)
from tests.model.test_fit import DEPTHS, layered, study_of, tables_of


def rows_of(values: dict[tuple[str, str], list[tuple[float, str]]], margin: dict[str, float] | None = None, **factors: object):
    """Rows of an invented study from (value, qualifier) of each container and depth."""
    frame = pd.DataFrame([(c, d, v, q) for (c, d), found in values.items() for v, q in found],
                         columns=["container", "depth", "value", "qualifier"])
    depths = [d for d in DEPTHS if d in set(frame["depth"])]
    containers, samples, results = tables_of(frame)
    results["qualifier"] = frame["qualifier"]
    results["limit"] = frame["value"].where(frame["qualifier"] != "")
    study = study_of(DEPTHS, margin or {"absolute": 2}, **factors)
    assert depths
    return study, model_rows(study, "y", containers, samples, results)


def test_a_limit_bounds_its_cell_from_zero_or_to_infinity():
    """"<2" is 0 to 2, ">9" is 9 and more, "<-1" has no zero below it; the cell of two determinations is their mean."""
    _, rows = rows_of({("C0", "upper"): [(5.0, ""), (7.0, "")], ("C0", "lower"): [(2.0, "<"), (4.0, "")],
                       ("C1", "upper"): [(9.0, ">")], ("C1", "lower"): [(-1.0, "<")]})
    cells = cells_of(rows)
    assert rows.depths == ("upper", "lower")
    assert rows.absent == ("middle",)
    assert cells.low.tolist() == [[6.0, 2.0], [9.0, -1.0]]
    assert cells.high.tolist() == [[6.0, 3.0], [np.inf, -1.0]]
    assert (rows.censored, rows.share_censored) == (3, 0.5)
    assert sorted(rows.measured["value"]) == [4.0, 5.0, 7.0]


@pytest.mark.parametrize(("given", "edge", "log"), [
    ("50 %", np.log(1.5), True), ("2 g", 2.0, False), ({"absolute": 2}, 2.0, False),
    ({"relative_percent": 50}, np.log(1.5), True),
    ({"factor": 3}, np.log(3), True), (Margin.absolute(7, "g"), 7.0, False)])
def test_a_margin_as_people_write_it(given, edge, log):
    found = margin_given(given, "g")
    assert found.edge == pytest.approx(edge)
    assert found.log == log
    assert found.unit == ("%" if log else "g")


def test_a_margin_of_another_unit_or_without_one_is_refused():
    for bad in ("2 kg", "5", "-5 %", {"absolute": 0}):
        with pytest.raises(BadInput):
            margin_given(bad, "g")


def test_rows_against_another_margin_are_on_its_scale():
    _, rows = rows_of({("C0", "upper"): [(5.0, "")], ("C0", "lower"): [(2.0, "<")], ("C1", "upper"): [(8.0, "")]})
    y = rows.against(Margin.relative(5)).table["y"]
    assert y.dropna().tolist() == pytest.approx(np.log([5.0, 8.0]))
    assert y.isna().sum() == 1
    _, zero = rows_of({("C0", "upper"): [(0.0, "")], ("C1", "upper"): [(8.0, "")]})
    with pytest.raises(ValueError, match="needs values above 0"):
        zero.against(Margin.factor(2))
    zero.against(Margin.absolute(1))
    with pytest.raises(BadInput):
        rows.against(Margin(low=-1.0, high=np.inf, scale="raw", text="1 g below"))


def test_columns_of_a_factor_leave_two_degrees_of_freedom():
    """An intercept and an indicator of one lot: four containers leave two, three leave one."""
    info = pd.DataFrame({"lot": list("AABB"), "age_months": [1.0, 3.0, 5.0, 7.0]})
    found = columns_of(info, ["lot"])
    assert found is not None
    assert found.tolist() == [[1, 0], [1, 0], [1, 1], [1, 1]]
    age = columns_of(info, ["age_months"])
    assert age is not None
    assert age[:, 1].tolist() == [-3, -1, 1, 3]
    assert columns_of(info[:3], ["lot"]) is None
    assert columns_of(info, ["lot", "age_months"]) is None
    assert columns_of(info, []) is None
    assert columns_of(pd.concat([info, info]).assign(again=list("AABB") * 2), ["lot", "again"]) is None  # the same twice


def test_terms_that_rows_can_carry():
    study = study_of(DEPTHS, {"absolute": 2}, random=["store"], run=True, fixed=["lot"], by_depth=["lot"])
    table = pd.DataFrame({"container": list("aabbccdd"), "depth": ["u", "l"] * 4, "run": ["1", "2"] * 4,
                          "lot": list("AAAABBBB"), "store": list("pqrspqrs")})
    assert random_terms(study, table)[0] == ("container", "run", "store")  # four levels are enough, nothing twice
    three = table.assign(store=list("pqrppqrp"))
    terms, notes = random_terms(study, three)
    assert terms == ("container", "run")
    assert "3 levels are too few" in notes[-1]
    for run in (["1"] * 8, ["1", ""] * 4):
        assert "run" not in random_terms(study, table.assign(run=run))[0]
    twice = pd.concat([table, table[:1]])
    assert random_terms(study, twice)[0][:2] == ("container", "container:depth")
    assert (replicated(table), replicated(twice)) == (False, True)
    terms, notes = fixed_terms(study, table)
    assert (terms, notes) == (("depth", "lot", "depth:lot"), ())
    assert fixed_terms(study, table.assign(lot="A"))[0] == ("depth",)
    single = table.assign(lot=list("AABBBBBB"))
    assert "A has one container only" in fixed_terms(study, single)[1][0]


def test_heights_are_those_of_samples_with_numbers_and_all_differ():
    _, rows = rows_of({("C0", "upper"): [(5.0, "")], ("C0", "lower"): [(2.0, "<")], ("C1", "upper"): [(8.0, "")]})
    assert zone_heights(rows).tolist() == pytest.approx([0.83, 0.17])
    assert heights_of(rows).tolist() == pytest.approx([0.83, 0.17])
    rows.table.loc[rows.table["container"] == "C1", "height"] = 0.93
    assert zone_heights(rows).tolist() == pytest.approx([0.88, 0.17])
    rows.table["height"] = 0.5
    assert heights_of(rows) is None
    rows.table["height"] = np.nan
    assert heights_of(rows) is None


def test_contrasts_of_containers_that_have_both_ends():
    _, rows = rows_of({("C0", "upper"): [(5.0, ""), (7.0, "")], ("C0", "lower"): [(9.0, "")], ("C1", "upper"): [(8.0, "")],
                       ("C2", "upper"): [(1.0, "")], ("C2", "lower"): [(0.5, "")]})
    table = container_contrasts(rows)
    assert table["container"].tolist() == ["C0", "C2"]
    assert table["contrast"].tolist() == [3.0, -0.5]
    assert (table["top"].tolist(), table["bottom"].tolist(), table["n"].tolist()) == ([6.0, 1.0], [9.0, 0.5], [3, 2])
    assert list(table.columns) == ["container", "lot", "store", "age_months", "top", "bottom", "contrast", "n"]
    _, none = rows_of({("C0", "upper"): [(5.0, "")], ("C0", "lower"): [(2.0, "<")]})
    assert container_contrasts(none).empty


def test_why_too_few_depths_are_there():
    _, limits = rows_of({("C0", "upper"): [(5.0, "")], ("C0", "lower"): [(2.0, "<")]})
    assert few_depths(limits).startswith("1 of 2 results are known only as a limit")
    _, one = rows_of({("C0", "upper"): [(5.0, ""), (6.0, "")]})
    assert few_depths(one) == "Fewer than two depths were measured."


def test_rows_of_nothing_but_numbers_have_no_share_of_limits():
    study = study_of(DEPTHS, {"relative_percent": 5})
    rows = model_rows(study, "y", *tables_of(layered()))
    assert (rows.censored, rows.share_censored, rows.absent) == (0, 0.0, ())
    assert rows.table["y"].to_numpy() == pytest.approx(np.log(rows.table["value"].to_numpy()))
