"""Write the cautions into README and pages from their one source: ``python -m tests.make_cautions``."""

from __future__ import annotations

from pathlib import Path

from studykit.study.cautions import markdown

ROOT = Path(__file__).resolve().parent.parent
BEGIN, END = "<!-- cautions: made from studykit/templates/cautions.toml -->", "<!-- end of cautions -->"
PLACES = {"README.md": ("first", False), "docs/02-sampling.md": ("", True), "docs/teaching.md": ("course", False)}


def with_block(text: str, block: str) -> str:
    """The text with its marked block replaced; ValueError where the marks are not there once, in order."""
    before, found, rest = text.partition(BEGIN)
    inside, closed, after = rest.partition(END)
    if not found or not closed or BEGIN in after or BEGIN in inside:
        raise ValueError(f"the text must hold {BEGIN!r} and then {END!r} once")
    return f"{before}{BEGIN}\n{block}\n{END}{after}"


def page(name: str) -> str:
    """A page as it ought to be."""
    printed, sources = PLACES[name]
    return with_block((ROOT / name).read_text(encoding="utf-8"), markdown(printed, sources=sources))


if __name__ == "__main__":
    for place in PLACES:
        (ROOT / place).write_text(page(place), encoding="utf-8")
