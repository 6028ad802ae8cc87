"""Text files, second part."""

# ruff: noqa: E501  (long texts of cells stand in one line)

from __future__ import annotations

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
def nbsp_thousands_french(lab: Laboratory) -> Case:
    rows = [
        ["Échantillon", "Silicium", "Phosphore", "Calcium", "Eau", "Viscosité à 40 °C"],
        ["", "mg/kg", "mg/kg", "mg/kg", "mg/kg", "mm²/s"],
    ]
    for code in lab.samples:
        rows.append(
            [code]
            + [f"{lab.values[code][a]:,.0f}".replace(",", " ") if a == "Ca" else plain(lab.values[code][a], ",") for a in FIVE]
        )
    an = dict(zip(rows[0][1:], FIVE, strict=False))
    return case(
        [("a.csv", joined(rows).encode("cp1252"))],
        lab.meant(FIVE),
        hand=wide_entry(
            sample="Échantillon", same=[], units=False, unit_row=2, decimal=",", thousands=" ", encoding="cp1252", analytes=an
        ),
    )


@kind
def polish_utf8_words(lab: Laboratory) -> Case:
    lo = lab.samples[1]
    h = ["Próbka", "Krzem", "Fosfor", "Wapń"]
    rows = [h, ["", "mg/kg", "mg/kg", "mg/kg"]] + [
        [code]
        + ["poniżej granicy oznaczalności" if (code, a) == (lo, "Si") else plain(lab.values[code][a], ",") for a in THREE]
        for code in lab.samples
    ]
    meant = [t if (t["s"], t["a"]) != (lo, "Si") else {"s": lo, "a": "Si", "v": 2, "q": "<"} for t in lab.meant(THREE)]
    an = dict(zip(h[1:], THREE, strict=False))
    value = {"limits": {"Krzem": 2}, "words": {"poniżej granicy oznaczalności": "below limit"}, "analytes": an}
    return case(
        [("a.csv", joined(rows))],
        meant,
        hand=wide_entry(sample="Próbka", same=[], units=False, unit_row=2, decimal=",", **value),
    )


@kind
def portuguese(lab: Laboratory) -> Case:
    h = ["Amostra", "Silício", "Fósforo", "Cálcio", "Água", "Viscosidade a 40 °C"]
    rows = [h, ["", "mg/kg", "mg/kg", "mg/kg", "mg/kg", "cSt"]] + [
        [code] + [plain(lab.values[code][a], ",") for a in FIVE] for code in lab.samples
    ]
    an = dict(zip(h[1:], FIVE, strict=False))
    return case(
        [("a.csv", joined(rows))],
        lab.meant(FIVE),
        hand=wide_entry(sample="Amostra", same=[], units=False, unit_row=2, decimal=",", analytes=an),
    )


@kind
def chinese_utf8(lab: Laboratory) -> Case:
    h = ["样品编号", "硅", "磷", "钙", "水分", "运动黏度(40℃)"]
    rows = [h, ["单位", "mg/kg", "mg/kg", "mg/kg", "mg/kg", "mm²/s"]] + [
        [code] + [plain(lab.values[code][a]) for a in FIVE] for code in lab.samples
    ]
    rows[4][1] = "未检出"
    q0 = rows[4][0]
    meant = [t if (t["s"], t["a"]) != (q0, "Si") else {"s": q0, "a": "Si", "v": 2, "q": "<"} for t in lab.meant(FIVE)]
    an = dict(zip(h[1:], FIVE, strict=False))
    value = {"analytes": an, "words": {"未检出": "below limit"}, "limits": {"硅": 2}}
    return case(
        [("a.csv", joined(rows, ",").encode("utf-8-sig"))],
        meant,
        hand=wide_entry(sample=h[0], same=[], units=False, unit_row=2, decimal=".", **value),
    )


@kind
def utf16le_nobom(lab: Laboratory) -> Case:
    return case(
        [("a.txt", joined(with_units(FIVE, wide_rows(lab, FIVE, dec=".")), "\t").encode("utf-16-le"))],
        lab.meant(FIVE),
        hand=wide_entry(units=False, unit_row=2, decimal=".", encoding="utf-16", delimiter="\t"),
    )


