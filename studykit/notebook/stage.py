"""What the stage notebooks import: one object for the open stage, and functions to show and record.

    import studykit.notebook as kit
    stage = kit.open_stage("05-model", study, out_dir)

Outside a study folder (the kit's own ``notebooks/``) an empty ``study`` opens a working copy
of the main demo, so that the notebooks run as they lie.
"""

from __future__ import annotations

import os
import platform
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from studykit import __version__
from studykit.core.errors import single
from studykit.core.files import read_csv, write_bytes, write_csv
from studykit.core.record import Recorder, fill, literal
from studykit.front import OpenStudy, study_folder, take_in
from studykit.notebook.display import LONG, Drawn, show_figure, show_table, show_text
from studykit.study import reading
from studykit.study.definition import load_study
from studykit.study.spans import in_times
from studykit.study.stages import HERE, NOTES, STAGES, STEMS
from studykit.study.tables import Tables, empty_tables, load_tables

if TYPE_CHECKING:  # every notebook imports this module, in a fresh kernel: what only some need is loaded there
    from matplotlib.figure import Figure

SCRATCH = "scratch"
NOT_YOURS = ("**This is the invented demo, not a study of yours.** No study folder was named and none lies around this "
             "notebook. Nothing below is about your containers: open the notebook inside a study, or set `study` above.")
KEYED = frozenset({"analyte", "analytes", "lacks", "across", "up", "because of", "rule"})
"""Columns of saved tables that hold analytes by their keys; of a rule of reading it stands before a colon."""
BEFORE_RESULTS = ("00-study", "01-design", "02-sampling", "03-intake")
_open: list[Stage] = []


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage(OpenStudy):
    """An open study at one of its stages: what ``sk.open`` gives, and the stage's record of numbers."""

    stem: str
    recorder: Recorder
    drawn: dict[str, int] = field(default_factory=dict)
    unnamed: dict[tuple[str, str, int], int] = field(default_factory=dict)

    def record(self, name: str, value: Any, unit: str = "", digits: int = 3, *, kind: str = "", table: str = "") -> str:
        """Record a number that the report quotes; returns its printed text."""
        return self.recorder.record(name, value, unit, digits, kind=kind, table=table)

    def numbers(self) -> pd.DataFrame:
        """All numbers recorded by this stage."""
        return self.recorder.to_table()

    def say(self, template: str) -> None:
        """Show a sentence in which ``{name}`` stands for a recorded number."""
        texts = self.recorder.texts()
        show_text(fill(template, {n: literal(t) for n, t in texts.items()}), plain=fill(template, texts))

    def told(self, table: pd.DataFrame) -> pd.DataFrame:
        """A table with differences as they are told beside their margin: in times where that is a factor."""
        return in_times(table, [a for a, declared in self.study.analytes.items() if declared.margin.factor is not None])

    def save_table(self, table: pd.DataFrame, name: str) -> None:
        """Save a table at full precision as CSV in the stage's folder, for later stages and reviewers.

        One without columns gets the column 'note', as every CSV has a heading.
        """
        write_csv(self.out / f"{name}.csv", table if len(table.columns) else pd.DataFrame(columns=["note"]),
                  lasting=False)

    def read_table(self, stem: str, name: str, **options: Any) -> pd.DataFrame:
        """A table saved by an earlier stage; BadInput where that stage has not run."""
        path = self.out.parent / stem / f"{name}.csv"
        path = path if path.exists() else self.root / "report" / stem / f"{name}.csv"
        if not path.exists():
            raise single(f"{stem}/{name}.csv", "this table is not there yet", f"run the notebook {stem} first")
        return read_csv(path, **options)


def study_root(study: str = "") -> Path:
    """The study folder: the one named, else the nearest above the working folder, else a copy of the main demo."""
    if study:
        return study_folder(study).resolve()
    here = Path.cwd().resolve()
    for folder in (here, *here.parents):
        if (folder / "study.toml").exists():
            return folder
    return _demo_root()


def _demo_place() -> Path:
    """Where the working copy of the main demo lies: in the checkout's build folder, else where the notebook was opened."""
    return (HERE.parent / "build" if _in_checkout() else Path.cwd()) / "demo-ropeway"


def _in_checkout() -> bool:
    return (HERE.parent / "pyproject.toml").exists()


def _demo_root() -> Path:
    """A working copy of the main demo, taken up into its results, for notebooks opened outside a study."""
    import shutil

    from studykit.demos.shipped import copy_demo, demo_folder
    from studykit.report.manifest import hashes, input_files

    root = _demo_place()
    source = demo_folder("ropeway")
    if hashes(root, input_files(root)) != hashes(source, input_files(source)):
        if _in_checkout():  # made anew there; a changed folder of somebody's own is refused
            shutil.rmtree(root, ignore_errors=True)
        copy_demo("ropeway", root)
    return root


