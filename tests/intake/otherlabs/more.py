"""What a second look found: shifted tables, names set aside, headings of another quantity."""

from __future__ import annotations

from tests.intake.otherlabs.made import (
    THREE,
    Case,
    Laboratory,
    case,
    joined,
    kind,
    long_entry,
    plain,
    wide_entry,
    wide_numbers,
    wide_rows,
    with_units,
    workbook,
)
from tests.intake.otherlabs.texts_one import quoted_newline_cells


@kind
def z_note_p_percent_overlooked(lab: Laboratory) -> Case:
    rows = wide_rows(lab, THREE, dec=".", f=lambda code, a, value: plain(value / 10000) if a == "P" else plain(value))
    rows = [["P values are given in % m/m"], [], *rows]
    return case([("a.csv", joined(rows, ";"))], lab.meant(THREE), hand=wide_entry(same=THREE, header_row=3, decimal="."))


@kind
def z_units_line_overlooked(lab: Laboratory) -> Case:
    rows = wide_rows(lab, THREE, dec=".", f=lambda code, a, value: plain(value / 10000) if a == "P" else plain(value))
    rows = [["Units: Si mg/kg, P wt%, Ca mg/kg"], [], *rows]
    return case([("a.csv", joined(rows, ";"))], lab.meant(THREE), hand=wide_entry(same=THREE, header_row=3, decimal="."))


@kind
def z_units_cells_line_overlooked(lab: Laboratory) -> Case:
    rows = wide_rows(lab, THREE, dec=".", f=lambda code, a, value: plain(value / 10000) if a == "P" else plain(value))
    rows = [["Einheiten:", "Si mg/kg", "P % m/m", "Ca mg/kg"], *rows]
    return case([("a.csv", joined(rows, ";"))], lab.meant(THREE), hand=wide_entry(same=THREE, header_row=2, decimal="."))


@kind
def z_units_row_above_overlooked(lab: Laboratory) -> Case:
    rows = wide_rows(lab, THREE, dec=".", f=lambda code, a, value: plain(value / 10000) if a == "P" else plain(value))
    rows = [["", "mg/kg", "% m/m", "mg/kg"], *rows]
    return case([("a.csv", joined(rows, ";"))], lab.meant(THREE), hand=wide_entry(same=THREE, header_row=2, decimal="."))


@kind
def z_decimal_comma_all_rows_kv(lab: Laboratory) -> Case:
    rows = ["Sample,KV40,Water,Remark,"] + [
        f"{code},{('{:.1f}'.format(lab.values[code]['KV40'])).replace('.', ',')},{plain(lab.values[code]['Water'])},"
        for code in lab.samples
    ]
    return case(
        [("a.csv", "\r\n".join(rows) + "\r\n")],
        lab.meant(["KV40", "Water"]),
        hand=wide_entry(same=["KV40", "Water"], delimiter=",", ignore_columns=["Remark"]),
    )


@kind
def z_date_comma_shift_no_date_heading(lab: Laboratory) -> Case:
    rows = ["Sample,Drawn,Water,Si,Remark"] + [
        f"{code},4 May, 2026,{plain(lab.values[code]['Water'])},{plain(lab.values[code]['Si'])}" for code in lab.samples
    ]
    return case(
        [("a.csv", "\r\n".join(rows) + "\r\n")],
        lab.meant(["Water", "Si"]),
        hand=wide_entry(same=["Water", "Si"], decimal=".", ignore_columns=["Remark", "Drawn"]),
    )


@kind
def z_place_comma_shift_number(lab: Laboratory) -> Case:
    """ "rack 3, 17" : position in the rack becomes Si (10..40), Si becomes Water, Water becomes remark."""
    rows = ["Sample,Position,Si,Water,Remark"] + [
        f"{code},rack 3, {17 + i},{plain(lab.values[code]['Si'])},{plain(lab.values[code]['Water'])}"
        for i, code in enumerate(lab.samples)
    ]
    return case(
        [("a.csv", "\r\n".join(rows) + "\r\n")],
        lab.meant(["Si", "Water"]),
        hand=wide_entry(same=["Si", "Water"], decimal=".", ignore_columns=["Remark", "Position"]),
    )


