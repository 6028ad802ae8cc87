"""The site is whole: nothing that Sphinx warns of, every page reachable, and it works and searches with the network off."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from tests.browser.pages import ARGUMENTS, CHROMIUM
from tests.course import make
from tests.site import links
from tests.site.build import build, to_html
from tests.site.pages import READERS, ROOT, _gallery, lesson, pictures


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


def test_the_main_demo_draws_every_figure_that_a_stage_can_draw():
    for book in sorted((ROOT / "notebooks").glob("0*.ipynb")):
        code = "".join("".join(c["source"]) for c in json.loads(book.read_text("utf-8"))["cells"] if c["cell_type"] == "code")
        assert code.count("kit.figure(") == len(list(pictures(book))), book.stem


@pytest.mark.slow
def test_course_and_reports_are_reached(site):
    assert 'href="reports/slurry.html"' in (site / "reports.html").read_text("utf-8")
    assert "filed" in (site / "reports/slurry.html").read_text("utf-8")
    lessons = [p.stem for p in (ROOT / "notebooks/course").glob("*.ipynb")]
    index = (site / "course/index.html").read_text("utf-8")
    assert lessons
    assert all(f'href="{name}.html"' in index for name in lessons)


@pytest.mark.slow
def test_no_link_leads_nowhere_and_nothing_is_fetched_from_elsewhere(site):
    assert links.faults(site) == []


@pytest.mark.parametrize(("body", "said"), [
    ('<a href="gone.html">', "gone.html leads nowhere"), ('<a href="#nobody">', "no such place"),
    ('<a href="b.html#gone">', "no such place"), ('<a href="../outside.html">', "leads nowhere"),
    ('<img src="https://example.org/a.png">', "fetches"), ('<script src="//example.org/a.js"></script>', "fetches"),
    ('<link rel="stylesheet" href="http://example.org/a.css">', "fetches")])
def test_each_kind_of_bad_link_is_found(tmp_path, monkeypatch, body, said):
    (tmp_path / "pages").mkdir()
    (tmp_path / "outside.html").write_text("", "utf-8")
    (tmp_path / "pages/b.html").write_text('<p id="here">', "utf-8")
    good = '<p id="here"><a href="#here"><a href="b.html#here"><a href="https://example.org/"><a href="mailto:a@b.c">'
    (tmp_path / "pages/a.html").write_text(good, "utf-8")
    assert links.faults(tmp_path / "pages") == []
    monkeypatch.chdir(tmp_path)  # as the command is given: a folder named from here
    assert links.faults(Path("pages")) == []
    (tmp_path / "pages/c.html").write_text(body, "utf-8")
    assert len(found := links.faults(tmp_path / "pages")) == 1
    assert said in found[0]
    (tmp_path / "none").mkdir()
    assert links.faults(tmp_path / "none") == ["there is no page"]


@pytest.mark.parametrize("path", sorted((ROOT / "notebooks/course").glob("*.ipynb")), ids=lambda p: p.stem)
def test_a_lesson_as_a_page_shows_what_it_is_about_and_no_answer(tmp_path, path):
    page = lesson(path, tmp_path)
    if path.stem != "10-whole-study":  # there everything hangs on the student's own design
        assert "<table" in page
    if path.stem not in ("03-margin-first", "07-physics-first", "10-whole-study"):  # their figures tell an answer
        assert "```{figure}" in page
        assert list(tmp_path.glob("*.png"))
    told = {"04-containers": ["648"], "05-random-order": ["4.11", "0.0259"], "07-physics-first": ["0.383", "0.206"]}
    assert not [a for a in told.get(path.stem, []) if a in page]
    source = (ROOT / f"tests/course/source/{path.stem}.py").read_text("utf-8")
    answers = [line.strip() for m in make.SOLUTION.finditer(source) for line in m[2].splitlines()]
    assert [a for a in answers if len(a) > 8 and a in page] == []
    assert "Right. " not in page
    assert "lesson.season(choice" not in page or "larger scatter</th>" not in page  # follows from an answer


def test_the_words_that_people_search_for_stand_in_titles_or_text(tmp_path):
    (tmp_path / "images").mkdir()
    assert _gallery(tmp_path / "images").startswith("# Gallery")
    assert "explorer" in (ROOT / "docs/01-design.md").read_text("utf-8")


def focus(page, which: str, most: int = 250) -> None:
    """Press Tab until what has the focus is one of these (a function of the element)."""
    for _ in range(most):
        page.keyboard.press("Tab")
        if page.evaluate(f"(() => {{const e = document.activeElement; return Boolean(e && ({which})(e))}})()"):
            return
    pytest.fail(f"Tab never came to {which}")


def search(page) -> None:
    """Ask the site's search by keyboard alone; on a phone its drawer comes into sight with the focus."""
    page.goto(page.url.rpartition("/")[0].removesuffix("/course") + "/index.html")
    focus(page, "e => e.name === 'q'")
    page.wait_for_function("document.activeElement.getBoundingClientRect().left >= 0")
    page.keyboard.type("sedimentation length")
    page.keyboard.press("Enter")


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
        search(page)
        page.wait_for_selector("#search-results li a")
        found = [a.get_attribute("href") for a in page.locator("#search-results li a").all()]
        focus(page, "e => e.closest('#search-results')")
        page.keyboard.press("Enter")
        page.wait_for_url(lambda url: "search.html" not in url)
        reached = page.url
        chromium.close()
    assert any(str(link).partition("?")[0] in reached for link in found)
    assert any("glossary" in str(link) for link in found)
    assert asked == []
