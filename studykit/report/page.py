"""One self-contained report.html from the executed notebooks: the answer first, everything behind it after.

The file asks nothing of any address: a content-security policy inside forbids it, images are
embedded, formulas are MathML. Code is folded, not lost.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
import warnings
from collections.abc import Sequence
from html import escape
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import nbformat
from bs4 import BeautifulSoup, Comment, Tag
from jinja2 import pass_context
from nbconvert import HTMLExporter
from nbconvert.exporters.templateexporter import TemplateExporter
from nbconvert.filters.markdown_mistune import IPythonRenderer, MarkdownWithMath
from nbconvert.filters.widgetsdatatypefilter import WidgetsDataTypeFilter

from studykit import __version__
from studykit.core.collecting import uncollected
from studykit.core.files import write_text
from studykit.report.aside import Aside, without_plain
from studykit.report.layers import chapters, into_layers
from studykit.report.vectors import ALL_TOGETHER, NARROW, WIDE, for_the_page, inlaid, pixels_across
from studykit.study.definition import Study
from studykit.study.stages import HERE

FRONT = "07-report"
TEMPLATES = HERE / "templates"
BUTTONS = ('<button type="button" data-folds="details:not(.code)" data-what="everything" aria-pressed="false" hidden>'
           'Unfold everything</button>'
           '<button type="button" data-folds="details.code" data-what="all code" aria-pressed="false" hidden>'
           'Unfold all code</button>')
NARROW_TO = ((900, 680), (10**9, 880))
"""A figure of at most so many pixels is shown as drawn for phones up to a screen of so many: else it shrinks by a fifth."""
LABELLED = 16
"""Columns whose names report.css finds in the style of their table."""
KEPT_TYPES = ("text/html", "text/markdown", "image/png", "text/plain")


class _Renderer(IPythonRenderer):
    """Markdown to HTML with formulas as MathML."""

    def block_math(self, body: str) -> str:
        from latex2mathml.converter import convert

        return '<div class="math" role="group" aria-label="Formula" tabindex="0">' + convert(body, display="block") + "</div>\n"

    def inline_math(self, body: str) -> str:
        from latex2mathml.converter import convert

        return convert(body)


class _Shown(_Renderer):
    """Markdown that a cell put out: texts of people are in it, so nothing that leads away, heads, strikes or hides."""

    def link(self, text: str, url: str, title: str | None = None) -> str:
        return text if text in (url, escape(url)) else f"{text} ({escape(url)})"

    def image(self, text: str, url: str, title: str | None = None) -> str:
        return f"{escape(text)} ({escape(url)})"

    def heading(self, text: str, level: int, **attributes: Any) -> str:
        return f"<p>{text}</p>\n"

    def block_math(self, body: str) -> str:
        return f"<p>{escape(body)}</p>\n"

    def inline_math(self, body: str) -> str:
        return escape(f"${body}$")


class _Exporter(HTMLExporter):
    """The report's exporter: own template, own Markdown renderers; HTML inside Markdown is shown as text."""

    def default_filters(self) -> Any:
        yield from super().default_filters()  # type: ignore[no-untyped-call]
        yield "shown2html", shown_html

    def from_notebook_node(self, nb: Any, resources: Any = None, **more: Any) -> Any:
        """Without what HTMLExporter does to the page afterwards: it would read and write all of it once more."""
        self.register_filter("filter_data_type", WidgetsDataTypeFilter(notebook_metadata=self._nb_metadata, parent=self,
                                                                       resources=resources))  # type: ignore[no-untyped-call]
        return TemplateExporter.from_notebook_node(self, nb, resources, **more)

    @pass_context
    def markdown2html(self, context: Any, source: str) -> str:
        renderer = _Renderer(escape=True, exclude_anchor_links=True, attachments={})
        return str(MarkdownWithMath(renderer=renderer).render(source))


def shown_html(source: str) -> str:
    """Markdown that a cell put out as HTML: paragraphs, lists, quotations, emphasis and code; all else as text."""
    renderer = _Shown(escape=True, exclude_anchor_links=True, attachments={})
    return str(MarkdownWithMath(renderer=renderer, plugins=()).render(source))


def _cells(path: Path) -> list[Any]:
    """The cells of one executed notebook: ids prefixed by the stem, captions and widgets left to the figures."""
    nb = nbformat.read(path, as_version=4)
    cells = []
    for number, cell in enumerate(nb.cells):
        tags = cell.metadata.get("tags", [])
        if "injected-parameters" in tags or "not-in-report" in tags:
            continue
        if "setup" in tags or "parameters" in tags:
            cell.metadata["setup"] = True
        cell["id"] = f"{path.stem}-{number}"
        if cell.cell_type == "code":
            cell["outputs"] = [_kept(o) for o in cell.outputs if not _is_caption(o)]
        cells.append(cell)
    return [c for c in cells if not c.metadata.get("setup")] + [c for c in cells if c.metadata.get("setup")]


