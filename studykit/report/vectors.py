"""Drawings as SVG and PDF: which the page shows, whether they hold nothing but a drawing, and what they look like.

An SVG that is opened by itself could run scripts and load from addresses, and a PDF could act. The kit's do neither; what
another wrote is held against the few parts of which the kit's are made.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from xml.etree import ElementTree

LARGEST = 160_000
"""Bytes of an SVG that still stands on the page; a larger one is shown as PNG."""
ALL_TOGETHER = 900_000
"""Bytes of all SVG of one page, so that the page stays fit for mail; what comes after is shown as PNG.

Those drawn for phones may have as many again; what comes after scrolls there.
"""
WIDE, NARROW = ".svg", "-narrow.svg"
SVG, XLINK = "{http://www.w3.org/2000/svg}", "{http://www.w3.org/1999/xlink}"
ELEMENTS = {SVG + name for name in ("svg", "title", "defs", "style", "g", "path", "use", "clipPath", "rect", "image")}
TO = (XLINK + "href", "href")
"""What refers to a part of the drawing: as older readers of files know it, and as it stands on the page."""
ATTRIBUTES = {"id", "class", "d", "x", "y", "width", "height", "viewBox", "version", "transform", "type", "clip-path",
              "opacity", *TO}
_HREF = re.compile(r"#[\w-]+|data:image/png;base64,[A-Za-z0-9+/=\s]+")
_RULES = re.compile(r"(?:(?:\*|\.s\d+)\{[a-z-]+: [\w#.,% -]+(?:; [a-z-]+: [\w#.,% -]+)*\})+")
_CLIP = re.compile(r"url\(#[\w-]+\)")
_ELSEWHERE = re.compile(r"url\(|src\(|[@\\]", re.IGNORECASE)
_STREAM = re.compile(rb"\bstream\r?\n.*?\bendstream\b", re.DOTALL)
_NAME = re.compile(rb"/([^\s/<>\[\](){}%]+)")
_RULE = re.compile(rb"\.(s\d+)\{([^}]*)\}")
_IN_A_ROW = re.compile(rb'<use href="[^"]*" x="[^"]*" y="[^"]*" class="(s\d+)"/>'
                       rb'(?:<use href="[^"]*" x="[^"]*" y="[^"]*" class="\1"/>)+')
PASSED_ON = {b"fill", b"fill-opacity", b"stroke", b"stroke-opacity", b"stroke-width", b"stroke-dasharray", b"stroke-dashoffset",
             b"stroke-linecap", b"stroke-linejoin", b"stroke-miterlimit"}
"""Properties that what is within takes from what is around it (SVG 2, property index: inherited); opacity is none."""
ACTS = {b"JS", b"JavaScript", b"OpenAction", b"AA", b"A", b"Launch", b"URI", b"GoToR", b"GoToE", b"SubmitForm", b"ImportData",
        b"EmbeddedFile", b"EmbeddedFiles", b"Filespec", b"RichMedia", b"Movie", b"Sound", b"Screen", b"Annot", b"Widget",
        b"AcroForm", b"XFA", b"OCG", b"OCProperties", b"ObjStm", b"XRef", b"Encrypt"}
"""Names in a PDF by which it would act, hide or hold something; the kit's have none of them."""


def kind_of_picture(data: bytes) -> str:
    """What a picture is by its first bytes: png, svg, pdf, or '' for anything else."""
    starts = {b"\x89PNG": "png", b"<svg ": "svg", b"%PDF-": "pdf"}
    return next((kind for start, kind in starts.items() if data.startswith(start)), "")


def odd_parts(data: bytes) -> str:
    """What an SVG or PDF has that no drawing of the kit has; '' where there is nothing."""
    return {"svg": _odd_in_svg, "pdf": _odd_in_pdf}.get(kind_of_picture(data), lambda _: "")(data)


