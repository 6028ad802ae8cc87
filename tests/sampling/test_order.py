"""The plan: choice of containers, duplicates, runs as blocks, blinding, refusals."""

from __future__ import annotations

from collections import Counter

import pandas as pd
import pytest

from studykit.core.errors import BadInput
from studykit.sampling import order as sampling
from studykit.sampling.order import liquid_mm, make_plan, run_words
from studykit.study.codes import check_code
from studykit.study.definition import DesignSettings
from studykit.study.inventory import choose_containers
from tests.sampling_examples import container_table, stock_rows, study


@pytest.fixture
def stock(tmp_path) -> pd.DataFrame:
    return container_table(stock_rows(12), tmp_path)


@pytest.fixture
def plan(stock) -> sampling.Plan:
    s = study()
    return make_plan(s, choose_containers(stock, s))


def test_containers_are_chosen_evenly_over_lot_and_store(stock) -> None:
    s = study(design={"containers": 8, "controls": []})
    chosen = choose_containers(stock, s)
    assert chosen.groupby(["lot", "store"]).size().tolist() == [2, 2, 2, 2]
    assert chosen["treatment"].unique().tolist() == ["stored"]
    pd.testing.assert_frame_equal(chosen, choose_containers(stock, s))
    other = choose_containers(stock, study(seed=12, design={"containers": 8, "controls": []}))
    assert chosen["container"].tolist() != other["container"].tolist()


@pytest.mark.slow
def test_each_container_has_the_same_chance(stock) -> None:
    """Over 150 seeds every container of a stratum of 3 is taken about equally often (binomial, 5 sd)."""
    counts: Counter[str] = Counter()
    for seed in range(150):
        counts.update(choose_containers(stock, study(seed=seed, design={"containers": 4, "controls": []}))["container"])
    assert len(counts) == 12
    sd = (150 * 1 / 3 * 2 / 3) ** 0.5
    assert all(abs(n - 150 / 3) < 5 * sd for n in counts.values())


def test_one_more_container_is_taken_to_be_remixed(stock) -> None:
    chosen = choose_containers(stock, study())
    assert Counter(chosen["treatment"]) == {"stored": 6, "remixed control": 1}


def test_a_stock_that_is_too_small_is_refused(stock) -> None:
    with pytest.raises(BadInput, match="the design asks for 13 containers, but the stock list has 12"):
        choose_containers(stock, study(design={"containers": 13}))


def test_every_container_is_drawn_at_every_depth_and_the_heel_last(plan) -> None:
    for name, own in plan.draws.groupby("container"):
        spots = own[own["kind"] == "spot"]
        assert spots["depth"].tolist() == ["upper", "middle", "lower"], name
        assert own["depth"].tolist()[-2:] == ["heel", "residue"]
        assert own["draw_order"].tolist() == list(range(1, len(own) + 1))


def test_duplicates_are_spread_over_containers_and_depths(plan) -> None:
    twins = plan.key[plan.key["kind"] == "duplicate"]
    assert len(twins) == 10  # as the design stage proposes, here from six containers
    assert sorted(Counter(twins["depth"]).values()) == [3, 3, 4]
    assert set(Counter(twins["container"]).values()) == {1, 2}
    assert not twins.duplicated(["container", "depth"]).any()
    remixed = plan.containers.loc[plan.containers["treatment"] == "remixed control", "container"].iloc[0]
    assert remixed not in set(twins["container"])
    spot = plan.key.set_index("sample")
    for row in twins.itertuples():
        assert tuple(spot.loc[row.pair, ["container", "kind", "depth"]]) == (row.container, "spot", row.depth)


def test_more_duplicates_than_containers_take_other_depths(stock) -> None:
    s = study(sampling={"duplicates": 14}, design={"containers": 6, "controls": []})
    twins = make_plan(s, choose_containers(stock, s)).key.query("kind == 'duplicate'")
    assert len(twins) == 14
    assert not twins.duplicated(["container", "depth"]).any()
    s = study(sampling={"duplicates": 19}, design={"containers": 6, "controls": []})
    chosen = choose_containers(stock, s)
    with pytest.raises(BadInput, match="asks for 19 blind duplicates, but 6 containers have 3 depths each"):
        make_plan(s, chosen)


