"""The planted faults of the demos really stand in their raw files, and the intake gives back what was measured."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pandas as pd
import pytest

from studykit.demos.shipped import copy_demo, demo_folder
from studykit.study.tables import load_tables

DATA = demo_folder("ropeway").parent
BOM = b"\xef\xbb\xbf"


def truth_of(name: str) -> dict:
    return json.loads((DATA / name / "truth.json").read_text(encoding="utf-8"))


def fault_of(name: str, kind: str) -> dict:
    return next(f for f in truth_of(name)["faults"] if f["kind"] == kind)


def rows_of_file(path: Path, encoding: str, delimiter: str = ",", skip: int = 0) -> list[dict[str, str]]:
    lines = path.read_bytes().decode(encoding).splitlines()[skip:]
    return list(csv.DictReader(lines, delimiter=delimiter))


def test_ropeway_has_the_planned_bottles() -> None:
    tables = load_tables(DATA / "ropeway", with_results=False)
    counts = tables.samples["kind"].value_counts().to_dict()
    assert counts == {"spot": 81, "heel": 12, "duplicate": 9, "composite": 6, "check fluid": 4}
    stored = tables.containers[tables.containers["treatment"] == "stored"]
    assert len(stored) == 24
    assert (stored.groupby(["lot", "store", "visit"]).size() == 2).all()
    ages = stored.groupby("lot")["age_months"].agg(["min", "max"])
    assert (ages["max"] - ages["min"]).between(8.9, 9.1).all()  # two visits nine months apart break lot from age
    assert {"007", "1E5"} <= set(stored["container"])


def first_file() -> list[dict[str, str]]:
    return rows_of_file(DATA / "ropeway/raw/R1-R2_2025-11-28.csv", "utf-8-sig")


def test_ropeway_first_file_faults() -> None:
    raw = (DATA / "ropeway/raw/R1-R2_2025-11-28.csv").read_bytes()
    assert raw.startswith(BOM)
    rows = first_file()
    keys = pd.Series([(r["Bottle"], r["Determination"]) for r in rows])
    twice = keys[keys.duplicated(keep=False)]
    groups = {k: [r for r in rows if (r["Bottle"], r["Determination"]) == k] for k in set(twice)}
    same = [g for g in groups.values() if g[0] == g[1]]
    revised = [g for g in groups.values() if g[0]["Reported"] != g[1]["Reported"]]
    assert len(groups) == 2
    assert len(same) == len(revised) == 1
    assert same[0][0]["Bottle"] in fault_of("ropeway", "row twice")["where"]
    old, new = revised[0]
    assert old["Bottle"] in fault_of("ropeway", "re-reported row")["where"]
    assert old["Reported"] < new["Reported"]
    assert abs(float(old["Result"]) - 340) > 60 > 30 > abs(float(new["Result"]) - 340)
    zinc = [r["Result"] for r in rows if r["Determination"] == "Zinc"]
    assert f"{sum(z == '<2' for z in zinc)} rows" in fault_of("ropeway", "below quantification")["where"]
    diluted = [r for r in rows if r["Determination"] == "Silicon" and r["Result"] == "<8"]
    assert [r["Bottle"] for r in diluted] == [fault_of("ropeway", "raised limit")["where"].split()[1].rstrip(",")]


def test_ropeway_third_file_faults() -> None:
    path = DATA / "ropeway/raw/R3_2026-08-24.csv"
    with pytest.raises(UnicodeDecodeError):
        path.read_bytes().decode("utf-8")
    rows = rows_of_file(path, "cp1252", ";", skip=2)
    assert rows[-1]["Code"] == "End of report"
    body = rows[:-1]
    assert all("." not in r["Result"] for r in body)
    assert {r["Unit"] for r in body if r["Test"] == "Phosphorus"} == {"% m/m"}
    assert all(0.030 < float(r["Result"].replace(",", ".")) < 0.038 for r in body if r["Test"] == "Phosphorus")
    assert {r["Date of report"] for r in body} == {"24.08.2026"}


def test_ropeway_codes_like_numbers_stand_in_the_raw_files() -> None:
    text = "\n".join(p.read_bytes().decode("cp1252") for p in sorted((DATA / "ropeway/raw").iterdir()))
    cells = {line.split(";")[0].split(",")[0] for line in text.splitlines()}
    assert {"0071", "1E05", "7E02"} <= cells


def test_ropeway_fourth_file_faults_and_the_lost_bottle() -> None:
    lines = (DATA / "ropeway/raw/R4_2026-09-04.csv").read_text(encoding="utf-8").splitlines()
    assert lines[0].startswith("Sample,Batch,Pos,Reported,KV40")
    assert lines[1].startswith(",,,,cSt,mg/kg,mass %")
    assert all(",04/09/2026," in line for line in lines[2:])
    assert any("< 2" in line for line in lines)
    lost = fault_of("ropeway", "lost bottle")["where"].split()[1]
    samples = load_tables(DATA / "ropeway", with_results=False).samples
    assert "cracked" in samples.set_index("sample").at[lost, "note"]
    reported = {r["Bottle"] for r in first_file()} | {line.split(",")[0] for line in lines[2:]}
    third = rows_of_file(DATA / "ropeway/raw/R3_2026-08-24.csv", "cp1252", ";", skip=2)
    reported |= {r["Code"] for r in third[:-1]}
    assert set(samples["sample"]) - reported == {lost}
    assert reported <= set(samples["sample"])


def test_ropeway_carry_over_and_swapped_labels_are_in_the_numbers() -> None:
    from studykit.demos.simulate import simulate_results
    from tests.demogen.ropeway import make_truth
    from tests.demogen.ropeway_plan import make_plan

    plan = make_plan()
    honest = simulate_results(make_truth(plan), plan.containers, plan.samples, plan.runs)
    honest = honest.set_index(["sample", "analyte"])["value"]
    code = fault_of("ropeway", "carry-over")["where"].split()[1].rstrip(",")
    reported = {(r["Bottle"], r["Determination"]): r["Result"] for r in first_file()}
    assert float(reported[code, "Phosphorus"]) / honest[code, "P"] == pytest.approx(1.12, abs=0.002)
    upper, lower = fault_of("ropeway", "labels swapped")["where"].removeprefix("samples ").split(" and ")
    third = rows_of_file(DATA / "ropeway/raw/R3_2026-08-24.csv", "cp1252", ";", skip=2)
    silicon = {r["Code"]: float(r["Result"].replace(",", ".")) for r in third if r["Test"] == "Silicon"}
    assert silicon[upper] == honest[lower, "Si"] > 1.3 * honest[upper, "Si"]
    assert silicon[lower] == honest[upper, "Si"]


def taken_in(name: str, root: Path) -> pd.DataFrame:
    """The results that the intake takes from a copy of a demo, by sample and analyte."""
    from studykit.intake.take import run_intake

    copy_demo(name, root)
    tables = load_tables(root, with_results=False)
    results = run_intake(root, tables.study, tables.samples).results
    assert not results.duplicated(["sample", "analyte"]).any()
    return results.set_index(["sample", "analyte"]).sort_index()


def test_the_intake_gives_back_what_the_gear_oil_laboratory_measured(tmp_path: Path) -> None:
    """Through two encodings, two units, two layouts: every number as planted, but for two planted faults."""
    from tests.demogen.ropeway import make_truth, recorded_results
    from tests.demogen.ropeway_plan import make_plan

    plan = make_plan()
    planted = recorded_results(plan, make_truth(plan)).set_index(["sample", "analyte"]).sort_index()
    taken = taken_in("ropeway", tmp_path / "ropeway")
    lost = fault_of("ropeway", "lost bottle")["where"].split()[1]
    assert {s for s, _ in planted.index.difference(taken.index)} == {lost}
    both = taken.merge(planted, left_index=True, right_index=True, suffixes=("", "_planted"))
    changed = both[(both["value"] != both["value_planted"]) | (both["qualifier"] != both["qualifier_planted"])]
    expected = {(fault_of("ropeway", kind)["where"].split()[1].rstrip(","), analyte)
                for kind, analyte in (("carry-over", "P"), ("raised limit", "Si"))}
    assert set(changed.index) == expected
    assert (both["run"] == both["run_planted"]).all()
    assert (both["run_order"] == both["run_order_planted"]).all()


def test_the_intake_gives_back_what_the_forge_laboratory_measured(tmp_path: Path) -> None:
    from studykit.demos.simulate import simulate_results
    from tests.demogen import forge

    kegs = forge.kegs()
    samples = forge.draws(kegs)
    planted = simulate_results(forge.make_truth(kegs), kegs, samples, forge.runs(kegs, samples))
    both = taken_in("forge", tmp_path / "forge").merge(
        planted.set_index(["sample", "analyte"]), left_index=True, right_index=True, suffixes=("", "_planted"))
    assert len(both) == len(planted) == 225
    changed = both[(both["value"] - both["value_planted"]).abs() > 1e-9]
    expected = {(fault_of("forge", kind)["where"].split()[1].rstrip(","), analyte)
                for kind, analyte in (("draw across a boundary", "Solids"), ("bubble", "Density"))}
    assert set(changed.index) == expected


def test_one_tote_is_judged_as_its_truth_record_says(tmp_path: Path) -> None:
    """From the raw file through the intake to the verdict by the methods' repeatability."""
    from studykit.inference.equivalence import Margin
    from studykit.inference.single import judge_container, which_scatter
    from studykit.study.precision import resolve_precision

    taken = taken_in("tote", tmp_path / "tote")
    tables = load_tables(tmp_path / "tote", with_results=False)
    zone = tables.samples.set_index("sample")["depth"]
    for name, want in truth_of("tote")["analytes"].items():
        declared = tables.study.analytes[name]
        own = taken.xs(name, level="analyte")
        values = {d: tuple(own["value"][own.index.map(zone) == d]) for d in tables.study.factors.depths}
        precision = resolve_precision(float(own["value"].mean()), declared.unit, own=declared.repeatability,
                                      method_key=declared.method_key, analyte=name)
        margin = (Margin.relative(declared.margin.relative_percent) if declared.margin.relative
                  else Margin.absolute(declared.margin.absolute, declared.unit))
        scatter = which_scatter(precision, list(own["run"]))
        result = judge_container(name, values, precision, margin, scatter=scatter)
        assert result.comparison.word == want["expected_verdict"], name


