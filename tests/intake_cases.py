"""Small invented studies and laboratory files for the intake tests."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from studykit.intake.take import IntakeOutcome, read_intake, run_intake
from studykit.study.definition import Study, parse_study

CODES = ("B001", "B002", "B003", "007", "1E5")


def study(units: dict[str, str] | None = None, *, absolute: bool = True, **rest: object) -> Study:
    """A study with the given analytes and units; margins absolute unless asked otherwise."""
    margin = {"absolute": 1.0} if absolute else {"relative_percent": 10}
    analytes = {a: {"unit": u, "method": "in-house", "margin": margin, "margin_reason": "invented"}
                for a, u in (units or {"Si": "mg/kg", "P": "mg/kg", "KV40": "mm2/s"}).items()}
    for name, extra in rest.items():
        analytes[name].update(extra)  # type: ignore[call-overload]
    return parse_study({
        "title": "Invented", "question": "Has it settled?", "responsible": "laboratory lead", "invented": True,
        "factors": {"depths": ["upper", "lower"]}, "analytes": analytes,
        "vessels": {"pail": {"shape": "upright_cylinder", "diameter_mm": 280, "height_mm": 360}}})


def folder(root: Path, intake: str, files: dict[str, bytes | str]) -> Path:
    """A study folder with intake.toml and raw files."""
    (root / "raw").mkdir(parents=True, exist_ok=True)
    (root / "intake.toml").write_text(intake, encoding="utf-8")
    for name, data in files.items():
        path = root / "raw" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data if isinstance(data, bytes) else data.encode("utf-8"))
    return root


def take(root: Path, intake: str, files: dict[str, bytes | str], *, units: dict[str, str] | None = None,
         codes: tuple[str, ...] = CODES, accept: str | None = None, definition: Study | None = None,
         kinds: dict[str, str] | None = None) -> IntakeOutcome:
    """Write the folder and read it as the intake does; nothing is written under tidy/ (see ``take_and_write``)."""
    return read_intake(folder(root, intake, files), definition or study(units), samples_of(codes, kinds), accept)


def take_and_write(root: Path, intake: str, files: dict[str, bytes | str], *, units: dict[str, str] | None = None,
                   codes: tuple[str, ...] = CODES, accept: str | None = None, definition: Study | None = None,
                   kinds: dict[str, str] | None = None) -> IntakeOutcome:
    """Write the folder and run the whole intake on it."""
    return run_intake(folder(root, intake, files), definition or study(units), samples_of(codes, kinds), accept)


def samples_of(codes: tuple[str, ...], kinds: dict[str, str] | None) -> pd.DataFrame:
    """A samples table of these codes, with their kinds where some are given."""
    samples = pd.DataFrame({"sample": list(codes)})
    if kinds:
        samples["kind"] = [kinds.get(c, "spot") for c in codes]
    return samples


def values(outcome: IntakeOutcome) -> dict[tuple[str, str, int], tuple[float, str]]:
    """(sample, analyte, replicate) -> (value, qualifier)."""
    t = outcome.results
    keys = zip(t["sample"], t["analyte"], t["replicate"], strict=True)
    return {(str(s), str(a), int(r)): (float(v), str(q))
            for (s, a, r), v, q in zip(keys, t["value"], t["qualifier"], strict=True)}


LONG = """
[[file]]
pattern = "*.csv"
layout = "long"
[file.columns]
sample = "Code"
analyte = "Test"
value = "Result"
unit = "Unit"
"""

WIDE = """
[[file]]
pattern = "*.csv"
layout = "wide"
[file.columns]
sample = "Sample"
[file.units]
Si = "mg/kg"
P = "mg/kg"
"""
