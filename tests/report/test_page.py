"""The report is one file that asks nothing of any address, opens with the answer, and folds its code."""

import nbformat
import pytest
from bs4 import BeautifulSoup
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output

from studykit.report import page as report
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
    assert "model-2" in links


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
