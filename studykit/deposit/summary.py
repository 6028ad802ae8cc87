"""Page one of a filed report as a PDF of one or two pages, for people who never open a web page, and its cautions.

Words, numbers and drawings are taken from the filed report.html, so that both say the same. The cautions stand in the PDF
because page one sends its reader to them, and whoever is handed the PDF has nothing else.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import takewhile
from pathlib import Path
from typing import Any

from bs4 import BeautifulSoup, Tag

from studykit.core.errors import BadInput, single
from studykit.core.files import write_beside
from studykit.report.verify import older_than, refuse_edited
from studykit.sampling.sheets import render
from studykit.study.definition import load_study

ABOUT = "About the plan:"
DRAWN = {"svg", "rect", "path", "circle", "text"}
"""What a drawing of page one is made of."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """A summary that was written, and the inputs that are newer than the report behind it."""

    file: Path
    older: tuple[str, ...] = ()


def summary(root: Path, to: Path) -> Summary:
    """Write page one of a filed report as PDF.

    BadInput where no report is filed, or where its first page is not as the kit writes it; RunsDiffer where the report was
    changed after it was filed.
    """
    root, study = Path(root), load_study(root)
    page = root / "report/report.html"
    if not page.exists():
        raise single(f"{root.name}/report", "no report is filed here", f"make one: studykit report {root}")
    refuse_edited(root, "summary")
    data, drawings = page_one(page.read_text(encoding="utf-8"))
    older = older_than(root)
    foot = f"Page one of the report · {study.title}{' (invented example)' if study.invented else ''} · {study.responsible}"
    pdf = render("summary", {**data, "older": _older(older), "lang": study.language[:2], "foot": foot}, drawings)
    return Summary(file=write_beside(to, pdf), older=older)


def _older(inputs: tuple[str, ...]) -> str:
    """The first line of a summary whose report no longer is that of the study; nothing where it still is."""
    if not inputs:
        return ""
    return (f"OUT OF DATE: {', '.join(inputs)} changed after this report was filed. The answer below is the old one and does "
            "not know of the change; make the report again: studykit report")


def page_one(html: str) -> tuple[dict[str, Any], dict[str, bytes]]:
    """The words of page one by their part, and its drawings as files; BadInput for a page that the kit did not write so."""
    soup = BeautifulSoup(html, "html.parser")
    section, table = soup.select_one("main > section"), soup.select_one("main > section .tag-strip table")
    if section is None or table is None or section.blockquote is None:
        raise _other()
    drawings = {f"row-{i}.svg": _svg(cell) for i, cell in enumerate(table.select("tbody td.drawn"))}
    drawings["axis.svg"] = _svg(table.select_one("thead th.drawn"))
    return {
        "kind": _text(soup.select_one("header .kind")), "title": _text(soup.select_one("header h1")),
        "question": _text(soup.select_one("header .sub")), "answer": _text(section.blockquote.p),
        "beside": [_text(p) for p in section.blockquote.select("p ~ p")],
        "notices": _notices(section), "asked": _asked(section),
        "caption": _text(table.caption), "head": [_text(h) for h in table.select("thead th:not(.drawn)")],
        "axis": _text(table.select_one("thead .unseen")),
        "rows": [[_text(c) for c in r.select("th, td:not(.drawn)")] for r in table.select("tbody tr")],
        "sealed": " ".join(_text(p) for p in section.select(".tag-seal p")), "cautions": _cautions(soup),
    }, drawings


def _notices(section: Tag) -> list[str]:
    """What page one says of the plan: a list, or one paragraph where it only counts."""
    head = next((p for p in section.select(".prose > p") if _text(p).startswith(ABOUT)), None)
    short = _text(head).removeprefix(ABOUT).strip()
    return [short] if short else [_text(i) for i in section.select(".prose ul > li")]


def _cautions(soup: BeautifulSoup) -> list[list[str]]:
    """The cautions of the report, each as its first words and the rest; BadInput where it has none."""
    head = soup.find(id="cautions")
    cell = head.find_parent("div", class_="cell") if isinstance(head, Tag) else None
    own = takewhile(lambda part: not part.find(["h1", "h2", "h3"]), cell.find_next_siblings("div") if cell else ())
    items = [item for part in own for item in part.select("li")]
    if not items:
        raise _other()
    return [[first := _text(item.strong), _text(item).removeprefix(first).strip()] for item in items]


def _asked(section: Tag) -> list[dict[str, Any]]:
    """Each question with the sentences of its answer."""
    out: list[dict[str, Any]] = []
    for paragraph in section.select(".tag-questions p"):
        first = paragraph.find("strong")
        told = _text(paragraph)
        if first is not None and told.startswith(_text(first)):
            out.append({"question": _text(first), "told": []})
            told = told.removeprefix(_text(first)).strip()
        out[-1]["told"].append(told)
    return out


def _text(tag: Tag | None) -> str:
    """The text of a piece of the page on one line."""
    return "" if tag is None else re.sub(r"[ \n\t]+", " ", tag.get_text()).strip()


def _svg(cell: Tag | None) -> bytes:
    """The drawing of a cell as a file of its own."""
    drawing = cell.svg if cell is not None else None
    if drawing is None or {t.name for t in (drawing, *drawing.find_all())} - DRAWN:
        raise _other()
    return str(drawing).replace("viewbox=", "viewBox=").replace("<svg", '<svg xmlns="http://www.w3.org/2000/svg"', 1).encode()


def _other() -> BadInput:
    return single("report/report.html", "its first page is not as this kit writes it", "make the report again: studykit report")
