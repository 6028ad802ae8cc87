"""The pages as pieces that can be checked: blocks of code, code spans, and statements that need something to hold them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from markdown_it import MarkdownIt
from markdown_it.token import Token

ROOT = Path(__file__).resolve().parents[2]
MADE = {"docs/api.md", "docs/commands.md", "docs/data-dictionary.md", "docs/operating.md", "docs/changelog.md",
        "docs/time-coverage.md"}
"""Pages that are made from the code or from a run (their own tests hold them), and the history."""
CITED = {"docs/references.md"}
"""A page whose numbers belong to other documents; each entry says how sure it is."""
CAUTIONS = re.compile(r"<!-- cautions: .*?<!-- end of cautions -->", re.S)
ABSOLUTE = re.compile(r"\b(never|always|every|everything|nothing|none of)\b", re.I)
NAMES = re.compile(r"\]\([^)]*\)|\b(ISO|ASTM|API|IEC|ICH|RFC|Python|Windows|BSD|CR|Guide|SHA|UTF)[ /-]?[A-Z]*[ /-]?[\d.:/-]+\w*"
                   r"|\b\d\d-(study|design|sampling|intake|quality|model|verdict|report)\b|\b(1[89]|20)\d\d\b|\bA4\b|^\d+\. ")
PARSER = MarkdownIt("commonmark").enable("table")


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """A block of code: page, language ('' where none is given), text, first line."""

    page: str
    language: str
    text: str
    line: int


def hand_written(root: Path = ROOT) -> dict[str, str]:
    """README, DEVELOPERS and docs, by path, without what is made from the code."""
    paths = [root / "README.md", root / "DEVELOPERS.md", *sorted((root / "docs").glob("*.md"))]
    texts = {str(p.relative_to(root)): p.read_text(encoding="utf-8") for p in paths}
    return {k: CAUTIONS.sub("", v) for k, v in texts.items() if k not in MADE}


def blocks(pages: dict[str, str]) -> list[Block]:
    """All blocks of code of the pages, fenced and indented."""
    return [Block(page=page, language=t.info.strip(), text=t.content, line=(t.map or [0])[0] + 1)
            for page, text in pages.items() for t in PARSER.parse(text) if t.type in ("fence", "code_block")]


def spans(text: str) -> list[str]:
    """The code spans of a page, in order."""
    return [c.content for t in PARSER.parse(text) for c in t.children or () if c.type == "code_inline"]


def _plain(token: Token) -> str:
    """The text of a paragraph without its marks; code spans in backquotes."""
    parts = [f"`{c.content}`" if c.type == "code_inline" else " " if c.type in ("softbreak", "hardbreak") else c.content
             for c in token.children or ()]
    return re.sub(r"\s+", " ", "".join(parts)).strip()


def statements(text: str) -> list[str]:
    """The sentences of a page in order: paragraphs and list items cut at full stops, table rows whole.

    What a program wrote between its own marks is left out, as the pages of ``MADE`` are.
    """
    text = re.sub(r"<!-- (\w+): made by .*?<!-- end of \1 -->", "", text, flags=re.S)
    out: list[str] = []
    row: list[str] | None = None
    for token in PARSER.parse(text):
        if token.type == "tr_open":
            row = []
        elif token.type == "tr_close" and row is not None:
            out.append(" | ".join(row))
            row = None
        elif token.type == "inline" and row is not None:
            row.append(_plain(token))
        elif token.type == "inline":
            out += [s for s in re.split(r"(?<=[.!?])\s+(?=[A-Z`“\"(])", _plain(token)) if s]
    return out


def needs_evidence(statement: str) -> bool:
    """Whether a statement gives a number, or says that something holds always or never."""
    plain = NAMES.sub("", re.sub(r"`[^`]*`", "", statement))
    return bool(re.search(r"\d", plain) or ABSOLUTE.search(plain))
