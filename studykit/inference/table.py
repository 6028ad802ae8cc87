"""From a table of determinations to container by depth cells with bounds, every fault of the table in one message."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from studykit.core.errors import BadInput, Fault
from studykit.inference.bounded import rounding_step
from studykit.inference.contrasts import Array, cell_means
from studykit.inference.margin import Margin

Codes = NDArray[np.intp]
FORMS = "give {'relative_percent': 20} or {'absolute': 2}"
NUMBER = re.compile(r"\s*([<>]?)\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*")
MOST_ROWS = 20
"""Rows named one by one for one kind of fault; the rest is counted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CellBounds:
    """Container by depth cell means of one analyte on the scale of its margin, with what they can be.

    ``low``, ``high`` (n, k): equal where every determination is a number, apart where one is a limit, NaN where lost.
    ``outer_low``, ``outer_high``: the same with every number anywhere within its rounding. ``exact`` (n,): containers
    without a limit. ``step``: rounding step of a cell mean as a floor of scatter. ``groups`` (n, q) dummy columns or
    None. ``noise_se``: standard error of one container's difference from determinations alone; None where no
    cell was determined twice.
    """

    containers: tuple[str, ...]
    labels: tuple[str, ...]
    low: Array
    high: Array
    outer_low: Array
    outer_high: Array
    exact: NDArray[np.bool_]
    step: float
    groups: Array | None
    group_names: tuple[str, ...]
    noise_se: float | None
    noise_df: float

    @property
    def k(self) -> int:
        """Number of depths."""
        return len(self.labels)

    @property
    def pairs(self) -> tuple[tuple[str, str], ...]:
        """Upper and lower depth of every pair, in the order of the contrasts."""
        return tuple(combinations(self.labels, 2))

    @classmethod
    def of_rows(cls, container: Codes, depth: Codes, low: Array, high: Array, *, shape: tuple[int, int], margin: Margin,
                step: float | None = None, containers: Sequence[str] = (), labels: Sequence[str] = (),
                groups: Array | None = None, group_names: Sequence[str] = ()) -> CellBounds:
        """Cells of determinations: codes of container and depth, bounds of each value in its unit, (rows,).

        ``step``: decimal step in which numbers were written; None: as they look. NaN values are lost.
        """
        numbers = low == high
        written = rounding_step(low[numbers]) if step is None else step
        half = np.where(numbers, written / 2, 0.0)
        scaled = [_on_scale(v, margin) for v in (low, high, low - half, high + half)]
        cells = cell_means(container, depth, np.array(scaled), shape)
        counts = np.bincount((container * shape[1] + depth)[~np.isnan(low)], minlength=shape[0] * shape[1])
        noise, df = _noise(container * shape[1] + depth, scaled[0], numbers, scaled[3] - scaled[2])
        return cls(containers=tuple(containers) or tuple(map(str, range(shape[0]))),
                   labels=tuple(labels) or tuple(map(str, range(shape[1]))), low=cells[0], high=cells[1],
                   outer_low=cells[2], outer_high=cells[3],
                   exact=np.asarray(~np.any(cells[0] < cells[1], axis=1)), step=_step(cells, counts.reshape(shape)),
                   groups=groups, group_names=tuple(group_names), noise_se=noise, noise_df=df)


def _on_scale(values: Array, margin: Margin) -> Array:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(values <= 0, -math.inf, margin.to_scale(values)) if margin.log else values)


def _step(cells: Array, counts: NDArray[np.intp]) -> float:
    """The rounding step of a cell mean whose variance is that of the cells' rounding on average."""
    width = (cells[3] - cells[2])[(cells[0] == cells[1]) & np.isfinite(cells[2])]
    m = np.maximum(counts[(cells[0] == cells[1]) & np.isfinite(cells[2])], 1)
    return float(np.sqrt(np.mean(width**2 / m))) if width.size else 0.0


def _noise(cell: Codes, values: Array, numbers: NDArray[np.bool_], width: Array) -> tuple[float | None, float]:
    """Standard error of a difference of two cells from their determinations alone, and its degrees of freedom."""
    ok = numbers & np.isfinite(values)
    sizes = np.bincount(cell[ok])
    held = sizes[sizes > 0]
    df = float(held.sum() - len(held))
    if df < 1:
        return None, math.inf
    means = np.bincount(cell[ok], weights=values[ok]) / np.maximum(sizes, 1)
    square = float(((values[ok] - means[cell[ok]]) ** 2).sum()) / df
    finite = width[ok][np.isfinite(width[ok])]
    floor = float(np.mean(finite**2)) / 12 if finite.size else 0.0
    return math.sqrt(2 * max(square, floor) * float(np.mean(1 / held))), df


def label_of(value: object) -> str:
    """A label as text: whole numbers without a decimal point, whatever their type; '' where empty."""
    if value is None or value is pd.NA or (isinstance(value, float | np.floating) and math.isnan(float(value))):
        return ""
    if isinstance(value, float | np.floating) and float(value).is_integer():
        return str(int(value))
    return str(value).strip()


