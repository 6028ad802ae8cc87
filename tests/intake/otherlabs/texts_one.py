"""Text files, first part: notes, factors, limits, means, columns beside results."""

# ruff: noqa: E501  (long texts of cells stand in one line)

from __future__ import annotations

import csv
import io

from tests.intake.otherlabs.made import (
    FIVE,
    THREE,
    Case,
    Laboratory,
    case,
    joined,
    kind,
    long_entry,
    plain,
    wide_entry,
    wide_rows,
    with_units,
)


@kind
def control_wide(lab: Laboratory) -> Case:
    return case(
        [("a.csv", joined(with_units(FIVE, wide_rows(lab, FIVE))))],
        lab.meant(FIVE),
        hand=wide_entry(units=False, unit_row=2, decimal=","),
    )


@kind
def title_units_note(lab: Laboratory) -> Case:
    rows = [["Pruefbericht 2026-17"], ["Alle Angaben in mg/kg, Viskositaet in mm2/s"], [], *wide_rows(lab, FIVE, head="Probe")]
    return case([("a.csv", joined(rows))], lab.meant(FIVE), hand=wide_entry(sample="Probe", header_row=4, decimal=","))


@kind
def note_p_percent(lab: Laboratory) -> Case:
    rows = wide_rows(lab, THREE, f=lambda code, a, value: plain(value / 10000, ",") if a == "P" else plain(value, ","))
    rows = [["Report 17"], ["Si, Ca: mg/kg; P: % m/m"], [], *rows]
    return case(
        [("a.csv", joined(rows))], lab.meant(THREE), hand=wide_entry(same=THREE, header_row=4, decimal=",", units={"P": "%"})
    )


@kind
def note_p_as_p2o5(lab: Laboratory) -> Case:
    rows = [
        ["Report 17"],
        ["P reported as P2O5"],
        [],
        *wide_rows(
            lab, THREE, f=lambda code, a, value: plain(round(value * 2.2914, 0), ",") if a == "P" else plain(value, ",")
        ),
    ]
    return case([("a.csv", joined(rows))], lab.meant(THREE), hand=wide_entry(same=THREE, header_row=4, decimal=","))


@kind
def note_dilution_not_applied(lab: Laboratory) -> Case:
    rows = [
        *wide_rows(lab, THREE, f=lambda code, a, value: plain(round(value / 5, 2), ",")),
        [],
        ["Samples were diluted 1+4 (w/w) in xylene. Concentrations refer to the diluted solution."],
    ]
    return case([("a.csv", joined(rows))], lab.meant(THREE), hand=wide_entry(same=THREE, decimal=","))


@kind
def note_top_dilution_benign(lab: Laboratory) -> Case:
    rows = [["Samples were diluted 1+9 in kerosene; results are corrected for the dilution."], [], *wide_rows(lab, THREE)]
    return case([("a.csv", joined(rows))], lab.meant(THREE), hand=wide_entry(same=THREE, header_row=3, decimal=","))


@kind
def factor_row_below_headings(lab: Laboratory) -> Case:
    rows = wide_rows(lab, THREE, f=lambda code, a, value: plain(value / {"Si": 1, "P": 10, "Ca": 100}[a], ","))
    rows = [rows[0], ["", "x 1", "x 10", "x 100"], *rows[1:]]
    return case([("a.csv", joined(rows))], lab.meant(THREE), hand=wide_entry(same=THREE, decimal=",", header_row=1))


@kind
def factor_row_as_unit_row(lab: Laboratory) -> Case:
    rows = wide_rows(lab, THREE, f=lambda code, a, value: plain(value / {"Si": 1, "P": 10, "Ca": 100}[a], ","))
    rows = [rows[0], ["unit", "mg/kg", "10 mg/kg", "100 mg/kg"], *rows[1:]]
    return case(
        [("a.csv", joined(rows))],
        lab.meant(THREE),
        hand=wide_entry(same=THREE, units=False, decimal=",", header_row=1, unit_row=2),
    )


