"""Rows that agree to the last digit in more analytes than chance allows: one may be a copy of the other.

For every pair of determinations that agree exactly in three analytes or more, the chance of that is formed: in one
analyte two bottles agree with probability step / (2 sqrt(pi) sd), sd being their scatter at that level (twice that
is taken, since analytes go together), and no less than the share of other results that have this very value. Over
all choices of analytes and all pairs it must be rarer than ``CHANCE``. Any subset of the analytes may be copied.
Pairs are found by sorting on triples of analytes, so time grows with the number of rows, not of pairs.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pandas as pd
from scipy.special import gammaln

from studykit.quality.flags import CHANCE, CheckResult, Flag, shown

COLUMNS = ["sample", "other", "replicate", "other_replicate", "analytes", "which", "expected"]
SEEDS = 8
"""Triples are formed of this many analytes, the most finely reported ones."""
MOST = 200_000


def copied_rows(t: pd.DataFrame, steps: pd.DataFrame, scatter: dict[str, float]) -> CheckResult:
    """Pairs of determinations with too many equal values.

    t: working table without blanks and check fluids. steps: reporting steps. scatter: of a bottle, scale of y.
    """
    wide = t.pivot_table(index=["sample", "replicate", "run"], columns="analyte", values="value", aggfunc="first")
    if wide.shape[1] < 3 or len(wide) < 2:
        return CheckResult(rule="copied row", table=pd.DataFrame(columns=COLUMNS),
                           note="not assessed: fewer than three analytes, or too few results")
    codes, chance = _codes(wide, t, steps, scatter)
    pairs = _pairs(codes, chance)
    rows = [r for i, j in pairs if (r := _row(wide, codes, chance, int(i), int(j))) is not None]
    table = pd.DataFrame(rows, columns=COLUMNS)
    flags = tuple(
        Flag(rule="copied row", concern="stop and find out", where=f"samples {r['sample']} and {r['other']}",
             samples=(r["sample"], r["other"]), analyte="" if r["analytes"] == wide.shape[1] else r["which"],
             evidence=(f"agree to the last digit in {r['analytes']} of {wide.shape[1]} analytes (expected by chance: "
                       f"{shown(r['expected'], 1)} such pairs); one may be a copy of the other; to tell: both raw "
                       "printouts, second portions of both bottles"))
        for r in table.to_dict("records"))
    return CheckResult(rule="copied row", table=table, flags=flags)


def _codes(wide: pd.DataFrame, t: pd.DataFrame, steps: pd.DataFrame,
           scatter: dict[str, float]) -> tuple[np.ndarray, np.ndarray]:
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
        s = scatter.get(str(a), np.nan) * (np.abs(x[ok]) if relative[a] else 1.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            p = float(step.get(a, np.nan)) / (np.sqrt(np.pi) * s)
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
        _, key = np.unique(part[rows], axis=0, return_inverse=True)
        order = np.argsort(key.ravel(), kind="stable")
        same = np.flatnonzero(np.diff(key.ravel()[order]) == 0)
        found.append(np.column_stack([rows[order[same]], rows[order[same + 1]]]))
    pairs = np.concatenate(found) if found else np.zeros((0, 2), dtype=np.int64)
    return np.unique(np.sort(pairs, axis=1), axis=0)[:MOST]


def _row(wide: pd.DataFrame, codes: np.ndarray, chance: np.ndarray, i: int, j: int) -> tuple[object, ...] | None:
    same = (codes[i] == codes[j]) & (codes[i] >= 0)
    n, k, m = len(wide), codes.shape[1], int(same.sum())
    ways = gammaln(k + 1) - gammaln(m + 1) - gammaln(k - m + 1)
    log_expected = float(np.log(chance[i][same]).sum() + ways + np.log(n * (n - 1) / 2))
    if log_expected >= np.log(CHANCE):
        return None
    (a, ra, _), (b, rb, _) = wide.index[i], wide.index[j]
    which = ", ".join(str(c) for c in wide.columns[same])
    return a, b, ra, rb, m, which, float(np.exp(max(log_expected, -700.0)))
