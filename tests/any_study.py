"""Whole studies by chance, small and awkward, and every stage run on them.

Containers from one to sixteen, two to five depths, lots, stores, ages, visits; readings that are coarse, all alike, all
below a limit, lost here and there; factors more than the containers can carry. Nothing is compared: a study that the kit
takes in must be reported to its end, and one that it refuses at intake is refused in words. ``python -m tests.any_study FIRST
LAST`` prints what was not, of the seeds from the first up to, but without, the last.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import io
import json
import os
import sys
import tempfile
import traceback
import warnings
from pathlib import Path
from types import CodeType

import numpy as np

DEPTHS = {2: ("upper", "lower"), 3: ("upper", "middle", "lower"), 4: ("d1", "d2", "d3", "d4"),
          5: ("d1", "d2", "d3", "d4", "d5")}
KINDS = ("plain", "plain", "whole numbers", "two digits", "all alike", "some below", "all below", "wide", "about nought")
OPENED = dt.date(2026, 11, 10)
LEFT_OUT = ("02-sampling",)
"""Stages that work out nothing of readings."""


def write(root: Path, seed: int) -> None:
    """A study folder with its plan, one file of a laboratory, and the mapping of that."""
    rng = np.random.default_rng(seed)
    (root / "plan").mkdir(parents=True)
    (root / "raw").mkdir()
    n = int(rng.choice([1, 2, 3, 4, 5, 6, 8, 12, 16], p=[.08, .1, .14, .14, .14, .12, .12, .1, .06]))
    depths, lots, stores = DEPTHS[int(rng.choice([2, 3, 3, 3, 4, 5]))], int(rng.integers(1, 4)), int(rng.choice([1, 1, 2]))
    aged, ages = rng.random() < 0.75, rng.choice([0.5, 2, 6, 12, 18, 24, 30, 48], size=int(rng.integers(1, 5)), replace=False)
    boxes = [(f"K{i + 1:02d}", f"L{i % lots + 1}", ("hall", "yard")[(i // 2) % stores], float(ages[i % len(ages)]))
             for i in range(n)]
    visits = 2 if aged and n > 1 and min(ages) >= 6 and rng.random() < 0.2 else 1
    height = 780 if rng.random() < 0.8 else ""
    (root / "plan/containers.csv").write_text(
        "container,lot,store,vessel,liquid_height_mm,fill_volume_l,filled_on,sampled_on\n" + "".join(
            f"{c},{lot},{store},drum,{height},200,"
            f"{OPENED - dt.timedelta(days=int(age * 30.44)) if aged else ''},{OPENED}\n" for c, lot, store, age in boxes))
    count = int(rng.integers(4, 13)) if rng.random() < 0.1 else int(rng.integers(1, 4))
    analytes = {f"A{k + 1}": str(rng.choice(KINDS)) for k in range(count)}
    loses, alone, twice = rng.random() < 0.35, rng.random() < 0.1, rng.random() < 0.3
    samples, drawn = ["sample,container,kind,depth,height,draw_order,purge_ml,volume_ml,visited_on"], []
    for visit in range(visits):
        day = OPENED - dt.timedelta(days=150 * (visits - 1 - visit))
        for box in boxes:
            if visit < visits - 1 and rng.random() < 0.3:
                continue
            for j, depth in enumerate(depths):
                if (loses and rng.random() < 0.12) or (alone and j == 1 and len(depths) > 2 and box[0] != "K01"):
                    continue
                for kind in ("spot", "duplicate") if twice and box[0] == "K01" and j == 0 else ("spot",):
                    drawn.append((f"B{len(drawn) + 1:03d}", box, j))
                    samples.append(f"{drawn[-1][0]},{box[0]},{kind},{depth},{1 - (j + 0.5) / len(depths):.4f},{j + 1},10,100,"
                                   f"{day if visits > 1 else ''}")
    (root / "plan/samples.csv").write_text("\n".join(samples) + "\n")
    (root / "raw/lab.csv").write_text(_readings(rng, boxes, analytes, drawn, len(depths), aged=aged, loses=loses))
    (root / "study.toml").write_text(_definition(rng, seed, n, depths, analytes, lots, stores, aged=aged))
    (root / "intake.toml").write_text(
        '[[file]]\npattern = "lab.csv"\nheader_row = 1\nlayout = "wide"\ndelimiter = ","\ndecimal = "."\n'
        'replicates = "in order"\n'
        '[file.columns]\nsample = "Code"\nrun = "Run"\nrun_order = "Pos"\n[file.analytes]\n'
        + "".join(f'"{a} (mg/kg)" = "{a}"\n' for a in analytes))


def _readings(rng: np.random.Generator, boxes: list, analytes: dict[str, str], drawn: list, depths: int, *, aged: bool,
              loses: bool) -> str:
    """The laboratory's file: every bottle once or twice, in one to three runs."""
    slope = {a: rng.choice([0, 0, 0.02, 0.1, 0.5]) * rng.choice([1, 1, -1]) for a in analytes}
    sd, level = ({a: rng.choice(x) for a in analytes} for x in ([0.005, 0.02, 0.05], [5, 50, 300, 12000]))
    own = {(b[0], a): level[a] * np.exp(rng.choice([0, 0.01, 0.1]) * rng.normal()) for b in boxes for a in analytes}
    each = len(drawn) // int(rng.choice([1, 1, 2, 3])) + 1
    lines, place = [",".join(["Code", "Run", "Pos", *(f"{a} (mg/kg)" for a in analytes)])], dict[str, int]()
    order = rng.permutation(len(drawn))
    for _ in range(int(rng.choice([1, 1, 2]))):
        for at, o in enumerate(order):
            code, box, j = drawn[o]
            run = f"R{at // each + 1}"
            place[run] = place.get(run, 0) + 1
            cells = []
            for a, kind in analytes.items():
                grows = slope[a] * (j / (depths - 1) - 0.5) * (box[3] / 24 if aged else 1)
                x = own[box[0], a] * np.exp(grows * (6 if kind == "wide" else 1) + sd[a] * rng.normal())
                text = {"whole numbers": f"{float(f'{x:.1g}'):g}", "two digits": f"{float(f'{x:.2g}'):g}",
                        "all alike": f"{level[a]}",
                        "some below": f"<{level[a]}" if x < level[a] else f"{float(f'{x:.3g}'):g}",
                        "all below": f"<{2 * level[a]}", "about nought": f"{grows * 10 + 0.2 * rng.normal():.2f}",
                        }.get(kind, f"{float(f'{x:.4g}'):g}")
                cells.append("" if loses and rng.random() < 0.04 else text)
            lines.append(",".join([code, run, str(place[run]), *cells]))
    return "\n".join(lines) + "\n"


