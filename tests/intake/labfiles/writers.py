"""Text, XLSX and ODS from the same sheets; written by hand, so that every oddity can be made."""

from __future__ import annotations

import io
import re
import zipfile
from datetime import date, timedelta
from xml.sax.saxutils import escape, quoteattr

from tests.intake.labfiles.model import Book, Cell, Sheet

# --- text files


def text_file(sheet: Sheet, delimiter: str, newline: str = "\n") -> str:
    """Cells with the delimiter between them, quoted only where needed (or where a cell asks for it)."""
    lines = []
    for row in sheet.rows:
        if row.line is not None:
            lines.append(row.line)
            continue
        parts = []
        for cell in row.cells:
            text = cell.text
            needs = any(sign in text for sign in (delimiter, '"', "\n", "\r"))
            if not cell.raw and (needs or cell.quote):
                text = '"' + text.replace('"', '""') + '"'
            parts.append(text)
        lines.append(delimiter.join(parts))
    return newline.join(lines) + newline


# --- XLSX

_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_REL = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_PACK = "http://schemas.openxmlformats.org/package/2006/relationships"
_HEAD = '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'
_FONTS = {"": "", "strike": "<strike/>", "white": '<color rgb="FFFFFFFF"/>', "letters": '<color rgb="FFB0B0B0"/>'}


def column_name(index: int) -> str:
    """A, B, ... AA from 0."""
    name = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        name = chr(65 + rest) + name
    return name


class _Styles:
    def __init__(self) -> None:
        self.keys: list[tuple[str, str, bool]] = [("", "", False)]

    def index(self, cell: Cell) -> int:
        font = "strike" if cell.strike else "white" if cell.white else "letters" if cell.colour == "letters" else ""
        key = (cell.fmt, font, cell.colour == "ground")
        if key not in self.keys:
            self.keys.append(key)
        return self.keys.index(key)

    def xml(self) -> str:
        formats = sorted({f for f, _, _ in self.keys if f})
        ids = {f: 164 + i for i, f in enumerate(formats)}
        fonts = list(_FONTS)
        out = [_HEAD, f'<styleSheet xmlns="{_MAIN}">']
        if formats:
            out.append(f'<numFmts count="{len(formats)}">')
            out += [f'<numFmt numFmtId="{ids[f]}" formatCode={quoteattr(f)}/>' for f in formats]
            out.append("</numFmts>")
        out.append(f'<fonts count="{len(fonts)}">')
        out += [f'<font>{_FONTS[f]}<sz val="11"/><name val="Calibri"/></font>' for f in fonts]
        out.append("</fonts>")
        out.append(
            '<fills count="3"><fill><patternFill patternType="none"/></fill>'
            '<fill><patternFill patternType="gray125"/></fill>'
            '<fill><patternFill patternType="solid"><fgColor rgb="FFFFC000"/></patternFill></fill></fills>'
            '<borders count="1"><border><left/><right/><top/><bottom/><diagonal/></border></borders>'
            '<cellStyleXfs count="1"><xf numFmtId="0" fontId="0" fillId="0" borderId="0"/></cellStyleXfs>'
        )
        out.append(f'<cellXfs count="{len(self.keys)}">')
        for form, font, ground in self.keys:
            out.append(
                f'<xf numFmtId="{ids.get(form, 0)}" fontId="{fonts.index(font)}" fillId="{2 if ground else 0}" borderId="0" '
                'xfId="0" applyNumberFormat="1" applyFont="1"/>'
            )
        out.append(
            '</cellXfs><cellStyles count="1"><cellStyle name="Normal" xfId="0" builtinId="0"/></cellStyles>'
            "</styleSheet>"
        )
        return "".join(out)


def _string_xml(cell: Cell) -> str:
    if cell.runs is None:
        return f'<t xml:space="preserve">{escape(cell.text)}</t>'
    parts = []
    for text, style in cell.runs:
        mark = {"": "", "strike": "<strike/>"}.get(style, f'<vertAlign val="{style}"/>')
        parts.append(
            f'<r><rPr>{mark}<sz val="11"/><rFont val="Calibri"/></rPr><t xml:space="preserve">{escape(text)}</t></r>'
        )
    return "".join(parts)


