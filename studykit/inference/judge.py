"""The rule for people with a table and no study folder, and the same rule for thousands of studies at once.

``judge`` takes one table (container, depth, value and whatever else), ``judge_many`` the responses of one layout.
Both go the same road, and so does the report: container by depth means on the scale of the margin, contrasts under
any covariance (``contrasts``), values known only within bounds at their worst (``bounded``), and for the stock the
share of containers beyond the margin and the groups (``share``).

The word for the mean: homogeneous, stratified or inconclusive. The word for the stock needs more: homogeneous only
where also the upper bound of the share is at most the declared one and neither a container nor a group is shown to
lie beyond; "uneven" where the mean is not beyond the margin and a container or a group is shown to be.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import special

from studykit.inference.bounded import (
    COARSE,
    MOST_DECIMALS,
    group_bounds,
    judge_bounds,
    mean_hull,
    rounding_step,
)
from studykit.inference.cells import CellBounds
from studykit.inference.contrasts import (
    CHUNK,
    Array,
    Contrasts,
    cell_means,
    contrasts_of,
    intervals,
    p_beyond,
    p_within,
    word_codes,
)
from studykit.inference.departures import beside_mixed, between, departures_between, group_between, lift_of, mixed_rows
from studykit.inference.each import containers_beyond, groups_that_may, may_lie_beyond, may_reasons, read_reasons
from studykit.inference.margin import Interval, Margin
from studykit.inference.own import (
    contrasts_in,
    ends_of,
    known,
    middle_of,
    noise_of_one,
    own_differences,
    side_of,
    span_of_one,
)
from studykit.inference.share import next_container, share_upper
from studykit.inference.table import read_layout, read_table

MeanWord = Literal["homogeneous", "stratified", "inconclusive"]
StockWord = Literal["homogeneous", "uneven", "stratified", "inconclusive"]
MOSTLY = 0.5
LEAST_DF = 2
"""Degrees of freedom from which zones determined twice tell the noise (own judgement)."""
MOSTLY_LIMITS = ("More than half of the values are known only as a limit: what is said holds wherever they lie, but a study "
                 "folder reports such an analyte as not assessed where nothing is beyond, since its method hardly sees it.")
WORDS: tuple[MeanWord, MeanWord, MeanWord] = ("inconclusive", "homogeneous", "stratified")


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """What one table says of the stock, and the numbers the word rests on.

    ``word`` for the stock, ``mean_word`` for the mean alone; ``pairs``: one row a pair of depths (pair, estimate, low,
    high, df, p_within, p_beyond; estimate and the 1 - 2 alpha limits as told: per cent or the table's unit; p NaN where
    values are known only within bounds, and the limits then hold wherever they lie);
    ``share_upper``: upper bound of the share of containers beyond the margin (0 to 1), at 1 - alpha;
    ``containers_beyond``: those shown to lie beyond, or by their readings alone where most are limits; ``groups``: one row a
    group and pair; ``next_container``: where the next container's lowest minus uppermost depth would be measured
    (1 - alpha), None for fewer than three, where limits leave it anywhere, and where a container without both ends differs by
    more than the margin between others;
    ``reasons``: why, in plain sentences.
    """

    word: StockWord
    mean_word: MeanWord
    margin: Margin
    pairs: pd.DataFrame
    share_upper: float
    containers_beyond: tuple[str, ...]
    groups: pd.DataFrame
    next_container: Interval | None
    reasons: tuple[str, ...]


def judge(table: pd.DataFrame, *, margin: Mapping[str, float], depths: Sequence[object], alpha: float = 0.05,
          share: float | None = None, groups: Sequence[str] = (), weights: Sequence[float] | None = None) -> Judgement:
    """Judge one analyte of many containers from a table of determinations.

    table: columns container, depth and value (numbers, or text as "<2" and ">50"), one row a determination, and any
    columns named in ``groups`` (one level a container). margin: {"relative_percent": 20}, {"factor": 2} or {"absolute": 2};
    with "side": "below" or "above" it is about every zone against its mixed container, and ``weights`` are then the shares of
    the container that the depths stand for (None: equal);
    depths: the labels from the surface down, of any dtype; share: largest share of containers (0 to 1) that may lie
    beyond the margin, None where only the mean and what is shown of single containers and groups count.
    A stated repeatability cannot be given here: of single determinations the noise is not known, so the bound of the share is
    twice as large, and a stock that a study folder with a stated repeatability calls homogeneous may be inconclusive.
    BadInput names every fault of the call and of the table at once.
    """
    scale, cells = read_table(table, margin=margin, depths=depths, alpha=alpha, share=share, groups=groups, weights=weights)
    return judge_cells(cells, scale, alpha=alpha, share=share)


def judge_cells(cells: CellBounds, margin: Margin, *, alpha: float = 0.05, share: float | None = None) -> Judgement:
    """The same from the cells of a table; see ``judge``."""
    whole, apart = mean_cells(cells)
    found, word, low, high, why = mean_of(whole, margin, alpha)
    noise, df = (noise_of_one(cells, cells.noise_se), cells.noise_df) if cells.noise_df >= LEAST_DF else (None, math.inf)
    bound = share_upper(own_differences(cells, noise), margin.edge, noise_se=noise, noise_df=df, level=1 - alpha,
                        noise_span=None if noise is None else span_of_one(cells))
    beyond = containers_beyond(cells, margin, noise, df, alpha, twice=noise is not None)
    by_group = group_table(cells, margin, alpha, beyond.signs)
    groups = bool(len(by_group)) and bool(by_group["shown beyond"].any())
    may = (*may_lie_beyond(cells, margin, noise, df, alpha, twice=noise is not None), *groups_that_may(cells, margin))
    stock = stock_word(word, share_upper=bound.upper, share=share, containers_beyond=len(beyond.names), groups_beyond=groups,
                       every_one=beyond.every, may_be_beyond=len(may))
    limited = np.mean((cells.low < cells.high)[~np.isnan(cells.low)]) > MOSTLY
    firm = tuple(c for c in beyond.names if c not in beyond.read)
    reasons = (*why, *apart, *lost_reasons(cells), *((MOSTLY_LIMITS,) if limited else ()), *read_reasons(beyond.read, margin),
               *_stock_reasons(bound.upper, share, firm, by_group, margin), *may_reasons(may, margin))
    return Judgement(word=stock, mean_word=word, margin=margin, pairs=_pair_table(cells, found, margin, alpha, low, high),
                     share_upper=bound.upper, containers_beyond=beyond.names, groups=by_group, reasons=reasons,
                     next_container=next_of(cells, margin, 1 - alpha))


def mean_cells(cells: CellBounds) -> tuple[CellBounds, tuple[str, ...]]:
    """The cells that the mean is judged from: without groups where some group lacks a pair of depths, with the reason."""
    if cells.groups is None:
        return cells, ()
    found, plain = (contrasts_in(c).judged for c in (cells, replace(cells, groups=None)))
    if found.all() or not plain.all():
        return cells, ()
    lost = np.isnan(known(cells))
    names = [name for name, mine in zip(cells.group_names, cells.groups.T > 0, strict=False) if lost[mine].all(axis=0).any()]
    told = f" ({', '.join(names)})" if names else ""
    return replace(cells, groups=None), (
        f"Some group has no number at some depth{told}: the mean is that of the containers that have one, groups not told "
        "apart, and nothing is said of that group.",)


def next_of(cells: CellBounds, margin: Margin, level: float) -> Interval | None:
    """Prediction of the next container's lowest minus uppermost depth, as told, wherever values lie that are bounds.

    Rounding counts as a bound where it is coarser than the containers scatter. None for fewer than three containers
    with both ends, where a limit leaves it anywhere, and where a container that has lost an end, and so cannot count, differs
    by more than the margin between other depths. None for a one-sided margin, which is about no such pair.
    """
    if cells.departures is not None:
        return None
    middle = middle_of(cells)[:, cells.k - 2]
    ends = ~np.isnan(ends_of(cells, False)[0][:, cells.k - 2])  # of a limit without an end both are infinite, of a lost one NaN
    seen = middle[np.isfinite(middle)]
    passed = margin.passed(own_differences(cells, math.inf)).any(axis=1)
    if ends.sum() < 3 or (passed & ~ends).any():
        return None
    rounded = len(seen) < 2 or float(seen.std(ddof=1)) < COARSE * cells.step
    if not rounded and len(seen) == ends.sum():
        return margin.shown_interval(next_container(seen, level))
    least, most = (x[ends, cells.k - 2] for x in ends_of(cells, rounded))
    low, high = mean_hull(least, most, level, math.sqrt(1 + 1 / len(least)))
    return margin.shown_interval(Interval(low=low, high=high, level=level)) if (
        math.isfinite(low) and math.isfinite(high)) else None


def depth_mean(cells: CellBounds, j: int, level: float) -> tuple[float, float, float]:
    """Mean over the containers at depth ``j`` and its t limits, on the scale of the margin.

    Of values known only within bounds there is no mean, and the limits hold wherever they lie. NaN where not known.
    """
    held = ~np.isnan(cells.low[:, j])
    least, most = cells.low[held, j], cells.high[held, j]
    n, numbers = len(least), bool((least == most).all())
    mean = float(least.mean()) if n and numbers else math.nan
    if n < 2:
        return mean, math.nan, math.nan
    if numbers:
        half = -float(special.stdtrit(n - 1, (1 - level) / 2)) * float(least.std(ddof=1)) / math.sqrt(n)
        return mean, mean - half, mean + half
    low, high = mean_hull(least, most, level, math.sqrt(1 / n))
    return (mean, low, high) if math.isfinite(low) and math.isfinite(high) else (mean, math.nan, math.nan)


def stock_word(mean_word: str, *, share_upper: float, share: float | None, containers_beyond: int,
               groups_beyond: bool, every_one: bool = False, may_be_beyond: int = 0) -> StockWord:
    """The rule for the stock, from the word for the mean and what is known of single containers and groups.

    ``every_one``: each container by itself is shown beyond, in the same pair of depths and direction; then it is
    stratified however few they are. ``may_be_beyond``: containers and groups that would be shown beyond for some
    value within their limits; the stock is not homogeneous then.
    """
    if mean_word == "stratified" or every_one:
        return "stratified"
    if containers_beyond or groups_beyond:
        return "uneven"
    enough = (share is None or share_upper <= share) and not may_be_beyond
    return "homogeneous" if mean_word == "homogeneous" and enough else "inconclusive"


def lost_reasons(cells: CellBounds) -> tuple[str, ...]:
    """What the word for the mean leaves open where two containers or more, and over a tenth, have no value at a depth."""
    n = len(cells.containers)
    lost = {d: int(x) for d, x in zip(cells.labels, np.isnan(cells.low).sum(axis=0), strict=True) if max(1, n / 10) < x < n}
    if not lost:
        return ()
    told = ", ".join(f"{x} of {n} at {d}" for d, x in lost.items())
    whole = " A container that lacks a depth has no known mean, so none of its depths counts." * bool(side_of(cells))
    return (f"Containers without a value: {told}. The mean is that of the others: if it was the settled ones that could not be "
            f"drawn, it hides them.{whole}",)


def mean_of(cells: CellBounds, margin: Margin, alpha: float, *,
            limits: bool = True) -> tuple[Contrasts, MeanWord, Array, Array, tuple[str, ...]]:
    """The word for the mean: contrasts at the middle of what is known, the word, limits of each pair, and why.

    Bounds count where a value is a limit, and where rounding is coarser than the scatter of containers' differences.
    ``limits``: False for the word alone.
    """
    found = contrasts_in(cells)
    limited, rounded = not cells.exact.all(), _coarse_in(cells, found)
    if not limited and not rounded:
        code = int(word_codes(found, margin.edge, alpha, depths=cells.k, side=side_of(cells))[0])
        return found, WORDS[code], np.full(0, 0.0), np.full(0, 0.0), _mean_reasons(found, WORDS[code], margin, alpha)
    low, high = (cells.outer_low, cells.outer_high) if rounded else (cells.low, cells.high)
    if cells.departures is None:
        verdict = judge_bounds(low, high, margin, cells.labels, alpha=alpha, groups=cells.groups, step=cells.step,
                               level=1 - 2 * alpha, limits=limits)
    else:
        least, most = (x + cells.departures.lift for x in ends_of(cells, rounded))
        verdict = between(least, most, margin, cells.labels, alpha=alpha, step=cells.step * cells.noise_part)
    word: MeanWord = next(w for w in WORDS if w == verdict.word)
    why = verdict.reason if limited else f"Readings were rounded more coarsely than they scatter: {verdict.reason}"
    return found, word, np.array(verdict.low), np.array(verdict.high), (why,)


def _coarse_in(cells: CellBounds, found: Contrasts) -> bool:
    """Whether readings were rounded more coarsely than the contrasts scatter within groups."""
    d, step = cells.departures, cells.step * cells.noise_part
    inner = within_groups(known(cells) if d is None else d.cells, cells.groups, found, None if d is None else d.rows)
    return bool(coarse(inner, step)[0])


def within_groups(cells: Array, groups: Array | None, found: Contrasts, rows: Array | None = None) -> Contrasts:
    """``found``, or where there are groups the contrasts of what is left within them, which rounding is held against."""
    if groups is None:
        return found
    inner, (n, q) = contrasts_of(rest_of(cells, groups)[None], rows), groups.shape
    return replace(inner, se=inner.se * math.sqrt((n - 1) / max(n - q, 1)))


def rest_of(cells: Array, groups: Array) -> Array:
    """Cells (n, k) less what least squares on the groups' columns says of them, depth by depth; NaN where lost."""
    rest = cells.copy()
    for j, column in enumerate(cells.T):
        ok = np.isfinite(column)
        rest[ok, j] -= groups[ok] @ np.linalg.lstsq(groups[ok], column[ok], rcond=None)[0]
    return rest


