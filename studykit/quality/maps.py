"""Where departures lie: a map of containers, depths and analytes, and one analyte against another, causes marked.

A departure is what a reading is away from what container and depth lead one to expect, in standard deviations
(``frame.fit`` before any explanation is taken out); of a whole container, what its level is away from its lot, store
and age. Each function has its table, which says what is drawn.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import combinations

import numpy as np
import pandas as pd
from matplotlib import colormaps
from matplotlib.axes import Axes
from matplotlib.colors import BoundaryNorm, ListedColormap
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from numpy.typing import NDArray

from studykit.core.ties import sort_key
from studykit.plot import many
from studykit.quality.figures import EDGE, INK, THIN, grid, tidy
from studykit.quality.suspects import Suspects

WHOLE = "whole"
FAR = 3.0
"""Departures from here on carry their sign in the map, and a name in the plot of pairs."""
RIM = 6.0
"""Departures beyond are drawn here."""
LEAST = 1e-9
"""Departures below are nothing but rounding inside the computer."""
COLOURS = ListedColormap(colormaps["PuOr"](np.linspace(0.02, 0.98, int(2 * RIM))))
"""A colour a standard deviation: few, so that a picture with a small palette keeps them."""
FEWEST_ROWS, MOST_ROWS = 3, 24
MOST_COLUMNS = 16


def causes(s: Suspects) -> pd.DataFrame:
    """A row each cell (row of the frame, column) that a named explanation concerns: number of the cause, its name.

    Explanations are numbered as in the report's table; a cell keeps the first that names it. Those of whole runs are
    left out: they concern every container read there.
    """
    rows = [(i, a, n + 1, c.cause) for n, c in enumerate(s.found) if not c.place.startswith("run ")
            for i in c.rows for a in c.columns]
    found = pd.DataFrame(rows, columns=["i", "a", "n", "cause"]).drop_duplicates(["i", "a"])
    return found.astype({"i": int, "a": int, "n": int})  # numbers too where nothing is named: older pandas warns of others


def departures(s: Suspects) -> pd.DataFrame:
    """Standardised departures, one row per container, depth (or "whole") and analyte.

    Columns container, depth, analyte, standardised (standard deviations; of several bottles the one furthest out), number
    and cause of the explanation that concerns it ('' and 0 for none).
    """
    f, m = s.frame, s.first
    at, a = np.nonzero(f.zone[:, None] & np.isfinite(m.z))
    rows = pd.DataFrame({"i": at, "a": a, "container": f.rows["container"].to_numpy(object)[at],
                         "depth": f.rows["depth"].to_numpy(object)[at], "height": f.rows["height"].to_numpy(float)[at],
                         "standardised": _clean(m.z[at, a])}).merge(causes(s), on=["i", "a"], how="left")
    rows["far"] = rows["standardised"].abs() + 1e3 * rows["n"].notna()
    rows = rows.sort_values("far", ascending=False, kind="stable", key=sort_key).drop_duplicates(["container", "depth", "a"])
    out = pd.concat([rows, _wholes(s, rows)], ignore_index=True)
    out["analyte"] = [f.analytes[k] for k in out["a"]]
    out["cause"], out["number"] = out["cause"].fillna(""), out["n"].fillna(0).astype(int)
    out = out.sort_values(["container", "height", "a"], ascending=[True, False, True], kind="stable", na_position="last")
    return out[["container", "depth", "analyte", "standardised", "number", "cause"]].reset_index(drop=True)


def _clean(z: NDArray[np.float64]) -> NDArray[np.float64]:
    """Departures in standard deviations, 0 for what only the last bits of the computer make."""
    return np.where(np.abs(z) < LEAST, 0.0, z)


def _wholes(s: Suspects, rows: pd.DataFrame) -> pd.DataFrame:
    """Departures of whole containers, with the cause that concerns all of a container's zones in that analyte."""
    f, m = s.frame, s.first
    box = np.unique(f.at[f.zone])
    with np.errstate(invalid="ignore"):
        z = (m.u / m.su)[box]
    b, a = np.nonzero(np.isfinite(z))
    out = pd.DataFrame({"container": np.array(f.names, dtype=object)[box[b]], "depth": WHOLE, "a": a,
                        "standardised": _clean(z[b, a])})
    own = rows.groupby(["container", "a"])["n"]
    every = pd.DataFrame({"n": own.min(), "kinds": own.nunique(dropna=False)}).reset_index()
    one = every.loc[every["kinds"] == 1, ["container", "a", "n"]]
    out = out.merge(one, on=["container", "a"], how="left")
    return out.assign(cause=out["n"].map(dict(enumerate((c.cause for c in s.found), start=1))))


def furthest(table: pd.DataFrame, n: int = 12) -> pd.DataFrame:
    """The n departures that are furthest out."""
    order = table["standardised"].abs().sort_values(ascending=False, kind="stable", key=sort_key).index[:n]
    return table.loc[order].drop(columns="number").reset_index(drop=True)


