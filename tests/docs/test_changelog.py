"""The changelog names nothing that is not there, and says nothing twice."""

from __future__ import annotations

import re

from studykit.study.stages import HERE

ROOT = HERE.parent
NAME = re.compile(r"[A-Za-z_][\w.-]{3,}")
FILE = re.compile(r"\.(csv|html|json|md|pdf|toml|zip)$")
ELSEWHERE = {"install-completion"}
"""What the library of the command line brings."""


def named(text: str) -> set[str]:
    """Names in backquotes."""
    return {n for quoted in re.findall(r"`([^`\n]+)`", text) for n in NAME.findall(quoted)} - ELSEWHERE


def unknown(text: str) -> list[str]:
    """Names in backquotes that stand nowhere in code, notebooks or other pages."""
    kinds = {"studykit": ("*.py", "*.pyi", "*.toml"), "tests": ("*.py",), "docs": ("*.md",), "notebooks": ("*.ipynb",)}
    files = [p for folder, patterns in kinds.items() for kind in patterns for p in (ROOT / folder).rglob(kind)]
    there = "\n".join(p.read_text(encoding="utf-8") for p in files if p.name not in ("changelog.md", "test_changelog.py"))
    return sorted(n for n in named(text) if n not in there and FILE.sub("", n) not in there
                  and (FILE.search(n) or n.rpartition(".")[2] not in there))


def test_what_it_names_is_there() -> None:
    assert unknown((ROOT / "docs/changelog.md").read_text(encoding="utf-8")) == []
    assert unknown('- A vessel: `shape = "upright_rhombus"`, told in `rhombi.csv`.') == ["rhombi.csv", "upright_rhombus"]


def test_no_line_stands_twice() -> None:
    lines = [line for line in (ROOT / "docs/changelog.md").read_text(encoding="utf-8").splitlines() if len(line) > 60]
    assert [line for line in lines if lines.count(line) > 1] == []


def test_its_links_lead_somewhere() -> None:
    text = (ROOT / "docs/changelog.md").read_text(encoding="utf-8")
    targets = [t.partition("#")[0] for t in re.findall(r"\]\(([^)\s]+)\)", text) if not t.startswith(("http", "#"))]
    assert targets
    assert [t for t in targets if not (ROOT / "docs" / t).exists()] == []