def coarse(found: Contrasts, step: float | Array) -> NDArray[np.bool_]:
    """Where readings were rounded more coarsely than containers scatter, so that rounding is a bound, (S,)."""
    with np.errstate(all="ignore"):
        sd = np.where(found.judged, found.se / np.sqrt(found.unit_variance), np.inf)
    return np.asarray(sd.min(axis=1) < COARSE * np.asarray(step))


def _mean_reasons(found: Contrasts, word: str, margin: Margin, alpha: float) -> tuple[str, ...]:
    if not found.judged.all():
        return ("Too few containers have the same depths, in all or in some group, so that not every "
                f"{'depth' if margin.side else 'pair of depths'} can be judged.",)
    span = margin.text.lstrip("±")
    if margin.side:
        return ({"homogeneous": f"On average over the containers no depth lies more than {span}, as is shown.",
                 "stratified": f"On average over the containers some depth is shown to lie more than {span}.",
                 "inconclusive": f"On average over the containers it is shown neither that some depth lies more than {span} "
                                 "nor that none does."}[word],)
    return ({"homogeneous": f"On average over the containers every pair of depths is shown to differ by less than {span}.",
             "stratified": f"On average over the containers some depths are shown to differ by more than {span}.",
             "inconclusive": f"On average over the containers neither less nor more than {span} is shown.",
             }[word],)  # fmt: skip


