"""Containers whose depth profile does not fit the others: swapped bottles, and profiles far out.

A swap of two bottles of one container turns its profile upside down between those two depths, in
every analyte that has a profile at all. The test is one-sided: is the difference between the two
depths *opposite* to what the other containers show, by more than scatter allows? A container that
merely shows no gradient, or a steeper one, is never called swapped.

For depths i, j and analyte a let m be the mean difference over all other containers and d that of
this container, both divided by the standard deviation of such a difference. Then

    Z = sum_a m_a d_a / sqrt(sum_a m_a^2)

has mean >= 0 and standard deviation 1 unless the two bottles were exchanged, when its mean is
-sqrt(sum_a m_a^2). The standard deviation is the largest of three: duplicates of the study, the
laboratory's or published repeatability, and the scatter of the containers' own curvature (which no
common gradient, however uneven, can inflate). Analytes whose gradient is not clear among the other
containers (|mean| below twice its standard error) carry no weight.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations

import numpy as np
import pandas as pd
from scipy import stats

from studykit.flags import CHANCE, Checked, Flag, listed, robust_sd, shown
from studykit.outliers import grubbs_single

CLEAR = 2.0
"""A gradient counts when it is this many standard errors from zero among the other containers."""


def zone_means(t: pd.DataFrame, analyte: str) -> pd.DataFrame:
    """Mean y of each zone: containers in rows, depths in columns (surface down by mean height).

    Stored containers only; spots, duplicates and splits averaged.
    """
    own = t[(t["analyte"] == analyte) & t["treatment"].isin(["stored", ""]) & (t["container"] != "")]
    own = own[own["kind"].isin(["spot", "duplicate", "split"])]
    wide = own.groupby(["container", "depth"])["y"].mean().unstack()
    order = own.groupby("depth")["height"].mean().sort_values(ascending=False, kind="stable").index
    return wide.reindex(columns=order)


def curvature_sd(wide: pd.DataFrame) -> float:
    """Standard deviation of one zone mean, from departures of each container from its own straight line.

    The average shape is taken out first. NaN with fewer than three depths or three containers.
    """
    full = wide.dropna()
    if full.shape[1] < 3 or full.shape[0] < 3:
        return float("nan")
    x = np.column_stack([np.ones(full.shape[1]), np.linspace(-1, 1, full.shape[1])])
    away = np.eye(full.shape[1]) - x @ np.linalg.pinv(x)
    left = (full - full.mean()).to_numpy(float) @ away
    n, k = left.shape
    scale = np.sqrt(k / (k - 2) * n / (n - 1))
    return float(robust_sd(left.ravel()) * scale)


def swapped(t: pd.DataFrame, s_y: Mapping[str, float]) -> Checked:
    """Containers in which two depths look exchanged, across all analytes together.

    ``t``: a working table. ``s_y``: for each analyte the standard deviation of one determination on
    the scale of ``y`` (NaN where not known). Table: one row a container and pair of depths, with
    the chance of so opposite a gradient; Bonferroni over all rows. Needs four containers.
    """
    means = {str(a): zone_means(t, str(a)) for a in t["analyte"].unique()}
    means = {a: w for a, w in means.items() if w.shape[0] >= 4 and w.shape[1] >= 2}
    rows = []
    containers = sorted({c for w in means.values() for c in w.index})
    depths = list(dict.fromkeys(d for w in means.values() for d in w.columns))
    noise = {a: np.nanmax([s_y.get(a, np.nan), curvature_sd(w), 1e-300]) for a, w in means.items()}
    for container in containers:
        for i, j in combinations(depths, 2):
            z, weight, shows = _opposite(means, noise, container, i, j)
            if weight > 0:
                rows.append((container, f"{i} / {j}", z, -np.sqrt(weight), listed(shows), float(stats.norm.cdf(z))))
    table = pd.DataFrame(rows, columns=["container", "depths", "z", "z_if_swapped", "shown_by", "p"])
    flags = _swap_flags(table, t)
    note = "" if rows else ("not assessed: no analyte has a clear gradient in which a swap could show"
                            if means else "not assessed: fewer than four stored containers")
    return Checked(rule="swapped samples", table=table, flags=flags, note=note)


def _opposite(means: Mapping[str, pd.DataFrame], noise: Mapping[str, float], container: str,
              i: str, j: str) -> tuple[float, float, list[str]]:
    """Z, its squared distance if swapped, and the analytes in which the pair is turned over."""
    total, weight, shows = 0.0, 0.0, []
    for a, wide in means.items():
        if container not in wide.index or i not in wide or j not in wide:
            continue
        difference = (wide[i] - wide[j]).dropna()
        others = difference.drop(container, errors="ignore")
        if container not in difference.index or len(others) < 3:
            continue
        m, error = float(others.median()), 1.2533 * robust_sd(others) / np.sqrt(len(others))
        if abs(m) < CLEAR * max(error, noise[a] * np.sqrt(2 / len(others))):
            continue
        sd = noise[a] * np.sqrt(2.0)
        total += (m / sd) * (float(difference[container]) / sd)
        weight += (m / sd) ** 2
        if m * difference[container] < 0:
            shows.append(a)
    return (total / np.sqrt(weight) if weight > 0 else 0.0), weight, shows


def _swap_flags(table: pd.DataFrame, t: pd.DataFrame) -> tuple[Flag, ...]:
    flags = []
    hits = table[table["p"] * len(table) < CHANCE].sort_values("p", kind="stable").drop_duplicates("container")
    for row in hits.to_dict("records"):
        pair = row["depths"].split(" / ")
        own = t[(t["container"] == row["container"]) & t["depth"].isin(pair) & t["kind"].isin(["spot"])]
        text = (f"{pair[0]} and {pair[1]} are mirrored against all other containers in {row['shown_by']} "
                f"({shown(abs(row['z']), 3)} standard deviations opposite; a plain swap would give "
                f"{shown(abs(row['z_if_swapped']), 3)}); look at the drawing log and the labels of both bottles")
        flags.append(Flag(rule="swapped samples", concern="stop and find out", evidence=text,
                          where=f"container {row['container']}", samples=tuple(sorted(own["sample"].unique()))))
    return tuple(flags)


def outlying_profiles(t: pd.DataFrame) -> Checked:
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
    return Checked(rule="outlying profile", table=table, flags=flags,
                   note="" if rows else "not assessed: fewer than five stored containers")


def _extremes(analyte: str, what: str, values: pd.Series) -> list[tuple[object, ...]]:
    test = max((grubbs_single({str(k): float(v) for k, v in values.items()}, high=h) for h in (False, True)), key=lambda x: x.statistic)
    name, n, g = test.suspects[0], test.p, test.statistic
    r2 = min(g**2 * n / (n - 1) ** 2, 1 - 1e-15)
    t_value = float(np.sqrt((n - 2) * r2 / (1 - r2)))
    p = min(1.0, 2 * n * float(stats.t.sf(t_value, n - 2)))
    return [(analyte, what, name, float(values[name]), float(values.drop(name).median()), g, test.critical_1,
             test.call, p)]