def _cell_xml(cell: Cell, ref: str, styles: _Styles, strings: list[str] | None) -> str:
    style = styles.index(cell)
    if cell.text == "" and cell.value is None and not cell.formula and not style and cell.runs is None:
        return ""
    start = f'<c r="{ref}"' + (f' s="{style}"' if style else "")
    formula = f"<f>{escape(cell.formula)}</f>" if cell.formula else ""
    if cell.kind == "error":
        return f'{start} t="e">{formula}<v>{escape(cell.text)}</v></c>'
    if cell.kind == "bool":
        return f'{start} t="b">{formula}<v>{1 if cell.text == "TRUE" else 0}</v></c>'
    if cell.value is not None:
        stored = f"<v>{cell.value}</v>" if cell.cached else ""
        return f"{start}>{formula}{stored}</c>"
    if cell.formula:
        return f'{start} t="str">{formula}' + (f"<v>{escape(cell.text)}</v></c>" if cell.cached else "</c>")
    if cell.text == "" and cell.runs is None:
        return f"{start}/>"
    if strings is None:
        return f'{start} t="inlineStr"><is>{_string_xml(cell)}</is></c>'
    strings.append(_string_xml(cell))
    return f'{start} t="s"><v>{len(strings) - 1}</v></c>'


def _sheet_xml(sheet: Sheet, styles: _Styles, strings: list[str] | None) -> str:
    out = [f'<worksheet xmlns="{_MAIN}" xmlns:r="{_REL}">']
    if sheet.hidden_columns:
        out.append(
            "<cols>"
            + "".join(
                f'<col min="{i + 1}" max="{i + 1}" width="9" hidden="1" customWidth="1"/>'
                for i in sorted(sheet.hidden_columns)
            )
            + "</cols>"
        )
    out.append("<sheetData>")
    for number, row in enumerate(sheet.rows, start=1):
        mark = ' hidden="1"' if row.hidden or row.filtered else ""
        cells = "".join(_cell_xml(c, f"{column_name(i)}{number}", styles, strings) for i, c in enumerate(row.cells))
        if cells or mark:
            out.append(f'<row r="{number}"{mark}>{cells}</row>')
    out.append(sheet.raw_rows_xml + "</sheetData>")
    if any(row.filtered for row in sheet.rows):
        out.append(
            f'<autoFilter ref="A1:{column_name(len(sheet.rows[0].cells) - 1)}{len(sheet.rows)}">'
            '<filterColumn colId="0"><filters><filter val="x"/></filters></filterColumn></autoFilter>'
        )
    if sheet.merges:
        out.append(
            f'<mergeCells count="{len(sheet.merges)}">'
            + "".join(
                f'<mergeCell ref="{column_name(c)}{r + 1}:{column_name(d)}{q + 1}"/>' for r, c, q, d in sheet.merges
            )
            + "</mergeCells>"
        )
    out.append("</worksheet>")
    return "".join(out)


def _with_prefix(xml: str, prefix: str) -> str:
    xml = re.sub(r"<(/?)([A-Za-z])", rf"<\g<1>{prefix}:\2", xml)
    return xml.replace(f'xmlns="{_MAIN}"', f'xmlns:{prefix}="{_MAIN}"')


def _single_quoted(xml: str) -> str:
    return re.sub(r'="([^"\']*)"', r"='\1'", xml)