@kind
def cr_only(lab: Laboratory) -> Case:
    return case(
        [("a.csv", joined(with_units(FIVE, wide_rows(lab, FIVE)), nl="\r"))],
        lab.meant(FIVE),
        hand=wide_entry(units=False, unit_row=2, decimal=","),
    )


@kind
def ctrl_z_formfeed(lab: Laboratory) -> Case:
    t = joined(with_units(FIVE, wide_rows(lab, FIVE))).split("\r\n")
    t.insert(7, "\x0c")
    return case([("a.csv", "\r\n".join(t) + "\x1a")], lab.meant(FIVE), hand=wide_entry(units=False, unit_row=2, decimal=","))


@kind
def repeated_headings_swapped(lab: Laboratory) -> Case:
    rows = [["Sample", "P", "P dup"]]
    rows = (
        [["Sample", "Si", "Water"]]
        + [[code, plain(lab.values[code]["Si"], ","), plain(lab.values[code]["Water"], ",")] for code in lab.samples[:5]]
        + [["Sample", "Water", "Si"]]
        + [[code, plain(lab.values[code]["Water"], ","), plain(lab.values[code]["Si"], ",")] for code in lab.samples[5:]]
    )
    return case([("a.csv", joined(rows))], lab.meant(["Si", "Water"]), hand=wide_entry(same=["Si", "Water"], decimal=","))


@kind
def blocks_swapped_columns(lab: Laboratory) -> Case:
    rows = (
        [["Sample", "Si", "Water"]]
        + [[code, plain(lab.values[code]["Si"], ","), plain(lab.values[code]["Water"], ",")] for code in lab.samples[:5]]
        + [[], ["Sample", "Water", "Si"]]
        + [[code, plain(lab.values[code]["Water"], ","), plain(lab.values[code]["Si"], ",")] for code in lab.samples[5:]]
    )
    return case(
        [("a.csv", joined(rows))], lab.meant(["Si", "Water"]), hand=wide_entry(same=["Si", "Water"], decimal=",", blocks=True)
    )


@kind
def blocks_other_unit(lab: Laboratory) -> Case:
    rows = (
        [["Sample", "P", "Ca"], ["", "mg/kg", "mg/kg"]]
        + [[code, plain(lab.values[code]["P"], ","), plain(lab.values[code]["Ca"], ",")] for code in lab.samples[:5]]
        + [[], ["Sample", "P", "Ca"], ["", "% m/m", "% m/m"]]
        + [
            [code, plain(lab.values[code]["P"] / 10000.0, ","), plain(lab.values[code]["Ca"] / 10000.0, ",")]
            for code in lab.samples[5:]
        ]
    )
    return case(
        [("a.csv", joined(rows))],
        lab.meant(["P", "Ca"]),
        hand=wide_entry(same=["P", "Ca"], units=False, unit_row=2, decimal=",", blocks=True),
    )


@kind
def blocks_continuation_analytes(lab: Laboratory) -> Case:
    rows = (
        [["Sample", "Si", "P"], ["", "mg/kg", "mg/kg"]]
        + [[code, plain(lab.values[code]["Si"], ","), plain(lab.values[code]["P"], ",")] for code in lab.samples]
        + [[], ["Sample", "Ca", "KV40"], ["", "mg/kg", "mm2/s"]]
        + [[code, plain(lab.values[code]["Ca"], ","), plain(lab.values[code]["KV40"], ",")] for code in lab.samples]
    )
    return case(
        [("a.csv", joined(rows))],
        lab.meant(["Si", "P", "Ca", "KV40"]),
        hand=wide_entry(same=["Si", "P", "Ca", "KV40"], units=False, unit_row=2, decimal=",", blocks=True),
    )


