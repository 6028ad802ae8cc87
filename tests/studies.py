"""Small invented study definitions and tables that several tests share."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

import tomli_w

from studykit.demos.shipped import copy_demo

DEFINITION: dict[str, Any] = {
    "title": "Coolant in small drums (invented)",
    "question": "Has the inhibitor settled in the drums of the test store?",
    "responsible": "coolant engineer",
    "alpha": 0.05,
    "seed": 7,
    "invented": True,
    "factors": {"depths": ["upper", "middle", "lower"]},
    "analytes": {
        "P": {"unit": "mg/kg", "method": "in-house ICP", "margin": {"relative_percent": 5},
              "margin_reason": "a twentieth is lost in blending anyway"},
        "W": {"unit": "mg/kg", "method": "in-house titration", "margin": {"absolute": 50},
              "margin_reason": "half of the limit for use"},
    },
    "vessels": {"drum": {"shape": "upright_cylinder", "diameter_mm": 380, "height_mm": 600}},
}

CONTAINERS = """container,lot,store,vessel,liquid_height_mm,filled_on,sampled_on,treatment
007,L1,north,drum,500,2025-01-10,2026-01-10,stored
1E5,L1,south,drum,510,2025-01-10,2026-01-10,
C3,L2,south,drum,505,2025-02-01,2026-01-11,stored
"""

SAMPLES = "sample,container,kind,depth,height\n" + "".join(
    f"S{c}{d[0]},{code},spot,{d},{h}\n"
    for c, code in enumerate(("007", "1E5", "C3"))
    for d, h in (("upper", 0.83), ("middle", 0.5), ("lower", 0.17)))

HEAD = "sample,analyte,value,unit,qualifier,limit,replicate,run,source_file,source_row\n"


def results(change: str = "") -> str:
    """A results table with one P and one W result a sample; ``change`` is appended as it is."""
    rows, line = [], 2
    for c in range(3):
        for k, d in enumerate("uml"):
            rows.append(f"S{c}{d},P,{340 + c + k},mg/kg,,,1,R1,lab.csv,{line}\n")
            rows.append(f"S{c}{d},W,{60 + 2 * c - k},mg/kg,,,1,R1,lab.csv,{line + 1}\n")
            line += 2
    return HEAD + "".join(rows) + change


def definition(**changes: Any) -> dict[str, Any]:
    """A copy of the definition with top-level keys replaced; None removes a key."""
    out = copy.deepcopy(DEFINITION)
    for key, value in changes.items():
        if value is None:
            out.pop(key, None)
        else:
            out[key] = value
    return out


def write_study(root: Path, *, study: dict[str, Any] | None = None, containers: str = CONTAINERS,
                samples: str = SAMPLES, results_text: str | None = None) -> Path:
    """Write a study folder from texts; results only where given."""
    (root / "plan").mkdir(parents=True, exist_ok=True)
    (root / "tidy").mkdir(exist_ok=True)
    (root / "study.toml").write_text(tomli_w.dumps(study or DEFINITION), encoding="utf-8")
    (root / "plan/containers.csv").write_text(containers, encoding="utf-8")
    (root / "plan/samples.csv").write_text(samples, encoding="utf-8")
    if results_text is not None:
        (root / "tidy/results.csv").write_text(results_text, encoding="utf-8")
    return root


def slip_with_a_question(root: Path) -> Path:
    """The slip demo with one Boron result written twice too high: something that only its laboratory can answer."""
    copy_demo("slip", root)
    file = root / "raw/xrf_icp_from_april.csv"
    told, row = file.read_text(encoding="utf-8"), "W214,X3,2,13.40,"
    assert told.count(row + "416,") == 1
    file.write_text(told.replace(row + "416,", row + "832,"), encoding="utf-8")
    return root
