"""Text files, third part."""

from __future__ import annotations

from tests.intake.otherlabs.made import (
    FIVE,
    THREE,
    UNITS,
    Case,
    Laboratory,
    case,
    joined,
    kind,
    long_entry,
    plain,
    wide_entry,
    wide_rows,
)


@kind
def as_oxide_suffix(lab: Laboratory) -> Case:
    rows = [["Sample", "P (as PO4) mg/kg", "Si as SiO2 mg/kg"]] + [
        [code, plain(round(lab.values[code]["P"] * 3.066)), plain(round(lab.values[code]["Si"] * 2.139, 1))]
        for code in lab.samples
    ]
    an = {"P (as PO4) mg/kg": "P", "Si as SiO2 mg/kg": "Si"}
    return case(
        [("a.csv", joined(rows, ","))],
        lab.meant(["P", "Si"]),
        hand=wide_entry(same=[], decimal=".", analytes=an, units=dict.fromkeys(an, "mg/kg")),
    )


@kind
def visc_two_temps_row(lab: Laboratory) -> Case:
    rows = [["Sample", "Viscosity", "Viscosity"], ["", "100 °C", "40 °C"], ["", "mm2/s", "mm2/s"]] + [
        [code, plain(round(lab.values[code]["KV40"] / 11.6, 2)), plain(lab.values[code]["KV40"])] for code in lab.samples
    ]
    an = {"Viscosity | 100 °C": "", "Viscosity | 40 °C": "KV40"}
    return case(
        [("a.csv", joined(rows, ","))],
        lab.meant(["KV40"]),
        hand=wide_entry(same=[], units=False, header_row=[1, 2], unit_row=3, decimal=".", analytes=an),
    )


@kind
def visc_at_100_only(lab: Laboratory) -> Case:
    rows = [["Sample", "Viscosity [mm2/s]", "Temp. [°C]"]] + [
        [code, plain(round(lab.values[code]["KV40"] / 11.6, 2)), "100"] for code in lab.samples
    ]
    return case(
        [("a.csv", joined(rows, ","))],
        [],
        agree=True,
        hand=wide_entry(
            same=[], units=False, decimal=".", analytes={"Viscosity [mm2/s]": "KV40"}, ignore_columns=["Temp. [°C]"]
        ),
    )


@kind
def visc_104f(lab: Laboratory) -> Case:
    rows = [["Sample", "KV @ 104 °F [cSt]"]] + [[code, plain(lab.values[code]["KV40"])] for code in lab.samples]
    an = {"KV @ 104 °F [cSt]": "KV40"}
    return case(
        [("a.csv", joined(rows, ","))], lab.meant(["KV40"]), hand=wide_entry(same=[], units=False, decimal=".", analytes=an)
    )


@kind
def dynamic_viscosity(lab: Laboratory) -> Case:
    rows = [["Sample", "Viscosity 40 °C [mPa·s]"]] + [
        [code, plain(round(lab.values[code]["KV40"] * 0.87, 1))] for code in lab.samples
    ]
    an = {"Viscosity 40 °C [mPa·s]": "KV40"}
    return case([("a.csv", joined(rows, ","))], [], hand=wide_entry(same=[], units=False, decimal=".", analytes=an))


@kind
def visc_header_cst_unit_note_dyn(lab: Laboratory) -> Case:
    rows = [["Rotational viscometer, 40 °C, shear rate 100 1/s"], [], ["Sample", "Viscosity"]] + [
        [code, plain(round(lab.values[code]["KV40"] * 0.87, 1))] for code in lab.samples
    ]
    an = {"Viscosity": "KV40"}
    return case(
        [("a.csv", joined(rows, ","))],
        [],
        hand=wide_entry(same=[], decimal=".", header_row=3, analytes=an, units={"Viscosity": "mm2/s"}),
    )


