"""Run a command as it runs where the extras named first are not installed: their modules cannot be found.

    python -m tests.packaging.without report,lab,sheets check FOLDER
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from importlib.machinery import ModuleSpec

from studykit.core.extras import EXTRAS


class NotInstalled:
    """A finder that stands first and finds none of the modules of some extras."""

    def __init__(self, extras: Sequence[str]) -> None:
        self.modules = {m for extra in extras for m in EXTRAS[extra]}

    def find_spec(self, name: str, path: object = None, target: object = None) -> ModuleSpec | None:
        """Nothing for other modules; ModuleNotFoundError as Python's own for these."""
        if name.partition(".")[0] in self.modules:
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)
        return None


if __name__ == "__main__":
    sys.meta_path.insert(0, NotInstalled(sys.argv[1].split(",")))  # type: ignore[arg-type]
    if sys.argv[2] == "-c":
        exec(sys.argv[3])  # the test's own lines, as python -c would run them
    else:
        from studykit.commands.cli import main

        sys.exit(main(sys.argv[2:]))
