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
from studykit.core.plaintext import upright
from studykit.intake.columns import Table

MOST_ROWS = 2_000
COLUMNS = ("doubt", "row", "column", "as_written", "value", "qualifier", "unit", "sample", "analyte", "replicate", "marks",
           "reason")
_LEVELS = ("rejected", "not read", "superseded", "confirmed", "marked", "stored as text", "a limit", "plain")
_CALM = ("not read", *_LEVELS[5:])
_STYLE = ("body{font:15px/1.45 system-ui,sans-serif;margin:1.5rem auto;padding:0 1rem;max-width:80rem;color:#1d2733;"
          "background:#fff}h1{font-size:1.4rem;overflow-wrap:anywhere}h2{font-size:1.1rem;margin-top:2rem}p{max-width:46rem}"
          "pre{background:#f2f4f6;padding:.6rem .8rem;white-space:pre-wrap;overflow-wrap:anywhere}"
          "table{border-collapse:collapse;font-size:.93rem}th{background:#f2f4f6;position:sticky;top:0}"
          "td,th{border-bottom:1px solid #ccd2d8;padding:.25rem .6rem;text-align:left;vertical-align:top}"
          "td.n{text-align:right;font-variant-numeric:tabular-nums;white-space:nowrap}"
          "td.w{white-space:pre-wrap;font-family:ui-monospace,monospace;overflow-wrap:anywhere;min-width:6rem}"
          "td.y{min-width:14rem}td.b{font-weight:600}.sign{margin-top:2rem}"
          "@media(max-width:45rem){thead{display:none}tr{display:block;border-bottom:2px solid #ccd2d8;padding:.4rem 0}"
          "td,td.n{display:flex;gap:.8rem;border:0;padding:.1rem 0;text-align:left;white-space:normal}td.e{display:none}"
          "td::before{content:attr(data-h);flex:0 0 6.5rem;color:#55606c;font:inherit;font-weight:400;"
          "font-family:system-ui,sans-serif}}"
          "@media print{body{max-width:none}th{position:static}}")
_HEADS = {"doubt": "doubt", "row": "line", "column": "column", "as_written": "as written", "value": "value read",
          "unit": "unit", "sample": "sample", "analyte": "analyte", "replicate": "replicate", "marks": "marks", "reason": "why"}
_KIND = {"row": "n", "as_written": "w", "value": "n b", "replicate": "n", "reason": "y"}
NUMBER = 16


def reading_table(rows: Table | None, current: np.ndarray, older: np.ndarray, rejected: Sequence[Fault],
                  skipped: Sequence[Fault] = ()) -> pd.DataFrame:
    """Determinations with their doubt: those at the positions ``current`` and ``older`` (superseded), and ``rejected``.

    ``skipped``: what was not read, and why.

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
    for doubt_word, faults in (("rejected", rejected), ("not read", skipped)):
        lost = {"doubt": [doubt_word] * len(faults), "file": [f.file for f in faults], "row": [f.row for f in faults],
                "column": [f.column for f in faults], "as_written": [f.value for f in faults],
                "reason": [f"{f.reason}; {f.remedy}".rstrip("; ") for f in faults]}
        if faults:
            parts.append(pd.DataFrame(lost, dtype=object).reindex(columns=names))
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=names)


def _thinned(rows: Table, current: np.ndarray) -> np.ndarray:
    """Of many positions those with a mark, and every n-th of the others; the order stays."""
    if len(current) <= 20 * MOST_ROWS:
        return current
    keep = rows["marks"].flags(lambda m: m not in ("", "text"))[current]
    keep[:: len(current) // (10 * MOST_ROWS)] = True
    return np.asarray(current[keep])


def reading_files(table: pd.DataFrame, totals: dict[str, int], sheets: dict[str, str]) -> dict[str, bytes]:
    """File names under tidy/ with their bytes: a CSV and an HTML for each raw file, and reading.csv with their hashes.

    ``totals``: determinations of each file; ``sheets``: the sheet that was read of each, '' of a text.
    """
    out: dict[str, bytes] = {}
    lines = []
    for file, own in table.groupby("file", sort=True):
        stem = re.sub(r"[^A-Za-z0-9._-]+", "_", str(file))
        while f"reading/{stem}.csv" in out:
            stem += "_"
        part, total = _sorted(own), totals.get(str(file), len(own))
        csv = _csv(part)
        digest = hashlib.sha256(csv).hexdigest()
        page = _page(str(file), sheets.get(str(file), ""), part, total, digest[:NUMBER]).encode("utf-8")
        out[f"reading/{stem}.csv"], out[f"reading/{stem}.html"] = csv, page
        doubtful = int((~own["doubt"].isin(_CALM)).sum())
        lines.append((file, total, doubtful, f"reading/{stem}.html", hashlib.sha256(page).hexdigest(), digest))
    index = pd.DataFrame(lines, columns=["file", "determinations", "doubtful", "sheet", "html_sha256", "csv_sha256"])
    out["reading.csv"] = table_bytes(index, safe=("file", "sheet"))
    return out


def sheet_numbers(table: pd.DataFrame) -> dict[str, str]:
    """The number of each file's reading sheet: the beginning of the SHA-256 of its CSV."""
    return {str(file): hashlib.sha256(_csv(_sorted(own))).hexdigest()[:NUMBER]
            for file, own in table.groupby("file", sort=True)}


