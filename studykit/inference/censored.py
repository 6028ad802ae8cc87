"""Results below quantification: the verdict at the extremes they allow, never a replacement.

"<2" means somewhere from 0 to 2. The verdict is worked out with such values at the ends of what they
can be, arranged so that depths are driven together and apart and so that scatter is made small and
large. If every arrangement gives one word, that word stands and it is said why; if not, the verdict
is inconclusive for that reason. With more than half of the results below quantification nothing is
assessed. A result above a limit (">10000") has no upper end, so it is not bounded.

On the log scale (margins in per cent) zero has no logarithm: a thousandth of the limit stands for it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from studykit.core.errors import DesignMismatch, ModelNotTrusted

Array = NDArray[np.float64]
MOST_CENSORED = 0.5
NEAR_ZERO = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrangement:
    """One way the values below quantification may lie, with all values filled in (order of the input)."""

    name: str
    values: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class BoundedVerdict:
    """The word over all arrangements: one of the four verdict words, the reason, and each arrangement's word."""

    word: str
    reason: str
    censored: int
    n: int
    words: tuple[tuple[str, str], ...]

    def to_table(self) -> pd.DataFrame:
        """One row an arrangement."""
        return pd.DataFrame(list(self.words), columns=["values below quantification", "verdict"])


def _check(values: Array, qualifiers: Sequence[str], limits: Array, depths: Sequence[str]) -> None:
    n = len(values)
    if not len(qualifiers) == len(limits) == len(depths) == n:
        raise ValueError(f"qualifiers, limits and depths must have {n} entries, but got {len(qualifiers)}, "
                         f"{len(limits)}, {len(depths)}")
    unknown = sorted(set(qualifiers) - {"", "<", ">"})
    if unknown:
        raise ValueError(f"qualifiers must be '', '<' or '>', but got {unknown}")
    below = np.array([q == "<" for q in qualifiers])
    if not np.all(limits[below] > 0):
        raise ValueError("limits must be above 0 where the qualifier is '<'")
    plain = np.array([q == "" for q in qualifiers])
    if not np.all(np.isfinite(values[plain])):
        raise ValueError("values must be finite where there is no qualifier")


def arrangements(values: Sequence[float] | Array, qualifiers: Sequence[str], limits: Sequence[float] | Array,
                 depths: Sequence[str], *, log_scale: bool = False) -> tuple[Arrangement, ...]:
    """The extremes: all at zero, all at the limit, each depth against the others both ways, and alternating.

    values: n results (whatever stands where the qualifier is '<' is ignored); limits: their
    quantification limits; depths: their depth labels. Without '<' there is one arrangement, as measured.
    """
    v, lim = np.asarray(values, dtype=float), np.asarray(limits, dtype=float)
    _check(v, qualifiers, lim, depths)
    below = np.array([q == "<" for q in qualifiers])
    if not below.any():
        return (Arrangement(name="none", values=v.copy()),)
    zero = np.where(below, lim * (NEAR_ZERO if log_scale else 0.0), v)
    full = np.where(below, lim, v)
    where = np.asarray(depths)
    out = [Arrangement(name="all at zero", values=zero), Arrangement(name="all at the limit", values=full)]
    for label in dict.fromkeys(depths):
        here = where == label
        if not (below & here).any() or not (below & ~here).any():
            continue  # the same as all at one end
        out.append(Arrangement(name=f"{label} at the limit, others at zero", values=np.where(here, full, zero)))
        out.append(Arrangement(name=f"{label} at zero, others at the limit", values=np.where(here, zero, full)))
    odd = np.zeros(len(v), dtype=bool)
    for label in dict.fromkeys(depths):
        odd[np.flatnonzero(below & (where == label))[::2]] = True
    if below.sum() > 1:
        out.append(Arrangement(name="alternating", values=np.where(odd, full, zero)))
    return tuple(out)


def bound_verdict(values: Sequence[float] | Array, qualifiers: Sequence[str], limits: Sequence[float] | Array,
                  depths: Sequence[str], judge: Callable[[Array], str], *, log_scale: bool = False) -> BoundedVerdict:
    """The verdict that holds wherever the values below quantification lie, by the listed extremes.

    ``judge`` takes all n values (order kept) and returns a verdict word; where it cannot fit an
    arrangement (DesignMismatch, ModelNotTrusted) that arrangement counts as inconclusive.
    """
    v, lim = np.asarray(values, dtype=float), np.asarray(limits, dtype=float)
    _check(v, qualifiers, lim, depths)
    n, below = len(v), sum(q == "<" for q in qualifiers)
    above = sum(q == ">" for q in qualifiers)
    if above:
        return BoundedVerdict(word="not assessed", censored=below + above, n=n, words=(),
                              reason=f"{above} of {n} results lie above the range of the method and have no upper "
                                     "end; have them diluted and measured again")
    if below > MOST_CENSORED * n:
        return BoundedVerdict(word="not assessed", censored=below, n=n, words=(),
                              reason=f"{below} of {n} results lie below quantification, more than half")
    words = tuple((a.name, _word(judge, a.values)) for a in
                  arrangements(v, qualifiers, lim, depths, log_scale=log_scale))
    distinct = sorted({w for _, w in words})
    if below == 0:
        return BoundedVerdict(word=distinct[0], censored=0, n=n, words=words, reason="no result is below quantification")
    if len(distinct) == 1:
        return BoundedVerdict(word=distinct[0], censored=below, n=n, words=words,
                              reason=f"{below} of {n} results lie below quantification; wherever between zero and the "
                                     f"limit they lie, at the extremes tried the verdict is {distinct[0]}")
    return BoundedVerdict(word="inconclusive", censored=below, n=n, words=words,
                          reason=f"{below} of {n} results lie below quantification, and the verdict depends on where: "
                                 f"{' or '.join(distinct)}")


def _word(judge: Callable[[Array], str], values: Array) -> str:
    try:
        return judge(values)
    except (DesignMismatch, ModelNotTrusted):
        return "inconclusive"


def bound_difference(low_value: float, low_limit: float | None, top_value: float,
                     top_limit: float | None) -> tuple[float, float]:
    """Smallest and largest possible difference low - top of two results, either of which may be below a limit.

    Give the limit where a result is below quantification (its value is then ignored), else None:
    "<1" against 4 differs by 3 to 4.
    """
    low = (low_value, low_value) if low_limit is None else (0.0, low_limit)
    top = (top_value, top_value) if top_limit is None else (0.0, top_limit)
    return low[0] - top[1], low[1] - top[0]
