"""A small page of HTML of its own: headings, sentences, tables and pictures; no scripts, nothing loaded, every text escaped."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from html import escape

import pandas as pd

from studykit.core.record import significant

STYLE = ("body{font:1rem/1.5 system-ui,sans-serif;max-width:68rem;margin:2rem auto;padding:0 1rem}"
         "table{border-collapse:collapse;font-size:.9rem}figure{margin:1rem 0}.box{overflow-x:auto}"
         "td,th{border-bottom:1px solid #bbb;padding:.2rem .6rem;text-align:left;vertical-align:top}")
POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"


def heading(text: str) -> str:
    """A heading below the title."""
    return f"<h2>{escape(text)}</h2>"


def paragraph(text: str) -> str:
    """One paragraph."""
    return f"<p>{escape(text)}</p>"


def bullets(texts: Iterable[str]) -> str:
    """A list; the word 'none' where there is nothing."""
    items = "".join(f"<li>{escape(str(t))}</li>" for t in texts)
    return f"<ul>{items}</ul>" if items else "<p>none</p>"


def table(rows: Iterable[Sequence[object]], head: Sequence[str] = ()) -> str:
    """A table in a box that scrolls by itself where the screen is narrow; the word 'none' where it has no rows."""
    body = "".join("<tr>" + "".join(f"<td>{escape(str(c))}</td>" for c in r) + "</tr>" for r in rows)
    top = "<thead><tr>" + "".join(f'<th scope="col">{escape(h)}</th>' for h in head) + "</tr></thead>" if head else ""
    return f'<div class="box" tabindex="0"><table>{top}<tbody>{body}</tbody></table></div>' if body else "<p>none</p>"


def frame_table(frame: pd.DataFrame, head: Sequence[str] = (), *, infinite: bool = False) -> str:
    """A table with numbers to three digits, empty where one is not known, or not finite unless ``infinite`` is told too."""
    def shown(c: object) -> object:
        return c if not isinstance(c, float) else significant(c, 3) if infinite or math.isfinite(c) else ""

    rows = ([shown(c) for c in row] for row in frame.itertuples(index=False, name=None))
    return table(rows, head or [str(c) for c in frame.columns])


def page(title: str, parts: Iterable[str]) -> str:
    """The whole page of parts that the functions above made."""
    return ('<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
            '<meta name="viewport" content="width=device-width, initial-scale=1">'
            f'<meta http-equiv="Content-Security-Policy" content="{POLICY}"><title>{escape(title)}</title>'
            f"<style>{STYLE}</style></head><body><main><h1>{escape(title)}</h1>{''.join(parts)}</main></body></html>\n")
