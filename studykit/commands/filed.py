"""From the command line: verify or recheck what was received, a study folder or a deposit as one zip."""

from __future__ import annotations

import contextlib
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from studykit.core.errors import BadInput
from studykit.report.verify import INNER, Verified, left_notes, verify_or_refuse

if TYPE_CHECKING:  # verify costs a fraction of a second: what opens zips and runs stages is loaded where it is needed
    from studykit.report.recheck import Found, Recheck
    from studykit.report.run import Say

BESIDE = ("what lies beside the study in this deposit (rederive.R, the spreadsheet, requirements.txt and whatever else) was "
          "not looked at; recheck makes it again and compares it")
RECORDS = ("recheck.json", "recheck.html")


def verify_filed(path: Path, certificates: Path | None = None) -> Verified:
    """``verify`` of a folder, or of the study inside a deposit whose bag is whole."""
    if not _is_deposit(path):
        return verify_or_refuse(path, certificates)
    from studykit.deposit import unpack

    with unpack.opened(path) as bag:
        found = verify_or_refuse(bag / INNER, certificates)
    return replace(found, notes=(*found.notes, *left_notes(unpack.left_in(path)), BESIDE))


def _is_deposit(path: Path) -> bool:
    """Whether a path names a zip file rather than a study folder."""
    return path.suffix.lower() == ".zip" and not path.is_dir()


def recheck_filed(path: Path, say: Say, *, own: bool) -> tuple[Recheck, Path]:
    """``recheck`` of a folder, or of a deposit: its study, then what stands beside it; and where the record of it lies.

    The record of a deposit is written beside the zip, as NAME.recheck.json and NAME.recheck.html.
    """
    from studykit.deposit import unpack
    from studykit.report.recheck import recheck

    if not _is_deposit(path):
        return recheck(path, say, own=own), path / RECORDS[1]
    with unpack.opened(path) as bag:
        try:
            outcome = recheck(bag / INNER, say, own=own, beside=lambda: _around(path, bag))
        finally:
            record = _beside(path, bag / INNER)
    return outcome, record


def _around(path: Path, bag: Path) -> Found:
    """What stands beside the study in a deposit, and what an operating system put into its zip."""
    from studykit.deposit import pack, unpack

    rows, notes = pack.differences(bag)
    return rows, [*notes, *left_notes(unpack.left_in(path))]


def _beside(path: Path, study: Path) -> Path:
    """Copy the record of a recheck out of the unpacked study; one that cannot be written is left."""
    from studykit.core.files import write_beside

    for name in RECORDS:
        target = path.parent / f"{path.stem}.{name}"
        if (study / name).is_file() and not target.is_symlink():
            with contextlib.suppress(BadInput):
                write_beside(target, (study / name).read_bytes())
    return path.parent / f"{path.stem}.{RECORDS[1]}"

