"""Workbooks: colours, comments, hidden parts, formats, merged cells, several sheets; XLSX, XLS and ODS."""

# ruff: noqa: E501  (long texts of cells stand in one line)

from __future__ import annotations

import datetime
import io
import zipfile

from openpyxl.comments import Comment
from openpyxl.styles import Border, Font, PatternFill, Side

from tests.intake.otherlabs.made import (
    FIVE,
    THREE,
    Case,
    Laboratory,
    case,
    kind,
    old_workbook,
    open_document,
    plain,
    wide_entry,
    wide_numbers,
    with_units,
    workbook,
)


@kind
def x_control(lab: Laboratory) -> Case:
    return case(
        [("a.xlsx", workbook(with_units(FIVE, wide_numbers(lab, FIVE))))],
        lab.meant(FIVE),
        hand=wide_entry(units=False, unit_row=2),
    )


@kind
def x_text_values(lab: Laboratory) -> Case:
    return case(
        [
            (
                "a.xlsx",
                workbook(
                    with_units(
                        THREE,
                        [["Sample", *THREE]]
                        + [[code] + [f"{plain(lab.values[code][a])}" for a in THREE] for code in lab.samples],
                    )
                ),
            )
        ],
        lab.meant(THREE),
        hand=wide_entry(same=THREE, units=False, unit_row=2),
    )


@kind
def x_rounded_display(lab: Laboratory) -> Case:

    def f(book, sheet):
        for r in sheet.iter_rows(min_row=3, min_col=2, max_col=2):
            for value in r:
                value.number_format = "0"

    return case(
        [("a.xlsx", workbook(with_units(THREE, wide_numbers(lab, THREE)), f))],
        lab.meant(THREE),
        hand=wide_entry(same=THREE, units=False, unit_row=2),
    )


@kind
def x_percent_format(lab: Laboratory) -> Case:
    rows = [["Sample", "P [%]"]] + [[code, lab.values[code]["P"] / 1000000.0] for code in lab.samples]

    def f(book, sheet):
        for r in sheet.iter_rows(min_row=2, min_col=2):
            for value in r:
                value.number_format = "0.0000%"

    return case(
        [("a.xlsx", workbook(rows, f))], lab.meant(["P"]), hand=wide_entry(same=[], units=False, analytes={"P [%]": "P"})
    )


@kind
def x_dates_for_values(lab: Laboratory) -> Case:

    def f(book, sheet):
        for i in (4, 7):
            sheet.cell(i, 2).value = datetime.date(2026, 5, 16)
            sheet.cell(i, 2).number_format = "d.m"

    rows = with_units(THREE, wide_numbers(lab, THREE))
    bad = {lab.samples[1], lab.samples[4]}
    return case(
        [("a.xlsx", workbook(rows, f))],
        [t for t in lab.meant(THREE) if not (t["s"] in bad and t["a"] == "Si")],
        agree=False,
        hand=wide_entry(same=THREE, units=False, unit_row=2),
    )


@kind
def x_serial_general(lab: Laboratory) -> Case:
    """Date-coerced and then set back to General: 16.5 -> 46158."""
    rows = with_units(THREE, wide_numbers(lab, THREE))
    rows[4][1] = 46158
    return case(
        [("a.xlsx", workbook(rows))],
        [t for t in lab.meant(THREE) if (t["s"], t["a"]) != (lab.samples[2], "Si")],
        agree=False,
        hand=wide_entry(same=THREE, units=False, unit_row=2),
    )


@kind
def x_colour_legend(lab: Laboratory) -> Case:
    rows = [
        ["Report 12", "", "", ""],
        ["red = result invalid, repeat pending"],
        [],
        *with_units(THREE, wide_numbers(lab, THREE)),
    ]
    bad = lab.samples[3]

    def f(book, sheet):
        sheet["A2"].fill = PatternFill("solid", fgColor="FFFF0000")
        for k in range(1, 5):
            sheet.cell(4 + 2 + 3, k).fill = PatternFill("solid", fgColor="FFFF0000")

    return case(
        [("a.xlsx", workbook(rows, f))],
        [t for t in lab.meant(THREE) if t["s"] != bad],
        agree=True,
        hand=wide_entry(same=THREE, units=False, header_row=4, unit_row=5),
    )


