"""The report in a real browser, with the network off: one request, no message, layers that a person who decides can read.

Accessibility is judged by axe-core (rules of WCAG 2.2); a page spoiled on purpose shows that it is asked.
"""

from __future__ import annotations

import io
import re

import pytest

from studykit.demos.shipped import copy_demo
from studykit.physics.figures import COLOURS
from studykit.report.make import make_report
from studykit.report.page import write_report
from studykit.study.definition import load_study
from studykit.study.stages import share, stems_in
from tests.browser.pages import CHROMIUM, HEADED, UNFOLD, WIDE, chromium, opened, orphans, printed, violations
from tests.report.filed import filed_tote

SCREEN = 900
QUESTIONS = ("Is it all right?", "What to do?", "Which containers?", "How sure is that?", "What is unknown?")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine")


@pytest.fixture(scope="module")
def page_file(tmp_path_factory):
    """The report of the stored notebooks, so that nothing has to be run."""
    folder = share("notebooks")
    books = [folder / f"{s}.ipynb" for s in stems_in(folder)]
    return write_report(tmp_path_factory.mktemp("page"), books, load_study(share("demo_data") / "ropeway"))


@pytest.fixture(scope="module")
def tote_file():
    """The report of one container and three samples."""
    return filed_tote() / "report/report.html"


@pytest.fixture(scope="module")
def browser():
    with chromium() as found:
        yield found


def answered(page) -> dict[str, str]:
    """Each question that page one shows, with the text of its answer."""
    told, question = {}, ""
    for text in page.locator("main > section:first-of-type .tag-questions p").all_inner_texts():
        asked = re.match(r"[A-Z][^.:]*?\?", text)
        question = asked[0] if asked else question
        told[question] = told.get(question, "") + text.removeprefix(question)
    return told


@pytest.mark.few(1)
@pytest.mark.parametrize("width", [390, 1280])
def test_the_page_stands_alone_and_fits(browser, page_file, width):
    page, seen = opened(browser, page_file, width)
    assert seen == {"requests": [page_file.as_uri()], "messages": []}
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.evaluate(WIDE) == []
    quote = page.locator("main blockquote").first
    assert quote.inner_text().startswith("Stratified: silicon")
    assert quote.bounding_box()["y"] < 300
    page.evaluate(UNFOLD)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    if width < 400:  # a wider screen lets a wide table scroll
        assert page.evaluate(WIDE) == []
    images = page.evaluate("[...document.images].map(i => [i.alt.length, i.naturalWidth, "
                           "i.closest('figure').getBoundingClientRect().width])")
    assert len(images) > 5
    assert all(alt > 20 and natural > 100 and shown <= width for alt, natural, shown in images)


@pytest.mark.slow
@pytest.mark.parametrize(("width", "scheme"), [(360, "light"), (390, "dark"), (768, "light")])
def test_no_figure_scrolls_and_phones_get_those_drawn_for_them(browser, tote_file, width, scheme):
    page, _ = opened(browser, tote_file, width, scheme)
    page.evaluate(UNFOLD)
    page.evaluate("Promise.all([...document.images].map(i => i.decode()))")
    assert page.evaluate("[...document.querySelectorAll('figure')].filter(f => f.scrollWidth > f.clientWidth).length") == 0
    shown = page.evaluate("""[...document.images].map(i => [i.getBoundingClientRect().width, i.naturalWidth,
      !!i.closest('picture'), i.currentSrc === i.src])""")
    assert len(shown) > 10
    assert all(natural > 100 and across > (0.9 if width < 400 else 0.75) * natural for across, natural, *_ in shown)
    assert width > 400 or all(natural < 350 and wide == (not twice) for _, natural, twice, wide in shown)


@pytest.fixture(scope="module", params=["slip", "beacon", "forge"])
def other_file(request, tmp_path_factory):
    """The report of another demo, made for this test: minutes each."""
    root = copy_demo(request.param, tmp_path_factory.mktemp("demo") / request.param)
    make_report(root, lambda _: None)
    return root / "report/report.html"


