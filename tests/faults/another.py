"""A laboratory and a stock by somebody who had not seen the checks, through the whole road from files to flags.

Settling is fronts of five lognormal speeds with a hindered pile and some convection; containers settle at rates of their own.
A laboratory reads with Student's t of four degrees of freedom, errors that follow one another in a run, runs that are off a
little, and writes significant digits; check fluid and blanks are of another composition. All of it is invented.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

import studykit as sk
from studykit.commands.cli import main
from studykit.quality.assess import assess

TESTS = {"P": (900, 1.5, 6, 0.0), "S": (5200, 1.2, 5, 0.0), "Ca": (2100, 1.6, 8, 0.0), "Si": (22, 3.0, 20, 0.5),
         "Mo": (310, 2.5, 15, 1.0), "Zn": (1010, 1.6, 6, 0.0), "B": (95, 2.2, 10, 0.2), "KV40": (46.2, 0.25, 1, 0.0)}
"""Level, repeatability (standard deviation, %), margin (%), and how fast it settles against the fastest."""
DEPTHS = ("upper", "middle", "lower")
HEIGHTS = np.array([5, 3, 1]) / 6
FOLLOWS, RUN_OFF, DRAWN = 0.4, 0.35, 0.4
"""Errors in a run follow one another; runs and draws scatter, in repeatabilities."""
STUDY = """title = "another laboratory (invented)"
question = "May the drums be used as they stand?"
responsible = "quality manager"
invented = true
[factors]
depths = ["upper", "middle", "lower"]
[vessels.drum]
shape = "upright_cylinder"
diameter_mm = 571.5
height_mm = 850
"""
MAPPING = """[[file]]
pattern = "run-*.csv"
layout = "long"
header_row = 1
delimiter = ","
decimal = "."
[file.columns]
sample = "Code"
analyte = "Test"
value = "Result"
unit = "Unit"
run = "Batch"
run_order = "Pos"
reported_on = "Reported"
"""


@dataclass
class World:
    """Samples in the order in which each run reads them, and what is in each bottle (rows as samples, columns as ``TESTS``)."""

    containers: pd.DataFrame
    samples: pd.DataFrame
    true: np.ndarray
    rng: np.random.Generator


def settled(far: float) -> np.ndarray:
    """What ``DEPTHS`` hold against the mixed liquid when the median size has fallen ``far`` heights."""
    out = np.zeros(len(HEIGHTS))
    for speed, part in zip((0.25, 0.5, 1, 2, 4), (0.1, 0.2, 0.4, 0.2, 0.1), strict=True):
        s = far * speed
        left = 0.5 * np.array([1 + math.erf((1 - s - h) / 0.17) for h in HEIGHTS])
        pile = 1 + 0.6 * s * np.exp(-HEIGHTS / 0.12) / 0.12
        out += part * (0.7 * left * pile + 0.3 * math.exp(-min(s, 6)))
    return np.maximum(out, 1e-3)


def world(seed: int, far: float = 0.0, containers: int = 8, runs: int = 2) -> World:
    """Drums of two lots in which the median size has fallen ``far`` heights, with two check fluids and a blank a run."""
    rng = np.random.default_rng(seed)
    level = np.array([t[0] for t in TESTS.values()], float)
    speed = np.array([t[3] for t in TESTS.values()])
    lots = np.exp(0.05 * rng.standard_normal((2, len(TESTS))))
    codes = iter(rng.permutation([a + b + x + y for a in "CDFHKLMPR" for b in "2345678" for x in "WXTV" for y in "2345679"]))
    boxes, rows, true = [], [], []
    for k in range(containers):
        box = {"container": f"C{k + 1:02d}", "lot": f"L{1 + 2 * k // containers}", "store": "yard", "vessel": "drum",
               "fill_volume_l": 200.0, "filled_on": f"2025-0{1 + 2 * k // containers}-10", "sampled_on": "2026-09-14",
               "treatment": "stored"}
        boxes.append(box)
        rate = math.exp(0.25 * rng.standard_normal())
        profile = np.array([settled(far * rate * v) if v and far else np.ones(len(HEIGHTS)) for v in speed]).T
        for order, d in enumerate(rng.permutation(len(DEPTHS)), start=1):
            rows.append({"sample": next(codes), "container": box["container"], "kind": "spot", "depth": DEPTHS[d],
                         "height": round(float(HEIGHTS[d]), 4), "draw_order": order, "run": f"R{1 + k % runs}"})
            true.append(level * lots[2 * k // containers] * profile[d] * np.exp(0.003 * rng.standard_normal(len(TESTS))))
    fluid = level * rng.uniform(0.5, 0.9, len(TESTS))
    for kind, content, count in (("check fluid", fluid, 2), ("blank", 2e-4 * level, 1)):
        for run in range(runs):
            for _ in range(count):
                rows.append({"sample": next(codes), "container": "", "kind": kind, "depth": "", "height": np.nan,
                             "draw_order": np.nan, "run": f"R{run + 1}"})
                true.append(content)
    order = rng.permutation(len(rows))
    return World(containers=pd.DataFrame(boxes), samples=pd.DataFrame(rows).iloc[order].reset_index(drop=True),
                 true=np.array(true)[order], rng=rng)


def readings(w: World) -> np.ndarray:
    """What the laboratory reads, before it is written."""
    s = np.array([t[1] for t in TESTS.values()]) / 100
    drawn = np.where(w.samples["kind"].eq("spot").to_numpy()[:, None], DRAWN, 0.0)
    out = w.true * np.exp(s * drawn * w.rng.standard_t(4, w.true.shape) / math.sqrt(2))
    for run in sorted(set(w.samples["run"])):
        at = np.flatnonzero(w.samples["run"] == run)
        error, off = np.zeros(len(TESTS)), RUN_OFF * s * w.rng.standard_normal(len(TESTS))
        for i in at:
            error = FOLLOWS * error + 0.32 * w.rng.standard_normal(len(TESTS))
            out[i] *= np.exp(s * (0.93 * w.rng.standard_t(4, len(TESTS)) / math.sqrt(2) + error) + off)
    return out


def written(w: World, read: np.ndarray, root: Path) -> Path:
    """The study folder: definition, plan and the laboratory's files, values to four significant digits."""
    text = STUDY
    for name, (_, s, margin, _) in TESTS.items():
        unit, kind = ("mm²/s", "viscosity") if name == "KV40" else ("mg/kg", "element")
        text += (f'[analytes.{name}]\nunit = "{unit}"\nkind = "{kind}"\nmethod = "own method for {kind}"\n'
                 f'margin = {{ relative_percent = {margin} }}\nmargin_reason = "the field test still passes at it"\n'
                 f'repeatability = {{ s_r_percent = {s}, source = "own control chart" }}\n')
    (root / "plan").mkdir(parents=True)
    (root / "raw").mkdir()
    (root / "study.toml").write_text(text, encoding="utf-8")
    (root / "intake.toml").write_text(MAPPING, encoding="utf-8")
    w.containers.to_csv(root / "plan/containers.csv", index=False)
    w.samples.drop(columns="run").to_csv(root / "plan/samples.csv", index=False)
    for run, own in w.samples.groupby("run"):
        lines: list[dict[str, Any]] = [
            {"Code": own["sample"][i], "Test": a, "Result": f"{read[i, k]:.4g}", "Unit": "mm²/s" if a == "KV40" else "mg/kg",
             "Batch": run, "Pos": n, "Reported": f"2026-10-0{str(run)[1:]}"}
            for n, i in enumerate(own.index, start=1) for k, a in enumerate(TESTS)
            if not (a == "KV40" and own["kind"][i] == "blank")]
        pd.DataFrame(lines).to_csv(root / f"raw/run-{run}.csv", index=False)
    return root


def flags(w: World, root: Path, fault: Callable[[World, np.ndarray], None] = lambda _w, _read: None) -> pd.DataFrame:
    """The flags of the study in which ``fault`` has changed the readings; AssertionError where intake refuses a file."""
    read = readings(w)
    fault(w, read)
    assert main(["--quiet", "intake", str(written(w, read, root))]) == 0
    study = sk.open(root)
    return assess(study.study, study.containers, study.samples, study.results, root=root).flags
