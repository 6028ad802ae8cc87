"""Rows in and out: what became of every result that the raw files hold, as a table and as one look."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from studykit.intake.take import IntakeOutcome
from studykit.plot.profiles import INK, THIN

READ, NUMBERS, LIMITS = "read in the files", "results with a number", "results known only as a limit"
REPLACED, REJECTED = "replaced by a later report", "rejected"
BOTTLES = "bottles of the plan without any result"
LOOK: dict[str, dict[str, Any]] = {READ: {"color": "white", "ec": INK}, NUMBERS: {"color": INK}, LIMITS: {"color": THIN},
        REPLACED: {"color": "white", "ec": THIN}, REJECTED: {"color": "white", "ec": INK, "ls": (0, (2, 1))}}


def table(outcome: IntakeOutcome, samples: pd.DataFrame) -> pd.DataFrame:
    """One row a lot: what, how many, from, to (its place along the whole), which; the lots of results add up to those read.

    Last the bottles of the plan of which no result came in, with their codes.
    """
    limits = int((outcome.results["qualifier"] != "").sum())
    counts = {NUMBERS: len(outcome.results) - limits, LIMITS: limits, REPLACED: outcome.taken - len(outcome.results),
              REJECTED: len(outcome.rejected)}
    ends = np.cumsum([0, *counts.values()])
    rows = [(READ, outcome.rows_in, 0, outcome.rows_in, "")]
    rows += [(what, n, int(a), int(b), "") for (what, n), a, b in zip(counts.items(), ends[:-1], ends[1:], strict=True)]
    planned = samples["sample"].astype(str)
    missing = list(planned[~planned.isin(outcome.results["sample"].astype(str))])
    rows.append((BOTTLES, len(missing), 0, 0, ", ".join(missing)))
    return pd.DataFrame(rows, columns=["what", "count", "from", "to", "which"])


def figure(account: pd.DataFrame) -> Figure | None:
    """What was read as one bar, below it its lots, each from where the last one ends; None where nothing was read."""
    lots = account[account["what"] != BOTTLES]
    whole = int(lots["count"].iloc[0])
    if not whole:
        return None
    drawn = Figure(figsize=(6.4, 0.9 + 0.3 * len(lots)), layout="constrained")
    ax = drawn.subplots()
    for k, r in enumerate(lots.to_dict("records")):
        ax.barh(k, r["count"], left=r["from"], height=0.6, lw=0.8, **LOOK[str(r["what"])])
        inside = r["what"] in (READ, NUMBERS) and r["count"] > 0.1 * whole
        at = r["from"] if inside or r["to"] > 0.85 * whole else r["to"]
        left = inside or at == r["to"]
        ax.annotate(f"{r['count']:,}", (at, k), xytext=(4 if left else -4, 0), textcoords="offset points", fontsize=8,
                    va="center", ha="left" if left else "right", color="white" if inside and r["what"] == NUMBERS else INK)
    ax.set_yticks(range(len(lots)), list(lots["what"]))
    ax.invert_yaxis()
    ax.set_xlim(0, 1.01 * whole)
    ax.set_xlabel("results (determinations)", fontsize=8)
    ax.set_title(title(account), fontsize=9, loc="left")
    ax.tick_params(labelsize=8)
    ax.tick_params(axis="y", length=0)
    for side in ("top", "right", "left"):
        ax.spines[side].set_visible(False)
    return drawn


def title(account: pd.DataFrame) -> str:
    """Whether the lots add up, and how many bottles have no result."""
    found = account.set_index("what")["count"]
    left = int(found[READ] - found.drop([READ, BOTTLES]).sum())
    told = f"all {found[READ]:,}" if not left else f"{found[READ] - left:,} of {found[READ]:,}"
    n = int(found[BOTTLES])
    return f"{told} results accounted for; " + (f"{n} bottle{'s' * (n > 1)} without any" if n else "every bottle has one")


def alt(account: pd.DataFrame) -> str:
    """The bar in words."""
    parts = [f"{r['count']:,} {r['what']}" for r in account.to_dict("records") if r["what"] not in (READ, BOTTLES)]
    which = str(account.loc[account["what"] == BOTTLES, "which"].iloc[0])
    named = f" Without any result: {which}." if 0 < len(which) < 120 else ""
    return f"{title(account)}: {', '.join(parts)}.{named}"