@kind
def mgl_without_density(lab: Laboratory) -> Case:
    rows = wide_rows(
        lab, THREE, names=["Si [mg/L]", "P [mg/L]", "Ca [mg/L]"], f=lambda code, a, value: plain(round(value * 0.89, 1), ",")
    )
    return case(
        [("a.csv", joined(rows))],
        [],
        agree=False,
        hand=wide_entry(same=[], units=False, decimal=",", analytes={"Si [mg/L]": "Si", "P [mg/L]": "P", "Ca [mg/L]": "Ca"}),
    )


@kind
def ppm_footnote_mgl(lab: Laboratory) -> Case:
    rows = [
        *wide_rows(
            lab, THREE, names=["Si [ppm]", "P [ppm]", "Ca [ppm]"], f=lambda code, a, value: plain(round(value * 0.89, 1), ",")
        ),
        [],
        ["ppm = mg/L"],
    ]
    return case(
        [("a.csv", joined(rows))],
        [],
        agree=True,
        hand=wide_entry(same=[], units=False, decimal=",", analytes={"Si [ppm]": "Si", "P [ppm]": "P", "Ca [ppm]": "Ca"}),
    )


@kind
def ppm_vv_water(lab: Laboratory) -> Case:
    rows = [["Sample", "Water [ppm v/v]"]] + [[code, plain(lab.values[code]["Water"])] for code in lab.samples]
    return case(
        [("a.csv", joined(rows, ","))],
        [],
        agree=False,
        hand=wide_entry(same=[], units=False, decimal=".", analytes={"Water [ppm v/v]": "Water"}),
    )


@kind
def units_variants(lab: Laboratory) -> Case:
    us = ["µg/g", "g/t", "mg kg-1", "ppm (m/m)", "mg·kg⁻¹"]
    rows = [["Sample", "Test", "Result", "Unit"]]
    for i, code in enumerate(lab.samples):
        for k, a in enumerate(THREE):
            rows.append([code, a, plain(lab.values[code][a]), us[(i + k) % 5]])
    return case([("a.csv", joined(rows, ";"))], lab.meant(THREE), hand=long_entry(decimal=".", names={a: a for a in THREE}))


@kind
def promille(lab: Laboratory) -> Case:
    rows = [["Sample", "P [‰]", "Ca [wt.-%]", "Si [µg/kg]"]] + [
        [
            code,
            plain(round(lab.values[code]["P"] / 1000, 3)),
            plain(lab.values[code]["Ca"] / 10000.0),
            plain(lab.values[code]["Si"] * 1000),
        ]
        for code in lab.samples
    ]
    an = {"P [‰]": "P", "Ca [wt.-%]": "Ca", "Si [µg/kg]": "Si"}
    return case(
        [("a.csv", joined(rows, ","))], lab.meant(THREE), hand=wide_entry(same=[], units=False, decimal=".", analytes=an)
    )


@kind
def benign_columns_long(lab: Laboratory) -> Case:
    rows = [["Sample", "Received", "Test", "Result", "Unit", "Method", "Instrument", "Analyst", "Analysed", "Weight g"]]
    for i, code in enumerate(lab.samples):
        for a in THREE:
            rows.append(
                [
                    code,
                    "2026-05-04",
                    a,
                    plain(lab.values[code][a]),
                    "mg/kg",
                    "D5185",
                    "ICP 2" if i < 6 else "ICP 1",
                    "mk" if i % 3 else "U",
                    f"2026-05-0{lab.rng.randint(5, 9)}",
                    f"{lab.rng.uniform(0.49, 0.53):.4f}",
                ]
            )
    ig = ["Received", "Instrument", "Analyst", "Analysed", "Weight g"]
    return case(
        [("a.csv", joined(rows, ","))],
        lab.meant(THREE),
        hand=long_entry(decimal=".", columns={"method": "Method"}, ignore_columns=ig, names={a: a for a in THREE}),
    )


