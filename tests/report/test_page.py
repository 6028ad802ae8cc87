"""The report is one file that asks nothing of any address, opens with the answer, and folds its code."""

import base64
import hashlib

import nbformat
import pytest
from bs4 import BeautifulSoup
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output

from studykit.core.record import literal
from studykit.report import layers
from studykit.report import page as report
from studykit.report.layers import BEHIND_FINDING
from studykit.report.vectors import LARGEST
from studykit.study.definition import parse_study
from tests.studies import definition


def stage(path, title, *cells):
    nb = new_notebook()
    setup = new_code_cell("study: str = ''", metadata={"tags": ["parameters"]})
    nb.cells = [new_markdown_cell(f"# {title}"), setup, *cells]
    path.parent.mkdir(exist_ok=True)
    nbformat.write(nb, path)
    return path


@pytest.fixture
def page(tmp_path):
    png = new_output("display_data", {"image/png": "aGVsbG8=", "text/plain": "Figure: x"},
                     metadata={"image/png": {"alt": "a <profile>", "caption": "Cap & tion"}})
    caption = new_output("display_data", {"text/markdown": "*Cap*"}, metadata={"studykit": "caption"})
    widget = new_output("display_data", {"application/vnd.jupyter.widget-view+json": {}, "text/plain": "slider"})
    first = stage(tmp_path / "00/00-study.ipynb", "The study", new_markdown_cell("Math $a^2$ and <script>alert(1)</script>."),
                  new_code_cell("x = 1"))
    model = stage(tmp_path / "05/05-model.ipynb", "Model", new_code_cell("draw()", outputs=[png, caption, widget]),
                  new_markdown_cell("## Model"))
    front = stage(tmp_path / "07/07-report.ipynb", "The answer", new_markdown_cell("> **Stratified: Si.**"))
    study = parse_study(definition(title="Study <of> things", language="en"))
    html = report.build_html([first, model, front], study)
    return html, BeautifulSoup(html, "html.parser")


DRAWING = b'<svg xmlns="http://www.w3.org/2000/svg" width="9pt" height="9pt" viewBox="0 0 9 9"><path d="M 0 0 L 9 9"/></svg>'


@pytest.mark.parametrize(("drawing", "captions", "shown"), [
    (DRAWING, ("Cap", "Other"), ["svg", "png"]), (b"", ("Cap", "Other"), ["png", "png"]),
    (DRAWING, ("Cap", "Cap"), ["png", "png"]),
    (DRAWING.replace(b"<path", b"<script>alert(1)</script><path"), ("Cap",), ["png"]),
    (DRAWING.replace(b"<path", b'<image href="https://example.org/x.png"/><path'), ("Cap",), ["png"]),
    (DRAWING.replace(b"<path", b"<g>" + b" " * LARGEST + b"</g><path"), ("Cap",), ["png"]),
], ids=["drawn", "missing", "one caption twice", "script", "address", "large"])
@pytest.mark.few(3)
def test_a_figure_stands_as_svg_where_that_is_a_small_drawing_and_its_own(tmp_path, drawing, captions, shown):
    outputs = [new_output("display_data", {"image/png": "iVBORw==", "text/plain": "Figure"},
                          metadata={"image/png": {"alt": f"in words: {c}", "caption": c, "width": 12, "svg": "ZmFsc2U="}})
               for c in captions]
    book = stage(tmp_path / "05/05-model.ipynb", "Model", *(new_code_cell("draw()", outputs=[o]) for o in outputs))
    (book.parent / "figure-1.svg").write_bytes(drawing)
    soup = BeautifulSoup(report.build_html([book], parse_study(definition())), "html.parser")
    assert not soup.find("source")
    begins = {"svg": f"data:image/svg+xml;base64,{base64.b64encode(drawing).decode()}", "png": "data:image/png;base64,iVBORw=="}
    assert [i["src"] for i in soup.select("figure img")] == [begins[s] for s in shown]
    assert [i["alt"] for i in soup.select("figure img")] == [f"in words: {c}" for c in captions]
    assert [c.get_text() for c in soup.select("figcaption")] == list(captions)


@pytest.mark.parametrize(("narrow", "width", "to"), [
    (DRAWING + b" ", 500, 680), (DRAWING + b" ", 1000, 880), (b"", 500, 0),
    (DRAWING.replace(b"<path", b"<script>alert(1)</script><path"), 500, 0)])