@kind
def dl_row_below_headings(lab: Laboratory) -> Case:
    lo = lab.samples[3]
    rows = wide_rows(lab, THREE, f=lambda code, a, value: "<LOD" if (code, a) == (lo, "Si") else plain(value, ","))
    rows = [rows[0], ["Unit", "mg/kg", "mg/kg", "mg/kg"], ["LOD", "2", "5", "10"], *rows[1:]]
    meant = [t if (t["s"], t["a"]) != (lo, "Si") else {"s": lo, "a": "Si", "v": 2, "q": "<"} for t in lab.meant(THREE)]
    return case(
        [("a.csv", joined(rows))],
        meant,
        hand=wide_entry(
            same=THREE, units=False, unit_row=2, decimal=",", limits={"Si": 2, "P": 5, "Ca": 10}, ignore_lines=["LOD;2;5;10"]
        ),
    )


@kind
def metadata_rows_below_headings(lab: Laboratory) -> Case:
    rows = wide_rows(lab, THREE)
    rows = [
        rows[0],
        ["Method", "ICP-OES", "ICP-OES", "ICP-OES"],
        ["Wavelength", "251.611", "178.221", "317.933"],
        ["Unit", "mg/kg", "mg/kg", "mg/kg"],
        *rows[1:],
    ]
    return case([("a.csv", joined(rows))], lab.meant(THREE), hand=wide_entry(same=THREE, units=False, unit_row=4, decimal=","))


@kind
def wavelength_two_lines(lab: Laboratory) -> Case:
    rows = [["Sample Id", "Analyte", "Conc", "Units", "SD"]]
    for code in lab.samples:
        for nm, a, k in (
            ("P 178.221", "P", 1),
            ("P 213.617", "P", 1.013),
            ("Ca 317.933", "Ca", 1),
            ("Ca 315.887", "Ca", 0.991),
        ):
            rows.append([code, nm, plain(round(lab.values[code][a] * k, 1)), "mg/kg", plain(round(lab.rng.uniform(0.5, 3), 2))])
    n = {"P 178.221": "P", "P 213.617": "", "Ca 317.933": "Ca", "Ca 315.887": ""}
    return case(
        [("a.csv", joined(rows, ","))],
        lab.meant(["P", "Ca"]),
        hand=long_entry(
            sample="Sample Id", analyte="Analyte", value="Conc", unit="Units", names=n, decimal=".", ignore_columns=["SD"]
        ),
    )


@kind
def mean_sd_rows_in_long(lab: Laboratory) -> Case:
    rows = [["Sample", "Rep", "Si", "P", "Ca"]]
    meant = []
    for code in lab.samples:
        v = lab.values[code]
        a = [(round(v["Si"] + d, 1), v["P"] + e, v["Ca"] + f) for d, e, f in ((0.2, 2, 10), (-0.2, -2, -10))]
        for i, value in enumerate(a):
            rows.append([code, i + 1, *[plain(y, ",") for y in value]])
            meant += [{"s": code, "a": k, "v": y} for k, y in zip(THREE, value, strict=False)]
        rows.append([code, "Mean", *[plain(v[k], ",") for k in THREE]])
        rows.append([code, "SD", "0,28", "2,8", "14,1"])
    return case([("a.csv", joined(rows))], meant, hand=wide_entry(same=THREE, decimal=",", columns={"replicate": "Rep"}))


@kind
def mean_rows_blank_rep(lab: Laboratory) -> Case:
    rows = [["Sample", "Rep", "Si", "P", "Ca"]]
    meant = []
    for code in lab.samples:
        v = lab.values[code]
        a = [(round(v["Si"] + d, 1), v["P"] + e, v["Ca"] + f) for d, e, f in ((0.3, 2, 10), (-0.3, -2, -10))]
        for i, value in enumerate(a):
            rows.append([code, i + 1, *[plain(y, ",") for y in value]])
            meant += [{"s": code, "a": k, "v": y} for k, y in zip(THREE, value, strict=False)]
        rows.append([code, "", *[plain(v[k], ",") for k in THREE]])
    return case(
        [("a.csv", joined(rows))], meant, agree=False, hand=wide_entry(same=THREE, decimal=",", columns={"replicate": "Rep"})
    )