def read_margin(margin: Mapping[str, float]) -> tuple[Margin | None, list[Fault]]:
    """The margin as written in study.toml, or what is wrong with it."""
    def wrong(reason: str) -> tuple[None, list[Fault]]:
        return None, [Fault(file="margin", value=str(margin), reason=reason, remedy=FORMS)]

    if not isinstance(margin, Mapping) or len(margin) != 1 or not set(margin) <= {"relative_percent", "absolute"}:
        return wrong("must be a mapping with exactly one of relative_percent and absolute")
    (key, value), = margin.items()
    if isinstance(value, bool) or not isinstance(value, int | float | np.integer | np.floating) or not 0 < value < math.inf:
        return wrong("must be a finite number above 0")
    if key == "relative_percent" and value >= 100:
        return wrong("relative_percent must be below 100")
    return (Margin.relative(float(value)) if key == "relative_percent" else Margin.absolute(float(value))), []


def _call_faults(depths: Sequence[object], alpha: float, share: float | None) -> list[Fault]:
    out = []
    names = [label_of(d) for d in depths] if not isinstance(depths, str) else [depths]
    if len(names) < 2 or len(set(names)) < len(names) or "" in names:
        out.append(Fault(file="depths", value=", ".join(names), reason="must be two or more different labels",
                         remedy="list the depths from the surface down"))
    if not (isinstance(alpha, int | float) and 0 < alpha < 0.5):
        out.append(Fault(file="alpha", value=str(alpha), reason="must lie between 0 and 0.5"))
    if share is not None and not (isinstance(share, int | float) and 0 < share < 1):
        out.append(Fault(file="share", value=str(share), reason="must lie between 0 and 1, or be None"))
    return out


def _missing(table: pd.DataFrame, wanted: Sequence[str], name: str) -> list[Fault]:
    if not isinstance(table, pd.DataFrame):
        return [Fault(file=name, value=type(table).__name__, reason="must be a data frame")]
    out = []
    for column in dict.fromkeys(wanted):
        number = int((table.columns == column).sum())
        if number != 1:
            out.append(Fault(file=name, column=column, reason="is not there" if not number else "is there twice",
                             remedy=f"the columns are {', '.join(map(str, table.columns[:20]))}"))
    if not len(table):
        out.append(Fault(file=name, reason="has no rows"))
    return out


def read_table(table: pd.DataFrame, *, margin: Mapping[str, float], depths: Sequence[object], alpha: float,
               share: float | None, groups: Sequence[str]) -> tuple[Margin, CellBounds]:
    """The margin and the cells of a table; BadInput with every fault at once."""
    groups = [groups] if isinstance(groups, str) else list(groups)
    scale, faults = read_margin(margin)
    faults += _call_faults(depths, alpha, share) + _missing(table, ["container", "depth", "value", *groups], "table")
    if faults:
        raise BadInput(faults, title="The table cannot be judged")
    assert scale is not None
    names = [label_of(d) for d in depths]
    containers, depth = ([label_of(v) for v in table[c]] for c in ("container", "depth"))
    faults = _label_faults(containers, depth, names, "table")
    low, high, step, wrong = _values(table["value"], scale)
    faults += wrong
    order = list(dict.fromkeys(containers))
    keys, more = _group_keys(table, containers, order, groups)
    faults += more
    if not faults:
        faults = _too_few(containers, depth, low, keys)
    if faults:
        raise BadInput(faults, title="The table cannot be judged")
    levels = sorted(set(keys))
    dummies = np.array([[float(key == level) for level in levels] for key in keys]) if len(levels) > 1 else None
    cells = CellBounds.of_rows(_codes(containers, order), _codes(depth, names), low, high, shape=(len(order), len(names)),
                               margin=scale, step=step, containers=order, labels=names, groups=dummies,
                               group_names=levels if dummies is not None else ())
    return scale, cells


def _codes(labels: Sequence[str], order: Sequence[str]) -> Codes:
    at = {name: i for i, name in enumerate(order)}
    return np.array([at[x] for x in labels], dtype=np.intp)


def _listed(rows: Sequence[tuple[int, str]], name: str, column: str, reason: str, remedy: str = "") -> list[Fault]:
    """A fault a row (0-based), the first of many, and how many more."""
    out = [Fault(file=name, row=i + 1, column=column, value=value, reason=reason, remedy=remedy)
           for i, value in rows[:MOST_ROWS]]
    if len(rows) > MOST_ROWS:
        out.append(Fault(file=name, column=column, reason=f"{len(rows) - MOST_ROWS} more rows like these"))
    return out


def _label_faults(containers: Sequence[str], depth: Sequence[str], names: Sequence[str], name: str) -> list[Fault]:
    out = _listed([(i, "") for i, c in enumerate(containers) if not c], name, "container", "is empty")
    other = [(i, d) for i, d in enumerate(depth) if d not in set(names)]
    return out + _listed(other, name, "depth", "is none of the depths asked for",
                         f"depths are {', '.join(names)}; leave other rows out or add their label")