@kind
def page_breaks_headings_repeat(lab: Laboratory) -> Case:
    rows = wide_rows(lab, FIVE)
    u = ["", "mg/kg", "mg/kg", "mg/kg", "mg/kg", "mm2/s"]
    rows = [rows[0], u, *rows[1:6], ["Page 1 of 2"], [], rows[0], u, *rows[6:], ["Page 2 of 2"]]
    return case([("a.csv", joined(rows))], lab.meant(FIVE), hand=wide_entry(units=False, unit_row=2, decimal=",", blocks=True))


@kind
def shifted_unit_row(lab: Laboratory) -> Case:
    """Units begin one cell too far left."""
    rows = wide_rows(
        lab, ["P", "Ca", "KV40"], f=lambda code, a, value: plain(value / 10000.0, ",") if a == "P" else plain(value, ",")
    )
    rows = [rows[0], ["% m/m", "mg/kg", "mm2/s", ""], *rows[1:]]
    return case(
        [("a.csv", joined(rows))],
        lab.meant(["P", "Ca", "KV40"], agree=False),
        agree=False,
        hand=wide_entry(same=["P", "Ca", "KV40"], units=False, unit_row=2, decimal=","),
    )


@kind
def shifted_unit_row_same_kind(lab: Laboratory) -> Case:
    """% stands over Ca (meant for P): the unit row slipped; values say so: Ca 2340, P 0.034."""
    rows = wide_rows(lab, ["P", "Ca"], f=lambda code, a, value: plain(value / 10000.0, ",") if a == "P" else plain(value, ","))
    rows = [rows[0], ["", "mg/kg", "% m/m"], *rows[1:]]
    return case(
        [("a.csv", joined(rows))],
        lab.meant(["P", "Ca"], agree=False),
        agree=False,
        hand=wide_entry(same=["P", "Ca"], units=False, unit_row=2, decimal=","),
    )


@kind
def fixed_width_blank_shift(lab: Laboratory) -> Case:
    bad = lab.samples[4]
    t = ["Sample    Si      P       Ca", "          mg/kg   mg/kg   mg/kg"]
    for code in lab.samples:
        t.append(
            f"{code:<10}{plain(lab.values[code]['Si']):<8}{('' if code == bad else plain(lab.values[code]['P'])):<8}{plain(lab.values[code]['Ca']):<8}".rstrip()
        )
    return case(
        [("a.txt", "\n".join(t) + "\n")],
        lab.meant(THREE, drop={(bad, "P")}),
        hand=wide_entry(same=THREE, units=False, unit_row=2, decimal=".", blank="not measured"),
    )


@kind
def fixed_width_collapsed_blank(lab: Laboratory) -> Case:
    """Copy-paste of a PDF: columns collapsed to single spaces, one value missing, remark fills the count."""
    bad = lab.samples[4]
    t = ["Sample Si P Ca Remark"]
    for code in lab.samples:
        t.append(
            f"{code} {plain(lab.values[code]['Si'])} {('' if code == bad else plain(lab.values[code]['P']) + ' ')}{plain(lab.values[code]['Ca'])} {('P missing' if code == bad else '-')}"
        )
    return case(
        [("a.txt", "\n".join(t) + "\n")],
        lab.meant(THREE, drop={(bad, "P")}),
        hand=wide_entry(same=THREE, delimiter=" ", decimal=".", ignore_columns=["Remark"]),
    )


@kind
def pipe_table(lab: Laboratory) -> Case:
    t = ["| Sample | Si | P | Ca |", "|--------|----|---|----|"] + [
        f"| {code} | {plain(lab.values[code]['Si'])} | {plain(lab.values[code]['P'])} | {plain(lab.values[code]['Ca'])} |"
        for code in lab.samples
    ]
    return case([("a.txt", "\n".join(t))], lab.meant(THREE), hand=wide_entry(same=THREE, delimiter="|", decimal="."))