@kind
def mean_numbered_as_three(lab: Laboratory) -> Case:
    rows = [["Sample", "No", "Si", "P", "Ca"]]
    meant = []
    for code in lab.samples:
        v = lab.values[code]
        a = [(round(v["Si"] + d, 1), v["P"] + e, v["Ca"] + f) for d, e, f in ((0.3, 2, 10), (-0.3, -2, -10))]
        for i, value in enumerate(a):
            rows.append([code, i + 1, *[plain(y, ",") for y in value]])
            meant += [{"s": code, "a": k, "v": y} for k, y in zip(THREE, value, strict=False)]
        rows.append([code, 3, *[plain(v[k], ",") for k in THREE]])
    return case(
        [("a.csv", joined(rows))], meant, agree=False, hand=wide_entry(same=THREE, decimal=",", columns={"replicate": "No"})
    )


@kind
def first_row_is_mean(lab: Laboratory) -> Case:
    """The mean stands FIRST, then its two determinations; "in order"."""
    rows = [["Sample", "Si", "P", "Ca"]]
    meant = []
    for code in lab.samples:
        v = lab.values[code]
        rows.append([code, *[plain(v[k], ",") for k in THREE]])
        for d, e, f in ((0.3, 2, 10), (-0.3, -2, -10)):
            value = (round(v["Si"] + d, 1), v["P"] + e, v["Ca"] + f)
            rows.append([code, *[plain(y, ",") for y in value]])
            meant += [{"s": code, "a": k, "v": y} for k, y in zip(THREE, value, strict=False)]
    return case([("a.csv", joined(rows))], meant, agree=False, hand=wide_entry(same=THREE, decimal=",", replicates="in order"))


@kind
def mean_of_two_under_code_then_singles_suffix(lab: Laboratory) -> Case:
    rows = [["Sample", "Si", "P", "Ca"]]
    for code in lab.samples:
        v = lab.values[code]
        for s, d, e, f in (("a", 0.2, 2, 10), ("b", -0.2, -2, -10)):
            rows.append([code + s, plain(round(v["Si"] + d, 1), ","), plain(v["P"] + e, ","), plain(v["Ca"] + f, ",")])
        rows.append([code, *[plain(v[k], ",") for k in THREE]])
    return case([("a.csv", joined(rows))], lab.meant(THREE, agree=False), agree=False, hand=wide_entry(same=THREE, decimal=","))


@kind
def suffix_ab_codes(lab: Laboratory) -> Case:
    rows = [["Sample", "Si", "P", "Ca"]]
    meant = []
    codes = {}
    for code in lab.samples:
        v = lab.values[code]
        for s, d, e, f in (("a", 0.2, 2, 10), ("b", -0.2, -2, -10)):
            value = (round(v["Si"] + d, 1), v["P"] + e, v["Ca"] + f)
            rows.append([code + s, *[plain(y, ",") for y in value]])
            meant += [{"s": code, "a": k, "v": y} for k, y in zip(THREE, value, strict=False)]
            codes[code + s] = code
    return case([("a.csv", joined(rows))], meant, hand=wide_entry(same=THREE, decimal=",", replicates="in order", codes=codes))


@kind
def suffix_ab_one_redone(lab: Laboratory) -> Case:
    """Suffix b only for two samples: b = repeat after a spill, replaces."""
    rows = [["Sample", "Si", "P", "Ca"]]
    two = lab.samples[2:4]
    meant = []
    for code in lab.samples:
        v = lab.values[code]
        value = [v[k] for k in THREE]
        rows.append([code, *[plain(y, ",") for y in value]])
        for k in THREE:
            meant.append({"s": code, "a": k, "v": v[k], "agree": code not in two})
        if code in two:
            rows.append(
                [
                    code + "b",
                    plain(round(v["Si"] * 1.06, 1), ","),
                    plain(round(v["P"] * 1.06), ","),
                    plain(round(v["Ca"] * 1.06), ","),
                ]
            )
    return case([("a.csv", joined(rows))], meant, agree=False, hand=wide_entry(same=THREE, decimal=","))