@kind
def x_colour_legend_sheet(lab: Laboratory) -> Case:
    rows = with_units(THREE, wide_numbers(lab, THREE))
    bad = lab.samples[3]

    def f(book, sheet):
        for k in range(1, 5):
            sheet.cell(6, k).fill = PatternFill("solid", fgColor="FFFFFF00")
        w = book.create_sheet("Legend")
        w["A1"] = "Colour key"
        w["A2"] = "yellow"
        w["B2"] = "do not use"
        w["A2"].fill = PatternFill("solid", fgColor="FFFFFF00")

    return case(
        [("a.xlsx", workbook(rows, f))],
        [t for t in lab.meant(THREE) if t["s"] != bad],
        agree=True,
        hand=wide_entry(same=THREE, units=False, unit_row=2, sheet="Results", ignore_sheets=["Legend"]),
    )


@kind
def x_colour_only(lab: Laboratory) -> Case:
    rows = with_units(THREE, wide_numbers(lab, THREE))
    bad = lab.samples[3]

    def f(book, sheet):
        for k in range(1, 5):
            sheet.cell(6, k).fill = PatternFill("solid", fgColor="FFFF0000")

    return case(
        [("a.xlsx", workbook(rows, f))],
        [dict(t, agree=t["s"] != bad) for t in lab.meant(THREE)],
        agree=False,
        hand=wide_entry(same=THREE, units=False, unit_row=2),
    )


@kind
def x_red_font(lab: Laboratory) -> Case:
    rows = [*with_units(THREE, wide_numbers(lab, THREE)), [], ["Values in red: above calibration, indicative only"]]
    bad = lab.samples[3]

    def f(book, sheet):
        sheet.cell(6, 3).font = Font(color="FFFF0000")

    return case(
        [("a.xlsx", workbook(rows, f))],
        [dict(t, agree=(t["s"], t["a"]) != (bad, "P")) for t in lab.meant(THREE)],
        agree=False,
        hand=wide_entry(same=THREE, units=False, unit_row=2),
    )


@kind
def x_italic_bold_legend(lab: Laboratory) -> Case:
    rows = [
        ["italics: estimated by the instrument from the wing of the line, not for reporting"],
        [],
        *with_units(THREE, wide_numbers(lab, THREE)),
    ]
    bad = lab.samples[3]

    def f(book, sheet):
        sheet.cell(8, 3).font = Font(italic=True)

    return case(
        [("a.xlsx", workbook(rows, f))],
        [t for t in lab.meant(THREE) if (t["s"], t["a"]) != (bad, "P")],
        agree=True,
        hand=wide_entry(same=THREE, units=False, header_row=3, unit_row=4),
    )


@kind
def x_strike_row_code_only(lab: Laboratory) -> Case:
    rows = with_units(THREE, wide_numbers(lab, THREE))
    bad = lab.samples[3]

    def f(book, sheet):
        sheet.cell(6, 1).font = Font(strike=True)

    return case(
        [("a.xlsx", workbook(rows, f))],
        [t for t in lab.meant(THREE) if t["s"] != bad],
        agree=False,
        hand=wide_entry(same=THREE, units=False, unit_row=2),
    )


@kind
def x_strike_heading(lab: Laboratory) -> Case:
    """Whole column withdrawn: only its heading is struck; new column beside."""
    rows = [["Sample", "P", "P new"], ["", "mg/kg", "mg/kg"]] + [
        [code, round(lab.values[code]["P"] * 1.04), lab.values[code]["P"]] for code in lab.samples
    ]

    def f(book, sheet):
        sheet.cell(1, 2).font = Font(strike=True)

    return case(
        [("a.xlsx", workbook(rows, f))],
        lab.meant(["P"]),
        hand=wide_entry(same=["P"], units=False, unit_row=2, ignore_columns=["P new"]),
    )


@kind
def x_comment_on_code(lab: Laboratory) -> Case:
    rows = with_units(THREE, wide_numbers(lab, THREE))
    bad = lab.samples[3]

    def f(book, sheet):
        sheet.cell(6, 1).comment = Comment("bottle leaked, do not use", "lab")

    return case(
        [("a.xlsx", workbook(rows, f))],
        [t for t in lab.meant(THREE) if t["s"] != bad],
        agree=False,
        hand=wide_entry(same=THREE, units=False, unit_row=2),
    )


@kind
def x_comment_on_heading(lab: Laboratory) -> Case:
    rows = with_units(THREE, wide_numbers(lab, THREE))

    def f(book, sheet):
        sheet.cell(1, 3).comment = Comment("values x 0.1, dilution not entered", "lab")

    return case(
        [("a.xlsx", workbook(rows, f))],
        lab.meant(["Si", "Ca"]),
        agree=False,
        hand=wide_entry(same=THREE, units=False, unit_row=2),
    )