def xlsx_file(book: Book) -> bytes:
    """A workbook of Excel."""
    styles = _Styles()
    strings: list[str] | None = [] if book.shared_strings else None
    parts: dict[str, str] = {}
    types = [
        '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
        '<Default Extension="xml" ContentType="application/xml"/>'
        '<Override PartName="/xl/workbook.xml" ContentType='
        '"application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/>'
    ]
    sheets, links = [], []
    for number, sheet in enumerate(book.sheets, start=1):
        path = f"data/results-{number}.xml" if book.odd_paths else f"worksheets/sheet{number}.xml"
        xml = _sheet_xml(sheet, styles, strings)
        if book.prefix:
            xml = _with_prefix(xml, book.prefix)
        if book.single_quotes:
            xml = _single_quoted(xml)
        parts[f"xl/{path}"] = _HEAD + xml
        types.append(
            f'<Override PartName="/xl/{path}" ContentType='
            '"application/vnd.openxmlformats-officedocument.spreadsheetml.worksheet+xml"/>'
        )
        state = "" if sheet.state == "visible" else f' state="{sheet.state}"'
        sheets.append(f'<sheet name={quoteattr(sheet.name)} sheetId="{number}"{state} r:id="rId{number}"/>')
        links.append(f'<Relationship Id="rId{number}" Type="{_REL}/worksheet" Target="{path}"/>')
        noted = [
            (f"{column_name(c)}{r + 1}", cell.comment)
            for r, row in enumerate(sheet.rows)
            for c, cell in enumerate(row.cells)
            if cell.comment
        ]
        if noted:
            parts[f"xl/comments{number}.xml"] = (
                f'{_HEAD}<comments xmlns="{_MAIN}"><authors><author>lab</author></authors><commentList>'
                + "".join(
                    f'<comment ref="{ref}" authorId="0"><text><r><t xml:space="preserve">{escape(text)}</t></r></text>'
                    "</comment>"
                    for ref, text in noted
                )
                + "</commentList></comments>"
            )
            folder, name = path.rsplit("/", 1)
            parts[f"xl/{folder}/_rels/{name}.rels"] = (
                f'{_HEAD}<Relationships xmlns="{_PACK}"><Relationship Id="rId1" Type="{_REL}/comments" '
                f'Target="../comments{number}.xml"/></Relationships>'
            )
            types.append(
                f'<Override PartName="/xl/comments{number}.xml" ContentType='
                '"application/vnd.openxmlformats-officedocument.spreadsheetml.comments+xml"/>'
            )
    count = len(book.sheets)
    links.append(f'<Relationship Id="rId{count + 1}" Type="{_REL}/styles" Target="styles.xml"/>')
    types.append(
        '<Override PartName="/xl/styles.xml" ContentType='
        '"application/vnd.openxmlformats-officedocument.spreadsheetml.styles+xml"/>'
    )
    if strings is not None:
        links.append(f'<Relationship Id="rId{count + 2}" Type="{_REL}/sharedStrings" Target="sharedStrings.xml"/>')
        types.append(
            '<Override PartName="/xl/sharedStrings.xml" ContentType='
            '"application/vnd.openxmlformats-officedocument.spreadsheetml.sharedStrings+xml"/>'
        )
        parts["xl/sharedStrings.xml"] = (
            f'{_HEAD}<sst xmlns="{_MAIN}" count="{len(strings)}" uniqueCount="{len(strings)}">'
            + "".join(f"<si>{s}</si>" for s in strings)
            + "</sst>"
        )
    parts["xl/styles.xml"] = styles.xml()
    parts["xl/workbook.xml"] = (
        f'{_HEAD}<workbook xmlns="{_MAIN}" xmlns:r="{_REL}"><sheets>' + "".join(sheets) + "</sheets></workbook>"
    )
    parts["xl/_rels/workbook.xml.rels"] = (
        f'{_HEAD}<Relationships xmlns="{_PACK}">' + "".join(links) + "</Relationships>"
    )
    parts["_rels/.rels"] = (
        f'{_HEAD}<Relationships xmlns="{_PACK}"><Relationship Id="rId1" '
        f'Type="{_REL}/officeDocument" Target="xl/workbook.xml"/></Relationships>'
    )
    parts["[Content_Types].xml"] = (
        f'{_HEAD}<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
        + "".join(types)
        + "</Types>"
    )
    return _zipped(parts)


def _zipped(parts: dict[str, str], stored: tuple[str, ...] = ()) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        for name, text in parts.items():
            info = zipfile.ZipInfo(name, (2026, 5, 4, 9, 0, 0))
            info.compress_type = zipfile.ZIP_STORED if name in stored else zipfile.ZIP_DEFLATED
            archive.writestr(info, text.encode("utf-8"))
    return out.getvalue()


# --- ODS

_NAMES = " ".join(
    f'xmlns:{p}="urn:oasis:names:tc:opendocument:xmlns:{n}:1.0"'
    for p, n in (
        ("office", "office"),
        ("table", "table"),
        ("text", "text"),
        ("style", "style"),
        ("number", "datastyle"),
        ("of", "of"),
    )
) + (
    ' xmlns:fo="urn:oasis:names:tc:opendocument:xmlns:xsl-fo-compatible:1.0"'
    ' xmlns:dc="http://purl.org/dc/elements/1.1/"'
)


