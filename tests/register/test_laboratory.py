"""The record of controls: components against published examples, studies put together, what is offered and what is refused."""

from __future__ import annotations

import shutil
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import studykit as sk
from studykit.core.errors import BadInput
from studykit.front import take_in
from studykit.inference import Margin
from studykit.mixed import fit_reml
from studykit.quality.controls import read_check_limits
from studykit.register import laboratory, write_record
from studykit.register.fluid import OWN_MEAN
from studykit.register.laboratory import components_of


def laboratories(cells: str) -> pd.DataFrame:
    """Readings as the standards print them: laboratories between bars, readings between blanks."""
    rows = [(str(i), float(v)) for i, lab in enumerate(cells.split("|")) for v in lab.split()]
    return pd.DataFrame(rows, columns=["lab", "y"])


def scatter(table: pd.DataFrame) -> tuple[float, float]:
    """Repeatability and reproducibility standard deviation."""
    sd = {name: s for name, s, _, _, _ in components_of(table, [("lab", "laboratories")], "repeatability")}
    return sd["repeatability"], float(np.hypot(sd["repeatability"], sd.get("laboratories", 0.0)))


# ISO 5725-2:1994, B.3, creosote oil, without laboratory 1 (at level 5 also without 6), as the standard leaves them out
# (data and results recalled; recomputing them gives the printed digits): readings of a level, then s_r and s_R
CREOSOTE = [
    ("4.03 4.23|3.70 3.70|4.10 4.10|3.97 4.04|3.75 4.03|3.70 3.80|3.91 3.90|4.02 4.07", 0.092, 0.171),
    ("8.42 8.33|7.60 7.40|8.93 8.80|7.89 8.12|8.76 9.24|8.00 8.30|8.04 8.07|8.44 8.17", 0.179, 0.498),
    ("14.42 14.50|13.60 13.60|14.60 14.20|13.73 13.92|13.90 14.06|14.10 14.20|14.84 14.84|14.24 14.10", 0.127, 0.400),
    ("16.06 16.22|14.50 15.10|15.60 15.50|15.54 15.78|16.42 16.58|14.90 16.00|15.41 15.22|15.14 15.44", 0.337, 0.579),
    ("20.40 19.91|19.30 19.70|20.30 20.30|20.53 20.88|19.70 20.50|21.10 20.78|20.71 21.66", 0.393, 0.637),
]
# ASTM E691, serum glucose, materials A (no scatter between laboratories) and D (data as the CRAN package ILS has them)
GLUCOSE = [
    ("41.03 41.45 41.37|41.17 42.00 41.15|41.01 40.68 42.66|39.37 42.37 42.63|41.88 41.19 41.32|43.28 40.50 42.28|"
     "41.08 41.27 39.02|43.36 42.65 41.72", 1.0632, 1.0632),
    ("193.71 193.59 193.65|190.88 200.14 194.30|192.71 193.28 190.28|195.85 196.36 199.43|192.59 191.44 195.12|"
     "195.34 198.26 198.13|194.66 191.99 187.13|197.56 195.99 200.82", 2.6251, 3.3657),
]


@pytest.mark.few(2)
@pytest.mark.parametrize(("cells", "s_r", "s_R"), CREOSOTE)
def test_components_of_balanced_laboratories_are_those_of_iso_5725(cells: str, s_r: float, s_R: float) -> None:
    # printed with three decimals
    assert scatter(laboratories(cells)) == (pytest.approx(s_r, abs=6e-4), pytest.approx(s_R, abs=6e-4))


@pytest.mark.parametrize(("cells", "s_r", "s_R"), GLUCOSE)
def test_components_of_balanced_laboratories_are_those_of_e691(cells: str, s_r: float, s_R: float) -> None:
    """Where the laboratories scatter less than chance, REML pools: s_r is then that of all readings, below the printed one."""
    got_r, got_R = scatter(laboratories(cells))
    if s_r == s_R:
        whole = float(laboratories(cells)["y"].std(ddof=1))
        assert (got_r, got_R) == (pytest.approx(whole, rel=1e-6), pytest.approx(whole, rel=1e-6))
        assert got_r == pytest.approx(s_r, rel=0.06)
    else:
        # printed with four decimals
        assert (got_r, got_R) == (pytest.approx(s_r, abs=6e-5), pytest.approx(s_R, abs=6e-5))


# ISO 5725-2:1994, B.1, sulphur in coal, level 1: three to five readings a laboratory (recalled, as above)
COAL = ".71 .71 .70 .71|.69 .67 .68|.66 .65 .69|.67 .65 .66|.70 .69 .66 .71 .69|.73 .74 .73|.71 .71 .69|.70 .65 .68"