@kind
def x_hidden_row_filter(lab: Laboratory) -> Case:
    rows = with_units(THREE, wide_numbers(lab, THREE))
    bad = lab.samples[3]

    def f(book, sheet):
        sheet.auto_filter.ref = "A1:D12"
        sheet.row_dimensions[6].hidden = True

    return case(
        [("a.xlsx", workbook(rows, f))],
        [dict(t, agree=t["s"] != bad) for t in lab.meant(THREE)],
        agree=False,
        hand=wide_entry(same=THREE, units=False, unit_row=2),
    )


@kind
def x_hidden_unit_row(lab: Laboratory) -> Case:
    rows = [["Sample", *THREE], ["", "% m/m", "% m/m", "% m/m"], ["", "mg/kg", "mg/kg", "mg/kg"], *wide_numbers(lab, THREE)[1:]]

    def f(book, sheet):
        sheet.row_dimensions[2].hidden = True

    return case([("a.xlsx", workbook(rows, f))], lab.meant(THREE), hand=wide_entry(same=THREE, units=False, unit_row=3))


@kind
def x_hidden_heading_col(lab: Laboratory) -> Case:
    rows = with_units(
        ["Si", "P"], [["Sample", "Si", "P"]] + [[code, lab.values[code]["Si"], lab.values[code]["P"]] for code in lab.samples]
    )

    def f(book, sheet):
        sheet.insert_cols(2)
        sheet["B1"] = "Si old"
        sheet["B2"] = "mg/kg"
        [sheet.cell(3 + i, 2, round(lab.values[code]["Si"] * 1.1, 1)) for i, code in enumerate(lab.samples)]
        sheet.column_dimensions["B"].hidden = True

    return case(
        [("a.xlsx", workbook(rows, f))],
        lab.meant(["Si", "P"]),
        hand=wide_entry(same=["Si", "P"], units=False, unit_row=2, analytes={"Si old": ""}),
    )


@kind
def x_merged_code_pairs(lab: Laboratory) -> Case:
    rows = [["Sample", "Si", "P"], ["", "mg/kg", "mg/kg"]]
    meant = []
    for code in lab.samples:
        for k in (0, 1):
            value = round(lab.values[code]["Si"] + 0.2 * k, 1)
            y = lab.values[code]["P"] + 2 * k
            rows.append([code if k == 0 else None, value, y])
            meant += [{"s": code, "a": "Si", "v": value}, {"s": code, "a": "P", "v": y}]

    def f(book, sheet):
        for i in range(10):
            sheet.merge_cells(start_row=3 + 2 * i, end_row=4 + 2 * i, start_column=1, end_column=1)

    value = {"blank_repeats": ["Sample"], "replicates": "in order", "marked": {"merged": "codes over their two lines"}}
    return case([("a.xlsx", workbook(rows, f))], meant, hand=wide_entry(same=["Si", "P"], units=False, unit_row=2, **value))


@kind
def x_merged_unit(lab: Laboratory) -> Case:
    rows = [["Sample", *THREE], [None, "mg/kg", None, None], *wide_numbers(lab, THREE)[1:]]

    def f(book, sheet):
        sheet.merge_cells("B2:D2")

    return case([("a.xlsx", workbook(rows, f))], lab.meant(THREE), hand=wide_entry(same=THREE, units=False, unit_row=2))


@kind
def x_merged_heading_pairs(lab: Laboratory) -> Case:
    rows = [["Sample", "Si", None, "P", None], [None, "1st", "2nd", "1st", "2nd"], [None] + ["mg/kg"] * 4]
    meant = []
    for code in lab.samples:
        value = [
            lab.values[code]["Si"],
            round(lab.values[code]["Si"] + 0.3, 1),
            lab.values[code]["P"],
            lab.values[code]["P"] + 2,
        ]
        rows.append([code, *value])
        meant += [{"s": code, "a": a, "v": y} for a, y in zip(["Si", "Si", "P", "P"], value, strict=False)]

    def f(book, sheet):
        sheet.merge_cells("B1:C1")
        sheet.merge_cells("D1:E1")
        sheet.merge_cells("A1:A2")

    an = {
        "Si | 1st": "Si",
        "Si | 2nd": {"analyte": "Si", "replicate": 2},
        "P | 1st": "P",
        "P | 2nd": {"analyte": "P", "replicate": 2},
    }
    return case(
        [("a.xlsx", workbook(rows, f))],
        meant,
        hand=wide_entry(same=[], units=False, header_row=[1, 2], unit_row=3, analytes=an),
    )


