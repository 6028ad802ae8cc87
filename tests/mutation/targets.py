"""The modules that carry numbers, and for each the tests that stand nearest to it.

Nearest: ``tests/<folder>/test_<module>.py`` and the other files of that test folder, which whoever works there
runs; where there is none, the test files elsewhere that import the module. A mutant meets the quick tests of these
files first. What survives them meets the slow ones, which CI runs: many are slow only so that the everyday command stays
quick. Tests of more than 15 processor seconds do not count, nor do stored notebooks and runs of whole studies: a fault
that only those see is seen late and says little about where it lies.
"""

from __future__ import annotations

import ast
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
FOLDERS = ("mixed", "inference", "model", "verdict", "design", "physics", "vessels", "quality")
SINGLE = ("study/precision", "study/exclusions", "core/units", "core/numbertext", "intake/values", "intake/determinations")
NO_NUMBERS = ("figures", "flags", "statsmodels_check", "__init__")
FAR = ("notebook", "commands", "demos", "browser", "operating", "report", "mutation", "benchmarks", "demogen")


def modules(root: Path = ROOT) -> list[str]:
    """Paths of the targets without ending, from ``studykit/``; those named in ``SINGLE`` where they are there."""
    found = [p.relative_to(root / "studykit").with_suffix("").as_posix() for f in FOLDERS
             for p in sorted((root / "studykit" / f).rglob("*.py")) if p.stem not in NO_NUMBERS]
    return [*found, *(m for m in SINGLE if (root / f"studykit/{m}.py").exists())]


@cache
def imports(path: Path) -> set[str]:
    """Dotted names that a test file imports."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {a.name for a in node.names}
        elif isinstance(node, ast.ImportFrom):
            found |= {node.module or "", *(f"{node.module}.{a.name}" for a in node.names)}
    return found


def nearest(module: str, root: Path = ROOT) -> list[str]:
    """The test files nearest to a module, from the root, the module's own first."""
    folder, _, stem = module.partition("/")
    dotted = "studykit." + module.replace("/", ".")
    own = root / f"tests/{folder}/test_{stem.rpartition('/')[2]}.py"
    near = sorted((root / f"tests/{folder}").glob("test_*.py")) if folder in FOLDERS else [own] if own.exists() else []
    if not near:
        near = [p for p in sorted((root / "tests").glob("*/test_*.py")) if p.parent.name not in FAR and dotted in imports(p)]
    return [p.relative_to(root).as_posix() for p in sorted(near, key=lambda p: p != own)]
