"""Make the documentation as a static site: ``python -m tests.site [--to build/site] [--reports] [--only-build]``.

First the code blocks of the pages and the stage notebooks are run by their tests; a site of pages that no longer
run is not made. ``--reports`` runs the demo studies too and files their reports beside the pages.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

from studykit.demos import DEMOS, copy_demo
from tests.site import links
from tests.site.build import build


def run_pages() -> int:
    """Run the pages' code blocks and the stage notebooks; the exit code of their tests."""
    return subprocess.run([sys.executable, "-m", "pytest", "-q", "tests/docs", "tests/course", "notebooks"]).returncode


def demo_reports(to: Path) -> dict[str, Path]:
    """Run every demo study in ``to``: title and folder of each."""
    made = {}
    for name, title in DEMOS.items():
        root = to / name
        copy_demo(name, root)
        subprocess.run([sys.executable, "-m", "studykit", "report", str(root)], check=True)
        made[title] = root
    return made


def main() -> int:
    ask = argparse.ArgumentParser(prog="python -m tests.site", description=__doc__.splitlines()[0] if __doc__ else "")
    ask.add_argument("--to", type=Path, default=Path("build/site"), help="a folder that is not there yet, or an earlier site")
    ask.add_argument("--reports", action="store_true", help="run the demo studies, and show their reports")
    ask.add_argument("--only-build", action="store_true", help="do not run code blocks and notebooks first")
    said = ask.parse_args()
    if not said.only_build and (code := run_pages()):
        return code
    with tempfile.TemporaryDirectory() as work:
        reports = demo_reports(Path(work)) if said.reports else {}
        faults = build(said.to, reports) or "\n".join(links.faults(said.to))
    print(faults or f"The site is in {said.to}: open index.html.")
    return bool(faults)


if __name__ == "__main__":
    sys.exit(main())
