"""Data that nobody here wrote go the whole path: folder made, checked, reported, rechecked, and agree with lme4."""

import json
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from studykit.commands.cli import main
from studykit.core.errors import RunsDiffer
from studykit.core.record import read_records
from studykit.intake.take import run_intake
from studykit.mixed.design import fixed_matrix
from studykit.model import fit as model
from studykit.report.make import make_report
from studykit.report.recheck import recheck
from studykit.study.tables import load_tables
from tests.soils_study import ANALYTES, make_soils

# tests/reference/soils/values.json: lme4 1.1-31, lmerTest 3.1-3, pbkrtest 0.5.2 on R 4.2.2; expression in the file's head
VALUES = json.loads((Path(__file__).parent / "reference/soils/values.json").read_text())["values"]


@pytest.fixture(scope="module")
def tables(tmp_path_factory):
    root = make_soils(tmp_path_factory.mktemp("soils"))
    early = load_tables(root, with_results=False)
    run_intake(root, early.study, early.samples)
    return load_tables(root)


@pytest.mark.parametrize("analyte", list(ANALYTES))
def test_estimates_agree_with_lme4(tables, analyte):
    ref = VALUES[analyte]
    m = model.fit_analyte(tables.study, analyte, tables.containers, tables.samples, tables.results)
    assert ref["scale"] == m.rows.margin.scale
    # the mixed model beside the containers' own differences: lme4 pools their scatter
    containers, depths = m.rows.measured.drop_duplicates("container"), list(m.rows.depths)
    every = pd.concat([containers.assign(depth=d) for d in depths])
    every["depth"] = pd.Categorical(every["depth"], categories=depths)
    M = fixed_matrix(every, list(m.fixed))[1].reshape(len(depths), len(containers), -1).mean(axis=1)
    ends = m.reml.test(M[-1] - M[0])
    assert float(M[0] @ m.reml.beta) == pytest.approx(ref["mean_top"], rel=1e-6)
    assert ends.estimate == pytest.approx(ref["bottom_top"], rel=1e-6)
    assert ends.se == pytest.approx(ref["se"], rel=1e-6)
    assert ends.df2 == pytest.approx(ref["df"], rel=1e-6)
    assert m.reml.test(np.array([row - M[0] for row in M[1:]])).statistic == pytest.approx(ref["F"], rel=1e-6)
    assert m.reml.criterion == pytest.approx(ref["criterion"], abs=1e-6)
    assert m.reml.variances["container"] == pytest.approx(ref["container"], rel=1e-5, abs=1e-9)
    assert m.reml.variances["residual"] == pytest.approx(ref["residual"], rel=1e-5)


@pytest.mark.slow
def test_the_whole_path(tmp_path, capsys, monkeypatch):
    """Four of the nine properties, with every verdict word: all nine are fitted above, and each kernel costs seconds."""
    four = ("pH", "Dens", "Ca", "Mg")
    root = make_soils(tmp_path / "soils", analytes=four)
    assert main(["check", str(root)]) == 0
    assert "12 containers, 48 samples; no results taken in yet" in capsys.readouterr().out
    assert main(["report", str(root)]) == 0
    out = capsys.readouterr().out
    assert out.strip().startswith("Stratified: pH, Ca. Inconclusive: Mg. Homogeneous on average only: Dens.")
    page = (root / "report/report.html").read_text()
    assert "Stratified: " in page
    records = {(r.stage, r.name): r for r in read_records(root / "report/numbers.json")}
    assert records["03-intake", "rows_in"].value == records["03-intake", "rows_taken"].value == 48 * len(four)
    # any quoted number can be followed: record -> table of rows -> raw file and line
    record = records["05-model", "n.Ca"]
    rows = pd.read_csv(root / "report/05-model" / record.table, dtype=str)
    assert len(rows) == record.value == 48
    raw = (root / "raw" / rows["source_file"].iloc[0].removeprefix("raw/")).read_text().splitlines()
    line = raw[int(rows["source_row"].iloc[0]) - 1].split(",")
    assert line[0] == rows["sample"].iloc[0]
    assert float(line[1 + four.index("Ca")]) == float(rows["value"].iloc[0])
    # forked kernels here too: that those started anew give the same is shown on another study (tests/report/test_recheck.py)
    monkeypatch.setattr("studykit.report.recheck.make_report",
                        lambda fresh, say, *, notebooks, separate: make_report(fresh, say, notebooks=notebooks))
    outcome = recheck(root, lambda _: None)
    assert outcome.differences == ()
    assert outcome.numbers > 50
    _recheck_bites(root, monkeypatch)


def _recheck_bites(root, monkeypatch):
    """What was changed after filing is named; the re-execution itself is that of a moment ago."""
    kept = root.parent / "kept"
    shutil.copytree(root, kept)

    def as_before(fresh_root, say, *, notebooks, separate):
        for name in ("report", "tidy"):
            shutil.copytree(kept / name, fresh_root / name)

    monkeypatch.setattr("studykit.report.recheck.make_report", as_before)
    # a digit changed in a filed number, and a value changed in a raw file, are both named
    numbers = root / "report/numbers.json"
    data = json.loads(numbers.read_text())
    changed = next(d for d in data if d["name"] == "bottom_top.Ca.estimate")
    changed["value"] *= 1.01
    numbers.write_text(json.dumps(data))
    raw = root / "raw/soils.csv"
    shutil.copy(raw, root / "soils.bak")
    raw.write_text(raw.read_text().replace("S01,", "S01,", 1) + "\n")
    with pytest.raises(RunsDiffer) as caught:
        recheck(root, lambda _: None)
    what = [d["what"] for d in caught.value.differences]
    assert {"report/numbers.json", "raw/soils.csv"} <= set(what)
    assert caught.value.exit_code == 7