@kind
def dup_adjacent_same_heading(lab: Laboratory) -> Case:
    rows = [["Sample", "Si", "Si", "P", "P"], ["", "mg/kg", "mg/kg", "mg/kg", "mg/kg"]]
    meant = []
    for code in lab.samples:
        v = lab.values[code]
        value = [v["Si"], round(v["Si"] + 0.2, 1), v["P"], v["P"] + 3]
        rows.append([code, *[plain(y, ",") for y in value]])
        meant += [
            {"s": code, "a": "Si", "v": value[0]},
            {"s": code, "a": "Si", "v": value[1]},
            {"s": code, "a": "P", "v": value[2]},
            {"s": code, "a": "P", "v": value[3]},
        ]
    return case([("a.csv", joined(rows))], meant, hand=wide_entry(same=["Si", "P"], units=False, unit_row=2, decimal=","))


@kind
def si1_si2_mean(lab: Laboratory) -> Case:
    rows = [["Sample", "Si 1", "Si 2", "Si mean"], ["", "mg/kg", "mg/kg", "mg/kg"]]
    meant = []
    for code in lab.samples:
        v = lab.values[code]
        value = [v["Si"], round(v["Si"] + 0.2, 1), round(v["Si"] + 0.1, 1)]
        rows.append([code, *[plain(y, ",") for y in value]])
        meant += [{"s": code, "a": "Si", "v": value[0]}, {"s": code, "a": "Si", "v": value[1]}]
    an = {"Si 1": "Si", "Si 2": {"analyte": "Si", "replicate": 2}, "Si mean": ""}
    return case([("a.csv", joined(rows))], meant, hand=wide_entry(same=[], units=False, unit_row=2, decimal=",", analytes=an))


@kind
def blank_heading_uncertainty(lab: Laboratory) -> Case:
    rows = [["Sample", "Si", "", "P", "", "Ca", ""]]
    for code in lab.samples:
        rows.append(
            [
                code,
                plain(lab.values[code]["Si"], ","),
                "0,8",
                plain(lab.values[code]["P"], ","),
                "12",
                plain(lab.values[code]["Ca"], ","),
                "85",
            ]
        )
    return case([("a.csv", joined(rows))], lab.meant(THREE), hand=wide_entry(same=THREE, decimal=","))


@kind
def blank_heading_sign_before(lab: Laboratory) -> Case:
    rows = [["Sample", "", "Si", "", "P"]]
    lo = lab.samples[:3]
    meant = []
    for code in lab.samples:
        value = 15.0 if code in lo else lab.values[code]["Si"]
        rows.append([code, "<" if code in lo else "", plain(value, ","), "", plain(lab.values[code]["P"], ",")])
        meant += [
            {"s": code, "a": "Si", "v": value, "q": "<" if code in lo else ""},
            {"s": code, "a": "P", "v": lab.values[code]["P"]},
        ]
    return case([("a.csv", joined(rows))], meant, hand=wide_entry(same=["Si", "P"], decimal=","))


@kind
def qualifier_cols_per_analyte(lab: Laboratory) -> Case:
    rows = [["Sample", "Si", "Si_Q", "P", "P_Q"]]
    lo = lab.samples[:3]
    meant = []
    for code in lab.samples:
        value = 15.0 if code in lo else lab.values[code]["Si"]
        rows.append([code, plain(value), "U" if code in lo else "", plain(lab.values[code]["P"]), ""])
        meant += [
            {"s": code, "a": "Si", "v": value, "q": "<" if code in lo else ""},
            {"s": code, "a": "P", "v": lab.values[code]["P"]},
        ]
    an = {"Si": {"analyte": "Si", "qualifier": "Si_Q"}, "P": {"analyte": "P", "qualifier": "P_Q"}}
    return case(
        [("a.csv", joined(rows, ","))],
        meant,
        hand=wide_entry(same=["Si", "P"], decimal=".", analytes=an, words={"U": "below limit"}),
    )


