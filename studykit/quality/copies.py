"""Rows that agree to the last digit in more analytes than chance allows: one may be a copy of the other.

For every pair of determinations that agree exactly in three analytes or more, the chance of that is formed: in one
analyte two bottles agree with probability step / (2 sqrt(pi) sd), sd being their scatter at that level, and no less
than the share of other results that have this very value; analytes that go together agree more often, by one over
the root of the determinant of their correlation. Over all choices of analytes and all pairs it must be rarer than
``CHANCE``. Any subset of the analytes may be copied; further determinations that agree count too.
Pairs are found by sorting on triples of analytes, so time grows with the number of rows, not of pairs.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import gammaln

from studykit.quality.flags import CHANCE, CheckResult, Flag, shown

COLUMNS = ["sample", "other", "replicate", "other_replicate", "analytes", "which", "expected",
           "determinations"]
TAILS = 1.2
"""Heavy tails make equal results commoner than normal ones of the same spread (Student's t of 5: 1.2 times)."""
SEEDS = 8
"""Triples are formed of this many analytes, the most finely reported ones."""
MOST = 200_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Chances:
    """What agreement by chance rests on: scatter of a bottle by analyte (scale of y), and how analytes go together.

    own: what bottles of this study scatter about container and depth (empty: not known). together: correlation of
    those departures (rows and columns: analytes; empty: not known, then every chance is doubled).
    """

    scatter: Mapping[str, float]
    own: Mapping[str, float] = field(default_factory=dict)
    together: pd.DataFrame = field(default_factory=pd.DataFrame)

    def s(self, analyte: str) -> float:
        """Scatter that an agreement is held against: the study's own, and never less than half of what judges."""
        return max(0.5 * self.scatter.get(analyte, np.nan), self.own.get(analyte, 0.0))

    def dependence(self, analytes: list[str]) -> float:
        """Logarithm of the factor by which the analytes together agree more often than each by itself."""
        if not set(analytes) <= set(self.together):
            return len(analytes) * float(np.log(2.0))
        sign, logdet = np.linalg.slogdet(self.together.loc[analytes, analytes].to_numpy(float))
        return float(-logdet / 2) if sign > 0 and np.isfinite(logdet) else len(analytes) * float(np.log(2.0))


def copied_rows(t: pd.DataFrame, steps: pd.DataFrame, chances: Chances) -> CheckResult:
    """Pairs of bottles with too many equal values, all their determinations taken together.

    t: working table without blanks and check fluids. steps: reporting steps. chances: what chance rests on.
    """
    wide = t.pivot_table(index=["sample", "replicate", "run"], columns="analyte", values="value", aggfunc="first")
    if wide.shape[1] < 3 or len(wide) < 2:
        return CheckResult(rule="copied row", table=pd.DataFrame(columns=COLUMNS),
                           note="not assessed: fewer than three analytes, or too few results")
    codes, chance = _codes(wide, t, steps, chances)
    groups: dict[tuple[str, str], list[tuple[int, int]]] = {}
    samples = wide.index.get_level_values("sample")
    names = [str(c) for c in wide.columns]
    for i, j in _telling(_pairs(codes, chance), pd.factorize(samples)[0], codes, chance, names, chances):
        groups.setdefault((samples[i], samples[j]), []).append((int(i), int(j)))
    rows = [r for pairs in groups.values() if (r := _row(wide, codes, chance, pairs, chances)) is not None]
    table = pd.DataFrame(rows, columns=COLUMNS)
    flags = tuple(
        Flag(rule="copied row", analyte="" if r["analytes"] == wide.shape[1] else r["which"], **_told(r),
             evidence=(f"agree to the last digit in {r['analytes']} of {wide.shape[1]} analytes"
                       f"{', in each of ' + str(r['determinations']) + ' determinations' if r['determinations'] > 1 else ''} "
                       f"(expected by chance: {shown(r['expected'], 1)} such pairs); " + _MEANS[r["sample"] == r["other"]]))
        for r in table.to_dict("records"))
    return CheckResult(rule="copied row", table=table, flags=flags)


_MEANS = {False: "one may be a copy of the other; to tell: both raw printouts, second portions of both bottles",
          True: "was the second one measured, or is it a copy of the first? To tell: the raw printouts of both"}


def _told(r: Mapping[Any, Any]) -> dict[str, Any]:
    """Concern and place of a pair; two determinations of one bottle put nothing in a wrong place, so they are asked about."""
    one, other = r["sample"], r["other"]
    if one == other:
        return {"concern": "ask before trusting", "where": f"sample {one}", "samples": (one,)}
    return {"concern": "stop and find out", "where": f"samples {one} and {other}", "samples": (one, other)}


def _codes(wide: pd.DataFrame, t: pd.DataFrame, steps: pd.DataFrame,
           chances: Chances) -> tuple[np.ndarray, np.ndarray]:
    """Integer code of each value (-1: none), and the chance that another bottle reads just so (n x A)."""
    step = steps.groupby("analyte")["step"].max()
    relative = t.groupby("analyte")["relative"].first()
    codes = np.full(wide.shape, -1, dtype=np.int64)
    chance = np.ones(wide.shape)
    for k, a in enumerate(wide.columns):
        x = wide[a].to_numpy(float)
        ok = np.isfinite(x)
        _, code, count = np.unique(np.round(x[ok], 10), return_inverse=True, return_counts=True)
        codes[ok, k] = code
        s = chances.s(str(a)) * (np.abs(x[ok]) if relative[a] else 1.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            p = TAILS * float(step.get(a, np.nan)) / (2 * np.sqrt(np.pi) * s)
        p = np.where(np.isfinite(p), np.maximum(p, 1e-9), 1.0)
        chance[ok, k] = np.minimum(1.0, np.maximum(p, (count[code] - 2) / max(1, len(code) - 1)))
    return codes, chance


def _pairs(codes: np.ndarray, chance: np.ndarray) -> np.ndarray:
    """Pairs of rows that agree in at least three of the finest analytes (m x 2)."""
    fine = np.argsort(np.median(chance, axis=0), kind="stable")[:SEEDS]
    found: list[np.ndarray] = []
    for triple in combinations(fine, 3):
        part = codes[:, list(triple)]
        rows = np.flatnonzero((part >= 0).all(axis=1))
        sizes = part.max(axis=0) + 1
        key = (part[rows, 0] * sizes[1] + part[rows, 1]) * sizes[2] + part[rows, 2]
        order = np.argsort(key, kind="stable")
        same = np.flatnonzero(np.diff(key[order]) == 0)
        found.append(np.column_stack([rows[order[same]], rows[order[same + 1]]]))
    pairs = np.sort(np.concatenate(found), axis=1)
    return np.column_stack(np.divmod(np.unique(pairs[:, 0] * len(codes) + pairs[:, 1])[:MOST], len(codes)))


def _telling(pairs: np.ndarray, sample: np.ndarray, codes: np.ndarray, chance: np.ndarray, names: list[str],
             chances: Chances) -> np.ndarray:
    """Those pairs of rows that chance may not allow, or whose two bottles agree in several of their rows."""
    if not len(pairs):
        return pairs
    i, j = pairs.T
    same = (codes[i] == codes[j]) & (codes[i] >= 0)
    kinds, kind = np.unique(same, axis=0, return_inverse=True)
    apart = np.array([chances.dependence([n for n, used in zip(names, mask, strict=True) if used]) for mask in kinds])
    m, k, n = same.sum(axis=1), codes.shape[1], len(codes)
    ways = gammaln(k + 1) - gammaln(m + 1) - gammaln(k - m + 1)
    expected = np.where(same, np.log(chance[i]), 0.0).sum(axis=1) + ways + np.log(n * (n - 1) / 2) + apart[kind.ravel()]
    _, bottles, count = np.unique(sample[i] * n + sample[j], return_inverse=True, return_counts=True)
    return np.asarray(pairs[(expected < np.log(CHANCE) + 1e-6) | (count[bottles] > 1)])


def _row(wide: pd.DataFrame, codes: np.ndarray, chance: np.ndarray, pairs: list[tuple[int, int]],
         chances: Chances) -> tuple[object, ...] | None:
    """The pair of bottles as a row, or None where chance allows it. ``pairs``: their determinations that agree.

    The best pair counts with all choices of analytes; each further determination only with analytes that agree there,
    and at twice the chance: what two bottles share agrees again by itself.
    """
    n, k = len(wide), codes.shape[1]
    same = [(codes[i] == codes[j]) & (codes[i] >= 0) for i, j in pairs]
    first = max(range(len(pairs)), key=lambda p: int(same[p].sum()))
    i, j = pairs[first]
    m = int(same[first].sum())
    names = [str(c) for c in wide.columns[same[first]]]
    ways = float(gammaln(k + 1) - gammaln(m + 1) - gammaln(k - m + 1))
    expected = float(np.log(chance[i][same[first]]).sum() + ways + np.log(n * (n - 1) / 2) + chances.dependence(names))
    used, count = {i, j}, 1
    for (one, other), mask in zip(pairs, same, strict=True):
        both = mask & same[first]
        if not {one, other} & used and both.sum() >= 3:
            used, count = used | {one, other}, count + 1
            expected += float(np.log(np.minimum(1.0, 2 * chance[one][both])).sum())
    if expected >= np.log(CHANCE):
        return None
    (a, ra, _), (b, rb, _) = wide.index[i], wide.index[j]
    return a, b, ra, rb, m, ", ".join(names), float(np.exp(max(expected, -700.0))), count