def _drawn(path: Path, cells: Sequence[Any], left: Sequence[int]) -> list[int]:
    """Give the figures of a notebook the SVG beside it that the page shows, wide and narrow; returns the bytes left of both."""
    shown = [o for c in cells if c.cell_type == "code" for o in c.outputs
             if "image/png" in o.get("data", {}) and o["metadata"].get("image/png")]
    abouts = [o["metadata"]["image/png"] for o in shown]
    both = [for_the_page(path, abouts, most, form) for most, form in zip(left, (WIDE, NARROW), strict=True)]
    for output, about in zip(shown, abouts, strict=True):
        wide, narrow = (found.get(str(about.get("caption")), b"") for found in both)
        about |= {"svg": inlaid(wide), "narrow": inlaid(narrow),
                  "tall": _tall(str(output["data"]["image/png"])),
                  "narrow_width": pixels_across(narrow),  # nothing that the notebook itself says stands
                  "narrow_to": next(most for width, most in NARROW_TO if int(about.get("width") or 0) <= width)}
    return [most - sum(map(len, found.values())) for most, found in zip(left, both, strict=True)]


def _tall(png: str) -> bool:
    """Whether a picture is higher than it is wide, by its own head: on paper such a one is printed larger."""
    head = base64.b64decode(png[:32])
    return head[20:24] > head[16:20]


def _is_caption(output: Any) -> bool:
    return bool(output.get("metadata", {}).get("studykit") == "caption")


def _kept(output: Any) -> Any:
    if "data" in output:
        output["data"] = {k: v for k, v in output["data"].items() if k in KEPT_TYPES}
    return output


def merge(notebooks: Sequence[Path], study: Study) -> Any:
    """The executed notebooks as one notebook: the report stage first, then the others in order."""
    front = [p for p in notebooks if p.stem == FRONT]
    rest = [p for p in notebooks if p.stem != FRONT]
    whole = nbformat.v4.new_notebook()
    whole.metadata["title"] = study.title
    whole.metadata["subtitle"] = study.question
    whole.metadata["language_info"] = {"name": "python"}
    marks, left = [], [ALL_TOGETHER, ALL_TOGETHER]
    for path in front + rest:
        marks.append(len(whole.cells))
        cells = _cells(path)
        left = _drawn(path, sorted(cells, key=lambda c: int(c["id"].rpartition("-")[2])), left)
        whole.cells += cells
    whole.metadata["chapters"] = marks
    return whole


def build_html(notebooks: Sequence[Path], study: Study) -> str:
    """The report as HTML text."""
    css = (TEMPLATES / "report/report.css").read_text(encoding="utf-8")
    aside = Aside()
    whole = merge(notebooks, study)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        exporter = _Exporter(  # type: ignore[no-untyped-call]
            template_name="report", extra_template_basedirs=[str(TEMPLATES)], optimistic_validation=True,
            filters={"highlight_code": lambda source, **_: aside.code(source)})
        html, _ = exporter.from_notebook_node(whole, resources={
            "report_css": css, "language": study.language, "invented": study.invented,
            "metadata": {"name": study.title},
            "footer": f"Made by studykit {__version__} from the study's raw files. It gives advice on homogeneity, "
                      "not on fitness for use; safety data sheets, local codes and licensed practice come first.",
        })
    return aside.back(_finish(html, short=study.scope == "container"))


def _finish(html: str, *, short: bool) -> str:
    """Chapters as sections, folded in layers, headings shifted by one, unique ids, a table of contents."""
    soup = BeautifulSoup(html, "html.parser")
    _sections(soup)
    _fold_setup(soup)
    into_layers(soup, short=short)
    _label_cells(soup)
    seen: dict[str, int] = {}
    for heading in _in_main(soup, "h1", "h2", "h3", "h4"):
        base = re.sub(r"[^a-z0-9]+", "-", heading.get_text(" ", strip=True).lower()).strip("-") or "part"
        seen[base] = seen.get(base, 0) + 1
        heading["id"] = base if seen[base] == 1 else f"{base}-{seen[base]}"
        heading.name = f"h{min(6, int(heading.name[1]) + 1)}"
    _contents(soup)
    _policy(soup)
    for image in soup.find_all("img", alt=False):
        image["alt"] = "No description has been provided for this image"
    return str(soup)


def _in_main(soup: BeautifulSoup, *names: str) -> list[Tag]:
    """The tags of these names in the body of the page, in its order."""
    return [] if soup.main is None else soup.main.find_all(names)


def _policy(soup: BeautifulSoup) -> None:
    """Let the page run its own scripts, named by their hashes, and no other."""
    digests = [hashlib.sha256(s.get_text().encode()).digest() for s in soup.find_all("script")]
    names = " ".join(f"'sha256-{base64.b64encode(d).decode()}'" for d in digests) or "'none'"
    for meta in soup.find_all("meta", attrs={"http-equiv": "Content-Security-Policy"}):
        meta["content"] = f"{meta['content']}; script-src {names}"