@kind
def benign_remarks(lab: Laboratory) -> Case:
    rm = ["clear", "clear, amber", "", "bottle full", "slightly turbid", "", "label damp", "", "clear", "-"]
    rows = [["Sample", "Si", "P", "Ca", "Remark"]] + [
        [code] + [plain(lab.values[code][a], ",") for a in THREE] + [rm[i]] for i, code in enumerate(lab.samples)
    ]
    return case(
        [("a.csv", joined(rows))], lab.meant(THREE), hand=wide_entry(same=THREE, decimal=",", ignore_columns=["Remark"])
    )


@kind
def invalid_remarks_subtle(lab: Laboratory) -> Case:
    rm = [
        "",
        "",
        "torch went out during run",
        "",
        "sample spilt, result indicative",
        "",
        "",
        "wrong bottle?",
        "",
        "autosampler tip empty",
    ]
    rows = [["Sample", "Si", "P", "Ca", "Remark"]] + [
        [code] + [plain(lab.values[code][a], ",") for a in THREE] + [rm[i]] for i, code in enumerate(lab.samples)
    ]
    return case(
        [("a.csv", joined(rows))],
        [dict(t, agree=not rm[lab.samples.index(t["s"])]) for t in lab.meant(THREE)],
        agree=False,
        hand=wide_entry(same=THREE, decimal=",", ignore_columns=["Remark"]),
    )


@kind
def invalid_remarks_foreign(lab: Laboratory) -> Case:
    rm = ["", "", "nicht verwertbar", "", "wynik nieważny", "", "", "à refaire", "", "作废"]
    rows = [["Sample", "Si", "P", "Ca", "Bemerkung"]] + [
        [code] + [plain(lab.values[code][a], ",") for a in THREE] + [rm[i]] for i, code in enumerate(lab.samples)
    ]
    return case(
        [("a.csv", joined(rows))],
        [t for t in lab.meant(THREE) if not rm[lab.samples.index(t["s"])]],
        agree=False,
        hand=wide_entry(same=THREE, decimal=",", ignore_columns=["Bemerkung"]),
    )


@kind
def remark_outside_table(lab: Laboratory) -> Case:
    """A remark beyond the last heading, in rows where the lab wrote it (no heading)."""
    rows = [["Sample", "Si", "P", "Ca", ""]] + [
        [code] + [plain(lab.values[code][a], ",") for a in THREE] + ["invalid, repeat" if i == 3 else ""]
        for i, code in enumerate(lab.samples)
    ]
    return case(
        [("a.csv", joined(rows))],
        [t for t in lab.meant(THREE) if t["s"] != lab.samples[3]],
        agree=False,
        hand=wide_entry(same=THREE, decimal=","),
    )


@kind
def asterisk_on_code(lab: Laboratory) -> Case:
    rows = wide_rows(lab, THREE)
    rows[4][0] += "*"
    rows += [[], ["* sample container was broken on arrival"]]
    return case(
        [("a.csv", joined(rows))],
        [dict(t, agree=t["s"] != lab.samples[3]) for t in lab.meant(THREE)],
        agree=False,
        hand=wide_entry(same=THREE, decimal=","),
    )


@kind
def asterisk_footnote_values(lab: Laboratory) -> Case:
    code = lab.samples[3]
    rows = wide_rows(lab, THREE)
    rows[4][2] += "*"
    rows += [[], ["* outside calibration range, not valid"]]
    return case(
        [("a.csv", joined(rows))],
        [t for t in lab.meant(THREE) if (t["s"], t["a"]) != (code, "P")],
        agree=False,
        hand=wide_entry(same=THREE, decimal=","),
    )


@kind
def total_row(lab: Laboratory) -> Case:
    rows = [
        *wide_rows(lab, THREE),
        ["Mittelwert"] + [plain(round(sum(lab.values[code][a] for code in lab.samples) / 10, 1), ",") for a in THREE],
        ["Min"] + [plain(min(lab.values[code][a] for code in lab.samples), ",") for a in THREE],
    ]
    return case([("a.csv", joined(rows))], lab.meant(THREE), hand=wide_entry(same=THREE, decimal=","))


