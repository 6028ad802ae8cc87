"""Planned visits: who is drawn when, levels and runs, sheets of each visit, and the log read back."""

from __future__ import annotations

import math
from pathlib import Path

import pandas as pd
import pytest
from pydantic import ValidationError

from studykit.core.errors import BadInput
from studykit.core.files import write_csv
from studykit.quality.visits import _lowered, unfold
from studykit.sampling.order import make_plan
from studykit.sampling.plan import existing_plan, plan
from studykit.sampling.reconcile import reconcile
from studykit.sampling.sheets import turn_words
from studykit.study.definition import Study, load_study, parse_study
from studykit.study.factors import TimeSettings
from studykit.study.tables import load_tables
from tests.sampling_examples import STUDY_TOML, folder, stock_rows
from tests.studies import definition

DAYS = ("2026-03-02", "2026-09-01", "2027-03-01")


def visited(path: Path, how: str, containers: int = 6, days: tuple[str, ...] = DAYS) -> tuple[Path, Study]:
    listed = ", ".join(f'"{d}"' for d in days)
    text = STUDY_TOML + f'\n[time]\nstarts = "mixed"\nvisits = [{listed}]\ncontainers = "{how}"\n'
    root = folder(path, containers=stock_rows(containers))
    (root / "study.toml").write_text(text.replace("[design]", "[design]\nmax_bottles = 400"), encoding="utf-8")
    return root, load_study(root)


def sampled(root: Path, days: tuple[str, ...]) -> None:
    """Write the log of these visits: every bottle as planned, from the surface down."""
    table = pd.read_csv(root / "plan/samples.csv", dtype=str, keep_default_na=False)
    here = table["visited_on"].isin(days)
    minute = table.groupby("visited_on").cumcount()
    table.loc[here, "drawn_at"] = [f"{d} {8 + m // 60:02d}:{m % 60:02d}" for d, m in zip(
        table["visited_on"][here], minute[here], strict=True)]
    table.loc[here, "volume_ml"] = "100"
    table.loc[here & ~table["kind"].isin(["heel", "composite"]), "purge_ml"] = "10"
    write_csv(root / "plan/samples.csv", table)


@pytest.mark.slow
def test_the_same_containers_are_drawn_at_every_visit_and_lose_what_was_taken(tmp_path) -> None:
    made = plan(*visited(tmp_path, "same")).plan
    stored = made.containers.loc[made.containers["treatment"] == "stored", "container"]
    spots = made.samples[made.samples["kind"] == "spot"]
    seen = spots[spots["container"].isin(stored)].groupby("container")["visited_on"].apply(lambda d: tuple(sorted(set(d))))
    assert set(seen) == {DAYS}
    by_day = {(p.container, p.day): p for p in made.draw_plans}
    for name in stored:
        first, second = by_day[name, DAYS[0]], by_day[name, DAYS[1]]
        # what a visit leaves is what the next one finds (volumes by the vessel's own shape)
        assert second.content_l == pytest.approx(first.left_l, rel=1e-9)
        assert second.liquid_height_mm < first.liquid_height_mm
    floor = made.samples[made.samples["kind"].isin(["heel", "composite"]) & made.samples["container"].isin(stored)]
    assert set(floor["visited_on"]) == {DAYS[-1]}  # the floor is stirred up only when nothing follows
    runs = made.key.groupby("run")["visited_on"].nunique()
    assert (runs == 1).all()
    assert made.samples["sample"].is_unique
    assert any("drawn at 3 visits: each visit takes up to" in w and "stirs a little" in w for w in made.warnings)


@pytest.mark.slow
def test_sister_containers_are_dealt_to_the_visits_within_lot_and_store(tmp_path) -> None:
    root, study = visited(tmp_path, "sister", containers=12)
    made = plan(root, study).plan
    own = made.samples[made.samples["container"] != ""]
    assert (own.groupby("container")["visited_on"].nunique() == 1).all()
    day = own.groupby("container")["visited_on"].first()
    stored = made.containers[made.containers["treatment"] == "stored"].set_index("container")
    counts = day[stored.index].value_counts()
    assert counts.max() - counts.min() <= 1
    table = pd.crosstab([stored["lot"], stored["store"]], day[stored.index])
    assert (table.max(axis=1) - table.min(axis=1) <= 1).all()  # so age is tied neither to lot nor to store
    assert not any("drawn at" in w for w in made.warnings)
    late = made.containers.assign(sampled_on=pd.Timestamp("2026-05-05"))
    with pytest.raises(BadInput, match=r"is no day of time\.visits"):
        make_plan(study, late)
    with pytest.raises(BadInput, match="2 sister containers cannot serve 3 visits"):
        make_plan(study, made.containers[made.containers["treatment"] == "stored"].head(2))


