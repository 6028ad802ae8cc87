"""Lay the course's notebooks into a folder, as a student gets them."""

from __future__ import annotations

from pathlib import Path

from studykit.core.errors import single
from studykit.core.files import together, write_bytes
from studykit.study.stages import share


def lay_course(folder: Path) -> tuple[str, ...]:
    """Copy the lessons into a new folder, without solutions; their names. BadInput where it is not empty."""
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise single(str(folder), "this folder is not empty", "name a new one; nothing was changed")
    lessons = sorted((share("notebooks") / "course").glob("*.ipynb"))
    with together(folder) as made:
        for path in lessons:
            write_bytes(made / path.name, path.read_bytes())
    return tuple(p.stem for p in lessons)


def is_course(folder: Path) -> bool:
    """Whether a folder holds a lesson of the course and no study."""
    names = {p.name for p in (share("notebooks") / "course").glob("*.ipynb")}
    return folder.is_dir() and not (folder / "study.toml").exists() and any((folder / n).is_file() for n in names)
