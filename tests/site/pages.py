"""The pages of the site, put together from what the checkout already holds.

README becomes the front page, ``docs/`` its chapters in the order of the people who read them, the course's lessons
and every figure of the stored stage notebooks are turned into pages, and filed reports lie beside them as they are.
"""

from __future__ import annotations

import base64
import json
import re
import shutil
import symtable
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
SOLVED = ROOT / "tests/course/solved"
TO_FIND = re.compile(r"(?m)^(?:def )?(\w+)(?:\(.*\):\n +| = )\.\.\.$")
"""A name in a student's copy that stands before three dots."""
READERS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("For the engineer with many containers", ("first-study", "first-study/README")),
    ("For whoever has one container", ("one-container",)),
    ("The stages of a study", ("00-study", "01-design", "02-sampling", "03-intake", "04-quality", "05-model", "06-verdict",
                               "07-report", "time")),
    ("For whoever reviews", ("reviewing", "recheck", "register")),
    ("For whoever teaches", ("teaching", "course/index")),
    ("How often it errs", ("operating", "operating-grids", "time-coverage", "physics")),
    ("To look things up", ("reports", "gallery", "commands", "data-dictionary", "api", "glossary", "references")),
    ("For whoever changes the kit", ("DEVELOPERS", "changelog")),
)
CSS = """article table { display: block; overflow-x: auto; max-width: 100% }
.highlight pre { white-space: pre-wrap }
table.data { margin: 1em 0 } table.data th, table.data td { padding: 2px 10px 2px 0; text-align: left }
table.data caption { text-align: left; padding-bottom: 4px }
@media (max-width: 63em) { .sidebar-drawer:focus-within { left: 0 } }
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A figure of a stored notebook: its image, what stands below and for whom cannot see it, and the lines that made it."""

    stem: str
    image: bytes
    alt: str
    caption: str
    width: int
    source: str


def pictures(notebook: Path) -> Iterator[Picture]:
    """Every figure among a notebook's stored outputs."""
    for cell in json.loads(notebook.read_text("utf-8"))["cells"]:
        for output in cell.get("outputs", ()):
            if png := output.get("data", {}).get("image/png"):
                told = output["metadata"]["image/png"]
                yield Picture(stem=notebook.stem, image=base64.b64decode("".join(png)), alt=told["alt"],
                              caption=told["caption"], width=told["width"], source="".join(cell["source"]))


def write_pages(to: Path, reports: Mapping[str, Path]) -> None:
    """Write the source of the site into the empty folder ``to``; ``reports``: title and folder of filed studies."""
    shutil.copytree(ROOT / "docs", to, dirs_exist_ok=True)
    (to / "DEVELOPERS.md").write_text(_from_top((ROOT / "DEVELOPERS.md").read_text("utf-8")), "utf-8")
    (to / "index.md").write_text(_from_top((ROOT / "README.md").read_text("utf-8")) + _contents(), "utf-8")
    (to / "_static").mkdir()
    (to / "_static/site.css").write_text(CSS, "utf-8")
    (to / "_extra/reports").mkdir(parents=True)
    (to / "reports.md").write_text(_reports(to / "_extra/reports", reports), "utf-8")
    (to / "gallery.md").write_text(_gallery(to / "images"), "utf-8")
    _course(to / "course")


def _from_top(text: str) -> str:
    """A page of the top level as seen from inside ``docs``."""
    return text.replace("](docs/", "](").replace("](README.md", "](index.md")


def _contents() -> str:
    return "".join(f"\n```{{toctree}}\n:hidden:\n:caption: {caption}\n\n" + "\n".join(pages) + "\n```\n"
                   for caption, pages in READERS)


def _reports(to: Path, reports: Mapping[str, Path]) -> str:
    lines = ["# Reports of the demo studies\n", "Invented data. Each page is a report as `studykit report` files it: one file, "
             "which works without a network.\n"]
    for title, folder in reports.items():
        shutil.copy(folder / "report/report.html", to / f"{folder.name}.html")
        lines.append(f'* <a href="reports/{folder.name}.html">{title}</a>')
    if not reports:
        lines.append("None was made with this site; `python -m tests.site --reports` makes them.")
    return "\n".join(lines) + "\n"