def _stock_reasons(upper: float, share: float | None, names: Sequence[str], groups: pd.DataFrame,
                   margin: Margin) -> tuple[str, ...]:
    out = []
    if names:
        out.append(f"{'Containers' if len(names) > 1 else 'Container'} {', '.join(names)} {'are' if len(names) > 1 else 'is'} "
                   f"shown to {margin.exceeded}.")
    if len(groups):
        many = groups[groups["shown beyond"] & (groups["containers"] > 1)]  # of one container its own sentence says so
        which = dict.fromkeys(many["group"])
        if len(many):
            out.append(f"The containers of {', '.join(which)} are shown to {margin.exceeded} on average.")
    percent = math.ceil(1000 * upper - 1e-9) / 10
    text = f"At most {percent:g} % of containers like these {margin.exceeded}"
    if percent >= 100:
        text = f"Nothing is shown of the share of containers that {margin.exceeded}"
        rest = "." if share is None else f"; {100 * share:g} % were allowed, so the stock is not shown to be even."
        out.append(text + rest)
    elif share is None:
        out.append(text + ".")
    elif upper <= share:
        out.append(f"{text}; up to {100 * share:g} % were allowed.")
    else:
        out.append(f"{text}; that is more than the {100 * share:g} % allowed, so the stock is not shown to be even.")
    return tuple(out)


