"""The demo studies: made again byte for byte, faults really planted, copies whole, truth as recorded."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import pytest

import studykit.study.stages
from studykit.core.errors import BadInput
from studykit.demos.shipped import DEMOS, copy_demo, demo_folder
from studykit.intake.mapping import parse_intake
from studykit.study.stages import HERE
from studykit.study.tables import load_tables
from tests.demogen.__main__ import NAMES, main, make
from tests.soils_study import ANALYTES as SOIL_ANALYTES
from tests.soils_study import DEPTHS as SOIL_DEPTHS
from tests.soils_study import make_soils

DATA = demo_folder("ropeway").parent


def truth_of(name: str) -> dict:
    return json.loads((DATA / name / "truth.json").read_text(encoding="utf-8"))


def test_the_demos_are_those_that_the_generator_makes() -> None:
    assert tuple(DEMOS) == NAMES
    assert {p.name for p in DATA.iterdir() if p.is_dir()} == set(NAMES)


@pytest.mark.few(3)
@pytest.mark.parametrize("name", NAMES)
def test_the_generator_reproduces_the_filed_demo_byte_for_byte(name: str) -> None:
    made = make(name).files
    filed = {p.relative_to(DATA / name).as_posix(): p.read_bytes() for p in (DATA / name).rglob("*") if p.is_file()}
    assert set(made) == set(filed)
    assert [path for path in made if made[path] != filed[path]] == []


def test_the_generators_command_writes_the_files(tmp_path: Path, monkeypatch, capsys) -> None:
    monkeypatch.setattr("sys.argv", ["demogen", "--into", str(tmp_path), "tote"])
    main()
    assert (tmp_path / "tote/study.toml").read_bytes() == (DATA / "tote/study.toml").read_bytes()
    monkeypatch.setattr("sys.argv", ["demogen", "--into", str(tmp_path), "teapot"])
    with pytest.raises(SystemExit):
        main()
    assert "there is no demo teapot; known are ropeway, tote, forge, slip, beacon" in capsys.readouterr().err


@pytest.mark.parametrize("name", NAMES)
def test_definition_tables_and_mapping_of_a_demo_have_no_fault(name: str) -> None:
    tables = load_tables(DATA / name, with_results=False)
    assert tables.study.invented
    mapping = parse_intake(tomllib.loads((DATA / name / "intake.toml").read_text(encoding="utf-8")), tables.study)
    raw = [p.name for p in (DATA / name / "raw").iterdir()]
    assert all(sum(entry.matches(r) for entry in mapping.file) == 1 for r in raw)
    assert set(truth_of(name)["analytes"]) == set(tables.study.analytes)


@pytest.mark.parametrize("name", NAMES)
def test_the_readme_says_invented_and_lists_every_fault(name: str) -> None:
    text = (DATA / name / "README.md").read_text(encoding="utf-8")
    assert "**Invented.**" in text
    assert "python -m tests.demogen" in text
    faults = truth_of(name)["faults"]
    assert faults
    assert all(f["what"] in text for f in faults)


@pytest.mark.few(3)
@pytest.mark.parametrize("name", NAMES)
def test_margins_in_truth_and_definition_agree(name: str) -> None:
    study = load_tables(DATA / name, with_results=False).study
    for analyte, entry in truth_of(name)["analytes"].items():
        margin = study.analytes[analyte].margin
        if "margin" in entry:
            assert entry["margin"] == (margin.relative_percent or margin.absolute)
            assert (entry["margin_scale"] == "%") == margin.relative


@pytest.mark.parametrize("name", ["ropeway", "forge", "slip"])
def test_expected_verdicts_agree_with_the_planted_contrasts(name: str) -> None:
    """What is called homogeneous lies within the margin, what is called stratified beyond it."""
    for entry in truth_of(name)["analytes"].values():
        largest = max(abs(x) for x in entry["true_contrasts"].values())
        if entry["expected_verdict"] == "stratified":
            assert largest > 1.5 * entry["margin"]
        else:
            assert largest < 0.5 * entry["margin"]


def test_copy_is_whole_and_an_unchanged_copy_is_kept(tmp_path: Path) -> None:
    folder = copy_demo("tote", tmp_path / "mine")
    for path in (DATA / "tote").rglob("*"):
        if path.is_file():
            assert (folder / path.relative_to(DATA / "tote")).read_bytes() == path.read_bytes()
    (folder / "report").mkdir()
    (folder / "report/report.html").write_text("made before")
    assert copy_demo("tote", folder) == folder
    assert (folder / "report/report.html").read_text() == "made before"


def test_a_folder_with_anything_else_is_refused_and_left_alone(tmp_path: Path) -> None:
    folder = copy_demo("tote", tmp_path / "mine")
    (folder / "intake.toml").write_text("# mine\n")
    (folder / "plan/samples.csv").unlink()
    with pytest.raises(BadInput, match="holds something else than the demo 'tote'") as caught:
        copy_demo("tote", folder)
    assert sorted(Path(f.file).name for f in caught.value.faults) == ["intake.toml", "samples.csv"]
    assert (folder / "intake.toml").read_text() == "# mine\n"
    assert not (folder / "plan/samples.csv").exists()
    other = tmp_path / "other"
    other.mkdir()
    (other / "letter.txt").write_text("private")
    with pytest.raises(BadInput, match=r"study\.toml: is missing"):
        copy_demo("tote", other)
    assert [p.name for p in other.iterdir()] == ["letter.txt"]


def test_an_unknown_demo_is_refused(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="'teapot': there is no demo of this name -> known are ropeway, tote"):
        copy_demo("teapot", tmp_path / "x")
    assert not (tmp_path / "x").exists()


def test_the_demos_are_found_in_an_installed_kit(tmp_path: Path, monkeypatch) -> None:
    """In the wheel the demos lie inside the package, under share/."""
    package = tmp_path / "site-packages/studykit"
    (package / "share/demo_data/tote").mkdir(parents=True)
    (package / "share/demo_data/tote/study.toml").write_text("title = 1\n")
    monkeypatch.setattr(studykit.study.stages, "HERE", package)
    assert demo_folder("tote") == package / "share/demo_data/tote"
    assert (copy_demo("tote", tmp_path / "mine") / "study.toml").read_text() == "title = 1\n"


@pytest.mark.parametrize("name", ["new", "single"])
def test_the_templates_of_new_studies_have_no_fault(name: str) -> None:
    root = HERE / "templates" / name
    tables = load_tables(root, with_results=False)
    parse_intake(tomllib.loads((root / "intake.toml").read_text(encoding="utf-8")), tables.study)
    assert len(tables.samples) == (3 if name == "single" else 0)


def test_the_new_template_shows_only_valid_options() -> None:
    """With the # signs of the optional blocks taken away the definition still loads."""
    from studykit.study.definition import parse_study

    text = (HERE / "templates/new/study.toml").read_text(encoding="utf-8")
    lines = [line.removeprefix("# ") if _is_option(line) else line for line in text.splitlines()]
    study = parse_study(tomllib.loads("\n".join(lines)))
    assert study.fluid is not None
    assert study.actions.keys() == {"homogeneous", "uneven", "stratified", "inconclusive"}
    assert study.design is not None
    assert "Si" in study.design.guesses