@kind
def wide_samples_text(lab: Laboratory) -> Case:
    rows = [["Test", "Unit", *lab.samples]] + [
        [a, UNITS[a]] + [plain(lab.values[code][a], ",") for code in lab.samples] for a in FIVE
    ]
    return case(
        [("a.csv", joined(rows))],
        lab.meant(FIVE),
        hand={
            "file": [
                {
                    "pattern": "*",
                    "layout": "wide-samples",
                    "decimal": ",",
                    "columns": {"analyte": "Test", "unit": "Unit"},
                    "analytes": {a: a for a in FIVE},
                }
            ]
        },
    )


@kind
def wide_samples_pairs(lab: Laboratory) -> Case:
    """Two determinations per sample, the code stands over the first only."""
    h = ["Test", "Unit"]
    meant = []
    for code in lab.samples[:6]:
        h += [code, ""]
    rows = [h]
    for a in THREE:
        r = [a, UNITS[a]]
        for code in lab.samples[:6]:
            value = lab.values[code][a]
            y = round(value * 1.01, 1)
            r += [plain(value, ","), plain(y, ",")]
            meant += [{"s": code, "a": a, "v": value}, {"s": code, "a": a, "v": y}]
        rows.append(r)
    return case(
        [("a.csv", joined(rows))],
        meant,
        hand={
            "file": [
                {
                    "pattern": "*",
                    "layout": "wide-samples",
                    "decimal": ",",
                    "columns": {"analyte": "Test", "unit": "Unit"},
                    "analytes": {a: a for a in THREE},
                    "replicates": "in order",
                }
            ]
        },
    )


@kind
def wide_samples_limits_cols(lab: Laboratory) -> Case:
    rows = [["Parameter", "Method", "Unit", "Min", "Max", *lab.samples]] + [
        [a, "D5185", UNITS[a], "10", "3000"] + [plain(lab.values[code][a], ",") for code in lab.samples] for a in THREE
    ]
    return case(
        [("a.csv", joined(rows))],
        lab.meant(THREE),
        hand={
            "file": [
                {
                    "pattern": "*",
                    "layout": "wide-samples",
                    "decimal": ",",
                    "columns": {"analyte": "Parameter", "unit": "Unit", "method": "Method"},
                    "ignore_columns": ["Min", "Max"],
                    "analytes": {a: a for a in THREE},
                }
            ]
        },
    )


@kind
def wide_samples_dil_row(lab: Laboratory) -> Case:
    """A row "Dilution" below; solution values."""
    rows = (
        [["Test", "Unit", *lab.samples]]
        + [
            [a, "mg/kg"]
            + [plain(round(lab.values[code][a] / (10 if i % 2 else 1), 2), ",") for i, code in enumerate(lab.samples)]
            for a in THREE
        ]
        + [["Dilution", ""] + ["10" if i % 2 else "1" for i, code in enumerate(lab.samples)]]
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
                    "analytes": {**{a: a for a in THREE}, "Dilution": ""},
                }
            ]
        },
    )


@kind
def dilution_row_small(lab: Laboratory) -> Case:
    """Dilution differs 1 / 2: below the factor 8 of plausibility."""
    rows = [["Sample", "Test", "Result", "Unit"]]
    for i, code in enumerate(lab.samples):
        rows += [[code, a, plain(round(lab.values[code][a] / (2 if i % 5 == 4 else 1), 2)), "mg/kg"] for a in THREE] + [
            [code, "Dilution factor", "2" if i % 5 == 4 else "1", ""]
        ]
    return case(
        [("a.csv", joined(rows, ","))],
        lab.meant(THREE),
        hand=long_entry(decimal=".", names={**{a: a for a in THREE}, "Dilution factor": ""}),
    )


