"""``python -m tests.mutation``: a seeded choice of mutants, each against its nearest tests; a table of survivors.

First the quick tests; what survives those is tried against the slow ones (``learnt``), and both rates are told.

``--every`` takes all places of the modules named instead (``--every 25``: so many per cent of them, by the seed).
Resumable: what was run with the same module and the same test files is not run again. Results lie in
build/mutation.jsonl, the survivors in build/mutation.md. A folder costs one run of its quick tests beforehand, and
of its slow ones where they or its modules have changed.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import math
import sys
import tempfile
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import groupby
from pathlib import Path
from typing import Any

from tests.mutation import engine, learnt
from tests.mutation.equivalent import EQUIVALENT
from tests.mutation.operators import Mutant, mutants, mutated
from tests.mutation.targets import ROOT, modules, nearest

BUILD = ROOT / "build"


def chosen(source: str, module: str, count: int, seed: int) -> list[Mutant]:
    """So many mutants of a module by chance, the kinds in turn, no two at one place, none known to change nothing."""
    by_kind: dict[str, list[Mutant]] = defaultdict(list)
    for m in sorted(mutants(source), key=lambda m: m.digest(seed, module)):
        if f"{module}|{m.name}" not in EQUIVALENT:
            by_kind[m.kind].append(m)
    taken: list[Mutant] = []
    while len(taken) < count and any(by_kind.values()):
        for kind in sorted(by_kind, key=lambda k: hashlib.sha256(f"{seed}|{module}|{k}".encode()).hexdigest()):
            places = {(t.where, t.lines) for t in taken}
            queue = by_kind[kind] = [m for m in by_kind[kind] if (m.where, m.lines) not in places]
            if queue and len(taken) < count:
                taken.append(queue.pop(0))
    return taken


def wide(source: str, module: str, percent: float, seed: int) -> list[Mutant]:
    """So many per cent of all mutants of a module, at least one, by chance; none known to change nothing."""
    every = [m for m in mutants(source) if f"{module}|{m.name}" not in EQUIVALENT]
    count = math.ceil(len(every) * percent / 100)
    taken = set(sorted(every, key=lambda m: m.digest(seed, module))[:count])
    return [m for m in every if m in taken]


def shares(sizes: dict[str, int], total: int) -> dict[str, int]:
    """How many mutants each module gets: by the square root of how many it could have, at least two."""
    roots = {m: n ** 0.5 for m, n in sizes.items()}
    whole = sum(roots.values())
    return {m: min(sizes[m], max(2, round(total * r / whole))) for m, r in roots.items()}


def stamp(target: engine.Target) -> str:
    """A text that changes with the module and its test files."""
    files = [target.file, *(target.root / t for t in target.tests)]
    told = [f"{learnt.PATIENCE_S} {learnt.AT_MOST_S}".encode(), *(f.read_bytes() for f in files)]
    return hashlib.sha256(b"".join(told)).hexdigest()[:16]


def target_of(module: str) -> engine.Target:
    """A module with its nearest tests."""
    return engine.Target(root=ROOT, dotted="studykit." + module.replace("/", "."), file=ROOT / f"studykit/{module}.py",
                         tests=tuple(nearest(module)))


def slowly(jobs: Sequence[engine.Job], log: Path) -> Iterator[tuple[engine.Job, engine.Outcome]]:
    """Fates of mutants of one folder under its slow tests; each that notices one must pass alone without it."""
    if not jobs:
        return
    folder = jobs[0].target.dotted.split(".")[1]
    base = learnt.baseline([target_of(m) for m in modules() if m.startswith(f"{folder}/")], BUILD / "mutation_slow.json", log)
    sure: set[str] = set()
    for job, outcome in engine.run_mutants(jobs, base, log):
        if outcome.fate == engine.KILLED and outcome.by not in sure and "(import)" not in outcome.by:
            if not engine.passes(job.target, outcome.by, engine.SLOW, log):
                raise SystemExit(f"{outcome.by} fails without any fault:\n{log.read_text()[-2000:]}")
            sure.add(outcome.by)
        yield job, outcome


def fates(jobs: Sequence[engine.Job], log: Path) -> Iterator[tuple[engine.Job, engine.Outcome, engine.Outcome]]:
    """The fate of every mutant of one folder under its quick tests, and under all."""
    base = engine.baseline(list({j.target.file: j.target for j in jobs}.values()), log)
    if not base.passed:
        raise SystemExit(f"tests fail without any fault:\n{base.told}")
    left: dict[engine.Job, engine.Outcome] = {}
    for job, outcome in engine.run_mutants(jobs, base, log):
        if outcome.fate == engine.SURVIVED:
            left[job] = outcome
        else:
            yield job, outcome, outcome
    for job, outcome in slowly(list(left), log):
        quick = left[job]
        unseen = outcome.fate == engine.SURVIVED and outcome.by and not quick.by  # a quick test reaches it, no slow one
        yield job, quick, replace(outcome, by="" if unseen else outcome.by, seconds=quick.seconds + outcome.seconds)


def run_folder(plan: dict[str, list[Mutant]], done: dict[str, Any], log: Path) -> Iterator[dict[str, Any]]:
    """Fates of the mutants of one folder's modules, those that are known already among them."""
    jobs = {}
    for module, items in plan.items():
        target, now = target_of(module), stamp(target_of(module))
        source = target.file.read_text(encoding="utf-8")
        for m in items:
            key = f"{module}|{m.name}|{now}"
            if key in done:
                yield {**done[key], "line": m.lines[0], "new": False}
                continue
            job = engine.Job(target=target, tree=mutated(source, m.name), lines=range(m.lines[0], m.lines[1] + 1))
            jobs[job] = (key, module, m)
    for job, quick, outcome in fates(list(jobs), log) if jobs else ():
        key, module, m = jobs[job]
        yield {"key": key, "module": module, "where": m.where, "line": m.lines[0], "kind": m.kind,
               "before": m.before, "after": m.after, "nth": m.nth, "quick": quick.fate, "fate": outcome.fate,
               "by": outcome.by, "seconds": round(outcome.seconds, 2), "new": True}