def _definition(rng: np.random.Generator, seed: int, n: int, depths: tuple[str, ...], analytes: dict[str, str], lots: int,
                stores: int, *, aged: bool) -> str:
    able = ("lot",) * (lots > 1) + ("store",) * (stores > 1) + ("age_months",) * aged
    fixed = [f for f in able if rng.random() < 0.65]
    by_depth = [f for f in fixed if rng.random() < 0.7]
    scope = "container" if n == 1 else str(rng.choice(["lot", "store", "stock"]))
    lines = [f'title = "Study {seed}"', 'question = "May it be used as it stands?"', 'responsible = "the laboratory"',
             f'scope = "{scope}"', "alpha = 0.05", "share_percent = 20", f"seed = {seed + 1}", "[actions]",
             'homogeneous = { do = "Use it.", asks_for = "nothing" }', 'uneven = "Set aside what is not shown within."',
             'stratified = { do = "Leave it shut and ask the supplier.", asks_for = "nothing" }',
             'inconclusive = { do = "Have more measured.", asks_for = "nothing" }',
             "[factors]", f"depths = {json.dumps(depths)}", f"fixed = {json.dumps(fixed)}",
             f"by_depth = {json.dumps(by_depth)}"]
    lines += ['random = ["lot"]'] * bool(lots > 1 and "lot" not in fixed and rng.random() < 0.5)
    lines += ["[time]", 'course = "linear"'] * bool(aged and rng.random() < 0.5)
    for a, kind in analytes.items():
        percent = f"relative_percent = {rng.choice([2, 5, 25])}"
        margin = {"wide": "factor = 2", "about nought": "absolute = 0.5"}.get(kind, percent)
        lines += [f"[analytes.{a}]", 'unit = "mg/kg"', 'method = "a method, 2025"', 'margin_reason = "half the tolerance"',
                  f"margin = {{ {margin} }}"]
        stated = kind != "about nought" and rng.random() < 0.7
        lines += ['repeatability = { s_r_percent = 2, source = "control chart" }'] * bool(stated)
    return "\n".join([*lines, "[vessels.drum]", 'shape = "upright_cylinder"', "diameter_mm = 571.5", "height_mm = 850", ""])


