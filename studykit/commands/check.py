"""Everything that ``plan``, ``lock``, ``intake`` or ``report`` would stop at in a study as it lies there, listed at once.

What lies ahead is no fault: a study that is not planned yet needs no samples, one that waits for the laboratory no files.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from studykit.core.errors import BadInput, Fault
from studykit.core.files import read_json, sha256_of
from studykit.core.record import significant
from studykit.core.writer import refuse_unusual
from studykit.design.tables import confounded_words, design_faults, early_words
from studykit.inference.unlike import unlike_words
from studykit.intake.mapping import raw_files
from studykit.intake.take import TIDY_FOLDER, IntakeOutcome, read_intake, tables_of
from studykit.quality.controls import read_check_limits
from studykit.report.own import choose
from studykit.report.stored import notebook_notes
from studykit.report.verify import older_than
from studykit.sampling.outlay import barred_words
from studykit.sampling.plan import draft, existing_plan, has_plan, plan_faults
from studykit.study.actions import foreseen
from studykit.study.columns import RESULTS
from studykit.study.definition import Study, load_study
from studykit.study.exclusions import read_exclusions
from studykit.study.precision import FAR_BELOW, in_place_of_published
from studykit.study.printed import old_paper
from studykit.study.reasons import placeholder_faults
from studykit.study.seal import read_lock, results_there, to_come
from studykit.study.tables import Tables, check_tables
from studykit.study.tocome import days_to_come

FOLDERS = ("plan", "raw", "tidy", "report", "scratch", "notebooks")


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """A study folder without faults: its tables, whether results were taken in, what the intake would take, what changed
    since its report was filed, and notes. ``stale``: tidy/ is not what the raw files give now.

    A note is no fault and stops nothing: an action that the report would withhold, factors that the plan cannot tell apart.
    """

    tables: Tables
    taken: bool
    intake: IntakeOutcome | None
    older: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    stale: bool = False

    def sentence(self) -> str:
        """What was looked at, in one line."""
        t = self.tables
        if not len(t.samples):
            return "no fault found; not planned yet"
        text = f"no fault found: {_count(len(t.containers), 'container')}, {_count(len(t.samples), 'sample')}"
        text += f", {_count(len(t.results), 'result')}" if self.taken else "; no results taken in yet"
        text += "; the plan holds what [safety] bars now" * any(n.startswith("BARRED") for n in self.notes)
        if self.stale and self.intake is not None:
            text += (f" in tidy/, which is stale: raw/ and intake.toml now give {_count(len(self.intake.results), 'result')}, "
                     "taken in by studykit intake FOLDER")
        return text + (f"; the filed report is older than {', '.join(self.older)}" if self.older else "")


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


def check_folder(root: Path) -> Checked:
    """Look at a study folder as every command would; BadInput lists every fault of all of them, each once.

    A folder that holds links, pipes or devices is refused before any file is opened.
    """
    refuse_unusual(root)  # before anything is opened: a pipe would be waited for
    there = (root / RESULTS.file).exists()
    tables, faults = check_tables(root, with_results=there, before_plan=root.is_dir() and not results_there(root))
    try:
        study = load_study(root) if root.is_dir() else None
    except BadInput:
        study = None
    if study is None:
        raise BadInput(faults, title="The study folder has faults")
    faults = [*faults, *(altered_tables(root) if there and not faults else []), *_ahead(root, study, tables)]
    drafted = None if tables is None else _drafted(root, study, tables)
    faults = [*faults, *([] if drafted is None else design_faults(drafted))]
    outcome: IntakeOutcome | None = None
    if tables is not None and len(tables.samples) and raw_files(root):
        outcome, more = _intake(root, study, tables.samples)
        faults = [*faults, *more]
    elif tables is not None and there:
        faults = [*faults, *_told(lambda: read_exclusions(root, study, tables.results))]
    if faults or tables is None or drafted is None:
        raise BadInput(_once(faults), title="The study folder has faults")
    results = outcome.results if outcome is not None else tables.results
    return Checked(tables=tables, taken=there, intake=outcome, older=older_than(root),
                   stale=there and outcome is not None and _is_stale(root, outcome),
                   notes=(*foreseen(study.safety, study.actions.items()), *confounded_notes(root, tables),
                          *barred_words(study, tables.containers, tables.samples), *to_come(root),
                          *days_to_come(root, results),
                          *notebook_notes(root), *early_words(drafted, there),
                          *precision_notes(study, results), *alpha_notes(study, tables.containers)))


def alpha_notes(study: Study, containers: pd.DataFrame) -> tuple[str, ...]:
    """What an alpha above 0.05 is worth where containers scatter unlike one another."""
    stored = int((containers["treatment"] == "stored").sum()) if len(containers) else 0
    told = unlike_words(stored, study.alpha)
    return (f"alpha = {study.alpha:g}: {told[:1].lower()}{told[1:]}",) if told else ()


def precision_notes(study: Study, results: pd.DataFrame) -> tuple[str, ...]:
    """Analytes whose repeatability is stated ``FAR_BELOW`` times better than the method's published one, or more."""
    both = in_place_of_published(study.analytes, results)
    return tuple(f"{study.label_of(a)}: study.toml states r = {significant(own, 2)} %, and {study.analytes[a].method_key} "
                 f"publishes {significant(known, 2)} %: {known / own:.0f} times as much. Show where the stated one comes from; "
                 "page one tells both" for a, (own, known) in both.items() if own * FAR_BELOW <= known)


