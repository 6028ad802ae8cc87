"""Every verdict interval again in R, by the script of the deposit: the demos, and studies that take its other roads."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from studykit.core.files import write_csv
from studykit.demos.shipped import DEMOS, copy_demo
from studykit.deposit import rederive
from studykit.inference.contrasts import contrasts_of
from studykit.intake.take import run_intake
from studykit.model import tables as model_tables
from studykit.notebook.stage import open_stage
from studykit.study.definition import load_study
from studykit.study.tables import load_tables
from studykit.verdict import stated
from studykit.verdict import tables as verdict_tables

needs_r = pytest.mark.skipif(shutil.which("Rscript") is None, reason="R is not installed on this machine")


def tables_of(root: Path) -> None:
    """The tables that the script reads, as the model and verdict stages save them, without their notebooks."""
    model = open_stage("05-model", str(root), str(root / "report"))
    models = model_tables.fit_all(model)
    model.out.mkdir(parents=True, exist_ok=True)
    model_tables.save_rows(model, models)
    write_csv(model.out / "fits.csv", model_tables.fits(models))
    write_csv(model.out / "structures.csv", model_tables.structures(models))
    verdict = open_stage("06-verdict", str(root), str(root / "report"))
    verdict.out.mkdir(parents=True, exist_ok=True)
    write_csv(verdict.out / "verdicts.csv", verdict.told(verdict_tables.judge_all(verdict, models).to_table()))
    write_csv(verdict.out / "known-precision.csv", stated.single_table(verdict.study, models))


def run_r(root: Path, work: Path) -> subprocess.CompletedProcess[str]:
    """The script, run where a deposit has it."""
    work.mkdir(exist_ok=True)
    if not (work / "study").exists():
        shutil.copytree(root, work / "study")
    (work / "rederive.R").write_text(rederive.script(root, load_study(root)), encoding="ascii")
    return subprocess.run(["Rscript", "rederive.R"], cwd=work, capture_output=True, text=True, timeout=300, check=False)


@pytest.fixture(scope="session")
def demo(tmp_path_factory):
    """A demo with the tables that the script reads, by name."""
    made: dict[str, Path] = {}

    def make(name: str) -> Path:
        if name not in made:
            root = copy_demo(name, tmp_path_factory.mktemp("demos") / name)
            run_intake(root, load_study(root), load_tables(root, with_results=False).samples)
            tables_of(root)
            made[name] = root
        return made[name]

    return make


@pytest.mark.slow
@needs_r
@pytest.mark.parametrize(("name", "intervals"), [("tote", 6), ("forge", 2), ("slip", 2), ("ropeway", 7), ("beacon", 2)])
def test_every_verdict_interval_of_every_demo_comes_out_of_r(demo, tmp_path, name, intervals):
    assert name in DEMOS
    told = run_r(demo(name), tmp_path / "d")
    assert told.returncode == 0, told.stdout + told.stderr
    assert f"{intervals} verdict intervals agree to 1e-6 and allow their words" in told.stdout


@pytest.mark.slow
@needs_r
@pytest.mark.parametrize(("file", "old", "new", "why"), [
    ("report/06-verdict/verdicts.csv", r"(Water,water,\w+,[^,]*,[^,]*,[^,]*,)([0-9])", r"\g<1>9\2", "R and the kit differ"),
    ("report/06-verdict/verdicts.csv", "Water,water,stratified", "Water,water,homogeneous", "margin allow stratified"),
    ("report/06-verdict/verdicts.csv", "Water,water,stratified", "Water,water,inconclusive", "margin allow stratified"),
    ("report/06-verdict/verdicts.csv", "viscosity at 40 °C,homogeneous", "viscosity at 40 °C,stratified", "allow homogeneous"),
    ("report/06-verdict/verdicts.csv", "phosphorus,inconclusive", "phosphorus,homogeneous", "margin allow inconclusive"),
    ("report/06-verdict/verdicts.csv", "Water,water,stratified", "Water,water,same enough", "margin allow stratified"),
    ("report/05-model/rows-Ca.csv", r",(\d+\.\d+),mg/kg,,", r",1\1,mg/kg,,", "differ from study/tidy"),
    ("report/05-model/rows-Ca.csv", r"\n[^\n]*\n$", "\n", "rows were left out or added"),
])
def test_the_script_says_so_where_a_number_or_a_row_was_changed(demo, tmp_path, file, old, new, why):
    work = Path(shutil.copytree(demo("tote"), tmp_path / "d" / "study"))
    text = (work / file).read_text(encoding="utf-8")
    changed = re.sub(old, new, text, count=1)
    assert changed != text
    (work / file).write_text(changed, encoding="utf-8")
    told = run_r(work, tmp_path / "d")
    assert told.returncode != 0
    assert why in told.stderr


def _edited(demo, tmp_path, name: str, edits: list[tuple[str, str]], lost: int = 0, digits: int | None = None) -> Path:
    """A demo with another study.toml, without its last results, or with coarser ones; its tables made anew."""
    root = Path(shutil.copytree(demo(name), tmp_path / "e"))
    text = (root / "study.toml").read_text(encoding="utf-8")
    for old, new in edits:
        assert old in text
        text = text.replace(old, new, 1)
    (root / "study.toml").write_text(text, encoding="utf-8")
    lines = (root / "tidy/results.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    lines = lines[:len(lines) - lost]
    if digits is not None:
        cells = [x.split(",") for x in lines[1:]]
        lines = lines[:1] + [",".join([*c[:2], repr(round(float(c[2]), digits)), *c[3:]]) for c in cells]
    (root / "tidy/results.csv").write_text("".join(lines), encoding="utf-8")
    tables_of(root)
    return root


def declared(structure: str) -> list[tuple[str, str]]:
    """The edit that declares a scatter across depths."""
    return [("[factors]\n", f'[factors]\nacross_depths = "{structure}"\nacross_depths_reason = "declared for a test"\n')]


@pytest.mark.slow
@needs_r
@pytest.mark.parametrize(("name", "structure"), [("forge", "pooled"), ("slip", "pooled"), ("forge", "own gradient")])
def test_a_declared_scatter_decides_in_r_too(demo, tmp_path, name, structure):
    two_sided = [(', side = "below"', "")] * (name == "forge")  # a declared scatter is refused beside a one-sided margin
    told = run_r(_edited(demo, tmp_path, name, [*two_sided, *declared(structure)]), tmp_path / "d")
    assert told.returncode == 0, told.stdout + told.stderr
    assert f"{structure} scatter, as declared" in told.stdout


@pytest.mark.slow
@needs_r
def test_own_gradients_with_lost_readings_are_fitted_by_lme4_and_pbkrtest(demo, tmp_path):
    probe = subprocess.run(["Rscript", "-e", "library(lme4); library(pbkrtest)"], capture_output=True, check=False)
    if probe.returncode:
        pytest.skip("the R packages lme4 and pbkrtest are not installed on this machine")
    told = run_r(_edited(demo, tmp_path, "slip", declared("own gradient")), tmp_path / "d")
    assert told.returncode == 0, told.stdout + told.stderr
    assert "own gradient scatter, as declared" in told.stdout


@pytest.mark.slow
@needs_r
@pytest.mark.parametrize("factor", [1.05, 1.4])
def test_a_margin_as_a_factor_of_one_container_is_judged_on_logarithms_in_r_too(demo, tmp_path, factor):
    root = _edited(demo, tmp_path, "tote", [("margin = { relative_percent = 20 }", f"margin = {{ factor = {factor} }}")])
    told = run_r(root, tmp_path / "d")
    assert told.returncode == 0, told.stdout + told.stderr
    assert "6 verdict intervals agree" in told.stdout
    assert re.search(r"kit +1\.6\d* \(1\.\d+ to \d\.\d+\) times", told.stdout)


@pytest.mark.slow
@needs_r
def test_readings_rounded_more_coarsely_than_they_scatter(demo, tmp_path):
    told = run_r(_edited(demo, tmp_path, "forge", [], digits=1), tmp_path / "d")
    assert told.returncode == 0, told.stdout + told.stderr
    assert "proven bounds" in told.stdout


@pytest.mark.slow
@needs_r
@pytest.mark.parametrize(("seed", "lost", "groups"), [(5, 0.45, 1), (6, 0.45, 1), (7, 0.2, 2), (8, 0.4, 2)])
def test_lost_readings_of_groups_and_zones_linked_only_through_others_come_out_alike_in_r(tmp_path, seed, lost, groups):
    rng = np.random.default_rng(seed)
    cells = rng.normal(size=(9, 4)) * [1, 1, 1, 4]
    cells[rng.random(cells.shape) < lost] = np.nan
    group = np.arange(9) * groups // 9
    script = (Path(rederive.__file__).parent.parent / "templates" / "rederive.R").read_text(encoding="utf-8")
    rule = script[script.index("# ---- differences between depths"):script.index("# ---- limits that hold")]
    pd.DataFrame(cells).to_csv(tmp_path / "y.csv", header=False, index=False, na_rep="NA")
    Z = f"cbind(1, c({', '.join(map(str, group))}))" if groups > 1 else "matrix(1, 9, 1)"
    (tmp_path / "one.R").write_text(rule + f"""
