"""Lines that a person leaves out by what a column says of them: a cancelled line beside its repeat."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from studykit.core.errors import Fault
from studykit.core.numbertext import tidy_text
from studykit.intake.delimited import Grid
from studykit.intake.layouts import Laid
from studykit.intake.mapping import FileMapping
from studykit.intake.values import RuleBook

MOST = 0.5
"""Where more lines than this share are left out, the text is no exception (no source)."""


def leave_out(grid: Grid, laid: Laid, mapping: FileMapping, book: RuleBook, file: str, source: str) -> tuple[Laid, list[Fault]]:
    """The laid-out sheet without the lines of ``leave_out``, and each of them as what was not read, with the reason.

    A heading that the file does not have, a text that no line has, and a text of most lines are faults of the sheet.
    """
    gone: dict[int, str] = {}
    for head, reasons in mapping.leave_out.items():
        places = [(b, k) for b in laid.blocks for k, h in b.heads.items() if h == head]
        if not places:
            laid.faults.append(_fault(file, head, "", "there is no such heading", "correct leave_out in intake.toml"))
        for text, reason in reasons.items() if places else ():
            own = [int(i) for b, k in places for i in b.rows if tidy_text(grid.cells[k][int(i)]) == text]
            total = sum(len(b.rows) for b, _ in places)
            if not own or len(own) > MOST * total:
                why = f"{len(own)} of {total} lines say so" if own else "no line says so"
                laid.faults.append(_fault(file, head, text, why, "leave_out is for the few lines of a file that do not count: "
                                          "correct it in intake.toml"))
            gone |= dict.fromkeys(own, f"left out, as the mapping says of {text!r} under {head!r}: {reason}")
            book.add(f"line left out, {text!r} under {head!r}, as the mapping says: {reason}", len(own), source)
    if not gone or laid.faults:
        return laid, []
    lines = {int(grid.lines[i]) for i in gone}
    keep = ~np.isin(laid.cells["line"], list(lines))
    blocks = [replace(b, rows=b.rows[~np.isin(b.rows, list(gone))]) for b in laid.blocks]
    misfits = [f for f in laid.misfits if f.row not in lines]
    told = [Fault(file=source, row=int(grid.lines[i]), value=" | ".join(c for c in grid.row(i) if c), reason=why)
            for i, why in sorted(gone.items())]
    return replace(laid, cells=laid.cells.at(keep), blocks=blocks, misfits=misfits), told


def _fault(file: str, head: str, text: str, reason: str, remedy: str) -> Fault:
    return Fault(file=file, column=head, value=text, reason=reason, remedy=remedy)