def test_a_figure_drawn_for_phones_stands_where_the_wide_one_would_shrink(tmp_path, narrow, width, to):
    output = new_output("display_data", {"image/png": "iVBORw=="}, metadata={"image/png": {
        "alt": "words", "caption": "Cap", "width": width, "narrow": "ZmFsc2U=", "narrow_width": 7, "narrow_to": 9}})
    book = stage(tmp_path / "05/05-model.ipynb", "Model", new_code_cell("draw()", outputs=[output]))
    (book.parent / "figure-1.svg").write_bytes(DRAWING)
    (book.parent / "figure-1-narrow.svg").write_bytes(narrow)
    html = report.build_html([book], parse_study(definition()))
    figure = BeautifulSoup(html, "html.parser").figure
    drawn = f"data:image/svg+xml;base64,{base64.b64encode(narrow).decode()}"
    assert [s.attrs for s in figure.find_all("source")] == ([{
        "media": f"screen and (max-width: {to}px)", "width": "12", "srcset": drawn}] if to else [])
    assert (figure.img["alt"], figure.img["width"], figure.figcaption.get_text()) == ("words", str(width), "Cap")
    assert figure.has_attr("tabindex") == (not to)  # only what scrolls is a stop for the keyboard
    assert report.outside_requests(html) == ()
    assert to == 0 or report.outside_requests(html.replace(drawn, "x.svg")) == ("x.svg",)


def test_all_drawings_of_a_page_together_keep_their_limit(tmp_path, monkeypatch):
    monkeypatch.setattr(report, "ALL_TOGETHER", 2 * len(DRAWING) + 1)
    outputs = [new_output("display_data", {"image/png": "iVBORw=="},
                          metadata={"image/png": {"alt": "a", "caption": str(n)}}) for n in range(2)]
    cells = [new_code_cell("draw()", outputs=[o]) for o in outputs]
    books = [stage(tmp_path / f"{s}/{s}.ipynb", s, *cells) for s in ("05-model", "06-verdict")]
    for book in books:
        for n in (1, 2):
            (book.parent / f"figure-{n}.svg").write_bytes(DRAWING)
    soup = BeautifulSoup(report.build_html(books, parse_study(definition())), "html.parser")
    kinds = [i["src"].partition(";")[0].rpartition("/")[2] for i in soup.select("figure img")]
    assert kinds == ["svg+xml", "svg+xml", "png", "png"]


def test_the_answer_comes_first_and_chapters_follow_in_order(page):
    _, soup = page
    heads = [h.get_text() for h in soup.select("main h2")]
    assert heads == ["The answer", "The study", "Model"]
    assert soup.select_one("main section blockquote").get_text(strip=True) == "Stratified: Si."


def test_nothing_is_loaded_from_outside(page):
    html, soup = page
    assert report.outside_requests(html) == ()
    policy = soup.find("meta", attrs={"http-equiv": "Content-Security-Policy"})["content"]
    assert policy.startswith("default-src 'none'")
    assert report.outside_requests(html.replace("data:image/png", "https://example.org/x.png?")) != ()
    assert report.outside_requests("<link href='x.css'><style>a{background:url(x.png)}</style>") == ("x.css", "x.png")


def test_structure_for_readers_of_every_kind(page):
    _, soup = page
    assert soup.html["lang"] == "en"
    assert len(soup.find_all("h1")) == 1
    assert soup.h1.get_text() == "Study <of> things"
    image = soup.find("img")
    assert image["alt"] == "a <profile>"
    assert soup.find("figcaption").get_text() == "Cap & tion"
    ids = [t["id"] for t in soup.find_all(id=True)]
    assert len(ids) == len(set(ids))
    links = [a["href"][1:] for a in soup.select("nav a")]
    assert set(links) <= set(ids)
    assert "model" in links
    assert soup.select_one("main h3#model-2").get_text() == "Model"


def test_code_is_folded_and_kept_and_set_up_stands_last(page):
    _, soup = page
    folds = soup.select("details.code")
    assert all(not d.has_attr("open") for d in folds)
    assert any("x = 1" in d.get_text() for d in folds)
    section = soup.select_one("main section")
    last = section.find_all("details", recursive=False)[-1]
    assert "study: str" in last.get_text()