def sheets_of_a_good_layer_one(browser, file):
    """The printed pages of a report whose first page is what it has to be, on a screen and in print."""
    page, seen = opened(browser, file, 1280)
    assert seen == {"requests": [file.as_uri()], "messages": []}
    assert page.evaluate("document.querySelector('main > section').getBoundingClientRect().bottom") <= 2 * SCREEN
    told = answered(page)
    assert tuple(told) == QUESTIONS
    assert all(len(text.split()) >= 3 for text in told.values())
    assert page.evaluate("(b => b.scrollWidth <= b.clientWidth)(document.querySelector('.tag-strip .scroll'))")
    pages = printed(page)
    assert next(k for k, text in enumerate(pages) if "The answer in detail" in text) <= 2
    assert orphans(pages, page.evaluate(HEADED)) == []
    return pages


@pytest.mark.slow
def test_the_other_demos_answer_on_layer_one_and_print_on_twenty_pages(browser, other_file):
    assert len(sheets_of_a_good_layer_one(browser, other_file)) <= 20


LONG_MARGINS = """() => { const box = document.querySelector('.tag-strip .scroll');
  box.querySelectorAll('tbody td:nth-of-type(3)').forEach(d => { d.textContent = '0.3 pH below the mixed container' });
  return [box.scrollWidth, box.clientWidth] }"""


@pytest.mark.few(1)
@pytest.mark.parametrize("width", [768, 1024, 1280])
def test_the_table_of_page_one_is_never_cut_however_long_a_margin_is_told(browser, page_file, width):
    page, _ = opened(browser, page_file, width)
    needed, there = page.evaluate(LONG_MARGINS)
    assert page.locator(".tag-strip tbody td", has_text="0.3 pH below the mixed container").count() == 8
    assert needed <= there


def test_what_runs_off_would_be_seen(browser, page_file):
    page, _ = opened(browser, page_file, 390)
    page.evaluate("document.querySelector('blockquote').style.width = '700px'")
    assert page.evaluate(WIDE)


@pytest.mark.parametrize("name", [pytest.param("page_file", marks=pytest.mark.slow), "tote_file"])
def test_page_one_answers_five_questions_on_two_screens(browser, name, request):
    page, _ = opened(browser, request.getfixturevalue(name), 1280)
    told = answered(page)
    assert tuple(told) == QUESTIONS
    assert all(len(text.split()) >= 3 for text in told.values())
    assert page.locator("main details.chapter[open]").count() == 0
    assert page.evaluate("document.querySelector('main > section').getBoundingClientRect().bottom") <= 2 * SCREEN
    marks = page.locator("svg.strip").count()
    assert marks == 1 + page.locator(".tag-strip tbody tr").count()


@pytest.mark.parametrize(("name", "most"), [pytest.param("page_file", 20, marks=pytest.mark.slow), ("tote_file", 6)])
def test_it_prints_the_answer_on_two_pages_and_leaves_out_what_is_folded_inside_chapters(browser, name, most, request):
    page, _ = opened(browser, request.getfixturevalue(name), 1280)
    pages = printed(page)
    assert len(pages) <= most
    assert "Stratified: silicon" in pages[0]
    assert "The answer in detail" not in "".join(pages[:1])
    assert any("The answer in detail" in text for text in pages[1:3])
    whole = " ".join(" ".join(pages).split())
    assert "Cautions" in whole
    assert "kit.open_stage" not in whole
    assert page.locator("main details.chapter[open]").count() == 0  # folded again afterwards


@pytest.mark.parametrize("name", [pytest.param("page_file", marks=pytest.mark.slow), "tote_file"])
def test_no_table_head_is_printed_without_a_row(browser, name, request):
    page, _ = opened(browser, request.getfixturevalue(name), 1280)
    assert orphans(printed(page), page.evaluate(HEADED)) == []


