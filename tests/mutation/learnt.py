"""What the slow tests near a module reach and how long each takes, learnt once and kept in build/mutation_slow.json.

One record a test file, by a hash of that file, of the folder's modules that carry numbers and of the helpers beside
the tests. A slow test that takes more than ``PATIENCE_S`` of processor time while it is traced is not tried on
mutants; of the others a mutant gets those that reach it, the quickest first, up to ``AT_MOST_S`` together.
What changes elsewhere is not in the hash: whoever counts a fault as noticed by a slow test asks ``engine.passes`` first.
"""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from tests.mutation import engine

PATIENCE_S, AT_MOST_S, FILE_S = 15.0, 120.0, 1800.0


def _key(targets: Sequence[engine.Target], test: str) -> str:
    """A text that changes with a test file, the helpers beside it and the modules."""
    file = targets[0].root / test
    beside = [p for p in sorted(file.parent.glob("*.py")) if not p.name.startswith("test_")]
    texts = [p.read_bytes() for p in (file, *beside, *(t.file for t in targets))]
    told = [f"{PATIENCE_S}".encode(), *(hashlib.sha256(t).digest() for t in texts)]
    return f"{test}|{hashlib.sha256(b''.join(told)).hexdigest()[:16]}"


def _learn(targets: Sequence[engine.Target], test: str, log: Path) -> dict[str, Any]:
    """Seconds of each slow test of a file and the lines each context reaches: context, module, lines."""
    here = [replace(t, tests=(test,)) for t in targets]
    code, found, _ = engine.forked(here[0].root, lambda out: engine.traced(here, engine.SLOW, PATIENCE_S, out), FILE_S, log)
    if found.get("failed") or code not in (0, 5, -9):  # 5: it has no slow test; -9: it does not end in time
        raise SystemExit(f"a slow test fails without any fault:\n{found.get('failed', '')} {log.read_text()[-2000:]}")
    lines: dict[str, dict[str, list[int]]] = defaultdict(lambda: defaultdict(list))
    for dotted, by_line in found.get("reached", {}).items():
        for number, contexts in by_line.items():
            for c in contexts:
                lines[c][dotted].append(int(number))
    skipped = found.get("skipped", [])
    return {"tests": {t: round(s, 3) for t, s in found.get("tests", {}).items() if t not in skipped},
            "left out": skipped, "lines": lines}


def baseline(targets: Sequence[engine.Target], store: Path, log: Path) -> engine.Baseline:
    """What the slow tests of some modules' test files reach, from the store where it is known."""
    known: dict[str, Any] = json.loads(store.read_text()) if store.exists() else {}
    tests: dict[str, float] = {}
    reached: dict[str, dict[int, set[str]]] = defaultdict(lambda: defaultdict(set))
    for test in sorted({n for t in targets for n in t.tests}):
        text = (targets[0].root / test).read_text(encoding="utf-8")
        if "slow" not in text and "few" not in text:
            continue
        key = _key(targets, test)
        if key not in known:
            new = _learn(targets, test, log)
            known = {k: v for k, v in known.items() if k.partition("|")[0] != test} | {key: new}
            store.write_text(json.dumps(known))
            print(f"learnt: {len(new['tests'])} slow tests of {test}, {sum(new['tests'].values()):.0f} s, "
                  f"{len(new['left out'])} left out", flush=True)
        tests |= known[key]["tests"]
        for context, modules in known[key]["lines"].items():
            for dotted, lines in modules.items():
                for n in lines:
                    reached[dotted][n].add(context)
    told = {dotted: {n: tuple(sorted(c)) for n, c in lines.items()} for dotted, lines in reached.items()}
    return engine.Baseline(passed=True, tests=tests, reached=told, mark=engine.SLOW, at_most=AT_MOST_S)