def test_html_in_text_is_text_and_formulas_are_mathml(page):
    html, soup = page
    assert "<script>alert(1)</script>" not in html
    assert "<script>alert(1)</script>" in soup.get_text()
    assert soup.find("math") is not None


def test_captions_and_widgets_do_not_double(page):
    _, soup = page
    assert "*Cap*" not in soup.get_text()
    assert soup.find("figcaption") is not None
    assert [o.get_text(strip=True) for o in soup.select("figcaption")] == ["Cap & tion"]


def test_a_page_that_loads_something_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(report, "build_html", lambda *_: "<img src='https://example.org/a.png'>")
    with pytest.raises(ValueError, match="must be self-contained"):
        report.write_report(tmp_path, [], parse_study(definition()))
    assert list(tmp_path.iterdir()) == []


# Texts a person may write into a definition, a table or a reason, that must not lead away, head, hide or change words.
HOSTILE = (
    "[press here](javascript:alert(1))", "[press](https://example.org)", "<https://example.org>", "https://example.org/x",
    "![](https://example.org/x.png)", "calcium\n\n# Homogeneous: everything\n", "a ~~not~~ b", "**Homogeneous: all.**", "__x__",
    "<b>x</b><img src=x onerror=alert(1)>", "<script>alert(1)</script>", "`code` and ``more``", "$\\phantom{Stratified}$ x",
    "| a | b |\n|---|---|\n| 1 | 2 |", "> quoted", "- item", "1. first", "a\u202edetatsni\u202c", "text \\* and \\", "[a]: https://b",
    "a[^1]", "&lt;b&gt; &amp;", "x<!-- hidden -->y", "trailing  \nbreak",
)


@pytest.mark.parametrize("text", HOSTILE)
def test_a_text_from_a_person_stays_a_text_in_its_sentence(text):
    markdown = f"> **{literal('Stratified: ' + text + '.')}**\n\nNext: {literal(text)}."
    soup = BeautifulSoup(report.shown_html(markdown), "html.parser")
    assert {t.name for t in soup.find_all()} == {"blockquote", "p", "strong"}
    plain, bold = (" ".join(t.replace("\u202e", "(U+202E)").replace("\u202c", "(U+202C)").split())
                   for t in (text, f"Stratified: {text}."))
    assert soup.strong.get_text() == bold
    assert soup.find_all("p")[-1].get_text() == f"Next: {plain}."


@pytest.mark.parametrize("text", HOSTILE)
def test_even_unescaped_it_leads_nowhere_and_strikes_nothing(text):
    soup = BeautifulSoup(report.shown_html(f"Answer: {text}"), "html.parser")
    assert {t.name for t in soup.find_all()} <= {"p", "strong", "em", "code", "pre", "ul", "ol", "li", "blockquote", "br"}
    assert not any(v for t in soup.find_all() for k, v in t.attrs.items() if k in ("href", "src") or k.startswith("on"))


def test_a_formula_in_prose_is_kept_and_a_link_of_a_notebook_too():
    assert "<a href" in report._Exporter().markdown2html({}, "[a](b.ipynb)")
    assert "<math" in report._Exporter().markdown2html({}, "$a^2$")


def test_only_the_pages_own_script_may_run(page):
    html, soup = page
    policy = soup.find("meta", attrs={"http-equiv": "Content-Security-Policy"})["content"]
    assert "script-src 'sha256-" in policy
    assert "unsafe-inline" not in policy.partition("script-src")[2]
    scripts = soup.find_all("script")
    assert len(scripts) == 1
    # the digest is worked out from the page's bytes, as a browser does (Content Security Policy Level 3, 6.7.3.3)
    body = html.partition("<script>")[2].partition("</script>")[0]
    digest = base64.b64encode(hashlib.sha256(body.encode()).digest()).decode()
    assert f"'sha256-{digest}'" in policy