@kind
def z_place_comma_shift_lastmapped(lab: Laboratory) -> Case:
    """No remark column: the header has a trailing empty heading instead."""
    rows = ["Sample,Position,Si,Water,"] + [
        f"{code},rack 3, {17 + i},{plain(lab.values[code]['Si'])},{plain(lab.values[code]['Water'])}"
        for i, code in enumerate(lab.samples)
    ]
    return case(
        [("a.csv", "\r\n".join(rows) + "\r\n")],
        lab.meant(["Si", "Water"]),
        hand=wide_entry(same=["Si", "Water"], decimal=".", ignore_columns=["Position"]),
    )


@kind
def z_x_newline_heading(lab: Laboratory) -> Case:
    rows = [["Sample", "Si\n(mg/kg)", "P\n(mg/kg)"]] + [
        [code, lab.values[code]["Si"], lab.values[code]["P"]] for code in lab.samples
    ]
    return case(
        [("a.xlsx", workbook(rows))],
        lab.meant(["Si", "P"]),
        hand=wide_entry(same=[], units=False, analytes={"Si\n(mg/kg)": "Si", "P\n(mg/kg)": "P"}),
    )


@kind
def z_newline_heading_by_plain_name(lab: Laboratory) -> Case:
    d = quoted_newline_cells(lab)
    d["hand"]["file"][0]["analytes"] = {"Si": "Si", "P": "P"}
    d["ans"] = {"analytes": {"Si\n(mg/kg)": None, "P\n(mg/kg)": None, "Si (mg/kg)": "Si", "P (mg/kg)": "P"}}
    return d


@kind
def z_second_file_other_unit(lab: Laboratory) -> Case:
    a, b = (lab.samples[:5], lab.samples[5:])
    r1 = [["Sample", "P [mg/kg]"]] + [[code, plain(lab.values[code]["P"], ",")] for code in a]
    r2 = [["Sample", "P [% m/m]"]] + [[code, plain(lab.values[code]["P"] / 10000.0, ",")] for code in b]
    return case(
        [("r1.csv", joined(r1)), ("r2.csv", joined(r2))],
        lab.meant(["P"]),
        hand=wide_entry(same=["P"], units=False, decimal=","),
    )


@kind
def z_second_file_no_unit_row(lab: Laboratory) -> Case:
    a, b = (lab.samples[:5], lab.samples[5:])
    r1 = [["Sample", "P", "Si"], ["", "mg/kg", "mg/kg"]] + [
        [code, plain(lab.values[code]["P"], ","), plain(lab.values[code]["Si"], ",")] for code in a
    ]
    r2 = [["Sample", "P", "Si"]] + [[code, plain(lab.values[code]["P"], ","), plain(lab.values[code]["Si"], ",")] for code in b]
    return case(
        [("r1.csv", joined(r1)), ("r2.csv", joined(r2))],
        lab.meant(["P", "Si"]),
        hand=wide_entry(same=["P", "Si"], units=False, unit_row=2, decimal=","),
    )


@kind
def z_second_file_header_one_up(lab: Laboratory) -> Case:
    a, b = (lab.samples[:5], lab.samples[5:])

    def mk(ss, t):
        return (
            t
            + [["Sample", "P [mg/kg]", "Si [mg/kg]"]]
            + [[code, plain(lab.values[code]["P"], ","), plain(lab.values[code]["Si"], ",")] for code in ss]
        )

    return case(
        [("r1.csv", joined(mk(a, [["Report 1"], []]))), ("r2.csv", joined(mk(b, [["Report 2"]])))],
        lab.meant(["P", "Si"]),
        hand=wide_entry(same=[], units=False, header_row=3, decimal=",", analytes={"P [mg/kg]": "P", "Si [mg/kg]": "Si"}),
    )


@kind
def z_range_too_short(lab: Laboratory) -> Case:
    return case(
        [("a.csv", joined(with_units(THREE, wide_rows(lab, THREE))))],
        lab.meant(THREE),
        hand=wide_entry(same=THREE, units=False, unit_row=2, decimal=",", range="A1:D8"),
    )


@kind
def z_footer_early(lab: Laboratory) -> Case:
    rows = with_units(THREE, wide_rows(lab, THREE))
    rows = [*rows[:7], ["End of page 1"], *rows[7:], ["End of report"]]
    return case(
        [("a.csv", joined(rows))],
        lab.meant(THREE),
        hand=wide_entry(same=THREE, units=False, unit_row=2, decimal=",", footer="End"),
    )


@kind
def z_sum_heading(lab: Laboratory) -> Case:
    rows = [["Sample", "Ca + Mg [mg/kg]"]] + [[code, plain(lab.values[code]["Ca"] + 12)] for code in lab.samples]
    an = {"Ca + Mg [mg/kg]": "Ca"}
    return case([("a.csv", joined(rows, ","))], [], hand=wide_entry(same=[], units=False, decimal=".", analytes=an))