def _cells() -> dict[str, list[CodeType]]:
    """The code cells of the kit's stage notebooks, compiled."""
    from studykit.study.stages import STEMS, share

    books = {s: json.loads((share("notebooks") / f"{s}.ipynb").read_text(encoding="utf-8")) for s in STEMS if s not in LEFT_OUT}
    return {s: [compile("".join(c["source"]), f"{s}[{k}]", "exec")
                for k, c in enumerate(c for c in b["cells"] if c["cell_type"] == "code")] for s, b in books.items()}


def run(root: Path, cells: dict[str, list[CodeType]]) -> str:
    """Intake and every stage of a study in this process; what went wrong, '' for nothing. A refusal at intake is none."""
    import matplotlib.pyplot as plt

    from studykit.core.errors import StudyKitError
    from studykit.intake.take import run_intake
    from studykit.study.definition import load_study
    from studykit.study.tables import load_tables

    try:
        run_intake(root, load_study(root), load_tables(root, with_results=False).samples)
    except StudyKitError as refused:
        return "" if str(refused).strip() else "refused without a word"
    try:
        for codes in cells.values():
            names: dict[str, object] = {"__name__": "__main__"}
            for k, code in enumerate(codes):
                with contextlib.redirect_stdout(io.StringIO()):
                    exec(code, names)  # the kit's own notebooks
                if k == 0:
                    names.update(study=str(root), out_dir=str(root / "report"))
            plt.close("all")
    except Exception:  # a stage that refuses what intake took is one as well
        return traceback.format_exc()
    return ""


def main(first: int, last: int) -> int:
    """Run the studies of these seeds; how many went wrong."""
    os.environ.update(MPLBACKEND="agg", STUDYKIT_HEADLESS="1")
    warnings.simplefilter("ignore")
    from studykit.notebook import display
    from studykit.plot.forms import Forms, as_written, narrowed, settled_box

    def drawn(figure, title=""):  # laid out for page and phone, and not written
        figure = as_written(figure)
        settled_box(figure)
        settled_box(narrowed(figure))
        return Forms(png=b"\0" * 16 + (900).to_bytes(4, "big"), svg=b"<svg/>", pdf=b"%PDF", narrow=b"")

    display.figure_forms = drawn
    display.display = lambda *_, **__: None
    cells, wrong = _cells(), 0
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(first, last):
            write(Path(folder) / str(seed), seed)
            if told := run(Path(folder) / str(seed), cells):
                print(f"seed {seed}: {told}", flush=True)
                wrong += 1
    return wrong


if __name__ == "__main__":
    sys.exit(min(99, main(*map(int, sys.argv[1:3]))))
