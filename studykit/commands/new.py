"""Make a new study folder from the kit's templates, with the stage notebooks, ready to fill in."""

from __future__ import annotations

import re
import secrets
from pathlib import Path

from studykit.commands.told import as_typed
from studykit.core.errors import single
from studykit.core.files import copy_in, together, write_bytes, write_text
from studykit.report.manifest import AS_THEY_ARE, GIT
from studykit.report.own import copy_notebooks
from studykit.study.stages import HERE

NEXT_STEPS = (
    "  1. study.toml        the question, the analytes and their margins (before the data)",
    "  2. plan/             stock.csv (the whole stock) or containers.csv (those to open), one line a container",
    "  3. studykit plan FOLDER   what it will be able to say; codes, draws, sheets to print; then studykit lock FOLDER",
    "  4. plan/samples.csv  filled in at the bench: when, by whom, how much; what was drawn before is written here too",
    "  5. raw/              the laboratory's files, as they came; intake.toml says how to read them",
    "  6. studykit check FOLDER, then studykit report FOLDER",
)


def new_study(folder: Path, *, single: bool = False) -> tuple[str, ...]:
    """Copy the template and the notebooks (without outputs) into a new folder; BadInput where it is not empty.

    A file for git keeps it from rewriting line ends, by which every file would differ from its manifest.
    """
    _refuse_full(folder)
    with together(folder) as made:
        copy_in(HERE / "templates" / ("single" if single else "new"), made)
        _own_seed(made / "study.toml")
        (made / "raw").mkdir(exist_ok=True)
        copy_notebooks(made)
        write_bytes(made / GIT, AS_THEY_ARE)
    steps = tuple(s.replace("FOLDER", as_typed(folder)) for s in NEXT_STEPS)
    return (f"A study to fill in lies in {folder}:", *steps)


def _own_seed(definition: Path) -> None:
    """A seed that no other study has, in place of the template's: blind codes come from it, so they are this study's alone."""
    text = definition.read_text(encoding="utf-8")
    write_text(definition, re.sub(r"(?m)^seed = 1 {9}", f"seed = {secrets.randbelow(9 * 10**8) + 10**8} ", text))


def _refuse_full(folder: Path) -> None:
    if folder.exists() and any(folder.iterdir()):
        raise single(str(folder), "this folder is not empty", "name a new one; nothing was changed")

