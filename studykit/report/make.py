"""Make a report: every stage run in order in a new folder, one page, a manifest; then it takes the old one's place."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from studykit.core.errors import StageFailed, single
from studykit.core.files import write_text
from studykit.core.record import NumberRecord, merge_records
from studykit.core.writer import one_writer, refuse_unusual
from studykit.intake.take import run_intake
from studykit.report.kept import Kept
from studykit.report.manifest import canonical, manifest_of, stage_entry
from studykit.report.own import Choice, choose
from studykit.report.run import (
    PART,
    Say,
    StageRun,
    WritePage,
    exchange,
    page_beside,
    parameters_of,
    recover,
    run_stages,
)
from studykit.study.definition import Study, load_study
from studykit.study.exclusions import read_exclusions
from studykit.study.stages import stems_in
from studykit.study.tables import load_tables


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportMade:
    """A report that was made: the page, its numbers, the verdict sentence, and that at margins that were locked first.

    ``at_lock`` is '' where no word differs there.
    """

    page: Path
    records: tuple[NumberRecord, ...]
    sentence: str
    rejected: int
    at_lock: str = ""


def make_report(root: Path, say: Say, extra: Mapping[str, Any] | None = None, *, notebooks: Choice = "",
                separate: bool = False, fresh: bool = False) -> ReportMade:
    """Run every stage of a study and put the finished report in place of the old one.

    ``notebooks``: 'kit' or 'own' where a study has notebooks that differ from the kit's; without a choice such a
    study is refused, with every differing cell. ``separate``: each notebook in a kernel started anew, none forked.
    Stages of which nothing changed are taken from the filed report (see ``kept``), not so if ``fresh`` or ``separate``.
    """
    root = Path(root)
    study = load_study(root)
    if (root / "report").exists() and not (root / "report").is_dir():
        raise single("report", "a file stands where the report's folder belongs", "move it away")
    refuse_unusual(root)
    folder = choose(root, notebooks, say)
    stems = stems_in(folder)
    if not stems:
        raise single("notebooks", "no stage notebook was found", "make the study with: studykit new FOLDER")
    with one_writer(root, "report"):
        outcome = run_intake(root, study, load_tables(root, with_results=False).samples)  # faults are told at once
        read_exclusions(root, study, outcome.results)
        recover(root)
        parameters = parameters_of(root, extra)
        kept = Kept(root, root / PART, folder, parameters, fresh=fresh or separate)
        with page_beside() as writer:
            try:
                runs = run_stages(root, folder, stems, say, parameters, separate=separate, keep=kept.take,
                                  finished=kept.finished, spare=kept.left, environment={} if separate else kept.environment)
            except StageFailed as error:
                ready = ", ".join(sorted(kept.left))
                raise StageFailed(f"{error}\n  finished, and kept for the next run: {ready}" if ready
                                  else str(error)) from None
        made = _finish(root, study, runs, folder, kept, writer())
        if not separate:
            kept.remember()
        return made


def _finish(root: Path, study: Study, runs: tuple[StageRun, ...], notebooks: Path, kept: Kept, write: WritePage) -> ReportMade:
    """Numbers, page and manifest of the stages that ran or were taken over, then the exchange."""
    part = root / PART
    records = merge_records(part, [r.stem for r in runs])
    if not kept.take_page(r.stem for r in runs):
        write(part, [r.notebook for r in runs], study)
    entries = {r.stem: stage_entry(notebooks / f"{r.stem}.ipynb", notebooks.parent == root, r.parameters) for r in runs}
    head = {"study": study.title, "seed": study.seed, "alpha": study.alpha}
    write_text(part / "manifest.json", canonical(manifest_of(root, part, head, entries, sorted(kept.taken))))
    folder = exchange(root)
    words = {r.name: r for r in records}
    sentence, at_lock = (str(words[n].value) if n in words else "" for n in ("verdict_sentence", "verdict_sentence_at_lock"))
    rejected = words.get("rows_rejected_open")
    return ReportMade(page=folder / "report.html", records=records, sentence=sentence, at_lock=at_lock,
                      rejected=int(rejected.value) if rejected is not None else 0)