def _ods_number_style(fmt: str, name: str) -> str:
    """The formats that this generator uses, as OpenDocument number styles."""
    literal = re.findall(r'"([^"]*)"', fmt)
    digits = re.sub(r'"[^"]*"', "", fmt)
    places = len(re.sub(r"[^0#]", "", digits.split(".")[1])) if "." in digits else 0
    number = f'<number:number number:decimal-places="{places}" number:min-integer-digits="1"'
    if digits.rstrip().endswith(","):
        number += ' number:display-factor="1000"'
    number += "/>"
    if "%" in digits:
        return (
            f'<number:percentage-style style:name="{name}">{number}<number:text>%</number:text>'
            "</number:percentage-style>"
        )
    if "d" in digits.lower():
        return (
            f'<number:date-style style:name="{name}"><number:day/><number:text>. </number:text>'
            '<number:month number:textual="true"/></number:date-style>'
        )
    before = escape(literal[0]) if literal and fmt.startswith('"') else ""
    after = escape(literal[-1]) if literal and fmt.endswith('"') and not fmt.startswith('"') else ""
    if not re.search(r"[0#]", digits):
        number = ""
    return (
        f'<number:number-style style:name="{name}">'
        + (f"<number:text>{before}</number:text>" if before else "")
        + number
        + (f"<number:text>{after}</number:text>" if after else "")
        + "</number:number-style>"
    )


def _ods_text(text: str) -> str:
    out = escape(text)
    out = re.sub(r"  +", lambda m: f' <text:s text:c="{len(m[0]) - 1}"/>', out)
    return out.replace("\t", "<text:tab/>")


def _ods_paragraphs(cell: Cell) -> str:
    if cell.runs is not None:
        inner = "".join(
            _ods_text(t) if not s else f'<text:span text:style-name="T{s}">{_ods_text(t)}</text:span>'
            for t, s in cell.runs
        )
        return f"<text:p>{inner}</text:p>"
    if cell.text == "":
        return ""
    return "".join(f"<text:p>{_ods_text(line)}</text:p>" for line in cell.text.split("\n"))


def _ods_cell(cell: Cell, styles: dict[tuple[str, bool, str], str], covered: bool, span: str) -> str:
    name = "covered-table-cell" if covered else "table-cell"
    attributes = span
    if cell.fmt or cell.strike or cell.colour:
        key = (cell.fmt, cell.strike, cell.colour)
        attributes += f' table:style-name="{styles.setdefault(key, f"ce{len(styles) + 1}")}"'
    if cell.formula:
        attributes += f" table:formula={quoteattr('of:=' + cell.formula)}"
    note = (
        f"<office:annotation><dc:creator>lab</dc:creator><text:p>{escape(cell.comment)}</text:p></office:annotation>"
        if cell.comment
        else ""
    )
    if cell.kind == "error":
        attributes += (
            ' office:value-type="string" office:string-value=""'
            if not cell.formula
            else ' office:value-type="float" office:value="0"'
        )
        return f"<table:{name}{attributes}>{note}<text:p>{escape(cell.text)}</text:p></table:{name}>"
    if cell.kind == "bool":
        word = "true" if cell.text == "TRUE" else "false"
        attributes += f' office:value-type="boolean" office:boolean-value="{word}"'
    elif cell.kind == "date":
        day = date(1899, 12, 30) + timedelta(days=int(cell.value or 0))
        attributes += f' office:value-type="date" office:date-value="{day.isoformat()}"'
    elif cell.value is not None and cell.cached:
        attributes += (
            f' office:value-type="{"percentage" if "%" in cell.fmt else "float"}" office:value="{cell.value}"'
        )
    elif (cell.text or cell.runs) and cell.cached:
        attributes += ' office:value-type="string"'
    body = _ods_paragraphs(cell) if cell.cached else ""
    if not body and not note:
        return f"<table:{name}{attributes}/>"
    return f"<table:{name}{attributes}>{note}{body}</table:{name}>"


