"""The letter to the laboratory about a study's results."""

from __future__ import annotations

from pathlib import Path

from studykit.front import open as opened
from studykit.quality.assess import assess
from studykit.quality.letter import compose, reports_asked_about
from studykit.quality.letter_files import Sent, write_letter


def write_questions(folder: Path, to: Path | None) -> Sent:
    """Look at the results of a study and write what is to be asked into ``to`` (FOLDER-letter beside the study).

    BadInput with every fault of the study, where nothing is to be asked, and where ``to`` cannot be written.
    """
    study = opened(folder)
    found = assess(study.study, study.containers, study.samples, study.results, root=study.root)
    letter = compose(study.study, study.containers, study.samples, study.results, found.flags)
    root = study.root.resolve()
    return write_letter(letter, reports_asked_about(study.containers, study.samples, study.results), root,
                        to or root.with_name(f"{root.name}-letter"))
