"""The stages of a study in their order (one stem each: notebook, module, page, folder), and what an open one gives."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

if TYPE_CHECKING:
    import pandas as pd

    from studykit.study.definition import Study

HERE = Path(__file__).resolve().parents[1]


@dataclass(frozen=True, slots=True, kw_only=True)
class StageInfo:
    """One stage: its stem, its question, what it reads and writes."""

    stem: str
    question: str
    reads: str
    writes: str


STAGES = (
    StageInfo(stem="00-study", question="What is asked, of which containers, and what would be too much?",
              reads="study.toml", writes="what was fixed beforehand, as a table"),
    StageInfo(stem="01-design", question="Could it settle at all, and what will this design be able to say?",
              reads="study.toml, plan/", writes="chance of each verdict, warnings"),
    StageInfo(stem="02-sampling", question="Who draws what, where, in which order, under which blind code?",
              reads="study.toml, plan/", writes="draw plan, reconciliation, sheets"),
    StageInfo(stem="03-intake", question="What did the laboratory report, and which rows could not be taken, and why?",
              reads="raw/, intake.toml, plan/", writes="tidy/results.csv, tidy/rejected.csv"),
    StageInfo(stem="04-quality", question="May these numbers be trusted?",
              reads="tidy/, plan/", writes="completeness, duplicates, controls, flags"),
    StageInfo(stem="05-model", question="What do the containers and depths say, with what uncertainty?",
              reads="tidy/, plan/", writes="rows used, depth means, contrasts, variances"),
    StageInfo(stem="06-verdict", question="Homogeneous, stratified or inconclusive, and what follows for the person who pours?",
              reads="the model's tables", writes="verdicts, reasons, consequences"),
    StageInfo(stem="07-report", question="What is the answer, on one page?",
              reads="the tables of all stages", writes="the first page of report.html"),
)
STEMS = tuple(s.stem for s in STAGES)
READS_FROM: dict[str, frozenset[str]] = {
    "00-study": frozenset(), "01-design": frozenset(), "02-sampling": frozenset(), "03-intake": frozenset(),
    "04-quality": frozenset({"03-intake"}), "05-model": frozenset({"03-intake"}),
    "06-verdict": frozenset({"03-intake", "04-quality"}), "07-report": frozenset(STEMS[:-1]),
}
"""The stages whose results each of the kit's notebooks reads; it may run beside any other."""
LATE = frozenset({"01-design"})
"""Stages that take long, and of which no other takes up anything that was worked out: they start once the others have."""

READS: dict[str, tuple[str, ...]] = {
    "00-study": ("study.toml", "plan/containers.csv", "plan/samples.csv", "plan/stock.csv"),
    "01-design": ("study.toml", "plan/containers.csv", "plan/samples.csv", "plan/stock.csv", "plan/check_limits.csv",
                  "plan/submission.csv"),
    "02-sampling": ("study.toml", "plan/", "tidy/"),
    "03-intake": ("study.toml", "intake.toml", "plan/containers.csv", "plan/samples.csv", "plan/stock.csv", "raw/"),
    "04-quality": ("study.toml", "plan/containers.csv", "plan/samples.csv", "plan/stock.csv", "plan/check_limits.csv",
                   "plan/exclusions.csv", "tidy/"),
    "05-model": ("study.toml", "plan/containers.csv", "plan/samples.csv", "plan/stock.csv", "plan/exclusions.csv", "tidy/"),
    "06-verdict": ("study.toml", "plan/", "tidy/"),
    "07-report": ("study.toml", "intake.toml", "plan/", "raw/", "notebooks/", "tidy/"),
}
"""The files, and folders with a slash at the end, of a study that each of the kit's notebooks may open or look for."""
NOTES = "STUDYKIT_READS"
"""Names a folder in which a stage writes down, in a file of its stem, what it reads of study.toml; unset: nowhere."""


class StudyTables(Protocol):
    """A study's definition, folders and tables, to be read: an open stage has them, and so has ``sk.open``'s study."""

    @property
    def study(self) -> Study: ...
    @property
    def root(self) -> Path: ...
    @property
    def out(self) -> Path: ...
    @property
    def containers(self) -> pd.DataFrame: ...
    @property
    def samples(self) -> pd.DataFrame: ...
    @property
    def results(self) -> pd.DataFrame: ...


class OpenStage(StudyTables, Protocol):
    """What the chapters' functions need of an open stage (``studykit.notebook.Stage`` is one): its tables and records."""

    def record(self, name: str, value: Any, unit: str = "", digits: int = 3, *, kind: str = "", table: str = "") -> str: ...
    def read_table(self, stem: str, name: str, **options: Any) -> pd.DataFrame: ...


def share(name: str) -> Path:
    """A folder shipped with the kit ('notebooks', 'demo_data'): in the checkout, or inside the installed package."""
    checkout = HERE.parent / name
    return checkout if (HERE.parent / "pyproject.toml").exists() and checkout.exists() else HERE / "share" / name


def stems_in(folder: Path) -> tuple[str, ...]:
    """The stages whose notebooks lie in the folder, in order."""
    return tuple(s for s in STEMS if (folder / f"{s}.ipynb").exists())
