"""Stored notebook outputs are compared strictly in words, within tolerance in numbers, never by image bytes.

nbval compares text exactly and skips a cell that was stored without output. Both are mended here:
numbers may differ by 1e-6 relative, and a cell that was not run, or that stored an error or a message on
stderr, fails. Whole numbers and codes are compared as text (007 is not 7, 1E5 not 100000), and no number may
cross 0.05. The limits: a number printed to n digits may differ by one in its last digit only where it has four
or more decimals. Every table is compared but that of the programs' versions. Every number told with a figure
stands in a table before it, and its caption is the one shown.

With several workers (pytest-xdist, a file a worker) the files that take longest come first, and a notebook
waits for those whose tables it reads.
"""

from __future__ import annotations

import math
import os
import re
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest
from nbval.plugin import IPyNbCell, IPyNbFile

from tests.forked import fork_kernels

os.environ.setdefault("STUDYKIT_HEADLESS", "1")  # nobody sits before these kernels
os.environ.setdefault("STUDYKIT_CACHE", os.devnull)  # where nothing can be remembered: each report of a test runs whole
RTOL, ATOL = 1e-6, 1e-9
LEVEL = 0.05
NUMBER = re.compile(r"(?<![\w.#])[-+\u2212]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+\u2212]?\d+)?(?![\w])")
VOLATILE = ((re.compile(r"0x[0-9a-f]{6,}"), "0xADDR"),)
SKIPPED = ("image/svg+xml", "application/pdf")
VERSIONS = "Versions of the programs."
LONGEST = ("notebooks/03-intake.ipynb", "tests/packaging/test_windows.py", "tests/deposit/test_whole.py",
           "tests/report/test_kept.py", "tests/report/test_kills.py", "tests/register/test_laboratory.py",
           "tests/docs/test_first_study.py", "tests/test_soils.py", "notebooks/05-model.ipynb",
           "notebooks/04-quality.ipynb", "notebooks/06-verdict.ipynb", "notebooks/01-design.ipynb",
           "notebooks/00-study.ipynb", "notebooks/02-sampling.ipynb", "tests/browser/test_lab.py",
           "tests/intake/test_intake_fuzz.py", "tests/sampling/test_order.py", "tests/test_flow.py",
           "tests/quality/test_assess.py", "tests/design/test_tables.py", "tests/browser/test_report_page.py",
           "tests/quality/test_stores.py", "tests/verdict/test_uses.py", "tests/intake/test_labfiles.py",
           "tests/test_architecture.py", "notebooks/07-report.ipynb")
"""Test files and notebooks that take longest, the first to be started; a notebook stands after those it waits for, and the
one that all wait for before everything."""
TAKEN_IN = "03-intake"
AFTER = {"00-study": (TAKEN_IN,), "01-design": (TAKEN_IN,), "02-sampling": (TAKEN_IN,), "04-quality": (TAKEN_IN,),
         "05-model": (TAKEN_IN,), "06-verdict": (TAKEN_IN, "04-quality"),
         "07-report": ("00-study", "01-design", "02-sampling", TAKEN_IN, "04-quality", "05-model", "06-verdict")}
"""The notebooks that each waits for: all share one working copy of the demo, which the intake completes."""
PATIENCE_S = 900
REPEATED = re.compile(r"/solved/(?!01).*")
"""Solved lessons after the first. No stage's notebook: the last one reads the tables of all others."""


def _value(text: str) -> float:
    return float(text.replace("\u2212", "-"))


def _last_digit(text: str) -> float:
    mantissa, _, exponent = text.replace("\u2212", "-").lower().partition("e")
    places = len(mantissa.partition(".")[2])
    return 1.01 * 10.0 ** (int(exponent or 0) - places) if places >= 4 else 0.0


def _form(text: str) -> tuple[str, bool, bool]:
    """What two writings of one number share: leading zeros, a decimal point, an exponent."""
    mantissa, mark, _ = text.lstrip("+-\u2212").lower().partition("e")
    whole, point, _ = mantissa.partition(".")
    return whole[:len(whole) - len(whole.lstrip("0"))], bool(point), bool(mark)


def _near(x: str, y: str) -> bool:
    if x == y:
        return True
    form, other = _form(x), _form(y)
    if form != other or not form[1]:
        return False
    a, b = _value(x), _value(y)
    slack = max(ATOL, _last_digit(x), _last_digit(y))
    if a == b:  # one number written in two ways: a code may be meant
        return False
    return (a < LEVEL) == (b < LEVEL) and math.isclose(a, b, rel_tol=RTOL, abs_tol=slack)


def _of_versions(text: str) -> bool:
    """Whether an output is the table of the programs' versions and nothing else."""
    return text.startswith((VERSIONS + "\n", f'<table class="data"><caption>{VERSIONS}</caption>')) and text.count(
        "<table") <= 1 and text.count("\n\n") == 0


def same_output(a: str, b: str) -> bool:
    """True where words match and numbers agree within tolerance."""
    a, b = str(a), str(b)
    if a == b or (_of_versions(a) and _of_versions(b)):
        return True
    shape = [re.sub(r"[ \-]+", " ", NUMBER.sub("#", t)) for t in (a, b)]
    return shape[0] == shape[1] and all(map(_near, NUMBER.findall(a), NUMBER.findall(b)))