@kind
def hand_typed_o_l(lab: Laboratory) -> Case:
    a, b = (lab.samples[1], lab.samples[5])
    rows = wide_rows(
        lab,
        THREE,
        f=lambda code, k, value: (
            "l" + plain(value, ",")[1:]
            if (code, k) == (a, "Si")
            else plain(value)[:-1] + "O"
            if (code, k) == (b, "P")
            else plain(value, ",")
        ),
    )
    return case(
        [("a.csv", joined(rows))],
        [dict(t, agree=(t["s"], t["a"]) not in {(a, "Si"), (b, "P")}) for t in lab.meant(THREE)],
        agree=False,
        hand=wide_entry(same=THREE, decimal=","),
    )


@kind
def code_b_for_8(lab: Laboratory) -> Case:
    i = [k for k, code in enumerate(lab.samples) if "8" in code]
    rows = wide_rows(lab, THREE)
    bad = set()
    for k in i[:1]:
        bad.add(lab.samples[k])
        rows[k + 1][0] = lab.samples[k].replace("8", "B", 1)
    return case(
        [("a.csv", joined(rows))],
        [dict(t, agree=t["s"] not in bad) for t in lab.meant(THREE)],
        agree=not bad,
        hand=wide_entry(same=THREE, decimal=","),
    )


@kind
def codes_lower_and_dashed(lab: Laboratory) -> Case:
    rows = wide_rows(lab, THREE)
    for k, r in enumerate(rows[1:]):
        r[0] = r[0].lower() if k % 2 else r[0][:2] + "-" + r[0][2:]
    return case([("a.csv", joined(rows))], lab.meant(THREE), hand=wide_entry(same=THREE, decimal=","))


@kind
def codes_with_description(lab: Laboratory) -> Case:
    rows = wide_rows(lab, THREE)
    codes = {}
    for r in rows[1:]:
        n = f"{r[0]} (gear oil, 250 mL)"
        codes[n] = r[0]
        r[0] = n
    return case([("a.csv", joined(rows))], lab.meant(THREE), hand=wide_entry(same=THREE, decimal=",", codes=codes))


@kind
def labno_and_client_ref(lab: Laboratory) -> Case:
    rows = [["Sample", "Client ref.", "Si", "P", "Ca"]] + [
        [f"26-{1180 + i}", code] + [plain(lab.values[code][a], ",") for a in THREE] for i, code in enumerate(lab.samples)
    ]
    return case(
        [("a.csv", joined(rows))],
        lab.meant(THREE),
        hand=wide_entry(sample="Client ref.", same=THREE, decimal=",", ignore_columns=["Sample"]),
    )


@kind
def two_code_columns(lab: Laboratory) -> Case:
    p = lab.samples[1:] + lab.samples[:1]
    rows = [["Paired with", "Bottle", "Si", "P"]] + [
        [p[i], code] + [plain(lab.values[code][a], ",") for a in ("Si", "P")] for i, code in enumerate(lab.samples)
    ]
    return case(
        [("a.csv", joined(rows))],
        lab.meant(["Si", "P"]),
        hand=wide_entry(sample="Bottle", same=["Si", "P"], decimal=",", ignore_columns=["Paired with"]),
    )


@kind
def qc_interleaved(lab: Laboratory) -> Case:
    rows = wide_rows(lab, THREE)
    for k, n in (
        (8, ["BLK 2", "<1", "<5", "<10"]),
        (5, ["CCV 100", "101", "99", "102"]),
        (3, ["BLK", "<1", "<5", "<10"]),
        (1, ["Oil std S-21", "21,2", "20,8", "21,0"]),
    ):
        rows.insert(k, n)
    return case([("a.csv", joined(rows))], lab.meant(THREE), hand=wide_entry(same=THREE, decimal=","))


@kind
def duplicate_rows_labelled_dup(lab: Laboratory) -> Case:
    rows = wide_rows(lab, THREE)
    code = lab.samples[3]
    rows.insert(5, [code + " Dup", *[plain(round(lab.values[code][a] * 1.01, 1), ",") for a in THREE]])
    return case([("a.csv", joined(rows))], lab.meant(THREE), agree=False, hand=wide_entry(same=THREE, decimal=","))


