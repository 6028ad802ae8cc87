"""The mutation run can tell a killed fault from one that survives, on an invented module whose tests have holes."""

from __future__ import annotations

import ast
import json
import math
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.mutation import engine
from tests.mutation.__main__ import chosen, shares, table, wide
from tests.mutation.equivalent import EQUIVALENT
from tests.mutation.operators import mutants, mutated
from tests.mutation.targets import ROOT, modules, nearest

SOURCE = '''"""A module with a limit, a factor, a loop, a constant, a default and a part that no test reaches."""

HALF = 0.5


def too_much(share: float) -> bool:
    """True above a half."""
    return share > HALF


def enough(share: float, least: float = 3 / 4) -> bool:
    """True from three quarters."""
    return share >= least


def in_grams(kilograms: float) -> float:
    """Grams."""
    return 1000 * kilograms


def count_down(n: int) -> int:
    """Steps to zero."""
    steps = 0
    while n != 0:
        n, steps = n - 1, steps + 1
    return steps


def doubled(a: float) -> float:
    """Twice as much."""
    return 2 * a


def alone(a: float, b: float) -> float:
    """No test reaches it."""
    return a - b
'''
TESTS = '''from functools import cache

from toy.sums import count_down, doubled, enough, in_grams, too_much


@cache
def kept():
    return doubled(3.0)


def test_first_to_ask():
    assert kept()


def test_what_looks_at_it():
    assert kept() == 6.0


def test_limit():
    assert too_much(0.6) and not too_much(0.4)


def test_default():
    assert enough(0.9)


def test_factor():
    assert in_grams(2.0) == 2000.0


def test_loop():
    assert count_down(3) == 3
'''


SLOW_TESTS = """import time

import pytest

from toy.sums import alone, too_much


def test_quick_one():
    assert too_much(0.6)


@pytest.mark.slow
def test_the_limit_itself():
    assert not too_much(0.5)


@pytest.mark.slow
def test_too_long():
    while time.process_time() < 60:
        assert alone(3.0, 2.0) == 1.0


@pytest.mark.slow
def test_for_which_no_time_is_left():
    since = time.process_time()
    while time.process_time() - since < 0.3:
        assert too_much(0.6)
    assert not too_much(0.5)
"""


BAD = """import pytest


def test_wrong():
    assert 1 == 2


@pytest.mark.slow
def test_late():
    assert 1 == 2
"""
FATES = {
    ("share > HALF", "share <= HALF"): (engine.KILLED, "tests/test_sums.py::test_limit"),
    ("share > HALF", "share >= HALF"): (engine.SURVIVED, ""),  # nothing tests the limit itself
    ("0.5", "0.625"): (engine.KILLED, "tests/test_sums.py::test_limit"),  # computed when the module is imported
    ("3 / 4", "3 * 4"): (engine.KILLED, "tests/test_sums.py::test_default"),  # so is a default
    ("1000", "1"): (engine.KILLED, "tests/test_sums.py::test_factor"),
    ("n - 1", "n + 1"): (engine.TIMEOUT, ""),
    ("2 * a", "2 / a"): (engine.KILLED, "tests/test_sums.py::test_what_looks_at_it"),  # another test had it from a cache
    ("a - b", "a + b"): (engine.SURVIVED, "no test reaches it"),
}
SCRIPT = """
import json, sys
from pathlib import Path
from tests.mutation import engine, learnt
from tests.mutation.operators import mutants, mutated
engine.PRELOADED, engine.FACTOR, engine.EXTRA_S = ("pytest", "hypothesis", "coverage"), 1.0, 1.0
engine.preload()
root, wanted = Path(sys.argv[1]), json.loads(sys.argv[2])
def target(test):
    return engine.Target(root=root, dotted="toy.sums", file=root / "toy/sums.py", tests=(test,))
good, source, log = target("tests/test_sums.py"), (root / "toy/sums.py").read_text(), root / "run.log"
base, bad = engine.baseline([good], log), engine.baseline([target("tests/test_bad.py")], log)
told = {"passed": [base.passed, bad.passed], "why": base.told + bad.told, "fates": []}
jobs = {engine.Job(target=good, tree=mutated(source, m.name), lines=range(m.lines[0], m.lines[1] + 1)): m
        for m in mutants(source) if [m.before, m.after] in wanted}
for job, o in engine.run_mutants(list(jobs), base, log):
    told["fates"].append([jobs[job].before, jobs[job].after, o.fate, o.by])
learnt.PATIENCE_S, learnt.AT_MOST_S = 8.0, 0.2
aside = engine.Target(root=root, dotted="toy.sums", file=root / "toy/sums.py", tests=("tests/test_slowly.py",))
slow = learnt.baseline([aside], root / "slow.json", log)
told["learnt"], stored = [sorted(slow.tests), slow.mark], (root / "slow.json").stat().st_mtime_ns
told["again"] = learnt.baseline([aside], root / "slow.json", log) == slow and (root / "slow.json").stat().st_mtime_ns == stored
told["alone"] = [engine.passes(t, n, engine.SLOW, log) for t, n in (
    (aside, "tests/test_slowly.py::test_the_limit_itself"), (target("tests/test_bad.py"), "tests/test_bad.py::test_late"))]
late = {engine.Job(target=aside, tree=j.tree, lines=j.lines): m for j, m in jobs.items()
        if m.before in ("share > HALF", "a - b")}
told["tried"] = sorted({t for j in late for t in engine.reaching(j, slow)})
told["late"] = [[late[j].after, o.fate, o.by] for j, o in engine.run_mutants(list(late), slow, log)]
told["loaded"] = "toy" in sys.modules
print(json.dumps(told))
"""


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork: Linux or macOS")
def test_killed_survived_endless_and_unreached_are_told_apart(tmp_path: Path) -> None:
    """In a process of its own, as the run itself, since it forks."""
    for name, text in (("toy/__init__.py", ""), ("toy/sums.py", SOURCE), ("tests/test_sums.py", TESTS),
                       ("tests/test_slowly.py", SLOW_TESTS), ("tests/test_bad.py", BAD),
                       ("pyproject.toml", "[tool.pytest.ini_options]\npythonpath = ['.']\nmarkers = ['slow: x']\n")):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(text)
    done = subprocess.run([sys.executable, "-c", SCRIPT, str(tmp_path), json.dumps(list(FATES))], capture_output=True,
                          text=True, check=False, env={**os.environ, "PYTHONPATH": str(ROOT)})
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout.splitlines()[-1])
    assert told["passed"] == [True, False]  # tests that fail without any fault are no baseline
    assert "test_wrong" in told["why"]
    assert {(b, a): (fate, by) for b, a, fate, by in told["fates"]} == FATES
    assert told["learnt"] == [["tests/test_slowly.py::test_for_which_no_time_is_left",
                               "tests/test_slowly.py::test_the_limit_itself"], "slow"]  # the third takes too long
    assert told["again"]  # learnt once
    assert told["alone"] == [True, False]
    assert told["tried"] == ["tests/test_slowly.py::test_the_limit_itself"]  # what fits into the time of one mutant
    late = {after: (fate, by) for after, fate, by in told["late"]}
    assert late["share >= HALF"] == (engine.KILLED, "tests/test_slowly.py::test_the_limit_itself")
    assert late["a + b"] == (engine.SURVIVED, "")  # only the test that takes too long looks at it
    assert not told["loaded"]
    assert (tmp_path / "toy/sums.py").read_text() == SOURCE