def _csv(part: pd.DataFrame) -> bytes:
    return table_bytes(part[list(COLUMNS)], safe=("column", "as_written", "reason", "sample"))


def _sorted(own: pd.DataFrame) -> pd.DataFrame:
    """Doubtful rows first, then by line; a long file thinned."""
    level = own["doubt"].map({d: i for i, d in enumerate(_LEVELS)}).astype(int)
    place = pd.to_numeric(own["row"]).astype("float64")
    own = own.assign(_level=level, _place=place).sort_values(["_level", "_place"], kind="stable")
    if len(own) <= MOST_ROWS:
        return own
    calm = np.flatnonzero((own["_level"] > 4).to_numpy())
    keep = np.sort(np.concatenate([np.flatnonzero((own["_level"] <= 4).to_numpy()),
                                   calm[:: max(1, len(calm) // (MOST_ROWS // 2))]]))
    return own.iloc[keep]


def _page(file: str, sheet: str, part: pd.DataFrame, total: int, number: str) -> str:
    left = part["doubt"] == "not read"
    own = part[~left]
    shown = own.assign(value=[_value(v, q) for v, q in zip(own["value"], own["qualifier"], strict=True)])
    columns = [c for c in _HEADS if c in ("doubt", "row", "as_written", "value", "sample", "analyte") or _tells(shown, c)]
    counts = own["doubt"].value_counts()
    said = f"{total:,} determinations" + (f", of which {len(own):,} are shown: all doubtful ones and a sample of the rest"
                                          if len(own) < total else "")
    said += "; " + ", ".join(f"{int(counts[d]):,} {d}" for d in _LEVELS if d in counts) if len(counts) else ""
    name, only = html.escape(file), f", sheet {html.escape(repr(sheet))}" if sheet and "#" not in file else ""
    rest = _table(part[left], ["row", "column", "as_written", "reason"]) if left.any() else (
        "<p>Nothing: every line and every filled column was read.</p>")
    return (f"<!doctype html><html lang=en><meta charset=utf-8><meta name=viewport content='width=device-width'>"
            f"<title>Reading sheet: {name}</title><style>{_STYLE}</style><h1>Reading sheet: raw/{name}{only}</h1><p>{said}; "
            f"{int(left.sum()):,} things not read, listed at the end.</p>"
            "<p>Compare each line with the laboratory's report, the first lines first: is the value read what was written, and "
            "is it on the right sample? Does anything that was not read change a result? Then sign: on paper below, and in "
            f"intake.toml with the number of this sheet.</p><pre>[signed.&quot;{name}&quot;]\nby = &quot;your name&quot;\n"
            f"on = YYYY-MM-DD\nreading = &quot;{number}&quot;</pre>"
            f"<h2>What was read</h2>{_table(shown, columns)}<h2>What was not read, and why</h2>{rest}"
            "<p class=sign>Read against the report by: ____________________ on: ______________</p></html>\n")


def _tells(shown: pd.DataFrame, column: str) -> bool:
    """Whether a column says anything; all replicates 1 say nothing."""
    return bool((shown[column].notna() & ~shown[column].astype(str).isin(("", "1") if column == "replicate" else ("",))).any())


def _value(value: object, qualifier: object) -> str:
    return "" if pd.isna(value) else f"{qualifier or ''}{float(value):.10g}"  # type: ignore[call-overload,arg-type]


def _table(part: pd.DataFrame, columns: list[str]) -> str:
    rows = ["<tr>" + "".join(_cell(c, r[c]) for c in columns) + "</tr>" for r in part.to_dict("records")]
    head = "".join(f"<th scope=col>{_HEADS[c]}</th>" for c in columns)
    return f"<table><thead><tr>{head}</tr></thead><tbody>{''.join(rows)}</tbody></table>"


def _cell(column: str, value: object) -> str:
    text = "" if pd.isna(value) else str(value)  # type: ignore[call-overload]
    kind = f"{_KIND.get(column, '')}{'' if text else ' e'}".strip()
    return f"<td class='{kind}' data-h='{_HEADS[column]}'>{html.escape(upright(text))}</td>"
