"""Is a folder of pages whole: every link leads to a file and a place that are there, nothing is fetched from elsewhere."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote, urlsplit

FETCHED = {("script", "src"), ("img", "src"), ("link", "href"), ("iframe", "src"), ("source", "src"), ("video", "src"),
           ("audio", "src"), ("object", "data"), ("embed", "src"), ("image", "href"), ("use", "href"), ("form", "action")}
INSIDE = ("", "file", "data")


class _Page(HTMLParser):
    """The anchors of a page, and its links: tag, attribute, address."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.anchors: set[str] = set()
        self.links: list[tuple[str, str, str]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        for key, value in attrs:
            if key == "id" or (tag == "a" and key == "name"):
                self.anchors.add(value or "")
            if value and ((tag, key) in FETCHED or (tag in ("a", "area") and key == "href")):
                self.links.append((tag, key, value))

    handle_startendtag = handle_starttag


@cache
def _read(path: Path) -> _Page:
    return _Page(path.read_text("utf-8"))


def faults(folder: Path) -> list[str]:
    """What is wrong with the links of all pages of a folder, one sentence each."""
    _read.cache_clear()
    folder = folder.resolve()
    pages = sorted(folder.rglob("*.html"))
    return [f"{page.relative_to(folder)}: {said}" for page in pages for said in _of(page, folder)] or (
        [] if pages else ["there is no page"])


def _of(page: Path, folder: Path) -> Iterator[str]:
    for tag, key, address in _read(page).links:
        url = urlsplit(address)
        if url.scheme not in INSIDE or url.netloc:
            if (tag, key) in FETCHED:
                yield f"<{tag} {key}> fetches {address[:80]}"
        elif url.scheme == "":
            target = page if not url.path else (page.parent / unquote(url.path)).resolve()
            if not target.is_file() or not target.is_relative_to(folder):
                yield f"{address} leads nowhere"
            elif url.fragment and target.suffix == ".html" and unquote(url.fragment) not in _read(target).anchors:
                yield f"{address}: no such place in that page"