def _of(rows: Sequence[dict[str, Any]]) -> tuple[int, int]:
    """How many survive the quick tests, and how many of these the slow ones too."""
    return sum(r["quick"] == engine.SURVIVED for r in rows), sum(r["fate"] == engine.SURVIVED for r in rows)


def by_folder(rows: Sequence[dict[str, Any]]) -> str:
    """How many of how many survive in each folder, quick tests first: "inference 4, then 2 of 46; mixed 1, then 0 of 30"."""
    folders: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for r in rows:
        folders[r["module"].partition("/")[0]].append(r)
    told = ("{} {}, then {} of {}".format(f, *_of(own), len(own)) for f, own in sorted(folders.items()))
    return "Survivors of the quick tests, then of all: " + "; ".join(told) + "."


def table(rows: Sequence[dict[str, Any]]) -> str:
    """Counts, then the survivors as a Markdown table."""
    fates, survivors = Counter(r["fate"] for r in rows), [r for r in rows if r["fate"] == engine.SURVIVED]
    quick, every = (100 * n / max(1, len(rows)) for n in _of(rows))
    lines = [f"{len(rows)} mutants: " + ", ".join(f"{n} {f}" for f, n in sorted(fates.items()))
             + f"; {quick:.1f} % survive the quick ones of their nearest tests, {every:.1f} % all of them.", "",
             by_folder(rows), "",
             "| module | line | function | kind | before | after | |", "| --- | --- | --- | --- | --- | --- | --- |"]
    for r in survivors:
        cells = [r["module"], str(r["line"]), r["where"], r["kind"], f"`{r['before'][:90]}`", f"`{r['after'][:90]}`", r["by"]]
        lines.append("| " + " | ".join(c.replace("|", "\\|") for c in cells) + " |")
    return "\n".join(lines) + "\n"


def main() -> None:
    """Choose, run, tell."""
    ask = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__)
    ask.add_argument("modules", nargs="*", help="only modules whose path begins so, such as verdict/rule")
    ask.add_argument("--count", type=int, default=260, help="how many mutants over all modules")
    ask.add_argument("--every", type=float, nargs="?", const=100.0, metavar="PERCENT",
                     help="all places of the modules instead, or so many per cent of each module's")
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--part", default="1/1", help="K/N: every N-th module, from the K-th; to share the work")
    ask.add_argument("--list", action="store_true", help="show what would be run")
    given = ask.parse_args()
    k, n = map(int, given.part.split("/"))
    sources = {m: (ROOT / f"studykit/{m}.py").read_text(encoding="utf-8") for m in modules()}
    count = shares({m: len(mutants(s)) for m, s in sources.items()}, given.count)
    wanted = list(dict.fromkeys(m for p in given.modules or [""] for m in sources if m.startswith(p)))[k - 1::n]
    plan = {m: wide(sources[m], m, given.every, given.seed) if given.every else
            chosen(sources[m], m, count[m], given.seed) for m in wanted}
    if given.list:
        for m, items in plan.items():
            print(m, *(f"  {i.lines[0]:4} {i.kind}: {i.before}  ->  {i.after}" for i in items), sep="\n")
        return
    BUILD.mkdir(exist_ok=True)
    store = BUILD / "mutation.jsonl"
    old = [json.loads(line) for line in store.read_text().splitlines()] if store.exists() else []
    done = {r["key"]: r for r in old}
    engine.preload()
    rows: list[dict[str, Any]] = []
    with tempfile.TemporaryDirectory() as folder, store.open("a", encoding="utf-8") as out:
        for _, group in groupby(plan, key=lambda m: m.partition("/")[0]):
            for row in run_folder({m: plan[m] for m in group}, done, Path(folder) / "run.log"):
                if row.pop("new"):
                    out.write(json.dumps(row) + "\n")
                    out.flush()
                    print(f"{row['seconds']:6.1f} s  {row['fate']:8}  {row['module']} {row['line']} {row['kind']}: "
                          f"{row['before'][:60]}  ->  {row['after'][:60]}", flush=True)
                rows.append(row)
    (BUILD / "mutation.md").write_text(table(rows), encoding="utf-8")
    print(table(rows))
    sys.exit(1 if any(r["fate"] == engine.BROKEN for r in rows) else 0)


if __name__ == "__main__":
    main()
