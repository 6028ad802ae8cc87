"""From the command line: take the raw files in, or show how one of them would be read."""

from __future__ import annotations

from pathlib import Path

from studykit.core.errors import single
from studykit.core.files import inside
from studykit.core.writer import one_writer
from studykit.intake.proposal import suggest_mapping
from studykit.intake.take import IntakeOutcome, Progress, run_intake
from studykit.study.columns import SAMPLES
from studykit.study.definition import load_study
from studykit.study.reasons import says_nothing
from studykit.study.tables import check_tables, load_tables


def take_in(root: Path, accept: str, progress: Progress) -> IntakeOutcome:
    """Run the intake of a study folder; ``accept`` is the reason for which rejected rows are accepted, this once."""
    if accept and says_nothing(accept):
        raise single("--accept", "says no reason", "write in a few words why the rejected rows may be missing", value=accept)
    tables = load_tables(root, with_results=False)
    if tables.samples.empty:
        raise single(SAMPLES.file, "lists no sample, so no result could be taken", "list the samples; see docs/02-sampling.md")
    with one_writer(root, "intake"):
        return run_intake(root, tables.study, tables.samples, accept=accept.strip() or None,
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
