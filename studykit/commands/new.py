"""Make a new study folder from the kit's templates, with the stage notebooks: to fill in, or filled in by answers."""

from __future__ import annotations

import re
import secrets
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from studykit.commands.told import as_typed
from studykit.core.errors import BadInput, Fault, single
from studykit.core.files import copy_in, read_toml, together, write_bytes, write_text
from studykit.report.manifest import AS_THEY_ARE, GIT
from studykit.report.own import copy_notebooks
from studykit.study.asking import Question, answered
from studykit.study.definition import parse_study
from studykit.study.stages import HERE
from studykit.study.starting import assumed, attention, definition, tables

NEXT_STEPS = (
    "  1. study.toml        the question, the analytes and their margins (before the data)",
    "  2. plan/             stock.csv (the whole stock) or containers.csv (those to open), one line per container",
    "  3. studykit plan FOLDER   what it will be able to say; codes, draws, sheets to print; then studykit lock FOLDER",
    "  4. plan/samples.csv  filled in at the bench: when, by whom, how much; what was drawn before is written here too",
    "  5. raw/              the laboratory's files, as they came; intake.toml says how to read them",
    "  6. studykit check FOLDER, then studykit report FOLDER",
)
NEXT_MANY = ("  1. study.toml        read it once; answer [safety] from the safety data sheet",
             "  2. plan/stock.csv    lots, days of filling, litres: what you know of each container",
             "  3. studykit check FOLDER, then studykit plan FOLDER: what it will be able to say, codes, sheets")
BLANK = 'blank = "not measured"          # an empty cell: no result yet'
NEXT_ONE = ("  1. study.toml        read it once; answer [safety] from the safety data sheet",
            "  2. plan/             bottle codes and heights, days, the litres in it; then studykit check FOLDER",
            "  3. studykit plan FOLDER: where to draw, sheets; then studykit lock FOLDER: margins fixed before results",
            "     (bottles drawn and measured already: leave both out; the report says that nothing was fixed beforehand)",
            "  4. raw/results.csv   the laboratory's numbers, one line per bottle",
            "  5. studykit report FOLDER")
README = ("1. study.toml           change the lines marked <--",
          "1. study.toml           written from your answers: read it once; answer [safety] from the safety data sheet")


def new_study(folder: Path, *, single: bool = False) -> tuple[str, ...]:
    """Copy the template and the notebooks (without outputs) into a new folder; BadInput where it is not empty."""
    _refuse_full(folder)
    with together(folder) as made:
        _begin(made, "single" if single else "new")
        text = (made / "study.toml").read_text(encoding="utf-8")
        write_text(made / "study.toml", re.sub(r"(?m)^seed = 1 {9}", f"seed = {_seed()} ", text))
    return (f"A study to fill in lies in {folder}:", *_steps(NEXT_STEPS, folder))


def answered_study(folder: Path, given: Mapping[str, str], ask: Callable[[Question], Any] | None) -> tuple[str, ...]:
    """A study written from answers: definition, tables, notebooks; the lines that say what was assumed.

    ``given``: answers by key; ``ask`` gets the others from a person (see ``studykit.study.asking.answered``). Nothing is
    written before all of them can be taken. BadInput where the folder is not empty.
    """
    _refuse_full(folder)
    found, taken = answered(given, ask)
    text = definition(found, (HERE / "templates/new/study.toml").read_text(encoding="utf-8"), _seed(), taken)
    parse_study(tomllib.loads(text), text=text)
    with together(folder) as made:
        _begin(made, "new" if found["count"] > 1 else "single")
        write_text(made / "study.toml", text)
        for path, table in tables(found).items():
            write_text(made / path, table)
        if found["count"] == 1:  # its table of results is empty still
            about = (made / "README.txt").read_text(encoding="utf-8")
            write_text(made / "README.txt", about.replace(*README))
            mapping = (made / "intake.toml").read_text(encoding="utf-8")
            write_text(made / "intake.toml", mapping.replace("unit_row = 2\n", f"unit_row = 2\n{BLANK}\n"))
    steps = NEXT_MANY if found["count"] > 1 else NEXT_ONE
    return (f"A study lies in {folder}. Assumed, and to be changed in study.toml or the tables where it is otherwise:",
            *(f"  - {line}" for line in assumed(found, taken)), *(f"ATTENTION {line}." for line in attention(found)),
            "Then:", *_steps(steps, folder))


def answers_given(file: Path | None, single_ones: list[str]) -> dict[str, str]:
    """Answers of a file (TOML, margin.Si = "5 %") and of options KEY=VALUE, which win; BadInput for what is neither."""
    given: dict[str, str] = {}
    if file is not None:
        data, _ = read_toml(file, "name a file of answers")
        for key, value in data.items():
            given |= {f"{key}.{k}": str(v) for k, v in value.items()} if isinstance(value, dict) else {key: str(value)}
    odd = [s for s in single_ones if not s.partition("=")[2].strip()]
    if odd:
        raise BadInput([Fault(file="--answer", value=s, reason="is not KEY=VALUE", remedy='write for instance count=12')
                        for s in odd], title="The answers have faults")
    return given | {s.partition("=")[0].strip(): s.partition("=")[2].strip() for s in single_ones}


def _begin(made: Path, template: str) -> None:
    """The template's files, a folder for raw files, and the notebooks.

    A file for git keeps it from rewriting line ends, by which every file would differ from its manifest.
    """
    copy_in(HERE / "templates" / template, made)
    (made / "raw").mkdir(exist_ok=True)
    copy_notebooks(made)
    write_bytes(made / GIT, AS_THEY_ARE)


def _seed() -> int:
    """A seed that no other study has: blind codes come from it, so they are this study's alone."""
    return secrets.randbelow(9 * 10**8) + 10**8


def _steps(steps: tuple[str, ...], folder: Path) -> tuple[str, ...]:
    return tuple(s.replace("FOLDER", as_typed(folder)) for s in steps)


def _refuse_full(folder: Path) -> None:
    if folder.exists() and any(folder.iterdir()):
        raise single(str(folder), "this folder is not empty", "name a new one; nothing was changed")