def _gallery(images: Path) -> str:
    """A page of all figures, each with its lines; the main demo has every one."""
    out = ["# Gallery: every figure, with the lines that make it\n", "From the stage notebooks over the main demo study "
           "(invented data). In a notebook of a study of your own the same lines draw yours.\n"]
    for notebook in sorted((ROOT / "notebooks").glob("0*.ipynb")):
        found = list(pictures(notebook))
        out += [f"## {_title(notebook.stem)}\n"] * bool(found)
        out += [_figure(p, images, f"{p.stem}-{k}") + f"\n```python\n{p.source}\n```\n" for k, p in enumerate(found, start=1)]
    return "\n".join(out)


def _figure(picture: Picture, images: Path, name: str, up: str = "") -> str:
    """A figure with its caption and what is said to whom cannot see it; the image is written."""
    (images / f"{name}.png").write_bytes(picture.image)
    return (f"```{{figure}} {up}images/{name}.png\n:alt: {' '.join(picture.alt.split())}\n:width: {picture.width}px\n\n"
            f"{picture.caption}\n```\n")


def _title(stem: str) -> str:
    """The first heading of a stage's page."""
    return (ROOT / f"docs/{stem}.md").read_text("utf-8").partition("\n")[0].lstrip("# ")


def _course(to: Path) -> None:
    """The lessons: questions and lines as students get them, with the tables and figures that give no answer away."""
    to.mkdir()
    lessons = sorted((ROOT / "notebooks/course").glob("*.ipynb"))
    for path in lessons:
        (to / f"{path.stem}.md").write_text(lesson(path, to.parent / "images"), "utf-8")
    names = "\n".join(path.stem for path in lessons)
    (to / "index.md").write_text("# The course\n\nThe lessons as students get them, with the first tables and figures. To work "
                                 "on them: `studykit course`, then JupyterLab; what a teacher needs is in "
                                 f"[Teaching](../teaching.md).\n\n```{{toctree}}\n:maxdepth: 1\n\n{names}\n```\n", "utf-8")


def lesson(path: Path, images: Path) -> str:
    """A lesson as a page; outputs are those of the solved copy, but none of a cell that takes what a student has to find."""
    student, solved = (json.loads(p.read_text("utf-8"))["cells"] for p in (path, SOLVED / path.name))
    found = {name for c in student for name in TO_FIND.findall("".join(c["source"]))}
    out = []
    for k, (cell, done) in enumerate(zip(student, solved, strict=True)):
        source = "".join(cell["source"])
        if cell["cell_type"] == "markdown":
            out.append(source.replace(".ipynb)", ".md)"))
            continue
        out.append(f"```python\n{source}\n```")
        if not {"exercise", "check"} & {*cell["metadata"].get("tags", ())} and not taken(source) & found:
            out += [_shown(o, path.stem, source, images, f"{path.stem}-{k}-{n}") for n, o in enumerate(done["outputs"])]
    return "\n\n".join(filter(None, out)) + "\n"


def taken(source: str) -> set[str]:
    """The names that a cell takes from elsewhere."""
    names = symtable.symtable(source, "cell", "exec").get_symbols()
    return {s.get_name() for s in names if s.is_referenced()}


def _shown(output: dict[str, Any], stem: str, source: str, images: Path, name: str) -> str:
    """A table or a figure of a lesson for its page; '' for a caption, which stands below its figure already."""
    data, told = output.get("data", {}), output.get("metadata", {})
    if png := data.get("image/png"):
        told = told["image/png"]
        return _figure(Picture(stem=stem, image=base64.b64decode("".join(png)), alt=told["alt"], caption=told["caption"],
                               width=told["width"], source=source), images, name, up="../")
    return "" if "studykit" in told else "".join(data.get("text/html", ""))
