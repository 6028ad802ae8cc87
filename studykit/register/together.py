"""Differences between the lowest and the uppermost depth, put together over studies of one fluid in one package.

Every container gives one number, its own difference d; its level is gone from it. Over studies i with containers j

    d_ij = mean + study_i + container_ij,   study ~ N(0, t^2), container ~ N(0, s^2)

by the kit's REML, with the Kenward-Roger interval for the mean (``mixed``): containers are random within studies, and studies
are random, so that the mean speaks of stocks like these and not of these alone. s is one for all studies there. Beside it
stands the interval that lets each study have its own: Paule and Mandel's t^2 (1982, J. Res. NBS 87:377) with the standard error
of Hartung and Knapp (2001, Stat. Med. 20:3875), not taken smaller than the plain one. The wider of the two is told.

Studies that are not of one margin, scale, unit, fluid, package and pair of depths are not put together, nor fewer than three.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from studykit.core.errors import StudyKitError
from studykit.inference import Margin
from studykit.register.entry import Entry
from studykit.register.naming import Named

KEY = ("analyte", "fluid", "package", "margin", "unit", "lowest", "uppermost", "invented")
"""What studies that are put together have in common."""
POOLED = ["group", "analyte", "name", "fluid", "package", "margin", "lowest", "uppermost", "studies", "containers", "mean",
          "low", "high", "unit", "df", "between studies", "between low", "between high", "between containers", "mixed low",
          "mixed high", "own scatter low", "own scatter high", "in margins", "margin low", "margin high", "age from",
          "age to", "p alike", "told"]
APART = ["study", "analyte", "why"]
FOREST = ["group", "analyte", "study", "date", "containers", "difference", "low", "high", "unit", "in margins",
          "margin low", "margin high"]
FEWEST = 3
"""Studies from which a mean over studies is told: of two the scatter between them is hardly known (own judgement)."""
FEW = 6
"""Studies below which a pooled mean is told with the caution that the scatter between studies is hardly known."""
LEVEL = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class Mean:
    """A mean over studies on the scale of analysis: its two intervals, scatter between studies and between containers."""

    mean: float
    df: float
    mixed: tuple[float, float]
    own: tuple[float, float]
    between: tuple[float, float, float]
    within: float

    @property
    def span(self) -> tuple[float, float]:
        """The wider of the two intervals, about the middle that it has."""
        return max(self.mixed, self.own, key=lambda s: s[1] - s[0])


def mean_over(studies: Sequence[Sequence[float]]) -> Mean:
    """The mean over studies of their containers' differences, two containers or more in each of three studies or more.

    ModelNotTrusted and DesignMismatch as of ``fit_reml``; ValueError for less.
    """
    if len(studies) < FEWEST or min(map(len, studies)) < 2:
        raise ValueError(f"at least {FEWEST} studies of two containers are wanted")
    table = pd.DataFrame({"y": np.concatenate([np.asarray(s, dtype=float) for s in studies]),
                          "study": np.repeat([f"{k:05d}" for k in range(len(studies))], [len(s) for s in studies])})
    from studykit.mixed import fit_reml  # a second to load, which a register of which nothing changed does not need

    fit = fit_reml(table, "y", random=("study",))
    test, span = fit.test([1.0]), fit.interval([1.0], LEVEL)
    limits = fit.profile_lower("study", 0.95), fit.profile_upper("study", 0.95)
    means = np.array([np.mean(s) for s in studies])
    variances = np.array([np.var(s, ddof=1) / len(s) for s in studies])
    return Mean(mean=float(fit.beta[0]), df=test.df2, mixed=(span.low, span.high),  # type: ignore[union-attr]
                own=hartung_knapp(means, variances), within=math.sqrt(fit.variances["residual"]),
                between=tuple(np.sqrt([fit.variances["study"], *limits]).tolist()))


def hartung_knapp(means: np.ndarray, variances: np.ndarray) -> tuple[float, float]:
    """95 % interval for the mean of studies (k,) with their own variances (k,), df k - 1; sources in the module's head."""
    variances = np.maximum(variances, 1e-12 * max(float(variances.max()), 1e-300))
    t2 = paule_mandel(means, variances)
    w = 1 / (variances + t2)
    centre = float((w * means).sum() / w.sum())
    scale = max(1.0, float((w * (means - centre) ** 2).sum()) / (len(means) - 1))
    half = float(special.stdtrit(len(means) - 1, (1 + LEVEL) / 2)) * math.sqrt(scale / w.sum())
    return centre - half, centre + half