@kind
def x_merged_heading_res_unc(lab: Laboratory) -> Case:
    rows = [["Sample", "Si", None, "P", None], [None, "Result", "U", "Result", "U"]] + [
        [code, lab.values[code]["Si"], 0.8, lab.values[code]["P"], 12] for code in lab.samples
    ]

    def f(book, sheet):
        sheet.merge_cells("B1:C1")
        sheet.merge_cells("D1:E1")

    an = {"Si | Result": "Si", "Si | U": "", "P | Result": "P", "P | U": ""}
    return case(
        [("a.xlsx", workbook(rows, f))],
        lab.meant(["Si", "P"]),
        hand=wide_entry(same=[], header_row=[1, 2], analytes=an, units={"Si | Result": "mg/kg", "P | Result": "mg/kg"}),
    )


@kind
def x_formulas_uncached(lab: Laboratory) -> Case:
    rows = with_units(THREE, wide_numbers(lab, THREE))
    rows = [["=%s*10" % (value / 10) if i > 2 and k == 2 else value for k, value in enumerate(r)] for i, r in enumerate(rows)]
    return case(
        [("a.xlsx", workbook(rows))],
        [dict(t, agree=False) if t["a"] == "P" else t for t in lab.meant(THREE)],
        agree=False,
        hand=wide_entry(same=THREE, units=False, unit_row=2),
    )


@kind
def x_errors(lab: Laboratory) -> Case:
    rows = with_units(THREE, wide_numbers(lab, THREE))
    rows[4][2] = "#N/A"
    rows[7][3] = "#DIV/0!"
    rows[5][1] = True
    return case(
        [("a.xlsx", workbook(rows))],
        [
            t
            for t in lab.meant(THREE)
            if (t["s"], t["a"]) not in {(lab.samples[2], "P"), (lab.samples[5], "Ca"), (lab.samples[3], "Si")}
        ],
        agree=False,
        hand=wide_entry(same=THREE, units=False, unit_row=2),
    )


@kind
def x_summary_and_raw(lab: Laboratory) -> Case:
    raw = [["Sample", "Rep", *THREE], ["", "", "mg/kg", "mg/kg", "mg/kg"]]
    for code in lab.samples:
        for k in (1, 2):
            raw.append([code, k] + [round(lab.values[code][a] * (1.01 if k == 1 else 0.99), 1) for a in THREE])

    def f(book, sheet):
        w = book.create_sheet("Raw data")
        [w.append(r) for r in raw]

    return case(
        [("a.xlsx", workbook(with_units(THREE, wide_numbers(lab, THREE)), f, title="Summary"))],
        lab.meant(THREE),
        hand=wide_entry(same=THREE, units=False, unit_row=2, sheet="Summary", ignore_sheets=["Raw data"]),
    )


@kind
def x_sheet_per_analyte_star(lab: Laboratory) -> Case:

    def f(book, sheet):
        for a in ("P", "Ca"):
            w = book.create_sheet(a)
            [w.append(r) for r in [["Sample", "Result [mg/kg]"]] + [[code, lab.values[code][a]] for code in lab.samples]]

    rows = [["Sample", "Result [mg/kg]"]] + [[code, lab.values[code]["Si"]] for code in lab.samples]
    h = [wide_entry(same=[], units=False, sheet=a, analytes={"Result [mg/kg]": a})["file"][0] for a in THREE]
    return case([("a.xlsx", workbook(rows, f, title="Si"))], lab.meant(THREE), hand={"file": h})


@kind
def x_sheet_per_analyte_wrong_star(lab: Laboratory) -> Case:
    """The user's pattern covers all sheets as Si (a slip): sheets are named Si, P, Ca."""

    def f(book, sheet):
        for k, a in enumerate(("P", "Ca")):
            w = book.create_sheet(a)
            [
                w.append(r)
                for r in [["Sample", "Result [mg/kg]"]]
                + [[code, lab.values[code][a]] for code in lab.samples[3 * (k + 1) : 3 * (k + 2)]]
            ]

    rows = [["Sample", "Result [mg/kg]"]] + [[code, lab.values[code]["Si"]] for code in lab.samples[:3]]
    meant = (
        [{"s": code, "a": "Si", "v": lab.values[code]["Si"]} for code in lab.samples[:3]]
        + [{"s": code, "a": "P", "v": lab.values[code]["P"]} for code in lab.samples[3:6]]
        + [{"s": code, "a": "Ca", "v": lab.values[code]["Ca"]} for code in lab.samples[6:9]]
    )
    return case(
        [("a.xlsx", workbook(rows, f, title="Si"))],
        meant,
        agree=True,
        hand=wide_entry(same=[], units=False, sheet="*", analytes={"Result [mg/kg]": "Si"}),
    )


