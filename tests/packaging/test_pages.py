"""The pages in an installed package: README and what it leads to lie together there, and the command says where."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from typer.testing import CliRunner

from studykit.commands.app import app
from studykit.study.stages import share

ROOT = Path(__file__).resolve().parents[2]
BUILT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["hatch"]["build"]["targets"]["wheel"]
INSIDE = {source: Path(place) for source, place in BUILT["force-include"].items()}


def in_wheel(file: Path) -> Path | None:
    """Where a file of the checkout lies in the wheel; None where it stays out."""
    for source, place in INSIDE.items():
        if file.is_relative_to(ROOT / source):
            return place / file.relative_to(ROOT / source)
    return None


def leads(page: Path) -> list[str]:
    """The files that a page links to or shows, from inside the wheel; those that do not lie where it says."""
    targets = re.findall(r"\]\(([^)#\s]+)", page.read_text(encoding="utf-8"))
    near = [t for t in targets if "://" not in t and not t.startswith("mailto:")]
    home = in_wheel(page)
    assert home is not None
    wrong = []
    for target in near:
        there = in_wheel((page.parent / target).resolve())
        if there is None or there != Path(re.sub(r"[^/]+/\.\./", "", str(home.parent / target))):
            wrong.append(target)
    return wrong


def test_a_link_that_leads_out_of_the_wheel_is_seen(monkeypatch):
    monkeypatch.delitem(INSIDE, "docs")
    assert "docs/first-study.md" in leads(ROOT / "README.md")


@pytest.mark.parametrize("page", ["README.md", "DEVELOPERS.md", "docs/teaching.md", "docs/first-study.md", "docs/reviewing.md"])
def test_links_and_pictures_work_from_inside_the_wheel(page):
    assert leads(ROOT / page) == []


def test_the_command_says_where_the_pages_lie():
    said = "".join(CliRunner().invoke(app, ["--help"]).output.split())
    assert f"Pagestoread:{share('docs')}" in said