class Near(str):
    """Text that equals another where ``same_output`` says so."""

    __slots__ = ()

    def __eq__(self, other: object) -> bool:
        return same_output(str(self), str(other))

    def __ne__(self, other: object) -> bool:
        return not self == other

    __hash__ = str.__hash__


def _sanitize(self: IPyNbCell, text: object, _original=IPyNbCell.sanitize) -> object:
    if not isinstance(text, str):
        return text
    text = _original(self, text)
    for pattern, replacement in VOLATILE:
        text = pattern.sub(replacement, text)
    return Near(text)


IPyNbCell.sanitize = _sanitize


def pytest_configure(config: pytest.Config) -> None:
    """Several workers must take the files in their order, or notebooks wait for one another."""
    if config.getoption("numprocesses", None) and config.getoption("loadscopereorder", False):
        raise pytest.UsageError("with -n add --dist loadfile --no-loadscope-reorder, as studykit test does")


def pytest_collectstart(collector: pytest.Collector) -> None:
    """Leave images out of the comparison."""
    if isinstance(collector, IPyNbFile):
        collector.skip_compare += SKIPPED


@pytest.hookimpl(wrapper=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> Iterator[None]:
    """Mark repetitions as slow; of what is left put the longest files first, and remember the notebooks in this run."""
    _mark_repetitions(items)
    yield
    rank = {name: k for k, name in enumerate(LONGEST)}
    items.sort(key=lambda i: rank.get(i.nodeid.partition("::")[0], len(rank)))
    config.stash[NOTEBOOKS] = {i.path.stem for i in items if i.path.suffix == ".ipynb"}


def _mark_repetitions(items: list[pytest.Item]) -> None:
    """The cases of a test after its first ``few``, and the notebooks of ``REPEATED``, are slow."""
    seen: Counter[str] = Counter()
    for item in items:
        if (few := item.get_closest_marker("few")) is not None:
            name = item.nodeid.partition("[")[0]
            seen[name] += 1
            if seen[name] > few.args[0]:
                item.add_marker("slow")
        if REPEATED.search(item.path.as_posix()):
            item.add_marker("slow")


NOTEBOOKS = pytest.StashKey[set[str]]()


def _done(collector: IPyNbFile, stem: str) -> Path:
    """The file that says to all workers that a notebook has been run."""
    shared: Path = collector.config._tmp_path_factory.getbasetemp().parent
    return shared / f"{stem}.done"


def _await(collector: IPyNbFile, stem: str) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not _done(collector, stem).exists():
        if time.monotonic() > deadline:
            raise TimeoutError(f"{collector.path.name} waited in vain for {stem}")
        time.sleep(0.1)


def _setup_in_turn(self: IPyNbFile, _original=IPyNbFile.setup) -> None:
    if hasattr(self.config, "workerinput"):
        for stem in AFTER.get(self.path.stem, ()):
            if stem in self.config.stash[NOTEBOOKS]:
                _await(self, stem)
    fork_kernels(self.config)
    _original(self)


def _teardown_told(self: IPyNbFile, _original=IPyNbFile.teardown) -> None:
    _original(self)
    if hasattr(self.config, "workerinput"):
        _done(self, self.path.stem).touch()


IPyNbFile.setup = _setup_in_turn
IPyNbFile.teardown = _teardown_told


def figure_faults(cells: list) -> list[str]:
    """Figures that tell a number which no table before them holds (to two digits), or another caption than is shown."""
    seen: set[float] = set()
    bad = []
    for i, cell in enumerate(cells):
        outputs = cell.get("outputs", [])
        for k, output in enumerate(outputs):
            data = output.get("data", {})
            if "image/png" not in data:
                told = "".join(data.get("text/plain", "")) + "".join(output.get("text", ""))
                seen |= {abs(_value(n)) for n in NUMBER.findall(told)}
                continue
            about = output["metadata"]["image/png"]
            for n in NUMBER.findall(f"{about['alt']} "):
                if not any(math.isclose(abs(_value(n)), s, rel_tol=0.051, abs_tol=1e-9) for s in seen):
                    bad.append(f"cell {i}: the figure tells {n}, which stands in no table before it")
            shown = ["".join(o["data"]["text/plain"]) for o in outputs[k + 1:k + 2]
                     if o.get("metadata", {}).get("studykit") == "caption"]
            if shown != [about["caption"]]:
                bad.append(f"cell {i}: the figure's caption is not the one shown")
    return bad


class StoredOutputs(pytest.Item):
    """One more test a notebook: every code cell was run, none stored an error or stderr, figures follow their tables."""

    def runtest(self) -> None:
        bad = []
        for i, cell in enumerate(c for c in self.parent.nb.cells if c.cell_type == "code"):
            if cell.source.strip() and cell.execution_count is None:
                bad.append(f"code cell {i}: not run, nothing would be compared")
            for output in cell.outputs:
                if output.output_type == "error" or output.get("name") == "stderr":
                    bad.append(f"code cell {i}: stored {output.output_type}")
        bad += figure_faults(self.parent.nb.cells)
        if bad:
            raise AssertionError("\n".join(bad))

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException]) -> str:
        return str(excinfo.value)

    def reportinfo(self) -> tuple[object, int, str]:
        return self.path, 0, f"{self.path.name}::stored outputs"


_collect = IPyNbFile.collect


def _with_stored_outputs(self: IPyNbFile):
    items = list(_collect(self))
    yield StoredOutputs.from_parent(self, name="stored outputs")
    yield from items


IPyNbFile.collect = _with_stored_outputs