def paule_mandel(means: np.ndarray, variances: np.ndarray) -> float:
    """The variance between studies at which the weighted sum of squares is k - 1; 0 where it is less without any."""
    def excess(t2: float) -> float:
        w = 1 / (variances + t2)
        return float((w * (means - (w * means).sum() / w.sum()) ** 2).sum()) - (len(means) - 1)

    low, high = 0.0, float(means.var() + variances.max()) + 1e-300
    if excess(0.0) <= 0:
        return 0.0
    while excess(high) > 0:
        high *= 2
    for _ in range(200):  # halving: 200 times is beyond what a number holds
        middle = (low + high) / 2
        low, high = (middle, high) if excess(middle) > 0 else (low, middle)
    return (low + high) / 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Together:
    """Pooled differences (POOLED), the studies in them (FOREST), and what was not put together and why (APART)."""

    pooled: pd.DataFrame
    forest: pd.DataFrame
    apart: pd.DataFrame


def together(entries: Sequence[Entry], names: Named) -> Together:
    """Differences of the studies put together wherever at least three have all of ``KEY`` in common."""
    groups, apart = dict[tuple[Any, ...], list[dict[str, Any]]](), list[tuple[str, str, str]]()
    for row in (r for e in entries for r in _rows(e, names)):
        if row["why"]:
            apart.append((row["study"], row["name"], row["why"]))
        else:
            groups.setdefault(tuple(row[k] for k in KEY), []).append(row)
    pooled, forest = list[dict[str, Any]](), list[dict[str, Any]]()
    for key in sorted(groups, key=lambda k: [str(x) for x in k]):
        rows = sorted(groups[key], key=lambda r: (r["date"], r["study"]))
        why = _alone(key, groups) if len(rows) < FEWEST else ""
        found = None if why else _mean(rows)
        if why or isinstance(found, str) or found is None:
            apart += [(r["study"], r["name"], why or str(found)) for r in rows]
        else:
            group = len(pooled) + 1
            pooled.append({"group": group, **_told(key, rows, found)})
            forest += [{"group": group, **_line(r)} for r in rows]
    return Together(pooled=pd.DataFrame(pooled, columns=POOLED), forest=pd.DataFrame(forest, columns=FOREST),
                    apart=pd.DataFrame(sorted(apart), columns=APART))


def _rows(entry: Entry, names: Named) -> Iterator[dict[str, Any]]:
    """The analytes of one study with what they may be put together by, or why they may not."""
    if not entry.counts:
        return
    said = names.of(entry.study, entry.head["vessels"])
    for r in entry.rows:
        why = r["why not"]
        if r["side"]:
            why = "its margin is one-sided and judged by other differences"
        elif not why and len(r["own"]) < 2:
            why = "one container only"
        elif not why and not said["fluid"]:
            why = "its fluid is not stated: write it in register.toml"
        yield {**r, **said, "study": entry.study, "date": entry.head["date"], "invented": bool(entry.head["invented"]),
               "why": why, "unit": r["margin unit"]}


def _alone(key: tuple[Any, ...], groups: Mapping[tuple[Any, ...], list[Any]]) -> str:
    """Why a few studies stand by themselves: what sets them apart from the largest group of the same analyte."""
    n = len(groups[key])
    other = max((k for k in groups if k[0] == key[0]), key=lambda k: (len(groups[k]), str(k)))
    few = f"{n} of one kind, and fewer than {FEWEST} are no basis"
    if other == key or len(groups[other]) <= n:
        return few
    said = [f"{name} {mine} where {len(groups[other])} others have {theirs}"
            for name, mine, theirs in zip(KEY, key, other, strict=True) if mine != theirs]
    return f"{'; '.join(said)}: {few}"