@pytest.mark.parametrize(("pages", "alone"), [
    (["a Rows lost file row R1 12", "b"], []), (["a Rows lost file row", "R1 12 b"], ["Rows lost"]), (["a", "b"], [])])
def test_a_head_without_a_row_would_be_seen(pages, alone):
    assert orphans(pages, [["Rows lost", "R1 12"]]) == alone


@pytest.mark.slow
def test_in_print_tall_drawings_keep_letters_that_can_be_read(browser, page_file):
    """Of what is printed without unfolding. Drawn at 7 points and more; 5 is about the least (common practice, no source)."""
    page, _ = opened(browser, page_file, 1280)
    page.evaluate(UNFOLD)
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 680, "height": 1000})  # 180 mm, what A4 leaves between its margins
    tall = page.evaluate("""[...document.querySelectorAll('figure.tall img')].filter(i => !i.closest('details.more')).map(
      i => [i.getBoundingClientRect().width / i.getAttribute('width'), i.getBoundingClientRect().height])""")
    assert len(tall) > 1
    assert all(scale > 5 / 7 and high < 263 / 25.4 * 96 for scale, high in tall)


def luminance(colour):
    """WCAG 2.2, relative luminance."""
    parts = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in (x / 255 for x in colour[:3])]
    return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]


SHOT = """() => { const i = document.querySelector('figure img'); i.src = 'data:image/svg+xml,' + encodeURIComponent(
  '<svg xmlns="http://www.w3.org/2000/svg" width="80" height="10">' + %s.map((c, k) =>
  `<rect x="${10 * k}" width="10" height="10" fill="${c}"/>`).join('') + '</svg>');
  i.closest('picture')?.querySelector('source')?.remove(); i.width = 80; i.style.height = '10px'; return i.decode() }"""


def test_on_a_dark_page_drawings_are_dark_and_their_colours_are_told_apart(browser, page_file):
    """Ink at 4.5 to 1, and the six colours of Okabe and Ito at 3 to 1 (WCAG 2.2, 1.4.3 and 1.4.11), measured as shown."""
    from PIL import Image

    colours = ["#ffffff", "#1d2733", *COLOURS]
    page, _ = opened(browser, page_file, 1280, "dark")
    page.evaluate(UNFOLD)
    page.evaluate(SHOT % colours)
    with Image.open(io.BytesIO(page.locator("figure img").first.screenshot())) as shot:
        paper, ink, *series = [luminance(shot.convert("RGB").getpixel((10 * k + 5, 5))) for k in range(8)]
    body = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert abs(paper - luminance([int(x) for x in re.findall(r"\d+", body)])) < 0.005  # no card of another colour
    assert (ink + 0.05) / (paper + 0.05) > 4.5
    assert all((s + 0.05) / (paper + 0.05) > 3 for s in series)


@pytest.mark.slow
def test_in_print_no_question_runs_into_its_answer(browser, tote_file):
    page, _ = opened(browser, tote_file, 1280)
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 680, "height": 1000})  # 180 mm, what A4 leaves between its margins
    over = page.evaluate("""() => {
      const wide = b => { const r = document.createRange(); r.selectNodeContents(b); return r.getBoundingClientRect().width };
      return [...document.querySelectorAll('.tag-questions strong:first-child')].filter(
        b => wide(b) > parseFloat(getComputedStyle(b.parentElement).paddingLeft)).map(b => b.textContent) }""")
    assert over == []
    assert page.locator(".tag-questions strong:first-child").count() == 5


