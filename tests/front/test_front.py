"""The front door: every task in at most two lines, amounts with their unit, nothing loaded before it is used."""

from __future__ import annotations

import ast
import math
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import studykit as sk
from studykit.design.operating import beyond_share_bound
from studykit.model import FittedModel
from studykit.study.definition import load_study

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> sk.OpenStudy:
    return sk.demo("ropeway", tmp_path_factory.mktemp("front") / "ropeway")


def test_import_loads_nothing_heavy_and_completes_by_tab():
    code = ("import sys, studykit as sk; heavy = {'numpy', 'pandas', 'scipy', 'pydantic', 'statsmodels'} & set(sys.modules); "
            "print(sorted(heavy), 'chances' in dir(sk), 'judge' in dir(sk))")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    assert done.stdout.split("\n")[0] == "[] True True"


def test_a_bare_python_reaches_the_set_up():
    """``python3 -m studykit`` begins before any package is installed: -S leaves the installed ones out."""
    code = "import studykit, studykit.__main__ as m; print(m.ROOT.name != '', 'lazy_loader' in __import__('sys').modules)"
    done = subprocess.run([sys.executable, "-S", "-c", code], capture_output=True, text=True, check=False, cwd=ROOT,
                          env={"PATH": ""})
    assert done.stdout.split() == ["True", "False"], done.stderr


def test_the_stub_lists_what_can_be_had():
    stub = ast.parse((ROOT / "studykit/__init__.pyi").read_text(encoding="utf-8"))
    listed = next(ast.literal_eval(n.value) for n in stub.body if isinstance(n, ast.Assign))
    assert sorted(listed) == sorted(sk.__all__)
    assert all(getattr(sk, name).__doc__ for name in listed)


@pytest.mark.slow
def test_opening_a_study_writes_nothing(study: sk.OpenStudy):
    before = {p: p.stat().st_mtime_ns for p in study.root.rglob("*")}
    again = sk.open(study.root)
    again.tidy("Si")
    again.verdict()
    assert {p: p.stat().st_mtime_ns for p in study.root.rglob("*")} == before


def test_tidy_rows_are_typed_and_traceable(study: sk.OpenStudy):
    rows = study.tidy("Si")
    assert list(rows["depth"].cat.categories) == list(load_study(study.root).factors.depths)
    assert rows["value"].dtype == float
    assert {"container", "height", "source_file", "source_row"} <= set(rows)
    clear = rows[rows["qualifier"] == ""]
    np.testing.assert_allclose(clear["y"], np.log(clear["value"]), rtol=1e-12)


def test_a_formula_of_ones_own_changes_the_model(study: sk.OpenStudy):
    plain, own = study.model("Si"), study.model("Si", "depth + lot + (1 | container)")
    assert isinstance(plain, FittedModel)
    assert isinstance(own, FittedModel)
    assert own.fixed == ("depth", "lot")
    assert own.random == ("container",)
    assert plain.fixed != own.fixed


def test_the_declared_formula_gives_the_declared_model(study: sk.OpenStudy):
    plain = study.model("P")
    assert isinstance(plain, FittedModel)
    text = " + ".join([*plain.fixed, *(f"(1 | {r})" for r in plain.random)])
    own = study.model("P", text)
    assert isinstance(own, FittedModel)
    assert own.reml.criterion == pytest.approx(plain.reml.criterion, rel=1e-12)


@pytest.mark.parametrize(("formula", "said"), [
    ("depth + lot", "samples of one container are not independent"),
    ("depth + (lot | container)", "no numbers for a random slope"),
    ("depth + C(lot) + (1 | container)", "is a function"),
    ("depth + colour + (1 | container)", "colour is no column"),
    ("depth + (1 | container", "cannot be read"),
    ("lot + (1 | container)", "depth is missing"),
    ("0 + depth + (1 | container)", "no intercept"),
    ("value ~ depth + (1 | container)", "value is not the response"),
])
def test_what_is_not_fitted_is_said(study: sk.OpenStudy, formula: str, said: str):
    with pytest.raises(sk.BadInput, match=said):
        study.model("Si", formula)


def test_every_fault_of_a_formula_at_once(study: sk.OpenStudy):
    with pytest.raises(sk.BadInput) as caught:
        study.model("Si", "colour + (lot | store)")
    assert len(caught.value.faults) >= 4  # no column, a slope, depth missing, container missing


