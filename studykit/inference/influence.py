"""Does the verdict hang on one container? Leave-one-out, and what is left of a fit.

Works on any fit: the caller hands over a function that refits a part of the results and returns,
for each contrast (or analyte), its estimate, interval and verdict. Where differences between depths are judged by the
containers' own differences, ``without_each`` has them without each container in turn by subtraction, and nothing is refitted.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from studykit.core.errors import StudyKitError
from studykit.core.ties import sort_key
from studykit.inference.bounded import rounding_step
from studykit.inference.contrasts import Array, Contrasts, contrasts_of, pair_rows

Refit = Callable[[pd.DataFrame], pd.Series]
"""Results subset -> Series with at least estimate, low, high, verdict."""
Groups = Callable[[NDArray[np.intp]], Array | None]
"""Places of containers -> columns of the linear model of their profiles, one row each, or None."""
BATCH = 2_000_000
"""Readings that are held at once where tables with losses are judged without each container."""
DUST = 1e-12
"""Share of the largest reading that sums may leave where nothing scatters."""
FIELDS = ("estimate", "low", "high", "verdict")
WITHOUT_COLUMNS = ["left_out", *FIELDS, "shift", "changed", "note"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Influence:
    """The verdict with everything, and with each container left out in turn.

    table: one row per container (``WITHOUT_COLUMNS``); shift is the change of the estimate in units of half
    the width of the full interval. A refit that the data no longer carry has verdict 'not assessed'
    and its reason in note. of: how many containers there are, where only those furthest out were tried.
    """

    full: pd.Series
    table: pd.DataFrame
    of: int = 0

    @property
    def few(self) -> bool:
        """Whether not every container was tried."""
        return self.of > len(self.table)

    @property
    def decisive(self) -> tuple[str, ...]:
        """Containers without which the verdict would be another."""
        return tuple(str(c) for c in self.table.loc[self.table["changed"], "left_out"])

    def to_table(self) -> pd.DataFrame:
        """A copy of the table, largest shift first."""
        order = self.table["shift"].abs().sort_values(ascending=False, kind="stable", key=sort_key).index
        return self.table.loc[order].reset_index(drop=True)

    def sentence(self) -> str:
        """One plain sentence on whether the verdict hangs on one container."""
        n, word = len(self.table), str(self.full["verdict"])
        if not self.decisive:
            few = f" furthest out of {self.of:,}" if self.few else ""
            return f"The verdict '{word}' stays the same whichever of the {n} containers{few} is left out."
        others = sorted({str(v) for v in self.table.loc[self.table["changed"], "verdict"]})
        return (f"The verdict '{word}' depends on single containers: without {', '.join(self.decisive)} it would be "
                f"{' or '.join(others)}.")


def _refitted(refit: Refit, part: pd.DataFrame) -> dict[str, Any]:
    """The refit's fields, or 'not assessed' with the reason where the data cannot carry it."""
    try:
        got = refit(part)
    except (StudyKitError, ValueError, np.linalg.LinAlgError) as error:  # a numerical failure is a finding
        return {"estimate": np.nan, "low": np.nan, "high": np.nan, "verdict": "not assessed",
                "note": str(error).splitlines()[0]}
    lacking = [f for f in FIELDS if f not in got]
    if lacking:
        raise ValueError(f"refit must return a Series with {', '.join(FIELDS)}, but it lacks {', '.join(lacking)}")
    return {**{f: got[f] for f in FIELDS}, "note": ""}


def leave_one_out(results: pd.DataFrame, containers: Sequence[str], refit: Refit, *, column: str = "container",
                  known: Mapping[str, pd.Series] | None = None, of: int = 0) -> Influence:
    """Refit without each container in turn; ``results`` must hold the container's code in ``column``.

    ``known``: what the refit would return without a container, where that is known already; ``of``: see ``Influence``.
    """
    if column not in results:
        raise ValueError(f"results must have the column {column!r}, but has {', '.join(map(str, results.columns))}")
    unknown = sorted(set(containers) - set(results[column]))
    if unknown or not len(containers):
        raise ValueError(f"containers must be codes in results, but got {', '.join(unknown) or 'none'}")
    full = pd.Series(_refitted(refit, results))
    half = (float(full["high"]) - float(full["low"])) / 2
    rows = []
    for container in containers:
        had = (known or {}).get(container)
        got = _refitted(refit, results[results[column] != container]) if had is None else {**had, "note": ""}
        shift = (float(got["estimate"]) - float(full["estimate"])) / half if half > 0 else np.nan
        rows.append({"left_out": container, **got, "shift": shift, "changed": got["verdict"] != full["verdict"]})
    return Influence(full=full, table=pd.DataFrame(rows)[WITHOUT_COLUMNS], of=of)


