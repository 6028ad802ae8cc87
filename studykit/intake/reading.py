"""The reading sheet of each raw file: every cell as written beside the value read, the doubtful first.

A person goes through it against the laboratory's report and signs it before the results count; its hash stands in
tidy/reading.csv and so in the manifest. Of a file with more than ``MOST_ROWS`` determinations the sheet has the
doubtful ones and every n-th of the rest.
"""

from __future__ import annotations

import hashlib
import html
import re
from collections.abc import Sequence

import numpy as np
import pandas as pd

from studykit.core.errors import Fault
from studykit.core.files import table_bytes
from studykit.intake.columns import Table

MOST_ROWS = 2_000
COLUMNS = ("doubt", "row", "column", "as_written", "value", "qualifier", "unit", "sample", "analyte", "replicate", "marks",
           "reason")
_LEVELS = ("rejected", "superseded", "confirmed", "marked", "stored as text", "a limit", "plain")
_CALM = _LEVELS[4:]
_STYLE = ("body{font:15px/1.4 system-ui,sans-serif;margin:2rem;color:#1d2733}table{border-collapse:collapse}"
          "td,th{border-bottom:1px solid #ccd2d8;padding:.25rem .6rem;text-align:left;vertical-align:top}"
          "td.n{text-align:right;font-variant-numeric:tabular-nums}.sign{margin-top:2rem}")


def reading_table(rows: Table | None, current: np.ndarray, older: np.ndarray, rejected: Sequence[Fault]) -> pd.DataFrame:
    """Determinations with their doubt: those at the positions ``current`` and ``older`` (superseded), and ``rejected``.

    Where there are many, every n-th of the rows without a doubt.
    """
    names = ["file", *COLUMNS]
    parts = []
    if rows is not None and len(current) + len(older):
        kept = np.concatenate([older, _thinned(rows, current)])
        own = rows.at(kept).frame(("as_written", "value", "qualifier", "unit", "sample", "analyte", "replicate", "marks",
                                   "source_file", "source_row", "where", "confirmed"))
        doubt = np.where(own["qualifier"] != "", "a limit", "plain").astype(object)
        marks = own["marks"].to_numpy(dtype=object)
        doubt[marks != ""] = "marked"
        doubt[marks == "text"] = "stored as text"
        doubt[[m.endswith("confirmed") for m in marks]] = "confirmed"
        doubt[:len(older)] = "superseded"
        own = own.rename(columns={"source_file": "file", "source_row": "row", "where": "column", "confirmed": "reason"})
        parts.append(own.assign(doubt=doubt)[names].astype(object))
    if rejected:
        lost = {"doubt": ["rejected"] * len(rejected), "file": [f.file for f in rejected], "row": [f.row for f in rejected],
                "column": [f.column for f in rejected], "as_written": [f.value for f in rejected],
                "reason": [f"{f.reason}; {f.remedy}" for f in rejected]}
        parts.append(pd.DataFrame(lost, dtype=object).reindex(columns=names))
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=names)


def _thinned(rows: Table, current: np.ndarray) -> np.ndarray:
    """Of many positions those with a mark, and every n-th of the others; the order stays."""
    if len(current) <= 20 * MOST_ROWS:
        return current
    keep = rows["marks"].flags(lambda m: m not in ("", "text"))[current]
    keep[:: len(current) // (10 * MOST_ROWS)] = True
    return np.asarray(current[keep])


def reading_files(table: pd.DataFrame, totals: dict[str, int]) -> dict[str, bytes]:
    """File names under tidy/ with their bytes: a CSV and an HTML for each raw file, and reading.csv with their hashes.

    ``totals``: determinations of each file.
    """
    out: dict[str, bytes] = {}
    lines = []
    for file, own in table.groupby("file", sort=True):
        stem = re.sub(r"[^A-Za-z0-9._-]+", "_", str(file))
        while f"reading/{stem}.csv" in out:
            stem += "_"
        part = _sorted(own)
        csv = table_bytes(part[list(COLUMNS)], safe=("column", "as_written", "reason", "sample"))
        page = _page(str(file), part, totals.get(str(file), len(own))).encode("utf-8")
        out[f"reading/{stem}.csv"], out[f"reading/{stem}.html"] = csv, page
        doubtful = int((~own["doubt"].isin(_CALM)).sum())
        lines.append((file, totals.get(str(file), len(own)), doubtful, f"reading/{stem}.html", hashlib.sha256(page).hexdigest(),
                      hashlib.sha256(csv).hexdigest()))
    index = pd.DataFrame(lines, columns=["file", "determinations", "doubtful", "sheet", "html_sha256", "csv_sha256"])
    out["reading.csv"] = table_bytes(index, safe=("file", "sheet"))
    return out


def _sorted(own: pd.DataFrame) -> pd.DataFrame:
    """Doubtful rows first, then by line; a long file thinned."""
    level = own["doubt"].map({d: i for i, d in enumerate(_LEVELS)}).astype(int)
    place = pd.to_numeric(own["row"]).astype("float64")
    own = own.assign(_level=level, _place=place).sort_values(["_level", "_place"], kind="stable")
    if len(own) <= MOST_ROWS:
        return own
    calm = np.flatnonzero((own["_level"] > 3).to_numpy())
    keep = np.sort(np.concatenate([np.flatnonzero((own["_level"] <= 3).to_numpy()),
                                   calm[:: max(1, len(calm) // (MOST_ROWS // 2))]]))
    return own.iloc[keep]


def _page(file: str, part: pd.DataFrame, total: int) -> str:
    heads = ("doubt", "line", "column", "as written", "value read", "unit", "sample", "analyte", "replicate", "marks", "why")
    rows = []
    for r in part.to_dict("records"):
        value = "" if pd.isna(r["value"]) else f"{r['qualifier'] or ''}{float(r['value']):.10g}"
        cells = (r["doubt"], r["row"], r["column"], r["as_written"], value, r["unit"], r["sample"], r["analyte"],
                 r["replicate"], r["marks"], r["reason"])
        rows.append("<tr>" + "".join(f"<td{' class=n' if i in (1, 4, 8) else ''}>{html.escape('' if pd.isna(c) else str(c))}"
                                     "</td>" for i, c in enumerate(cells)) + "</tr>")
    said = f"{total:,} determinations" + (f", of which {len(part):,} are shown: all doubtful ones and a sample of the rest"
                                          if len(part) < total else "")
    head = "".join(f"<th scope=col>{h}</th>" for h in heads)
    return (f"<!doctype html><html lang=en><meta charset=utf-8><title>Reading sheet: {html.escape(file)}</title>"
            f"<style>{_STYLE}</style><h1>Reading sheet: raw/{html.escape(file)}</h1><p>{said}. Compare with the "
            "laboratory's report, the first lines first; then sign.</p>"
            f"<table><thead><tr>{head}</tr></thead><tbody>{''.join(rows)}</tbody></table>"
            "<p class=sign>Read against the report by: ____________________ on: ______________</p></html>\n")
