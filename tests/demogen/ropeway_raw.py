"""The gear-oil demo's raw files, as a laboratory would send them, and the faults planted in them."""

from __future__ import annotations

import pandas as pd

from tests.demogen.common import Bundle, csv_text, rows_of
from tests.demogen.ropeway_plan import LAYERED, SPECIAL_CODES, SPECIAL_SAMPLES, Plan

FIRST, THIRD, FOURTH = "R1-R2_2025-11-28.csv", "R3_2026-08-24.csv", "R4_2026-09-04.csv"
NAMES = {"KV40": "Visc. 40 °C", "P": "Phosphorus", "S": "Sulphur (XRF)", "B": "Boron", "Si": "Silicon", "Ca": "Calcium",
         "Zn": "Zinc", "Water": "Water KF"}
METHODS = {"KV40": "kinematic viscosity, ASTM D445-21", "S": "WD-XRF, in-house 7",
           "Water": "Karl Fischer, coulometric, ASTM D6304-20"}
ICP = "ICP-OES, in-house 12 after ASTM D5185-18"


def write(bundle: Bundle, plan: Plan, samples: pd.DataFrame, results: pd.DataFrame) -> pd.DataFrame:
    """Plant the faults, add the raw files to the bundle; returns the samples table with its notes."""
    results = results.copy()
    samples = _lost_bottle(bundle, plan, samples)
    lost = samples.loc[samples["note"] != "", ["sample", "kind"]]
    lost_codes = set(lost.loc[lost["kind"] == "spot", "sample"])
    results = results[~results["sample"].isin(lost_codes)]
    _carry_over(bundle, plan, results)
    _raised_limit(bundle, plan, results)
    by_run = {str(g): part for g, part in results.groupby("run")}
    first = pd.concat([by_run["R1"], by_run["R2"]], ignore_index=True)
    bundle.files[f"raw/{FIRST}"] = b"\xef\xbb\xbf" + _first(bundle, plan, first).encode("utf-8")
    bundle.files[f"raw/{THIRD}"] = _third(bundle, by_run["R3"]).encode("cp1252")
    bundle.files[f"raw/{FOURTH}"] = _fourth(bundle, by_run["R4"]).encode("utf-8")
    return samples


def _spots(plan: Plan, **where: str) -> pd.DataFrame:
    """Spot samples of stored pails joined with their pail and run; ``where`` filters by column."""
    table = plan.samples[plan.samples["kind"] == "spot"].merge(plan.containers, on="container")
    table = table.merge(plan.runs, on="sample")
    table = table[table["treatment"] == "stored"]
    for column, value in where.items():
        table = table[table[column] == value]
    return table


def _lost_bottle(bundle: Bundle, plan: Plan, samples: pd.DataFrame) -> pd.DataFrame:
    code = str(_spots(plan, run="R4", store="hut", lot="0823", depth="middle")["sample"].iloc[0])
    out = samples.copy()
    out.loc[out["sample"] == code, "note"] = "bottle cracked in transit, nothing left"
    bundle.fault("lost bottle", f"raw/{FOURTH}", f"sample {code}", "no result at all for this sample.",
                 "Count it as missing; nothing is filled in.")
    return out


def _carry_over(bundle: Bundle, plan: Plan, results: pd.DataFrame) -> None:
    """The sample read directly after the layered control's rich lower draw reads 12 % high in P."""
    rich = plan.samples[(plan.samples["container"] == LAYERED) & (plan.samples["depth"] == "lower")]["sample"].iloc[0]
    place = {r.sample: (r.run, r.run_order) for r in rows_of(plan.runs)}
    run, position = place[rich]
    after = next(code for code, where in place.items() if where == (run, position + 1))
    at = (results["sample"] == after) & (results["analyte"] == "P")
    value = float((results.loc[at, "value"] * 1.12).round(0).iloc[0])
    results.loc[at, "value"] = value
    results.loc[at, "as_written"] = f"{value:.0f}"
    bundle.fault("carry-over", f"raw/{FIRST}", f"sample {after}, P",
                 f"reads 12 % high, next after the rich sample {rich}.",
                 "Seen by run order; a blank after the richest control would have shown it.")


def _raised_limit(bundle: Bundle, plan: Plan, results: pd.DataFrame) -> None:
    """One Si result reported as below 8 although its neighbours read about 12 (a tenfold dilution)."""
    code = str(_spots(plan, run="R2", store="hut", lot="0925", depth="middle")["sample"].iloc[0])
    at = (results["sample"] == code) & (results["analyte"] == "Si")
    results.loc[at, ["value", "limit"]] = 8.0
    results.loc[at, ["qualifier", "as_written"]] = ["<", "<8"]
    bundle.fault("raised limit", f"raw/{FIRST}", f"sample {code}, Si",
                 "'<8' where the pail's other zones read above 10.",
                 "A diluted portion; not a low result. Ask for a re-run; do not put in 8 or 4. Until then the kit "
                 "takes the laboratory at its word and names the pail.")