def without_each(cells: ArrayLike, kinds: ArrayLike | None = None, groups: Groups | None = None,
                 of: NDArray[np.bool_] | None = None) -> Contrasts:
    """All pairs of depths without each container in turn, (n, K), as ``contrasts_of`` judges what is left.

    cells (n, k): cell means, NaN where lost; no rounding step. Nothing lost: by subtraction, at a cost
    linear in n; the sum of squares about the mean without container i is that about the mean of all less
    (d_i - mean)^2 n/(n - 1). Else studies of n - 1 containers, many at once: ``kinds`` (n,) codes containers with the same
    row in the linear model, and ``groups`` gives its columns for chosen containers, or None where they cannot be had: NaN.
    ``of`` (n,): the containers that are asked for, else all; the others may be NaN.
    """
    v = np.asarray(cells, dtype=float)
    if not np.isnan(v).any():
        return _subtracted(v)
    n, k = v.shape
    code, some = np.zeros(n, dtype=int) if kinds is None else np.asarray(kinds), max(1, BATCH // max(1, n * k * k))
    order, out = np.argsort(code, kind="stable"), np.full((4, n, k * (k - 1) // 2), np.nan)
    for kind in np.unique(code):
        mine = np.flatnonzero(code[order] == kind)
        columns = groups(np.delete(order, mine[0])) if groups else None
        mine = mine if of is None else mine[of[order[mine]]]
        for part in np.split(mine, range(some, len(mine), some)) if groups is None or columns is not None else ():
            left = np.stack([v[np.delete(order, at)] for at in part])
            out[:, order[part]] = contrasts_of(left, groups=columns).stacked()
    return Contrasts(estimate=out[0], se=out[1], df=out[2], unit_variance=out[3])


def _subtracted(v: Array) -> Contrasts:
    """``without_each`` where nothing is lost."""
    n, k = v.shape
    d = v @ pair_rows(k).T
    mean = d.mean(axis=0)
    off = d - mean
    square = np.maximum((off**2).sum(axis=0) - off**2 * (n / (n - 1)), 0.0)
    df = float(n - 2)
    se = np.sqrt(square / df / (n - 1)) if df else np.full(d.shape, np.nan)
    return Contrasts(estimate=mean - off / (n - 1), se=se, df=np.full(d.shape, df), unit_variance=np.full(d.shape, 1 / (n - 1)))


def steps_without(container: NDArray[np.intp], values: Array) -> NDArray[np.bool_]:
    """Whether the step in which values (rows,) were written stays the same without each container, by its code.

    It does without any container where each of two halves of them shows the step by itself; else every one is tried.
    """
    step, codes = rounding_step(values), np.unique(container)
    halves = [values[np.isin(container, codes[k::2])] for k in (0, 1)]
    if all(h.size and float(np.ptp(h)) > step and rounding_step(h) == step for h in halves):
        return np.ones(len(codes), dtype=bool)
    return np.array([rounding_step(values[container != c]) == step for c in codes])


def with_and_without(results: pd.DataFrame, excluded: pd.DataFrame, refit: Refit) -> pd.DataFrame:
    """The verdict with and without what a person took out: two rows, ``rows`` counting results.

    ``results``: everything that was reported; ``excluded``: rows that were taken out (columns sample,
    analyte, replicate).
    """
    keys = ["sample", "analyte", "replicate"]
    out = pd.MultiIndex.from_frame(results[keys]).isin(pd.MultiIndex.from_frame(excluded[keys]))
    parts = {"with the excluded results": results, "without them": results[~out]}
    rows = [{"results": words, "rows": len(part), **_refitted(refit, part)} for words, part in parts.items()]
    return pd.DataFrame(rows)


RESIDUAL_COLUMNS = ["container", "sample", "fitted", "residual", "standardised", "normal_score"]


def residual_table(residual: ArrayLike, fitted: ArrayLike, *, container: Sequence[str],
                   sample: Sequence[str] | None = None) -> pd.DataFrame:
    """Residuals of a fit with what a normal sample would show in their place.

    residual, fitted: 1-D, same length, scale of the analysis. standardised: divided by their standard
    deviation. normal_score: expected standard normal value of that rank (Blom 1958:
    (i - 3/8) / (n + 1/4)). Rows in the order given.
    """
    e, f = np.asarray(residual, dtype=float), np.asarray(fitted, dtype=float)
    if e.ndim != 1 or e.shape != f.shape or len(container) != e.size:
        raise ValueError(f"residual, fitted and container must be of one length, but got {e.shape}, {f.shape}, "
                         f"{len(container)}")
    if e.size < 3 or not np.all(np.isfinite(e)):
        raise ValueError("residual must hold three or more finite numbers")
    s = float(np.std(e, ddof=1))
    score = stats.norm.ppf((stats.rankdata(sort_key(e)) - 0.375) / (e.size + 0.25))
    return pd.DataFrame({"container": list(container), "sample": list(sample) if sample is not None else "",
                         "fitted": f, "residual": e, "standardised": e / s if s > 0 else 0.0 * e,
                         "normal_score": score})[RESIDUAL_COLUMNS]


@dataclass(frozen=True, slots=True, kw_only=True)
class ResidualCheck:
    """Two summaries of a residual table.

    normal_r: correlation of residuals with their normal scores (1 = straight line); normal_p: chance
    of so low a Shapiro-Wilk statistic from normal errors. scale_rho: Spearman's rank correlation of
    the size of residuals with the fitted level; scale_p: its p-value.
    """

    n: int
    normal_r: float
    normal_p: float
    scale_rho: float
    scale_p: float

    def to_table(self) -> pd.DataFrame:
        """One row a question."""
        rows = [("do residuals look like normal errors?", self.normal_r, self.normal_p),
                ("does their size change with the level?", self.scale_rho, self.scale_p)]
        return pd.DataFrame(rows, columns=["question", "correlation", "p"])


def check_residuals(table: pd.DataFrame) -> ResidualCheck:
    """Summaries of ``residual_table``: normality and scale against level (NaN where constant, but for the dust of sums)."""
    e, f = table["residual"].to_numpy(float), table["fitted"].to_numpy(float)
    constant_e, constant_f = (bool(np.ptp(v) <= DUST * np.abs(e + f).max()) for v in (e, f))
    r = np.nan if constant_e else float(np.corrcoef(e, table["normal_score"].to_numpy(float))[0, 1])
    p = np.nan if constant_e else float(stats.shapiro(e[:5000]).pvalue)
    rank = None if constant_e or constant_f else stats.spearmanr(sort_key(np.abs(e)), sort_key(f))
    return ResidualCheck(n=e.size, normal_r=r, normal_p=p, scale_rho=np.nan if rank is None else float(rank.statistic),
                         scale_p=np.nan if rank is None else float(rank.pvalue))