@kind
def z_log_heading(lab: Laboratory) -> Case:
    import math

    rows = [["Sample", "log Ca"]] + [[code, "{:.4f}".format(math.log10(lab.values[code]["Ca"]))] for code in lab.samples]
    an = {"log Ca": "Ca"}
    return (
        case([("a.csv", joined(rows, ","))], [], hand=wide_entry(same=[], decimal=".", analytes=an, units={}) | {})
        if False
        else case(
            [("a.csv", joined(rows, ","))],
            [],
            hand={
                "file": [
                    {
                        "pattern": "*",
                        "layout": "wide",
                        "decimal": ".",
                        "columns": {"sample": "Sample"},
                        "analytes": an,
                        "units": {"log Ca": "mg/kg"},
                    }
                ]
            },
        )
    )


@kind
def z_recovery_heading(lab: Laboratory) -> Case:
    rows = [["Sample", "P recovery"]] + [[code, "%.1f" % (lab.values[code]["P"] / 3.4)] for code in lab.samples]
    an = {"P recovery": "P"}
    return case(
        [("a.csv", joined(rows, ","))],
        [],
        hand={
            "file": [
                {
                    "pattern": "*",
                    "layout": "wide",
                    "decimal": ".",
                    "columns": {"sample": "Sample"},
                    "analytes": an,
                    "units": {"P recovery": "mg/kg"},
                }
            ]
        },
    )


@kind
def z_diff_heading(lab: Laboratory) -> Case:
    rows = [["Sample", "Si vs. reference"]] + [[code, "%.1f" % (lab.values[code]["Si"] - 12)] for code in lab.samples]
    an = {"Si vs. reference": "Si"}
    return case(
        [("a.csv", joined(rows, ","))],
        [],
        hand={
            "file": [
                {
                    "pattern": "*",
                    "layout": "wide",
                    "decimal": ".",
                    "columns": {"sample": "Sample"},
                    "analytes": an,
                    "units": {"Si vs. reference": "mg/kg"},
                }
            ]
        },
    )


@kind
def z_unit_dry(lab: Laboratory) -> Case:
    rows = [["Sample", "Ca"], ["", "mg/kg TS"]] + [[code, plain(lab.values[code]["Ca"])] for code in lab.samples]
    return case(
        [("a.csv", joined(rows, ";"))], [], agree=False, hand=wide_entry(same=["Ca"], units=False, unit_row=2, decimal=".")
    )


@kind
def z_unit_as_oxide(lab: Laboratory) -> Case:
    rows = [["Sample", "P"], ["", "mg P2O5/kg"]] + [
        [code, plain(round(lab.values[code]["P"] * 2.2914))] for code in lab.samples
    ]
    return case(
        [("a.csv", joined(rows, ";"))], [], agree=False, hand=wide_entry(same=["P"], units=False, unit_row=2, decimal=".")
    )


@kind
def z_unit_ppm_as_oxide(lab: Laboratory) -> Case:
    rows = [["Sample", "P"], ["", "ppm P2O5"]] + [[code, plain(round(lab.values[code]["P"] * 2.2914))] for code in lab.samples]
    return case(
        [("a.csv", joined(rows, ";"))], [], agree=False, hand=wide_entry(same=["P"], units=False, unit_row=2, decimal=".")
    )


@kind
def z_unit_row_temp100(lab: Laboratory) -> Case:
    rows = [["Sample", "Viscosity"], ["", "mm2/s (100 °C)"]] + [
        [code, plain(round(lab.values[code]["KV40"] / 11.6, 2))] for code in lab.samples
    ]
    an = {"Viscosity": "KV40"}
    return case([("a.csv", joined(rows, ";"))], [], hand=wide_entry(same=[], units=False, unit_row=2, decimal=".", analytes=an))


@kind
def z_method_row_temp100(lab: Laboratory) -> Case:
    rows = [["Kinematic viscosity at 100 °C, ISO 3104"], [], ["Sample", "Viscosity"], ["", "mm2/s"]] + [
        [code, plain(round(lab.values[code]["KV40"] / 11.6, 2))] for code in lab.samples
    ]
    an = {"Viscosity": "KV40"}
    return case(
        [("a.csv", joined(rows, ";"))],
        [],
        hand=wide_entry(same=[], units=False, header_row=3, unit_row=4, decimal=".", analytes=an),
    )