f <- differences(unname(as.matrix(read.csv("y.csv", header = FALSE))), {Z}, 0)
write.csv(f[c("estimate", "se", "df")], "out.csv", row.names = FALSE)""", encoding="utf-8")
    subprocess.run(["Rscript", "one.R"], cwd=tmp_path, check=True, timeout=120)
    kit = contrasts_of(cells[None], groups=np.column_stack([np.ones(9), group])[:, :groups])
    here = np.stack([kit.estimate[0], kit.se[0], kit.df[0]], axis=1)[kit.judged[0]]
    assert len(here)
    assert pd.read_csv(tmp_path / "out.csv").to_numpy()[kit.judged[0]] == pytest.approx(here, rel=1e-9)


def test_texts_are_written_so_that_any_locale_reads_them():
    assert rederive.text('a "b" \\ °C 😀') == '"a \\u0022b\\u0022 \\u005c \\u00b0C \\U0001f600"'
    assert rederive.texts(()) == "character(0)"


@pytest.mark.slow
@needs_r
def test_a_number_of_ones_own_that_acts_on_depth_is_a_number_in_r_too(demo, tmp_path):
    root = Path(shutil.copytree(demo("forge"), tmp_path / "e"))
    path = root / "plan/containers.csv"
    head, *lines = path.read_text(encoding="utf-8").splitlines()
    mean_c = [17.5 + 0.7 * (k % 5) for k in range(len(lines))]
    path.write_text("\n".join([f"{head},mean_c", *(f"{x},{c:.1f}" for x, c in zip(lines, mean_c, strict=True))]) + "\n",
                    encoding="utf-8")
    results = (root / "tidy/results.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    (root / "tidy/results.csv").write_text("".join(results[:-4]), encoding="utf-8")  # lost readings need the factor
    text = (root / "study.toml").read_text(encoding="utf-8").replace('["age_months"]', '["mean_c"]')
    text = text.replace("[analytes.", '[factors.columns.mean_c]\nunit = "degC"\n\n[analytes.', 1)
    (root / "study.toml").write_text(text, encoding="utf-8")
    tables_of(root)
    told = run_r(root, tmp_path / "d")
    assert told.returncode == 0, told.stdout + told.stderr
    assert "2 verdict intervals agree to 1e-6" in told.stdout
    script = tmp_path / "d/rederive.R"
    text = script.read_text(encoding="ascii")
    script.write_text(text.replace('numeric = c("mean_c")', "numeric = character(0)"), encoding="ascii")
    told = subprocess.run(["Rscript", script.name], cwd=script.parent, capture_output=True, text=True, timeout=300, check=False)
    assert "R and the kit differ" in told.stderr  # as levels it is another model


@pytest.mark.slow
@needs_r
def test_a_one_sided_margin_is_named_and_left_out(demo, tmp_path):
    root = Path(shutil.copytree(demo("ropeway"), tmp_path / "study"))
    text = (root / "study.toml").read_text(encoding="utf-8")
    assert text.count("{ relative_percent = 20 }") == 1
    (root / "study.toml").write_text(text.replace("{ relative_percent = 20 }", '{ relative_percent = 20, side = "below" }'),
                                     encoding="utf-8")
    tables_of(root)
    run = run_r(root, tmp_path / "work")
    assert run.returncode == 0, run.stdout + run.stderr
    named = run.stdout.split("Si: ")[1].split("\n\n")[0]
    assert "a one-sided margin, each zone against its mixed container: not worked out" in named
    assert run.stdout.count("not worked out by this script") == 1