def test_unequal_numbers_give_about_what_the_standard_gives() -> None:
    s_r, s_R = scatter(laboratories(COAL))
    assert s_r == pytest.approx(0.015, abs=6e-4)
    # the standard weights laboratories by their readings, REML by what they tell: 0.0271 and 0.0264
    assert s_R == pytest.approx(0.0264, rel=0.04)


@pytest.mark.slow
def test_limits_hold_what_they_say() -> None:
    """Twelve runs of three, 1 and 1: of 300 records about one in twenty has each limit on the wrong side (3.5 errors)."""
    rng, out = np.random.default_rng(5), np.zeros((2, 2))
    run = np.repeat([f"r{i:02d}" for i in range(12)], 3)
    for _ in range(300):
        t = pd.DataFrame({"run": run, "y": np.repeat(rng.standard_normal(12), 3) + rng.standard_normal(36)})
        for k, name in enumerate(("run", "residual")):
            low, high = laboratory.limits_of(fit_reml(t, "y", random=("run",)), name)
            out[k] += low > 1, high < 1
    # the likelihood's limits are approximate: 3.5 Monte Carlo errors and as much again as the level
    assert (out / 300 < 0.05 + 3.5 * np.sqrt(0.05 * 0.95 / 300) + 0.02).all(), out / 300
    assert (out / 300 > 0.005).all(), out / 300