@kind
def validity_row_in_long(lab: Laboratory) -> Case:
    """A pseudo-analyte 'Valid' / 'QC flag' with yes/no for the sample."""
    rows = [["Sample", "Test", "Result", "Unit"]]
    for i, code in enumerate(lab.samples):
        rows += [[code, a, plain(lab.values[code][a]), "mg/kg"] for a in THREE] + [
            [code, "Sample valid", "no" if i == 3 else "yes", ""]
        ]
    return case(
        [("a.csv", joined(rows, ","))],
        [t for t in lab.meant(THREE) if t["s"] != lab.samples[3]],
        agree=True,
        hand=long_entry(decimal=".", names={**{a: a for a in THREE}, "Sample valid": ""}),
    )


@kind
def validity_row_wide_samples(lab: Laboratory) -> Case:
    rows = (
        [["Test", "Unit", *lab.samples]]
        + [[a, "mg/kg"] + [plain(lab.values[code][a], ",") for code in lab.samples] for a in THREE]
        + [["Remark", ""] + ["invalid" if i == 3 else "" for i in range(10)]]
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
                    "blank": "not measured",
                    "columns": {"analyte": "Test", "unit": "Unit"},
                    "analytes": {**{a: a for a in THREE}, "Remark": ""},
                }
            ]
        },
    )


@kind
def unit_row_in_middle_change(lab: Laboratory) -> Case:
    """Text line in the middle: from here on in %."""
    rows = wide_rows(lab, ["P", "Ca"])
    k = 6
    rows = (
        rows[:k]
        + [["from here % instead of mg/kg"]]
        + [[r[0]] + [plain(float(value.replace(",", ".")) / 10000.0, ",") for value in r[1:]] for r in rows[k:]]
    )
    return case([("a.csv", joined(rows))], lab.meant(["P", "Ca"]), hand=wide_entry(same=["P", "Ca"], decimal=","))


@kind
def half_file_other_unit_8x(lab: Laboratory) -> Case:
    """Second half in 'as analysed' of a 1:5 dilution, said in a line between."""
    rows = wide_rows(lab, THREE)
    k = 6
    rows = (
        rows[:k]
        + [["--- Verduennung 1:5 ---"]]
        + [[r[0]] + [plain(round(float(value.replace(",", ".")) / 5, 2), ",") for value in r[1:]] for r in rows[k:]]
    )
    return case([("a.csv", joined(rows))], lab.meant(THREE, agree=False), agree=False, hand=wide_entry(same=THREE, decimal=","))


@kind
def dash_line_repeat_series(lab: Laboratory) -> Case:
    rows = wide_rows(lab, THREE)
    rows = rows[:6] + [["Wiederholung nach Neukalibrierung"]] + [[r[0], *r[1:]] for r in rows[6:]]
    return case([("a.csv", joined(rows))], lab.meant(THREE), agree=True, hand=wide_entry(same=THREE, decimal=","))


@kind
def n_column_and_loq(lab: Laboratory) -> Case:
    rows = [["Sample", "Test", "Result", "Unit", "n", "U (k=2)", "LOQ"]]
    for i, code in enumerate(lab.samples):
        for a in THREE:
            rows.append(
                [
                    code,
                    a,
                    plain(lab.values[code][a]),
                    "mg/kg",
                    2 if i != 4 else 3,
                    plain(round(lab.values[code][a] * 0.05, 1)),
                    {"Si": 1, "P": 5, "Ca": 10}[a],
                ]
            )
    ig = ["n", "U (k=2)"]
    return case(
        [("a.csv", joined(rows, ","))],
        lab.meant(THREE),
        hand=long_entry(decimal=".", columns={"limit": "LOQ"}, ignore_columns=ig, names={a: a for a in THREE}),
    )


@kind
def trailing_total_under_code(lab: Laboratory) -> Case:
    rows = wide_rows(lab, THREE)
    rows.append([lab.samples[0], *[plain(round(sum(lab.values[code][a] for code in lab.samples) / 10, 1), ",") for a in THREE]])
    rows.pop(1)
    return case(
        [("a.csv", joined(rows))],
        [dict(t, agree=False) if t["s"] == lab.samples[0] else t for t in lab.meant(THREE) if t["s"] != lab.samples[0]],
        agree=False,
        hand=wide_entry(same=THREE, decimal=","),
    )


