"""Execute the kit's notebooks over the main demo and store their outputs: ``python -m tests.store_notebooks [stem ...]``.

The stored outputs are what nbval compares, so run this after a change that is meant to change them,
and read the difference before committing it.
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
from pathlib import Path

import nbformat

from studykit.report.run import run_notebooks
from studykit.study.stages import HERE, share, stems_in

KEPT_METADATA = ("tags",)


def store(stems: tuple[str, ...] = ()) -> None:
    """Run the named notebooks (all without names) and write them back with outputs, free of run-time metadata."""
    os.environ["STUDYKIT_HEADLESS"] = "1"
    folder = share("notebooks")
    if not stems:
        shutil.rmtree(HERE.parent / "build/demo-ropeway", ignore_errors=True)
    for stem in stems or stems_in(folder):
        with tempfile.TemporaryDirectory() as name:
            target = Path(name) / f"{stem}.ipynb"
            run_notebooks({stem: folder / f"{stem}.ipynb"}, {stem: target}, {}, sys.stderr.write, separate=True)
            nb = nbformat.read(target, as_version=4)
        nbformat.write(clean(nb), folder / f"{stem}.ipynb")


def clean(nb: nbformat.NotebookNode) -> nbformat.NotebookNode:
    """Keep tags, outputs and the kernel's name; drop times and the record of the run."""
    nb.metadata = {"kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
                   "language_info": {"name": "python"}}
    for cell in nb.cells:
        cell.metadata = {k: v for k, v in cell.metadata.items() if k in KEPT_METADATA and v}
    return nb


if __name__ == "__main__":
    store(tuple(sys.argv[1:]))
