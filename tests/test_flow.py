"""The demos' verdicts against their recorded truth, synthetic studies of both kinds, and a run killed half-way."""

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from studykit.demos.shipped import DEMOS, copy_demo, demo_folder
from studykit.demos.simulate import AnalyteTruth, StudyTruth, simulate_study
from studykit.intake.take import run_intake
from studykit.model.fit import fit_analyte
from studykit.study.definition import parse_study
from studykit.study.exclusions import read_exclusions, usable_results
from studykit.study.tables import load_tables
from studykit.verdict import rule as verdict
from studykit.verdict import stated as known
from tests.model.test_fit import study_of
from tests.posix import posix
from tests.studies import write_study

ROOT = Path(__file__).parents[1]


def judged(root):
    """The study's verdict from its raw files, by the library alone."""
    early = load_tables(root, with_results=False)
    run_intake(root, early.study, early.samples)
    t = load_tables(root)
    results = usable_results(t.results, t.samples, t.containers, read_exclusions(root, t.study, t.results)).rows
    models = [fit_analyte(t.study, a, t.containers, t.samples, results) for a in t.study.analytes]
    return verdict.judge(t.study, models, known.single_verdicts(t.study, models))


@pytest.mark.few(2)
@pytest.mark.parametrize("name", list(DEMOS))
def test_verdicts_of_the_demos_match_their_truth(tmp_path, name):
    truth = json.loads((demo_folder(name) / "truth.json").read_text())
    expected = {a: entry["expected_verdict"] for a, entry in truth["analytes"].items()}
    copy_demo(name, tmp_path / name)
    assert judged(tmp_path / name).words() == expected


@pytest.mark.parametrize(("lower", "word"), [(0.0, "homogeneous"), (0.15, "stratified"), (-0.15, "stratified")])
def test_a_synthetic_study_with_known_truth_is_found(lower, word):
    depths, heights = ("upper", "middle", "lower"), (5 / 6, 1 / 2, 1 / 6)
    truth = StudyTruth(depths=depths, heights=heights, seed=5, analytes=(
        AnalyteTruth(analyte="y", unit="1", level=100.0, profile=(("lower", lower),), sd_container=0.02, s_r=0.01),))
    made = simulate_study(truth, 10, draws=2)
    study = study_of(depths, {"relative_percent": 5})
    containers = made.containers.assign(treatment="stored", liquid_height_mm=500.0, vessel="drum", store="s",
                                       age_months=12.0)
    m = fit_analyte(study, "y", containers, made.samples, made.results)
    assert m.random == ("container", "container:depth")
    assert verdict.judge(study, [m]).words() == {"y": word}


def test_a_container_of_its_own_is_not_three():
    """Three samples of one layered container never make a claim about a stock."""
    study = parse_study(study_of(("upper", "middle", "lower"), {"relative_percent": 5}).model_dump())
    truth = StudyTruth(depths=("upper", "middle", "lower"), heights=(0.83, 0.5, 0.17), seed=1, analytes=(
        AnalyteTruth(analyte="y", unit="1", level=100.0, profile=(("lower", 0.5),), s_r=0.01),))
    made = simulate_study(truth, 1)
    m = fit_analyte(study, "y", made.containers.assign(treatment="stored"), made.samples, made.results)
    assert m.path == "known precision"
    words = verdict.judge(study, [m], known.single_verdicts(study, [m]))
    assert words.words() == {"y": "not assessed"}
    assert "repeatability" in words.analytes[0].sentence


@posix
@pytest.mark.slow
def test_a_run_killed_half_way_leaves_the_filed_report_and_the_next_one_cleans_up(tmp_path):
    root = tmp_path / "tote"
    copy_demo("tote", root)
    (root / "report").mkdir()
    (root / "report/report.html").write_text("the filed one")
    run = subprocess.Popen([sys.executable, "-m", "studykit", "report", str(root)], cwd=ROOT, start_new_session=True,
                           stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    deadline = time.monotonic() + 90
    while not (root / "report.part/00-study/numbers.json").exists() and time.monotonic() < deadline:
        time.sleep(0.1)
    os.killpg(run.pid, signal.SIGKILL)
    run.wait()
    assert (root / "report.part/00-study").exists()
    assert (root / "report/report.html").read_text() == "the filed one"
    from studykit.report.run import recover

    recover(root)
    assert (root / "report/report.html").read_text() == "the filed one"


def test_a_broken_raw_file_leaves_report_and_tables_as_they_were(tmp_path, capsys):
    from studykit.commands.cli import main

    root = tmp_path / "tote"
    copy_demo("tote", root)
    judged(root)
    before = (root / "tidy/results.csv").read_bytes()
    raw = next((root / "raw").glob("*.csv"))
    shutil.copy(raw, tmp_path / "kept.csv")
    raw.write_text("nothing of the kind\n")
    assert main(["report", str(root)]) != 0
    told = capsys.readouterr().err
    assert raw.name in told
    assert "Traceback" not in told
    assert (root / "tidy/results.csv").read_bytes() == before
    assert not (root / "report").exists()


def test_an_empty_study_is_told_what_it_lacks(tmp_path, capsys):
    from studykit.commands.cli import main

    root = write_study(tmp_path / "s")
    assert main(["report", str(root)]) == 2
    assert "intake.toml" in capsys.readouterr().err


@pytest.mark.slow
def test_the_readme_shows_the_verdicts_of_the_demo(tmp_path):
    from studykit.core.record import significant

    copy_demo("ropeway", tmp_path / "ropeway")
    rows = []
    for r in judged(tmp_path / "ropeway").to_table().to_dict("records"):
        span = ""
        if r["difference"] == r["difference"]:
            low, value, high = (significant(r[k], 3) for k in ("low", "difference", "high"))
            span = f"{r['deciding pair'].replace(' - ', ' against ')}: {value} {r['unit']} ({low} to {high})"
        rows.append(f"| {r['name']} | {r['verdict']} | {r['margin']} | {span} |")
    assert "\n".join(rows) in (ROOT / "README.md").read_text()