@pytest.mark.parametrize(("change", "said"), [
    ({"margin": 5}, "no unit"), ({"margin": "5"}, "no unit"), ({"margin": "5 furlong"}, "not known"),
    ({"margin": "120 %"}, "below 100"), ({"margin": "-5 %"}, "a sign does not say"), ({"repeatability": "2 mg/kg"}, "per cent"),
    ({"profiles": 1}, "no unit"), ({"difference": "-100 %"}, "100 %"), ({"difference": "-200 %"}, "100 %"),
    ({"shape": "odd"}, "shape"), ({"shape": 3}, "shape"), ({"repeatability": "0 %"}, "above 0"),
    ({"containers": 2.5}, "whole number"), ({"containers": True}, "whole number"), ({"containers": "12"}, "whole number"),
    ({"containers": 0}, "1 or more"), ({"depths": 1}, "2 or more"), ({"determinations": None}, "whole number"),
    ({"alpha": 0.7}, "alpha"), ({"alpha": "x"}, "alpha"),
])
def test_a_bare_number_and_mixed_units_are_refused(change: dict[str, object], said: str):
    good = {"containers": 12, "depths": 3, "margin": "5 %", "repeatability": "2 %"}
    with pytest.raises(sk.BadInput, match=said):
        sk.chances(**{**good, **change})  # type: ignore[arg-type]


def test_chances_follow_the_design():
    few = sk.chances(containers=4, depths=3, margin="5 %", repeatability="3 %")
    many = sk.chances(containers=24, depths=3, margin="5 %", repeatability="3 %")
    at_margin = sk.chances(containers=24, depths=2, margin="5 %", repeatability="3 %", difference="5 %")
    narrow = sk.chances(containers=4, depths=3, margin="2 %", repeatability="3 %")
    assert few.homogeneous < many.homogeneous
    assert at_margin.homogeneous == pytest.approx(0.05, abs=1e-2)  # the level: Schuirmann (1987)
    assert narrow.homogeneous < few.homogeneous
    assert 0 < beyond_share_bound(12) < 1


@pytest.mark.parametrize(("change", "said"), [
    ({"ages": [6]}, "no line over time"), ({"ages": "6, 12"}, "months of 0 or more"), ({"ages": []}, "months of 0 or more"),
    ({"ages": [-1, 6]}, "months of 0 or more"), ({"ages": [6, math.nan]}, "months of 0 or more"),
    ({"drawn": "twice"}, "this way"), ({"months_to_margin": 0}, "months above 0"),
    ({"months_to_margin": True}, "months above 0"), ({"own_rates": "2 mg/kg"}, "per cent"),
    ({"own_rates": 20}, "no unit"), ({"repeatability": "0 %"}, "above 0"), ({"containers": 0}, "1 or more"),
    ({"alpha": 1}, "alpha"), ({"share": "0 %"}, "above 0|between"), ({"share": "120 %"}, "between"), ({"share": 20}, "no unit"),
])
def test_chances_of_time_refuse_what_they_cannot_read(change: dict[str, object], said: str):
    good = {"containers": 12, "ages": [4, 12, 20, 30], "margin": "20 %", "repeatability": "2 %", "months_to_margin": 20}
    with pytest.raises(sk.BadInput, match=said):
        sk.time_chances(**{**good, **change})  # type: ignore[arg-type]


def test_chances_of_time_follow_the_design():
    told = {"margin": "20 %", "repeatability": "2 %", "months_to_margin": 20, "ages": [4, 12, 20, 30], "own_rates": "20 %"}
    once, again = (sk.time_chances(containers=12, drawn=d, **told) for d in ("once", "again"))
    assert once.seen < again.seen
    assert once.known() > again.known()
    assert list(again.to_table()["unit"]) == ["% of studies", "months", "months", "months"]
    assert "at most 20 % beyond" in again.to_table()["what"][2]
    assert again.few_within < again.within
    assert sk.time_chances(containers=12, determinations=4, **told).seen >= once.seen


def test_a_simulated_world_has_the_truth_that_was_asked_for():
    world = sk.simulate(containers=400, depths=3, difference="20 %", repeatability="1 %", seed=3)
    means = world.tidy().groupby("depth", observed=True)["value"].mean()
    assert means.iloc[-1] / means.iloc[0] == pytest.approx(1.20, abs=0.005)
    assert world.truth["difference"].max() == pytest.approx(20.0)
    again = sk.simulate(containers=400, depths=3, difference="20 %", repeatability="1 %", seed=3)
    assert again.tidy().equals(world.tidy())