@kind
def uncertainty_rows_below(lab: Laboratory) -> Case:
    rows = [["Sample", "Si", "P", "Ca"]]
    for code in lab.samples:
        rows += [[code] + [plain(lab.values[code][a], ",") for a in THREE], ["±", "0,8", "12", "90"]]
    return case([("a.csv", joined(rows))], lab.meant(THREE), hand=wide_entry(same=THREE, decimal=","))


@kind
def rsd_rows_same_code(lab: Laboratory) -> Case:
    rows = [["Sample", "Si", "P", "Ca"]]
    for code in lab.samples:
        rows += [
            [code] + [plain(lab.values[code][a], ",") for a in THREE],
            [code, plain(round(lab.rng.uniform(11, 21), 1), ","), "31,0", "190,2"],
        ]
    return case(
        [("a.csv", joined(rows))],
        lab.meant(THREE, agree=False),
        agree=False,
        hand=wide_entry(same=THREE, decimal=",", replicates="in order"),
    )


@kind
def unit_in_cells_mixed(lab: Laboratory) -> Case:
    rows = [["Sample", "Si", "P"]] + [
        [
            code,
            plain(lab.values[code]["Si"]) + " mg/kg",
            plain(lab.values[code]["P"]) + " mg/kg" if i % 3 else f"{lab.values[code]['P'] / 10000.0:.4f} %",
        ]
        for i, code in enumerate(lab.samples)
    ]
    return case(
        [("a.csv", joined(rows, ","))], lab.meant(["Si", "P"]), hand=wide_entry(same=["Si", "P"], units=False, decimal=".")
    )


@kind
def unit_in_cells_vs_heading_ppm(lab: Laboratory) -> Case:
    rows = [["Sample", "Si [ppm]", "P [ppm]"]] + [
        [code, plain(lab.values[code]["Si"]) + " mg/kg", plain(lab.values[code]["P"]) + " mg/kg"] for code in lab.samples
    ]
    return case(
        [("a.csv", joined(rows, ","))],
        lab.meant(["Si", "P"]),
        hand=wide_entry(same=[], units=False, decimal=".", analytes={"Si [ppm]": "Si", "P [ppm]": "P"}),
    )


@kind
def unit_per_row_long(lab: Laboratory) -> Case:
    rows = [["Sample", "Test", "Result", "Unit"]]
    for i, code in enumerate(lab.samples):
        for a in THREE:
            rows.append(
                [
                    code,
                    a,
                    plain(lab.values[code][a]) if (i + len(a)) % 2 else plain(lab.values[code][a] / 10000.0),
                    "mg/kg" if (i + len(a)) % 2 else "% m/m",
                ]
            )
    return case([("a.csv", joined(rows, ","))], lab.meant(THREE), hand=long_entry(decimal=".", names={a: a for a in THREE}))


@kind
def unit_belongs_to_lod(lab: Laboratory) -> Case:
    rows = [["Sample", "Test", "Result [mg/kg]", "LOD", "LOD unit"]]
    for code in lab.samples:
        for a in THREE:
            rows.append([code, a, plain(lab.values[code][a]), "50", "µg/kg"])
    return case(
        [("a.csv", joined(rows, ","))],
        lab.meant(THREE),
        hand=long_entry(
            value="Result [mg/kg]", unit="LOD unit", decimal=".", columns={"limit": "LOD"}, names={a: a for a in THREE}
        ),
    )


@kind
def ditto_unit(lab: Laboratory) -> Case:
    rows = [["Sample", "Test", "Result", "Unit"]]
    for code in lab.samples:
        for a in THREE:
            rows.append([code, a, plain(lab.values[code][a]), "mg/kg" if len(rows) == 1 else '""""'])
    return case(
        [("a.csv", joined(rows, ","))],
        lab.meant(THREE),
        hand=long_entry(decimal=".", blank_repeats=["Unit"], names={a: a for a in THREE}),
    )


