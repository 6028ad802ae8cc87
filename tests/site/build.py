"""From the checkout's pages to HTML."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path

from tests.site.pages import write_pages


def build(to: Path, reports: Mapping[str, Path]) -> str:
    """Write the site into the folder ``to``; what Sphinx warns of (broken links, pages nobody reaches), or ''."""
    with tempfile.TemporaryDirectory() as source:
        write_pages(Path(source), reports)
        return to_html(Path(source), to)


def to_html(source: Path, to: Path) -> str:
    """Turn a folder of Markdown pages into HTML, in a process of its own; the warnings, or ''."""
    with tempfile.TemporaryDirectory() as trees:
        done = subprocess.run([sys.executable, "-m", "sphinx", "-b", "html", "-c", str(Path(__file__).parent), "-d", trees,
                               "-E", "-q", "--no-color", "-D", f"html_static_path={source / '_static'}",
                               "-D", f"html_extra_path={source / '_extra'}", str(source), str(to)],
                              capture_output=True, text=True)  # fmt: skip
    return done.stderr.replace(str(source), "") or ("Sphinx stopped without a word" if done.returncode else "")
