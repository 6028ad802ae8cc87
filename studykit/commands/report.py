"""The report as a command makes it: what takes long to load starts loading first."""

from __future__ import annotations

from contextlib import AbstractContextManager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

from studykit.report.nursery import PLAN, ahead
from studykit.study.stages import STEMS

if TYPE_CHECKING:
    from studykit.report.make import ReportMade
    from studykit.report.own import Choice
    from studykit.report.run import Say


def ahead_in(folder: Path, *, plan: bool = False) -> AbstractContextManager[None]:
    """``ahead`` for the stages of a report or of a plan, where the folder is a study."""
    return ahead(PLAN if plan else STEMS) if (folder / "study.toml").is_file() else nullcontext()


def make_report(folder: Path, say: Say, notebooks: Choice = "", *, fresh: bool = False) -> ReportMade:
    """``studykit.report.make_report``, loaded while the process that kernels are forked from loads too."""
    with ahead_in(folder):
        from studykit.report.make import make_report as make

        return make(folder, say, notebooks=notebooks, fresh=fresh)
