"""What a check hands over: a flag with its rule, place, concern and evidence; never a deletion.

A flag asks a person to look. It does not change, drop or repair a value: only a line written by
a person in ``plan/exclusions.csv`` takes a result out, and the verdict is then shown with and
without it.

Every rule here is held to a stated chance of a false alarm: over one clean study, all analytes
and containers together, a rule should fire by chance in about ``CHANCE`` of studies. The share
measured on simulated clean studies is in ``docs/04-quality.md``.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from studykit.core.listing import both
from studykit.study.columns import ZONE_KINDS
from studykit.study.definition import Study

CHANCE = 0.01
"""Chance that one rule fires in one clean study (all its comparisons together)."""

CONCERNS = ("stop and find out", "ask before trusting", "hint only")
"""How much a flag matters, in plain words, most pressing first."""

LOST = "was drawn but has no result at all"
"""What the evidence of a flag says of a bottle about which the laboratory can be asked: it went there, and nothing came."""

SAMPLE_PART = ("sample", "container", "kind", "depth", "height", "draw_order")
CONTAINER_PART = ("container", "lot", "store", "age_months", "treatment")
FLAG_COLUMNS = ("rule", "concern", "where", "analyte", "evidence", "samples")


@dataclass(frozen=True, slots=True, kw_only=True)
class Flag:
    """One observation that a person should look at.

    rule: key of the check. concern: one of ``CONCERNS``. where: sample, container or run in
    words. analyte: '' where several are meant. evidence: a sentence with the numbers.
    samples: the sample codes concerned (may be empty).
    """

    rule: str
    concern: str
    where: str
    evidence: str
    analyte: str = ""
    samples: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.concern not in CONCERNS:
            raise ValueError(f"concern must be one of {CONCERNS}, but got {self.concern!r}")


ALIKE = 4
"""So many flags that say the same of several samples or more stand in one line."""


def folded(flags: pd.DataFrame) -> pd.DataFrame:
    """The table of flags for a page: ``ALIKE`` or more that say the same, but for the numbers before the first colon, as one.

    Same columns; the line says how many there are, and has the numbers of the first and the samples of all.
    """
    rows, alike = [], flags.assign(same=[str(e).partition(": ")[2] or str(e) for e in flags["evidence"]])
    for _, own in alike.groupby(["rule", "concern", "analyte", "same"], sort=False):
        if len(own) < ALIKE:
            rows += own.drop(columns="same").to_dict("records")
            continue
        first, samples = own.iloc[0], " ".join(dict.fromkeys(" ".join(own["samples"]).split()))
        rows.append({**first.drop("same").to_dict(), "where": f"{len(own)} flags alike, the first: {first['where']}",
                     "samples": samples})
    return pd.DataFrame(rows, columns=list(flags.columns))


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckResult:
    """What one check found: the table that it looked at, its flags, and why it could not look, if so.

    rule: key of the check. note: '' or the reason why nothing (or not everything) was assessed.
    """

    rule: str
    table: pd.DataFrame
    flags: tuple[Flag, ...] = ()
    note: str = ""

    def to_table(self) -> pd.DataFrame:
        """A copy of the table."""
        return self.table.copy()


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """Standard deviation of one determination, how well it is known, and where it comes from.

    s: on the scale of ``y`` (NaN where not known). df: its degrees of freedom, infinite where it is
    taken as known. source: in words.
    """

    s: float
    df: float = np.inf
    source: str = ""


def flag_table(flags: Iterable[Flag]) -> pd.DataFrame:
    """Flags as a table, most pressing first (columns ``FLAG_COLUMNS``, all text)."""
    ordered = sorted(flags, key=lambda f: (CONCERNS.index(f.concern), f.rule, f.where, f.analyte))
    rows = [(f.rule, f.concern, f.where, f.analyte, f.evidence, " ".join(f.samples)) for f in ordered]
    return pd.DataFrame(rows, columns=list(FLAG_COLUMNS), dtype=str)


def holm(p_values: ArrayLike) -> NDArray[np.float64]:
    """Holm's step-down adjusted p-values, in the order given (1-D; NaN stays NaN and is not counted).

    Source: Holm (1979), Scandinavian Journal of Statistics 6:65-70.
    """
    p = np.asarray(p_values, dtype=float)
    out = np.full(p.shape, np.nan)
    known = np.flatnonzero(~np.isnan(p))
    order = known[np.argsort(p[known], kind="stable")]
    steps = (len(order) - np.arange(len(order))) * p[order]
    out[order] = np.minimum(1.0, np.maximum.accumulate(steps)) if len(order) else []
    return out


def robust_sd(values: ArrayLike) -> float:
    """Spread that a few wild values cannot move: 1.4826 x median absolute deviation (1-D, their unit).

    Falls back on the ordinary standard deviation when more than half of the values are equal.
    NaN for fewer than two values.
    """
    x = np.asarray(values, dtype=float)
    x = x[~np.isnan(x)]
    if x.size < 2:
        return float("nan")
    mad = 1.4826 * float(np.median(np.abs(x - np.median(x))))
    return mad if mad > 0 else float(np.std(x, ddof=1))


def working_table(study: Study, containers: pd.DataFrame, samples: pd.DataFrame,
                  results: pd.DataFrame) -> pd.DataFrame:
    """Quantified results joined with sample and container, on the scale of the analysis.

    One row a determination; adds kind, container, depth, height, lot, store, age_months,
    treatment, ``y`` (ln of the value where the margin is in per cent, else the value) and
    ``label`` (depth for draws from a zone, else the kind; with the treatment in front for
    controls), so that draws with the same label should agree.
    """
    t = quantified(results).merge(samples[[c for c in SAMPLE_PART if c in samples]], on="sample", how="left")
    t = t.merge(containers[[c for c in CONTAINER_PART if c in containers]], on="container", how="left")
    for name in ("lot", "store", "depth", "container", "kind", "run"):
        t[name] = t[name].fillna("").astype(str) if name in t else ""
    t["treatment"] = (t["treatment"] if "treatment" in t else pd.Series("stored", t.index)).fillna("")
    t["run_order"] = pd.to_numeric(t["run_order"], errors="coerce").astype(float)
    on_log = [a for a, s in study.analytes.items() if s.margin.relative]
    t["relative"] = t["analyte"].isin(on_log)
    t = t[~(t["relative"] & (t["value"] <= 0))].copy()
    t["y"] = np.where(t["relative"], np.log(t["value"].where(t["relative"], 1.0)), t["value"])
    place = t["depth"].where(t["kind"].isin(ZONE_KINDS), t["kind"])
    t["label"] = place.where(t["treatment"].isin(["stored", ""]), t["treatment"] + ": " + place)
    return t.reset_index(drop=True)


def quantified(results: pd.DataFrame) -> pd.DataFrame:
    """Rows with a number that is neither "below" nor "above" something (a copy, index kept)."""
    return results[(results["qualifier"] == "") & results["value"].notna()].copy()


def shown(value: float, digits: int = 4) -> str:
    """A number for a sentence: ``digits`` significant digits, no exponent within 1e-4 to 1e7."""
    if not np.isfinite(value):
        return "unknown"
    if value == 0:
        return "0"
    if 1e-4 <= abs(value) < 1e7:
        places = max(0, digits - 1 - int(np.floor(np.log10(abs(value)))))
        text = f"{value:.{places}f}"
        return text.rstrip("0").rstrip(".") if "." in text else text
    return f"{value:.{digits}g}"


def one_in(p: float) -> str:
    """A chance in words: "1 study in 71"; below one in a million it says so."""
    if not np.isfinite(p):
        return "an unknown share of studies"
    if p < 1e-6:
        return "fewer than 1 study in a million"
    return f"1 study in {shown(1 / p, 2)}"


def listed(words: Sequence[str], limit: int = 6) -> str:
    """Words as running text: "a, b and c" (semicolons where a word has a comma); beyond ``limit`` the rest is counted."""
    items = [str(w) for w in words]
    if len(items) > limit:
        items = [*items[:limit], f"{len(items) - limit} more"]
    return both(items) or "none"
