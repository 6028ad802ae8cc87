"""How the cells of an ODS look to a reader: displayed text, struck and raised parts, hidden rows, comments.

Read by expat from content.xml (OpenDocument 1.3 part 3); of the libraries at hand, one reads stored values only
and the other builds the whole document in memory. Cells are visited as often as they are repeated, up to the bounds
that were checked before.
"""

from __future__ import annotations

import io
import re
import zipfile
from functools import partialmethod
from typing import Any
from xml.parsers import expat

from studykit.intake.bounds import column_number
from studykit.intake.cellmodel import MOST_CELLS, UNDER_A_CONDITION, Look, Place
from studykit.intake.coloured import ask_coloured
from studykit.intake.numberformat import as_shown

MOST_DRAWN = 50
ROW_CM, COLUMN_CM = 0.4516, 2.258
"""Height of a row and width of a column of an empty sheet, for what is drawn on the page and not at a cell."""
_HIDDEN = ("collapse", "filter")


_PLACE = r"\$?([A-Z]{1,3})\$?([0-9]{1,7})"
_SHEET = r"(?:(?:\$?('(?:[^']|'')*'|[^\s.':$]+))?\.)?"
_AREA = re.compile(rf"(?<!\S){_SHEET}{_PLACE}(?::{_SHEET}{_PLACE})?(?=\s|$)")
Area = tuple[str, int, int, int, int]


def _areas(address: str) -> list[Area]:
    """Sheet ('' where none is named), top, left, bottom and right, from 0, of ranges such as Results.B2:Results.B9."""
    out = []
    for sheet, left, top, _, right, bottom in _AREA.findall(address):
        name = sheet.strip("'").replace("''", "'") if sheet.startswith("'") else sheet
        out.append((name, int(top) - 1, column_number(left) - 1, int(bottom or top) - 1, column_number(right or left) - 1))
    return out


def _centimetres(length: str) -> float:
    """A length of a drawing; 0 where it is not given."""
    found = re.fullmatch(r"(-?[0-9]*\.?[0-9]+)(cm|mm|in|pt)", length)
    return float(found[1]) * {"cm": 1.0, "mm": 0.1, "in": 2.54, "pt": 2.54 / 72}[found[2]] if found else 0.0