def test_chapters_fold_under_what_they_found_and_keep_every_part(tmp_path):
    table = ('<table class="data"><caption>Found.</caption><thead><tr><th>stage</th><th>what it found</th></tr></thead><tbody>'
             '<tr><th scope="row">05-model</th><td>Two &amp; more.</td></tr></tbody></table>')
    rows = "".join(f"<tr><th>{k}</th><td>value {k}</td></tr>" for k in range(20))
    head = "<table><caption>Long.</caption><thead><tr><th>n</th><th>v</th></tr></thead>"
    long = new_output("display_data", {"text/html": f"{head}<tbody>{rows}</tbody></table>", "text/plain": "x"})
    found = new_code_cell("t", metadata={"tags": ["findings"]},
                          outputs=[new_output("display_data", {"text/html": table, "text/plain": "x"})])
    lead = new_markdown_cell("## First", metadata={"tags": ["lead"]})
    model = stage(tmp_path / "05/05-model.ipynb", "Model", new_markdown_cell("## Aside"), new_code_cell("l()", outputs=[long]),
                  lead, new_markdown_cell("Kept open."))
    front = stage(tmp_path / "07/07-report.ipynb", "The answer", new_markdown_cell("> **Yes.**"),
                  new_markdown_cell("# The answer in detail"), found)
    soup = BeautifulSoup(report.build_html([model, front], parse_study(definition())), "html.parser")
    chapters = soup.select("main > section > details.chapter")
    assert [c.summary.get_text(" ", strip=True) for c in chapters] == ["The answer in detail", "Model Two & more."]
    assert soup.select_one("main > section").find("details", class_="chapter") is None
    aside = chapters[1].find("details", class_="more")
    assert aside.summary.get_text() == "The rest of this chapter (2 tables, 0 figures): Aside"
    assert "Kept open." not in aside.get_text()
    assert [int(th.get_text()) for th in aside.select("tbody th")] == list(range(20))
    assert [d.get_text() for d in aside.select("tbody td")] == [f"value {k}" for k in range(20)]
    assert [table["style"] for table in aside.select("table")] == ["--l2:'v: ';"] * 2
    assert aside.select("td[data-label]") == []


def test_the_fold_of_further_rows_holds_them_alone(tmp_path):
    """Sliders in their still form have sentences and drawings in the same output as their table: these stand once."""
    rows = "".join(f"<tr><th>{k}</th><td>{k}</td></tr>" for k in range(20))
    still = (f"<p>Said once.</p><table><caption>Still.</caption><thead><tr><th>n</th><th>it's \"v\"; µ</th></tr></thead><tbody>"
             f'{rows}</tbody></table><svg role="img"></svg>')
    shown = new_output("display_data", {"text/html": still, "text/plain": "x"})
    front = stage(tmp_path / "07/07-report.ipynb", "The answer", new_code_cell("s()", outputs=[shown]))
    soup = BeautifulSoup(report.build_html([front], parse_study(definition())), "html.parser")
    fold = soup.select_one("details.rows")
    assert [int(th.get_text()) for th in fold.select("tbody th")] == list(range(layers.SHOWN, 20))
    assert fold.select("svg, p") == []
    assert [len(soup.main.select(s)) for s in ("svg", "table")] == [1, 2]
    assert fold.select_one("table")["style"] == r"--l2:'it\27 s \22 v\22 \3b  \b5 : ';"  # CSS Syntax 3: escapes, a blank ends


def test_a_table_whose_rows_have_no_heads_names_its_first_column_too_and_keeps_its_style(tmp_path):
    own = ('<table style="color: red"><thead><tr><th>bottle</th><th>mg/kg</th></tr></thead><tbody><tr><td>A1</td><td>3</td>'
           "</tr></tbody></table>")
    front = stage(tmp_path / "07/07-report.ipynb", "The answer", new_code_cell("t()", outputs=[
        new_output("display_data", {"text/html": own, "text/plain": "x"})]))
    soup = BeautifulSoup(report.build_html([front], parse_study(definition())), "html.parser")
    assert soup.main.table["style"] == "color: red;--l1:'bottle: ';--l2:'mg/kg: ';"