def _odd_in_svg(data: bytes) -> str:
    if b"<!" in data or b"<?" in data:
        return "a declaration or an instruction"
    try:
        root = ElementTree.fromstring(data)
    except (ElementTree.ParseError, ValueError) as error:
        return f"a form that is no XML ({error})"
    for element in root.iter():
        if element.tag not in ELEMENTS:
            return f"the element {_plain(element.tag)}"
        for name, value in element.attrib.items():
            fit = _HREF.fullmatch(value) if name in TO else _CLIP.fullmatch(value) if name == "clip-path" else (
                not _ELSEWHERE.search(value))
            if name not in ATTRIBUTES or not fit:
                return f"the attribute {_plain(name)} of {_plain(element.tag)}"
        if element.tag == SVG + "style" and not _RULES.fullmatch(element.text or ""):
            return "a style of another form"
    ids = [i for e in root.iter() if (i := e.get("id")) is not None]
    if len(ids) != len(set(ids)):
        return "an id that stands twice"  # which of the two a reader takes nobody knows
    paths = {p.get("id") for defs in root.iter(SVG + "defs") for p in defs.iter(SVG + "path")}
    if any([v[1:] in paths for v in map(u.get, TO) if v is not None] != [True] for u in root.iter(SVG + "use")):
        return "a use of something that is no path"  # such uses could multiply without end
    return ""


def _plain(name: str) -> str:
    return name.rpartition("}")[2][:40]


def _odd_in_pdf(data: bytes) -> str:
    outside = _STREAM.sub(b"", data)
    names = set(_NAME.findall(outside))
    odd = sorted(n.decode("latin-1")[:40] for n in names if n in ACTS or b"#" in n)
    if odd:
        return f"the name {', '.join(odd)}"
    return "" if data.count(b"%%EOF") == 1 and data.endswith(b"%%EOF\n") else "something after its end"


@cache
def as_png(data: bytes) -> bytes:
    """A picture as PNG: as it is, or drawn from its SVG or PDF by typst; ValueError where that cannot be done."""
    kind = kind_of_picture(data)
    if kind == "png":
        return data
    from studykit.plot.forms import DPI  # brings all of matplotlib, which a page does without

    try:
        import typst
    except ModuleNotFoundError:
        raise ValueError("needs typst to be looked at: pip install 'studykit[sheets]'") from None
    with TemporaryDirectory() as folder:
        (Path(folder) / f"a.{kind}").write_bytes(data)
        (Path(folder) / "a.typ").write_text(f'#set page(width: auto, height: auto, margin: 0pt)\n#image("a.{kind}")\n',
                                            encoding="utf-8")
        try:
            made: Any = typst.compile(str(Path(folder) / "a.typ"), root=folder, format="png", ppi=DPI)
        except (RuntimeError, ValueError):
            raise ValueError("cannot be drawn") from None
    return bytes(made)


def for_the_page(notebook: Path, abouts: Sequence[dict[str, Any]], left: int, form: str = WIDE) -> dict[str, bytes]:
    """The SVG beside an executed notebook that the page shows in the place of its PNG, by caption.

    ``abouts``: what the notebook says of its figures, in their order; ``left``: bytes that all may have together; ``form``:
    WIDE, or NARROW for those drawn for phones. A figure is shown as PNG where its SVG is missing, large, more than a
    drawing, or not its own for sure.
    """
    captions = [str(a["caption"]) for a in abouts if a.get("caption")]
    out: dict[str, bytes] = {}
    for number, caption in enumerate(dict.fromkeys(captions), start=1):
        path = notebook.with_name(f"figure-{number}{form}")
        if captions.count(caption) > 1 or not path.is_file() or path.stat().st_size > min(LARGEST, left):
            continue
        data = path.read_bytes()
        if kind_of_picture(data) == "svg" and not odd_parts(data):
            out[caption] = data
            left -= len(data)
    return out


def inlaid(svg: bytes) -> str:
    """A drawing of the kit as base64 for the page, whose readers know the shorter way to refer to its parts.

    Of marks in a row that are of one style it stands once, around them, where all that it says passes on to what is within.
    """
    passed_on = {name for name, rules in _RULE.findall(svg)
                 if {r.partition(b":")[0].strip() for r in rules.split(b";")} <= PASSED_ON}
    short = svg.replace(b"<use xlink:href=", b"<use href=")
    return base64.b64encode(_IN_A_ROW.sub(lambda m: _around(m[0], m[1]) if m[1] in passed_on else m[0], short)).decode()


def _around(marks: bytes, name: bytes) -> bytes:
    """Marks in a group of their style."""
    told = b' class="' + name + b'"'
    return b"<g" + told + b">" + marks.replace(told, b"") + b"</g>"


def pixels_across(svg: bytes) -> int:
    """How wide a drawing of the kit is on a page, in pixels of CSS; 0 where it does not say."""
    found = re.match(rb'<svg [^>]*\bwidth="([0-9]{1,6}(?:\.[0-9]+)?)pt"', svg)
    return round(float(found[1]) * 96 / 72) if found else 0