@kind
def censored_flag_ignored(lab: Laboratory) -> Case:
    """Column Censored TRUE/FALSE that the user sets aside; value is the RL."""
    rows = [["Sample", "Test", "Result", "Unit", "Censored"]]
    lo = lab.samples[:4]
    meant = []
    for code in lab.samples:
        for a in ("Si", "P"):
            f = a == "Si" and code in lo
            value = 15.0 if f else lab.values[code][a]
            rows.append([code, a, plain(value), "mg/kg", "TRUE" if f else "FALSE"])
            meant.append({"s": code, "a": a, "v": value, "q": "<" if f else ""})
    return case(
        [("a.csv", joined(rows, ","))],
        meant,
        hand=long_entry(decimal=".", ignore_columns=["Censored"], names={"Si": "Si", "P": "P"}),
    )


@kind
def rlflag_01_ignored(lab: Laboratory) -> Case:
    rows = [["Sample", "Test", "Result", "Unit", "RL"]]
    lo = lab.samples[:4]
    meant = []
    for code in lab.samples:
        for a in ("Si", "P"):
            f = a == "Si" and code in lo
            value = 15.0 if f else lab.values[code][a]
            rows.append([code, a, plain(value), "mg/kg", 15 if a == "Si" else 20])
            meant.append({"s": code, "a": a, "v": value, "q": "<" if f else "", "agree": not f})
    return case(
        [("a.csv", joined(rows, ","))],
        meant,
        agree=False,
        hand=long_entry(decimal=".", ignore_columns=["RL"], names={"Si": "Si", "P": "P"}),
    )


@kind
def status_code_numeric(lab: Laboratory) -> Case:
    rows = [["Status: 10 = released, 40 = rejected by QA"], [], ["Sample", "Test", "Result", "Unit", "Status"]]
    bad = lab.samples[2]
    meant = []
    for code in lab.samples:
        for a in ("Si", "P"):
            f = code == bad and a == "P"
            rows.append([code, a, plain(lab.values[code][a] * (1.12 if f else 1)), "mg/kg", 40 if f else 10])
            if not f:
                meant.append({"s": code, "a": a, "v": lab.values[code][a]})
    return case(
        [("a.csv", joined(rows, ","))],
        meant,
        hand=long_entry(decimal=".", header_row=3, ignore_columns=["Status"], names={"Si": "Si", "P": "P"}),
    )


@kind
def lims_dump_cancelled(lab: Laboratory) -> Case:
    rows = [
        [
            "SAMPLE_NUMBER",
            "TEXT_ID",
            "ANALYSIS",
            "NAME",
            "ENTRY",
            "FORMATTED_ENTRY",
            "UNITS",
            "STATUS",
            "REPORTED_NAME",
            "REPLICATE_COUNT",
        ]
    ]
    meant = []
    bad = lab.samples[1]
    n = 41000
    for code in lab.samples:
        for a in THREE:
            n += 1
            if code == bad and a == "Si":
                rows.append(
                    [
                        n,
                        code,
                        "ICP_OIL",
                        a,
                        plain(lab.values[code][a] * 1.31),
                        plain(round(lab.values[code][a] * 1.31)),
                        "MG_P_KG",
                        "X",
                        a,
                        1,
                    ]
                )
                n += 1
            rows.append(
                [n, code, "ICP_OIL", a, plain(lab.values[code][a]), plain(round(lab.values[code][a])), "MG_P_KG", "A", a, 1]
            )
            meant.append({"s": code, "a": a, "v": lab.values[code][a]})
    ig = ["SAMPLE_NUMBER", "ANALYSIS", "FORMATTED_ENTRY", "STATUS", "REPORTED_NAME", "REPLICATE_COUNT"]
    return case(
        [("dump.csv", joined(rows, ","))],
        meant,
        hand=long_entry(
            sample="TEXT_ID",
            analyte="NAME",
            value="ENTRY",
            unit="UNITS",
            names={a: a for a in THREE},
            decimal=".",
            unit_words={"MG_P_KG": "mg/kg"},
            ignore_columns=ig,
        ),
    )


