"""The page in layers: the answer open, one folded chapter a stage that begins with its finding, the rest folded inside.

Nothing is left out: what is folded opens with a click, by the links of the contents, or all at once by a button. Print takes
the answer and the chapters, and leaves out what is still folded inside them.
"""

from __future__ import annotations

from copy import copy

from bs4 import BeautifulSoup, Tag

ROWS = 12
"""A table of more rows shows its first ones, and folds the others."""
SHOWN = 8


def into_layers(soup: BeautifulSoup) -> None:
    """Fold every chapter but the first; in each the parts that are not marked as leading, and long tables."""
    found = _findings(soup)
    for scroll in soup.select("main div.scroll"):
        _name_scroll(scroll)
        _shorten(soup, scroll)
    for section in soup.select("main > section")[1:]:
        cells = section.find_all("div", class_="cell", recursive=False)
        stem = str(cells[0]["id"]).rpartition("-")[0]
        _set_aside(soup, section)
        _fold_chapter(soup, section, "" if stem in SEEN else found.get(stem, ""))


SEEN = ("07-report",)
"""Chapters whose finding is page one itself."""


def _findings(soup: BeautifulSoup) -> dict[str, str]:
    """What each chapter found, by the stem of its stage, from the table of the report's own chapter."""
    rows = [r.find_all(["th", "td"]) for r in soup.select("div.tag-findings tbody tr")]
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
    """Move the parts of a chapter (from one heading to the next) that are not marked as leading into a fold at its end."""
    parts: list[list[Tag]] = []
    for cell in section.find_all("div", class_="cell", recursive=False):
        if cell.find("h2") is not None:
            parts.append([])
        if parts and "setup" not in cell["class"]:
            parts[-1].append(cell)
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


def _name_scroll(scroll: Tag) -> None:
    """What scrolls is named after its table."""
    caption = scroll.find("caption")
    scroll["aria-label"] = "Table: " + caption.get_text(" ", strip=True) if caption is not None else "Table"


def _shorten(soup: BeautifulSoup, scroll: Tag) -> None:
    """Leave the first rows of a long table and fold the others below it, under the same head."""
    table, body = scroll.find("table"), scroll.find("tbody")
    rows = body.find_all("tr", recursive=False) if body is not None else []
    if table is None or len(rows) <= ROWS:
        return
    fold, summary = soup.new_tag("details", attrs={"class": "rows"}), soup.new_tag("summary")
    summary.string = f"The other {len(rows) - SHOWN} of {len(rows)} rows"
    region = copy(scroll)  # with all that is in it
    region["aria-label"] = f"{scroll['aria-label']} (continued)"
    for row in region.tbody.find_all("tr", recursive=False)[:SHOWN]:  # type: ignore[union-attr]
        row.decompose()
    caption = region.find("caption")
    if caption is not None:
        caption.append(" (continued)")
    for row in rows[SHOWN:]:
        row.extract()
    fold.extend([summary, region])
    scroll.insert_after(fold)