def test_a_world_is_judged_and_its_truth_stands_beside_the_word():
    world = sk.simulate(containers=16, difference="40 %", repeatability="2 %", seed=5)
    said = sk.judge(world.tidy(), margin={"relative_percent": 20}, depths=world.depths)
    assert (said.word, world.truth["difference"].max()) == ("stratified", pytest.approx(40.0))
    level = sk.simulate(containers=16, repeatability="2 %", seed=5)
    assert sk.judge(level.tidy(), margin={"relative_percent": 20}, depths=level.depths).mean_word == "homogeneous"


def test_another_margin_is_named_as_not_the_declared_one(study: sk.OpenStudy):
    said = study.model("Si").verdict(margin="50 %")
    assert not said.is_declared
    assert "declared" in str(said)
    assert study.model("Si").verdict().is_declared


@pytest.mark.parametrize("bad", [{"level": 100}, {"level": "10 %"}, {"repeatability": "2 mg/kg"}, {"difference": 3},
                                 {"difference": "-200 %"}, {"runs": 0}, {"lots": 1.5}, {"depths": 1}, {"seed": -1},
                                 {"determinations": "2"}, {"missing": 1.0}, {"missing": "x"}, {"level": None}])
def test_a_world_with_bare_numbers_is_refused(bad: dict[str, object]):
    with pytest.raises(sk.BadInput):
        sk.simulate(containers=6, **bad)  # type: ignore[arg-type]


def test_what_is_not_there_is_said(tmp_path: Path):
    with pytest.raises(sk.BadInput, match=r"no study\.toml"):
        sk.open(tmp_path)
    (tmp_path / "study.toml").write_text("")
    with pytest.raises(sk.BadInput, match="no results were taken in"):
        sk.open(tmp_path)
    with pytest.raises(sk.BadInput, match="no demo of this name"):
        sk.demo("teapot", tmp_path / "x")
    for call in (lambda: sk.open(None), lambda: sk.open(5), lambda: sk.demo("tote", None)):  # type: ignore[arg-type]
        with pytest.raises(sk.BadInput, match="must be the path"):
            call()


def test_an_unknown_analyte_is_named(study: sk.OpenStudy):
    with pytest.raises(sk.BadInput, match="not declared"):
        study.model("Xx")
    for call in (study.tidy, study.model):
        for odd in (None, 5):
            with pytest.raises(sk.BadInput, match="not declared"):
                call(odd)  # type: ignore[operator]


def test_a_study_and_a_fit_show_themselves_in_one_line(study: sk.OpenStudy):
    for thing in (study, study.model("Si"), study.model("Zn")):
        assert len(repr(thing)) < 300
        assert "\n" not in repr(thing)
    assert "stratified on average" in repr(study.model("Si"))


def test_the_api_page_is_made_from_the_docstrings():
    from tests.make_api import PAGE, page

    assert page() == PAGE.read_text(encoding="utf-8")
    assert "sk.chances" in page()


def test_the_printed_formula_fits_the_same_model(study: sk.OpenStudy):
    declared = study.model("Si")
    assert declared.formula.endswith("(1 | container) + (1 | container:depth)")
    written = study.model("Si", declared.formula)
    assert (written.fixed, written.random) == (declared.fixed, declared.random)
    assert np.array_equal(written.contrasts()["estimate"], declared.contrasts()["estimate"])


def test_one_fit_by_hand_is_the_kits(study: sk.OpenStudy):
    """A container's own difference in an ordinary linear model (statsmodels): every container counts once."""
    from statsmodels.formula.api import ols

    fit, rows = study.model("KV40"), study.tidy("KV40")
    cells = rows.pivot_table(index="container", columns="depth", values="y", aggfunc="mean", observed=True)
    data = rows.drop_duplicates("container").merge((cells["lower"] - cells["upper"]).rename("d").reset_index())
    by_hand = ols("d ~ 1", data).fit()
    average = by_hand.t_test(by_hand.model.exog.mean(axis=0))
    assert fit.bottom_top is not None
    assert fit.bottom_top.df == pytest.approx(by_hand.df_resid)
    assert average.effect[0] == pytest.approx(fit.bottom_top.estimate, rel=1e-9)
    assert average.conf_int(alpha=0.1)[0] == pytest.approx([*fit.bottom_top.interval(0.9)], rel=1e-9)


