"""Lines among the samples of a wide table that say what its columns are multiplied by, or diluted: ``;x 1;x 10;x 100``.

Such a line is no sample, and nobody but the laboratory knows whether the results beside it hold it already.
"""

from __future__ import annotations

import re

import numpy as np

from studykit.core.errors import Fault
from studykit.core.numbertext import tidy_text
from studykit.intake.delimited import Grid
from studykit.intake.mapping import FileMapping
from studykit.intake.movedcells import result_columns
from studykit.intake.overlooked import a_factor
from studykit.intake.textlines import Block

_NUMBER = r"[0-9][0-9.,]*"
_FACTOR = re.compile(rf"(?i)\W*(?:[x\u00d7*]\s*{_NUMBER}|{_NUMBER}\s*[x\u00d7*]|1\s*[:/]\s*{_NUMBER}|"
                     rf"(?:dil\w*|verd\w*|fa[ck]t(?:eu|o)r\w*|faktor)\W*(?:1\s*[:/]\s*)?{_NUMBER})\W*")
_NUMBERS = re.compile(rf"(?:1\s*[:/]\s*)?{_NUMBER}")
_ONE = re.compile(r"\W*(?:[x\u00d7*]\s*)?(?:1\s*[:/]\s*)?1(?:[.,]0*)?\s*[x\u00d7*]?\W*")


def factor_lines(grid: Grid, block: Block, mapping: FileMapping, known: set[str], file: str) -> list[Fault]:
    """A question for each line of a wide table that has no sample and whose results are all factors, one of them not 1.

    ``known``: the study's analytes. A line that a person set aside stands word for word in ``ignore_lines``.
    """
    at = block.columns(mapping.columns.get("sample"))
    results = result_columns(block, mapping, known) if mapping.layout == "wide" else []
    if not at or not results or not len(block.rows):
        return []
    names = grid.cells[at[0]].at(block.rows)
    nameless = names.flags(lambda t: not t.strip() or a_factor(t.strip()))
    aside = {tidy_text(t) for t in mapping.ignore_lines}
    return [_asked(grid, int(i), file) for i in block.rows[np.flatnonzero(nameless)]
            if _multiplies(grid, int(i), at[0], results) and tidy_text(grid.text(int(i))) not in aside]


def _multiplies(grid: Grid, i: int, name: int, results: list[int]) -> bool:
    """Whether what a line has under the results are factors: by their form, or numbers beside a word that says so."""
    form = _NUMBERS if grid.cells[name][i].strip() else _FACTOR
    there = [t for k in results if (t := grid.cells[k][i].strip())]
    return bool(there) and all(form.fullmatch(t) or _FACTOR.fullmatch(t) for t in there) and not all(
        _ONE.fullmatch(t) for t in there)


def _asked(grid: Grid, i: int, file: str) -> Fault:
    text = grid.text(i)
    return Fault(file=file, **(grid.line(i) | {"value": text[:120]}),
                 reason="is no sample, and says what the columns are multiplied by or diluted: do the results below hold that "
                 "already?", remedy="ask the laboratory; where they do not, let it send the results worked out; where they "
                 f"do, write ignore_lines = [{tidy_text(text)!r}] in this entry of intake.toml")
