"""Run the fault bench: ``python -m tests.faults [WHAT] [--studies N] [--seed S]``; WHAT is a key of ``COMMANDS``.

Counts of clean, settled and faulty studies go into the file that the environment names as ``FAULTS_RECORD``, if it does.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace

from studykit.quality.assess import assess
from tests.faults import bench
from tests.faults.laboratory import Setting, make
from tests.faults.planted import FAULTS
from tests.faults.present import record
from tests.faults.table import POWER


def _rules(tally: bench.Tally) -> str:
    return ", ".join(f"{rule} {n}" for rule, n in tally.rules.most_common(7))


def _per_cent(tally: bench.Tally, what: str) -> str:
    return f"{100 * tally.share(what):5.1f}"


def clean(n: int, seed: int, only: str) -> None:
    print(f"{'clean studies':34s}    n  stop %  question %")
    for name, setting in bench.LABORATORIES.items():
        if only in name:
            t = bench.clean(setting, range(seed, seed + n))
            record("clean", name, t, seed)
            print(f"{name:34s} {t.n:4d}  {_per_cent(t, 'stop')}   {_per_cent(t, 'question')}   {_rules(t)}", flush=True)


def settled(n: int, seed: int, only: str) -> None:
    print("really settled, creamed, half-settled or layered")
    more = replace(bench.USUAL, containers=24, depths=4)
    for name, setting in (("12 containers", bench.USUAL), ("24 containers, 4 depths", more)):
        if only in name:
            t = bench.settled(setting, range(seed, seed + n))
            record("settled", name, t, seed)
            print(f"{name:34s} {t.n:4d}  stops {t.counts['stop']}, questions {t.counts['question']}   {_rules(t)}", flush=True)


def faults(n: int, seed: int, only: str, sizes: tuple[int, ...] = (0, 1, 2)) -> None:
    print(f"{'fault':24s} {'size':>8s}    n  right %  place %  wrong %")
    for name, fault in FAULTS.items():
        for size in sizes:
            if only in name:
                t = bench.faulty(name, size, bench.USUAL, range(seed, seed + n))
                if size == len(fault.sizes) - 1:
                    record("clear fault", name, t, seed)
                shares = "    ".join(_per_cent(t, k) for k in ("right", "place", "wrong"))
                print(f"{name:24s} {fault.sizes[size]:8g} {t.n:4d}   {shares}   {_rules(t)}", flush=True)


def pairs(n: int, seed: int, only: str) -> None:
    for one, other in bench.PAIRS:
        if only in f"{one} {other}":
            t = bench.two_faults(one, other, bench.USUAL, range(seed, seed + n))
            record("two faults", f"{one} and {other}", t, seed)
            print(f"{one} and {other}: {100 * t.share('first'):.0f} and {100 * t.share('second'):.0f} % of {t.n}", flush=True)


def rules(n: int, seed: int, only: str) -> None:
    print("control rules in clean studies, % of runs and analytes (3 readings each); % of studies with a hint, a question")
    for tails in ("normal", "t5"):
        for spread in (True, False):
            rates, t = bench.control_rules_fire(tails, n, seed, spread)
            shares = ", ".join(f"{rule} {100 * p:.2f}" for rule, p in rates.items())
            print(f"{tails:6s}, spread {'given ' if spread else 'stated'}: {shares}; "
                  f"{_per_cent(t, 'hint')} {_per_cent(t, 'question')} of {t.n}", flush=True)


def unseen(n: int, seed: int, only: str) -> None:
    print("a drift, a shift of the size that a study, or the plan alone, names at 8 of 10 places: named in the next study")
    for name, setting in bench.LABORATORIES.items():
        if name.startswith("12 ") and only in name:
            for by, count in (("results", bench.foretold), ("plan alone", bench.foretold_by_plan)):
                for fault, t in count(setting, range(seed, seed + n)).items():
                    print(f"{name:34s} by {by}, {fault}: {_per_cent(t, 'named')} % of {t.n}", flush=True)


def speed(n: int, seed: int, only: str) -> None:
    for containers, duplicates in ((12, 8), (24, 72), (100, 8), (300, 8), (1000, 8)):
        lab = make(Setting(containers=containers, duplicates=duplicates, twice=0), seed)
        tables = lab.tables()
        start = time.process_time()
        assess(*tables, limits=lab.limits)
        print(f"{containers} containers, {len(tables[3])} results: {time.process_time() - start:.2f} s", flush=True)


def power(n: int, seed: int, only: str) -> None:
    print(f"share found by size of fault, {n} studies a row, into {POWER.name}")
    bench.found_by_size(range(seed, seed + n), POWER, only)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", nargs="*", default=["clean", "settled", "faults", "pairs", "rules", "speed"])
    parser.add_argument("--studies", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="")
    parser.add_argument("--size", type=int, choices=(0, 1, 2), help="one size of the faults only")
    given = parser.parse_args()
    for what in given.what:
        if what == "faults" and given.size is not None:
            faults(given.studies, given.seed, given.only, (given.size,))
            continue
        COMMANDS[what](given.studies, given.seed, given.only)


COMMANDS = {"clean": clean, "settled": settled, "faults": faults, "pairs": pairs, "rules": rules, "unseen": unseen,
            "speed": speed, "power": power}


if __name__ == "__main__":
    main()