def _values(column: pd.Series[float], margin: Margin) -> tuple[Array, Array, float | None, list[Fault]]:
    """Bounds of every value, the decimal step where values are text, and faults."""
    low, high, decimals = np.full(len(column), np.nan), np.full(len(column), np.nan), list[int]()
    wrong, negative = list[tuple[int, str]](), list[tuple[int, str]]()
    for i, value in enumerate(column):
        text = "" if label_of(value) == "" else str(value)
        if not text:
            continue
        found = NUMBER.fullmatch(text)
        number = float(found[2]) if found else math.nan
        if found is None or isinstance(value, bool) or not math.isfinite(number):
            wrong.append((i, text))
            continue
        low[i], high[i] = _ends(found[1], number)
        if isinstance(value, str) and not found[1]:
            decimals.append(len(found[2].partition(".")[2]) if "e" not in found[2].lower() else 99)
        if margin.log and (number <= 0):
            negative.append((i, text))
    faults = _listed(wrong, "table", "value", "is not a number, nor a limit as '<2' or '>50'")
    faults += _listed(negative, "table", "value", "must be above 0 for a margin in per cent",
                      "give an absolute margin, or the limit of quantification as '<2'")
    step = 10.0 ** -max(decimals) if decimals and max(decimals) <= 8 else None
    return low, high, step, faults


def _ends(qualifier: str, number: float) -> tuple[float, float]:
    if qualifier == "<":
        return min(0.0, number), number
    return (number, math.inf) if qualifier == ">" else (number, number)


def _group_keys(table: pd.DataFrame, containers: Sequence[str], order: Sequence[str],
                groups: Sequence[str]) -> tuple[list[str], list[Fault]]:
    """The group of every container, and what is wrong."""
    held: dict[str, list[str]] = {c: [] for c in order}
    faults = []
    for column in groups:
        frame = pd.DataFrame({"c": list(containers), "g": [label_of(v) for v in table[column]]})
        for c, part in frame.groupby("c", sort=False)["g"]:
            found = list(dict.fromkeys(part))
            if len(found) > 1 or found == [""]:
                faults.append(Fault(file="table", column=column, value=", ".join(found), remedy="give one level a container",
                                    reason=f"container {c} has {'no level' if found == [''] else 'several levels'}"))
            held[str(c)].append(found[0])
    return [", ".join(held[c]) for c in order], faults


def _too_few(containers: Sequence[str], depth: Sequence[str], low: Array, keys: Sequence[str]) -> list[Fault]:
    there = ~np.isnan(low)
    c, d = {x for x, ok in zip(containers, there, strict=True) if ok}, {x for x, ok in zip(depth, there, strict=True) if ok}
    out = []
    if len(c) < 2:
        out.append(Fault(file="table", column="container", reason=f"{len(c)} container with values: scatter between "
                         "containers cannot be seen", remedy="measure two or more containers"))
    if len(d) < 2:
        out.append(Fault(file="table", column="depth", reason=f"{len(d)} depth with values: nothing to compare"))
    if len(set(keys)) > 1 and len(keys) - len(set(keys)) < 1:
        out.append(Fault(file="table", column="container", reason="the groups leave no two containers alike, so that their "
                         "scatter cannot be seen", remedy="name fewer groups"))
    return out


def read_layout(layout: pd.DataFrame, values: ArrayLike, *, margin: Mapping[str, float], depths: Sequence[object],
                alpha: float) -> tuple[Codes, Codes, int, Margin, Array]:
    """Codes of container and depth, number of containers, margin and values of many studies; BadInput with all faults."""
    scale, faults = read_margin(margin)
    faults += _call_faults(depths, alpha, None) + _missing(layout, ["container", "depth"], "layout")
    try:
        y = np.asarray(values, dtype=float)
    except (TypeError, ValueError):
        y = np.zeros((0, 0))
        faults.append(Fault(file="values", reason="are not all numbers", remedy="NaN where lost; limits go through judge"))
    if isinstance(layout, pd.DataFrame) and (y.ndim != 2 or y.shape[1] != len(layout)):
        faults.append(Fault(file="values", value=str(y.shape), reason=f"must be studies x {len(layout)} rows of the layout"))
    if np.isinf(y).any():
        faults.append(Fault(file="values", reason=f"{int(np.isinf(y).sum())} are infinite", remedy="NaN where lost"))
    if scale is not None and scale.log and np.any(y <= 0):
        faults.append(Fault(file="values", reason=f"{int(np.sum(y <= 0))} are not above 0, as a margin in per cent needs"))
    if faults:
        raise BadInput(faults, title="The studies cannot be judged")
    assert scale is not None
    names = [label_of(d) for d in depths]
    containers, depth = ([label_of(v) for v in layout[c]] for c in ("container", "depth"))
    order = list(dict.fromkeys(containers))
    faults = _label_faults(containers, depth, names, "layout")
    if len(order) < 2:
        faults.append(Fault(file="layout", column="container", reason="must name two or more containers"))
    if faults:
        raise BadInput(faults, title="The studies cannot be judged")
    return _codes(containers, order), _codes(depth, names), len(order), scale, y