@kind
def raw_solution_vs_reported(lab: Laboratory) -> Case:
    rows = [["Sample", "Element", "Conc. (mg/L)", "DF", "Result", "Unit"]]
    for code in lab.samples:
        for a in THREE:
            rows.append([code, a, plain(round(lab.values[code][a] / 20, 3)), 20, plain(lab.values[code][a]), "mg/kg"])
    ig = ["Conc. (mg/L)", "DF"]
    return case(
        [("a.csv", joined(rows, ","))],
        lab.meant(THREE),
        hand=long_entry(analyte="Element", decimal=".", ignore_columns=ig, names={a: a for a in THREE}),
    )


@kind
def corrected_result_column(lab: Laboratory) -> Case:
    rows = [["Sample", "Element", "Result", "Corrected result", "Unit"]]
    for code in lab.samples:
        for a in THREE:
            rows.append([code, a, plain(round(lab.values[code][a] * 1.05, 1)), plain(lab.values[code][a]), "mg/kg"])
    return case(
        [("a.csv", joined(rows, ","))],
        lab.meant(THREE),
        agree=True,
        hand=long_entry(analyte="Element", decimal=".", ignore_columns=["*"], names={a: a for a in THREE}),
    )


@kind
def gross_blank_net(lab: Laboratory) -> Case:
    rows = [["Sample", "Si gross", "Si blank", "Si net"]]
    for code in lab.samples:
        rows.append([code, plain(round(lab.values[code]["Si"] + 1.3, 1)), "1.3", plain(lab.values[code]["Si"])])
    return case(
        [("a.csv", joined(rows, ","))],
        lab.meant(["Si"]),
        hand=wide_entry(
            same=[], decimal=".", analytes={"Si net": "Si", "Si gross": "", "Si blank": ""}, units={"Si net": "mg/kg"}
        ),
    )


@kind
def not_blank_corrected_note(lab: Laboratory) -> Case:
    rows = [*wide_rows(lab, THREE), [], ["Blank 1,3 mg/kg Si, not subtracted"]]
    return case([("a.csv", joined(rows))], lab.meant(THREE, agree=False), agree=False, hand=wide_entry(same=THREE, decimal=","))


@kind
def current_previous_columns(lab: Laboratory) -> Case:
    rows = [["Sample", "Test", "Previous", "Current", "Unit"]]
    for code in lab.samples:
        for a in THREE:
            rows.append([code, a, plain(round(lab.values[code][a] * 0.97, 1)), plain(lab.values[code][a]), "mg/kg"])
    return case(
        [("a.csv", joined(rows, ","))],
        lab.meant(THREE),
        hand=long_entry(value="Current", decimal=".", ignore_columns=["Previous"], names={a: a for a in THREE}),
    )


@kind
def header_comma_shift(lab: Laboratory) -> Case:
    """Unquoted comma in a heading: every column is one further right than its values."""
    rows = ["Sample,Container, depth,Si,P,Ca,Water"] + [
        f"{code},D0{lab.rng.randint(3, 8)} upper,{plain(lab.values[code]['Si'])},{plain(lab.values[code]['P'])},{plain(lab.values[code]['Ca'])},{plain(lab.values[code]['Water'])},"
        for code in lab.samples
    ]
    A = [*THREE, "Water"]
    return case(
        [("a.csv", "\r\n".join(rows) + "\r\n")],
        lab.meant(A),
        hand=wide_entry(same=A, decimal=".", blank="not measured", ignore_columns=["Container", "depth"]),
    )


@kind
def header_comma_shift_ragged(lab: Laboratory) -> Case:
    rows = ["Sample,Container, depth,Si,P,Ca"] + [
        f"{code},D0{lab.rng.randint(3, 8)} upper,{plain(lab.values[code]['Si'])},{plain(lab.values[code]['P'])},{plain(lab.values[code]['Ca'])}"
        for code in lab.samples
    ]
    return case(
        [("a.csv", "\r\n".join(rows) + "\r\n")],
        lab.meant(THREE),
        hand=wide_entry(same=THREE, decimal=".", blank="not measured", ignore_columns=["Container", "depth"]),
    )


