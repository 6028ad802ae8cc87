"""Intake from the command line: take the raw files in, or show how one of them would be read."""

from __future__ import annotations

from pathlib import Path

from studykit.errors import single
from studykit.files import inside
from studykit.intake import IntakeOutcome, Progress, run_intake
from studykit.schema import check_tables, load_tables
from studykit.study import load_study
from studykit.suggest import suggest_mapping
from studykit.tablespec import SAMPLES


def take_in(root: Path, accept: str, progress: Progress) -> IntakeOutcome:
    """Run the intake of a study folder; ``accept`` is the reason for which rejected rows are accepted."""
    tables = load_tables(root, with_results=False)
    if tables.samples.empty:
        raise single(SAMPLES.file, "lists no sample, so no result could be taken", "list the samples; see docs/02-sampling.md")
    return run_intake(root, tables.study, tables.samples, accept=accept or None,
                      progress=lambda text: progress(f"\r  {text}"))


def propose(root: Path, file: Path) -> str:
    """A mapping entry for a raw file and its first rows as they would be read, as text to confirm."""
    study = load_study(root)
    path = file if file.exists() else inside(root, str(file))
    if not path.is_file():
        raise single(str(file), "there is no such file", "name a file under raw/")
    tables, _ = check_tables(root, with_results=False)
    codes = tuple(tables.samples["sample"]) if tables is not None else ()
    entry, preview = suggest_mapping(path.resolve(), study, codes)
    return f"{entry}\n# First rows as this entry reads them:\n" + "\n".join(
        "#   " + line for line in preview.to_string(index=False).splitlines())