def ods_file(book: Book) -> bytes:
    """A workbook of LibreOffice."""
    styles: dict[tuple[str, bool, str], str] = {}
    tables = []
    for sheet in book.sheets:
        covered, spans = set(), {}
        for r, c, q, d in sheet.merges:
            covered |= {(i, j) for i in range(r, q + 1) for j in range(c, d + 1)} - {(r, c)}
            spans[(r, c)] = f' table:number-columns-spanned="{d - c + 1}" table:number-rows-spanned="{q - r + 1}"'
        width = max(len(row.cells) for row in sheet.rows)
        hidden_style = "" if sheet.state == "visible" else ' table:style-name="taHidden"'
        out = [f"<table:table table:name={quoteattr(sheet.name)}{hidden_style}>"]
        for i in range(width):
            out.append(
                "<table:table-column" + (' table:visibility="collapse"' if i in sheet.hidden_columns else "") + "/>"
            )
        last = ""
        for r, row in enumerate(sheet.rows):
            mark = (
                ' table:visibility="filter"' if row.filtered else ' table:visibility="collapse"' if row.hidden else ""
            )
            cells: list[tuple[str, int]] = []
            for c in range(width):
                cell = row.cells[c] if c < len(row.cells) else Cell()
                xml = _ods_cell(cell, styles, (r, c) in covered, spans.get((r, c), ""))
                if book.repeat_cells and cells and cells[-1][0] == xml and "annotation" not in xml:
                    cells[-1] = (xml, cells[-1][1] + 1)
                else:
                    cells.append((xml, 1))
            body = (" " if book.spaced else "").join(
                x
                if n == 1
                else re.sub(r"^<table:(covered-)?table-cell", rf'\g<0> table:number-columns-repeated="{n}"', x)
                for x, n in cells
            )
            last = f"<table:table-row{mark}>{body}</table:table-row>"
            out.append(last)
        out.append(sheet.raw_rows_xml)
        out.append(
            f'<table:table-row table:number-rows-repeated="40"><table:table-cell '
            f'table:number-columns-repeated="{width}"/></table:table-row></table:table>'
        )
        tables.append("".join(out))
    automatic = [
        '<style:style style:name="Tsuperscript" style:family="text"><style:text-properties '
        'style:text-position="super 58%"/></style:style>'
        '<style:style style:name="Tsubscript" style:family="text"><style:text-properties '
        'style:text-position="sub 58%"/></style:style>'
        '<style:style style:name="Tstrike" style:family="text"><style:text-properties '
        'style:text-line-through-style="solid" style:text-line-through-type="single"/></style:style>'
        '<style:style style:name="taHidden" style:family="table"><style:table-properties '
        'table:display="false"/></style:style>'
    ]
    for (fmt, strike, colour), name in styles.items():
        data = ""
        if fmt:
            automatic.append(_ods_number_style(fmt, f"N{name}"))
            data = f' style:data-style-name="N{name}"'
        line = (
            ('<style:text-properties style:text-line-through-style="solid" style:text-line-through-type="single"/>')
            if strike
            else ""
        )
        line += {"ground": '<style:table-cell-properties fo:background-color="#ffc000"/>',
                 "letters": '<style:text-properties fo:color="#b0b0b0"/>', "": ""}[colour]
        automatic.append(f'<style:style style:name="{name}" style:family="table-cell"{data}>{line}</style:style>')
    content = (
        f'<?xml version="1.0" encoding="UTF-8"?>\n<office:document-content {_NAMES} office:version="1.2">'
        f"<office:automatic-styles>{''.join(automatic)}</office:automatic-styles>"
        f"<office:body><office:spreadsheet>{''.join(tables)}</office:spreadsheet></office:body>"
        "</office:document-content>"
    )
    manifest = (
        '<?xml version="1.0" encoding="UTF-8"?>\n<manifest:manifest xmlns:manifest='
        '"urn:oasis:names:tc:opendocument:xmlns:manifest:1.0" manifest:version="1.2"><manifest:file-entry '
        'manifest:full-path="/" manifest:media-type="application/vnd.oasis.opendocument.spreadsheet"/>'
        '<manifest:file-entry manifest:full-path="content.xml" manifest:media-type="text/xml"/>'
        "</manifest:manifest>"
    )
    return _zipped(
        {
            "mimetype": "application/vnd.oasis.opendocument.spreadsheet",
            "content.xml": content,
            "META-INF/manifest.xml": manifest,
        },
        stored=("mimetype",),
    )