@kind
def x_sheet_per_day_swapped(lab: Laboratory) -> Case:

    def f(book, sheet):
        w = book.create_sheet("5 May")
        [
            w.append(r)
            for r in [["Sample", "Water", "Si"], ["", "mg/kg", "mg/kg"]]
            + [[code, lab.values[code]["Water"], lab.values[code]["Si"]] for code in lab.samples[5:]]
        ]

    rows = [["Sample", "Si", "Water"], ["", "mg/kg", "mg/kg"]] + [
        [code, lab.values[code]["Si"], lab.values[code]["Water"]] for code in lab.samples[:5]
    ]
    return case(
        [("a.xlsx", workbook(rows, f, title="4 May"))],
        lab.meant(["Si", "Water"]),
        hand=wide_entry(same=["Si", "Water"], units=False, unit_row=2, sheet="*"),
    )


@kind
def x_sheet_name_dilution(lab: Laboratory) -> Case:
    rows = [["Sample", *THREE], ["", "mg/kg", "mg/kg", "mg/kg"]] + [
        [code] + [round(lab.values[code][a] / 10, 2) for a in THREE] for code in lab.samples
    ]
    return case(
        [("a.xlsx", workbook(rows, title="Diluted 1 to 10"))],
        lab.meant(THREE, agree=False),
        agree=False,
        hand=wide_entry(same=THREE, units=False, unit_row=2),
    )


@kind
def x_very_hidden_newer(lab: Laboratory) -> Case:

    def f(book, sheet):
        w = book.create_sheet("Results v2")
        [
            w.append(r)
            for r in with_units(
                THREE,
                [["Sample", *THREE]] + [[code] + [round(lab.values[code][a] * 1.03, 1) for a in THREE] for code in lab.samples],
            )
        ]
        w.sheet_state = "veryHidden"

    return case(
        [("a.xlsx", workbook(with_units(THREE, wide_numbers(lab, THREE)), f))],
        lab.meant(THREE, agree=False),
        agree=False,
        hand=wide_entry(same=THREE, units=False, unit_row=2, sheet="Results"),
    )


@kind
def x_second_table_below_right(lab: Laboratory) -> Case:
    rows = with_units(THREE, wide_numbers(lab, THREE))

    def f(book, sheet):
        sheet["G14"] = "Sample"
        sheet["H14"] = "Si"
        sheet["G15"] = lab.samples[0]
        sheet["H15"] = round(lab.values[lab.samples[0]]["Si"] * 1.2, 1)

    return case(
        [("a.xlsx", workbook(rows, f))],
        [dict(t, agree=(t["s"], t["a"]) != (lab.samples[0], "Si")) for t in lab.meant(THREE)],
        agree=False,
        hand=wide_entry(same=THREE, units=False, unit_row=2),
    )


@kind
def x_pivot(lab: Laboratory) -> Case:
    rows = (
        [["Row Labels", "Average of Si", "Average of P"]]
        + [[code, lab.values[code]["Si"], lab.values[code]["P"]] for code in lab.samples]
        + [["Grand Total", 16.8, 339.4]]
    )
    an = {"Average of Si": "Si", "Average of P": "P"}
    return case(
        [("a.xlsx", workbook(rows))],
        lab.meant(["Si", "P"]),
        hand=wide_entry(sample="Row Labels", same=[], analytes=an, units={"Average of Si": "mg/kg", "Average of P": "mg/kg"}),
    )


@kind
def x_pivot_sum(lab: Laboratory) -> Case:
    """Pivot of duplicates by Sum (the default): twice the value."""
    rows = [["Row Labels", "Sum of Si", "Sum of P"]] + [
        [code, 2 * lab.values[code]["Si"], 2 * lab.values[code]["P"]] for code in lab.samples
    ]
    an = {"Sum of Si": "Si", "Sum of P": "P"}
    return case(
        [("a.xlsx", workbook(rows))],
        [],
        agree=False,
        hand=wide_entry(sample="Row Labels", same=[], analytes=an, units=dict.fromkeys(an, "mg/kg")),
    )


@kind
def x_count_sheet(lab: Laboratory) -> Case:
    rows = [["Sample", "Count of Si", "Max of Si", "StdDev of Si"]] + [
        [code, lab.rng.choice([14, 15, 16]), lab.values[code]["Si"], round(lab.rng.uniform(0.2, 0.5), 2)]
        for code in lab.samples
    ]
    return case(
        [("a.xlsx", workbook(rows))],
        [],
        agree=False,
        hand=wide_entry(
            same=[], analytes={"Max of Si": "Si", "Count of Si": "", "StdDev of Si": ""}, units={"Max of Si": "mg/kg"}
        ),
    )