@pytest.fixture(scope="module")
def two(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The same invented study under two names, the second with a check fluid that reads 2 % more."""
    root = tmp_path_factory.mktemp("controls")
    out = []
    for name, factor in (("first", 1.0), ("second", 1.02)):
        folder = root / name
        shutil.copytree(Path("demo_data/ropeway"), folder)
        take_in(folder)
        samples = pd.read_csv(folder / "plan/samples.csv", dtype=str, keep_default_na=False)
        fluid = samples.loc[samples["kind"] == "check fluid", "sample"]
        path = folder / "tidy/results.csv"
        results = pd.read_csv(path, dtype=str, keep_default_na=False)
        own = results["sample"].isin(fluid) & (results["analyte"] == "P")
        results.loc[own, "value"] = [f"{float(v) * factor:.6g}" for v in results.loc[own, "value"]]
        results.to_csv(path, index=False)
        out.append(folder)
    return out[0], out[1]


@pytest.mark.slow
def test_two_studies_show_what_lies_between_them(two: tuple[Path, Path], tmp_path: Path) -> None:
    found = write_record([sk.open(two[0]), sk.open(two[1])], tmp_path / "c").found
    fluid = found.components[(found.components["from"] == "check fluid") & (found.components["analyte"] == "P")]
    assert set(fluid["component"]) == {"between studies", laboratory.WITH_RUNS}
    # two studies that lie 2 % apart: a standard deviation of 2 % over the root of two
    assert found.sd("P", "between studies") == pytest.approx(100 * np.log(1.02) / np.sqrt(2), rel=0.15)
    assert found.sd("S", "between studies") == pytest.approx(0.0, abs=1e-6)
    assert any("same fluid" in n for n in found.notes)
    p = found.budget.set_index(["analyte", "of"]).loc[("P", "one result of one bottle")]
    parts = [v for v in (p["measuring"], p["drawing"], p["runs"], p["studies"]) if np.isfinite(v)]
    # Guide to the expression of uncertainty: the root of the sum of squares, and twice it
    assert p["u"] == pytest.approx(float(np.sqrt(np.sum(np.square(parts)))), rel=1e-9)
    assert p["U"] == pytest.approx(2 * p["u"], rel=1e-9)


@pytest.mark.slow
def test_what_is_offered_can_be_read_and_changes_no_study(two: tuple[Path, Path], tmp_path: Path) -> None:
    before = {p: p.read_bytes() for p in two[0].rglob("*") if p.is_file()}
    kept = write_record([sk.open(two[0])], tmp_path / "c")
    offered = tomllib.loads((tmp_path / "c/for-the-next-study.toml").read_text(encoding="utf-8"))
    assert offered["design"]["guesses"]["P"]["s_r"] == pytest.approx(kept.found.sd("P", laboratory.MEASURING, laboratory.BOTH),
                                                                     rel=5e-3)
    assert "record of controls of first" in offered["design"]["guesses"]["P"]["source"]
    assert {p: p.read_bytes() for p in two[0].rglob("*") if p.is_file()} == before
    page = (tmp_path / "c/controls.html").read_text(encoding="utf-8")
    assert "Uncertainty budget" in page
    assert "Control chart of each analyte" in page


@pytest.mark.slow
def test_proposed_limits_are_taken_as_a_file_of_the_plan(two: tuple[Path, Path], tmp_path: Path) -> None:
    write_record([sk.open(two[0]), sk.open(two[1])], tmp_path / "c")
    shutil.copy(tmp_path / "c/check_limits.csv", two[0] / "plan/check_limits.csv")
    study = sk.open(two[0])
    limits = read_check_limits(study.root, study.study)
    (two[0] / "plan/check_limits.csv").unlink()
    assert limits is not None
    assert (limits["low"] < limits["high"]).all()
    assert (limits["spread"] > 0).all()


@pytest.mark.slow
def test_bad_asking_is_refused(two: tuple[Path, Path], tmp_path: Path) -> None:
    study = sk.open(two[0])
    with pytest.raises(BadInput, match="twice"):
        write_record([study, study], tmp_path / "c")
    with pytest.raises(BadInput, match="inside"):
        write_record([study], two[0] / "c")
    assert not (tmp_path / "c").exists()


@pytest.mark.slow
def test_a_bias_is_told_where_the_fluid_has_a_reference_value_in_each_study(two: tuple[Path, Path], tmp_path: Path) -> None:
    """The second fluid holds 2 % more, and so does its reference value: both read 4 % above it, and lie nowhere apart."""
    first = laboratory.record([sk.open(two[0])]).readings.query("analyte == 'P'")["value"].mean()
    for folder, value in ((two[0], first / 1.04), (two[1], 1.02 * first / 1.04)):
        lines = f"analyte,low,high,value,uncertainty\nP,{0.9 * value},{1.2 * value},{value},{0.002 * value}\n"
        (folder / "plan/check_limits.csv").write_text(lines, encoding="utf-8")
    found = laboratory.record([sk.open(p) for p in two])
    for folder in two:
        (folder / "plan/check_limits.csv").unlink()
    row = found.bias.set_index("analyte").loc["P"]
    assert list(found.bias["analyte"]) == ["P"]
    assert row["mean_departure"] == pytest.approx(4.0, abs=0.1)
    assert row["low"] < 4.0 < row["high"]
    assert found.sd("P", "between studies") < 0.5
    assert laboratory.record([sk.open(two[0])]).bias.empty


@pytest.mark.slow
def test_a_certified_value_stays_the_reference_and_a_step_that_lasts_is_ringed(two: tuple[Path, Path], tmp_path: Path) -> None:
    """The second study reads 2 % above a value that both were given: that value is proposed, the own mean told beside it."""
    first = laboratory.record([sk.open(two[0])]).readings.query("analyte == 'P'")["value"].mean()
    lines = f"analyte,low,high,value,uncertainty\nP,{0.9 * first},{1.2 * first},{first},{0.002 * first}\n"
    for folder in two:
        (folder / "plan/check_limits.csv").write_text(lines, encoding="utf-8")
    found = write_record([sk.open(p) for p in two], tmp_path / "c").found
    proposed = pd.read_csv(tmp_path / "c/check_limits.csv").set_index("analyte").loc["P"]
    for folder in two:
        (folder / "plan/check_limits.csv").unlink()
    assert proposed["value"] == pytest.approx(first, rel=1e-9)
    assert proposed["uncertainty"] == pytest.approx(0.002 * first, rel=1e-9)
    assert proposed["source"].startswith("reference value of second; this laboratory's own mean is ")
    assert "(+2 %, " in proposed["source"]
    p = found.readings.query("analyte == 'P'")
    assert (p["line"] == 0.0).all()
    within = p.groupby("study")["departure"].transform(lambda x: x - x.mean())
    own = float(np.sqrt((within**2).sum() / (len(p) - 2)))
    # the two studies lie 2 % apart, which does not widen the limits: readings about their own mean, and 0.2 %
    assert p["spread"].to_numpy() == pytest.approx(np.hypot(own, 0.2), rel=0.02)
    # an analyte without a value has its own mean, and says so
    others = pd.read_csv(tmp_path / "c/check_limits.csv").query("analyte != 'P'")
    assert others["source"].str.startswith(OWN_MEAN).all()


def test_runs_of_a_study_stand_in_the_sequence_of_their_numbers() -> None:
    """Twelve runs of one study, R9 and R10 2.5 spreads above the value: two in a row, and in no other order."""
    runs = list(range(12, 0, -1))
    fluid = pd.DataFrame({"study": "s", "run": [f"R{k}" for k in runs], "run_order": 1, "replicate": 1,
                          "at": [f"s R{k}" for k in runs], "y": [100 + 2.5 * (k in (9, 10)) for k in runs],
                          "centre": 100.0, "certain": True, "uncertainty": 0.0})
    told = laboratory._charted(fluid.assign(d=fluid["y"] - 100), Margin.absolute(5, "mg/kg"))
    assert list(told["run"]) == [f"R{k}" for k in range(1, 13)]
    assert list(told.loc[told["rules_broken"].str.contains("2-2s"), "run"]) == ["R9", "R10"]
