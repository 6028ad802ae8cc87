"""What a notebook shows: tables, figures and sentences, each with a text twin so that stored outputs can be compared."""

from __future__ import annotations

import base64
import html
import math
import warnings
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import pandas as pd
from IPython.display import display

from studykit.core.plaintext import upright
from studykit.core.record import significant
from studykit.plot.forms import DPI, Forms, figure_forms
from studykit.plot.readable import without_dust

if TYPE_CHECKING:
    from matplotlib.figure import Figure

LONG, ROWS = 150, 40
"""Rows from which on a table is cut where it is shown, and how many of it are shown then."""
CAPTION_MARK = {"studykit": "caption"}
# column names of the saved tables -> what a reader sees above them; all others lose their underscores
HEADINGS = {
    "p_holm": "p (Holm)", "run_order": "position", "df_runs": "df, runs", "df_error": "df, rest",
    "sd_container": "SD, containers", "sd_container_depth": "SD, profiles", "lowest_chance_percent": "lowest chance, %",
    "all_at_least_percent": "all together at least, %", "age_months": "age, months", "published": "stated",
    "looked_at": "rows in its table", "gradient": "lowest minus top",
    "s_r": "s_r", "s_R": "s_R", "z_mean": "mean z", "z_low": "lowest z", "z_high": "highest z",
    "half_from": "half from", "most_from": "8 of 10 from",
}


def heading(name: object) -> str:
    """A column's name as a reader sees it: no underscores, no identifiers."""
    text = str(name)
    return HEADINGS.get(text, upright(text.replace("_", " ")))


def cell_text(value: Any, digits: int = 4) -> str:
    """One table cell as text: numbers to significant digits, days as YYYY-MM-DD, missing as nothing.

    A number that fewer digits tell in full (12, 0.5) stands without the zeros that would follow.
    """
    if isinstance(value, str):
        return upright(value)
    if isinstance(value, (bool,)):
        return "yes" if value else "no"
    if value is None or value is pd.NaT or (not isinstance(value, (list, tuple)) and pd.isna(value)):
        return ""
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return _number(value, digits)
    if isinstance(value, pd.Timestamp):
        return value.strftime("%Y-%m-%d")
    return str(value)


def _number(value: float, digits: int) -> str:
    text = significant(value, digits)
    if "." in text and "e" not in text and math.isclose(value, float(f"{value:.{digits - 1}e}"), rel_tol=1e-9):
        return text.rstrip("0").rstrip(".")
    return text


Drawn = tuple[str, Sequence[str]]
"""A column that is drawn: its head and its cells, as HTML of the kit's own."""


def table_html(table: pd.DataFrame, caption: str, digits: int = 4, drawn: Drawn = ("", ())) -> str:
    """A table as HTML with a caption, header scopes, numbers right, text left; all cells escaped; 'none' without rows.

    ``drawn`` stands as the last column, as it is.
    """
    table = without_dust(table)
    numeric = [pd.api.types.is_numeric_dtype(table[c]) and table[c].dtype != bool for c in table.columns]
    head = "".join(
        f'<th scope="col"{" class=num" if n else ""}>{html.escape(heading(c))}</th>'
        for c, n in zip(table.columns, numeric, strict=True)
    )
    head += f'<th scope="col" class="drawn">{drawn[0]}</th>' if drawn[0] else ""
    body = []
    for n_row, row in enumerate(table.itertuples(index=False, name=None)):
        cells = []
        for k, (value, n) in enumerate(zip(row, numeric, strict=True)):
            text = html.escape(cell_text(value, digits))
            if k == 0:
                cells.append(f'<th scope="row">{text}</th>')
            else:
                cells.append(f"<td{' class=num' if n else ''}>{text}</td>")
        cells += [f'<td class="drawn">{drawn[1][n_row]}</td>'] if drawn[0] else []
        body.append("<tr>" + "".join(cells) + "</tr>")
    if not body:
        body.append(f'<tr><td colspan="{max(1, len(table.columns))}">none</td></tr>')
    return (f'<table class="data"><caption>{html.escape(caption)}</caption><thead><tr>{head}</tr></thead>'
            f"<tbody>{''.join(body)}</tbody></table>")


def show_table(table: pd.DataFrame, *, caption: str, digits: int = 4, drawn: Drawn = ("", ()), file: str = "") -> None:
    """Display a table with its caption; a column that is drawn has no text.

    Of more than ``LONG`` rows the first ``ROWS`` are shown, as the caption then says; ``file``: the name of that which holds
    all.
    """
    if (of := len(table)) > LONG and not drawn[0]:
        table = table.head(ROWS)
        more = f"; all of them in {file}" if file else ""
        caption = f"{caption.rstrip('.')}. Shown: the first {ROWS} of {of:,} rows{more}."
    clean = without_dust(table)
    texts = pd.DataFrame({heading(c): [cell_text(v, digits) for v in clean[c]] for c in clean.columns})
    plain = caption + "\n" + (texts.to_string(index=False) if len(texts) else "(no rows)")
    display({"text/html": table_html(table, caption, digits, drawn), "text/plain": plain}, raw=True)


def show_figure(figure: Figure, *, alt: str, caption: str) -> Forms:
    """Display a figure as PNG with alt text and caption; returns all its forms."""
    with warnings.catch_warnings():  # of one that was drawn before it would not be said again
        warnings.filterwarnings("ignore", "constrained_layout not applied")
        forms = figure_forms(figure, caption)
    width = int.from_bytes(forms.png[16:20], "big") * 96 // DPI
    payload = {"image/png": base64.b64encode(forms.png).decode(), "text/plain": "Figure: " + alt}
    display(payload, metadata={"image/png": {"alt": alt, "caption": caption, "width": width}}, raw=True)
    display({"text/markdown": f"*{caption}*", "text/plain": caption}, metadata=CAPTION_MARK, raw=True)
    return forms


def show_text(markdown: str, plain: str = "") -> None:
    """Display a paragraph of Markdown; ``plain`` is its twin without escapes."""
    display({"text/markdown": markdown, "text/plain": plain or markdown}, raw=True)
