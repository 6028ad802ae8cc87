"""Containers whose depth profile does not fit the others: swapped bottles, and profiles far out.

A swap of two bottles of one container turns its profile upside down between those two depths, in
every analyte that has a profile at all. The other containers show the common profile m (their
median, less its mean over depths); with the two depths exchanged it is m'. Asked is whether a
container y (less its mean) looks like m' in a way that no multiple b m, b >= 0, of the common profile
can explain: with w = m' - max(0, m.m'/m.m) m for each analyte,

    Z = sum_a y_a.w_a / s_a^2  /  sqrt(sum_a w_a.w_a / s_a^2)

has mean <= 0 and standard deviation 1 for every such container, and a large positive mean only when
the bottles were exchanged. So a container that shows no gradient, or a steeper one, is not called
swapped. Pairs in which a swap could not show (expected Z below 3) are not tested.

s_a is the stated repeatability, unless the profiles scatter more about one common shape of any size (a
gradient that is stronger in some containers does not inflate that); where nothing is stated, the
study's own repeats pooled with that scatter, and Student's t instead of the normal. Asked besides: is
the exchanged profile the better fit over all analytes together? Analytes whose common profile is not
clear (no depth further than three standard errors from zero with most containers on the same side)
carry no weight.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations

import numpy as np
import pandas as pd
from scipy import stats

from studykit.inference.outliers import grubbs_single
from studykit.quality.flags import CHANCE, CheckResult, Flag, Scatter, listed, robust_sd, shown

CLEAR = 3.0
"""A profile counts when a depth is this many standard errors from zero among the other containers."""
EFFICIENCY = 0.37
"""Share of the degrees of freedom that a median absolute deviation keeps, normal data."""
VISIBLE = 3.0
"""A pair is tested when a plain swap would give at least this Z."""


def zone_means(t: pd.DataFrame, analyte: str) -> pd.DataFrame:
    """Mean y of each zone: containers in rows, depths in columns (surface down by mean height).

    Stored containers only; spots, duplicates and splits averaged.
    """
    own = t[(t["analyte"] == analyte) & t["treatment"].isin(["stored", ""]) & (t["container"] != "")]
    own = own[own["kind"].isin(["spot", "duplicate", "split"])]
    wide = own.groupby(["container", "depth"])["y"].mean().unstack()
    order = own.groupby("depth")["height"].mean().sort_values(ascending=False, kind="stable").index
    return wide.reindex(columns=order)


def shape_sd(wide: pd.DataFrame) -> float:
    """Standard deviation of one zone mean, from what is left of the profiles after their common shape.

    Each container's mean and its own multiple of the one shape that fits all containers best (first
    singular vector) are taken out, so gradients of uneven size do not inflate it. NaN with fewer than
    three depths or four containers.
    """
    full = wide.dropna().to_numpy(float)
    n, k = full.shape if full.ndim == 2 else (0, 0)
    if k < 3 or n < 4:
        return float("nan")
    u, d, _ = np.linalg.svd(full - full.mean(axis=1, keepdims=True), full_matrices=False)
    scores = u[:, 1 : k - 1] * d[1 : k - 1]
    return float(robust_sd(np.concatenate([scores.ravel(), -scores.ravel()])) * np.sqrt(n / (n - 1)))


def _noise(judged: Scatter, wide: pd.DataFrame) -> Scatter:
    """Scatter of a zone mean: a stated value unless the profiles scatter more, own repeats pooled with them."""
    shape, n, k = shape_sd(wide), *wide.dropna().shape
    if not shape > 0:
        return judged if judged.s > 0 else Scatter(s=1e300)
    df = max(1.0, EFFICIENCY * (n - 1) * (k - 2))
    if np.isfinite(judged.df) and judged.s > 0:
        both = judged.df + df
        return Scatter(s=float(np.sqrt((judged.df * judged.s**2 + df * shape**2) / both)), df=both)
    return judged if judged.s > shape else Scatter(s=shape, df=df)


def swapped(t: pd.DataFrame, scatter: Mapping[str, Scatter]) -> CheckResult:
    """Containers in which two depths look exchanged, across all analytes together.

    ``t``: a working table. ``scatter``: for each analyte that of one determination, on the scale of
    ``y``; stated values are best. Table: one row a container and pair of depths, with
    the chance of so mirrored a profile; Bonferroni over all rows. Needs four containers.
    """
    means = {str(a): zone_means(t, str(a)) for a in t["analyte"].unique()}
    means = {a: w for a, w in means.items() if w.shape[0] >= 4 and w.shape[1] >= 2}
    noise = {a: _noise(scatter.get(a, Scatter(s=float("nan"))), w) for a, w in means.items()}
    depths = list(dict.fromkeys(d for w in means.values() for d in w.columns))
    rows = []
    for container in sorted({c for w in means.values() for c in w.index}):
        common = {a: m for a, w in means.items() if (m := _common(w, container, noise[a].s)) is not None}
        for i, j in combinations(depths, 2):
            z, expected, df, shows = _mirrored(means, noise, common, container, i, j)
            if expected >= VISIBLE:
                p = float(stats.t.sf(z, df)) if shows else 1.0
                rows.append((container, f"{i} / {j}", z, expected, listed(shows), p))
    table = pd.DataFrame(rows, columns=["container", "depths", "z", "z_if_swapped", "shown_by", "p"])
    note = "" if rows else ("not assessed: no analyte has a clear gradient in which a swap could show"
                            if means else "not assessed: fewer than four stored containers")
    return CheckResult(rule="swapped samples", table=table, flags=_swap_flags(table, t), note=note)


def _common(wide: pd.DataFrame, container: str, noise: float) -> pd.Series | None:
    """The profile common to all other containers, less its mean; None where it is not clear."""
    full = wide.to_numpy(float)[np.asarray(wide.index != container)]
    full = full[~np.isnan(full).any(axis=1)]
    n = len(full)
    if n < 3:
        return None
    centred = full - full.mean(axis=1, keepdims=True)
    m = np.median(centred, axis=0)
    agree = np.maximum((centred > 0).sum(axis=0), (centred < 0).sum(axis=0))
    one_sided = stats.binom.sf(agree - 1, n, 0.5) < (0.05 if n > 5 else 1.0)
    clear = (np.abs(m) > CLEAR * 1.2533 * noise / np.sqrt(n)) & one_sided
    return pd.Series(m - m.mean(), index=wide.columns) if bool(clear.any()) else None


def _mirrored(means: Mapping[str, pd.DataFrame], noise: Mapping[str, Scatter], common: Mapping[str, pd.Series],
              container: str, i: str, j: str) -> tuple[float, float, float, list[str]]:
    """Z, the Z that a plain swap would give, degrees of freedom, analytes that look more like the exchanged profile."""
    total, size, expected, spread, better = 0.0, 0.0, 0.0, 0.0, 0.0
    shows: list[str] = []
    for a, m in common.items():
        own = means[a].loc[container].dropna() if container in means[a].index else pd.Series(dtype=float)
        if not {i, j} <= set(own.index):
            continue
        shape = m.reindex(own.index).to_numpy(float)
        shape = shape - shape.mean()
        where = {d: k for k, d in enumerate(own.index)}
        turned = shape.copy()
        turned[[where[i], where[j]]] = shape[[where[j], where[i]]]
        norm = float(shape @ shape)
        w = turned - max(0.0, float(shape @ turned) / norm) * shape if norm > 0 else turned
        y = own.to_numpy(float)
        y = y - y.mean()
        weight = 1 / noise[a].s ** 2
        total += float(y @ w) * weight
        size += float(w @ w) * weight
        expected += float(turned @ w) * weight
        spread += (float(w @ w) * weight) ** 2 / noise[a].df
        better += float(y @ (turned - shape)) * weight
        if y @ turned > y @ shape:
            shows.append(a)
    if size <= 0:
        return 0.0, 0.0, np.inf, []
    df = size**2 / spread if spread > 0 else np.inf
    return total / size**0.5, expected / size**0.5, df, shows if better > 0 else []


def _swap_flags(table: pd.DataFrame, t: pd.DataFrame) -> tuple[Flag, ...]:
    flags = []
    hits = table[table["p"] * len(table) < 5 * CHANCE].sort_values("p", kind="stable").drop_duplicates("container")
    for row in hits.to_dict("records"):
        pair = row["depths"].split(" / ")
        own = t[(t["container"] == row["container"]) & t["depth"].isin(pair) & t["kind"].isin(["spot"])]
        text = (f"{pair[0]} and {pair[1]} are mirrored against all other containers in {row['shown_by']} "
                f"({shown(row['z'], 3)} standard deviations; a plain swap would give "
                f"{shown(row['z_if_swapped'], 3)}); look at the drawing log and the labels of both bottles")
        text += ", and at that one result: no other analyte can tell" if " and " not in row["shown_by"] else ""
        sure = row["p"] * len(table) < CHANCE and " and " in row["shown_by"]
        flags.append(Flag(rule="swapped samples", evidence=text,
                          concern="stop and find out" if sure else "ask before trusting",
                          where=f"container {row['container']}", samples=tuple(sorted(own["sample"].unique()))))
    return tuple(flags)


def outlying_profiles(t: pd.DataFrame) -> CheckResult:
    """Containers whose profile is far from the others, by Grubbs' test on each contrast.

    Two contrasts a container and analyte: deepest minus shallowest zone, and the middle zones
    against the two ends. One row a test of the most extreme container; flagged as a hint where
    beyond the 1 % value, more strongly where it stays beyond after Bonferroni over all tests.
    """
    rows = []
    for analyte in t["analyte"].unique():
        wide = zone_means(t, str(analyte))
        if wide.shape[1] < 2:
            continue
        middle = wide.iloc[:, 1:-1].mean(axis=1) - (wide.iloc[:, 0] + wide.iloc[:, -1]) / 2
        for what, contrast in (("deepest minus shallowest", wide.iloc[:, -1] - wide.iloc[:, 0]),
                               ("middle against the ends", middle)):
            values = contrast.dropna()
            if len(values) >= 5:
                rows += _extremes(str(analyte), what, values)
    names = ["analyte", "contrast", "container", "value", "median_of_others", "G", "critical_1", "call", "p"]
    table = pd.DataFrame(rows, columns=names)
    hits = table[table["p"] * len(table) < CHANCE]
    flags = tuple(
        Flag(rule="outlying profile", concern="ask before trusting", where=f"container {r['container']}",
             analyte=r["analyte"],
             evidence=(f"{r['contrast']} is {shown(r['value'])} where the other containers have "
                       f"{shown(r['median_of_others'])} (Grubbs' G = {shown(r['G'], 3)}, 1 % value "
                       f"{shown(r['critical_1'], 3)}); find a cause before anything is left out"))
        for r in hits.to_dict("records")
    )
    return CheckResult(rule="outlying profile", table=table, flags=flags,
                   note="" if rows else "not assessed: fewer than five stored containers")


def _extremes(analyte: str, what: str, values: pd.Series) -> list[tuple[object, ...]]:
    by_name = {str(k): float(v) for k, v in values.items()}
    test = max((grubbs_single(by_name, high=h) for h in (False, True)), key=lambda x: x.statistic)
    name, n, g = test.suspects[0], test.p, test.statistic
    r2 = min(g**2 * n / (n - 1) ** 2, 1 - 1e-15)
    t_value = float(np.sqrt((n - 2) * r2 / (1 - r2)))
    p = min(1.0, 2 * n * float(stats.t.sf(t_value, n - 2)))
    return [(analyte, what, name, float(values[name]), float(values.drop(name).median()), g, test.critical_1,
             test.call, p)]