@kind
def two_long_tables_side_by_side(lab: Laboratory) -> Case:
    rows = [["Sample", "Test", "Result", "Unit", "", "Sample", "Test", "Result", "Unit"]]
    for code in lab.samples:
        rows.append(
            [code, "Si", plain(lab.values[code]["Si"], ","), "mg/kg", "", code, "P", plain(lab.values[code]["P"], ","), "mg/kg"]
        )
    h = [
        long_entry(decimal=",", range="A:D", names={"Si": "Si"})["file"][0],
        long_entry(decimal=",", range="F:I", names={"P": "P"})["file"][0],
    ]
    return case([("a.csv", joined(rows))], lab.meant(["Si", "P"]), hand={"file": h})


@kind
def words_german(lab: Laboratory) -> Case:
    sheet = ["n.n.", "n.b.", "--", "u.BG", "Spuren", "k.A.", "nicht nachweisbar"]
    rows = wide_rows(lab, ["Si", "P"])
    meant = lab.meant(["P"])
    mean = {
        "n.n.": "below limit",
        "u.BG": "below limit",
        "Spuren": "below limit",
        "nicht nachweisbar": "below limit",
        "n.b.": "not measured",
        "--": "not measured",
        "k.A.": "not measured",
    }
    for i, code in enumerate(lab.samples):
        if i < 7:
            rows[i + 1][1] = sheet[i]
            if mean[sheet[i]] == "below limit":
                meant.append({"s": code, "a": "Si", "v": 2, "q": "<"})
        else:
            meant.append({"s": code, "a": "Si", "v": lab.values[code]["Si"]})
    value = {"words": mean, "limits": {"Si": 2}}
    return case([("a.csv", joined(rows))], meant, hand=wide_entry(same=["Si", "P"], decimal=",", **value))


@kind
def lt_variants(lab: Laboratory) -> Case:
    fs = ["<15", "< 15", "＜15", "‹15", "&lt;15", "<=15", "less than 15", "unter 15", "kleiner 15", "<15,0"]
    rows = wide_rows(lab, ["Si", "P"])
    for i, _code in enumerate(lab.samples):
        rows[i + 1][1] = fs[i]
    meant = lab.meant(["P"]) + [{"s": code, "a": "Si", "v": 15, "q": "<"} for code in lab.samples]
    return case([("a.csv", joined(rows))], meant, hand=wide_entry(same=["Si", "P"], decimal=","))


@kind
def approx_variants(lab: Laboratory) -> Case:
    fs = ["~{}", "ca. {}", "≈{}", "{}?", "({})", "[{}]", "{}!", "{} #", "{}(3)", "{}+"]
    rows = wide_rows(lab, ["Si", "P"])
    meant = []
    for i, code in enumerate(lab.samples):
        rows[i + 1][1] = fs[i].format(plain(lab.values[code]["Si"], ","))
        meant.append({"s": code, "a": "Si", "v": lab.values[code]["Si"], "agree": False})
    return case(
        [("a.csv", joined(rows))], lab.meant(["P"]) + meant, agree=False, hand=wide_entry(same=["Si", "P"], decimal=",")
    )


@kind
def exotic_digits(lab: Laboratory) -> Case:

    def f(i, t):
        return [
            "".join(chr(ord(value) + 65248) if value.isdigit() or value == "." else value for value in t),
            t.replace(".", "·"),
            t + "\xa0",
            t + "\u200b",
            "\ufeff" + t,
            t.replace(".", "٫"),
            t[0] + " " + t[1:],
            "+" + t,
            t + "¹",
            "0" + t,
        ][i]

    rows = wide_rows(lab, ["Si", "P"], dec=".")
    meant = []
    for i, code in enumerate(lab.samples):
        rows[i + 1][1] = f(i, "{:.1f}".format(lab.values[code]["Si"]))
        meant.append({"s": code, "a": "Si", "v": lab.values[code]["Si"], "agree": i in (0, 2, 3, 4, 7, 9)})
    return case(
        [("a.csv", joined(rows, ";"))], lab.meant(["P"]) + meant, agree=False, hand=wide_entry(same=["Si", "P"], decimal=".")
    )


