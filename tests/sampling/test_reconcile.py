"""Reconciliation: every kind of difference fires, and a faithful log gives none."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from studykit.core.files import write_csv
from studykit.sampling.order import Plan, make_plan
from studykit.sampling.reconcile import reconcile
from studykit.study.inventory import choose_containers
from tests.sampling_examples import container_table, stock_rows, study

S = study()


@pytest.fixture
def planned(tmp_path: Path) -> tuple[Path, Plan]:
    plan = make_plan(S, choose_containers(container_table(stock_rows(12), tmp_path), S))
    write_csv(tmp_path / "plan/draws.csv", plan.draws)
    return tmp_path, plan


def faithful(plan: Plan) -> pd.DataFrame:
    """The samples table as a careful person fills it in."""
    t = plan.samples.copy()
    t["volume_ml"] = 100.0
    order = t["draw_order"].fillna(0).astype(int)
    t["drawn_at"] = pd.Timestamp("2026-02-01 08:00") + pd.to_timedelta(order * 10, unit="min")
    return t


def whats(root: Path, plan: Plan, log: pd.DataFrame) -> list[str]:
    return [f.what for f in reconcile(root, S, plan.containers, log).findings]


def test_what_is_planned_and_no_draw_is_said(planned) -> None:
    """Draws and what stands beside them are all rows of plan/samples.csv."""
    root, plan = planned
    found = reconcile(root, S, plan.containers, faithful(plan))
    assert found.planned + sum(n for _, n in found.beside) == len(plan.samples)
    assert {k for k, _ in found.beside} == {"blank", "check fluid"}
    assert found.beside_words().startswith("Besides these draws plan/samples.csv lists ")
    (root / "plan/draws.csv").unlink()
    spots = int((plan.samples["kind"] == "spot").sum())
    implied = reconcile(root, S, plan.containers, faithful(plan))
    assert sum(n for _, n in implied.beside) == len(plan.samples) - spots
    assert "heel" in implied.beside_words()


def test_a_faithful_log_has_no_difference(planned) -> None:
    root, plan = planned
    r = reconcile(root, S, plan.containers, faithful(plan))
    assert r.findings == ()
    assert (r.planned, r.drawn) == (len(plan.draws), len(plan.draws))
    assert r.sentence() == f"All {len(plan.draws)} planned samples were drawn as planned (plan/draws.csv)."
    assert r.counts()["samples"].sum() == 0


def test_before_sampling_everything_is_missing(planned) -> None:
    root, plan = planned
    r = reconcile(root, S, plan.containers, plan.samples)
    counts = dict(r.counts().itertuples(index=False))
    assert counts["missing"] == len(plan.draws)
    assert counts["not logged"] == (plan.samples["container"] == "").sum()


def test_missing_sample(planned) -> None:
    root, plan = planned
    log = faithful(plan).drop(index=3)
    (f,) = reconcile(root, S, plan.containers, log).findings
    assert (f.what, f.sample, f.drawn) == ("missing", plan.samples["sample"][3], "not drawn")


def test_misread_code_is_extra_and_names_its_likely_original(planned) -> None:
    root, plan = planned
    log = faithful(plan)
    right = log.loc[2, "sample"]
    log.loc[2, "sample"] = right[1] + right[0] + right[2:] if right[0] != right[1] else right[:-1]
    found = {f.what: f for f in reconcile(root, S, plan.containers, log).findings}
    assert set(found) == {"missing", "extra"}
    assert found["extra"].remark == f"perhaps {right}, misread"


def test_wrong_volume_and_too_little_for_the_tests(planned) -> None:
    root, plan = planned
    log = faithful(plan)
    log.loc[0, "volume_ml"] = 85.0
    log.loc[1, "volume_ml"] = 15.0
    log.loc[2, "volume_ml"] = 91.0  # within a tenth
    findings = reconcile(root, S, plan.containers, log).findings
    assert sorted((f.what, f.planned, f.drawn) for f in findings) == [
        ("too little for the tests", "20 mL", "15 mL"),
        ("wrong volume", "100 mL", "15 mL"),
        ("wrong volume", "100 mL", "85 mL"),
    ]


def test_bottles_exchanged_between_depths(planned) -> None:
    root, plan = planned
    log = faithful(plan)
    own = log.index[log["container"] == log["container"][0]][:2]
    log.loc[own, ["depth", "kind"]] = log.loc[own[::-1], ["depth", "kind"]].to_numpy()
    assert whats(root, plan, log).count("wrong place") == 2


def test_out_of_order_by_time_and_by_draw_order(planned) -> None:
    root, plan = planned
    log = faithful(plan)
    name = log["container"][0]
    upper = log.index[(log["container"] == name) & (log["depth"] == "upper") & (log["kind"] == "spot")][0]
    log.loc[upper, "drawn_at"] = pd.Timestamp("2026-02-01 12:00")
    (f,) = reconcile(root, S, plan.containers, log).findings
    assert (f.what, f.drawn, f.remark) == ("out of order", "after residue", "by the times logged")
    log["drawn_at"] = pd.Timestamp("2026-02-01")  # days only: fall back on draw_order
    assert whats(root, plan, log) == []
    log.loc[upper, "draw_order"] = 99
    (f,) = reconcile(root, S, plan.containers, log).findings
    assert (f.what, f.remark) == ("out of order", "by draw_order")


def test_a_blank_without_log(planned) -> None:
    root, plan = planned
    log = faithful(plan)
    blank = log.index[log["kind"] == "blank"][0]
    log.loc[blank, "drawn_at"] = pd.NaT
    log.loc[blank, "volume_ml"] = float("nan")
    assert whats(root, plan, log) == ["not logged"]


def test_a_study_without_a_filed_plan_is_compared_with_its_definition(planned) -> None:
    root, plan = planned
    (root / "plan/draws.csv").unlink()
    log = faithful(plan)
    r = reconcile(root, S, plan.containers, log)
    assert r.findings == ()
    assert r.planned == 7 * 3
    assert "one spot draw at every depth of study.toml" in r.sentence()
    gone = log.drop(index=log.index[(log["depth"] == "lower") & (log["kind"] == "spot")][0])
    again = pd.concat([log, log[log["depth"] == "upper"].head(1).assign(sample="K9", draw_order=1)])
    assert whats(root, plan, gone) == ["missing"]
    assert "extra" in whats(root, plan, again)


def test_a_draw_that_is_missing_at_one_of_several_visits_is_named(planned) -> None:
    """Without a filed plan 36 draws were told as planned beside 144 logged at four visits; one lost at a visit was not seen."""
    root, plan = planned
    (root / "plan/draws.csv").unlink()
    log = faithful(plan)
    visits = pd.concat([log.assign(sample=log["sample"] + str(k), visited_on=pd.Timestamp(f"2026-0{k}-01")) for k in (2, 5)],
                       ignore_index=True)
    r = reconcile(root, S, plan.containers, visits)
    assert (r.planned, r.findings) == (2 * 7 * 3, ())
    lost = visits.drop(index=visits.index[(visits["depth"] == "lower") & (visits["kind"] == "spot")][-1])
    assert whats(root, plan, lost) == ["missing"]


def test_before_sampling_the_table_says_so_in_one_row(planned) -> None:
    root, plan = planned
    (row,) = reconcile(root, S, plan.containers, plan.samples).to_table().to_dict("records")
    assert (row["what"], row["planned"], row["drawn"]) == ("nothing drawn yet", f"{len(plan.draws)} draws", "none")


def test_a_missing_heel_is_named_once(planned) -> None:
    root, plan = planned
    log = faithful(plan)
    heel = log.index[log["kind"] == "heel"][0]
    (f,) = reconcile(root, S, plan.containers, log.drop(index=heel)).findings
    assert f.planned == f"heel of {log.loc[heel, 'container']}"