@kind
def basis_dry_in_title(lab: Laboratory) -> Case:
    rows = [["Results on dry basis; moisture 1,2 %"], [], *wide_rows(lab, THREE)]
    return case(
        [("a.csv", joined(rows))],
        lab.meant(THREE, agree=False),
        agree=False,
        hand=wide_entry(same=THREE, header_row=3, decimal=","),
    )


@kind
def as_received_and_dry_columns(lab: Laboratory) -> Case:
    rows = [["Sample", "Ca as received [mg/kg]", "Ca dry [mg/kg]"]] + [
        [code, plain(lab.values[code]["Ca"]), plain(round(lab.values[code]["Ca"] * 1.02))] for code in lab.samples
    ]
    an = {"Ca as received [mg/kg]": "Ca", "Ca dry [mg/kg]": ""}
    return case(
        [("a.csv", joined(rows, ","))], lab.meant(["Ca"]), hand=wide_entry(same=[], units=False, decimal=".", analytes=an)
    )


@kind
def sample_col_with_blank_repeat(lab: Laboratory) -> Case:
    rows = [["Code", "Test", "Result", "Unit"]]
    for code in lab.samples:
        for k, a in enumerate(THREE):
            rows.append([code if k == 0 else "", a, plain(lab.values[code][a], ","), "mg/kg"])
    return case(
        [("a.csv", joined(rows))],
        lab.meant(THREE),
        hand=long_entry(sample="Code", decimal=",", blank_repeats=["Code"], names={a: a for a in THREE}),
    )


@kind
def code_below_its_block(lab: Laboratory) -> Case:
    """The code stands in the LAST line of its block (vertically bottom-aligned): blank_repeats would take the one above."""
    rows = [["Code", "Test", "Result", "Unit"]]
    for code in lab.samples:
        for k, a in enumerate(THREE):
            rows.append([code if k == 2 else "", a, plain(lab.values[code][a], ","), "mg/kg"])
    return case(
        [("a.csv", joined(rows))],
        lab.meant(THREE),
        agree=False,
        hand=long_entry(sample="Code", decimal=",", blank_repeats=["Code"], names={a: a for a in THREE}),
    )


@kind
def code_mid_block(lab: Laboratory) -> Case:
    """The code stands beside the middle line of its three (as centred merged cells print)."""
    rows = [["Code", "Test", "Result", "Unit"]]
    for code in lab.samples:
        for k, a in enumerate(THREE):
            rows.append([code if k == 1 else "", a, plain(lab.values[code][a], ","), "mg/kg"])
    return case(
        [("a.csv", joined(rows))],
        lab.meant(THREE),
        agree=True,
        hand=long_entry(sample="Code", decimal=",", blank_repeats=["Code"], names={a: a for a in THREE}),
    )


@kind
def analyte_blank_repeat_sorted(lab: Laboratory) -> Case:
    rows = [["Test", "Code", "Result", "Unit"]]
    for a in THREE:
        for k, code in enumerate(lab.samples):
            rows.append([a if k == 0 else "", code, plain(lab.values[code][a], ","), "mg/kg" if k == 0 else ""])
    return case(
        [("a.csv", joined(rows))],
        lab.meant(THREE),
        hand=long_entry(sample="Code", decimal=",", blank_repeats=["Test", "Unit"], names={a: a for a in THREE}),
    )


@kind
def value_in_wrong_analyte_typo(lab: Laboratory) -> Case:
    """P and Ca swapped in one row of a hand-typed table (obvious by magnitude)."""
    rows = wide_rows(lab, THREE)
    rows[3][2], rows[3][3] = (rows[3][3], rows[3][2])
    code = lab.samples[2]
    return case(
        [("a.csv", joined(rows))],
        [dict(t, agree=not (t["s"] == code and t["a"] != "Si")) for t in lab.meant(THREE)],
        agree=False,
        hand=wide_entry(same=THREE, decimal=","),
    )