def _pair_table(cells: CellBounds, found: Contrasts, margin: Margin, alpha: float, low: Array, high: Array) -> pd.DataFrame:
    """One row a pair, as told; limits hold wherever values known only within bounds lie, then without p."""
    within = p_within(found, margin.edge, side=margin.side)[0]
    beyond = p_beyond(found, margin.edge, depths=cells.k, side=margin.side)[0]
    if len(low):
        within, beyond = np.full(len(low), np.nan), np.full(len(low), np.nan)
    plain = intervals(found, 1 - 2 * alpha)
    lows, highs = (low, high) if len(low) else (plain[0][0], plain[1][0])
    rows = [{"pair": f"{b} - {a}", "estimate": margin.shown(found.estimate[0, i]), "low": margin.shown(lows[i]),
             "high": margin.shown(highs[i]), "df": found.df[0, i], "p_within": within[i], "p_beyond": beyond[i]}
            for i, (a, b) in enumerate(cells.pairs)]
    return pd.DataFrame(rows)


GROUP_COLUMNS = ["group", "containers", "pair", "estimate", "low", "high", "shown beyond"]


def group_table(cells: CellBounds, margin: Margin, alpha: float, beyond: NDArray[np.int8] | None = None) -> pd.DataFrame:
    """Every group of containers and pair of depths: estimate with its 1 - 2 alpha limits and where it lies.

    Columns: group, containers, pair, estimate, low, high, shown beyond. The scatter is that of the group's own containers,
    whatever the others': a group of two says little. A group of one has the limits of that container by its determinations
    (NaN where their scatter is not known), and "shown beyond" says whether ``beyond`` (n, K) shows that container there; of its
    group nothing is said. "Shown beyond" takes groups and pairs into
    account. Values known only within bounds, and readings rounded more coarsely than the group scatters: the limits and
    "shown beyond" hold wherever they lie; of limits the estimate is NaN. Empty without groups.
    """
    if cells.groups is None:
        return pd.DataFrame(columns=GROUP_COLUMNS)
    rows = []
    for g, name in enumerate(cells.group_names):
        mine = cells.groups[:, g] > 0
        told = _one_container(cells, mine, alpha, beyond) if mine.sum() == 1 else _one_group(cells, mine, margin, alpha)
        rows += [(name, int(mine.sum()), f"{b} - {a}", *map(margin.shown, part[:3]), bool(part[3]))
                 for (a, b), part in zip(cells.pairs, told, strict=True)]
    return pd.DataFrame(rows, columns=GROUP_COLUMNS)