def _first(bundle: Bundle, plan: Plan, rows: pd.DataFrame) -> str:
    """Runs 1 and 2: long, comma, decimal point, UTF-8 with a byte-order mark; one row twice, one revised."""
    rows = rows.sort_values(["run", "run_order"], kind="stable")
    table = [["Bottle", "Determination", "Result", "Unit", "Method", "Batch", "Position", "Reported"]]
    bad = str(_spots(plan, run="R1", store="valley", lot="0924", depth="upper")["sample"].iloc[0])
    twice = str(_spots(plan, run="R2", store="hut", lot="0823", depth="lower")["sample"].iloc[0])
    later: list[str] = []
    for r in rows_of(rows):
        line = [str(r.sample), NAMES[str(r.analyte)], str(r.as_written), str(r.unit), METHODS.get(str(r.analyte), ICP),
                str(r.run), str(r.run_order), "2025-11-28"]
        if r.sample == bad and r.analyte == "P":
            later = [*line[:-1], "2025-12-05"]
            right, line = line[2], [*line[:2], str(int(str(r.as_written)) - 90), *line[3:]]
            bundle.fault("re-reported row", f"raw/{FIRST}", f"sample {bad}, P, lines {len(table) + 1} and last",
                         f"first reported as {line[2]}, re-reported on 2025-12-05 as {right}.",
                         "The later report counts; the first stays on file as superseded.")
        table.append(line)
        if r.sample == twice and r.analyte == "S":
            table.append(line)
            bundle.fault("row twice", f"raw/{FIRST}", f"sample {twice}, S, lines {len(table) - 1} and {len(table)}",
                         "the same row stands twice, letter for letter.", "One of them counts.")
    table.append(later)
    low = sum(1 for r in rows_of(rows) if r.qualifier == "<" and r.analyte == "Zn")
    bundle.fault("below quantification", f"raw/{FIRST}", f"Zn, {low} rows", "written '<2'.",
                 "Kept as qualifier and limit; never replaced by a number.")
    place = {str(r.sample): str(r.run) for r in rows_of(plan.runs)}
    odd = ", ".join(f"{c} in run {place[c]}" for c in SPECIAL_SAMPLES)
    pails = ", ".join(SPECIAL_CODES)
    bundle.fault("code like a number", "raw/ and plan/", f"samples {odd}; pails {pails}",
                 "a spreadsheet would turn them into 71, 100000 and the like.", "Codes are text.")
    return csv_text(table)


def _comma(text: str) -> str:
    return text.replace(".", ",")


def _third(bundle: Bundle, rows: pd.DataFrame) -> str:
    """Run 3: long, semicolon, decimal comma, Windows-1252, two lines on top, a closing line, P in mass per cent."""
    table = [["Test report 26-0391, amended layout", "", "", "", "", "", "", ""], ["", "", "", "", "", "", "", ""],
             ["Code", "Test", "Result", "Unit", "Batch", "Pos", "Date of report", "Remark"]]
    for r in rows_of(rows.sort_values("run_order", kind="stable")):
        cell, unit = str(r.as_written), str(r.unit)
        if r.analyte == "P":
            cell, unit = f"{r.value / 10000:.4f}", "% m/m"
        remark = "sample warmed to 40 °C and shaken" if r.analyte == "Si" else ""
        table.append([str(r.sample), NAMES[str(r.analyte)], _comma(cell), unit, str(r.run), str(r.run_order),
                      "24.08.2026", remark])
    table.append(["End of report", "", "", "", "", "", "", ""])
    bundle.fault("decimal comma and another encoding", f"raw/{THIRD}", "whole file",
                 "semicolons, decimal commas, Windows-1252, dates as 24.08.2026.", "Declared in intake.toml.")
    bundle.fault("another unit", f"raw/{THIRD}", "P", "reported in mass per cent instead of mg/kg.",
                 "Converted; the cell as written is kept.")
    return csv_text(table, delimiter=";")


def _fourth(bundle: Bundle, rows: pd.DataFrame) -> str:
    """Run 4: wide, a heading row over a unit row, dates as 04/09/2026, '< 2' with a blank."""
    analytes = list(NAMES)
    units = rows.drop_duplicates("analyte").set_index("analyte")["unit"]
    table = [["Sample", "Batch", "Pos", "Reported", *analytes],
             ["", "", "", "", *("cSt" if a == "KV40" else "mass %" if a == "S" else str(units[a]) for a in analytes)]]
    for code, part in rows.sort_values("run_order", kind="stable").groupby("sample", sort=False):
        cell = {str(r.analyte): str(r.as_written).replace("<", "< ") for r in rows_of(part)}
        first = part.iloc[0]
        table.append([str(code), str(first["run"]), str(first["run_order"]), "04/09/2026",
                      *(cell.get(a, "") for a in analytes)])
    bundle.fault("ambiguous date", f"raw/{FOURTH}", "column Reported", "04/09/2026: 4 September or 9 April?",
                 "4 September: the order is declared in intake.toml, it is not guessed.")
    return csv_text(table, newline="\n")
