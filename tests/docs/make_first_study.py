"""Make the filled example of docs/first-study: ``python -m tests.docs.make_first_study``.  All of it is invented.

Truth: silicon 15 mg/kg, alike in all zones, half as much again on the floor; viscosity 46 mm²/s everywhere.
"""

from __future__ import annotations

import random
import shutil
import tempfile
from pathlib import Path

import pandas as pd

from studykit.commands.cli import main
from studykit.core.files import csv_text
from studykit.sampling.plan import plan
from studykit.study.definition import load_study
from tests.docs.first_study import EXAMPLE, PAGE, do_edit, steps
from tests.docs.reading import ROOT

FLOOR, S_R, S_KV = 1.5, 0.018, 0.0008


def planned(folder: Path) -> Path:
    """The study of the page up to its plan, without pages."""
    study = folder / "drums"
    assert main(["new", str(study), "--answers", str(EXAMPLE / "answers.toml")]) == 0
    for step in steps((ROOT / PAGE).read_text(encoding="utf-8")):
        if step.kind in ("edit", "save") and step.target != "intake.toml":
            do_edit(step, study)
    plan(study, load_study(study))
    return study


def drawn(study: Path) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The plan's samples and containers, filled in as at the bench."""
    samples = pd.read_csv(study / "plan/samples.csv", dtype=str, keep_default_na=False)
    draws = pd.read_csv(study / "plan/draws.csv", dtype=str, keep_default_na=False).set_index("sample")
    for i, row in samples.iterrows():
        if row["container"]:
            at = draws.loc[row["sample"]]
            minute = 40 * ((int(at["visit"]) - 1) % 6) + 5 * int(row["draw_order"])
            day = 18 + (int(at["visit"]) - 1) // 6
            samples.loc[i, ["drawn_at", "drawn_by", "purge_ml", "volume_ml", "appearance"]] = [
                f"2027-01-{day} {9 + minute // 60:02d}:{minute % 60:02d}", "AB", f"{float(at['purge_ml']):g}", "100", "clear"]
    containers = pd.read_csv(study / "plan/containers.csv", dtype=str, keep_default_na=False)
    visits = draws.groupby("container")["visit"].first().astype(int)
    containers["sampled_on"] = [f"2027-01-{18 + (visits[c] - 1) // 6}" for c in containers["container"]]
    return samples, containers


def reported(study: Path, samples: pd.DataFrame) -> str:
    """What the laboratory writes: one line per bottle, in the order of its runs."""
    rng = random.Random(2027)
    kinds = samples.set_index("sample")
    shift = {c: rng.gauss(0, 0.02) for c in sorted(set(samples["container"]))}
    lines = ["Bottle,Run,Position,Silicon [mg/kg],KV40 [mm2/s]"]
    for r in pd.read_csv(study / "plan/submission.csv").to_dict("records"):
        kind, container = kinds.loc[r["sample"], ["kind", "container"]]
        si = 15 * (FLOOR if kind == "heel" else 1) * (1 + shift[container]) * (1 + rng.gauss(0, S_R))
        kv = 46 * (1 + rng.gauss(0, S_KV))
        values = f"{si:.2f},{kv:.2f}" if kind != "blank" else f"<1,{kv:.2f}"
        lines.append(f"{r['sample']},{r['run']},{r['position']},{values}")
    return "\n".join(lines) + "\n"


def make() -> None:
    """Write the example's files."""
    with tempfile.TemporaryDirectory() as name:
        study = planned(Path(name))
        samples, containers = drawn(study)
        (EXAMPLE / "plan").mkdir(parents=True, exist_ok=True)
        (EXAMPLE / "raw").mkdir(exist_ok=True)
        (EXAMPLE / "plan/samples.csv").write_text(csv_text(samples), encoding="utf-8")
        (EXAMPLE / "plan/containers.csv").write_text(csv_text(containers), encoding="utf-8")
        (EXAMPLE / "raw/lab-report.csv").write_text(reported(study, samples), encoding="utf-8")
        shutil.copyfile(study / "study.toml", EXAMPLE / "study.toml")
        shutil.copyfile(study / "plan/stock.csv", EXAMPLE / "plan/stock.csv")


if __name__ == "__main__":
    make()