Told = list[tuple[float, float, float, bool]]
"""Estimate, limits and whether shown beyond, of every pair."""


def _one_group(cells: CellBounds, mine: NDArray[np.bool_], margin: Margin, alpha: float) -> Told:
    """A group of two containers or more, by their own differences."""
    many, exact, own = len(cells.group_names), bool(cells.exact[mine].all()), cells.taken(mine)
    found = contrasts_in(own)
    rounded = bool(coarse(found, cells.step * cells.noise_part)[0])
    if exact and not rounded:
        beyond = p_beyond(found, margin.edge, depths=cells.k, side=margin.side)[0] * many < alpha
        ends = intervals(found, 1 - 2 * alpha)
        return list(zip(found.estimate[0], ends[0][0], ends[1][0], beyond.tolist(), strict=True))
    low, high = (own.outer_low, own.outer_high) if rounded else (own.low, own.high)
    spans = group_bounds(low, high, edge=margin.edge, alpha=alpha, step=cells.step, looked_at=many) if not margin.side else (
        group_between(*ends_of(own, rounded), margin, alpha=alpha, step=cells.step * cells.noise_part, looked_at=many))
    return [(e if exact else math.nan, *span) for e, span in zip(found.estimate[0], spans, strict=True)]


def _one_container(cells: CellBounds, mine: NDArray[np.bool_], alpha: float, beyond: NDArray[np.int8] | None) -> Told:
    """A group of one: what is known of that container; of the group nothing is."""
    shown = np.zeros(len(cells.pairs), dtype=bool) if beyond is None else beyond[mine][0] != 0
    d = middle_of(cells)[mine][0]
    noise = noise_of_one(cells, cells.noise_se)
    half = math.nan if noise is None else -float(special.stdtrit(cells.noise_df, alpha)) * noise
    return [(x, x - half, x + half, bool(s)) for x, s in zip(d, shown, strict=True)]