@kind
def date_comma_shift_all_rows(lab: Laboratory) -> Case:
    """ "May 4, 2026" unquoted; the last heading (Remark) is empty, so the number of cells fits."""
    rows = ["Sample,Date,Si,P,Ca,Remark"] + [
        f"{code},May {lab.rng.randint(4, 6)}, 2026,{plain(lab.values[code]['Si'])},{plain(lab.values[code]['P'])},{plain(lab.values[code]['Ca'])}"
        for code in lab.samples
    ]
    return case(
        [("a.csv", "\r\n".join(rows) + "\r\n")],
        lab.meant(THREE),
        hand=wide_entry(same=THREE, decimal=".", ignore_columns=["Remark", "Date"]),
    )


@kind
def name_comma_shift_all_rows(lab: Laboratory) -> Case:
    """Analyst "Meyer, K." unquoted in every row; twin analytes of like size shift into each other."""
    rows = ["Sample,Analyst,P-1,P-2,Remark"]
    meant = []
    for code in lab.samples:
        value, y = (lab.values[code]["P"], lab.values[code]["P"] + lab.rng.choice([-3, 2, 4]))
        rows.append(f"{code},Meyer, {value:g},{y:g},")
        meant += [{"s": code, "a": "P", "v": value}, {"s": code, "a": "P", "v": y}]
    an = {"P-1": "P", "P-2": {"analyte": "P", "replicate": 2}}
    rows = [rows[0]] + [r.replace("Meyer, ", "Meyer, K.,", 1).rstrip(",") for r in rows[1:]]
    return case(
        [("a.csv", "\r\n".join(rows) + "\r\n")],
        meant,
        hand=wide_entry(
            same=[], decimal=".", analytes=an, units={"P-1": "mg/kg", "P-2": "mg/kg"}, ignore_columns=["Analyst", "Remark"]
        ),
    )


@kind
def appearance_comma_one_row(lab: Laboratory) -> Case:
    rows = ["Sample,Appearance,Si,P,Ca,Remark"]
    bad = lab.samples[4]
    for code in lab.samples:
        t = f"{plain(lab.values[code]['Si'])},{plain(lab.values[code]['P'])},{plain(lab.values[code]['Ca'])}"
        rows.append(f"{code},clear, amber,{t}" if code == bad else f"{code},clear,{t},")
    return case(
        [("a.csv", "\r\n".join(rows) + "\r\n")],
        lab.meant(THREE),
        hand=wide_entry(same=THREE, decimal=".", ignore_columns=["Appearance", "Remark"]),
    )


@kind
def r_rownames(lab: Laboratory) -> Case:
    rows = ["Sample,Si,P,Ca"] + [
        f"{i + 1},{code},{plain(lab.values[code]['Si'])},{plain(lab.values[code]['P'])},{plain(lab.values[code]['Ca'])}"
        for i, code in enumerate(lab.samples)
    ]
    return case([("a.csv", "\n".join(rows) + "\n")], lab.meant(THREE), hand=wide_entry(same=THREE, decimal="."))


@kind
def unquoted_quote_swallows(lab: Laboratory) -> Case:
    rows = ["Sample,Note,Si,P"]
    for i, code in enumerate(lab.samples):
        n = '"5 in bottle' if i == 2 else 'from 2" tap' if i == 6 else "ok"
        rows.append(f"{code},{n},{plain(lab.values[code]['Si'])},{plain(lab.values[code]['P'])}")
    return case(
        [("a.csv", "\n".join(rows) + "\n")],
        lab.meant(["Si", "P"]),
        hand=wide_entry(same=["Si", "P"], decimal=".", ignore_columns=["Note"]),
    )


@kind
def quote_swallows_balanced(lab: Laboratory) -> Case:
    """Two stray quotes at the ends of cells: the lines between become one remark; the count of cells fits."""
    rows = ["Sample,Si,P,Note"]
    for i, code in enumerate(lab.samples):
        n = '"see lab book' if i == 2 else 'p. 12"' if i == 6 else ""
        rows.append(f"{code},{plain(lab.values[code]['Si'])},{plain(lab.values[code]['P'])},{n}")
    return case(
        [("a.csv", "\n".join(rows) + "\n")],
        lab.meant(["Si", "P"]),
        hand=wide_entry(same=["Si", "P"], decimal=".", ignore_columns=["Note"]),
    )


