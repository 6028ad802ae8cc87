"""The graphite demo's raw files and the faults planted in them."""

from __future__ import annotations

import pandas as pd

from tests.demogen.common import Bundle, csv_text, rows_of

OVEN_EARLY, OVEN_LATE, BENCH = "oven_D1-D2.csv", "oven_D3.csv", "bench_density_pH.csv"
STRADDLED, BUBBLE = 31.02, 0.03


def write(bundle: Bundle, samples: pd.DataFrame, results: pd.DataFrame) -> pd.DataFrame:
    """Plant the faults, add the raw files; returns the samples with zone densities and notes."""
    samples, results = samples.copy(), results.copy()
    _straddling_draw(bundle, samples, results)
    rho = results[results["analyte"] == "Density"].set_index("sample")["value"]
    samples["density_kg_m3"] = [f"{1000 * rho[s]:.0f}" for s in samples["sample"]]
    _bubble(bundle, samples, results)
    solids = results[results["analyte"] == "Solids"].sort_values(["run", "run_order"], kind="stable")
    early, late = solids[solids["run"] != "D3"], solids[solids["run"] == "D3"]
    bundle.text(f"raw/{OVEN_EARLY}", _early(bundle, early))
    bundle.files[f"raw/{OVEN_LATE}"] = _late(bundle, late).encode("cp1252")
    bundle.text(f"raw/{BENCH}", _bench(results))
    return samples


def _straddling_draw(bundle: Bundle, samples: pd.DataFrame, results: pd.DataFrame) -> None:
    """The bottom draw of one 90-day keg sat across the boundary of the cake."""
    code = str(samples.loc[(samples["container"] == "K13") & (samples["depth"] == "bottom"), "sample"].iloc[0])
    at = (results["sample"] == code) & (results["analyte"] == "Solids")
    results.loc[at, "value"] = STRADDLED
    results.loc[at, "as_written"] = f"{STRADDLED:.2f}"
    samples.loc[samples["sample"] == code, "note"] = "tube stood across the upper edge of the cake"
    bundle.fault("draw across a boundary", f"raw/{OVEN_LATE}", f"sample {code}, Solids",
                 f"{STRADDLED} % where the other kegs of that age have about 37 %.",
                 "The log says why: the tube stood across the edge of the cake. Neither layer; keep it visible.")


def _bubble(bundle: Bundle, samples: pd.DataFrame, results: pd.DataFrame) -> None:
    """A bubble in the pycnometer lowers one density."""
    code = str(samples.loc[(samples["container"] == "K02") & (samples["depth"] == "middle"), "sample"].iloc[0])
    at = (results["sample"] == code) & (results["analyte"] == "Density")
    results.loc[at, "value"] -= BUBBLE
    results.loc[at, "as_written"] = f"{float(results.loc[at, 'value'].iloc[0]):.3f}"
    bundle.fault("bubble", f"raw/{BENCH}", f"sample {code}, Density", f"{BUBBLE} g/mL too low.",
                 "Disagrees with the solids of the same bottle.")


def _early(bundle: Bundle, rows: pd.DataFrame) -> str:
    """First and second oven run: solids as a fraction."""
    table = [["bottle", "oven run", "place", "solids", "unit", "date"]]
    table += [[str(r.sample), str(r.run), str(r.run_order), f"{r.value / 100:.4f}", "g/g",
               "2026-06-03" if r.run == "D1" else "2026-06-26"] for r in rows_of(rows)]
    bundle.fault("another unit", f"raw/{OVEN_EARLY}", "whole file",
                 "solids as a mass fraction (0.2203), not in per cent.",
                 "Converted by the unit in the file.")
    bundle.fault("order by depth", f"raw/{OVEN_EARLY}", "run D2",
                 "bottles stood in the oven from top to bottom; the far end dries 0.3 % (m/m) further.",
                 "In this run position and depth cannot be told apart; here it is small against 16 %.")
    return csv_text(table)


def _late(bundle: Bundle, rows: pd.DataFrame) -> str:
    """Third oven run: solids in per cent, semicolons and decimal commas."""
    table = [["Bottle", "Oven run", "Place", "Solids content", "Unit", "Date"]]
    table += [[str(r.sample), str(r.run), str(r.run_order), str(r.as_written).replace(".", ","), "% (m/m)",
               "25.08.2026"] for r in rows_of(rows)]
    bundle.fault("decimal comma", f"raw/{OVEN_LATE}", "whole file", "semicolons, decimal commas, dates as 25.08.2026.",
                 "Declared in intake.toml.")
    return csv_text(table, delimiter=";")


def _bench(results: pd.DataFrame) -> str:
    """Density and pH of all bottles: one line a bottle, headings over units."""
    bench = results[results["analyte"].isin(["Density", "pH"])]
    table = [["Bottle", "Run", "Density 20 °C", "pH"], ["", "", "g/cm3", "pH units"]]
    for code, part in bench.groupby("sample", sort=True):
        cell = {str(r.analyte): str(r.as_written) for r in rows_of(part)}
        table.append([str(code), str(part["run"].iloc[0]), cell["Density"], cell["pH"]])
    return csv_text(table, newline="\n")
