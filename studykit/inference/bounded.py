"""Words that no admissible filling of values known only within bounds contradicts.

Every reading lies between two bounds ("<2": 0 to 2; rounded to a step h: value - h/2 to value + h/2). For one
contrast of depths the limit of its one-sided interval, w'y + c sqrt(y'Qy), is convex in the readings (linear plus
a seminorm), so its largest value over the box lies at a corner. Corners number 2^r; the bound used here is proven
instead: with y = y0 + E x, x in [0, 1]^r, and at corners x_i^2 = x_i, the convex x'Hx is replaced by the concave
x'(H - L)x + L'x (L diagonal, L - H positive semidefinite), equal at every corner. The relaxed problem is concave;
any point x with gradient g proves the bound F(x) + sum_i max(g_i (1 - x_i), -g_i x_i). Branching on the least
decided reading closes what gap is left, up to a number of nodes.

A word stands only where the proven bound keeps it; "attained" is a filling's own value, so a contradiction that is
reported is a real one. Units: those of the values (natural logs for ratios; "<" with lower bound 0 is then minus
infinity, its ratios unbounded, and no word about that pair can be proven).
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import count

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special

from studykit.core.memory import remembered
from studykit.inference.contrasts import (
    Array,
    centring,
    common_mean,
    contrasts_of,
    family,
    inverse_root,
    mix_weights,
    pair_rows,
    union_p,
)
from studykit.inference.margin import Interval, Margin
from studykit.inference.wide import MANY, Form, linked_form, mean_form, own_form

NODES = 60
COARSE = 0.7
"""Where the SD of containers' differences is below this share of the rounding step, rounding is a bound, not noise."""
MOST_DECIMALS = 8
SWITCHES = 600
"""Readings switched one at a time, at most, in search of a worse filling."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Extreme:
    """Largest value of w'y + c sqrt(y'Qy) over the box: proven upper bound, and a value that a filling attains."""

    bound: float
    attained: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Linear:
    """One contrast: estimate w'y, variance y'Qy, on ``df``; y (r,) between ``low`` and ``high``.

    ``unit``: variance of the estimate were every container's contrast to have variance 1.
    """

    weights: Array
    form: Array | Form
    df: float
    unit: float
    low: Array
    high: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class BoundedVerdict:
    """The word that holds wherever the values lie, with an interval of each pair that holds so too.

    ``low``, ``high``: one a pair, on the scale of analysis, of ``level`` or more whatever the filling.
    ``contradicted``: some filling was found that gives another word than one asked for.
    """

    word: str
    reason: str
    labels: tuple[str, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    level: float
    contradicted: bool
    bounded: int
    cells: int

    def interval(self, label: str) -> Interval:
        """The interval of one pair."""
        i = self.labels.index(label)
        return Interval(low=self.low[i], high=self.high[i], level=self.level)

    def to_table(self) -> pd.DataFrame:
        """One row a pair: contrast, low, high (scale of analysis)."""
        return pd.DataFrame({"contrast": self.labels, "low": self.low, "high": self.high})


def rounding_step(values: ArrayLike, written: float | None = None) -> float:
    """The step in which numbers were written down: the largest of which all are multiples; 0 where none is seen.

    ``written``: the decimal step, where the texts are known, whose zeros behind the point then count. With one number
    alone the decimal step (1, 0.1, 0.01 ...) stands: 1000 everywhere does not say that nothing between 0 and 1000 is
    ever reported. None is seen in numbers with more than eight decimals, or finer than a ten-millionth of the largest.
    """
    v = np.asarray(values, dtype=float)
    v = v[np.isfinite(v)]
    step = _decimal_step(np.abs(v)) if written is None else written
    if step == 0 or not v.size or np.ptp(v) < step / 2 or np.abs(v).max() > 1e15 * step:
        return step
    grid = int(np.gcd.reduce(np.rint(np.abs(v) / step).astype(np.int64)))
    while written is not None and step < 1 and grid % 10 == 0:  # 10.0 and 11.0: the zeros were written
        grid //= 10
    return step * grid


def _decimal_step(v: Array) -> float:
    if not v.size:
        return 0.0
    top = float(v.max())
    for decimals in range(MOST_DECIMALS + 1):
        step = 10.0**-decimals
        if step < 1e-7 * top:
            return 0.0
        steps = np.asarray(v / step)
        if np.all(np.abs(steps - np.rint(steps)) <= 1e-9 * steps):
            return step
    return 0.0


def largest(pair: Linear, c: float, floor: float = 0.0, sign: float = 1.0, enough: float = np.inf,
            nodes: int = NODES) -> Extreme:
    """Largest sign * w'y + c * max(sqrt(y'Qy), floor); stops early once the answer against ``enough`` is known."""
    w = sign * pair.weights
    wide = isinstance(pair.form, Form)
    used = (np.abs(w) > 0) | ((pair.form.diagonal() if isinstance(pair.form, Form) else np.abs(pair.form).sum(axis=0)) > 0)
    if not (np.isfinite(pair.low[used]).all() and np.isfinite(pair.high[used]).all()):
        return Extreme(bound=np.inf, attained=np.inf)
    start, width = pair.low[used], (pair.high - pair.low)[used]
    Q = pair.form.of(np.flatnonzero(used)) if isinstance(pair.form, Form) else pair.form[np.ix_(used, used)]
    w = w[used]
    free = np.flatnonzero(width > 0)
    flat = float(w @ start) + float(np.maximum(w * width, 0).sum()) + c * floor
    if flat >= enough:
        return Extreme(bound=np.inf, attained=flat)
    if len(free) == 0:
        value = max(flat, float(w @ start) + c * math.sqrt(max(float(start @ Q @ start), 0.0)))
        return Extreme(bound=value, attained=value)
    found = _branch(_Corner.of(w, Q, start, width, free, c), flat, enough, min(nodes, 4) if wide else nodes)
    return Extreme(bound=max(found.bound, flat), attained=max(found.attained, flat))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Corner:
    """F(x) = a + b'x + c sqrt(p + l'x + x'Hx) over x in [0, 1]^r, and its concave majorant."""

    a: float
    b: Array
    c: float
    p: float
    l: Array  # noqa: E741
    H: Array | Form
    L: Array
    tiny: float

    @classmethod
    def of(cls, w: Array, Q: Array | Form, y0: Array, width: Array, free: NDArray[np.intp], c: float) -> _Corner:
        """The problem in the readings that are free to move."""
        E = width[free]
        if isinstance(Q, Form):
            return cls._of_many(w, Q, y0, E, free, c)
        H, p, l = Q[np.ix_(free, free)] * E[:, None] * E, float(y0 @ Q @ y0), 2 * (Q @ y0)[free] * E  # noqa: E741
        d = np.asarray(np.sqrt(np.maximum(np.diag(H), 1e-300)))
        top = float(np.linalg.eigvalsh(H / d[:, None] / d)[-1])
        tiny = 1e-14 * max(p + float(np.abs(l).sum() + np.abs(H).sum()), 1e-300)
        return cls(a=float(w @ y0), b=w[free] * E, c=c, p=p, l=l, H=H, L=max(top, 1.0) * (1 + 1e-12) * d**2, tiny=tiny)

    @classmethod
    def _of_many(cls, w: Array, Q: Form, y0: Array, E: Array, free: NDArray[np.intp], c: float) -> _Corner:
        """As ``of``, without a matrix of readings x readings; L is a little larger, as its factor is a bound."""
        H, l = Q.of(free, E), 2 * (Q @ y0)[free] * E  # noqa: E741
        d, p = np.asarray(np.sqrt(np.maximum(H.diagonal(), 1e-300))), float(y0 @ (Q @ y0))
        tiny = 1e-14 * max(p + float(np.abs(l).sum() + d.sum() ** 2), 1e-300)
        top = H.of(np.arange(d.size), 1 / d).top()
        return cls(a=float(w @ y0), b=w[free] * E, c=c, p=p, l=l, H=H, L=max(top, 1.0) * (1 + 1e-12) * d**2, tiny=tiny)

    @property
    def own(self) -> Array:
        """The diagonal of H."""
        return self.H.diagonal() if isinstance(self.H, Form) else np.diag(self.H)

    def value(self, x: Array) -> float:
        """F at x."""
        return self.a + float(self.b @ x) + self.c * math.sqrt(max(self.p + float(self.l @ x + x @ self.H @ x), 0.0))

    def relaxed(self, x: Array) -> tuple[float, Array]:
        """The concave majorant at x and its gradient."""
        inside = self.p + float((self.l + self.L) @ x + x @ self.H @ x - x @ (self.L * x))
        root = math.sqrt(max(inside, 0.0) + self.tiny)
        slope = (self.l + self.L + 2 * (self.H @ x - self.L * x)) / (2 * root)
        return float(self.a + self.b @ x + self.c * root), np.asarray(self.b + self.c * slope)

    def bound(self, low: Array, high: Array) -> tuple[float, Array]:
        """Proven bound of the relaxed problem over low <= x <= high, and the point that proves it."""
        def negative(x: Array) -> tuple[float, Array]:
            f, g = self.relaxed(x)
            return -f, -g

        found = optimize.minimize(negative, (low + high) / 2, jac=True, method="L-BFGS-B",
                                  bounds=list(zip(low, high, strict=True)),
                                  options={"maxiter": 500, "ftol": 1e-15, "gtol": 1e-12})
        x = np.clip(found.x, low, high)
        f, g = self.relaxed(x)
        return f + float(np.maximum(g * (high - x), g * (low - x)).sum()), x

    def climb(self, x: Array) -> float:
        """Best corner reached from a rounded point by switching one reading at a time."""
        x = np.round(x)
        best, own = self.value(x), self.own
        for _ in range(min(4 * len(x), SWITCHES)):
            q, s = self.p + self.l @ x + x @ self.H @ x, 1 - 2 * x
            after = q + s * (self.l + 2 * (self.H @ x)) + own
            values = self.a + self.b @ x + s * self.b + self.c * np.sqrt(np.maximum(after, 0.0))
            i = int(np.argmax(values))
            if values[i] <= best + 1e-13 * (1 + abs(best)):
                break
            x[i] = 1 - x[i]
            best = float(values[i])
        return max(best, self.value(x))


