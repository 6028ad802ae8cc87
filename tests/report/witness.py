"""What the cells of notebooks open, list or look for in a study: ``python witness.py STUDY OUT [NOTEBOOKS]``.

Each notebook runs in this process, in a namespace of its own and in order. Prints one line of JSON: by stem the paths in the
study, folders that were listed with a slash at the end. Files of the kit's own keeping are left out.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import sys
from pathlib import Path
from typing import Any

from studykit.core.hashes import walk
from studykit.study.stages import STEMS, share

OURS = (".studykit-change", ".studykit.lock", ".studykit.holder.json", ".tidy.part", ".tidy.old")


class Witness:
    """Hears of every file that is opened or listed (by the interpreter's own hook) or asked for (by ``os.stat``)."""

    def __init__(self, root: Path) -> None:
        self.root, self.seen = os.path.realpath(root) + "/", set[str]()
        sys.addaudithook(self._hook)
        for name in ("stat", "lstat"):
            self._wrap(name)

    def _note(self, path: Any, end: str = "") -> None:
        if isinstance(path, int) or path is None or _walking():
            return
        full = os.path.abspath(os.fsdecode(path))
        if full.startswith(self.root) and not full[len(self.root):].startswith(OURS):
            self.seen.add(full[len(self.root):] + end)

    def _hook(self, event: str, given: tuple[Any, ...]) -> None:
        if event == "open" and isinstance(given[0], (str, bytes, os.PathLike)):
            if not (given[2] or 0) & (os.O_WRONLY | os.O_RDWR):
                self._note(given[0])
        elif event in ("os.listdir", "os.scandir"):
            self._note(given[0], "/")

    def _wrap(self, name: str) -> None:
        real = getattr(os, name)

        def asked(path: Any, *more: Any, **options: Any) -> Any:
            self._note(path)
            return real(path, *more, **options)

        setattr(os, name, asked)


def _walking() -> bool:
    """Whether the kit goes through all of a folder to find out what is there; what it then opens is heard of."""
    frame = sys._getframe()
    while frame is not None:
        if frame.f_code is walk.__code__:
            return True
        frame = frame.f_back  # type: ignore[assignment]
    return False


def main() -> None:
    """Run every notebook before the witness."""
    study, out, *rest = sys.argv[1:]
    books = Path(rest[0]) if rest else share("notebooks")
    stems = STEMS if not rest else sorted(p.stem for p in books.glob("*.ipynb"))
    os.environ |= {"STUDYKIT_HEADLESS": "1", "MPLBACKEND": "agg"}
    witness, seen = Witness(Path(study)), {}
    for stem in stems:
        witness.seen.clear()
        space: dict[str, Any] = {}
        for cell in json.loads((books / f"{stem}.ipynb").read_text(encoding="utf-8"))["cells"]:
            if cell["cell_type"] == "code":
                with contextlib.redirect_stdout(io.StringIO()):
                    exec(compile("".join(cell["source"]), stem, "exec"), space)
                if "parameters" in cell["metadata"].get("tags", []):
                    space |= {"study": study, "out_dir": out}
        folders = {p.rstrip("/") for p in witness.seen if p.endswith("/")}
        seen[stem] = sorted(p for p in witness.seen if p.endswith("/") or (p not in folders and not (Path(study) / p).is_dir()))
    print(json.dumps(seen))


if __name__ == "__main__":
    main()