def map_of(table: pd.DataFrame, names: Callable[[str], str] = str) -> Figure | None:
    """The map: containers in rows, depths of each analyte in columns, cells of a named cause framed; None without a row.

    ``table``: ``departures``; of more than 24 containers the 24 that depart most. Signs stand where a departure is
    beyond 3, so nothing hangs on colour alone.
    """
    if table.empty:
        return None
    boxes = _boxes(table)
    depths = list(dict.fromkeys(table["depth"]))
    depths = [d for d in depths if d != WHOLE] + [WHOLE]
    analytes = list(dict.fromkeys(table.sort_values("analyte", kind="stable")["analyte"]))
    per = max(1, MOST_COLUMNS // len(depths))
    parts = [analytes[k : k + per] for k in range(0, len(analytes), per)]
    across = min(2, len(parts))
    lines = -(-len(parts) // across)
    beside = 0.047 * max(0, max(map(len, boxes), default=0) - 8)  # inches that long names of containers take
    rows = max(FEWEST_ROWS + max(map(len, depths)) // 5, len(boxes))  # fewer leave no room beside the names of the depths
    figure = Figure(figsize=(3.6 * across + beside, (0.9 + 0.17 * rows) * lines + 0.7), layout="constrained")
    axes = list(figure.subplots(lines, across, squeeze=False, sharey=True).flat)
    for ax in axes[len(parts):]:
        ax.set_axis_off()
    for ax, part in zip(axes, parts, strict=False):
        _panel(ax, table[table["analyte"].isin(part) & table["container"].isin(boxes)], boxes, part, depths, names)
    named = table[table["number"] > 0].drop_duplicates("number").sort_values("number")
    words = "; ".join(f"{n} {cause}" for n, cause in zip(named["number"], named["cause"], strict=True))
    title = f"framed: {words}" if words else "no cause of a bottle or container was named"
    title += "; struck through: no reading" * _gaps(axes)
    figure.suptitle(title, fontsize=8, x=0.01, ha="left", wrap=True)
    bar = figure.colorbar(axes[0].images[0], ax=axes[:len(parts)], orientation="horizontal", shrink=0.5, aspect=40,
                          pad=0.02 + 0.25 / len(boxes))  # below the names, also of few rows
    bar.set_label("departure, standard deviations (+ and −: beyond 3)", fontsize=7)
    bar.ax.tick_params(labelsize=7)
    return figure


def _gaps(axes: list[Axes]) -> bool:
    """Whether a cell of some panel has no reading."""
    return any(bool(np.ma.getmaskarray(np.ma.asarray(image.get_array())).any()) for ax in axes for image in ax.images)


def _boxes(table: pd.DataFrame) -> list[str]:
    """The containers to show, in their order: all, or those that depart most."""
    size = (table["standardised"].abs() + 1e3 * (table["number"] > 0)).groupby(table["container"]).max()
    kept = set(size.sort_values(ascending=False, kind="stable", key=sort_key).index[:MOST_ROWS])
    return [c for c in dict.fromkeys(table["container"]) if c in kept]


def _panel(ax: Axes, own: pd.DataFrame, boxes: list[str], analytes: list[str], depths: list[str],
           names: Callable[[str], str]) -> None:
    columns = pd.MultiIndex.from_product([analytes, depths])
    wide, number = (own.pivot(index="container", columns=["analyte", "depth"], values=v).reindex(index=boxes, columns=columns)
                    for v in ("standardised", "number"))
    z = wide.to_numpy(float)
    ax.imshow(np.ma.masked_invalid(z), cmap=COLOURS, norm=BoundaryNorm(np.arange(-RIM, RIM + 1), COLOURS.N, clip=True),
              aspect="auto")
    ax.autoscale(False)
    for i, j in np.argwhere(np.isnan(z)):
        ax.plot([j - 0.4, j + 0.4], [i + 0.4, i - 0.4], color=THIN, lw=0.7)
    for (i, j), v in np.ndenumerate(z):
        n = number.to_numpy(float)[i, j]
        if n > 0:
            ax.add_patch(Rectangle((j - 0.5, i - 0.5), 1, 1, fill=False, edgecolor=INK, lw=1.1))
        sign = "+" if v > FAR else "−" if v < -FAR else ""
        if sign or n > 0:
            ax.text(j, i, f"{sign}{n:.0f}" if n > 0 else sign, ha="center", va="center", fontsize=6,
                    color="white" if abs(v) > 4 else INK)
    ax.set_yticks(range(len(boxes)), boxes, fontsize=6)
    ax.set_xticks(range(len(columns)), [d for _, d in columns], fontsize=6, rotation=90)
    for k, analyte in enumerate(analytes):
        ax.axvline((k + 1) * len(depths) - 0.5, color=INK, lw=0.8)
        ax.text((k + 0.5) * len(depths) - 0.5, -0.75, _folded(names(analyte), 3 * len(depths) - 2), ha="center", va="bottom",
                fontsize=6.5)
    ax.set_xlabel("depth of each analyte; whole: the container's level", fontsize=7)


def _folded(text: str, width: int) -> str:
    """A name on lines of about so many letters."""
    import textwrap

    return "\n".join(textwrap.wrap(text, max(8, width))) or text


# -- one analyte against another ---------------------------------------------------------------------------------


def pairs_table(s: Suspects, most: int = 4) -> pd.DataFrame:
    """Departures of each bottle in pairs of analytes: those that go together most, and those of named causes first.

    Columns across, up (analytes), sample, container, depth, departure_across, departure_up, number, cause.
    """
    f, z = s.frame, s.first.z
    at = np.flatnonzero(f.zone)
    named = causes(s).drop_duplicates("i").set_index("i")
    parts = []
    for one, other in _pairs(s, at)[:most]:
        ok = at[np.isfinite(z[at, one]) & np.isfinite(z[at, other])]
        parts.append(pd.DataFrame({
            "across": f.analytes[one], "up": f.analytes[other], "sample": f.rows["sample"].to_numpy(object)[ok],
            "container": f.rows["container"].to_numpy(object)[ok], "depth": f.rows["depth"].to_numpy(object)[ok],
            "departure_across": z[ok, one], "departure_up": z[ok, other],
            "number": named["n"].reindex(ok).fillna(0).astype(int).to_numpy(),
            "cause": named["cause"].reindex(ok).fillna("").to_numpy(object)}))
    names = ["across", "up", "sample", "container", "depth", "departure_across", "departure_up", "number", "cause"]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=names)


def _pairs(s: Suspects, at: np.ndarray) -> list[tuple[int, int]]:
    """Pairs of analytes, the most telling first, each analyte in as few as can be."""
    z = np.clip(np.nan_to_num(s.first.z[at]), -RIM, RIM)
    with np.errstate(invalid="ignore", divide="ignore"):
        r = np.nan_to_num(np.corrcoef(z, rowvar=False)) if len(at) > 3 else np.zeros((z.shape[1], z.shape[1]))
    order = sorted(combinations(range(z.shape[1]), 2), key=lambda p: -abs(float(r[p])))
    out: list[tuple[int, int]] = []
    used: set[int] = set()
    for p in order:
        if not used & set(p):
            out.append(p)
            used |= set(p)
    return out


def pairs(table: pd.DataFrame, names: Callable[[str], str] = str) -> Figure | None:
    """One analyte's departures against another's, a mark a bottle, filled diamonds of a named cause; None without a row.

    One beyond the axes stands at the rim in a box.

    A bottle on the diagonal is off in both alike (its portion, the draw); on an axis, in one value alone.
    """
    if table.empty:
        return None
    groups = list(table.groupby(["across", "up"], sort=False))
    figure, axes = grid(len(groups), width=3.4, height=3.1)
    for ax, ((one, other), own) in zip(axes, groups, strict=False):
        of, size = len(own), own[["departure_across", "departure_up"]].abs().max(axis=1) + 1e3 * (own["number"] > 0)
        own = own.iloc[many.few(size)]
        many.note(ax, len(own), of, "bottles")
        x, y = (own[c].clip(-RIM, RIM).to_numpy(float) for c in ("departure_across", "departure_up"))
        marked = own["number"].to_numpy() > 0
        ax.plot([-RIM, RIM], [-RIM, RIM], color=EDGE, lw=0.8, ls=(0, (3, 2)))
        ax.axhline(0, color=EDGE, lw=0.8)
        ax.axvline(0, color=EDGE, lw=0.8)
        ax.plot(x[~marked], y[~marked], ls="", marker="o", ms=3.5, mfc="none", color=THIN)
        beyond = own[["departure_across", "departure_up"]].abs().gt(RIM).any(axis=1).to_numpy()
        ax.plot(x[beyond], y[beyond], ls="", marker="s", ms=8, mfc="none", color=INK)
        ax.plot(x[marked], y[marked], ls="", marker="D", ms=4.5, color=INK)
        far = np.maximum(np.abs(x), np.abs(y))
        places = {(round(x[k]), round(y[k])): k for k in np.argsort(far) if far[k] > FAR}
        for i in list(places.values())[-4:]:
            ax.annotate(str(own["sample"].iloc[i]), (x[i], y[i]), fontsize=7, xytext=(4, 3), textcoords="offset points")
        ax.set_xlim(-RIM - 0.4, RIM + 0.4)
        ax.set_ylim(-RIM - 0.4, RIM + 0.4)
        ax.set_xlabel(f"{names(str(one))}, standard deviations", fontsize=8)
        ax.set_ylabel(f"{names(str(other))}, standard deviations", fontsize=8)
        tidy(ax)
    return figure