def _branch(problem: _Corner, lower: float, enough: float, nodes: int) -> Extreme:
    ticket = count()
    zero, one = np.zeros(len(problem.b)), np.ones(len(problem.b))
    best = max(lower, problem.climb(zero), problem.climb(one))
    if best >= enough:
        return Extreme(bound=np.inf, attained=best)
    bound, x = problem.bound(zero, one)
    best = max(best, problem.climb(x))
    heap = [(-bound, next(ticket), zero, one, x)]
    for _ in range(nodes):
        top = -heap[0][0]
        if top - best <= 1e-9 * (1 + abs(best)) or (np.isfinite(enough) and (best >= enough or top < enough)):
            break
        _, _, low, high, x = heapq.heappop(heap)
        undecided = high > low
        if not undecided.any():
            heapq.heappush(heap, (-best, next(ticket), low, high, x))
            break
        i = int(np.argmax(np.where(undecided, np.minimum(x, 1 - x) * problem.L + 1e-12, -1.0)))
        for side in (0.0, 1.0):
            lo, hi = low.copy(), high.copy()
            lo[i] = hi[i] = side
            part, at = problem.bound(lo, hi)
            best = max(best, problem.climb(at))
            heapq.heappush(heap, (-min(part, top), next(ticket), lo, hi, at))
    return Extreme(bound=max(-heap[0][0], best), attained=best)


