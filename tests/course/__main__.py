"""Make the course from its one source: ``python -m tests.course [number ...]``; ``--to FOLDER`` writes a teacher's copy there.

Writes for each lesson the student's notebook (``notebooks/course``, no solution, no notes, no outputs), the solved one
with its outputs (``tests/course/solved``), and ``tests/course/notes.md`` for the teacher.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from tests.course.make import HERE, STUDENT, make, notes, sources, teacher_copy, write

if __name__ == "__main__":
    parser = argparse.ArgumentParser(prog="python -m tests.course", description=__doc__,
                                     formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("number", nargs="*", type=int, help="lessons to make; without one, all")
    parser.add_argument("--to", type=Path, metavar="FOLDER", help="write a teacher's copy there, and nothing else")
    given = parser.parse_args()
    if unknown := set(given.number) - {int(p.stem[:2]) for p in sources()}:
        parser.error(f"no lesson has the number {', '.join(map(str, sorted(unknown)))}")
    if given.to:
        teacher_copy(given.to)
        sys.exit(0)
    for path in (p for p in sources() if not given.number or int(p.stem[:2]) in given.number):
        write(STUDENT / f"{path.stem}.ipynb", make(path, solved=False))
        write(HERE / "solved" / f"{path.stem}.ipynb", make(path, solved=True), run=True)
        sys.stdout.write(f"{path.stem}\n")
    (HERE / "notes.md").write_text(notes(), encoding="utf-8")
