"""From the command line: check a study folder, take the raw files in, or show how one of them would be read."""

from __future__ import annotations

from pathlib import Path

from studykit.core.errors import BadInput, Fault, single
from studykit.core.files import inside, read_json, sha256_of
from studykit.core.writer import one_writer
from studykit.intake.proposal import suggest_mapping
from studykit.intake.take import TIDY_FOLDER, IntakeOutcome, Progress, run_intake
from studykit.study.columns import RESULTS, SAMPLES
from studykit.study.definition import load_study
from studykit.study.exclusions import read_exclusions
from studykit.study.tables import Tables, check_tables, load_tables


def take_in(root: Path, accept: str, progress: Progress) -> IntakeOutcome:
    """Run the intake of a study folder; ``accept`` is the reason for which rejected rows are accepted."""
    tables = load_tables(root, with_results=False)
    if tables.samples.empty:
        raise single(SAMPLES.file, "lists no sample, so no result could be taken", "list the samples; see docs/02-sampling.md")
    with one_writer(root, "intake"):
        return run_intake(root, tables.study, tables.samples, accept=accept.strip() or None,
                          progress=lambda text: progress(f"\r  {text}"))


def check_folder(root: Path) -> Tables:
    """All tables of a study folder, its exclusions, and whether tidy/ is what one intake wrote; BadInput lists faults."""
    there = (root / RESULTS.file).exists()
    tables = load_tables(root, with_results=there)
    if there:
        faults = altered_tables(root)
        if faults:
            raise BadInput(faults, title="The tables under tidy/ do not belong together")
        read_exclusions(root, tables.study, tables.results)
    return tables


def altered_tables(root: Path) -> list[Fault]:
    """Tables under tidy/ that are not as the last finished intake left them: edited, or of a run that was killed."""
    folder = root / TIDY_FOLDER
    if not (folder / "intake.json").exists():
        return []
    log = read_json(folder / "intake.json")
    filed = log.get("tables", {}) if isinstance(log, dict) else {}
    return [Fault(file=f"{TIDY_FOLDER}/{name}", reason="is not the table that the last finished intake wrote: edited by "
                  "hand, or left by a run that was stopped", remedy="take the raw files in again: studykit intake FOLDER")
            for name, digest in sorted(filed.items())
            if not (folder / name).is_file() or sha256_of(folder / name) != digest]


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
