"""In which order samples were read: zones of a container always in the order of their depths, containers split over runs.

Where depth and position go together, a run's drift reads as a difference between depths; where containers are split over runs,
a run's shift does.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from studykit.quality.flags import CHANCE, CheckResult, Flag
from studykit.quality.frame import Vector

APART = 4.0
"""Depths and runs are spread well enough where telling runs apart as well at most doubles a difference's standard error."""
NO_ORDER = "not assessed: the results carry no run order"
MOST = 2 / 3
"""Share of the containers from which one order of their depths counts as somebody's habit (own judgement)."""


def depth_order(t: pd.DataFrame) -> CheckResult:
    """Were the depths of the containers read in one and the same order? Then drift looks like depth.

    Table: run order pattern and number of containers. Flagged when one pattern of k depths is so
    common that random order would give it with less than ``CHANCE`` (binomial, 1/k! each), and is that of most
    containers (``MOST``): who reads in an order does so nearly always.
    """
    own = t[(t["container"] != "") & t["kind"].eq("spot") & t["run_order"].notna()]
    own = own.drop_duplicates("sample").sort_values(["container", "run", "run_order"], kind="stable")
    own = own.drop_duplicates(["container", "depth"])
    patterns = own.groupby("container", sort=True)["depth"].agg(" > ".join)
    patterns = patterns[patterns.str.contains(" > ")] if len(patterns) else patterns.astype(object)
    table = patterns.value_counts().rename_axis("order").rename("containers").reset_index()
    sizes = patterns.str.count(" > ") if len(patterns) else pd.Series(dtype=int)
    flags: list[Flag] = []
    for pattern, n in table.itertuples(index=False):
        k = pattern.count(" > ") + 1
        ways = float(np.prod(np.arange(1, k + 1)))
        of = int((sizes == k - 1).sum())
        if of >= 3 and n >= MOST * of and min(1.0, ways * float(stats.binom.sf(n - 1, of, 1 / ways))) < CHANCE:
            text = (f"{n} of {of} containers were read in the order {pattern}: drift and carry-over in the "
                    "instrument would look like a difference between depths; ask for a random order")
            flags.append(Flag(rule="depth order", concern="ask before trusting", where="run order", evidence=text))
    return CheckResult(rule="depth order", table=table, flags=tuple(flags), note="" if len(own) else NO_ORDER)


def split_containers(t: pd.DataFrame, again: frozenset[tuple[str, str, str]] = frozenset()) -> list[Flag]:
    """Containers whose depths were read in more than one run: a shift between runs can look like a profile.

    ``again``: sample, analyte and run of readings that replaced one of another run. Each was held against its first reading
    (``again.second_measurings``), so that a container which only they split is a hint.
    """
    own = t[(t["container"] != "") & t["kind"].eq("spot") & (t["run"] != "")]
    first = ~pd.MultiIndex.from_frame(own[["sample", "analyte", "run"]]).isin(list(again)) if again and len(own) else (
        np.ones(len(own), dtype=bool))
    count = own.groupby("container")["run"].nunique()
    other = own[first].groupby("container")["run"].nunique().reindex(count.index).fillna(0)
    split, held = sorted(count.index[other > 1]), sorted(count.index[(count > 1) & (other <= 1)])
    apart = inflation(own[first]) <= APART if split else True
    out = []
    for names, concern, rest in (
        (split, "hint only" if apart else "ask before trusting",
         "spread so that a difference between runs adds scatter, and does not look like one between depths" if apart else
         "so a difference between runs can look like a difference between depths; put run into the model"),
        (held, "hint only", "only because some bottles were measured again; what their two readings differ by is looked at "
                            "under measured again")):
        if names:
            out.append(Flag(rule="container split over runs", concern=concern,
                            where=", ".join(names[:6]) + (" ..." if len(names) > 6 else ""),
                            evidence=f"{len(names)} of {len(count)} containers have their depths in more than one run, {rest}"))
    return out


def inflation(own: pd.DataFrame) -> float:
    """By what factor the variance of differences between depths grows when runs are told apart as well (1: not at all).

    Of the readings' samples, within their containers; infinite where a difference between depths is one between runs. The
    depth that suffers most counts. ``own``: sample, container, depth, run.
    """
    rows = own.drop_duplicates(["sample", "run"])
    box = rows["container"].to_numpy(object)

    def within(name: str) -> Vector:
        x = pd.get_dummies(rows[name].to_numpy(object), dtype=float)
        return np.asarray((x - x.groupby(box).transform("mean")).to_numpy(float))

    depth, run = within("depth"), within("run")
    both = depth - run @ np.linalg.lstsq(run, depth, rcond=None)[0]
    alone, left = depth.T @ depth, both.T @ both
    if np.linalg.matrix_rank(left, tol=1e-8) < np.linalg.matrix_rank(alone, tol=1e-8):
        return float("inf")
    grown = np.diag(np.linalg.pinv(left, 1e-9, hermitian=True)) / np.diag(np.linalg.pinv(alone, 1e-9, hermitian=True))
    return float(grown.max(initial=1.0))


__all__ = ["NO_ORDER", "depth_order", "inflation", "split_containers"]