@kind
def x_fmt_lt_conditional(lab: Laboratory) -> Case:
    rows = with_units(THREE, wide_numbers(lab, THREE))
    rows[4][1] = 0.4
    code = lab.samples[2]

    def f(book, sheet):
        for i in range(3, 13):
            sheet.cell(i, 2).number_format = '[<2]"<2";0.0'

    return case(
        [("a.xlsx", workbook(rows, f))],
        [
            t if (t["s"], t["a"]) != (code, "Si") else {"s": code, "a": "Si", "v": 2, "q": "<", "agree": False}
            for t in lab.meant(THREE)
        ],
        agree=False,
        hand=wide_entry(same=THREE, units=False, unit_row=2),
    )


@kind
def x_fmt_unit_suffix(lab: Laboratory) -> Case:
    rows = [["Sample", "P", "Ca"]] + [[code, lab.values[code]["P"] / 10000.0, lab.values[code]["Ca"]] for code in lab.samples]

    def f(book, sheet):
        for i in range(2, 12):
            sheet.cell(i, 2).number_format = '0.0000" %"'
            sheet.cell(i, 3).number_format = '0" mg/kg"'

    return case([("a.xlsx", workbook(rows, f))], lab.meant(["P", "Ca"]), hand=wide_entry(same=["P", "Ca"], units={"P": "%"}))


@kind
def x_fmt_unit_suffix_conflict(lab: Laboratory) -> Case:
    """Display says %, the user's mapping (from a cover letter) says mg/kg."""
    rows = [["Sample", "P"]] + [[code, lab.values[code]["P"] / 10000.0] for code in lab.samples]

    def f(book, sheet):
        for i in range(2, 12):
            sheet.cell(i, 2).number_format = '0.0000" %"'

    return case([("a.xlsx", workbook(rows, f))], lab.meant(["P"]), hand=wide_entry(same=["P"]))


@kind
def x_fmt_thousand(lab: Laboratory) -> Case:
    """Stored mg/kg, shown in g/kg by the comma."""
    rows = [["Sample", "Ca [g/kg]"]] + [[code, lab.values[code]["Ca"]] for code in lab.samples]

    def f(book, sheet):
        for i in range(2, 12):
            sheet.cell(i, 2).number_format = "0.000,"

    return case(
        [("a.xlsx", workbook(rows, f))], lab.meant(["Ca"]), hand=wide_entry(same=[], units=False, analytes={"Ca [g/kg]": "Ca"})
    )


@kind
def x_diag_border(lab: Laboratory) -> Case:
    rows = with_units(THREE, wide_numbers(lab, THREE))
    bad = lab.samples[3]

    def f(book, sheet):
        for k in range(1, 5):
            sheet.cell(6, k).border = Border(diagonal=Side(style="thin"), diagonalUp=True)

    return case(
        [("a.xlsx", workbook(rows, f))],
        [t for t in lab.meant(THREE) if t["s"] != bad],
        agree=False,
        hand=wide_entry(same=THREE, units=False, unit_row=2),
    )


@kind
def x_line_shape_over_row(lab: Laboratory) -> Case:
    rows = with_units(THREE, wide_numbers(lab, THREE))
    bad = lab.samples[3]
    b = workbook(rows)
    z = zipfile.ZipFile(io.BytesIO(b))
    o = io.BytesIO()
    w = zipfile.ZipFile(o, "w", zipfile.ZIP_DEFLATED)
    for n in z.namelist():
        d = z.read(n)
        if n == "xl/worksheets/sheet1.xml":
            d = d.replace(
                b"</worksheet>",
                b'<drawing xmlns:r="http://schemas.openxmlformats.org/officeDocument/2006/relationships" r:id="rId1"/></worksheet>',
            )
        if n == "[Content_Types].xml":
            d = d.replace(
                b"</Types>",
                b'<Override PartName="/xl/drawings/drawing1.xml" ContentType="application/vnd.openxmlformats-officedocument.drawing+xml"/></Types>',
            )
        w.writestr(n, d)
    w.writestr(
        "xl/worksheets/_rels/sheet1.xml.rels",
        '<?xml version="1.0" encoding="UTF-8"?><Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="rId1" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/drawing" Target="../drawings/drawing1.xml"/></Relationships>',
    )
    w.writestr(
        "xl/drawings/drawing1.xml",
        '<?xml version="1.0" encoding="UTF-8"?><xdr:wsDr xmlns:xdr="http://schemas.openxmlformats.org/drawingml/2006/spreadsheetDrawing" xmlns:a="http://schemas.openxmlformats.org/drawingml/2006/main"><xdr:twoCellAnchor><xdr:from><xdr:col>0</xdr:col><xdr:colOff>0</xdr:colOff><xdr:row>5</xdr:row><xdr:rowOff>90000</xdr:rowOff></xdr:from><xdr:to><xdr:col>4</xdr:col><xdr:colOff>0</xdr:colOff><xdr:row>5</xdr:row><xdr:rowOff>100000</xdr:rowOff></xdr:to><xdr:cxnSp macro=""><xdr:nvCxnSpPr><xdr:cNvPr id="2" name="Straight Connector 1"/><xdr:cNvCxnSpPr/></xdr:nvCxnSpPr><xdr:spPr><a:xfrm><a:off x="0" y="1000000"/><a:ext cx="3000000" cy="0"/></a:xfrm><a:prstGeom prst="line"><a:avLst/></a:prstGeom><a:ln w="19050"><a:solidFill><a:srgbClr val="FF0000"/></a:solidFill></a:ln></xdr:spPr></xdr:cxnSp><xdr:clientData/></xdr:twoCellAnchor></xdr:wsDr>',
    )
    w.close()
    return case(
        [("a.xlsx", o.getvalue())],
        [t for t in lab.meant(THREE) if t["s"] != bad],
        agree=False,
        hand=wide_entry(same=THREE, units=False, unit_row=2),
    )