@kind
def exponents(lab: Laboratory) -> Case:

    def f(i, value):
        return [
            f"{value:.2E}",
            f"{value:.2e}".replace("e+", "e"),
            f"{value / 10:.2f} x 10^1",
            f"{value / 10:.2f}·10¹",
            f"{value / 10:.2f}E1",
            f"{value / 10:.2f}*10^1",
            f"{value / 10:.2f}x10^1",
            f"{value / 10:.2f} × 10¹",
            f"{value / 10:.2f}x101",
            f"{value / 10:.2f}e+001",
        ][i]

    rows = wide_rows(lab, ["Si", "P"], dec=".")
    for i, code in enumerate(lab.samples):
        rows[i + 1][1] = f(i, lab.values[code]["Si"])
    meant = [dict(t, agree=not (t["a"] == "Si" and t["s"] == lab.samples[8])) for t in lab.meant(["Si", "P"])]
    return case([("a.csv", joined(rows, ";"))], meant, agree=False, hand=wide_entry(same=["Si", "P"], decimal="."))


@kind
def date_coerced_text(lab: Laboratory) -> Case:
    rows = wide_rows(lab, ["Si", "P"])
    meant = []
    ms = ["Jan", "Feb", "Mrz", "Apr", "Mai"]
    for i, code in enumerate(lab.samples):
        if i in (2, 5):
            rows[i + 1][1] = f"16. {ms[i - 1]}"
            meant.append({"s": code, "a": "Si", "v": 16 + i / 10, "agree": False})
        else:
            meant.append({"s": code, "a": "Si", "v": lab.values[code]["Si"]})
    return case(
        [("a.csv", joined(rows))], lab.meant(["P"]) + meant, agree=False, hand=wide_entry(same=["Si", "P"], decimal=",")
    )


@kind
def date_coerced_all_dotted(lab: Laboratory) -> Case:
    """1.5 -> 01. Mai -> saved as 01.05 : whole column date-coerced by Excel, then formatted dd.mm."""
    rows = [["Sample", "Si"], ["", "mg/kg"]]
    meant = []
    for _i, code in enumerate(lab.samples):
        d = lab.rng.randint(14, 19)
        m = lab.rng.randint(1, 9)
        rows.append([code, f"{d}.0{m}"])
        meant.append({"s": code, "a": "Si", "v": round(d + m / 10, 1), "agree": False})
    return case(
        [("a.csv", joined(rows))], meant, agree=False, hand=wide_entry(same=["Si"], units=False, unit_row=2, decimal=".")
    )


@kind
def time_coerced(lab: Laboratory) -> Case:
    rows = wide_rows(
        lab, ["Si", "P"], f=lambda code, a, value: f"{int(value)}:0{round(value * 10) % 10}" if a == "Si" else plain(value, ",")
    )
    return case(
        [("a.csv", joined(rows))],
        lab.meant(["P"]) + [{"s": code, "a": "Si", "v": lab.values[code]["Si"], "agree": False} for code in lab.samples],
        agree=False,
        hand=wide_entry(same=["Si", "P"], decimal=","),
    )


@kind
def range_and_two_values(lab: Laboratory) -> Case:
    rows = wide_rows(lab, ["Si", "P"])
    meant = lab.meant(["P"])
    fs = ["16-17", "16/17", "16; 17", "16 – 17", "16,1|16,3", "16..17"]
    for i, code in enumerate(lab.samples):
        if i < 6:
            rows[i + 1][1] = '"' + fs[i] + '"'
        else:
            meant.append({"s": code, "a": "Si", "v": lab.values[code]["Si"]})
    return case([("a.csv", joined(rows))], meant, agree=False, hand=wide_entry(same=["Si", "P"], decimal=","))