def open_document_looks(data: bytes) -> dict[str, Look]:
    """The look of every sheet by its name."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        reader = _Content()
        for part in ("styles.xml", "content.xml"):
            if part in archive.namelist():
                reader.run(archive.read(part))
    reader.doubt_conditions()
    reader.doubt_drawn()
    for look, colours, texts in reader.coloured.values():
        if len(set(colours.values())) > 1:
            ask_coloured(look, colours, texts)
    for look in reader.looks.values():
        look.around = list(reader.around)
    return reader.looks


class _Content:
    """The document element by element; of a cell its text, its parts by style, and its comment are kept."""

    def __init__(self) -> None:
        self.looks: dict[str, Look] = {}
        self.handlers: dict[str, Any] = {}
        self.struck: set[str] = set()
        self.raised: set[str] = set()
        self.scaled: set[str] = set()
        self.white: set[str] = set()
        self.ground: set[str] = set()
        self.unseen: set[str] = set()
        self.around: list[tuple[str, str]] = []
        self.beside: str = ""
        self.beside_text = ""
        self.data_style: dict[str, str] = {}
        self.undisplayed: set[str] = set()
        self.conditional: set[str] = set()
        self.areas: list[Area] = []
        self.otherwise: list[tuple[Look, Area]] = []
        self.style = ""
        self.hollow: set[str] = set()
        self.drawn: list[tuple[Look, int, int, int, int]] = []
        self.colour: dict[str, dict[str, str]] = {}
        self.coloured: dict[int, tuple[Look, dict[Place, Any], dict[Place, str]]] = {}
        self.look = Look()
        self.row = self.column = 0
        self.rows = 1
        self.row_hidden = False
        self.defaults: list[str] = []
        self.cell: dict[str, str] | None = None
        self.note: list[str] | None = None
        self.lines: list[str] = []
        self.spans: list[str] = []
        self.marks: list[tuple[str, str]] = []
        self.inside = 0

    def run(self, content: bytes) -> None:
        """Read one part."""
        parser = expat.ParserCreate()
        parser.buffer_text = True
        parser.StartElementHandler = self.start
        parser.EndElementHandler = self.end
        parser.CharacterDataHandler = self.text
        parser.Parse(content, True)

    def handler(self, side: str, tag: str) -> Any:
        """The method for one side of an element, None for none, looked for once."""
        key = side + tag
        if key not in self.handlers:
            self.handlers[key] = getattr(self, side + tag.rpartition(":")[2].replace("-", "_"), None)
        return self.handlers[key]

    def start(self, tag: str, raw: dict[str, str]) -> None:
        if (handler := self.handler("open_", tag)) is not None:
            handler({k.rpartition(":")[2]: v for k, v in raw.items()} if raw else {})

    def end(self, tag: str) -> None:
        if (handler := self.handler("close_", tag)) is not None:
            handler()

    def text(self, text: str) -> None:
        if self.beside:
            self.beside_text += text
        elif self.note is not None:
            self.note.append(text)
        elif self.cell is not None and self.inside and self.lines:
            self.lines[-1] += text
            if self.spans and (self.spans[-1] in self.struck or self.spans[-1] in self.raised):
                self.marks.append((self.spans[-1], text))

    # styles

    def open_style(self, a: dict[str, str]) -> None:
        self.style = a.get("name", "")
        self.data_style[self.style] = a.get("data-style-name", "")
        self.colour[self.style] = dict(self.colour.get(a.get("parent-style-name", ""), {}))
        for group in (self.struck, self.raised, self.white, self.ground, self.unseen):
            if a.get("parent-style-name", "") in group:
                group.add(self.style)

    def open_map(self, a: dict[str, str]) -> None:
        if self.changes(a):
            self.conditional.add(self.style)

    def changes(self, a: dict[str, str]) -> bool:
        """Whether the style that a condition applies shows a number in another way, or not at all."""
        style = a.get("apply-style-name", "")
        return style in self.struck or (style in self.white and style not in self.ground) or bool(self.data_style.get(style))

    def open_conditional_format(self, a: dict[str, str]) -> None:
        self.areas = _areas(a.get("target-range-address", ""))

    def open_condition(self, a: dict[str, str]) -> None:
        if self.changes(a):
            self.otherwise += [(self.look, area) for area in self.areas]

    def open_data_bar(self, a: dict[str, str]) -> None:
        if a.get("show-value") == "false":
            self.otherwise += [(self.look, area) for area in self.areas]

    open_icon_set = open_data_bar

    def doubt_conditions(self) -> None:
        """Doubt the numbers in all areas under such a condition; they may stand before or after their cells."""
        for here, (sheet, top, left, bottom, right) in self.otherwise:
            look = self.looks.get(sheet, here)
            for i, k in list(look.shown):
                if top <= i <= bottom and left <= k <= right:
                    look.doubt((i, k), "format", "", UNDER_A_CONDITION)

    def open_text_properties(self, a: dict[str, str]) -> None:
        if a.get("text-line-through-style", "none") != "none" or a.get("text-line-through-type", "none") != "none":
            self.struck.add(self.style)
        if a.get("text-position", "").split(" ")[0] not in ("", "0%"):
            self.raised.add(self.style)

        if "color" in a and self.style in self.colour:
            self.colour[self.style]["letters"] = a["color"].casefold()
        if a.get("color", "").casefold() in ("#ffffff", "#fff"):
            self.white.add(self.style)
        elif "color" in a:
            self.white.discard(self.style)

    def open_table_cell_properties(self, a: dict[str, str]) -> None:
        if any(a.get(f"diagonal-{side}", "none") != "none" for side in ("bl-tr", "tl-br")):
            self.struck.add(self.style)
        if "background-color" in a and self.style in self.colour:
            self.colour[self.style]["ground"] = a["background-color"].casefold()
        if a.get("background-color", "transparent").casefold() not in ("transparent", "#ffffff"):
            self.ground.add(self.style)

    def open_table_row_properties(self, a: dict[str, str]) -> None:
        if re.match(r"0*(\.0+)?[a-z]", a.get("row-height", a.get("column-width", "1cm"))):
            self.unseen.add(self.style)

    open_table_column_properties = open_table_row_properties

    # what is drawn over the cells

    def open_graphic_properties(self, a: dict[str, str]) -> None:
        if a.get("fill") == "none":
            self.hollow.add(self.style)

    def open_frame(self, a: dict[str, str]) -> None:
        if self.note is not None:
            return
        if self.cell is not None:
            top, left = self.row, self.column
            bottom, right = next(((c, d) for _, c, d, _, _ in _areas(a.get("end-cell-address", ""))), (top, left))
        else:
            x, y, width, height = (_centimetres(a.get(k, "")) for k in ("x", "y", "width", "height"))
            top, left = int(y / ROW_CM), int(x / COLUMN_CM)
            bottom, right = int((y + height) / ROW_CM), int((x + width) / COLUMN_CM)
        self.drawn.append((self.look, top, left, bottom, right))

    open_line = open_connector = open_path = open_polyline = open_polygon = open_ellipse = open_circle = open_frame

    def open_custom_shape(self, a: dict[str, str]) -> None:
        if a.get("style-name", "") not in self.hollow:
            self.open_frame(a)

    open_rect = open_custom_shape

    def doubt_drawn(self) -> None:
        """Doubt the cells under what is drawn; of many things all that lies between them is taken to be covered."""
        by_look: dict[int, list[tuple[int, int, int, int]]] = {}
        for look, *area in self.drawn:
            by_look.setdefault(id(look), []).append((area[0], area[1], area[2], area[3]))
        for key, areas in by_look.items():
            if len(areas) > MOST_DRAWN:
                sides = list(zip(*areas, strict=True))
                areas = [(min(sides[0]), min(sides[1]), max(sides[2]), max(sides[3]))]
            look, _, texts = self.coloured.get(key, (Look(), {}, {}))
            for i, k in texts:
                if any(a <= i <= c and b <= k <= d for a, b, c, d in areas):
                    look.doubt((i, k), "struck", "", "lies under a drawing")

    # what stands outside the cells

    def _beside(self, what: str, _: dict[str, str]) -> None:
        self.beside, self.beside_text = what, ""

    open_header = partialmethod(_beside, "print header")
    open_footer = partialmethod(_beside, "print footer")
    open_text_box = partialmethod(_beside, "text box")

    def close_header(self) -> None:
        if self.beside_text.strip():
            self.around.append((self.beside, " ".join(self.beside_text.split())))
        self.beside = ""

    close_footer = close_text_box = close_header

    def open_table_properties(self, a: dict[str, str]) -> None:
        if a.get("display") == "false":
            self.undisplayed.add(self.style)

    def open_number_style(self, a: dict[str, str]) -> None:
        self.style = a.get("name", "")

    def open_number(self, a: dict[str, str]) -> None:
        if "display-factor" in a:
            self.scaled.add(self.style)

    # sheets, columns, rows

    def open_table(self, a: dict[str, str]) -> None:
        self.look = Look(state="hidden" if a.get("style-name", "") in self.undisplayed else "visible")
        self.looks[a.get("name", "")] = self.look
        self.row, self.defaults = 0, []

    def open_table_column(self, a: dict[str, str]) -> None:
        count = min(int(a.get("number-columns-repeated", "1")), 20_000)
        if a.get("visibility") in _HIDDEN or a.get("style-name", "") in self.unseen:
            self.look.columns |= set(range(len(self.defaults), len(self.defaults) + count))
        self.defaults += [a.get("default-cell-style-name", "")] * count

    def open_table_row(self, a: dict[str, str]) -> None:
        self.column, self.rows = 0, int(a.get("number-rows-repeated", "1"))
        if a and (a.get("visibility") in _HIDDEN or a.get("style-name", "") in self.unseen):
            self.look.rows |= set(range(self.row, self.row + min(self.rows, MOST_CELLS)))

    def close_table_row(self) -> None:
        self.row += self.rows

    # cells

    def open_table_cell(self, a: dict[str, str]) -> None:
        self.cell, self.lines, self.marks, self.inside = a, [], [], 0

    open_covered_table_cell = open_table_cell

    def open_annotation(self, a: dict[str, str]) -> None:
        self.note = []

    def close_annotation(self) -> None:
        if self.cell is not None and self.note is not None:
            self.cell["annotation"] = " ".join("".join(self.note).split())
        self.note = None

    def open_p(self, a: dict[str, str]) -> None:
        if self.beside:
            self.beside_text += " "
        elif self.note is None and self.cell is not None:
            self.inside += 1
            self.lines.append("")

    def close_p(self) -> None:
        if self.note is None and self.inside and not self.beside:
            self.inside -= 1

    def open_span(self, a: dict[str, str]) -> None:
        self.spans.append(a.get("style-name", ""))

    def close_span(self) -> None:
        self.spans.pop()

    def open_s(self, a: dict[str, str]) -> None:
        self.text(" " * int(a.get("c", "1")))

    def open_tab(self, a: dict[str, str]) -> None:
        self.text("\t")

    def open_line_break(self, a: dict[str, str]) -> None:
        self.text("\n")

    def close_table_cell(self) -> None:
        cell, self.cell = self.cell or {}, None
        if not cell and not self.lines:
            self.column += 1
            return
        count = int(cell.get("number-columns-repeated", "1"))
        rows, columns = int(cell.get("number-rows-spanned", "1")), int(cell.get("number-columns-spanned", "1"))
        if rows > 1 or columns > 1:
            self.look.merged.append((self.row, self.column, self.row + rows - 1, self.column + columns - 1))
        if self.lines or "value-type" in cell or "formula" in cell or "annotation" in cell:
            for i in range(self.row, self.row + min(self.rows, MOST_CELLS)):
                for k in range(self.column, self.column + count):
                    self.place((i, k), cell)
        self.column += count

    close_covered_table_cell = close_table_cell

    def place(self, at: tuple[int, int], cell: dict[str, Any]) -> None:
        """What the reader sees in one cell."""
        shown, kind = "\n".join(self.lines), cell.get("value-type", "")
        style = cell.get("style-name") or (self.defaults[at[1]] if at[1] < len(self.defaults) else "")
        if shown:
            _, colours, texts = self.coloured.setdefault(id(self.look), (self.look, {}, {}))
            own = self.colour.get(style, {})
            told = (own.get("ground", "transparent"), own.get("letters", "#000000"))
            colours[at] = None if told[0] in ("transparent", "#ffffff") and told[1] == "#000000" else told
            texts[at] = shown
        if "annotation" in cell:
            self.look.doubt(at, "comment", "", f"has the comment {cell['annotation'][:60]!r}")
        if style in self.struck:
            self.look.doubt(at, "struck", "", "is struck through")
        if style in self.white and style not in self.ground:
            self.look.doubt(at, "white", "", "is written in the colour of its background")
        if style in self.conditional:
            self.look.doubt(at, "format", "", UNDER_A_CONDITION)
        for name, part in self.marks:
            words = "struck through" if name in self.struck else "raised or lowered"
            self.look.doubt(at, "struck" if name in self.struck else "raised", "", f"has {part!r} {words}")
        if "formula" in cell:
            self.look.formulas.add(at)
        if kind in ("float", "percentage", "currency"):
            self._number(at, shown, style, cell)
        elif kind in ("", "string") and "formula" in cell and not shown:
            self.look.instead[at] = "=" + cell["formula"].partition("=")[2] if "string-value" not in cell else ""
        elif kind in ("", "string") and shown:
            self.look.instead[at] = shown

    def _number(self, at: tuple[int, int], shown: str, style: str, cell: dict[str, Any]) -> None:
        if shown.strip().startswith(("#", "Err:")):
            self.look.instead[at] = shown if shown.startswith("#") else "#" + shown
        elif self.data_style.get(style, "") in self.scaled:
            self.look.doubt(at, "format", shown, f"shows {shown!r}, scaled by its format",
                            as_shown(shown, float(cell.get("value", "nan")), local=True))
        else:
            self.look.shown[at] = shown