@pytest.mark.slow
def test_sheets_of_each_visit_and_the_plan_read_back(tmp_path) -> None:
    root, study = visited(tmp_path, "same", containers=4)
    filed = plan(root, study)
    for i in (1, 2, 3):
        names = ("bench.pdf", "labels.pdf", "custody.pdf", "submission.pdf")
        assert {f"plan/sheets/visit-{i}/{n}" for n in names} <= set(filed.files)
    again = existing_plan(root, study)
    assert again.days == DAYS
    for a, b in zip(filed.plan.draw_plans, again.draw_plans, strict=False):
        assert a.day == b.day
    key = ["container", "visited_on", "draw_order"]
    mine, theirs = (t.sort_values(key)[[*key, "sample", "tip_mm"]].reset_index(drop=True)
                    for t in (filed.plan.draws, again.draws))
    pd.testing.assert_frame_equal(mine, theirs, check_dtype=False, atol=1e-3)
    part = again.at(DAYS[1])
    assert sorted(turn_words(part, p) for p in part.draw_plans) == [f"{DAYS[1]}, container {k} of 4" for k in range(1, 5)]
    assert set(part.samples["visited_on"].dt.strftime("%Y-%m-%d")) == {DAYS[1]}
    assert len(part.submission) == len(part.samples)


@pytest.mark.slow
def test_a_log_of_the_first_visit_is_whole_and_the_others_are_still_to_come(tmp_path) -> None:
    root, study = visited(tmp_path, "same", containers=4)
    plan(root, study)
    sampled(root, DAYS[:1])
    tables = load_tables(root, with_results=False)
    found = reconcile(root, study, tables.containers, tables.samples)
    assert found.findings == ()
    assert f"Still to come: the visit of {DAYS[1]}" in found.sentence()
    assert set(tables.containers["sampled_on"].dropna().dt.strftime("%Y-%m-%d")) == {DAYS[0]}
    sampled(root, DAYS[:2])
    table = pd.read_csv(root / "plan/samples.csv", dtype=str, keep_default_na=False)
    gone = table[(table["visited_on"] == DAYS[1]) & (table["kind"] == "spot")].index[0]
    table.loc[gone, ["drawn_at", "volume_ml"]] = ""
    write_csv(root / "plan/samples.csv", table)
    tables = load_tables(root, with_results=False)
    found = reconcile(root, study, tables.containers, tables.samples)
    assert [(f.what, f.sample) for f in found.findings] == [("missing", table.loc[gone, "sample"])]


@pytest.mark.slow
def test_quality_takes_every_visit_for_a_container_of_its_own(tmp_path) -> None:
    root, study = visited(tmp_path, "same", containers=4)
    plan(root, study)
    sampled(root, DAYS[:2])
    tables = load_tables(root, with_results=False)
    found = unfold(study, tables.containers, tables.samples, pd.DataFrame({"sample": pd.Series(dtype=str)}))
    stored = tables.containers.loc[tables.containers["treatment"] == "stored", "container"]
    name = stored.iloc[0]
    own = found.containers[found.containers["container"].str.startswith(f"{name}, ")].set_index("container")
    assert list(own.index) == [f"{name}, {d}" for d in DAYS[:2]]
    assert own["age_months"].diff().iloc[1] == pytest.approx(183 / (365.2425 / 12))  # 2 March to 1 September
    assert own["liquid_height_mm"].diff().iloc[1] < 0
    zones = found.samples[found.samples["kind"] == "spot"]
    assert not zones.duplicated(["container", "depth"]).any()
    assert DAYS[2] in found.later
    assert DAYS[2] not in set(found.samples["visited_on"].dt.strftime("%Y-%m-%d"))


@pytest.mark.slow
def test_a_draw_on_another_day_than_its_visit_is_asked_about(tmp_path) -> None:
    root, study = visited(tmp_path, "same", containers=4)
    plan(root, study)
    sampled(root, DAYS[:1])
    text = (root / "plan/samples.csv").read_text(encoding="utf-8")
    (root / "plan/samples.csv").write_text(text.replace(f"{DAYS[0]} 08:00", "2026-04-20 08:00"), encoding="utf-8")
    with pytest.raises(BadInput, match="lies more than 7 days from drawn_at"):
        load_tables(root, with_results=False)


@pytest.mark.parametrize(("given", "sentence"), [
    ({"visits": DAYS}, "visits and containers belong together"),
    ({"visits": DAYS[:1], "containers": "same"}, "one day only"),
    ({"visits": (DAYS[0], DAYS[0]), "containers": "same"}, "2026-03-02 twice"),
    ({"visits": DAYS[::-1], "containers": "same"}, "in the order of their days"),
])
def test_visits_that_cannot_be(given: dict, sentence: str) -> None:
    with pytest.raises(ValidationError, match=sentence):
        TimeSettings(**given)


def test_what_earlier_visits_took_lowers_the_level_by_the_vessels_own_shape() -> None:
    """A cylinder of 380 mm filled to 500 mm holds 56.706 L by hand; 6.706 L less are 50 L, at 440.9 mm."""
    study = parse_study(definition())
    area = math.pi * 1.9**2  # dm2
    for known in ({"liquid_height_mm": 500.0}, {"fill_volume_l": 5 * area}):
        found = _lowered(study, {"vessel": "drum", **known}, 5 * area - 50)
        assert found == {"fill_volume_l": pytest.approx(50), "liquid_height_mm": pytest.approx(100 * 50 / area)}
    assert _lowered(study, {"vessel": "drum", "liquid_height_mm": 500.0}, 60.0) == {}  # more than there was
    assert _lowered(study, {"vessel": "", "liquid_height_mm": 500.0}, 1.0) == {}