def test_model_and_verdict_show_their_figure_before_their_tables():
    """The words of a figure go with it, nothing is lost, other chapters keep the order of their notebook."""
    def chapter(stem):
        return (f'<section><div class="cell prose" id="{stem}-0"><h1>T</h1></div>'
                f'<div class="cell prose tag-lead" id="{stem}-1"><h2>Each</h2></div>'
                f'<div class="cell" id="{stem}-2"><details class="code"></details><table></table><table></table></div>'
                f'<div class="cell prose" id="{stem}-3"><p>drawn:</p></div>'
                f'<div class="cell" id="{stem}-4"><details class="code"></details><table></table><figure></figure></div>'
                f'<div class="cell prose" id="{stem}-5"><h2>More</h2></div>'
                f'<div class="cell" id="{stem}-6"><table></table><figure></figure></div></section>')

    soup = BeautifulSoup(f'<main><section></section>{chapter("05-model")}{chapter("04-quality")}</main>', "html.parser")
    layers.into_layers(soup)
    model, quality = soup.select("main > section")[1:]
    assert [c["id"][-1] for c in model.select("div.cell")] == list("0134256")
    assert [c["id"][-1] for c in quality.select("div.cell")] == list("0123456")
    order = {s: [t.name for t in part.find_all(["table", "figure"])] for s, part in (("m", model), ("q", quality))}
    assert order == {"m": ["figure", *["table"] * 4, "figure"], "q": [*["table"] * 3, "figure", "table", "figure"]}


def test_one_container_has_a_short_report_of_its_own_with_all_stages_in_one_chapter(tmp_path):
    """The parts marked as what single results can say stand before the stages, and nothing is lost."""
    single = new_markdown_cell("## What single results can say\n\nThis much.", metadata={"tags": ["single"]})
    study = stage(tmp_path / "00/00-study.ipynb", "The study", new_markdown_cell("## The question\n\nAsked."))
    verdict = stage(tmp_path / "06/06-verdict.ipynb", "Verdict", new_markdown_cell("## The verdicts\n\nWords."), single,
                    new_code_cell("evidence()"), new_markdown_cell("## Cannot\n\nLimits."))
    front = stage(tmp_path / "07/07-report.ipynb", "The answer", new_markdown_cell("> **Yes.**"),
                  new_markdown_cell("# The answer in detail\n\n## Numbers"))
    books = [study, verdict, front]
    short = BeautifulSoup(report.build_html(books, parse_study(definition(scope="container"))), "html.parser")
    heads = [c.summary.get_text(" ", strip=True) for c in short.select("main > section > details.chapter")]
    assert heads == ["The answer in detail", "What single results can say",
                     f"Behind the answer {BEHIND_FINDING}"]
    mine, behind = short.select("main > section > details.chapter")[1:]
    assert "This much." in mine.get_text()
    assert "evidence()" in mine.get_text()
    assert [d.summary.h3.get_text() for d in behind.select("details.stage")] == ["The study", "Verdict"]
    assert [h.get_text() for h in behind.select("h4")] == ["The question", "The verdicts", "Cannot"]
    usual = BeautifulSoup(report.build_html(books, parse_study(definition())), "html.parser")
    told = short.main.get_text().replace(BEHIND_FINDING, "").replace("Behind the answer", "")
    assert sorted(told.split()) == sorted(usual.main.get_text().split())


def test_title_and_question_are_said_to_be_the_authors_words(page):
    _, soup = page
    assert soup.title.get_text().startswith("Settling study: ")
    kind = soup.select_one("header .kind")
    assert kind.get_text().endswith("title and question in its author's words")
    assert kind.find_next_sibling().name == "h1"


def test_what_scrolls_has_a_name_of_its_own():
    """A screen reader lists them: seven times the same name would lead nowhere."""
    box = '<div class="scroll"><table><caption>Numbers recorded by this stage, all.</caption></table></div>'
    soup = BeautifulSoup(f"<main><section><h1>Model</h1>{box}</section><section><h1>Verdict</h1>{box}{box}</section></main>",
                         "html.parser")
    taken = set()
    for scroll in soup.select(".scroll"):
        layers._name_scroll(scroll, taken)
    first = "Table: Numbers recorded by this stage"
    assert [s["aria-label"] for s in soup.select(".scroll")] == [first, f"{first}, Verdict", f"{first}, Verdict 2"]


def test_a_whole_report_has_no_two_scrolling_parts_of_one_name(filed):
    soup = BeautifulSoup((filed / "report/report.html").read_text(encoding="utf-8"), "html.parser")
    names = [s["aria-label"] for s in soup.select("main div.scroll")]
    assert len(names) > 30
    assert len(set(names)) == len(names)
