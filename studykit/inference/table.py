"""From a table of determinations to container by depth cells with bounds, every fault of the table in one message."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from decimal import Decimal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from studykit.core.errors import BadInput, Fault
from studykit.inference.cells import CellBounds, Codes
from studykit.inference.contrasts import Array
from studykit.inference.departures import equal_shares
from studykit.inference.margin import Margin
from studykit.study.definition import Margin as Declared

FORMS = ("give {'relative_percent': 20}, {'factor': 2} or {'absolute': 2}, with 'side': 'below' or 'above' where only "
         "that side counts")
NUMBER = re.compile(r"\s*([<>]?)\s*([-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]+)?)\s*")
LARGEST = 1e100
VAST = "lies outside 1e-100 to 1e100: such numbers are no measurement, and their squares would be lost"
MOST_MONTHS = 1200.0
MOST_ROWS = 20
"""Rows named one by one for one kind of fault; the rest is counted."""


def label_of(value: object) -> str:
    """A label as text: whole numbers without a decimal point, whatever their type; '' where empty."""
    if value is None or value is pd.NA or value is pd.NaT or (isinstance(value, float | np.floating) and value != value):
        return ""
    if isinstance(value, float | np.floating) and float(value).is_integer():
        return str(int(value))
    return str(value).strip()


def _number(value: object, low: float, high: float) -> bool:
    """True for a number (no truth value, no text) strictly between low and high."""
    known = isinstance(value, int | float | np.integer | np.floating) and not isinstance(value, bool)
    return known and low < float(value) < high  # type: ignore[arg-type]


def read_margin(margin: Mapping[str, float]) -> tuple[Margin | None, list[Fault]]:
    """The margin as written in study.toml, or what is wrong with it."""
    def wrong(reason: str) -> tuple[None, list[Fault]]:
        return None, [Fault(file="margin", value=str(margin), reason=reason, remedy=FORMS)]

    made = {"relative_percent": Margin.relative, "factor": Margin.factor, "absolute": Margin.absolute}
    sizes = {k: v for k, v in margin.items() if k != "side"} if isinstance(margin, Mapping) else {}
    if len(sizes) != 1 or not set(sizes) <= set(made):
        return wrong("must be a mapping with exactly one of relative_percent, factor and absolute")
    side: object = margin.get("side")
    if side not in (None, "below", "above"):
        return wrong("side must be 'below' or 'above'")
    (key, value), = sizes.items()
    if isinstance(value, Decimal):
        value = float(value)
    if not _number(value, 0, LARGEST):
        return wrong("must be a finite number above 0")
    if key == "relative_percent" and value >= 100:
        return wrong("relative_percent must be below 100 (twice as much is a factor of 2)")
    if key == "factor" and not 1.000001 <= value <= 1000:
        return wrong("factor must be above 1 and at most 1000: 2 allows from half to double")
    return (made[key](float(value)) if side is None else
            Margin.declared(Declared.model_validate({key: float(value), "side": side}), "")), []


def _listed_labels(given: object, name: str) -> tuple[list[str], list[Fault]]:
    """Labels in their order from a list, tuple, array, index or series; a fault for whatever has none."""
    if isinstance(given, pd.Series | pd.Index | np.ndarray):
        given = list(np.ravel(np.asarray(given, dtype=object)))
    if not isinstance(given, list | tuple | range):
        return [], [Fault(file=name, value=str(given), reason=f"must be a list of labels, but is {type(given).__name__}",
                          remedy="write them in square brackets, in order")]
    return [label_of(x) for x in given], []


def _shares(weights: object, depths: Sequence[str], margin: Margin | None) -> tuple[Array | None, list[Fault]]:
    """Shares of the zones, (k,), None where none are given, and what is wrong with them."""
    if weights is None:
        return None, []

    def wrong(reason: str, remedy: str) -> tuple[None, list[Fault]]:
        return None, [Fault(file="weights", value=str(weights), reason=reason, remedy=remedy)]

    if margin is not None and not margin.side:
        return wrong("only a one-sided margin compares zones with the mixed container", "leave weights out")
    given = list(weights) if isinstance(weights, list | tuple | np.ndarray | pd.Series) else []
    if len(given) != len(depths) or not all(_number(w, 0, LARGEST) for w in given):
        return wrong(f"must be {len(depths)} numbers above 0, the share of the container that each depth stands for",
                     "list them in the order of the depths, or leave them out for equal shares")
    return np.asarray(given, dtype=float), []


def _call_faults(depths: object, alpha: object, share: object) -> tuple[list[str], list[Fault]]:
    """The depth labels, and what is wrong with the call."""
    names, out = _listed_labels(depths, "depths")
    if not out and (len(names) < 2 or len(set(names)) < len(names) or "" in names):
        out.append(Fault(file="depths", value=", ".join(names), reason="must be two or more different labels",
                         remedy="list the depths from the surface down"))
    if not _number(alpha, 0, 0.5):
        out.append(Fault(file="alpha", value=str(alpha), reason="must lie between 0 and 0.5"))
    if share is not None and not _number(share, 0, 1):
        out.append(Fault(file="share", value=str(share), reason="must lie between 0 and 1, or be None",
                         remedy="20 per cent is 0.2"))
    return names, out


def _columns(table: object, wanted: Sequence[str], name: str) -> tuple[set[str], list[Fault]]:
    """Which wanted columns are there once, and faults for the others."""
    if not isinstance(table, pd.DataFrame):
        return set(), [Fault(file=name, value=type(table).__name__, reason="must be a data frame")]
    out, there = [], set()
    for column in dict.fromkeys(wanted):
        number = int(sum(isinstance(c, str) and c == column for c in table.columns))
        if number == 1:
            there.add(column)
        else:
            out.append(Fault(file=name, column=column, reason="is not there" if not number else "is there twice",
                             remedy=f"the columns are {', '.join(map(str, table.columns[:20]))}"))
    if not len(table):
        out.append(Fault(file=name, reason="has no rows"))
    return there, out


def read_table(table: pd.DataFrame, *, margin: Mapping[str, float], depths: Sequence[object], alpha: float,
               share: float | None, groups: Sequence[str], weights: Sequence[float] | None = None) -> tuple[Margin, CellBounds]:
    """The margin and the cells of a table; BadInput with every fault of the call and of the rows at once."""
    asked, more = ([groups], []) if isinstance(groups, str) else _listed_labels(() if groups is None else groups, "groups")
    if len(set(asked)) < len(asked):
        more.append(Fault(file="groups", value=", ".join(asked), reason="names a column twice"))
    asked = list(dict.fromkeys(asked))
    scale, faults = read_margin(margin)
    names, wrong = _call_faults(depths, alpha, share)
    shares, bad = _shares(weights, names, scale)
    wrong += bad
    there, missing = _columns(table, ["container", "depth", "value", *asked], "table")
    faults += wrong + more + missing
    containers, depth = (_texts(table, c, there, "table", faults) for c in ("container", "depth"))
    order, step = list(dict.fromkeys(containers)), None
    low = high = np.full(len(table) if there else 0, np.nan)
    if depth and names and not any(f.file == "depths" for f in faults):
        faults += _unknown_depths(depth, names, "table")
    if "value" in there:
        low, high, step, bad = _values(table["value"], scale is not None and scale.log)
        faults += bad
    keys = [""] * len(order)
    if containers and set(asked) <= there:
        keys, bad = _group_keys(table, containers, order, asked)
        faults += bad
    faults = faults or _too_few(containers, depth, low, keys)
    if faults or scale is None:
        raise BadInput(faults, title="The table cannot be judged")
    levels = sorted(set(keys))
    dummies = np.array(levels) == np.array(keys)[:, None] if len(levels) > 1 else None
    cells = CellBounds.of_rows(_codes(containers, order), _codes(depth, names), low, high, shape=(len(order), len(names)),
                               margin=scale, step=step, containers=order, labels=names,
                               groups=None if dummies is None else dummies.astype(float),
                               group_names=levels if dummies is not None else (),
                               weights=None if shares is None else np.tile(shares, (len(order), 1)))
    return scale, cells


def read_aged(table: pd.DataFrame, *, margin: Mapping[str, float], depths: Sequence[object], alpha: float,
              share: float | None, groups: Sequence[str]) -> tuple[Margin, pd.DataFrame]:
    """The margin and the rows of a table over time; BadInput with every fault of the call and of the rows at once.

    Columns container, depth, months, value (NaN where known only as a limit), and ``groups``; rows without a value are left
    out.
    """
    asked, more = ([groups], []) if isinstance(groups, str) else _listed_labels(groups, "groups")
    scale, faults = read_margin(margin)
    names, wrong = _call_faults(depths, alpha, share)
    if scale is not None and scale.side:
        wrong.append(Fault(file="margin", value=str(margin), remedy="leave out the side",
                           reason="a one-sided margin is about each depth against its mixed container, and time is told of "
                                  "differences between depths"))
    if share is None:
        wrong.append(Fault(file="share", value="None", reason="must lie between 0 and 1", remedy="20 per cent is 0.2"))
    there, missing = _columns(table, ["container", "depth", "value", "months", *asked], "table")
    faults += wrong + more + missing
    containers, depth = (_texts(table, c, there, "table", faults) for c in ("container", "depth"))
    if depth and names and not any(f.file == "depths" for f in faults):
        faults += _unknown_depths(depth, names, "table")
    low = high = months = np.full(len(table) if there else 0, np.nan)
    if "value" in there:
        low, high, _, bad = _values(table["value"], scale is not None and scale.log)
        faults += bad
    if "months" in there:
        months, bad = _months(table["months"])
        faults += bad
    if containers and set(asked) <= there:
        faults += _group_keys(table, containers, list(dict.fromkeys(containers)), asked)[1]
    if faults or scale is None:
        raise BadInput(faults, title="The table cannot be judged over time")
    rows = pd.DataFrame({"container": containers, "depth": depth, "months": months,
                         "value": np.where(low == high, low, np.nan)})
    rows = rows.assign(**{g: [label_of(v) for v in table[g]] for g in asked})
    return scale, rows[~np.isnan(low)].reset_index(drop=True)


def _months(column: pd.Series[float]) -> tuple[Array, list[Fault]]:
    """Ages in months, and faults."""
    out, wrong = np.full(len(column), np.nan), list[tuple[int, str]]()
    for i, value in enumerate(column):
        found = NUMBER.fullmatch(label_of(value))
        number = float(found[2]) if found and not found[1] and not isinstance(value, bool | np.bool_) else math.nan
        if 0 <= number < MOST_MONTHS:
            out[i] = number
        else:
            wrong.append((i, label_of(value)))
    faults = _listed(wrong, "table", "months", f"must be months of standing, from 0 to below {MOST_MONTHS:g}")
    if not faults and len(set(out.tolist())) == 1:
        faults = [Fault(file="table", column="months", value=f"{out[0]:g}", remedy="give readings of two ages or more",
                        reason="all ages are equal: nothing can be said of time")]
    return out, faults


def _texts(table: pd.DataFrame, column: str, there: set[str], name: str, faults: list[Fault]) -> list[str]:
    """Labels of a column as text; faults for empty ones, and for one label written as number and as text."""
    if column not in there:
        return []
    raw = list(table[column])
    texts = [label_of(v) for v in raw]
    faults += _listed([(i, "") for i, t in enumerate(texts) if not t], name, column, "is empty")
    if any(isinstance(v, str) for v in raw):
        as_number = {t for t, v in zip(texts, raw, strict=True) if not isinstance(v, str) and t}
        both = sorted(as_number & {t for t, v in zip(texts, raw, strict=True) if isinstance(v, str)})
        faults += [Fault(file=name, column=column, value=t, reason="is written as a number and as text",
                         remedy="write it one way if it is one, else tell them apart") for t in both[:MOST_ROWS]]
    return texts


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


def _unknown_depths(depth: Sequence[str], names: Sequence[str], name: str) -> list[Fault]:
    known = set(names)
    other = [(i, d) for i, d in enumerate(depth) if d and d not in known]
    return _listed(other, name, "depth", "is none of the depths asked for",
                   f"depths are {', '.join(names)}; leave other rows out or add their label")


def _values(column: pd.Series[float], log: bool) -> tuple[Array, Array, float | None, list[Fault]]:
    """Bounds of every value, the decimal step where all numbers are text, and faults."""
    low, high, decimals = np.full(len(column), np.nan), np.full(len(column), np.nan), list[int]()
    wrong, negative, vast = list[tuple[int, str]](), list[tuple[int, str]](), list[tuple[int, str]]()
    for i, value in enumerate(column):
        text = "" if label_of(value) == "" else str(value)
        if not text:
            continue
        found = NUMBER.fullmatch(text)
        number = float(found[2]) if found else math.nan
        if found is None or isinstance(value, bool | np.bool_) or not math.isfinite(number):
            wrong.append((i, text))
            continue
        low[i], high[i] = _ends(found[1], number)
        if not found[1]:
            plain = isinstance(value, str) and "e" not in found[2].lower()
            decimals.append(len(found[2].partition(".")[2]) if plain else 99)
        if log and number <= 0:
            negative.append((i, text))
        elif number != 0 and not 1 / LARGEST < abs(number) < LARGEST:
            vast.append((i, text))
    faults = _listed(wrong, "table", "value", "is not a number, nor a limit as '<2' or '>50'")
    faults += _listed(negative, "table", "value", "must be above 0 for a margin in per cent or as a factor",
                      "give an absolute margin, or the limit of quantification as '<2'")
    faults += _listed(vast, "table", "value", VAST)
    step = 10.0 ** -max(decimals) if decimals and max(decimals) <= 8 else None
    return low, high, step, faults


def _ends(qualifier: str, number: float) -> tuple[float, float]:
    """Where a value lies: a content below its limit from zero on; "<-54", below the end of a scale, without an end."""
    if qualifier == "<":
        return 0.0 if number > 0 else -math.inf, number
    return (number, math.inf) if qualifier == ">" else (number, number)


def _group_keys(table: pd.DataFrame, containers: Sequence[str], order: Sequence[str],
                groups: Sequence[str]) -> tuple[list[str], list[Fault]]:
    """The group of every container, and what is wrong."""
    if not groups:
        return [""] * len(order), []
    faults, held = list[Fault](), pd.DataFrame(index=list(order))
    for column in groups:
        frame = pd.DataFrame({"c": list(containers), "g": [label_of(v) for v in table[column]]}).drop_duplicates()
        several = frame["c"].duplicated(keep=False)
        for c, part in frame[several].groupby("c", sort=False)["g"]:
            faults.append(Fault(file="table", column=column, value=", ".join(part), remedy="give one level a container",
                                reason=f"container {c} has several levels"))
        faults += [Fault(file="table", column=column, remedy="give one level a container", reason=f"container {c} has no level")
                   for c in frame.loc[~several & (frame["g"] == ""), "c"]]
        held[column] = frame.drop_duplicates("c").set_index("c")["g"].reindex(list(order))
    return [", ".join(map(str, row)) for row in held.to_numpy()], faults


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
                alpha: float, weights: Sequence[float] | None = None) -> tuple[Codes, Codes, int, Margin, Array, Array]:
    """Codes of container and depth, number of containers, margin, values of many studies and shares of the zones (k,).

    BadInput with all faults.
    """
    scale, faults = read_margin(margin)
    names, wrong = _call_faults(depths, alpha, None)
    shares, off = _shares(weights, names, scale)
    there, missing = _columns(layout, ["container", "depth"], "layout")
    faults += wrong + missing
    containers, depth = (_texts(layout, c, there, "layout", faults) for c in ("container", "depth"))
    order = list(dict.fromkeys(containers))
    if depth and names and not wrong:
        faults += _unknown_depths(depth, names, "layout")
    if containers and len(order) < 2:
        faults.append(Fault(file="layout", column="container", reason="must name two or more containers"))
    y, bad = _studies(values, len(layout) if there else None, scale is not None and scale.log)
    faults += off + bad
    if faults or scale is None:
        raise BadInput(faults, title="The studies cannot be judged")
    return (_codes(containers, order), _codes(depth, names), len(order), scale, y,
            equal_shares(1, len(names))[0] if shares is None else shares)


def _studies(values: ArrayLike, rows: int | None, log: bool) -> tuple[Array, list[Fault]]:
    """The values (studies, rows) with NaN where lost or masked, and faults; ``rows`` None where the layout is none."""
    def wrong(reason: str, remedy: str = "") -> Fault:
        return Fault(file="values", reason=reason, remedy=remedy)

    nothing = np.zeros((0, 0))
    try:
        raw = values if isinstance(values, np.ndarray) else np.asarray(values)
        if raw.dtype.kind in "bc":
            return nothing, [wrong("are not all real numbers", "NaN where lost")]
        if isinstance(raw, np.ma.MaskedArray):
            raw = np.ma.filled(raw.astype(float), np.nan)
        elif raw.dtype.kind == "O" and raw.ndim == 2:  # pandas' own sign for a lost value
            raw = np.where(pd.isna(raw), np.nan, raw)
        y = np.asarray(raw, dtype=float)
    except (TypeError, ValueError):
        return nothing, [wrong("are not all numbers in rows of one length", "NaN where lost; limits go through judge")]
    out = []
    if rows is not None and (y.ndim != 2 or y.shape[1] != rows):
        out.append(Fault(file="values", value=str(y.shape), reason=f"must be studies x {rows} rows of the layout"))
    if np.isinf(y).any():
        out.append(wrong(f"{int(np.isinf(y).sum())} are infinite", "NaN where lost"))
    if log and np.any(y <= 0):
        out.append(wrong(f"{int(np.sum(y <= 0))} are not above 0, as a margin in per cent or as a factor needs"))
    size = np.abs(y)
    with np.errstate(invalid="ignore"):
        if np.any(np.isfinite(size) & ((size >= LARGEST) | ((size <= 1 / LARGEST) & (size > 0)))):
            out.append(wrong(VAST))
    return y, out
