"""Small invented studies for the tests of the verdict stage, with every result given by the test."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import studykit.notebook.stage as kit
from studykit.demos.shipped import copy_demo
from studykit.intake.take import run_intake
from studykit.study.tables import load_tables
from tests.studies import definition, write_study

DEPTHS = {"upper": 0.83, "middle": 0.5, "lower": 0.17}
HEAD_C = "container,lot,store,vessel,liquid_height_mm,filled_on,sampled_on,treatment\n"
HEAD_R = "sample,analyte,value,unit,qualifier,limit,replicate,run,source_file,source_row\n"
Cells = Mapping[str, Mapping[str, Sequence[float | str]]]
"""Container -> depth (or kind: heel, composite) -> results; a text such as '<2' is a limit."""


def demo_stage(name: str, root: Path) -> kit.Stage:
    """The verdict stage of a demo, copied to a folder, from its raw files."""
    copy_demo(name, root)
    early = load_tables(root, with_results=False)
    run_intake(root, early.study, early.samples)
    return kit.open_stage("06-verdict", str(root), str(root / "report"))


def make(root: Path, cells: Cells, *, margin: Mapping[str, float] | None = None, controls: Mapping[str, str] | None = None,
         run: str = "R1", share: float = 20, **analyte: Any) -> kit.Stage:
    """Write a study of one analyte, P, and open its verdict stage. Depths come from the keys of ``cells``."""
    entry = {"unit": "mg/kg", "method": "invented", "margin": dict(margin or {"relative_percent": 5}),
             "margin_reason": "a test", **analyte}
    kinds = dict(controls or {})
    containers = HEAD_C + "".join(
        f"{c},L1,north,drum,500,2025-01-10,2026-01-10,{kinds.get(c, 'stored')}\n" for c in cells)
    samples, results, line = "sample,container,kind,depth,height\n", HEAD_R, 2
    for c, depths in cells.items():
        for place, values in depths.items():
            spot = place in DEPTHS
            code = f"{c}{place[:2]}"
            samples += f"{code},{c},{'spot' if spot else place},{place if spot else ''},{DEPTHS.get(place, '')}\n"
            for k, v in enumerate(values, start=1):
                limit = str(v)[1:] if str(v)[:1] in "<>" else ""
                results += (f"{code},P,{'' if limit else v},mg/kg,{str(v)[0] if limit else ''},{limit},{k},{run},lab.csv,"
                            f"{line}\n")
                line += 1
    scope = "container" if len(cells) == 1 else "stock"
    study = definition(analytes={"P": entry}, share_percent=share, scope=scope)
    write_study(root, study=study, containers=containers, samples=samples, results_text=results)
    return kit.open_stage("06-verdict", str(root), str(root / "report"))


def calm(n: int = 6, level: float = 100.0, step: float = 0.2, lower: float = 0.0) -> dict[str, dict[str, list[float]]]:
    """n containers of nearly equal zones; ``lower`` is added to the lowest; the scatter is a fixed pattern of ``step``."""
    out = {}
    for c in range(n):
        out[f"C{c}"] = {d: [round(level + step * ((3 * c + 5 * k) % 7 - 3) + (lower if d == "lower" else 0.0), 6)]
                        for k, d in enumerate(DEPTHS)}
    return out