def _sections(soup: BeautifulSoup) -> None:
    """Wrap each chapter (from one top heading to the next) in a section."""
    main = soup.find("main")
    if main is None:
        return
    current = None
    for child in list(main.find_all("div", class_="cell", recursive=False)):
        if current is None or child.find("h1") is not None:
            current = soup.new_tag("section")
            child.insert_before(current)
        current.append(child.extract())


def _fold_setup(soup: BeautifulSoup) -> None:
    """Move the set-up of each chapter (parameters, import, opening) into a fold at its end, and the code of page one too."""
    sections = chapters(soup)
    for section in sections:
        cells = section.find_all("div", class_="setup", recursive=False)
        if not cells:
            continue
        if str(cells[0].get("id", "")).startswith(FRONT):
            cells += list(sections[0].select("div.cell:not(.setup) > details.code"))
        fold = soup.new_tag("details", attrs={"class": "code setup-fold"})
        title = soup.new_tag("summary")
        title.string = "Code and set-up of this chapter"
        fold.append(title)
        for cell in cells:
            fold.append(cell.extract())
        section.append(fold)


def _label_cells(soup: BeautifulSoup) -> None:
    """Tell the style of each table what its columns are called: on screens too narrow for columns it stands before each cell.

    Once a table and not at every cell, which took a twentieth of the page; a column after ``LABELLED`` has it at its cells.
    """
    for table in soup.find_all("table"):
        top, body = table.find("thead"), table.find("tbody")
        heads = [th.get_text(" ", strip=True) for th in top.find_all("th")] if top is not None else []
        plain = body is not None and body.select_one("tr > td:first-child") is not None  # its first cells are no heads of rows
        told = "".join(f"--l{k}:'{_quoted(h)}: ';" for k, h in enumerate(heads[:LABELLED], start=1) if h and (plain or k > 1))
        if told:
            table["style"] = str(table.get("style", "")).rstrip("; ") + ";" * table.has_attr("style") + told
        for row in body.find_all("tr", recursive=False) if body is not None and len(heads) > LABELLED else ():
            for head, cell in zip(heads[LABELLED:], row.find_all(["th", "td"], recursive=False)[LABELLED:], strict=False):
                if cell.name == "td" and head:
                    cell["data-label"] = head


def _quoted(text: str) -> str:
    """A text as it stands within quotes of a style: nothing of it can end them."""
    return re.sub(r"[^\w .,:%()\[\]/+*=|-]", lambda m: f"\\{ord(m[0]):x} ", text, flags=re.ASCII)


def _contents(soup: BeautifulSoup) -> None:
    nav = soup.new_tag("nav")
    nav["aria-label"] = "Contents"
    title = soup.new_tag("p")
    title.string = "Contents"
    items = soup.new_tag("ol")
    nav.extend([title, items])
    for heading in _in_main(soup, "h2"):
        item = soup.new_tag("li")
        link = soup.new_tag("a", href=f"#{heading['id']}")
        link.string = heading.get_text(" ", strip=True)
        item.append(link)
        items.append(item)
    nav.append(BeautifulSoup(BUTTONS, "html.parser"))
    for comment in soup.find_all(string=lambda text: isinstance(text, Comment)):
        if comment.strip() == "TOC":
            comment.replace_with(nav)


class _Requests(HTMLParser):
    """What a page would load: the addresses in its tags, and its styles."""

    def __init__(self) -> None:
        super().__init__()
        self.sources, self.styles, self._in_style = list[str](), list[str](), False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Keep addresses."""
        self._in_style = tag == "style"
        self.sources += [value or "" for name, value in attrs if name in ("src", "srcset") or (tag, name) == ("link", "href")]

    def handle_endtag(self, tag: str) -> None:
        """A style may end here."""
        self._in_style = False

    def handle_data(self, data: str) -> None:
        """Keep styles."""
        if self._in_style:
            self.styles.append(data)


def outside_requests(html: str) -> tuple[str, ...]:
    """Addresses that the page would load (not links that a reader may follow); empty for a self-contained page."""
    reader = _Requests()
    reader.feed(without_plain(html))
    reader.close()
    found = [*reader.sources, *re.findall(r"url\(([^)]+)\)", " ".join(reader.styles))]
    return tuple(f for f in found if not f.startswith("data:"))


def write_report(folder: Path, notebooks: Sequence[Path], study: Study) -> Path:
    """Write ``report.html`` into the folder; ValueError where it would load anything from outside itself."""
    with uncollected():  # all tags of a page hang together until it is written
        html = build_html(notebooks, study)
        outside = outside_requests(html)
    if outside:
        raise ValueError(f"report must be self-contained, but loads {json.dumps(outside)}")
    return write_text(folder / "report.html", html)
