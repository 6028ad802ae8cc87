"""An open study in hand: its tables, one analyte's tidy rows, a fitted model, the verdict."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from studykit.core.errors import single
from studykit.study import Study, Tables, load_tables

if TYPE_CHECKING:  # a stage is opened in every notebook: what only some stages need is loaded where it is used
    from studykit.model import AnalyteModel
    from studykit.verdict.rule import StudyVerdict


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class OpenStudy:
    """A study folder, read and checked; opening it writes nothing."""

    root: Path
    tables: Tables
    out: Path  # the stage's folder; the others' lie beside it

    def __repr__(self) -> str:
        return (f"<study {self.study.title!r} in {self.root}: {len(self.tables.containers)} containers, "
                f"{len(self.tables.results)} results of {', '.join(self.analytes)}>")

    @property
    def study(self) -> Study:
        """The definition: question, analytes with their margins, depths, factors."""
        return self.tables.study

    @property
    def analytes(self) -> tuple[str, ...]:
        """Keys of the declared analytes."""
        return tuple(self.study.analytes)

    @property
    def containers(self) -> pd.DataFrame:
        """The containers table (a copy)."""
        return self.tables.containers.copy()

    @property
    def samples(self) -> pd.DataFrame:
        """The samples table (a copy)."""
        return self.tables.samples.copy()

    @property
    def results(self) -> pd.DataFrame:
        """All tidy results (a copy), excluded ones included."""
        return self.tables.results.copy()

    def usable(self) -> pd.DataFrame:
        """Results that enter a model: all but those a person excluded with a reason."""
        from studykit.model.tables import usable

        return usable(self)

    def tidy(self, analyte: str) -> pd.DataFrame:
        """One analyte's rows, joined and typed: one determination of a zone of a stored container a row.

        Columns: sample, container, depth (categorical, the surface first), height, lot, store, age_months, run,
        replicate, value, unit, qualifier, limit, source and ``y``, the value on the scale of the margin. Excluded
        results, controls and other samples are left out. BadInput for an analyte that is not declared.
        """
        from studykit.model.rows import model_rows

        self._declared(analyte)
        return model_rows(self.study, analyte, self.containers, self.samples, self.usable()).table

    def model(self, analyte: str, formula: str = "") -> AnalyteModel:
        """One analyte's mixed model: the declared one, or that of a formula such as ``depth + lot + (1 | container)``.

        Where containers were drawn again, ``(age_months | container)`` gives each a level and a rate of its own, and
        ``(1 | container:visit)`` what a visit adds; such a model takes all visits.
        Raises BadInput for an analyte that is not declared, or a formula with terms that are not fitted.
        """
        from studykit.model import fit_analyte
        from studykit.model.formula import parse_formula

        self._declared(analyte)
        if not formula:
            return fit_analyte(self.study, analyte, self.containers, self.samples, self.usable())
        rows = self.tidy(analyte)
        terms = parse_formula(formula, [*rows.columns, "visit"], rows.select_dtypes("number").columns)
        return fit_analyte(self.study, analyte, self.containers, self.samples, self.usable(), fixed=terms.fixed,
                           random=terms.random)

    def verdict(self) -> StudyVerdict:
        """The declared rule over all analytes: ``.word``, ``.analytes``, ``.to_table()``."""
        from studykit.model import fit_all
        from studykit.verdict import judge_all

        return judge_all(self, fit_all(self))

    def rates(self) -> pd.DataFrame:
        """How fast differences between depths change with standing time, by analyte and group.

        Per month and per year in the unit of the margin, with 95 % intervals; empty where the study does not ask about time
        (neither a section [time] nor age_months in by_depth).
        """
        from studykit.ageing import tables, trend
        from studykit.model import fit_all

        return tables.rates(trend.ageing(self.study, fit_all(self)))

    def times(self) -> pd.DataFrame:
        """When the margin is passed, months, by analyte and group: on average, and by more than the declared share of them.

        For each the fitted time, up to when it is shown within and from when beyond (a 90 % interval), and the same by
        simulation; ``in words`` as in the report. Empty where the study does not ask about time.
        """
        from studykit.ageing import tables, trend
        from studykit.model import fit_all

        return tables.times(trend.ageing(self.study, fit_all(self)))

    def _declared(self, analyte: str) -> None:
        if analyte not in self.study.analytes:
            raise single("study.toml", "this analyte is not declared", "declared are " + ", ".join(self.analytes),
                         value=str(analyte))


def study_folder(path: str | Path) -> Path:
    """The folder, if it holds a study; BadInput otherwise."""
    if not isinstance(path, str | Path):
        raise single("path", "must be the path of a study folder", "write for instance sk.open('my-study')", value=str(path))
    root = Path(path).expanduser()
    if not (root / "study.toml").exists():
        raise single(str(path), "this folder holds no study.toml", "name a study folder, or: studykit new FOLDER")
    return root


def take_in(root: Path) -> None:
    """Take the raw files of a study in, where that was not done yet."""
    from studykit.intake import run_intake

    if not (root / "tidy/results.csv").exists():
        early = load_tables(root, with_results=False)
        run_intake(root, early.study, early.samples)


def open(path: str | Path) -> OpenStudy:
    """Open a study folder read-only.

    Raises BadInput listing every fault of its definition and tables, and where no results were taken in yet.
    """
    root = study_folder(path)
    if not (root / "tidy/results.csv").exists():
        raise single(f"{root.name}/tidy/results.csv", "no results were taken in yet", f"run: studykit intake {path}")
    return OpenStudy(root=root, tables=load_tables(root), out=root / "report" / "06-verdict")


def demo(name: str, to: str | Path) -> OpenStudy:
    """Copy an invented demo study into the folder ``to``, take its raw files in, and open it.

    Raises BadInput for an unknown name, and where ``to`` holds something else.
    """
    from studykit.demos import copy_demo

    if not isinstance(to, str | Path):
        raise single("to", "must be the path of a folder", "write for instance to='demo-ropeway'", value=str(to))
    root = copy_demo(name, to)
    take_in(root)
    return open(root)