def _is_option(line: str) -> bool:
    body = line.removeprefix("# ")
    head = body.split("=")[0].strip()
    return line.startswith("# ") and (body.startswith("[") or ("=" in body and head.replace("_", "").isalnum()))


def test_the_soils_study_is_the_published_table(tmp_path: Path) -> None:
    tables = load_tables(make_soils(tmp_path), with_results=False)
    assert len(tables.containers) == 12
    assert len(tables.samples) == 48
    assert (tables.samples.groupby("container")["depth"].nunique() == 4).all()
    assert tables.study.factors.depths == tuple(SOIL_DEPTHS)
    lines = (tmp_path / "raw/soils.csv").read_text(encoding="utf-8").splitlines()
    assert lines[0] == "Sample," + ",".join(SOIL_ANALYTES)
    # first data line of carData::Soils as printed by R (Horton, Russell and Moore 1968): Top, block 1, 0-10 cm
    assert lines[2] == "S01,5.4,0.188,0.92,215,16.35,7.65,0.72,1.14,1.09"
    parse_intake(tomllib.loads((tmp_path / "intake.toml").read_text(encoding="utf-8")), tables.study)


def test_the_single_template_takes_three_numbers_and_asks_for_those_that_are_missing(tmp_path: Path) -> None:
    import shutil

    from studykit.intake.take import run_intake

    root = Path(shutil.copytree(HERE / "templates/single", tmp_path / "one"))
    tables = load_tables(root, with_results=False)
    blank = run_intake(root, tables.study, tables.samples)
    assert len(blank.results) == 0
    assert list(blank.rejected["row"]) == [3, 4, 5]
    (root / "raw/results.csv").write_text("sample,Water\n,mg/kg\nA,520\nB,535\nC,<20\n")
    filled = run_intake(root, tables.study, tables.samples)
    assert len(filled.rejected) == 0
    assert list(filled.results["as_written"]) == ["520", "535", "<20"]
    assert set(filled.results["run"]) == {"1"}


@pytest.mark.parametrize("name", DEMOS)
def test_a_copy_for_a_class_holds_no_truth(name: str, tmp_path: Path) -> None:
    root = copy_demo(name, tmp_path / "class", untold=True)
    whole = copy_demo(name, tmp_path / "whole")
    held, all_ = ({p.relative_to(r).as_posix() for p in r.rglob("*") if p.is_file()} for r in (root, whole))
    assert all_ - held == {"README.md", "truth.json"}
    assert copy_demo(name, root, untold=True) == root
    with pytest.raises(BadInput, match="tells the truth"):
        copy_demo(name, whole, untold=True)