def _is_stale(root: Path, outcome: IntakeOutcome) -> bool:
    """Whether a table under tidy/ is another than the raw files give now."""
    made = tables_of(outcome)
    return any((root / TIDY_FOLDER / name).read_bytes() != data for name, data in made.items()
               if (root / TIDY_FOLDER / name).is_file())


def confounded_notes(root: Path, tables: Tables) -> tuple[str, ...]:
    """Factors that the containers or the laboratory's runs cannot tell apart, to be seen before the lock."""
    runs = existing_plan(root, tables.study).warnings if has_plan(root) else ()
    told = confounded_words(tables.study, tables.containers, tables.samples)
    return (*told, *(w for w in runs if w.startswith("run and depth")))


def _ahead(root: Path, study: Study, tables: Tables | None) -> list[Fault]:
    """What the commands would stop at beside the tables themselves."""
    found = _told(lambda: choose(root, "", lambda _: None))
    found += _told(lambda: read_check_limits(root, study))
    if tables is not None or not has_plan(root):
        found += plan_faults(root, study)
    found += [Fault(file=name, reason="is a file where the kit keeps a folder", remedy="move it away")
              for name in FOLDERS if (root / name).is_file()]
    found += old_paper(root, study) if has_plan(root) else []
    return [*found, *_told(lambda: read_lock(root)), *placeholder_faults(study)]


def _drafted(root: Path, study: Study, tables: Tables) -> Tables:
    """The tables with the containers that ``plan`` would choose, where there is no plan yet."""
    try:
        return tables if has_plan(root) else replace(tables, containers=draft(root, study)[0].containers)
    except BadInput:
        return tables


def _intake(root: Path, study: Study, samples: pd.DataFrame) -> tuple[IntakeOutcome | None, list[Fault]]:
    """What the raw files would give, and the faults that would refuse them or the exclusions."""
    try:
        outcome = read_intake(root, study, samples)
        read_exclusions(root, study, outcome.results)
    except BadInput as error:
        return None, list(error.faults)
    return outcome, []


def _told(step: Callable[[], object]) -> list[Fault]:
    """The faults that a step would refuse, or none."""
    try:
        step()
    except BadInput as error:
        return list(error.faults)
    return []


def _once(faults: Iterable[Fault]) -> list[Fault]:
    """Each fault once, where several commands would name it."""
    return list({f.line(): f for f in faults}.values())


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