@kind
def z_method_name_oxide_title(lab: Laboratory) -> Case:
    rows = [["XRF, oxides normalised to 100 %"], [], ["Sample", "Ca", "P"], ["", "% (m/m)", "% (m/m)"]] + [
        [code, plain(lab.values[code]["Ca"] / 10000.0), plain(lab.values[code]["P"] / 10000.0)] for code in lab.samples
    ]
    return case(
        [("a.csv", joined(rows, ";"))],
        [],
        agree=False,
        hand=wide_entry(same=["Ca", "P"], units=False, header_row=3, unit_row=4, decimal="."),
    )


@kind
def z_temp_column_mixed(lab: Laboratory) -> Case:
    rows = [["Sample", "Test", "Temp", "Result", "Unit"]]
    for code in lab.samples:
        rows += [
            [code, "Viscosity", "40", plain(lab.values[code]["KV40"]), "mm2/s"],
            [code, "Viscosity", "100", plain(round(lab.values[code]["KV40"] / 11.6, 2)), "mm2/s"],
        ]
    return case(
        [("a.csv", joined(rows, ","))],
        lab.meant(["KV40"]),
        agree=False,
        hand=long_entry(decimal=".", names={"Viscosity": "KV40"}, ignore_columns=["Temp"], replicates="in order"),
    )


@kind
def z_fraction_pseudoanalyte(lab: Laboratory) -> Case:
    rows = [["Sample", "Test", "Result", "Unit"]]
    for i, code in enumerate(lab.samples):
        rows += [
            [code, "Preparation", "filtered" if i % 2 else "as received", ""],
            [code, "Si", plain(lab.values[code]["Si"]), "mg/kg"],
        ]
    return case(
        [("a.csv", joined(rows, ","))],
        [{"s": code, "a": "Si", "v": lab.values[code]["Si"], "agree": not i % 2} for i, code in enumerate(lab.samples)],
        agree=False,
        hand=long_entry(decimal=".", names={"Si": "Si", "Preparation": ""}),
    )


@kind
def z_flag_pseudoanalyte_si(lab: Laboratory) -> Case:
    rows = [["Sample", "Test", "Result", "Unit"]]
    for i, code in enumerate(lab.samples):
        rows += [
            [code, "Si", plain(lab.values[code]["Si"]) if i != 3 else "15", "mg/kg"],
            [code, "Si flag", "<" if i == 3 else "", ""],
        ]
    return case(
        [("a.csv", joined(rows, ","))],
        [
            {"s": code, "a": "Si", "v": 15 if i == 3 else lab.values[code]["Si"], "q": "<" if i == 3 else ""}
            for i, code in enumerate(lab.samples)
        ],
        hand=long_entry(decimal=".", blank="not measured", names={"Si": "Si", "Si flag": ""}),
    )


@kind
def z_status_pseudoanalyte_row_wide(lab: Laboratory) -> Case:
    rows = (
        [["Test", "Unit", *lab.samples]]
        + [[a, "mg/kg"] + [plain(lab.values[code][a], ",") for code in lab.samples] for a in THREE]
        + [["Status", ""] + ["withdrawn" if i == 3 else "final" for i in range(10)]]
    )
    return case(
        [("a.csv", joined(rows))],
        [t for t in lab.meant(THREE) if t["s"] != lab.samples[3]],
        hand={
            "file": [
                {
                    "pattern": "*",
                    "layout": "wide-samples",
                    "decimal": ",",
                    "columns": {"analyte": "Test", "unit": "Unit"},
                    "analytes": {**{a: a for a in THREE}, "Status": ""},
                }
            ]
        },
    )


@kind
def z_factor_pseudoanalyte_row_const(lab: Laboratory) -> Case:
    """All samples diluted 10, factor row ignored, values not multiplied."""
    rows = (
        [["Test", "Unit", *lab.samples]]
        + [[a, "mg/kg"] + [plain(round(lab.values[code][a] / 10, 2), ",") for code in lab.samples] for a in THREE]
        + [["Factor (to multiply)", ""] + ["10"] * 10]
    )
    return case(
        [("a.csv", joined(rows))],
        lab.meant(THREE),
        hand={
            "file": [
                {
                    "pattern": "*",
                    "layout": "wide-samples",
                    "decimal": ",",
                    "columns": {"analyte": "Test", "unit": "Unit"},
                    "analytes": {**{a: a for a in THREE}, "Factor (to multiply)": ""},
                }
            ]
        },
    )