def judge_many(layout: pd.DataFrame, values: ArrayLike, *, margin: Mapping[str, float], depths: Sequence[object],
               alpha: float = 0.05, weights: Sequence[float] | None = None) -> NDArray[np.str_]:
    """The words for the mean of many studies of one layout, (S,).

    layout: one row a determination, columns container and depth; values (S, rows): in the analyte's unit, NaN where
    lost; margin, depths, alpha, weights as in ``judge``. BadInput names every fault at once. A study that ``judge`` refuses,
    as one of too few containers or depths with values, is "inconclusive" here.
    """
    container, depth, n, scale, y, shares = read_layout(layout, values, margin=margin, depths=depths, alpha=alpha,
                                                        weights=weights)
    k, out = len(depths), np.empty(len(y), dtype=np.int8)
    for begin in range(0, len(y), CHUNK):
        part = y[begin:begin + CHUNK]
        out[begin:begin + CHUNK] = _codes(part, container, depth, (n, k), scale, alpha, shares)
    return np.asarray(WORDS)[out]


def _codes(y: Array, container: NDArray[np.intp], depth: NDArray[np.intp], shape: tuple[int, int], margin: Margin,
           alpha: float, shares: Array) -> NDArray[np.int8]:
    cells = cell_means(container, depth, margin.to_scale(y), shape)
    if margin.side:
        own = departures_between(cells, cells, shares, margin)[0]
        own = beside_mixed(own + lift_of(own, shares, margin)[:, None, None])
        found = contrasts_of(own, mixed_rows(shape[1]))
    else:
        found = contrasts_of(cells)
    codes = word_codes(found, margin.edge, alpha, depths=shape[1], side=margin.side)
    for i in np.flatnonzero(maybe_rounded(y)):
        if coarse(found.taken(np.array([i])), _widest_step(y[i], margin) / COARSE)[0]:
            one = CellBounds.of_rows(container, depth, y[i], y[i], shape=shape, margin=margin,
                                     weights=np.tile(shares, (shape[0], 1)))
            codes[i] = WORDS.index(mean_of(one, margin, alpha, limits=False)[1])
    return codes


def _widest_step(y: Array, margin: Margin) -> float:
    """The largest rounding step of one study's values on the scale of the margin."""
    step, least = rounding_step(y), float(np.nanmin(y, initial=math.inf))
    if not margin.log or step == 0:
        return step
    return 2 * math.atanh(step / 2 / least) if step / 2 < least else math.inf


def maybe_rounded(y: Array) -> NDArray[np.bool_]:
    """Which studies can have a decimal step at all, by their first readings, (S,); see ``bounded.rounding_step``."""
    first = np.abs(np.where(np.isnan(y[:, :3]), 0.0, y[:, :3]))
    top = np.maximum(first.max(axis=1), 1e-300)
    step = 10.0 ** np.maximum(np.ceil(np.log10(top) - 7), -MOST_DECIMALS)
    steps = first / step[:, None]
    return np.asarray(np.all(np.abs(steps - np.rint(steps)) <= 1e-9 * steps, axis=1))
