"""Every plot of the quality stage and of the residual checks: each draws a table that it is given.

Nothing is told by colour alone: runs, kinds and flags differ by marker. Reference lines are named in
the plot. Each function has its ``..._table`` twin where the table is not already at hand, so that
what is drawn can be shown above the figure.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from studykit.core.listing import in_sequence, places_of
from studykit.core.ties import sort_key
from studykit.plot import many
from studykit.plot.profiles import nothing

INK, THIN, EDGE, BAND = "#1d2733", "#7a8794", "#a89f86", "#e9e6dc"
MARKS = ("o", "s", "^", "D", "v", "P", "X", "<", ">")


def tidy(ax: Axes) -> None:
    """A panel without its upper and right edge."""
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    ax.tick_params(labelsize=8)


def grid(count: int, width: float = 3.4, height: float = 2.2, columns: int = 2) -> tuple[Figure, list[Axes]]:
    """A figure with at least ``count`` panels; those not needed are hidden."""
    columns = min(columns, max(1, count))
    lines = math.ceil(max(1, count) / columns)
    figure = Figure(figsize=(width * columns, height * lines), layout="constrained")
    axes = list(figure.subplots(lines, columns, squeeze=False).flat)
    for ax in axes[count:]:
        ax.set_axis_off()
    return figure, axes


def _legend(ax: Axes, title: str = "") -> None:
    ax.legend(fontsize=7, title=title or None, title_fontsize=7, frameon=False, loc="best")


def run_order_table(working: pd.DataFrame, analytes: Sequence[str] = ()) -> pd.DataFrame:
    """Departure of each result from the mean of its label (depth, or kind) and container, by run and position.

    ``working``: from the quality report. Columns analyte, unit, run, run_order, sample, what (zone,
    check fluid, blank, other), departure (per cent of the level, or unit).
    """
    t = working[working["run_order"].notna()]
    t = t[t["analyte"].isin(analytes)] if len(analytes) else t
    label = t["y"] - t.groupby(["analyte", "label"])["y"].transform("mean")
    place = t["container"].where(t["container"] != "", t["kind"])
    left = label - label.groupby([t["analyte"], place]).transform("mean")
    left = left.where(left.abs() > 1e-12 * (1 + t["y"].abs()), 0.0)  # what is smaller is rounding
    what = t["kind"].where(t["kind"].isin(["check fluid", "blank"]), "zone or whole")
    departure = np.where(t["relative"], 100 * np.expm1(left), left)
    unit = np.where(t["relative"], "%", t["unit"])
    out = pd.DataFrame({"analyte": t["analyte"], "unit": unit, "run": t["run"], "run_order": t["run_order"],
                        "sample": t["sample"], "what": what, "departure": departure}).reset_index(drop=True)
    by = out.assign(run=out["run"].map(places_of(out["run"]))).sort_values(["analyte", "run", "run_order"], kind="stable")
    return out.loc[by.index].reset_index(drop=True)


def run_order(table: pd.DataFrame, names: Callable[[str], str] = str) -> Figure:
    """Departures against position in the run, one panel an analyte; runs side by side, check fluids joined.

    ``names``: the analyte's name as a reader knows it, from its key.
    """
    analytes = list(dict.fromkeys(table["analyte"]))
    figure, axes = grid(len(analytes), width=3.8)
    for ax, analyte in zip(axes, analytes, strict=False):
        own, runs = _some_runs(table[table["analyte"] == analyte])
        many.note(ax, own["run"].nunique(), runs, "runs")
        start, fluids = 0.0, []
        for run in in_sequence(own["run"]):
            part = own[own["run"] == run]
            x = start + part["run_order"].to_numpy(float)
            fluid = part["what"].eq("check fluid").to_numpy()
            y = part["departure"].to_numpy(float)
            ax.plot(x[~fluid], y[~fluid], ls="", marker="o", ms=3, color=THIN)
            fluids.append((x[fluid], y[fluid]))
            _trend(ax, x, y)
            ax.text(x.min(), 1.0, f" {run}", transform=ax.get_xaxis_transform(), fontsize=7, va="top")
            start = x.max() + 3
            ax.axvline(start - 1.5, color=EDGE, lw=0.6)
        ax.plot(*np.hstack(fluids), ls=(0, (2, 2)), lw=0.9, marker="D", ms=5, mfc="none", color=INK)
        ax.axhline(0, color=EDGE, lw=0.8)
        ax.set_title(names(str(analyte)), fontsize=9, loc="left")
        ax.margins(y=0.14)  # room for the runs' names above the highest mark
        ax.set_xlabel("position, runs in sequence", fontsize=8)
        ax.set_ylabel(f"departure, {own['unit'].iloc[0]}", fontsize=8)
        tidy(ax)
    return figure


def _some_runs(own: pd.DataFrame) -> tuple[pd.DataFrame, int]:
    """The rows of one analyte, of more than twice ``many.RUNS`` runs those of the furthest from zero; and how many runs."""
    off = own.groupby("run", sort=True)["departure"].median().abs().sort_values(ascending=False, kind="stable", key=sort_key)
    return (own[own["run"].isin(off.index[: many.RUNS])] if len(off) > 2 * many.RUNS else own), len(off)


def _trend(ax: Axes, x: np.ndarray, y: np.ndarray) -> None:
    """Least-squares line through the positions of one run."""
    if x.size >= 3 and np.ptp(x) > 0:
        slope, level = np.polyfit(x - x.mean(), y, 1)
        ends = np.array([x.min(), x.max()])
        ax.plot(ends, level + slope * (ends - x.mean()), color=INK, lw=1.2)


def duplicates(table: pd.DataFrame, names: Callable[[str], str] = str) -> Figure:
    """Every duplicate difference in units of its limit r: inside the band is what the method allows.

    ``table``: ``QualityReport.duplicates``. Differences beyond three limits are drawn at the rim.
    """
    known = table[table["limit"] > 0]
    if known.empty:
        return nothing("no sample was measured twice, or no limit is known for those that were")
    analytes, of = list(dict.fromkeys(known["analyte"])), len(known)
    known = known.iloc[many.few(known["difference"] / known["limit"])]
    figure = Figure(figsize=(7.0, 1.1 + 0.34 * max(1, len(analytes))), layout="constrained")
    ax = figure.subplots()
    ax.axvspan(-1, 1, color=BAND, zorder=0)
    kinds = list(dict.fromkeys(known["kind"]))
    for kind, mark in zip(kinds, MARKS, strict=False):
        own = known[known["kind"] == kind]
        x = np.clip((own["difference"] / own["limit"]).to_numpy(float), -3, 3)
        y = np.array([len(analytes) - 1 - analytes.index(a) for a in own["analyte"]], dtype=float)
        ax.plot(x, y, ls="", marker=mark, ms=5, mfc="none", color=INK, label=kind, alpha=0.8)
    for edge in (-1, 1):
        ax.axvline(edge, color=EDGE, lw=1, ls=(0, (3, 2)))
    ax.axvline(0, color=EDGE, lw=0.8)
    ax.set_yticks(range(len(analytes)), [names(a) for a in analytes[::-1]])
    ax.set_xlim(-3.15, 3.15)
    many.note(ax, len(known), of, "differences")
    ax.set_xlabel("second minus first, divided by the limit r (band: allowed; one in twenty falls outside)", fontsize=8)
    if kinds:
        _legend(ax)
    tidy(ax)
    return figure


def normal_scores(table: pd.DataFrame) -> Figure:
    """Standardised residuals against normal scores; a straight line means normal errors.

    ``table``: ``influence.residual_table``. The five furthest from the line carry their sample's code, where it does not lie
    over another.
    """
    figure, (ax, *_) = grid(1, width=4.2, height=3.4)
    of, table = len(table), table.iloc[many.few(table["standardised"] - table["normal_score"])]
    many.note(ax, len(table), of, "residuals")
    x, y = table["normal_score"].to_numpy(float), table["standardised"].to_numpy(float)
    span = np.array([min(x.min(), y.min()), max(x.max(), y.max())])
    ax.plot(span, span, color=EDGE, lw=1, ls=(0, (3, 2)))
    ax.plot(x, y, ls="", marker="o", ms=3.5, mfc="none", color=INK)
    ax.margins(x=0.18, y=0.08)  # for the codes
    wide, high, named = 0.12 * np.ptp(span), 0.05 * np.ptp(span), np.empty(0, dtype=int)
    for i in np.argsort(-np.abs(y - x))[:5]:
        if np.any((np.abs(x[named] - x[i]) < wide) & (np.abs(y[named] - y[i]) < high)):
            continue
        named = np.append(named, i)
        name, above = str(table["sample"].iloc[i]) or str(table["container"].iloc[i]), y[i] > x[i]
        ax.annotate(name, (x[i], y[i]), fontsize=7, xytext=(-3, 3) if above else (3, -3), textcoords="offset points",
                    ha="right" if above else "left", va="bottom" if above else "top")  # away from the line
    ax.set_xlabel("normal score", fontsize=8)
    ax.set_ylabel("residual, in standard deviations", fontsize=8)
    tidy(ax)
    return figure


def scale_against_level(table: pd.DataFrame, unit: str = "") -> Figure:
    """Size of the residuals against the fitted level in its unit, with the median size in four classes of level."""
    figure, (ax, *_) = grid(1, width=4.2, height=3.4)
    level, size = table["fitted"].to_numpy(float), table["standardised"].abs().to_numpy(float)
    seen = many.few(size)
    ax.plot(level[seen], size[seen], ls="", marker="o", ms=3.5, mfc="none", color=THIN)
    many.note(ax, len(seen), len(size), "residuals")
    parts = np.array_split(np.argsort(level, kind="stable"), min(4, max(1, level.size // 3)))
    for part in parts:
        ax.plot([level[part].min(), level[part].max()], [np.median(size[part])] * 2, color=INK, lw=2)
    ax.set_ylim(bottom=0)
    ax.locator_params(axis="x", nbins=5)
    ax.set_xlabel(f"fitted level, {unit}".rstrip(", "), fontsize=8)
    ax.set_ylabel("size of residual, standard deviations", fontsize=8)
    tidy(ax)
    return figure


def _one_sided_band(ax: Axes, margin: tuple[float, float]) -> None:
    """The band of a margin that has one end, to the rim of the axes; its end is inside them."""
    ax.axvline(next((x for x in margin if np.isfinite(x)), 0.0), color=BAND, lw=1, zorder=0)
    low, high = ax.get_xlim()
    ax.axvspan(max(low, margin[0]), min(high, margin[1]), color=BAND, zorder=0)
    ax.set_xlim(low, high)


def _telling(table: pd.DataFrame) -> pd.DataFrame:
    """All rows up to a hundred; of more those without which the verdict changes first, then the largest shifts."""
    if len(table) <= 100:
        return table
    order = table["changed"].astype(bool).sort_values(ascending=False, kind="stable").index[: many.ROWS]
    return table.loc[table.index.isin(order)]


def leave_one_out(table: pd.DataFrame, full: pd.Series, *, margin: tuple[float, float] | None = None,
                  unit: str = "") -> Figure:
    """Estimate and interval without each container in turn; dashed: the interval with all of them; the band is the margin.

    ``table``: ``Influence.to_table``; ``full``: its full fit; ``margin``: the two ends of the band.
    Containers without which the verdict changes are drawn as filled diamonds.
    """
    of, table = len(table), _telling(table)
    n = len(table)
    figure = Figure(figsize=(6.4, 1.2 + 0.24 * max(1, n)), layout="constrained")
    ax = figure.subplots()
    two_sided = margin is not None and bool(np.isfinite(margin).all())
    if margin and two_sided:
        ax.axvspan(*margin, color=BAND, zorder=0)
    ax.axvline(float(full["estimate"]), color=EDGE, lw=0.8)
    for end in ("low", "high"):
        ax.axvline(float(full[end]), color=INK, lw=1, ls=(0, (3, 2)))
    for k, row in enumerate(table.to_dict("records")):
        y, changed = n - 1 - k, bool(row["changed"])
        ax.plot([row["low"], row["high"]], [y, y], color=INK, lw=1.2)
        ax.plot([row["estimate"]], [y], marker="D" if changed else "o", ms=5, color=INK,
                mfc=INK if changed else "white")
    names = [f"{r['left_out']}" + (f": {r['verdict']}" if r["changed"] else "") for r in table.to_dict("records")]
    ax.set_yticks(range(n), names[::-1])
    if margin and not two_sided:
        _one_sided_band(ax, margin)
    ax.set_ylabel("left out" if n == of else f"left out: {n} of {of:,} tried, the largest shifts", fontsize=8)
    ax.set_xlabel("estimate with interval" + (f", {unit}" if unit else ""), fontsize=8)
    tidy(ax)
    return figure