def linear_forms(low: Array, high: Array, groups: Array | None = None) -> list[Linear | None]:
    """Every pair of depths of one study as a linear form of its readings; None where it cannot be judged.

    low, high (n, k): bounds of the cells, NaN where lost. The forms are those of ``contrasts.contrasts_of``.
    """
    n, k = low.shape
    Z = np.ones((n, 1)) if groups is None else np.asarray(groups, dtype=float)
    lost = np.isnan(low) | np.isnan(high)
    pattern = np.where(lost, np.nan, 0.0)
    found = contrasts_of(pattern[None], groups=groups)
    out: list[Linear | None] = []
    for p, row in enumerate(pair_rows(k)):
        if not found.judged[0, p]:
            out.append(None)
            continue
        i, j = int(row.argmin()), int(row.argmax())
        both = ~(lost[:, i] | lost[:, j])
        df, unit = float(found.df[0, p]), float(found.unit_variance[0, p])
        own = _own_form(low[:, [i, j]], high[:, [i, j]], both, Z)
        same = own is not None and abs(own.df - df) < 1e-9 and abs(own.unit - unit) < 1e-9
        out.append(own if same else _linked_form(low, high, ~lost, row, Z, df, unit))
    return out


def _own_form(low: Array, high: Array, both: NDArray[np.bool_], Z: Array) -> Linear | None:
    """By the containers that have both depths, weighed to the mix of all; low, high (n, 2)."""
    weights, judged = mix_weights(both[None, :, None], Z)
    if not judged[0, 0]:
        return None
    w, low, high = weights[0, both, 0], low[both], high[both]
    unit = float(w @ w)
    if len(w) > MANY:
        form, df = own_form(w)
        return Linear(weights=w, form=form, df=df, unit=unit, low=low[:, 1] - high[:, 0], high=high[:, 1] - low[:, 0])
    u = (np.eye(len(w)) - w) * (w / np.sqrt(1 + unit - 2 * w))[:, None]
    omega = u @ u.T
    return Linear(weights=w, form=u.T @ u, df=float(np.trace(omega) ** 2 / (omega**2).sum()), unit=unit,
                  low=low[:, 1] - high[:, 0], high=high[:, 1] - low[:, 0])