def aged(containers: int = 16, rate: float = 0.0146) -> pd.DataFrame:
    """Drums of four ages whose lowest and uppermost zone grow apart by ``rate`` a month (log ratio)."""
    rng, ages = np.random.default_rng(1), np.repeat([4, 12, 20, 30], containers // 4)
    return pd.DataFrame([(f"D{i}", d, t, 100 * math.exp(part * rate * t + rng.normal(0, 0.01)), "ab"[i % 2])
                         for i, t in enumerate(ages) for d, part in zip(DEPTHS, (-0.5, 0, 0.5), strict=True)],
                        columns=["container", "depth", "months", "value", "store"])


DEPTHS = ("upper", "middle", "lower")
TWENTY = {"relative_percent": 20}


def test_a_table_with_ages_has_its_times_in_a_line():
    found = sk.times(aged(), margin=TWENTY, depths=DEPTHS).iloc[0]
    true = math.log(1.2) / 0.0146  # 12.5 months
    assert found["mean within up to"] < true < found["mean beyond from"]
    assert found["containers within up to"] < found["mean within up to"]
    assert found["in words"].startswith("on average within the margin up to 11 months")
    by_store = sk.times(aged(), margin=TWENTY, depths=DEPTHS, groups=["store"])
    assert list(by_store["group"]) == ["store a", "store b"]


@pytest.mark.slow
def test_a_table_says_what_a_study_of_the_same_rows_does(tmp_path):
    """The demo with visits: one analyte, by orientation, from its own tidy rows."""
    study = sk.demo("beacon", tmp_path / "beacon")
    told = study.times()
    told = told[told["analyte"] == "Mo"].reset_index(drop=True)
    rows = study.results[study.results["analyte"] == "Mo"].merge(study.samples, on="sample")
    rows = rows.merge(study.containers, on="container")
    rows = rows[rows["kind"] == "spot"].assign(
        months=lambda r: (r["visited_on"] - r["filled_on"]).dt.days / (365.2425 / 12))
    frame = rows[["container", "depth", "months", "value", "orientation"]]
    found = sk.times(frame, margin={"relative_percent": study.study.analytes["Mo"].margin.relative_percent}, depths=DEPTHS,
                     groups=["orientation"], share=study.study.share_percent / 100, alpha=study.study.alpha)
    for column in ("mean fitted", "mean within up to", "containers fitted", "containers within up to"):
        assert found[column][:2].to_numpy() == pytest.approx(told[column].to_numpy(), rel=1e-6, nan_ok=True)


def test_every_fault_of_a_table_with_ages_stands_in_one_message():
    bad = aged().astype({"months": object, "value": object})
    bad.loc[0, "value"], bad.loc[1, "months"], bad.loc[3, "depth"], bad.loc[5, "store"] = -1, "x", "bottom", "c"
    with pytest.raises(sk.BadInput) as error:
        sk.times(bad, margin=TWENTY, depths=DEPTHS, groups=["store"], share=20, course="curved")
    text = str(error.value)
    for part in ("course: 'curved'", "share: '20'", "row 1, column value", "row 2, column months: 'x'", "row 4, column depth",
                 "several levels"):
        assert part in text
    assert len(error.value.faults) == 6


@pytest.mark.parametrize(("change", "said"), [
    (lambda t: t.assign(months=6), "all ages are equal"), (lambda t: t.drop(columns="months"), "months: is not there"),
    (lambda t: t[t["container"].isin(["D0", "D4"])], "nothing can be told of how a difference grows"),
    (lambda t: t.assign(value=t["value"].map(lambda v: "<90" if v < 90 else v)), "known only as a limit"),
    (lambda t: t[t["depth"] == "upper"], "fewer than two depths have values")])
def test_a_table_that_carries_no_line_says_why(change, said):
    with pytest.raises(sk.BadInput, match=said):
        sk.times(change(aged()), margin=TWENTY, depths=DEPTHS)


def test_visits_that_lack_a_zone_are_named():
    table = aged()
    words = sk.times(table.drop(index=table.index[1]), margin=TWENTY, depths=DEPTHS)["in words"].iloc[-1]
    assert "1 of 16 visits to containers has no result of some zone" in words
    assert "D0 at 4 months (middle)" in words
