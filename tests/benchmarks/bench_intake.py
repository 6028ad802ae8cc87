"""Intake of a million rows against pandas on the same file: python -m tests.benchmarks.bench_intake [ROWS]

Reading (everything but the writing of tidy/) stands against pandas' reading, the whole intake against pandas'
reading and writing. Each measurement runs in a process of its own; times are computing times, so that other work on
the machine does not count. Targets: at most 3 times pandas, at most 1000 MB.
"""

from __future__ import annotations

import json
import random
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROUNDS = 5
ANALYTES = ("Si", "P", "KV40", "Ca", "Zn", "B", "S", "Mg", "Na", "K")
INTAKE = """
[[file]]
pattern = "big.csv"
layout = "long"
decimal = "."
[file.columns]
sample = "Code"
analyte = "Test"
value = "Result"
unit = "Unit"
run = "Batch"
run_order = "Pos"
method = "Method"
reported_on = "Reported"
"""


def make(root: Path, rows: int) -> None:
    """An invented long file: ten analytes a sample, three decimals, all columns filled, within a factor of three."""
    rng = random.Random(1)
    (root / "raw").mkdir(parents=True)
    (root / "intake.toml").write_text(INTAKE)
    with (root / "raw/big.csv").open("w") as out:
        out.write("Code;Test;Result;Unit;Batch;Pos;Method;Reported\n")
        for i in range(rows // 10):
            for a in ANALYTES:
                unit = "cSt" if a == "KV40" else "mg/kg"
                out.write(f"B{i:06d};{a};{33 + rng.random() * 66:.3f};{unit};R{i // 300};{i % 300};in-house 12;2026-05-04\n")


def measure(what: str, root: Path, rows: int) -> dict[str, float]:
    """Computing time and peak memory of one job, measured inside its own process."""
    import pandas as pd

    if what.startswith("pandas"):
        start = time.process_time()
        table = pd.read_csv(root / "raw/big.csv", sep=";")
        if what == "pandas, read and written":
            table.to_csv(root / "copy.csv", index=False)
    else:
        from studykit.intake.take import read_intake, run_intake
        from tests.intake_cases import study

        definition = study({a: "mm2/s" if a == "KV40" else "mg/kg" for a in ANALYTES})
        samples = pd.DataFrame({"sample": [f"B{i:06d}" for i in range(rows // 10)]})
        start = time.process_time()
        outcome = (run_intake if what == "intake, read and written" else read_intake)(root, definition, samples)
        if len(outcome.results) != rows:
            raise SystemExit(f"{outcome.sentence()} expected {rows}")
    seconds = time.process_time() - start
    return {"seconds": seconds, "megabytes": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024}


def main(rows: int) -> None:
    """Print times, ratios and memory."""
    with tempfile.TemporaryDirectory() as name:
        root = Path(name)
        make(root, rows)
        for how in ("read", "read and written"):
            runs: dict[str, list[dict[str, float]]] = {"pandas": [], "intake": []}
            for who in ("pandas", "intake") * ROUNDS:  # in turn, so that a slow minute of the machine meets both
                call = [sys.executable, "-m", "tests.benchmarks.bench_intake", f"{who}, {how}", str(root), str(rows)]
                runs[who].append(json.loads(subprocess.run(call, check=True, capture_output=True, text=True).stdout))
            got = {who: min(own, key=lambda r: r["seconds"]) for who, own in runs.items()}
            for who, best in got.items():
                print(f"{who}, {how}: {best['seconds']:.2f} s, {best['megabytes']:.0f} MB (best of {ROUNDS})")
            print(f"{rows:,} rows {how}: intake takes {got['intake']['seconds'] / got['pandas']['seconds']:.2f} times pandas")


if __name__ == "__main__":
    if len(sys.argv) == 4:
        print(json.dumps(measure(sys.argv[1], Path(sys.argv[2]), int(sys.argv[3]))))
    else:
        main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