@kind
def x_picture_over_cells(lab: Laboratory) -> Case:
    from openpyxl.drawing.image import Image as Picture
    from PIL import Image

    rows = with_units(THREE, wide_numbers(lab, THREE))
    im = Image.new("RGB", (250, 60), "white")
    bb = io.BytesIO()
    im.save(bb, "PNG")
    bb.seek(0)

    def f(book, sheet):
        sheet.add_image(Picture(bb), "B4")

    return case(
        [("a.xlsx", workbook(rows, f))],
        lab.meant(THREE, agree=False),
        agree=False,
        hand=wide_entry(same=THREE, units=False, unit_row=2),
    )


@kind
def x_logo_picture_benign(lab: Laboratory) -> Case:
    from openpyxl.drawing.image import Image as Picture
    from PIL import Image

    rows = [["Laboratory Nordsee"], [], [], *with_units(THREE, wide_numbers(lab, THREE))]
    im = Image.new("RGB", (60, 40), "blue")
    bb = io.BytesIO()
    im.save(bb, "PNG")
    bb.seek(0)

    def f(book, sheet):
        sheet.add_image(Picture(bb), "F1")

    return case(
        [("a.xlsx", workbook(rows, f))], lab.meant(THREE), hand=wide_entry(same=THREE, units=False, header_row=4, unit_row=5)
    )


@kind
def x_offset_table(lab: Laboratory) -> Case:
    rows = [[None] * 6, [None, None, "Laboratory report"]] + [
        [None, None, *r] for r in with_units(THREE, wide_numbers(lab, THREE))
    ]
    return case(
        [("a.xlsx", workbook(rows))], lab.meant(THREE), hand=wide_entry(same=THREE, units=False, header_row=3, unit_row=4)
    )


@kind
def x_grey_font_rows(lab: Laboratory) -> Case:
    rows = [*with_units(THREE, wide_numbers(lab, THREE)), [], ["Greyed-out results are withdrawn"]]
    bad = lab.samples[3]

    def f(book, sheet):
        for k in range(1, 5):
            sheet.cell(6, k).font = Font(color="FFB0B0B0")

    return case(
        [("a.xlsx", workbook(rows, f))],
        [t for t in lab.meant(THREE) if t["s"] != bad],
        agree=True,
        hand=wide_entry(same=THREE, units=False, unit_row=2),
    )


@kind
def x_grey_font_only(lab: Laboratory) -> Case:
    rows = with_units(THREE, wide_numbers(lab, THREE))
    bad = lab.samples[3]

    def f(book, sheet):
        for k in range(1, 5):
            sheet.cell(6, k).font = Font(color="FFB0B0B0")

    return case(
        [("a.xlsx", workbook(rows, f))],
        [dict(t, agree=t["s"] != bad) for t in lab.meant(THREE)],
        agree=False,
        hand=wide_entry(same=THREE, units=False, unit_row=2),
    )


@kind
def x_number_with_trailing_text_fmt(lab: Laboratory) -> Case:
    rows = with_units(THREE, wide_numbers(lab, THREE))
    bad = lab.samples[3]

    def f(book, sheet):
        sheet.cell(6, 2).number_format = '0.0"*"'
        sheet["A14"] = "* out of control"

    return case(
        [("a.xlsx", workbook(rows, f))],
        [t for t in lab.meant(THREE) if (t["s"], t["a"]) != (bad, "Si")],
        agree=False,
        hand=wide_entry(same=THREE, units=False, unit_row=2),
    )


