"""Readings far off their column that a depth profile bears out are taken with a mark; slips of a power of ten are not."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from studykit.intake.bydepth import BORNE_OUT
from studykit.intake.take import IntakeOutcome, run_intake
from tests.intake_cases import folder, study

ZONES = ("top", "middle", "bottom")
LONG = ('[[file]]\npattern = "*"\nlayout = "long"\ndelimiter = ";"\ndecimal = "."\n[file.columns]\nsample = "Code"\n'
        'analyte = "Test"\nvalue = "Result"\nunit = "Unit"\n')
FLAT, SETTLED = (300.0, 300.0, 300.0), (8.3, 83.0, 830.0)  # the same content, bottom a hundred times the top


def drums(tmp_path: Path, profiles: list[tuple[float, ...]], files: int = 1) -> IntakeOutcome:
    """Drums with three zones each, read with some scatter, in so many files."""
    rng, lines, samples = np.random.default_rng(7), [list[str]() for _ in range(files)], []
    for k, profile in enumerate(profiles):
        for height, (zone, value) in enumerate(zip(ZONES, profile, strict=True)):
            code = f"B{k:02d}{height}"
            samples.append((code, f"C{k:02d}", "spot", zone, 0.9 - 0.4 * height))
            lines[k % files].append(f"{code};Si;{value * np.exp(rng.normal(0, 0.03)):.4g};mg/kg\n")
    table = pd.DataFrame(samples, columns=["sample", "container", "kind", "depth", "height"])
    root = folder(tmp_path, LONG, {f"lab{k}.csv": "Code;Test;Result;Unit\n" + "".join(own) for k, own in enumerate(lines)})
    return run_intake(root, study({"Si": "mg/kg"}), table)


def test_stock_that_has_really_settled_is_taken_and_marked(tmp_path: Path) -> None:
    out = drums(tmp_path, [SETTLED] * 8)
    assert out.rejected.empty, out.rejected.to_string()
    assert (out.results["marks"] == BORNE_OUT).sum() == 16


def test_one_settled_drum_among_even_ones_is_taken_and_marked(tmp_path: Path) -> None:
    out = drums(tmp_path, [FLAT] * 5 + [SETTLED] + [FLAT] * 2)
    assert out.rejected.empty, out.rejected.to_string()
    assert set(out.results.loc[out.results["marks"] == BORNE_OUT, "sample"]) <= {"B050", "B052"}


@pytest.mark.few(4)
@pytest.mark.parametrize("factor", [10.0, 100.0, 0.1, 0.01])
@pytest.mark.parametrize("zone", [0, 1, 2])
@pytest.mark.parametrize("profile", [FLAT, (270.0, 300.0, 330.0)])
def test_a_slip_in_one_cell_is_refused_as_before(tmp_path: Path, factor: float, zone: int, profile: tuple[float, ...]) -> None:
    slipped = tuple(v * factor if k == zone else v for k, v in enumerate(profile))
    out = drums(tmp_path, [profile] * 5 + [slipped] + [profile] * 2)
    assert f"B05{zone}" in " ".join(out.rejected["remedy"])
    assert f"B05{zone}" not in set(out.results["sample"])


@pytest.mark.few(4)
@pytest.mark.parametrize("factor", [10.0, 1000.0, 0.1])
@pytest.mark.parametrize("profile", [FLAT, (200.0, 300.0, 400.0), SETTLED])
def test_a_constant_factor_over_a_file_is_refused_as_before(tmp_path: Path, factor: float, profile: tuple[float, ...]) -> None:
    """Every second drum stands in the second file, in another unit: nothing of it is taken as borne out."""
    out = drums(tmp_path, [tuple(v * factor if k % 2 else v for v in profile) for k in range(8)], files=2)
    assert len(out.rejected)
    assert not (out.results["marks"] == BORNE_OUT).any()


@pytest.mark.parametrize(("others", "taken"), [
    ((961.0, 1013.0, 1040.0, 987.0, 1022.0, 1003.0), True), ((310.0, 333.0, 342.0, 318.0, 327.0, 305.0), False),
    ((10.1, 10.4, 9.8, 9.9, 10.0, 10.2), False)])
def test_an_honest_999_among_a_thousand_is_no_code(tmp_path: Path, others: tuple[float, ...], taken: bool) -> None:
    values = [*others, 999.0]
    samples = pd.DataFrame({"sample": [f"B{k:02d}" for k in range(7)]})
    text = "Code;Test;Result;Unit\n" + "".join(f"B{k:02d};Si;{v:g};mg/kg\n" for k, v in enumerate(values))
    out = run_intake(folder(tmp_path, LONG, {"a.csv": text}), study({"Si": "mg/kg"}), samples)
    assert ("B06" in set(out.results["sample"])) == taken