@pytest.mark.slow
def test_one_container_prints_what_single_results_can_say_and_every_stage_with_its_finding(browser, tote_file):
    page, _ = opened(browser, tote_file, 1280)
    assert page.evaluate("[...document.querySelectorAll('nav a')].map(a => a.textContent)") == [
        "The answer", "The answer in detail", "What single results can say", "Behind the answer"]
    whole = " ".join(" ".join(printed(page)).split())
    assert "One container judged by known precision" in whole
    found = page.evaluate("[...document.querySelectorAll('details.stage')].map(d => d.querySelector('summary').textContent)")
    assert len(found) == 7
    assert all(" ".join(text.split())[-40:] in whole for text in found)
    assert "Residuals against normal scores" not in whole  # of the model's chapter, folded


@pytest.mark.parametrize("name", [pytest.param("page_file", marks=pytest.mark.slow), "tote_file"])
def test_everything_is_reachable_by_two_buttons(browser, name, request):
    page, _ = opened(browser, request.getfixturevalue(name), 1280)
    folds, code = page.locator("main details:not(.code)"), page.locator("details.code")
    assert folds.count() > 20
    assert code.count() > 30
    assert page.locator("details[open]").count() == 0
    page.get_by_role("button", name="Unfold everything").click()
    assert page.locator("main details:not(.code)[open]").count() == folds.count()
    assert page.locator("details.code[open]").count() == 0
    page.get_by_role("button", name="Unfold all code").click()
    assert page.locator("details[open]").count() == folds.count() + code.count()
    page.get_by_role("button", name="Fold all code").click()
    page.get_by_role("button", name="Fold everything").click()
    assert page.locator("details[open]").count() == 0


def test_a_long_table_shows_its_first_rows_and_folds_the_others_under_the_same_head(browser, page_file):
    page, _ = opened(browser, page_file, 1280)
    cut = page.evaluate("""[...document.querySelectorAll('details.rows')].map(d => {
      const before = d.previousElementSibling, heads = t => [...t.querySelectorAll('thead th')].map(h => h.textContent).join();
      return [before.querySelectorAll('tbody tr').length, d.querySelectorAll('tbody tr').length,
              heads(before) === heads(d), d.querySelector('summary').textContent]})""")
    assert len(cut) > 10
    assert all(first == 8 and rest > 4 and same and told == f"The other {rest} of {first + rest} rows"
               for first, rest, same, told in cut)


def test_every_entry_of_the_contents_unfolds_its_chapter(browser, page_file):
    page, _ = opened(browser, page_file, 1280)
    broken = page.evaluate("[...document.querySelectorAll('nav a')].filter(a => "
                           "!document.getElementById(a.getAttribute('href').slice(1))).map(a => a.textContent)")
    assert broken == []
    page.locator("nav a", has_text="Quality").click()
    page.wait_for_function("window.scrollY > 0")
    assert page.locator("details.chapter[open] > summary h2").inner_text() == "Quality"


@pytest.mark.slow
@pytest.mark.parametrize(("width", "scheme"), [(390, "light"), (768, "dark"), (1280, "light"), (1280, "dark")])
def test_axe_finds_nothing_on_the_folded_page(browser, page_file, width, scheme):
    page, _ = opened(browser, page_file, width, scheme)
    assert violations(page) == []


@pytest.mark.slow
@pytest.mark.parametrize(("width", "scheme"), [pytest.param(390, "dark", marks=pytest.mark.slow), (1280, "light")])
def test_axe_finds_nothing_where_everything_is_unfolded(browser, tote_file, width, scheme):
    page, _ = opened(browser, tote_file, width, scheme)
    page.evaluate(UNFOLD)
    assert violations(page) == []


@pytest.mark.slow
def test_axe_would_find_faults(browser, tote_file):
    page, _ = opened(browser, tote_file, 1280)
    page.evaluate("""document.documentElement.removeAttribute('lang'); document.querySelector('img').removeAttribute('alt');
      document.querySelector('details.chapter').open = true; document.querySelector('blockquote').style.color = '#ddd'""")
    assert {v.partition(":")[0] for v in violations(page)} >= {"html-has-lang", "color-contrast", "image-alt"}