@kind
def x_validation_error_text_comment_sheet(lab: Laboratory) -> Case:
    """Second sheet "Comments" with sentences about samples."""

    def f(book, sheet):
        w = book.create_sheet("Comments")
        w["A1"] = f"{lab.samples[3]}: P recovered 60 % only, disregard"

    return case(
        [("a.xlsx", workbook(with_units(THREE, wide_numbers(lab, THREE)), f))],
        [t for t in lab.meant(THREE) if (t["s"], t["a"]) != (lab.samples[3], "P")],
        agree=False,
        hand=wide_entry(same=THREE, units=False, unit_row=2, sheet="Results"),
    )


@kind
def s_xls_control(lab: Laboratory) -> Case:
    return case(
        [("a.xls", old_workbook(with_units(FIVE, wide_numbers(lab, FIVE))))],
        lab.meant(FIVE),
        hand=wide_entry(units=False, unit_row=2),
    )


@kind
def o_control(lab: Laboratory) -> Case:
    return case(
        [("a.ods", open_document(with_units(FIVE, wide_numbers(lab, FIVE))))],
        lab.meant(FIVE),
        hand=wide_entry(units=False, unit_row=2),
    )


@kind
def o_display_differs(lab: Laboratory) -> Case:
    bad = lab.samples[3]

    def at(i, k, value):
        return (
            f'<table:table-cell office:value-type="float" office:value="{value}"><text:p>&lt;20</text:p></table:table-cell>'
            if (i, k) == (5, 1)
            else None
        )

    return case(
        [("a.ods", open_document(with_units(THREE, wide_numbers(lab, THREE)), cellattr=at))],
        [
            t if (t["s"], t["a"]) != (bad, "Si") else {"s": bad, "a": "Si", "v": 20, "q": "<", "agree": False}
            for t in lab.meant(THREE)
        ],
        agree=False,
        hand=wide_entry(same=THREE, units=False, unit_row=2),
    )


@kind
def o_annotation(lab: Laboratory) -> Case:
    bad = lab.samples[3]

    def at(i, k, value):
        return (
            f'<table:table-cell office:value-type="float" office:value="{value}"><office:annotation><text:p>invalid</text:p></office:annotation><text:p>{value:g}</text:p></table:table-cell>'
            if (i, k) == (5, 2)
            else None
        )

    return case(
        [("a.ods", open_document(with_units(THREE, wide_numbers(lab, THREE)), cellattr=at))],
        [t for t in lab.meant(THREE) if (t["s"], t["a"]) != (bad, "P")],
        agree=False,
        hand=wide_entry(same=THREE, units=False, unit_row=2),
    )


@kind
def o_repeat_cols_rows(lab: Laboratory) -> Case:
    """Number-columns-repeated for two equal neighbours; rows-repeated blanks."""
    for code in lab.samples:
        lab.values[code]["P"] = 340.0
    rows = [["Sample", "P", "P2"], ["", "mg/kg", "mg/kg"]] + [[code, 340.0, 340.0] for code in lab.samples]

    def at(i, k, value):
        if i >= 2 and k == 1:
            return '<table:table-cell table:number-columns-repeated="2" office:value-type="float" office:value="340"><text:p>340</text:p></table:table-cell>'
        if i >= 2 and k == 2:
            return " "

    an = {"P": "P", "P2": {"analyte": "P", "replicate": 2}}
    return case(
        [("a.ods", open_document(rows, cellattr=at))],
        [{"s": code, "a": "P", "v": 340.0} for code in lab.samples for _ in (1, 2)],
        hand=wide_entry(same=[], units=False, unit_row=2, analytes=an),
    )


@kind
def o_tracked_change(lab: Laboratory) -> Case:
    """Tracked changes: a recorded deletion / earlier content."""
    code = lab.samples[3]
    rows = with_units(THREE, wide_numbers(lab, THREE))
    return case(
        [("a.ods", open_document(rows, rowattr=lambda i: ' table:visibility="filter"' if i == 5 else ""))],
        [dict(t, agree=t["s"] != code) for t in lab.meant(THREE)],
        agree=False,
        hand=wide_entry(same=THREE, units=False, unit_row=2),
    )


@kind
def o_percent_type(lab: Laboratory) -> Case:
    rows = [["Sample", "P [%]"]] + [[code, lab.values[code]["P"] / 1000000.0] for code in lab.samples]

    def at(i, k, value):
        if i and k:
            return f'<table:table-cell office:value-type="percentage" office:value="{value}"><text:p>{value * 100:.4f} %</text:p></table:table-cell>'

    return case(
        [("a.ods", open_document(rows, cellattr=at))],
        lab.meant(["P"]),
        hand=wide_entry(same=[], units=False, analytes={"P [%]": "P"}),
    )
