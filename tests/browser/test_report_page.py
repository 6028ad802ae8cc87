"""The report in a real browser, with the network off: one request, no message, readable at desktop and phone width."""

from __future__ import annotations

import io
import shutil

import pytest

from studykit.report.page import write_report
from studykit.study.definition import load_study
from studykit.study.stages import share, stems_in

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
             "--disable-component-update", "--disable-sync"]

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine")


@pytest.fixture(scope="module")
def page_file(tmp_path_factory):
    """The report of the stored notebooks, so that nothing has to be run."""
    folder = share("notebooks")
    books = [folder / f"{s}.ipynb" for s in stems_in(folder)]
    return write_report(tmp_path_factory.mktemp("page"), books, load_study(share("demo_data") / "ropeway"))


@pytest.fixture(scope="module")
def browser():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        chromium = play.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield chromium
        chromium.close()


def opened(browser, page_file, width):
    context = browser.new_context(viewport={"width": width, "height": 900}, offline=True)
    page = context.new_page()
    seen: dict[str, list[str]] = {"requests": [], "messages": []}
    page.on("request", lambda r: seen["requests"].append(r.url) if not r.url.startswith("data:") else None)
    page.on("console", lambda m: seen["messages"].append(m.text))
    page.on("pageerror", lambda e: seen["messages"].append(str(e)))
    page.goto(page_file.as_uri())
    return page, seen


@pytest.mark.parametrize("width", [1280, 390])
def test_the_page_stands_alone_and_fits(browser, page_file, width):
    page, seen = opened(browser, page_file, width)
    assert seen == {"requests": [page_file.as_uri()], "messages": []}
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    quote = page.locator("main blockquote").first
    assert quote.inner_text().startswith("Stratified: silicon")
    assert quote.bounding_box()["y"] < 900
    images = page.evaluate("[...document.images].map(i => [i.alt.length, i.naturalWidth, "
                           "i.closest('figure').getBoundingClientRect().width])")
    assert len(images) > 5
    assert all(alt > 20 and natural > 100 and shown <= width for alt, natural, shown in images)


def test_code_is_folded_and_one_button_unfolds_it(browser, page_file):
    page, _ = opened(browser, page_file, 1280)
    folds = page.locator("details.code")
    assert folds.count() > 30
    assert page.locator("details.code[open]").count() == 0
    page.get_by_role("button", name="Unfold all code").click()
    assert page.locator("details.code[open]").count() == folds.count()
    page.get_by_role("button", name="Fold all code").click()
    assert page.locator("details.code[open]").count() == 0


def test_every_entry_of_the_contents_leads_somewhere(browser, page_file):
    page, _ = opened(browser, page_file, 1280)
    broken = page.evaluate("[...document.querySelectorAll('nav a')].filter(a => "
                           "!document.getElementById(a.getAttribute('href').slice(1))).map(a => a.textContent)")
    assert broken == []
    page.locator("nav a", has_text="What follows").first.click()
    assert page.evaluate("window.scrollY") > 0


def test_it_prints_as_pages_without_folded_code(browser, page_file):
    import pypdfium2

    page, _ = opened(browser, page_file, 1280)
    pdf = pypdfium2.PdfDocument(io.BytesIO(page.pdf(prefer_css_page_size=True)))
    assert 8 < len(pdf) < 120
    first = pdf[1].get_textpage().get_text_bounded() + pdf[0].get_textpage().get_text_bounded()
    assert "Stratified: silicon" in first
    assert "kit.open_stage" not in "".join(p.get_textpage().get_text_bounded() for p in pdf)