def _linked_form(low: Array, high: Array, ok: NDArray[np.bool_], row: Array, Z: Array, df: float, unit: float) -> Linear:
    """Least squares within containers with the CR2 variance, as rows over the readings that are there."""
    n, k = ok.shape
    if n > MANY:
        cells = np.flatnonzero(ok.ravel())
        weights, form = linked_form(ok, row, Z)
        return Linear(weights=weights, form=form, df=df, unit=unit, low=low.ravel()[cells], high=high.ravel()[cells])
    q, a = Z.shape[1], Z.mean(axis=0)
    M = centring(ok[None])[0]
    X = np.concatenate([np.hstack([Z[i, b] * np.eye(k) for b in range(q)]) for i in range(n)])
    big = np.zeros((n * k, n * k))
    for i in range(n):
        big[i * k:(i + 1) * k, i * k:(i + 1) * k] = M[i]
    inverse = np.linalg.pinv(X.T @ big @ X, rcond=1e-9, hermitian=True)
    solve, common = inverse @ X.T @ big, common_mean(inverse, Z)
    spread = common + common.T - common @ X.T @ big @ X @ common.T
    resid = big @ (np.eye(n * k) - X @ common @ X.T @ big)
    load = np.concatenate([a[b] * row for b in range(q)])
    u = np.zeros((n, n * k))
    for i in range(n):
        Xi = X[i * k:(i + 1) * k]
        root = inverse_root((M[i] - M[i] @ Xi @ spread @ Xi.T @ M[i])[None])[0]
        u[i] = (load @ inverse @ Xi.T @ M[i] @ root) @ resid[i * k:(i + 1) * k]
    cells = np.flatnonzero(ok.ravel())
    return Linear(weights=(load @ solve)[cells], form=u[:, cells].T @ u[:, cells], df=df, unit=unit,
                  low=low.ravel()[cells], high=high.ravel()[cells])


@remembered
def judge_bounds(low: ArrayLike, high: ArrayLike, margin: Margin, labels: Sequence[str], *, alpha: float = 0.05,
                 groups: ArrayLike | None = None, step: float = 0.0, level: float = 0.95,
                 limits: bool = True) -> BoundedVerdict:
    """The word that every filling between low and high (n, k) gives, or inconclusive with the reason.

    low, high: bounds of the cell means on the scale of the margin (equal where a value is known, NaN where lost,
    minus infinity for "<" on the log scale, plus infinity for ">"). step: floor of scatter, as in
    ``contrasts_of``. limits: False for the word alone; every pair then has the limits of nothing known.
    """
    lo, hi = np.asarray(low, dtype=float), np.asarray(high, dtype=float)
    if lo.shape != hi.shape or lo.ndim != 2 or lo.shape[1] != len(labels):
        raise ValueError(f"low and high must be containers x {len(labels)} depths, but got {lo.shape} and {hi.shape}")
    if np.any(lo > hi):
        raise ValueError("low must not be above high")
    forms = linear_forms(lo, hi, None if groups is None else np.asarray(groups, dtype=float))
    names = tuple(f"{labels[int(r.argmax())]} - {labels[int(r.argmin())]}" for r in pair_rows(len(labels)))
    spans = [limits_of(f if limits else None, step, level) for f in forms]
    within, against = _homogeneous(forms, margin.edge, alpha, step)
    word = "homogeneous" if within else "stratified" if _stratified(forms, margin.edge, alpha, step, len(labels)) else (
        "inconclusive")
    bounded, cells = int(np.sum(hi > lo)), int(np.sum(~np.isnan(lo)))
    return BoundedVerdict(word=word, reason=reason_of(word, bounded, cells, _endless(lo, hi, margin)),
                          labels=names, low=tuple(s[0] for s in spans), high=tuple(s[1] for s in spans), level=level,
                          contradicted=against and word == "inconclusive", bounded=bounded, cells=cells)


def _endless(low: Array, high: Array, margin: Margin) -> str:
    """What follows where some values have no end on the scale of the margin; '' where all have."""
    if not (np.isinf(low).any() or np.isinf(high).any()):
        return ""
    return ("as ratios they could be anything" if margin.log else
            "a value below or above the end of the method's range could lie anywhere beyond it")


