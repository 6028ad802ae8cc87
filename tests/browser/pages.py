"""A report's page in a real Chromium with the network off: opening it, what runs off the screen, what it prints."""

from __future__ import annotations

import io
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
             "--disable-component-update", "--disable-sync"]
UNFOLD = "document.querySelectorAll('details').forEach(d => {d.open = true})"
WIDE = """() => [...document.querySelectorAll('body *')].filter(e => {
  const box = e.getBoundingClientRect();
  return box.width && box.right > innerWidth + 1 && e.checkVisibility() && !e.closest('figure, .unseen, thead, .skip, .math')
}).map(e => e.tagName + ' ' + e.textContent.slice(0, 60))"""
"""What reaches beyond the right edge; drawings may, inside their figure, which scrolls by touch and by keyboard."""


@contextmanager
def chromium() -> Iterator[Any]:
    """The machine's own Chromium, closed at the end."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield browser
        browser.close()


def opened(browser: Any, file: Path, width: int, scheme: str = "light") -> tuple[Any, dict[str, list[str]]]:
    """The page at a width, and the requests and messages that it caused."""
    context = browser.new_context(viewport={"width": width, "height": 900}, offline=True, color_scheme=scheme)
    page = context.new_page()
    seen: dict[str, list[str]] = {"requests": [], "messages": []}
    page.on("request", lambda r: seen["requests"].append(r.url) if not r.url.startswith("data:") else None)
    page.on("console", lambda m: seen["messages"].append(m.text))
    page.on("pageerror", lambda e: seen["messages"].append(str(e)))
    page.goto(file.as_uri())
    return page, seen


def printed(page: Any) -> list[str]:
    """The text of each page of A4 that the browser prints."""
    import pypdfium2

    pdf = pypdfium2.PdfDocument(io.BytesIO(page.pdf(prefer_css_page_size=True)))
    return [p.get_textpage().get_text_bounded() for p in pdf]


def violations(page: Any) -> list[str]:
    """What axe-core finds against WCAG 2.2 A and AA and its own best practices: rule, number of places, the first of them."""
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page).response["violations"]
    return [f"{v['id']}: {len(v['nodes'])}, {v['nodes'][0]['html'][:160]}" for v in found]


CLOSED = re.compile(r"\s+")
HEADED = """() => [...document.querySelectorAll('main table')].filter(t => t.caption && t.tBodies[0].rows.length).map(
  t => [t.caption.textContent, t.tBodies[0].rows[0].textContent])"""
"""Of every table its caption and its first row."""


def squeezed(text: str) -> str:
    """A text without blanks: a printed one has them elsewhere."""
    return CLOSED.sub("", text)


def orphans(pages: list[str], tables: list[list[str]]) -> list[str]:
    """Captions of tables whose first row does not stand on the page of their caption, of printed pages and ``HEADED``."""
    texts, alone = list(map(squeezed, pages)), []
    for caption, row in tables:
        begins, first = squeezed(caption), squeezed(row)[:6]  # a cell may break at a hyphen
        rest = next((t.split(begins, 1)[1] for t in texts if begins in t), first)  # what is not printed has no place
        alone += [caption] * (first not in rest)
    return alone
