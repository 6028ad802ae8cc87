"""Suspicious numbers: every rule has a case where it must fire and one where it must not."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from studykit.quality import plausibility as suspicions
from studykit.quality.flags import working_table
from studykit.study.definition import Study, parse_study
from tests.faults.bench import USUAL, flags_of
from tests.faults.laboratory import make
from tests.quality_cases import ANALYTES, DEPTHS, Case, build, study_of

S_R = {a: level * s for a, (level, s, _, _) in ANALYTES.items()}


def table(case: Case) -> pd.DataFrame:
    return working_table(*case.tables())


def coarsen(case: Case, analyte: str, step: float, digits: int) -> None:
    own = case.results["analyte"] == analyte
    value = (case.results.loc[own, "value"] / step).round() * step
    case.results.loc[own, "value"] = value
    case.results.loc[own, "as_written"] = [f"{v:.{digits}f}" for v in value]


def small(rows: list[tuple[str, float, str]], unit: str = "mg/kg") -> pd.DataFrame:
    """A results table from (analyte, value, as written), one sample a row."""
    return pd.DataFrame([{
        "sample": f"S{i}", "analyte": a, "value": v, "unit": unit, "qualifier": "", "limit": np.nan,
        "as_written": w, "replicate": 1, "source_file": "f.csv", "source_row": i + 2,
    } for i, (a, v, w) in enumerate(rows)])


@pytest.mark.parametrize(("written", "values", "step"), [
    (["12.3", "12", "11.9", "12.1", "12.2", "12.5", "11.7", "12.4"], None, 0.1),
    (["10", "15", "20", "25", "10", "30", "15", "20"], None, 5.0),
    (["0,0342", "0,0351", "0,0338", "0,0343"], [342.0, 351.0, 338.0, 343.0], 1.0),
    (["4.5", "5.0", "4.0", "5.5", "6.0", "4.5", "5.0", "5.5"], None, 0.5),
])
def test_reporting_step(written: list[str], values: list[float] | None, step: float) -> None:
    numbers = values or [float(w) for w in written]
    got = suspicions.reporting_steps(small([("P", v, w) for v, w in zip(numbers, written, strict=True)]))
    assert got["step"].iloc[0] == pytest.approx(step, rel=1e-9)


def test_coarse_rounding_fires_and_stays_silent() -> None:
    case = build(1)
    assert suspicions.rounding(suspicions.reporting_steps(case.results), case.study, S_R).flags == ()
    coarsen(case, "Mo", 2.0, 0)
    flags = suspicions.rounding(suspicions.reporting_steps(case.results), case.study, S_R).flags
    assert [(f.analyte, f.concern) for f in flags] == [("Mo", "ask before trusting")]
    assert "steps of 2" in flags[0].evidence


def test_a_step_is_held_against_half_of_the_margin_at_the_level_of_the_results() -> None:
    """10 % of 400 mg/kg are 40: steps of 18 pass, steps of 22 do not, where no repeatability is known."""
    study = study_of(("P",))
    for step, flagged in ((18.0, 0), (22.0, 1)):
        steps = pd.DataFrame({"analyte": ["P"], "source_file": ["lab.csv"], "n": [30], "step": [step], "level": [400.0],
                              "distinct": [0.5]})
        check = suspicions.rounding(steps, study, {})
        assert check.table["margin"].item() == pytest.approx(40)
        assert len(check.flags) == flagged


def test_digit_preference_fires_and_stays_silent() -> None:
    case = build(2, count=24)
    assert suspicions.digit_preference(case.results, suspicions.reporting_steps(case.results)).flags == ()
    own = case.results.index[case.results["analyte"] == "Ca"]
    for i in own[::2]:
        v = round(float(case.results.loc[i, "value"]))
        case.results.loc[i, "value"], case.results.loc[i, "as_written"] = float(v), f"{v}.0"
    flags = suspicions.digit_preference(case.results, suspicions.reporting_steps(case.results)).flags
    assert [f.analyte for f in flags] == ["Ca"]
    assert "last digit 0" in flags[0].evidence


def significant_digits(rng: np.random.Generator, dropped: bool) -> pd.DataFrame:
    """72 to 240 results about 100, in lots and depths, with four significant digits: "87.31", "131.5"."""
    lots, depths = rng.normal(0, 0.2, 3), rng.normal(0, 0.1, 3)
    n = int(rng.integers(72, 240))
    value = 100 * np.exp(lots[rng.integers(0, 3, n)] + depths[rng.integers(0, 3, n)] + rng.normal(0, 0.015, n))
    written = [f"{v:.{3 - int(np.floor(np.log10(v)))}f}" for v in value]
    written = [f"{float(w):g}" for w in written] if dropped else written
    return pd.DataFrame({"analyte": "Mo", "source_file": "lab.csv", "as_written": written, "qualifier": "",
                         "value": [float(w) for w in written]})


@pytest.mark.slow
@pytest.mark.parametrize("dropped", [True, False])
def test_significant_digits_across_a_power_of_ten_are_no_preference(dropped: bool) -> None:
    """Of 400 sets none, or one in all (the level is 1 % of sets, and the test keeps well below it)."""
    rng = np.random.default_rng(87)
    sets = [significant_digits(rng, dropped) for _ in range(400)]
    assert sum(len(suspicions.digit_preference(t, suspicions.reporting_steps(t)).flags) for t in sets) <= 1


@pytest.mark.slow
def test_digits_read_off_by_eye_are_seen_among_significant_ones() -> None:
    """A third of the results are written with 0 or 5 at the end."""
    rng = np.random.default_rng(88)
    seen = 0
    for _ in range(40):
        t = significant_digits(rng, dropped=False)
        for i in t.index[::3]:
            step = 0.05 if t.at[i, "value"] < 100 else 0.5
            t.loc[i, "value"] = round(t.at[i, "value"] / step) * step
            t.loc[i, "as_written"] = f"{t.at[i, 'value']:.{2 if step < 0.1 else 1}f}"
        seen += bool(suspicions.digit_preference(t, suspicions.reporting_steps(t)).flags)
    assert seen >= 20, seen


def metals_study() -> Study:
    base = {"unit": "mg/kg", "method": "invented", "margin": {"absolute": 2.0}, "margin_reason": "invented"}
    return parse_study({"title": "invented study", "question": "has it settled?", "responsible": "tester",
                        "factors": {"depths": list(DEPTHS)}, "analytes": {"Fe": {**base, "limit": 1.0}, "Cu": base},
                        "vessels": {"pail": {"shape": "frustum", "bottom_diameter_mm": 270, "top_diameter_mm": 300,
                                             "height_mm": 360}}})


def metals_tables(fe: float, cu: float) -> tuple[Study, pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    containers = pd.DataFrame({"container": ["C1"], "lot": ["L"], "treatment": ["stored"]})
    samples = pd.DataFrame({"sample": ["S0", "S1", "S2", "S3"], "container": "C1", "kind": "spot",
                            "depth": ["upper", "lower", "upper", "lower"], "height": [0.8, 0.2, 0.8, 0.2]})
    results = small([("Fe", fe, "x"), ("Cu", cu, "x"), ("Cu", 1.0, "x")])
    results["sample"] = ["S0", "S0", "S1"]
    results[["run", "run_order"]] = ["1", 1]
    results.loc[2, ["qualifier", "limit"]] = ["<", 1.0]
    return metals_study(), containers, samples, results


def test_wear_metals_above_the_limit_are_named_together() -> None:
    study, containers, samples, results = metals_tables(fe=6.0, cu=3.0)
    t = working_table(study, containers, samples, results)
    (flag,) = suspicions.wear_metals(study, t, results).flags
    assert (flag.samples, flag.concern) == (("S0",), "ask before trusting")
    unit = study.unit_of("Fe")
    assert f"Fe 6 {unit} (limit 1)" in flag.evidence
    named = study.model_copy(update={"analytes": {k: a.model_copy(update={"label": "iron"} if k == "Fe" else {})
                                                  for k, a in study.analytes.items()}})
    assert f"iron 6 {unit} (limit 1)" in suspicions.wear_metals(named, t, results).flags[0].evidence
    assert "common practice, no source" in flag.evidence


def test_wear_metals_below_the_limit_and_without_one() -> None:
    study, containers, samples, results = metals_tables(fe=0.5, cu=0.9)
    t = working_table(study, containers, samples, results)
    assert suspicions.wear_metals(study, t, results).flags == ()
    unknown = results[results["qualifier"] == ""]
    assert suspicions.wear_metals(study, t, unknown).note == "no reporting limit known for Cu"


def test_zinc_to_phosphorus_ratio_hint() -> None:
    clean = build(8)
    assert suspicions.zinc_to_phosphorus(table(clean)).flags == ()
    case = build(8)
    sample = case.sample_of("C03", "upper")
    case.multiply(sample, "Zn", 1.3)
    flags = suspicions.zinc_to_phosphorus(table(case)).flags
    assert [f.samples for f in flags] == [(sample,)]
    assert {f.concern for f in flags} == {"hint only"}
    shifted = build(8)
    shifted.results.loc[shifted.results["analyte"] == "Zn", "value"] *= 2
    assert any("1.055" in f.evidence and f.where == "all samples"
               for f in suspicions.zinc_to_phosphorus(table(shifted)).flags)


def test_zn_p_constant_from_atomic_masses() -> None:
    # standard atomic masses Zn 65.38, P 30.973762 (IUPAC 2021): Zn[S2P(OR)2]2 holds one Zn and two P
    assert pytest.approx(65.38 / (2 * 30.973762), rel=2e-4) == suspicions.ZN_P


def test_raised_limit_is_named() -> None:
    case = build(9)
    i = case.value_index(case.sample_of("C02", "middle"), "Si")
    case.results.loc[i, ["qualifier", "limit"]] = ["<", 25.0]
    (flag,) = suspicions.odd_limits(case.results).flags
    assert "a raised limit hides it" in flag.evidence
    case.results.loc[i, "limit"] = 2.0
    (flag,) = suspicions.odd_limits(case.results).flags
    assert "none of the numbers is that low" in flag.evidence


def test_an_ordinary_limit_is_not_odd() -> None:
    results = small([("Zn", v, "x") for v in (2.1, 2.4, 2.0, 3.0)])
    results.loc[3, ["qualifier", "limit"]] = ["<", 2.0]
    assert suspicions.odd_limits(results).flags == ()


def test_impossible_values() -> None:
    results = small([("P", -3.0, "-3"), ("S", 1.2e6, "1200000"), ("Ca", 900.0, "900")])
    flags = suspicions.impossible_values(results).flags
    assert {f.samples for f in flags} == {("S0",), ("S1",)}
    many = small([("A", 7e5, "x"), ("B", 6e5, "x")])
    many["sample"] = "S9"
    (flag,) = suspicions.impossible_values(many).flags
    assert "add up to 130 %" in flag.evidence
    assert suspicions.impossible_values(small([("A", 90.0, "90")], unit="% (m/m)")).flags == ()
    assert len(suspicions.impossible_values(small([("A", 101.0, "101")], unit="% (m/m)")).flags) == 1
    assert suspicions.impossible_values(small([("PP", -53.0, "-53")], unit="°C")).flags == ()
    assert len(suspicions.impossible_values(small([("V", -53.0, "-53")], unit="mm²/s")).flags) == 1


@pytest.mark.slow
def test_zeros_of_a_whole_file_are_a_unit_and_of_few_bottles_a_question() -> None:
    """Boron 210 mg/kg reads 0 everywhere in one run (a mass fraction in per cent, rounded), or in two bottles of it."""
    for rows, rule in ((slice(None), "unit slip"), (slice(2), "impossible value")):
        lab = make(USUAL, 3)
        lab.edits += [(int(i), "B", "0") for i in lab.rows(run="R2")[rows]]
        own = flags_of(lab).query("analyte == 'B'")
        zero = own[own["evidence"].str.contains("read 0 ")]
        assert list(zero["rule"]) == [rule], own.to_string()
        assert zero["where"].iloc[0] == "file lab_R2.csv, run R2"


def test_zeros_of_what_is_hardly_there_are_none() -> None:
    """Readings of 0 to 4 mg/kg hold zeros as a matter of course."""
    results = pd.DataFrame({"sample": [f"s{i}" for i in range(20)], "analyte": "Fe", "value": [0.0, 1.0, 2.0, 4.0, 0.0] * 4,
                            "unit": "mg/kg", "qualifier": "", "replicate": 1, "source_file": "a.csv", "source_row": range(20),
                            "run": "R1"})
    assert suspicions.impossible_values(results).flags == ()