@kind
def quoted_newline_cells(lab: Laboratory) -> Case:
    b = io.StringIO()
    w = csv.writer(b, delimiter=";")
    w.writerow(["Sample", "Si\n(mg/kg)", "P\n(mg/kg)"])
    for code in lab.samples:
        w.writerow([code, plain(lab.values[code]["Si"], ","), plain(lab.values[code]["P"], ",")])
    an = {"Si\n(mg/kg)": "Si", "P\n(mg/kg)": "P"}
    return case(
        [("a.csv", b.getvalue())], lab.meant(["Si", "P"]), hand=wide_entry(same=[], units=False, decimal=",", analytes=an)
    )


@kind
def sep_line(lab: Laboratory) -> Case:
    return case(
        [("a.csv", "sep=;\r\n" + joined(with_units(FIVE, wide_rows(lab, FIVE))))],
        lab.meant(FIVE),
        hand=wide_entry(units=False, header_row=2, unit_row=3, decimal=","),
    )


@kind
def excel_protected_csv(lab: Laboratory) -> Case:
    rows = ['"Sample","Si (mg/kg)","P (mg/kg)"'] + [
        f'''="{code}",="{plain(lab.values[code]["Si"])}",="{plain(lab.values[code]["P"])}"''' for code in lab.samples
    ]
    return case(
        [("a.csv", "\r\n".join(rows))],
        lab.meant(["Si", "P"]),
        hand=wide_entry(same=[], units=False, decimal=".", analytes={"Si (mg/kg)": "Si", "P (mg/kg)": "P"}),
    )


@kind
def apostrophe_text(lab: Laboratory) -> Case:
    rows = wide_rows(lab, THREE, f=lambda code, a, value: "'" + plain(value, ","))
    return case([("a.csv", joined(rows))], lab.meant(THREE), hand=wide_entry(same=THREE, decimal=","))


@kind
def locale_mixture_columns(lab: Laboratory) -> Case:
    rows = wide_rows(
        lab, ["Si", "KV40"], f=lambda code, a, value: (f"{value:.1f}").replace(".", ",") if a == "Si" else f"{value:.1f}"
    )
    return case([("a.csv", joined(rows))], lab.meant(["Si", "KV40"]), hand=wide_entry(same=["Si", "KV40"], decimal=","))


@kind
def locale_mixture_rows(lab: Laboratory) -> Case:
    rows = [["Sample", "Si", "KV40"]]
    for i, code in enumerate(lab.samples):
        d = "," if i < 6 else "."
        rows.append(
            [
                code,
                ("{:.1f}".format(lab.values[code]["Si"])).replace(".", d),
                ("{:.1f}".format(lab.values[code]["KV40"])).replace(".", d),
            ]
        )
    return case([("a.csv", joined(rows))], lab.meant(["Si", "KV40"]), hand=wide_entry(same=["Si", "KV40"], decimal=","))


@kind
def thousands_us_quoted(lab: Laboratory) -> Case:
    b = io.StringIO()
    w = csv.writer(b)
    w.writerow(["Sample", "Si (mg/kg)", "Ca (mg/kg)"])
    for code in lab.samples:
        w.writerow([code, "{:.1f}".format(lab.values[code]["Si"]), f"{lab.values[code]['Ca']:,.0f}"])
    return case(
        [("a.csv", b.getvalue())],
        lab.meant(["Si", "Ca"]),
        hand=wide_entry(same=[], units=False, decimal=".", thousands=",", analytes={"Si (mg/kg)": "Si", "Ca (mg/kg)": "Ca"}),
    )


@kind
def thousands_point_german(lab: Laboratory) -> Case:
    rows = [["Probe", "Si", "Ca"], ["", "mg/kg", "mg/kg"]] + [
        [code, ("{:.1f}".format(lab.values[code]["Si"])).replace(".", ","), f"{lab.values[code]['Ca']:,.0f}".replace(",", ".")]
        for code in lab.samples
    ]
    return case(
        [("a.csv", joined(rows))],
        lab.meant(["Si", "Ca"]),
        hand=wide_entry(sample="Probe", same=["Si", "Ca"], units=False, unit_row=2, decimal=",", thousands="."),
    )