def reason_of(word: str, bounded: int, cells: int, endless: str, what: str = "means of a container at a depth") -> str:
    """Why a word holds, or none does, wherever values lie that are known only within bounds."""
    text = f"{bounded} of {cells} {what} {'is' if bounded == 1 else 'are'} known only within bounds"
    if word != "inconclusive":
        return f"{text}; wherever between them they lie, the verdict is {word}."
    if endless:
        return f"{text}, and some have no end on the scale of the margin: {endless}."
    return f"{text}, and no verdict holds wherever between them they lie."


def limits_of(f: Linear | None, step: float, level: float) -> tuple[float, float]:
    """Limits of a form that hold wherever its readings lie; infinite where it cannot be judged."""
    if f is None:
        return -math.inf, math.inf
    c, floor = t_of(f.df, (1 + level) / 2), _floor(f, step)
    return -largest(f, c, floor, -1.0, nodes=1).bound, largest(f, c, floor, 1.0, nodes=1).bound


def t_of(df: float, level: float) -> float:
    """Student's t."""
    return float(special.stdtrit(df, level))


def _floor(f: Linear, step: float) -> float:
    return step * math.sqrt(f.unit / 6.0)


def _homogeneous(forms: list[Linear | None], edge: float, alpha: float, step: float) -> tuple[bool, bool]:
    """Whether every pair stays within in every filling, and whether a filling was found in which one does not."""
    proven, against = True, False
    for f in forms:
        if f is None:
            return False, False
        for sign in (1.0, -1.0):
            found = largest(f, t_of(f.df, 1 - alpha), _floor(f, step), sign, enough=edge)
            proven &= found.bound < edge
            against |= found.attained >= edge
    return proven, against


def _stratified(forms: list[Linear | None], edge: float, alpha: float, step: float, k: int) -> bool:
    """True where ONE pair, on one side, is shown beyond in every filling (sufficient, and sound)."""
    return any(_beyond(f, edge, alpha, step, k) for f in forms)


def _beyond(f: Linear | None, edge: float, alpha: float, step: float, k: int) -> bool:
    """Whether this pair is shown beyond, on one side, in every filling."""
    if f is None or not (np.isfinite(f.low).all() and np.isfinite(f.high).all()):
        return False
    sign = 1.0 if float(f.weights @ (f.low + f.high) / 2) > 0 else -1.0
    if float(np.minimum(sign * f.weights * f.low, sign * f.weights * f.high).sum()) <= edge:
        return False  # some filling has the difference itself within the margin
    still = Linear(weights=0 * f.weights, form=f.form, df=f.df, unit=f.unit, low=f.low, high=f.high)
    c = critical_beyond(k, f.df, edge, max(largest(still, 1.0).bound, _floor(f, step)), alpha)
    return largest(f, c, _floor(f, step), -sign, enough=-edge).bound < -edge


def group_bounds(low: Array, high: Array, *, edge: float, alpha: float, step: float,
                 looked_at: int) -> list[tuple[float, float, bool]]:
    """One group's 1 - 2 alpha limits of every pair from its own containers, and whether it is shown beyond, in every filling.

    ``looked_at``: how many groups share alpha for "shown beyond".
    """
    forms = linear_forms(low, high)
    return [(*limits_of(f, step, 1 - 2 * alpha), _beyond(f, edge, alpha / looked_at, step, low.shape[1])) for f in forms]


def critical_beyond(k: int, df: float, edge: float, se: float, alpha: float) -> float:
    """Standard errors by which a difference must pass the edge to be shown beyond; it grows with the standard error."""
    if se <= 0:
        return 0.0

    def gap(c: float) -> float:
        size = edge + c * se
        return float(union_p(lambda x: np.asarray(special.stdtr(df, -(size + x) / se)), edge,
                             family(k * (k - 1) // 2, k))) - alpha

    return float(optimize.brentq(gap, 0.0, 1e7, xtol=1e-9))


def mean_hull(least: Array, most: Array, level: float, width: float) -> tuple[float, float]:
    """Least and most of mean -/+ t sd ``width`` over all numbers between the ends of n >= 2 values."""
    n = len(least)
    box = Linear(weights=np.full(n, 1 / n), form=mean_form(n), df=float(n - 1), unit=1 / n, low=least, high=most)
    reach = -float(special.stdtrit(n - 1, (1 - level) / 2)) * width
    low, high = (sign * largest(box, reach, sign=sign).bound for sign in (-1.0, 1.0))
    return low, high
