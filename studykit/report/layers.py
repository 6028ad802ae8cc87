"""The page in layers: the answer open, one folded chapter a stage that begins with its finding, the rest folded inside.

Nothing is left out: what is folded opens with a click, by the links of the contents, or all at once by a button. Print takes
the answer and the chapters, and leaves out what is still folded inside them. For one container the page is short: the answer,
what single results can say, and one chapter in which all stages are folded under their findings.
"""

from __future__ import annotations

import itertools
import re
from copy import copy

from bs4 import BeautifulSoup, Tag

ROWS = 12
"""A table of more rows shows its first ones, and folds the others."""
SHOWN = 8
ANALYTES = 16
"""Rows up to which the table of page one, one an analyte, is shown whole; on paper it is in any case."""
NAMED = 8
"""Words of its caption by which what scrolls is named."""


def into_layers(soup: BeautifulSoup, *, short: bool = False) -> None:
    """Fold every chapter but the first; in each the parts that are not marked as leading, and long tables.

    ``short``: the stages' chapters go into one.
    """
    found = _findings(soup)
    taken = set[str]()
    for scroll in soup.main.find_all("div", class_="scroll") if soup.main is not None else ():
        _name_scroll(scroll, taken)
        _shorten(soup, scroll)
    sections = chapters(soup)[1:]
    singles = _singles(soup, sections) if short else None
    for section in sections:
        stem = _stem(section)
        if stem in FIGURES_FIRST:
            _figures_first(section)
        _set_aside(soup, section)
        _fold_chapter(soup, section, "" if stem in SEEN else found.get(stem, ""))
    if singles is not None:
        _fold_chapter(soup, singles, "")
        _gather(soup, [s for s in sections if _stem(s) not in SEEN])


def chapters(soup: BeautifulSoup) -> list[Tag]:
    """The chapters of a page, that of the answer first."""
    return [] if soup.main is None else soup.main.find_all("section", recursive=False)


FIGURES_FIRST = ("05-model", "06-verdict")
"""Chapters whose leading parts show their figure before their tables; in the notebook the table comes first."""


def _figures_first(section: Tag) -> None:
    """In each leading part the cells with a figure come right after its heading, with the words before them."""
    for head, *cells in (p for p in _parts(section) if "tag-lead" in p[0]["class"]):
        at = head
        for before, cell in zip((head, *cells), cells, strict=False):
            figures = cell.find_all("figure")
            if not figures:
                continue
            for moved in ((before, cell) if before is not head and "prose" in before["class"] else (cell,)):
                at.insert_after(moved.extract())
                at = moved
            for figure in reversed(figures):
                (cell.find("details", class_="code") or cell.contents[0]).insert_after(figure.extract())


SEEN = ("07-report",)
"""Chapters whose finding is page one itself."""
BEHIND = "Behind the answer"
BEHIND_FINDING = "Each stage with what it found; on a screen, open a stage for all its tables, figures and code."


def _stem(section: Tag) -> str:
    """The stage that a chapter is of."""
    return str(section.find("div", class_="cell")["id"]).rpartition("-")[0]  # type: ignore[index]


def _singles(soup: BeautifulSoup, sections: list[Tag]) -> Tag | None:
    """The parts that are marked as what single results can say, moved into a chapter of their own before the stages."""
    parts = [part for section in sections for part in _parts(section) if "tag-single" in part[0]["class"]]
    if not parts:
        return None
    chapter = soup.new_tag("section")
    next(s for s in sections if _stem(s) not in SEEN).insert_before(chapter)
    for cell in (cell for part in parts for cell in part):
        chapter.append(cell.extract())
    chapter.h2.name = "h1"  # type: ignore[union-attr]
    return chapter


def _gather(soup: BeautifulSoup, stages: list[Tag]) -> None:
    """The folded chapters of the stages, one level down, in one chapter."""
    behind, title = soup.new_tag("section"), soup.new_tag("h1")
    title.string = BEHIND
    stages[0].insert_before(behind)
    behind.append(title)
    for section in stages:
        for heading in section.find_all(["h1", "h2", "h3"]):
            heading.name = f"h{int(heading.name[1]) + 1}"
        fold = section.find("details", class_="chapter", recursive=False)
        fold["class"] = "stage"  # type: ignore[index]
        behind.append(section.extract())
    _fold_chapter(soup, behind, BEHIND_FINDING)