@pytest.mark.parametrize(("source", "want"), [
    ("x = a == b", {"a != b", "a >= b"}), ("x = p < 0.05", {"p >= 0.05", "p <= 0.05", "0.0625"}),
    ("x = a + b", {"a - b"}), ("x = -a", {"a"}), ("x = 100 * a", {"100 / a", "1"}), ("x = s[0]", {"s[-1]"}),
    ("x = s[-1]", {"s[0]"}), ("x = t.isf(alpha, df)", {"t.ppf(alpha, df)", "t.isf(df, alpha)", "alpha / 2"}),
    ("x = y.var(ddof=1)", {"y.var(ddof=0)"}), ("x = y.sum(axis=0)", {"y.sum(axis=1)"}), ("x = not a", {"a"}),
    ("x = min(a, b)", {"max(a, b)"}), ("x = a and b", {"a or b"}), ("x = math.sqrt(v)", {"v"}),
    ("x: int = 'text'", set()), ("raise ValueError(a + b)", set()), ("x = f'{a + b}'", set()), ("x = 'a' + b", set()),
    ("x = Fault(row=a + 1)", set()), ("x = 1e-9", set())])
def test_operators_make_these_faults(source: str, want: set[str]) -> None:
    found = mutants(source)
    assert {m.after for m in found} == want
    for m in found:
        assert ast.unparse(mutated(source, m.name)) != ast.unparse(ast.parse(source))


def test_the_choice_is_fixed_by_the_seed_and_spread_over_kinds() -> None:
    again = "\n\n" + SOURCE  # other lines move: the same faults are chosen
    one = [m.name for m in chosen(SOURCE, "toy", 6, 1)]
    assert one == [m.name for m in chosen(again, "toy", 6, 1)]
    assert one != [m.name for m in chosen(SOURCE, "toy", 6, 2)]
    assert len({m.kind for m in chosen(SOURCE, "toy", 6, 1)}) >= 4
    assert sum(shares({"a": 400, "b": 100, "c": 1}, 40).values()) in range(38, 43)


def test_a_wide_run_takes_every_place_or_a_share_of_each_module() -> None:
    every = [m.name for m in mutants(SOURCE)]
    assert [m.name for m in wide(SOURCE, "toy", 100, 1)] == every
    part = [m.name for m in wide(SOURCE, "toy", 30, 1)]
    assert len(part) == math.ceil(0.3 * len(every))
    assert set(part) < set(every)
    assert part != [m.name for m in wide(SOURCE, "toy", 30, 2)]


def test_the_table_names_every_survivor() -> None:
    row = {"module": "verdict/rule", "line": 7, "where": "judge", "kind": "sign", "before": "-a", "after": "a", "by": ""}
    survived, killed = ({"quick": f, "fate": f} for f in (engine.SURVIVED, engine.KILLED))
    late = {"quick": engine.SURVIVED, "fate": engine.KILLED}
    told = table([row | survived, row | killed, row | killed, row | late])
    assert "4 mutants: 3 killed, 1 survived; 50.0 % survive the quick ones of their nearest tests, 25.0 % all of them." in told
    assert told.count("| verdict/rule | 7 |") == 1
    other = row | {"module": "mixed/fit"} | late
    assert "Survivors of the quick tests, then of all: mixed 1, then 0 of 1; verdict 1, then 1 of 2." in table(
        [row | survived, row | killed, other])
    assert "| verdict/rule | 7 | judge | sign | `-a` | `a` |  |" in told


@pytest.mark.slow
def test_every_target_has_near_tests_and_no_exception_outlives_its_fault() -> None:
    names = modules()
    assert len(names) > 50
    assert [m for m in names if not nearest(m)] == []
    known = {f"{m}|{x.name}" for m in {e.partition("|")[0] for e in EQUIVALENT}
             for x in mutants((ROOT / f"studykit/{m}.py").read_text(encoding="utf-8"))}
    assert sorted(set(EQUIVALENT) - known) == []
    assert all(len(reason.split()) > 3 for reason in EQUIVALENT.values())