def test_a_run_holds_whole_containers_and_its_controls(plan) -> None:
    drawn = plan.key[plan.key["container"] != ""]
    assert (drawn.groupby("container")["run"].nunique() == 1).all()
    assert (plan.submission.groupby("run").size() <= 24).all()
    for run, rows in plan.key.groupby("run"):
        kinds = Counter(rows["kind"])
        assert kinds["blank"] == 1, run
        assert kinds["check fluid"] == -(-(len(rows) - kinds["blank"] - kinds["check fluid"]) // 12)
        assert rows["position"].tolist() == list(range(1, len(rows) + 1))


def test_strata_are_spread_over_the_runs(tmp_path) -> None:
    stock = container_table(stock_rows(16), tmp_path)
    s = study(design={"containers": 16, "controls": []}, sampling={"run_capacity": 40, "heel": False, "residue": False})
    p = make_plan(s, stock)
    merged = p.key.merge(stock[["container", "lot", "store"]], on="container")
    per_run = merged.groupby(["run", "lot", "store"])["container"].nunique().unstack("run")
    assert per_run.shape[1] == 2
    assert (per_run == 2).all().all()


@pytest.mark.slow
def test_order_within_a_run_does_not_follow_depth_or_container(stock) -> None:
    """Over 60 seeds the mean position of each depth is the same (no drift can imitate depth)."""
    means = []
    for seed in range(60):
        s = study(seed=seed, design={"containers": 6, "controls": []}, sampling={"heel": False, "residue": False})
        key = make_plan(s, choose_containers(stock, s)).key
        means.append(key.groupby("depth")["position"].mean())
    mean = pd.concat(means, axis=1).T
    # 18 samples in one run of 18: the mean of 6 positions has sd sqrt(17 * 19 / 12 / 6 * 12 / 17) = 1.78
    assert ((mean.mean() - 9.5).abs() < 4 * 1.78 / 60**0.5).all()
    assert mean.std().between(1.1, 2.45).all()  # 1.78 with four standard errors, 1.78 / sqrt(2 * 59), to either side


def test_codes_carry_nothing(plan) -> None:
    assert plan.key["sample"].is_unique
    assert plan.key["sample"].map(check_code).all()
    assert list(plan.submission.columns) == ["run", "position", "sample", "volume_ml", "tests"]
    assert plan.submission["tests"].unique().tolist() == ["elements, water"]
    seen = plan.submission.to_csv(index=False)
    for word in ("upper", "lower", "heel", "blank", "check", "valley", "hut", "1E5", "L0"):
        assert word not in seen
    # controls cannot be told from samples by volume or tests
    assert plan.submission["volume_ml"].nunique() == 1


def test_the_samples_table_is_empty_where_the_log_belongs(plan) -> None:
    t = plan.samples
    assert len(t) == len(plan.key)
    assert t[["drawn_at", "drawn_by", "volume_ml", "purge_ml", "appearance"]].isna().all().all()
    assert t["height"].notna().sum() == (t["container"] != "").sum()
    assert t.loc[t["depth"] == "upper", "height"].between(0.8, 0.86).all()


def test_the_same_seed_makes_the_same_plan(stock) -> None:
    s = study()
    a, b = make_plan(s, choose_containers(stock, s)), make_plan(s, choose_containers(stock, s))
    for name in ("samples", "draws", "submission", "key"):
        pd.testing.assert_frame_equal(getattr(a, name), getattr(b, name))
    c = make_plan(study(seed=99), choose_containers(stock, study(seed=99)))
    assert a.key["sample"].tolist() != c.key["sample"].tolist()


def test_warnings_name_what_the_plan_leaves_out(stock) -> None:
    s = study(sampling={"heel": False}, design={"containers": 4, "controls": ["layered control"]})
    text = " / ".join(make_plan(s, choose_containers(stock, s)).warnings)
    assert "the plan should hold a layered control, but no container" in text
    assert "a hint" not in text  # [design] asks for it
    usual = s.model_copy(update={"design": DesignSettings(containers=4)})
    assert "a hint, the plan is whole without it: a container with a layer made on purpose" in " / ".join(
        make_plan(usual, choose_containers(stock, usual)).warnings)
    assert "no heel draw: what already lies on the floor will not be seen" in text
    assert not any("heel" in w for w in make_plan(study(), choose_containers(stock, study())).warnings)


def test_a_run_too_small_for_one_container_is_refused(stock) -> None:
    s = study(sampling={"run_capacity": 6})
    with pytest.raises(BadInput, match="a run cannot hold the 6 samples of container"):
        make_plan(s, choose_containers(stock, s))


def test_every_container_that_cannot_be_drawn_is_listed(tmp_path) -> None:
    rows = stock_rows(4)
    rows[1]["fill_volume_l"] = "40"  # the pail holds 23 L
    rows[2]["fill_volume_l"] = ""
    rows[3]["fill_volume_l"] = "0.3"  # five draws of 110 mL do not come out of it
    table = container_table(rows, tmp_path)
    with pytest.raises(BadInput) as caught:
        make_plan(study(sampling={"duplicates": 0}), table)
    text = str(caught.value)
    assert len(caught.value.faults) == 3
    assert "row 3, column container: '1E5': a fill of 40 L is not inside the vessel" in text
    assert "neither the liquid height nor the fill volume is known" in text
    assert "5 draws take 540 mL with purge and discard, but it holds 300 mL" in text


def test_codes_of_containers_stay_text(tmp_path) -> None:
    plan = make_plan(study(), container_table(stock_rows(2), tmp_path))
    assert set(plan.draws["container"]) == {"007", "1E5"}


def test_no_containers_is_refused(tmp_path) -> None:
    with pytest.raises(BadInput, match="lists no containers"):
        make_plan(study(), container_table(stock_rows(1), tmp_path).iloc[:0])


def test_liquid_height_comes_from_the_height_or_the_fill() -> None:
    s, none = study(), float("nan")
    assert liquid_mm(s, "pail20", 300.0, 5.0) == 300.0
    assert s.vessels["pail20"].volume_l(liquid_mm(s, "pail20", none, 20.0)) == pytest.approx(20.0, rel=1e-9)
    with pytest.raises(ValueError, match="vessel must be one of pail20, bottle1, but got 'drum'"):
        liquid_mm(s, "drum", none, 20.0)


def test_the_plan_as_a_table(plan) -> None:
    t = plan.to_table()
    assert t["visit"].tolist() == list(range(1, 8))
    assert t["samples"].sum() == len(plan.draws)
    assert (t["content_l"] - t["left_l"]).between(0.53, 0.77).all()


def test_a_stock_too_small_for_ten_duplicates_has_one_of_every_zone(tmp_path) -> None:
    s = study(design={"containers": 2, "controls": ["duplicate"]})
    twins = make_plan(s, container_table(stock_rows(2), tmp_path)).key.query("kind == 'duplicate'")
    assert len(twins) == 6
    assert not twins.duplicated(["container", "depth"]).any()


def test_one_retained_sample_a_lot_goes_into_the_run_of_its_lot(stock) -> None:
    s = study(design={"containers": 6, "controls": ["retained", "blank", "check fluid"]})
    plan = make_plan(s, choose_containers(stock, s))
    kept = plan.samples[plan.samples["kind"] == "retained"]
    assert sorted(kept["lot"]) == ["L0", "L1"]
    assert (kept["container"] == "").all()
    lots = plan.containers.set_index("container")["lot"]
    key = plan.key.merge(plan.samples[["sample", "lot"]], on="sample")
    for row in key[key["kind"] == "retained"].itertuples():
        same = key[key["run"] == row.run]
        assert row.lot in set(lots[[c for c in same["container"] if c]])
    assert set(kept["sample"]) <= set(plan.submission["sample"])
    assert (plan.submission.groupby("run").size() <= s.sampling.run_capacity).all()
    assert "lot" not in make_plan(study(), choose_containers(stock, study())).samples


def test_a_run_filled_to_the_last_place_leaves_room_for_the_retained_sample(stock) -> None:
    for capacity in range(7, 16):
        s = study(sampling={"run_capacity": capacity}, design={"containers": 6, "controls": ["retained", "blank"]})
        plan = make_plan(s, choose_containers(stock, s))
        assert plan.submission.groupby("run").size().max() <= capacity


def test_runs_that_go_with_depths_are_named() -> None:
    key = pd.DataFrame([{"container": c, "depth": d, "run": r} for c in "ABCD" for d, r in (
        ("upper", "R1"), ("middle", "R2"), ("lower", "R3"))])
    told = run_words(key)
    assert told[0].startswith("run and depth cannot be told apart at all: one explains 100 % of the spread of the other")
    two = key.assign(run=key["run"].replace("R2", "R1"))  # the lowest zone alone in a run of its own
    assert run_words(two)[0].startswith("run and depth cannot be told apart at all: one explains 100 %")
    whole = key.assign(run=key["container"].map({"A": "R1", "B": "R1", "C": "R2", "D": "R2"}))
    assert run_words(whole) == run_words(key.assign(run="")) == ()