@kind
def correction_file(lab: Laboratory) -> Case:
    code = lab.samples[2]
    rows = with_units(THREE, wide_rows(lab, THREE))
    rows[2 + 2][1] = plain(round(lab.values[code]["Si"] * 1.09, 1), ",")
    r2 = [["Sample", "Si"], ["", "mg/kg"], [code, plain(lab.values[code]["Si"], ",")]]
    return case(
        [("report.csv", joined(rows)), ("report_correction.csv", joined(r2))],
        [dict(t, agree=not (t["s"] == code and t["a"] == "Si")) for t in lab.meant(THREE)],
        agree=False,
        hand={
            "file": [
                wide_entry(pattern="report.csv", same=THREE, units=False, unit_row=2, decimal=",")["file"][0],
                wide_entry(pattern="report_correction.csv", same=["Si"], units=False, unit_row=2, decimal=",")["file"][0],
            ]
        },
    )


@kind
def correction_revises(lab: Laboratory) -> Case:
    code = lab.samples[2]
    rows = with_units(THREE, wide_rows(lab, THREE))
    rows[2 + 2][1] = plain(round(lab.values[code]["Si"] * 1.09, 1), ",")
    r2 = [["Sample", "Si"], ["", "mg/kg"], [code, plain(lab.values[code]["Si"], ",")]]
    return case(
        [("report.csv", joined(rows)), ("report_correction.csv", joined(r2))],
        lab.meant(THREE),
        hand={
            "file": [
                wide_entry(pattern="report.csv", same=THREE, units=False, unit_row=2, decimal=",")["file"][0],
                {
                    **wide_entry(pattern="report_correction.csv", same=["Si"], units=False, unit_row=2, decimal=",")["file"][0],
                    "revises": "report.csv",
                },
            ]
        },
    )


@kind
def duplicate_report(lab: Laboratory) -> Case:
    t = joined(with_units(THREE, wide_rows(lab, THREE)))
    return case(
        [("report.csv", t), ("report (1).csv", t)],
        lab.meant(THREE),
        agree=True,
        hand=wide_entry(same=THREE, units=False, unit_row=2, decimal=","),
    )


@kind
def correction_as_prose(lab: Laboratory) -> Case:
    code = lab.samples[2]
    t = [list(r) for r in with_units(THREE, wide_rows(lab, THREE))]
    t[4][1] = plain(round(lab.values[code]["Si"] * 1.09, 1), ",")
    return case(
        [
            ("report.csv", joined(t)),
            ("README.txt", f"Erratum: Si of {code} is {plain(lab.values[code]['Si'], ',')} mg/kg, not {t[4][1]}\n"),
        ],
        lab.meant(THREE),
        hand=wide_entry(pattern="report.csv", same=THREE, units=False, unit_row=2, decimal=","),
    )


@kind
def method_two_for_water(lab: Laboratory) -> Case:
    rows = [["Sample", "Test", "Method", "Result", "Unit"]]
    for code in lab.samples:
        rows += [
            [code, "Water", "KF", plain(lab.values[code]["Water"]), "mg/kg"],
            [code, "Water", "Distillation", plain(lab.values[code]["Water"] + 60), "mg/kg"],
            [code, "Si", "ICP", plain(lab.values[code]["Si"]), "mg/kg"],
        ]
    return case(
        [("a.csv", joined(rows, ","))],
        [*lab.meant(["Si"]), *lab.meant(["Water"], agree=False)],
        agree=False,
        hand=long_entry(decimal=".", columns={"method": "Method"}, replicates="in order", names={"Water": "Water", "Si": "Si"}),
    )


@kind
def oxide_names_long(lab: Laboratory) -> Case:
    rows = [["Sample", "Test", "Result", "Unit"]]
    for code in lab.samples:
        rows += [
            [code, "Phosphate", plain(round(lab.values[code]["P"] * 3.066)), "mg/kg"],
            [code, "Silica", plain(round(lab.values[code]["Si"] * 2.139, 1)), "mg/kg"],
        ]
    return case(
        [("a.csv", joined(rows, ","))],
        lab.meant(["P", "Si"]),
        agree=True,
        hand=long_entry(decimal=".", names={"Phosphate": "P", "Silica": "Si"}),
    )