def _findings(soup: BeautifulSoup) -> dict[str, str]:
    """What each chapter found, by the stem of its stage, from the table of the report's own chapter."""
    bodies = [b for d in soup.find_all("div", class_="tag-findings") for b in d.find_all("tbody")]
    rows = [r.find_all(["th", "td"]) for body in bodies for r in body.find_all("tr")]
    return {cells[0].get_text(): cells[1].get_text() for cells in rows if len(cells) == 2}


def _fold_chapter(soup: BeautifulSoup, section: Tag, finding: str) -> None:
    """A chapter as a fold whose summary is its heading and its finding."""
    fold, summary = soup.new_tag("details", attrs={"class": "chapter"}), soup.new_tag("summary")
    heading = section.find("h1")
    if heading is not None:
        summary.append(heading.extract())
    if finding:
        told = soup.new_tag("span", attrs={"class": "finding"})
        told.string = finding
        summary.append(told)
    fold.append(summary)
    for child in list(section.children):
        fold.append(child.extract())
    section.append(fold)


def _set_aside(soup: BeautifulSoup, section: Tag) -> None:
    """Move the parts of a chapter that are not marked as leading into a fold at its end."""
    parts = _parts(section)
    rest = [p for p in parts if "tag-lead" not in p[0]["class"]]
    if not rest or len(rest) == len(parts):
        return
    fold, summary = soup.new_tag("details", attrs={"class": "more"}), soup.new_tag("summary")
    cells = [cell for part in rest for cell in part]
    heads = [str(part[0].find("h2").get_text()) for part in rest]  # type: ignore[union-attr]
    tables, figures = (sum(len(c.find_all(tag)) for c in cells) for tag in ("table", "figure"))
    summary.string = (f"The rest of this chapter ({tables} table{'' if tables == 1 else 's'}, {figures} "
                      f"figure{'' if figures == 1 else 's'}): {'; '.join(heads)}")
    fold.append(summary)
    for cell in cells:
        fold.append(cell.extract())
    setup = section.find("details", class_="setup-fold", recursive=False)
    if setup is None:
        section.append(fold)
    else:
        setup.insert_before(fold)


def _parts(section: Tag) -> list[list[Tag]]:
    """The cells of a chapter from one heading to the next, without what stands before the first and without its set-up."""
    parts: list[list[Tag]] = []
    for cell in section.find_all("div", class_="cell", recursive=False):
        if cell.find("h2") is not None:
            parts.append([])
        if parts and "setup" not in cell["class"]:
            parts[-1].append(cell)
    return parts


def _name_scroll(scroll: Tag, taken: set[str]) -> None:
    """What scrolls is named by the first words of its table's caption, which is read in full right after.

    No name is given twice (``taken``): the second one has the chapter's behind it, further ones a number too.
    """
    caption = scroll.find("caption")
    told = caption.get_text(" ", strip=True) if caption is not None else ""
    words = re.split(r"[.:;,(]", told, maxsplit=1)[0].split()[:NAMED]
    name, section = f"Table: {' '.join(words)}" if words else "Table", scroll.find_parent("section")
    chapter = section.h1.get_text(" ", strip=True) if section is not None and section.h1 is not None else ""
    beside = f"{name}, {chapter}" if chapter else name
    tries = itertools.chain((name, beside), (f"{beside} {k}" for k in itertools.count(2)))
    scroll["aria-label"] = next(t for t in tries if t not in taken)
    taken.add(str(scroll["aria-label"]))


def _shorten(soup: BeautifulSoup, scroll: Tag) -> None:
    """Leave the first rows of a long table and fold the others below it, under the same head."""
    table = scroll.find("table")
    body = table.find("tbody") if table is not None else None
    rows = body.find_all("tr", recursive=False) if body is not None else []
    few = ANALYTES if scroll.find_parent("div", class_="tag-strip") is not None else ROWS
    if table is None or len(rows) <= few:
        return
    fold, summary = soup.new_tag("details", attrs={"class": "rows"}), soup.new_tag("summary")
    summary.string = f"The other {len(rows) - SHOWN} of {len(rows)} rows"
    region = soup.new_tag("div")
    region.attrs |= scroll.attrs
    region["aria-label"] = f"{scroll['aria-label']} (continued)"
    region.append(copy(table))  # and nothing else of what stands in there: sliders have sentences and drawings beside it
    for row in region.tbody.find_all("tr", recursive=False)[:SHOWN]:  # type: ignore[union-attr]
        row.decompose()
    caption = region.find("caption")
    if caption is not None:
        caption.append(" (continued)")
    for row in rows[SHOWN:]:
        row.extract()
    fold.extend([summary, region])
    scroll.insert_after(fold)