@kind
def decimal_slip_factor10_half(lab: Laboratory) -> Case:
    code = lab.samples[2]
    rows = wide_rows(lab, THREE)
    rows[3][2] = plain(lab.values[code]["P"] * 10, ",")
    return case(
        [("a.csv", joined(rows))],
        [dict(t, agree=not (t["s"] == code and t["a"] == "P")) for t in lab.meant(THREE)],
        agree=False,
        hand=wide_entry(same=THREE, decimal=","),
    )


@kind
def all_file_unit_mislabelled(lab: Laboratory) -> Case:
    """Heading says % but numbers are mg/kg (all rows)."""
    rows = [["Sample", "P [%]", "Ca [%]"]] + [
        [code, plain(lab.values[code]["P"]), plain(lab.values[code]["Ca"])] for code in lab.samples
    ]
    an = {"P [%]": "P", "Ca [%]": "Ca"}
    return case(
        [("a.csv", joined(rows, ","))], [], agree=False, hand=wide_entry(same=[], units=False, decimal=".", analytes=an)
    )


@kind
def ppb_mislabelled_water(lab: Laboratory) -> Case:
    """Really %."""
    rows = [["Sample", "Water [ppm]"]] + [[code, plain(lab.values[code]["Water"] / 10000.0)] for code in lab.samples]
    return case(
        [("a.csv", joined(rows, ","))],
        [],
        agree=False,
        hand=wide_entry(same=[], units=False, decimal=".", analytes={"Water [ppm]": "Water"}),
    )


@kind
def result_with_n_suffix(lab: Laboratory) -> Case:
    rows = wide_rows(lab, THREE, f=lambda code, a, value: plain(value, ",") + " (n=2)")
    return case([("a.csv", joined(rows))], lab.meant(THREE), hand=wide_entry(same=THREE, decimal=","))


@kind
def value_pm_percent(lab: Laboratory) -> Case:
    rows = wide_rows(lab, THREE, f=lambda code, a, value: plain(value, ",") + " ± 5 %")
    return case([("a.csv", joined(rows))], lab.meant(THREE), hand=wide_entry(same=THREE, decimal=","))


@kind
def limit_in_words_cell(lab: Laboratory) -> Case:
    code = lab.samples[3]
    rows = wide_rows(lab, THREE)
    rows[4][1] = "n.d. (LOD 2)"
    return case(
        [("a.csv", joined(rows))],
        [t if (t["s"], t["a"]) != (code, "Si") else {"s": code, "a": "Si", "v": 2, "q": "<"} for t in lab.meant(THREE)],
        hand=wide_entry(same=THREE, decimal=",", words={"n.d. (LOD 2)": "below limit"}),
    )


@kind
def lt_with_value_in_parens(lab: Laboratory) -> Case:
    code = lab.samples[3]
    rows = wide_rows(lab, THREE)
    rows[4][1] = "<5 (3,2)"
    return case(
        [("a.csv", joined(rows))],
        [
            t if (t["s"], t["a"]) != (code, "Si") else {"s": code, "a": "Si", "v": 5, "q": "<", "agree": False}
            for t in lab.meant(THREE)
        ],
        agree=False,
        hand=wide_entry(same=THREE, decimal=","),
    )


@kind
def zero_for_nd(lab: Laboratory) -> Case:
    rows = wide_rows(lab, THREE)
    bad = lab.samples[2:5]
    for i in (2, 3, 4):
        rows[i + 1][1] = "0"
    return case(
        [("a.csv", joined(rows))],
        [
            t if not (t["s"] in bad and t["a"] == "Si") else {"s": t["s"], "a": "Si", "v": 2, "q": "<", "agree": False}
            for t in lab.meant(THREE)
        ],
        agree=False,
        hand=wide_entry(same=THREE, decimal=","),
    )