def open_stage(stem: str, study: str = "", out_dir: str = "") -> Stage:
    """Open a stage of a study: read and check its tables; nothing of what is filed changes.

    ``study`` is the study folder (empty: see ``study_root``), ``out_dir`` the folder under which each stage has its
    own. Left empty that is ``scratch`` in the study, so that a run by hand touches nothing that is filed; tables of
    stages that were not run by hand are then those of the filed report. BadInput lists every fault.
    """
    if stem not in STEMS:
        raise ValueError(f"stem must be one of {', '.join(STEMS)}, but got {stem!r}")
    root = study_root(study)
    if folder := os.environ.get(NOTES):
        reading.listen(Path(folder) / stem)
    early = stem in BEFORE_RESULTS
    if not study and not early:
        take_in(root)
    _look_of_the_kit()
    tables = _early_tables(root) if stem in ("00-study", "01-design", "02-sampling") else load_tables(
        root, with_results=not early)
    out = (Path(out_dir) if out_dir else root / SCRATCH) / stem
    stage = Stage(stem=stem, root=root, out=out, tables=tables, recorder=Recorder(stem, out))
    _open[:] = [stage]
    if root == _demo_place() and not os.environ.get("STUDYKIT_HEADLESS"):
        show_text(NOT_YOURS)
    return stage


def _look_of_the_kit() -> None:
    """A figure is the same whoever draws it: a ``matplotlibrc`` of a person, or one that lies in a folder, has no say."""
    import matplotlib

    matplotlib.rcdefaults()


def _early_tables(root: Path) -> Tables:
    """Before sampling the plan tables may not exist yet; where they do, they must be right."""
    if (root / "plan/containers.csv").exists() and (root / "plan/samples.csv").exists():
        return load_tables(root, with_results=False)
    return empty_tables(load_study(root), root)


def table(frame: pd.DataFrame, *, caption: str, digits: int = 4, name: str = "", empty: str = "",
          shown: pd.DataFrame | None = None, drawn: Drawn = ("", ())) -> None:
    """Show a table with its caption; with ``name`` it is also saved at full precision in the stage's folder.

    A table that is too long to be shown whole is saved in any case (``table-1.csv``, ...), unless its caption names the file.
    ``empty`` is the sentence that stands in place of a table without rows (else the first words of the caption, and that
    there are none); ``shown`` what people see in
    place of the saved table, where that is wider than a page; ``drawn`` a last column that is drawn.
    """
    if _open and not name and len(frame) > LONG and not drawn[0] and ".csv" not in caption:
        same = caption, str(list(frame)), int(pd.util.hash_pandas_object(frame.astype(str)).sum())
        name = f"table-{_open[0].unnamed.setdefault(same, len(_open[0].unnamed) + 1)}"  # run again: the same number
    if name and _open:
        _open[0].save_table(frame, name)
    if not len(frame):
        show_text(empty or f"{re.split('[.:;]', caption, maxsplit=1)[0]}: none.")
        return
    show_table(_by_name(frame if shown is None else shown), caption=caption, digits=digits, drawn=drawn,
               file=f"{name}.csv" if name else "")


def _by_name(frame: pd.DataFrame) -> pd.DataFrame:
    """The same table with analytes by the names that people read, each once; files keep the keys.

    A column of names beside that of the keys is left out.
    """
    if not _open:
        return frame
    labels = _open[0].study.labels
    told = {str(c): [_in_names(v, labels) if isinstance(v, str) else v for v in frame[c]] for c in frame if c in KEYED}
    return frame.assign(**told).drop(columns=["name"] if {"analyte", "name"} <= set(frame) else [])


def _in_names(keys: str, labels: Mapping[str, str]) -> str:
    """Several keys, with commas or with blanks alone between them, or one before a colon, as names; else as it stands."""
    head, colon, rest = keys.partition(": ")
    if colon and head in labels:
        return f"{labels[head]}: {rest}"
    parts = keys.split(", ")
    if len(parts) == 1 and keys not in labels and len(words := keys.split(" ")) > 1 and set(words) <= set(labels):
        parts = words
    return ", ".join(labels.get(key, key) for key in parts)


def figure(drawing: Figure | None, *, alt: str, caption: str) -> None:
    """Show a figure with alt text and caption, and save it as PNG, SVG and PDF in the stage's folder; nothing for None.

    One that is wider than a phone is saved a second time, drawn for it. Of one that is a sentence alone that stands
    as text: a caption would promise what is not there.
    """
    if drawing is None:
        return
    if drawing.texts and not drawing.axes:
        show_text(f"Nothing is drawn here: {' '.join(t.get_text() for t in drawing.texts)}.")
        return
    forms = show_figure(drawing, alt=alt, caption=caption)
    if _open:
        stage = _open[0]
        number = stage.drawn.setdefault(caption, len(stage.drawn) + 1)  # a cell run again draws the same number
        for end, data in ((".png", forms.png), (".svg", forms.svg), (".pdf", forms.pdf), ("-narrow.svg", forms.narrow)):
            if data:
                write_bytes(stage.out / f"figure-{number}{end}", data, lasting=False)
    import matplotlib.pyplot as plt

    plt.close(drawing)


def say(markdown: str) -> None:
    """Show a paragraph of Markdown that holds no result typed by hand."""
    show_text(markdown)


def stages_table() -> pd.DataFrame:
    """The stages of a study: stem, question, what each reads and writes."""
    return pd.DataFrame([(s.stem, s.question, s.reads, s.writes) for s in STAGES],
                        columns=["stage", "question", "reads", "writes"])


def environment() -> pd.DataFrame:
    """Versions of the kit, Python and the packages that numbers rest on."""
    from importlib.metadata import version

    names = ("numpy", "scipy", "pandas", "statsmodels", "matplotlib", "papermill")
    rows = [("studykit", __version__), ("Python", platform.python_version())]
    return pd.DataFrame(rows + [(n, version(n)) for n in names], columns=["what", "version"])
