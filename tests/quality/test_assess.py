"""The quality report as a whole: completeness, which scatter judges, planted faults together, frozen results."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from studykit.core.errors import BadInput
from studykit.quality.assess import QualityReport, _about_the_model, _drawn, _Looked, _sentences, assess, stated_scatter
from studykit.quality.flags import CONCERNS, CheckResult, Flag, Scatter, flag_table, holm, listed, robust_sd, shown
from tests.quality_cases import Case, build


@pytest.fixture(scope="module")
def clean() -> tuple[Case, QualityReport]:
    case = build(1)
    return case, assess(*case.tables())


@pytest.fixture(scope="module")
def faulty() -> tuple[Case, QualityReport]:
    """One study with a swap, a unit slip, a lost bottle, coarse rounding and a duplicate far apart."""
    case = build(77)
    case.swap(case.sample_of("C05", "upper"), case.sample_of("C05", "lower"))
    case.multiply(case.sample_of("C08", "middle"), "Zn", 10.0)
    case.multiply(case.sample_of("C02", "middle", "duplicate"), "S", 1.25)
    case.notes["lost"] = case.sample_of("C11", "lower")
    case.results = case.results[case.results["sample"] != case.notes["lost"]].reset_index(drop=True)
    own = case.results["analyte"] == "Ca"
    case.results.loc[own, "value"] = (case.results.loc[own, "value"] / 50).round() * 50
    case.results.loc[own, "as_written"] = case.results.loc[own, "value"].map("{:.0f}".format)
    return case, assess(*case.tables())


def test_a_clean_study_has_no_flag(clean: tuple[Case, QualityReport]) -> None:
    _, report = clean
    assert report.flags.empty, report.flags.to_string()
    assert "No check raised a flag." in report.sentences
    assert not report.blind


def test_every_planted_fault_is_found_in_its_place(faulty: tuple[Case, QualityReport]) -> None:
    case, report = faulty
    found = {(r["rule"], r["where"].split(",")[0], r["analyte"]) for r in report.flags.to_dict("records")}
    assert ("swapped samples", "container C05", "") in found
    assert ("unit slip", f"sample {case.sample_of('C08', 'middle')} (container C08)", "Zn") in found
    assert any(r[0] in ("duplicates apart", "value alone") and r[2] == "S" for r in found)
    assert ("missing results", f"sample {case.notes['lost']}", "") in found
    assert ("coarse rounding", "file simulated", "Ca") in found
    assert any(case.notes["lost"] in s for s in report.sentences)


def test_flags_are_ordered_and_never_change_the_results(faulty: tuple[Case, QualityReport]) -> None:
    case, report = faulty
    rank = [CONCERNS.index(c) for c in report.flags["concern"]]
    assert rank == sorted(rank)
    assert report.usable.rows.equals(case.results)


def test_completeness_adds_up(faulty: tuple[Case, QualityReport]) -> None:
    case, report = faulty
    t = report.completeness
    assert (t["planned"] == len(case.samples)).all()
    assert (t["measured"] + t["missing"] == t["planned"]).all()
    assert (t["quantified"] + t["below_limit"] == t["measured"]).all()
    assert list(report.missing["sample"]) == [case.notes["lost"]]
    assert bool(report.missing["all_lost"].iloc[0])


@pytest.mark.slow
def test_own_duplicates_judge_where_there_are_enough(clean: tuple[Case, QualityReport]) -> None:
    _, report = clean
    assert "this study's duplicates" in {s.source for s in report.scatter.values()}
    few = build(1, duplicates=3)
    (source,) = {s.source for s in assess(*few.tables()).scatter.values()}
    assert source == "stated in study.toml: invented; as stated by the laboratory"
    none = build(1, duplicates=0)
    bare = {a: d.model_copy(update={"repeatability": None}) for a, d in none.study.analytes.items()}
    none.study = none.study.model_copy(update={"analytes": bare})
    unknown = assess(*none.tables())
    assert all(np.isnan(s.s) for s in unknown.scatter.values())
    assert "not assessed" in " ".join(unknown.overview()["note"])


@pytest.mark.slow
def test_an_exclusion_is_counted_and_stays_in_the_checks(clean: tuple[Case, QualityReport]) -> None:
    case, before = clean
    table = pd.DataFrame({"sample": [case.sample_of("C01", "upper")], "analyte": ["P"], "replicate": [pd.NA],
                          "reason": ["leaked"], "who": ["analyst"], "date": [pd.Timestamp("2026-02-03")]})
    report = assess(*case.tables(), exclusions=table)
    assert len(report.exclusions) == 1
    assert len(report.usable.rows) == len(case.results) - 1
    assert report.duplicates.equals(before.duplicates)
    assert any(s.startswith("1 result was taken out by a person") for s in report.sentences)
    assert report.completeness.set_index("analyte").loc["P", "excluded"] == 1


@pytest.mark.slow
def test_a_blind_study_says_stop_first() -> None:
    report = assess(*build(1, layers=0.0).tables())
    assert report.blind
    assert report.sentences[0].startswith("STOP")
    assert report.flags["concern"].iloc[0] == "stop and find out"


@pytest.mark.slow
def test_row_order_and_container_names_do_not_matter(faulty: tuple[Case, QualityReport]) -> None:
    case, report = faulty
    study, containers, samples, results = case.tables()
    shuffled = results.sample(frac=1.0, random_state=3)
    rename = {c: f"Z{k:02d}" for k, c in enumerate(reversed(list(containers["container"])))}
    renamed = assess(study, containers.assign(container=containers["container"].map(rename)),
                     samples.assign(container=samples["container"].map(lambda c: rename.get(c, c))), shuffled)
    key = ["rule", "concern", "analyte", "samples"]
    assert sorted(map(tuple, renamed.flags[key].to_numpy())) == sorted(map(tuple, report.flags[key].to_numpy()))


def test_bad_check_limits_are_refused(tmp_path: Path, clean: tuple[Case, QualityReport]) -> None:
    case, _ = clean
    (tmp_path / "plan").mkdir()
    (tmp_path / "plan/check_limits.csv").write_text("analyte,low,high\nP,low,380\n")
    with pytest.raises(BadInput, match="row 2, column low: 'low'"):
        assess(*case.tables(), root=tmp_path)
    (tmp_path / "plan/check_limits.csv").write_text("analyte,low,high\nXx,1,2\nP,400,380\nP,330,350\n")
    with pytest.raises(BadInput) as caught:
        assess(*case.tables(), root=tmp_path)
    for words in ("row 2, column analyte: 'Xx': is not declared", "row 3, column low: '400': is not below high (380)",
                  "row 4, column analyte: 'P': has its limits in an earlier line"):
        assert words in str(caught.value)
    (tmp_path / "plan/check_limits.csv").write_text("analyte,low,high\nP,400,420\n")
    assert "check fluid" in set(assess(*case.tables(), root=tmp_path).flags["rule"])


def test_results_are_frozen_and_rules_are_named(clean: tuple[Case, QualityReport]) -> None:
    _, report = clean
    with pytest.raises(dataclasses.FrozenInstanceError):
        report.sentences = ()  # type: ignore[misc]
    with pytest.raises(ValueError, match="rule must be one of missing results, explanations"):
        report.check("nonsense")
    assert report.check("drift").to_table().equals(report.check("drift").table)
    assert list(report.judged_by()["unit"].unique()) == ["%"]


def test_a_scatter_is_told_in_the_unit_at_the_middle_level() -> None:
    """By hand: 2 % of the middle one of 90, 100 and 400 mg/kg are 2 mg/kg; a scatter in the unit stays as it is."""
    t = pd.DataFrame({"analyte": ["P"] * 3 + ["water"] * 3, "value": [90.0, 400.0, 100.0, 20.0, 30.0, 70.0],
                      "relative": [True] * 3 + [False] * 3})
    told = _Looked.in_unit(SimpleNamespace(t=t), {a: Scatter(s=s, source="a test") for a, s in (("P", 0.02), ("water", 5.0))})
    assert {a: s.s for a, s in told.items()} == pytest.approx({"P": 2.0, "water": 5.0})


def test_a_bottle_scatters_by_what_judges_or_by_what_the_model_leaves_whichever_is_larger() -> None:
    left = np.array([[0.03, 0.03, 9.0], [0.03, 0.03, 9.0], [0.05, 0.03, np.nan], [7.0, 7.0, 7.0]])
    left = np.concatenate([left[:3], left[:3], left])
    zone = np.array([*[True] * 9, False])
    frame = SimpleNamespace(zone=zone, analytes=("P", "Zn", "S"), at=np.zeros(10, int), place=np.where(zone, 0, 1))
    suspects = SimpleNamespace(frame=frame, model=SimpleNamespace(s=left))
    judged = {"P": 0.02, "Zn": 0.05, "S": 0.02, "B": 0.02, "Mo": float("nan")}
    told = _drawn(suspects, {a: Scatter(s=s, source="a test") for a, s in judged.items()})
    assert {a: told[a].s for a in ("P", "Zn", "B")} == {"P": 0.03, "Zn": 0.05, "B": 0.02}
    assert np.isnan(told["Mo"].s)
    few = SimpleNamespace(frame=SimpleNamespace(**{**vars(frame), "at": np.arange(10)}), model=suspects.model)
    assert _drawn(few, {"P": Scatter(s=0.02, source="a test")})["P"].s == 0.02  # a container a bottle: nothing is left over


def test_a_stated_repeatability_is_taken_at_the_middle_level() -> None:
    """1.8 % of 340 mg/kg, which is the middle one of 300, 340 and 900."""
    study = build(1).study
    t = pd.DataFrame({"analyte": "P", "value": [300.0, 900.0, 340.0]})
    found = stated_scatter(study, t)
    assert found["P"].s == pytest.approx(0.018 * 340)
    assert np.isnan(found["Zn"].s)


def test_holm_by_hand() -> None:
    # Holm (1979) by hand: 0.01 x 3; max(0.03, 0.02 x 2); max(0.04, 0.2)
    assert holm([0.2, 0.01, 0.02]) == pytest.approx([0.2, 0.03, 0.04])
    assert np.isnan(holm([0.5, np.nan])[1])
    assert holm([0.5, np.nan])[0] == 0.5


def test_small_helpers() -> None:
    assert robust_sd([1.0, 2.0, 3.0, 4.0, 100.0]) == pytest.approx(1.4826)
    assert np.isnan(robust_sd([1.0]))
    assert [shown(v) for v in (0.0, 12345.6, 0.00123456, 250000.0, float("nan"))] == [
        "0", "12346", "0.001235", "250000", "unknown"]
    assert listed([]) == "none"
    assert listed(["a", "b", "c"]) == "a, b and c"
    assert listed(list("abcdefgh"), 3) == "a, b, c and 5 more"
    with pytest.raises(ValueError, match="concern must be one of"):
        Flag(rule="x", concern="red", where="", evidence="")
    assert flag_table([]).empty


def test_the_sentences_count_by_hand_and_say_stop_once_and_first() -> None:
    """Seven samples planned and two lost; two flags of one rule and one of another; a check that could not look."""
    counts = pd.DataFrame({"planned": [6, 7]})
    missing = pd.DataFrame({"sample": ["S1", "S2", "S3"], "all_lost": [True, False, True], "container": ["C1", "C1", "C2"],
                            "depth": ["upper", "lower", "lower"], "kind": "spot"})
    flags = tuple(Flag(rule=r, concern=c, where="x", evidence="seen") for r, c in (
        ("drift", "ask before trusting"), ("drift", "ask before trusting"), ("blank", "hint only")))
    checks = (CheckResult(rule="drift", table=counts), CheckResult(rule="rounding", table=counts, note="not assessed: none"),
              CheckResult(rule="blank", table=counts, note="one run only"))
    none, one, two = (SimpleNamespace(excluded=pd.DataFrame(index=range(n))) for n in range(3))

    def told(blind: bool, usable: SimpleNamespace, found: tuple[Flag, ...] = flags) -> tuple[str, ...]:
        words = ("Duplicates agree.", *(["STOP: the layered control was not seen."] if blind else []), "The blank is clean.")
        return _sentences(counts, missing, usable, found, checks, SimpleNamespace(blind=blind, sentences=words))  # type: ignore[arg-type]

    said = told(True, one)
    assert said[0] == "STOP: the layered control was not seen."
    assert sum(s.startswith("STOP") for s in said) == 1
    assert said[1].startswith("7 samples were planned; 5 have results. No result: S1 (")
    assert "S2" not in said[1]
    assert said[2:4] == ("Ask before trusting: 2 flags (drift).", "Hint only: 1 flag (blank).")
    assert said[4] == "Could not be assessed in this study: rounding."
    assert said[5].startswith("1 result was taken out by a person")
    assert said[6:] == ("Duplicates agree.", "The blank is clean.")
    assert told(False, two, ())[:2] == (said[1], "No check raised a flag.")
    assert any(s.startswith("2 results were taken out") for s in told(False, two))
    assert "No result was taken out." in told(False, none)


def test_what_bottles_scatter_is_told_less_what_containers_and_depths_took() -> None:
    """Twelve bottles of four containers and three depths: (4 + 3) / 12 of their freedom is used up."""
    e = np.linspace(-0.6, 0.5, 12)[:, None]
    frame = SimpleNamespace(at=np.repeat(np.arange(4), 3), zone=np.full(12, True), analytes=("P",))
    found = _about_the_model(SimpleNamespace(frame=frame, model=SimpleNamespace(e=e)))  # type: ignore[arg-type]
    assert found == {"P": pytest.approx(1.4826 * np.quantile(np.abs(e), 0.5 + 0.5 * 7 / 12))}
    none = SimpleNamespace(frame=frame, model=SimpleNamespace(e=np.full((12, 1), np.nan)))
    assert _about_the_model(none) == {"P": 0.0}  # type: ignore[arg-type]
