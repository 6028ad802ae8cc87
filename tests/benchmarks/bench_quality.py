"""How often the quality checks fire on clean studies, and how often they find a planted fault.

Run: python tests/benchmarks/bench_quality.py [number of studies] [first seed]. Prints shares with the number of
studies they rest on; the shares quoted in docs/04-quality.md come from this script.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from studykit.quality import profiles
from studykit.quality import runs as runchecks
from studykit.quality.assess import assess
from studykit.quality.flags import Scatter, working_table
from tests.quality_cases import ANALYTES, build

STATED = {a: Scatter(s=s_r) for a, (_, s_r, _, _) in ANALYTES.items()}


def clean(n: int, seed: int) -> None:
    """Share of clean studies in which each rule fires at all."""
    fired: Counter[str] = Counter()
    any_flag = pressing = 0
    for k in range(n):
        report = assess(*build(seed + k).tables())
        rules = set(report.flags["rule"])
        fired.update(rules)
        any_flag += bool(rules)
        pressing += bool((report.flags["concern"] == "stop and find out").any())
    print(f"clean studies: {n}; any flag {any_flag}, any 'stop and find out' {pressing}")
    for rule, count in sorted(fired.items()):
        print(f"  {rule:24s} {count} of {n}")


def planted(n: int, seed: int) -> None:
    """Share of studies in which the planted fault is found, and named in the right place."""
    found: Counter[str] = Counter()
    for k in range(n):
        case = build(seed + k)
        case.swap(case.sample_of("C05", "upper"), case.sample_of("C05", "lower"))
        t = working_table(*case.tables())
        found["swap of upper and lower"] += any("C05" in f.where for f in profiles.swapped(t, STATED).flags)
        for size in (0.02, 0.04, 0.08):
            t = working_table(*build(seed + k, drift={"Ca": size}).tables())
            found[f"drift of {size:.0%} a run, s_r 2 %"] += any(f.analyte == "Ca" for f in runchecks.drift(t).flags)
        for size in (1.06, 1.10):
            t = working_table(*after_the_layer(seed + k, size))
            found[f"carry-over of {size - 1:.0%}, s_r 1.8 %"] += bool(runchecks.carry_over(t).flags)
        t = working_table(*build(seed + k, run_shift={"P": 0.05}).tables())
        found["shift of one run by 5 %"] += any(f.analyte == "P" for f in runchecks.run_effects(t).flags)
    for what, count in found.items():
        print(f"  {what:32s} {count} of {n}")


def after_the_layer(seed: int, factor: float) -> tuple:  # type: ignore[type-arg]
    """A study in which the sample right after the layered control's lowest zone reads too much phosphorus."""
    case = build(seed)
    rich = case.sample_of("L1", "lower")
    r = case.results
    at = r.loc[r["sample"] == rich].iloc[0]
    after = r[(r["run"] == at["run"]) & (r["run_order"] == at["run_order"] + 1)]
    if len(after):
        case.multiply(str(after["sample"].iloc[0]), "P", factor)
    return case.tables()


if __name__ == "__main__":
    studies = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 1000
    clean(studies, first)
    planted(max(10, studies // 2), first)