def test_forge_faults_are_in_the_numbers() -> None:
    early = rows_of_file(DATA / "forge/raw/oven_D1-D2.csv", "utf-8")
    assert all(0.1 < float(r["solids"]) < 0.35 and r["unit"] == "g/g" for r in early)
    late = rows_of_file(DATA / "forge/raw/oven_D3.csv", "cp1252", ";")
    solids = {r["Bottle"]: float(r["Solids content"].replace(",", ".")) for r in late}
    samples = load_tables(DATA / "forge", with_results=False).samples.set_index("sample")
    straddled = fault_of("forge", "draw across a boundary")["where"].split()[1].rstrip(",")
    assert solids[straddled] == 31.02
    assert "cake" in samples.at[straddled, "note"]
    second = [r for r in early if r["oven run"] == "D2"]
    depths = [samples.at[r["bottle"], "depth"] for r in sorted(second, key=lambda r: int(r["place"]))]
    assert depths == [d for d in ("top", "upper", "middle", "lower", "bottom") for _ in range(5)]
    bench = {r["Bottle"]: r for r in rows_of_file(DATA / "forge/raw/bench_density_pH.csv", "utf-8")}
    bubble = fault_of("forge", "bubble")["where"].split()[1].rstrip(",")
    gap = {s: samples.at[s, "density_kg_m3"] / 1000 - float(bench[s]["Density 20 °C"]) for s in samples.index}
    assert gap.pop(bubble) == pytest.approx(0.03, abs=1e-9)
    assert max(map(abs, gap.values())) < 1e-9
