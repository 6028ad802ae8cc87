"""Whole studies with one thing in them that nobody means: `check` refuses each with file, place and remedy, exit 2."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from studykit.core.errors import BadInput
from studykit.study.tables import load_tables
from tests.studies import CONTAINERS, DEFINITION, SAMPLES, definition, write_study

FLUID = {"density_kg_m3": 880, "viscosity_mm2_s_at_40c": 220}


def toml(**changes: Any) -> Callable[[Path], None]:
    return lambda root: write_study(root, study=definition(**changes)) and None


def containers(old: str, new: str) -> Callable[[Path], None]:
    assert old in CONTAINERS
    return lambda root: write_study(root, containers=CONTAINERS.replace(old, new, 1)) and None


def samples(old: str, new: str) -> Callable[[Path], None]:
    assert old in SAMPLES
    return lambda root: write_study(root, samples=SAMPLES.replace(old, new)) and None


def text(more: str) -> Callable[[Path], None]:
    def write(root: Path) -> None:
        path = write_study(root) / "study.toml"
        path.write_text(more + path.read_text(encoding="utf-8"), encoding="utf-8")
    return write


def column(file: str, name: str, cell: str) -> Callable[[Path], None]:
    def write(root: Path) -> None:
        path = write_study(root) / "plan" / file
        head, *rows = path.read_text(encoding="utf-8").splitlines()
        path.write_text("\n".join([f"{head},{name}", *(f"{r},{cell}" for r in rows)]) + "\n", encoding="utf-8")
    return write


DRUM = DEFINITION["vessels"]["drum"]
ANALYTE = DEFINITION["analytes"]["P"]
CASES: dict[str, tuple[Callable[[Path], None], str]] = {
    "purge inf": (column("samples.csv", "purge_ml", "inf"), "purge_ml"),
    "liquid height 0": (containers("drum,500", "drum,0"), "liquid_height_mm"),
    "liquid height 1e-300": (containers("drum,500", "drum,1e-300"), "liquid_height_mm"),
    "margin 1e-300": (toml(analytes={"P": ANALYTE | {"margin": {"relative_percent": 1e-300}}}), "margin"),
    "absolute margin 1e-300": (toml(analytes={"P": ANALYTE | {"margin": {"absolute": 1e-300}}}), "margin"),
    "vessel 1e300 mm": (toml(vessels={"drum": DRUM | {"diameter_mm": 1e300}}), "diameter_mm"),
    "vessel infinite": (toml(vessels={"drum": DRUM | {"diameter_mm": float("inf")}}), "diameter_mm"),
    "filling date 1600": (containers("2025-01-10", "1600-01-10"), "filled_on"),
    "Arabic digits": (containers("drum,500", "drum,\u0665\u0660\u0660"), "liquid_height_mm"),
    "code ../../x": (samples("S0u", "../../x"), "sample"),
    "store 68 degrees": (toml(fluid=FLUID | {"storage_temperature_c": 68}), "storage_temperature_c"),
    "rest viscosity 300": (toml(fluid=FLUID | {"rest_viscosity_pa_s": 300}), "rest_viscosity_pa_s"),
    "density 0.97 kg/m3": (toml(fluid=FLUID | {"density_kg_m3": 0.97}), "density_kg_m3"),
    "a misspelt store": (toml(fluid=FLUID | {"store_temperature_c": {"nroth": 12}}), "store_temperature_c"),
    "draw order 1e30": (column("samples.csv", "draw_order", "1e30"), "draw_order"),
    "an integer of 5,000 digits": (text("beyond = " + "9" * 5000 + "\n"), "study.toml"),
    "a cell of 5,000 digits": (column("samples.csv", "draw_order", "9" * 5000), "draw_order"),
    "TOML nested 5,000 deep": (text("deep = " + "[" * 5000 + "]" * 5000 + "\n"), "study.toml"),
}


@pytest.mark.few(4)
@pytest.mark.parametrize("name", CASES)
def test_a_study_with_something_that_nobody_means_is_refused(tmp_path: Path, name: str) -> None:
    write, place = CASES[name]
    write(tmp_path)
    with pytest.raises(BadInput) as caught:
        load_tables(tmp_path, with_results=False)
    assert any(place in f.line() for f in caught.value.faults), str(caught.value)
    assert all(f.reason and f.remedy for f in caught.value.faults), str(caught.value)
    assert len(str(caught.value)) < 4_000


def test_the_study_itself_is_sound(tmp_path: Path) -> None:
    tables = load_tables(write_study(tmp_path), with_results=False)
    assert (len(tables.containers), len(tables.samples)) == (3, 9)


@pytest.mark.slow
def test_a_file_name_that_is_not_text_is_refused_by_the_command(tmp_path: Path) -> None:
    root = write_study(tmp_path / "s")
    (root / "raw").mkdir()
    (root / "intake.toml").write_text('[[file]]\npattern = "*.csv"\nlayout = "wide"\n[file.columns]\nsample = "Sample"\n')
    try:
        Path(str(root / "raw") + "/pr\udcfcfung.csv").write_text("Sample,P [mg/kg]\nS0u,340\n")
    except OSError:
        pytest.skip("this file system takes no such name")
    done = subprocess.run([sys.executable, "-m", "studykit", "intake", str(root)], capture_output=True, check=False)
    said = (done.stdout + done.stderr).decode("utf-8", "replace")
    assert done.returncode == 2, said
    assert "file name with signs that are not text" in said
    assert "rename the file" in said
