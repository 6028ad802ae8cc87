"""The summary says what page one says: every word and number of one is in the other, as two other programs read them.

The PDF is read by PDFium, the page by Chromium's engine where there is one, else by its HTML.
"""

from __future__ import annotations

import io
import re
import shutil
from pathlib import Path

import pypdfium2
import pytest
from bs4 import BeautifulSoup

from studykit.core.errors import BadInput
from studykit.deposit.summary import page_one, summary
from studykit.report.manifest import FILE, canonical, manifest_of
from studykit.report.page import write_report
from studykit.study.cautions import cautions
from studykit.study.definition import load_study
from studykit.study.stages import share, stems_in

STUDY = share("demo_data") / "ropeway"


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A study folder with the page of the stored notebooks."""
    root, folder = tmp_path_factory.mktemp("study"), share("notebooks")
    (root / "report").mkdir()
    (root / "study.toml").write_bytes((STUDY / "study.toml").read_bytes())
    write_report(root / "report", [folder / f"{s}.ipynb" for s in stems_in(folder)], load_study(STUDY))
    (root / FILE).write_text(canonical(manifest_of(root, root / "report", {}, {})))
    return root


@pytest.fixture(scope="module")
def bare(root: Path) -> str:
    """That page without its pictures and all chapters but the cautions', which cost a parser most of its time."""
    page = re.sub(r"data:image/[^\"' )]+", "data:,", (root / "report/report.html").read_text(encoding="utf-8"))
    soup = BeautifulSoup(page, "html.parser")
    for chapter in soup.select("main details.chapter"):
        if chapter.find(id="cautions") is None:
            chapter.decompose()
    return str(soup)


def words(text: str) -> list[str]:
    """Words and numbers, one after the other; hyphens at the end of a line and kinds of blanks do not count."""
    return re.findall(r"[\w.,%±\u2212()-]+", text.replace("\u00a0", " ").replace("\ufb01", "fi").replace("\u2019", "'"))


def read(pdf: bytes) -> list[str]:
    return [p.get_textpage().get_text_bounded() for p in pypdfium2.PdfDocument(io.BytesIO(pdf))]


@pytest.mark.slow
def test_the_summary_has_the_words_and_numbers_of_page_one_on_two_pages_at_most(root: Path, tmp_path: Path) -> None:
    pdf = summary(root, tmp_path / "summary.pdf").file.read_bytes()
    pages = read(pdf)
    assert len(pages) <= 2
    soup = BeautifulSoup((root / "report/report.html").read_text(encoding="utf-8"), "html.parser")
    section = soup.select_one("main > section")
    given = [c.text for c in cautions("first", load_study(STUDY).safety)]
    assert len(given) > 5
    lacking = [c for c in given if not set(words(re.sub(r"[*`]", "", c))) <= set(words(" ".join(pages)))]
    assert lacking == []  # page one sends its reader to them, and whoever is handed the PDF has nothing else
    for drawn in section.select("svg, .unseen"):
        drawn.decompose()
    shown = words(soup.h1.get_text() + " " + section.get_text(" ").replace("The answer", "", 1))
    told = words(" ".join(pages))
    assert {w for w in shown if any(c.isdigit() for c in w)} - set(told) == set()
    assert sorted(set(shown) - set(told)) == []
    assert len(shown) > 200
    assert b"/StructTreeRoot" in pdf
    assert b"/Lang" in pdf


@pytest.mark.slow
def test_what_page_one_counts_of_the_plan_is_in_the_summary(bare: str) -> None:
    short = "<p><strong>About the plan:</strong> The plan was locked; 3 changes.</p>"
    long = "<p><strong>About the plan:</strong></p><ul><li>One.</li><li>Two.</li></ul>"
    for told, notices in ((short, ["The plan was locked; 3 changes."]), (long, ["One.", "Two."]), ("", [])):
        assert page_one(bare.replace("</blockquote>", f"</blockquote>{told}", 1))[0]["notices"] == notices


@pytest.mark.slow
def test_a_number_that_differs_would_be_seen(root: Path, tmp_path: Path) -> None:
    pdf = summary(root, tmp_path / "summary.pdf").file.read_bytes()
    assert set(words("differs by 96.4 %")) - set(words(" ".join(read(pdf)))) == {"96.4"}


@pytest.mark.slow
def test_the_same_report_gives_the_same_bytes(root: Path, tmp_path: Path) -> None:
    one, two = (summary(root, tmp_path / name).file.read_bytes() for name in ("a.pdf", "b.pdf"))
    assert one == two


@pytest.mark.slow
def test_a_summary_of_an_old_answer_says_so_in_its_first_line(root: Path, tmp_path: Path) -> None:
    assert "OUT OF DATE" not in "".join(read(summary(root, tmp_path / "now.pdf").file.read_bytes()))
    study = tmp_path / "study"
    shutil.copytree(root, study)
    (study / "plan").mkdir()
    (study / "plan/exclusions.csv").write_text("sample,container,reason\n")
    made = summary(study, tmp_path / "old.pdf")
    pages = read(made.file.read_bytes())
    assert made.older == ("plan/",)
    assert pages[0].startswith("OUT OF DATE: plan/ changed after this report was filed.")
    assert len(pages) <= 2


@pytest.mark.parametrize("spoiled", [
    "<main><section><p>nothing</p></section></main>",
    '<main><section><blockquote>x</blockquote><div class="tag-strip"><table><thead><tr><th class="drawn"><svg>'
    '<image href="/etc/x"/></svg></th></tr></thead><tbody></tbody></table></div></section></main>',
])
def test_a_page_that_the_kit_did_not_write_is_refused(spoiled: str) -> None:
    with pytest.raises(BadInput, match="not as this kit writes it"):
        page_one(spoiled)


@pytest.mark.slow
def test_a_report_without_its_cautions_is_refused(bare: str) -> None:
    soup = BeautifulSoup(bare, "html.parser")
    page_one(str(soup))
    soup.find(id="cautions")["id"] = "other"
    with pytest.raises(BadInput, match="not as this kit writes it"):
        page_one(str(soup))


def test_without_a_report_there_is_no_summary(tmp_path: Path) -> None:
    (tmp_path / "study.toml").write_bytes((STUDY / "study.toml").read_bytes())
    with pytest.raises(BadInput, match="no report is filed"):
        summary(tmp_path, tmp_path / "s.pdf")
    assert not (tmp_path / "s.pdf").exists()
