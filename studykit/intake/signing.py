"""Reading sheets signed by a person: with ``sign_readings`` in intake.toml no result counts before its sheet is signed.

A signature names the number of the sheet that was read, so that a reading that changes afterwards (another raw file,
another mapping, another version of the kit) needs a new one.
"""

from __future__ import annotations

from studykit.core.errors import Fault
from studykit.intake.mapping import INTAKE_FILE, Intake


def unsigned(intake: Intake, numbers: dict[str, str]) -> dict[str, str]:
    """Files whose results do not count yet, each with the reason; ``numbers``: the number of each file's sheet."""
    out = {}
    for file, number in numbers.items():
        known = intake.signed.get(file)
        if known is not None and known.reading != number:
            out[file] = f"its reading has changed since {known.by} signed the sheet {known.reading}"
        elif known is None and intake.sign_readings:
            out[file] = "its reading sheet is not signed"
    return out


def remedy(file: str, number: str) -> str:
    """What a person does about it."""
    return (f"read tidy/reading/ of this file against the laboratory's report, then write [signed.\"{file}\"] by = \"name\", "
            f"on = YYYY-MM-DD, reading = \"{number}\" in intake.toml")


def idle(intake: Intake, numbers: dict[str, str]) -> list[Fault]:
    """Signatures of files that are not there."""
    return [Fault(file=INTAKE_FILE, column=f"signed.{name}", value=name, reason="no reading sheet belongs to this signature",
                  remedy="correct the name, or take the signature out") for name in sorted(set(intake.signed) - set(numbers))]