@kind
def z_factor_column_const(lab: Laboratory) -> Case:
    rows = [["Sample", "Si", "P", "To be multiplied by"]] + [
        [code, plain(lab.values[code]["Si"] / 10), plain(lab.values[code]["P"] / 10), "10"] for code in lab.samples
    ]
    return case(
        [("a.csv", joined(rows, ";"))],
        lab.meant(["Si", "P"]),
        hand=wide_entry(same=["Si", "P"], decimal=".", ignore_columns=["To be multiplied by"]),
    )


@kind
def z_replicate_third_is_mean_wideheads(lab: Laboratory) -> Case:
    rows = [["Sample", "Si I", "Si II", "Si III"], ["", "mg/kg", "mg/kg", "mg/kg"]]
    meant = []
    for code in lab.samples:
        value = [round(lab.values[code]["Si"] + 0.2, 1), round(lab.values[code]["Si"] - 0.2, 1), lab.values[code]["Si"]]
        rows.append([code] + [plain(y, ",") for y in value])
        meant += [{"s": code, "a": "Si", "v": value[0]}, {"s": code, "a": "Si", "v": value[1]}]
    an = {"Si I": "Si", "Si II": {"analyte": "Si", "replicate": 2}, "Si III": {"analyte": "Si", "replicate": 3}}
    return case(
        [("a.csv", joined(rows))],
        meant,
        agree=False,
        hand=wide_entry(same=[], units=False, unit_row=2, decimal=",", analytes=an),
    )


@kind
def z_x_print_area(lab: Laboratory) -> Case:

    def f(book, sheet):
        sheet.print_area = "A1:D9"

    return case(
        [("a.xlsx", workbook(with_units(THREE, wide_numbers(lab, THREE)), f))],
        lab.meant(THREE),
        agree=True,
        hand=wide_entry(same=THREE, units=False, unit_row=2),
    )


@kind
def z_x_text_thousands(lab: Laboratory) -> Case:
    rows = with_units(
        ["Si", "Ca"],
        [["Sample", "Si", "Ca"]] + [[code, lab.values[code]["Si"], f"{lab.values[code]['Ca']:,.0f}"] for code in lab.samples],
    )
    return case(
        [("a.xlsx", workbook(rows))],
        lab.meant(["Si", "Ca"]),
        hand=wide_entry(same=["Si", "Ca"], units=False, unit_row=2, decimal=".", thousands=","),
    )


@kind
def z_letters_footnote(lab: Laboratory) -> Case:
    rows = wide_rows(lab, THREE)
    rows[3][1] += "a"
    rows[6][2] += "b"
    rows += [[], ["a: mean of two"], ["b: below range of the calibration"]]
    q1, q2 = (lab.samples[2], lab.samples[5])
    return case(
        [("a.csv", joined(rows))],
        [dict(t, agree=(t["s"], t["a"]) not in {(q1, "Si"), (q2, "P")}) for t in lab.meant(THREE)],
        agree=False,
        hand=wide_entry(same=THREE, decimal=","),
    )


@kind
def z_cyrillic_units(lab: Laboratory) -> Case:
    rows = [["Проба", "Si", "P"], ["", "мг/кг", "мг/кг"]] + [
        [code, plain(lab.values[code]["Si"], ","), plain(lab.values[code]["P"], ",")] for code in lab.samples
    ]
    value = {"unit_words": {"мг/кг": "mg/kg"}}
    return case(
        [("a.csv", joined(rows))],
        lab.meant(["Si", "P"]),
        hand=wide_entry(sample="Проба", same=["Si", "P"], units=False, unit_row=2, decimal=",", **value),
    )


@kind
def z_benign_comment_cols(lab: Laboratory) -> Case:
    rows = [["Sample", "Container type", "Si", "P", "Received condition", "Priority"]] + [
        [
            code,
            "glass 100 mL" if i % 4 else "glass 250 mL",
            plain(lab.values[code]["Si"], ","),
            plain(lab.values[code]["P"], ","),
            "good" if i != 7 else "good, cap tight",
            "normal" if i != 2 else "urgent",
        ]
        for i, code in enumerate(lab.samples)
    ]
    ig = ["Container type", "Received condition", "Priority"]
    return case(
        [("a.csv", joined(rows))], lab.meant(["Si", "P"]), hand=wide_entry(same=["Si", "P"], decimal=",", ignore_columns=ig)
    )
