"""The site is whole: nothing that Sphinx warns of, every page reachable, and it works and searches with the network off."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.browser.pages import ARGUMENTS, CHROMIUM
from tests.site.build import build, to_html
from tests.site.pages import READERS, ROOT, pictures


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    """The site with the page of one filed study beside it."""
    made = tmp_path_factory.mktemp("site")
    study = made / "slurry"
    (study / "report").mkdir(parents=True)
    (study / "report/report.html").write_text("<!doctype html><title>filed</title>", "utf-8")
    assert build(made / "html", {"An invented slurry": study}) == ""
    return made / "html"


def test_every_page_of_the_docs_has_its_reader():
    listed = {page for _, pages in READERS for page in pages}
    assert {str(p.relative_to(ROOT / "docs").with_suffix("")) for p in (ROOT / "docs").rglob("*.md")} <= listed


@pytest.mark.slow
def test_a_broken_link_and_a_page_nobody_reaches_are_said(tmp_path):
    source = tmp_path / "source"
    (source / "_extra").mkdir(parents=True)
    (source / "_static").mkdir()
    shutil.copy(ROOT / "docs/glossary.md", source / "lost.md")
    (source / "index.md").write_text("# One page\n\n[nowhere](gone.md)\n", "utf-8")
    said = to_html(source, tmp_path / "html")
    assert "gone.md" in said
    assert "lost.md" in said


@pytest.mark.slow
def test_every_stored_figure_stands_in_the_gallery_with_its_lines(site):
    page = (site / "gallery.html").read_text("utf-8")
    found = [p for book in sorted((ROOT / "notebooks").glob("0*.ipynb")) for p in pictures(book)]
    assert len(found) > 10
    assert page.count("<figure") == len(found)
    assert all(p.alt and p.caption and "kit.figure(" in p.source for p in found)


@pytest.mark.slow
def test_course_and_reports_are_reached(site):
    assert 'href="reports/slurry.html"' in (site / "reports.html").read_text("utf-8")
    assert "filed" in (site / "reports/slurry.html").read_text("utf-8")
    lessons = [p.stem for p in (ROOT / "notebooks/course").glob("*.ipynb")]
    index = (site / "course/index.html").read_text("utf-8")
    assert lessons
    assert all(f'href="{name}.html"' in index for name in lessons)


@pytest.mark.slow
@pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine")
@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (390, "dark")])
def test_it_reads_and_searches_offline(site, width, scheme):
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        chromium = play.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        page = chromium.new_context(viewport={"width": width, "height": 900}, offline=True, color_scheme=scheme).new_page()
        asked: list[str] = []
        page.on("request", lambda r: asked.append(r.url) if not r.url.startswith(("file:", "data:")) else None)
        for name in ("index", "gallery", "api", "06-verdict", "course/04-containers"):
            page.goto(Path(site / f"{name}.html").as_uri())
            assert page.evaluate("document.documentElement.scrollWidth") <= width, name
        box = page.locator("input[name=q]:visible")
        if not box.count():  # on a phone the search stands in the drawer
            page.locator("label[for=__navigation]:visible").first.click()
        box.first.fill("sedimentation length")
        box.first.press("Enter")
        page.wait_for_selector("#search-results li a")
        found = [a.get_attribute("href") for a in page.locator("#search-results li a").all()]
        chromium.close()
    assert any("glossary" in str(link) for link in found)
    assert asked == []
