"""Calls of what a study's chapters do not reach: judging a table, chances, stated precision, one fit and many fits."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping

import numpy as np

from studykit.inference import (
    critical_range,
    declared,
    equivalence,
    homogeneity,
    judge,
    margin,
    power,
    share,
    tost_power,
    unlike,
)
from studykit.mixed import balance, fit_reml, variances
from studykit.mixed.batch.fit import BatchDesign
from tests.stood.bounds import lost_cells, many_containers, single_of_many, within_bounds
from tests.stood.tables import DEPTHS, table_of


def _tables() -> None:
    """``judge`` for margins of each kind, losses, limits, groups and coarse values, and ``judge_many`` beside it."""
    kinds: tuple[dict[str, float], ...] = ({"relative_percent": 8}, {"factor": 1.3}, {"absolute": 6.0})
    for k, (m, lost) in enumerate(itertools.product(kinds, (0, 5))):
        table = table_of(7, seed=k, slope=0.05 * k, lost=lost)
        judge.judge(table, margin=m, depths=DEPTHS, share=0.3, groups=("lot",) if k % 2 else ())
    sided = {"relative_percent": 8, "side": "below"}
    judge.judge(table_of(6, seed=9, slope=-0.1, lost=2), margin=sided, depths=DEPTHS, weights=(0.5, 0.3, 0.2), share=0.4)  # type: ignore[arg-type]
    limited = table_of(6, seed=11)
    text = limited["value"].astype(str).where(limited.index % 5 > 0, "<96")
    judge.judge(limited.assign(value=text), margin={"absolute": 8.0}, depths=DEPTHS, share=0.5, alpha=0.1)
    judge.judge(limited.assign(value=(limited["value"] / 10).round()), margin={"absolute": 1.5}, depths=DEPTHS)
    layout = table_of(5, repeats=1)[["container", "depth"]]
    many = 100 * np.exp(0.03 * np.random.default_rng(3).standard_normal((40, len(layout))) + np.linspace(0, 0.2, 40)[:, None]
                        * layout["depth"].map(DEPTHS.index).to_numpy() / 2)
    many[::7, 3] = np.nan
    for wanted in (*kinds, sided):
        judge.judge_many(layout, many.round(1), margin=wanted, depths=DEPTHS)  # type: ignore[arg-type]


def _chances() -> None:
    """Power, shares, critical ranges and declared scatter by plain numbers."""
    cov = power.profile_cov(3, cell=0.02, slope=0.03, determination=0.02, determinations=2)
    for structure in ("unstructured", "pooled", "own gradient"):
        power.chances((0.0, 0.01, 0.03), cov, 6, 0.08, structure=structure).error(0.3)
        power.containers_needed((0.0, 0.0, 0.02), cov, 0.06, structure=structure)
    power.chances((0.0, 0.01, 0.03), cov, 4, 0.08, side=-1), power.containers_needed((0.0, 0.0, 0.2), cov, 0.06, alpha=0.1)
    for df, true in itertools.product((3.0, 11.0, math.inf), (0.0, 0.4)):
        tost_power.tost_power(true, 0.3, df, -1.0, 1.0), tost_power.beyond_power(true + 1, 0.3, df, 0.8)
        tost_power.smallest_margin(0.3, df, 0.8, true)
    tost_power.owens_q(5, 1.5, 0.5, 0.2, 3.0), tost_power.owens_q(1, -0.5, 0.0)
    critical_range.range_sf(3.0, [0.0, 0.5, 1.0], 9.0), critical_range.range_power(4, 2.0)
    critical_range.range_sf(2.0, [0.0, 0.0, 0.3, 2.0]), critical_range.linear_profile(4, 1.5)
    critical_range.singles_arithmetic(4, 2, 6).sentences(), critical_range.detection_table(3)
    critical_range.singles_arithmetic().to_table(), critical_range.smallest_range_seen(3)
    items = [np.round(10 + 0.1 * np.sin([3.0 * i, 3.0 * i + 1]), 3) for i in range(8)]
    for sigma in (None, 0.3, 0.05):
        found = homogeneity.assess_items(items, sigma)
        found.sentences(), found.to_table(), found.allowed, found.sufficient, found.sufficient_expanded
    homogeneity.assess_items([*items[:4], np.append(items[4], 10.2)]), homogeneity.cochran_critical(8, 3, 0.01)
    d = np.array([0.02, -0.05, 0.11, 0.04, 0.2, -0.01, 0.07])
    for noise, df in ((None, math.inf), (0.03, 6.0), (0.03, math.inf)):
        share.share_upper(d, 0.1, noise_se=noise, noise_df=df), share.shown_beyond(d, 0.1, noise_se=noise, noise_df=df)
    share.share_beyond(d, margin.Margin.relative(10), noise_variance=0.0009).sentence(), share.next_container(d)
    share.share_bound_clear(1, 9), unlike.worst_level(4, 0.05), unlike.unlike_words(4, 0.05)
    cells = np.random.default_rng(5).normal(0, 0.02, (6, 3)) + np.array([0.0, 0.01, 0.05])
    for structure in ("pooled", "own gradient"):
        declared.departure_p(cells, structure, heights=(0.9, 0.5, 0.2))  # type: ignore[arg-type]
    for scale in (margin.Margin.relative(10), margin.Margin.factor(1.5), margin.Margin.absolute(3, "mg/kg")):
        for call in (scale.shown, scale.from_shown, scale.sized, scale.in_margins, scale.as_scatter, scale.shown_sd):
            call(0.07)
        scale.shown_edges, scale.at(40.0), scale.edge_at(40.0), scale.sd_at(0.1, 40.0), scale.exceeded
        found = equivalence.compare_cells(cells, DEPTHS, scale)
        found.to_table(), found.at_least_shown(), found.word, found.p_any
    equivalence.compare_known(DEPTHS, (1.0, 1.1, 1.4), (0.01, 0.01, 0.02), margin.Margin.absolute(0.5)).to_table()
    equivalence.container_summary(cells[:, 2] - cells[:, 0]), equivalence.holm((0.01, 0.04, 0.03))


def _fits() -> None:
    """One mixed model of each kind with all that can be asked of it."""
    for k, (random, lost) in enumerate(((("container",), 0), (("container", "container:depth"), 4), (("container", "run"), 3),
                                        (("months | container",), 0), (("container", "container:depth", "run"), 2))):
        fit = fit_reml(table_of(8, seed=20 + k, slope=0.1, lost=lost), "y", ("depth",) if k else ("depth", "lot"), random)
        L = np.eye(len(fit.names))[1:]
        for method in ("kenward-roger", "satterthwaite"):
            fit.test(L, method).to_table(), fit.test(L[0], method), fit.interval(L[0], 0.9, method)
        fit.to_table(), fit.fitted, fit.residuals, fit.rows(L)
        for component in [t for t in (*random, "residual") if k in (1, 2)]:
            fit.profile_upper(component), fit.profile_lower(component)
        fit.effects("container").to_table() if k != 3 else None
        if k < 2:
            fit.second_opinion().to_table()
    wide = table_of(40, seed=31, lost=7)
    wide = wide.assign(run=[f"R{i % 5}" for i in np.random.default_rng(2).permutation(len(wide))])
    crossed = fit_reml(wide, "y", ("depth",), ("container", "container:depth", "run"))
    crossed.test([0.0, 1.0, 0.0]), crossed.effects("run").to_table(), crossed.to_table(), crossed.fitted
    for own, stated in ((0.5, 0.4), (0.2, 0.6), (0.9, 0.3)):
        variances.check_repeatability(own, 12, stated).sentence()
    balance.one_minimum([np.repeat(np.arange(4), 3)], np.ones((12, 1)) / math.sqrt(12))


def _many() -> None:
    """Many responses at once: balanced, nested with losses, crossed."""
    for k, (random, lost) in enumerate(((("container", "container:depth"), 0), (("container", "container:depth"), 5),
                                        (("container", "run"), 4))):
        table = table_of(6, seed=30 + k, lost=lost)
        rng = np.random.default_rng(k)
        own, cell = (np.unique(c, return_inverse=True)[1] for c in (table["container"], table["container"] + table["depth"]))
        Y = (table["y"].to_numpy()[:, None] + 0.03 * rng.standard_normal((6, 5))[own]
             + 0.02 * rng.standard_normal((18, 5))[cell] + 0.01 * rng.standard_normal((len(table), 5)))
        design = BatchDesign.from_table(table, ("depth",), random)
        fits = design.fit(Y)
        design.contrast(fits, np.eye(3)[1:]), design.contrast(fits, [0.0, 1.0, -1.0])
        if k == 0:
            design.contrast(fits, [0.0, 1.0, -1.0], "exact-stratum")


DIRECT: Mapping[str, Callable[[], None]] = {
    "tables": _tables, "chances": _chances, "fits": _fits, "many fits": _many, "within bounds": within_bounds,
    "many containers": many_containers, "lost cells": lost_cells, "single of many": single_of_many}