def _mean(rows: Sequence[Mapping[str, Any]]) -> Mean | str:
    try:
        return mean_over([r["own"] for r in rows])
    except StudyKitError as error:
        return f"could not be combined: {str(error).splitlines()[0]}"


def _margin(row: Mapping[str, Any]) -> Margin:
    return Margin(low=row["margin low"], high=row["margin high"], scale=row["scale"], text=row["margin"],
                  unit=row["margin unit"])


def _told(key: tuple[Any, ...], rows: Sequence[Mapping[str, Any]], found: Mean) -> dict[str, Any]:
    """One pooled line in the units in which differences are told, and in units of the margin."""
    margin, ages = _margin(rows[0]), [a for r in rows for a in (r["age from"], r["age to"]) if a is not None]
    low, high = found.span
    off, p = standing_off([r["own"] for r in rows])
    spans = {"": (low, high), "mixed ": found.mixed, "own scatter ": found.own}
    ends = {f"{what}{end}": margin.shown(x) for what, span in spans.items()
            for end, x in zip(("low", "high"), span, strict=True)}
    between = dict(zip(("between studies", "between low", "between high"), map(margin.shown_sd, found.between), strict=True))
    caution = [f"{rows[off]['study']} differs from the others (p {p:.1g}): look for the reason there"] if p < 0.05 else []
    caution += [f"of {len(rows)} studies the scatter between them is hardly known"] if len(rows) < FEW else []
    caution += [f"ages of {min(ages):.0f} to {max(ages):.0f} months"] if ages and max(ages) - min(ages) > 12 else []
    caution += ["invented studies"] if rows[0]["invented"] else []
    return {**dict(zip(KEY, key, strict=True)), "name": rows[0]["name"], "studies": len(rows),
            "containers": sum(len(r["own"]) for r in rows), "mean": margin.shown(found.mean), **ends, **between, "df": found.df,
            "between containers": margin.shown_sd(found.within), "in margins": margin.in_margins(found.mean),
            "margin low": margin.in_margins(low), "margin high": margin.in_margins(high),
            "age from": min(ages, default=None), "age to": max(ages, default=None), "p alike": p, "told": "; ".join(caution)}


def standing_off(studies: Sequence[Sequence[float]]) -> tuple[int, float]:
    """The study whose mean lies farthest from that of the others, and the chance of one so far (Bonferroni).

    Each against the plain mean and scatter of the others, t on k - 2 (externally studentized).
    """
    means, k = np.array([np.mean(s) for s in studies]), len(studies)
    if k < 4:  # of two others the scatter says nothing
        return 0, 1.0
    rest = [np.delete(means, i) for i in range(k)]
    t = np.array([abs(m - r.mean()) / max(r.std(ddof=1) * math.sqrt(1 + 1 / (k - 1)), 1e-300)
                  for m, r in zip(means, rest, strict=True)])
    return int(t.argmax()), float(min(1.0, 2 * k * special.stdtr(k - 2, -t.max())))


def _line(row: Mapping[str, Any]) -> dict[str, Any]:
    """One study in the forest: its own mean with a t interval."""
    margin, own = _margin(row), np.asarray(row["own"], dtype=float)
    half = float(special.stdtrit(len(own) - 1, (1 + LEVEL) / 2) * own.std(ddof=1)) / math.sqrt(len(own))
    ends = own.mean(), own.mean() - half, own.mean() + half
    return {"analyte": row["analyte"], "study": row["study"], "date": row["date"], "containers": len(own), "unit": row["unit"],
            **dict(zip(("difference", "low", "high"), (margin.shown(float(x)) for x in ends), strict=True)),
            **dict(zip(("in margins", "margin low", "margin high"), (margin.in_margins(float(x)) for x in ends), strict=True))}
