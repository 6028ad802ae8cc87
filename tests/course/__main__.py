"""Make the course from its one source: ``python -m tests.course [number ...]``; ``--to FOLDER`` writes a teacher's copy there.

Writes for each lesson the student's notebook (``notebooks/course``, no solution, no notes, no outputs), the solved one
with its outputs (``tests/course/solved``), and ``tests/course/notes.md`` for the teacher.
"""

from __future__ import annotations

import sys
from pathlib import Path

from tests.course.make import HERE, STUDENT, make, notes, sources, teacher_copy, write

if __name__ == "__main__":
    given = sys.argv[1:]
    if "--to" in given:
        teacher_copy(Path(given[given.index("--to") + 1]))
        sys.exit(0)
    wanted = [p for p in sources() if not given or str(int(p.stem[:2])) in given]
    for path in wanted:
        write(STUDENT / f"{path.stem}.ipynb", make(path, solved=False))
        write(HERE / "solved" / f"{path.stem}.ipynb", make(path, solved=True), run=True)
        sys.stdout.write(f"{path.stem}\n")
    (HERE / "notes.md").write_text(notes(), encoding="utf-8")
