"""Calls of what judges values known only within bounds, lost cells, single containers of many, and wide tables."""

from __future__ import annotations

import math

import numpy as np

from studykit.inference import (
    Margin,
    bounded,
    contrasts,
    declared,
    departures,
    each,
    influence,
    judge,
    own,
    screened,
    wide,
)
from studykit.inference.table import read_aged, read_table
from tests.stood.tables import DEPTHS, table_of


def boxes(seed: int, n: int, k: int, *, shift: float = 0.0, width: float = 1.0, lost: int = 0,
          studies: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Cell means and their bounds, (studies, n, k); some lost."""
    rng = np.random.default_rng(seed)
    low = rng.normal(0, 1.0, (studies, n, k)) + shift * np.linspace(0, 1, k)
    high = low + np.where(rng.random(low.shape) < 0.3, rng.uniform(0, width, low.shape), 0.0)
    for s in range(studies):
        at = rng.permutation(n * k)[:lost]
        low[s].ravel()[at] = high[s].ravel()[at] = np.nan
    return low, high


def within_bounds() -> None:
    """The word wherever bounds leave the values: searched, screened, with groups, and in the form for many containers."""
    margin = Margin.absolute(4.0, "mg/kg")
    for s, (shift, width, lost) in enumerate(((0.0, 1.0, 0), (2.0, 3.0, 2), (12.0, 2.0, 0), (4.0, 0.5, 3))):
        (low,), (high,) = boxes(s, 7, 3, shift=shift, width=width, lost=lost)
        groups = np.column_stack([np.ones(7), np.arange(7) % 2]) if s % 2 else None
        found = bounded.judge_bounds(low, high, margin, DEPTHS, groups=groups)
        found.to_table(), found.interval(found.to_table().iloc[0, 0])
        for pair in bounded.linear_forms(low, high, groups):
            if pair is not None:
                bounded.largest(pair, 2.0), bounded.largest(pair, 1.5, 0.3, -1.0), bounded.limits_of(pair, 0.1, 0.9)
                bounded.largest(pair, 2.0, enough=0.5), bounded.largest(pair, -1.2)
        bounded.group_bounds(low[:4], high[:4], edge=1.0, alpha=0.05, step=0.0, looked_at=2)
        screened.words_between(*boxes(40 + s, 5, 2 + s, shift=shift, width=width, studies=30), 4.0, 0.05)
    for df, se in ((3.0, 0.5), (12.0, 1.5), (math.inf, 1.0)):
        bounded.critical_beyond(3, df, 2.0, se, 0.05), bounded.t_of(df, 0.9)
    bounded.mean_hull(np.array([1.0, 2.0, 4.0]), np.array([1.5, 2.0, 5.0]), 0.9, 0.6)
    for values in ([1.5, 2.0, 3.5], [10.0, 20.0, 40.0], [0.123, 1.0], [], [1.0, 2.0, 3.0]):
        bounded.rounding_step(values)


def many_containers() -> None:
    """The forms by which many containers are held."""
    rng = np.random.default_rng(4)
    w = rng.uniform(0.02, 0.1, 12)
    ok = rng.random((9, 3)) > 0.2
    Z = np.column_stack([np.ones(9), np.arange(9) % 2])
    forms = [wide.own_form(w / w.sum())[0], wide.linked_form(ok, np.array([-1.0, 0.0, 1.0]), Z)[1], wide.mean_form(200, 2.0)]
    wide.mean_form(20, 3.0)
    for form in forms:
        assert isinstance(form, wide.Form)
        form.diagonal(), form.top(), form.dense(), form.of(np.arange(0, len(form.at), 2)).dense()
        m = len(form.at)
        x = bounded.Linear(weights=np.full(m, 1 / m), form=form, low=np.linspace(0, 1, m), high=np.linspace(0, 1, m) + 0.1
                           * (np.arange(m) % 3 == 0), df=8.0, unit=1 / m)
        bounded.largest(x, 2.0), bounded.largest(x, 2.0, sign=-1.0)


def lost_cells() -> None:
    """Contrasts with losses, groups, a rounding step, declared scatter, and what leaving containers out does."""
    for s, lost in enumerate((0, 3, 5)):
        cells, _ = boxes(60 + s, 9, 3, shift=1.0, lost=lost, studies=3)
        groups = np.column_stack([np.ones(9), np.arange(9) % 2])
        for given in (None, groups):
            found = contrasts.contrasts_of(cells, groups=given, step=0.1 if s == 2 else 0.0)
            contrasts.p_any(found), contrasts.promised(found), contrasts.word_codes(found, 3.0, depths=3)
            contrasts.p_within(found, 2.0), contrasts.p_beyond(found, 0.5), contrasts.p_within(found, 2.0, side=-1)
            contrasts.p_beyond(found, 0.2, depths=3, side=1), contrasts.intervals(found, 0.9)
            contrasts.intervals(found, 0.95, together=True), judge.coarse(found, 0.5)
            for structure in ("pooled", "own gradient"):
                declared.declared_contrasts(cells, structure, heights=(0.9, 0.4, 0.1), groups=given,  # type: ignore[arg-type]
                                            step=0.05 * s)
                declared.departure_p(cells[0], structure, groups=given)  # type: ignore[arg-type]
            influence.without_each(cells[0]), influence.without_each(cells[0], groups=lambda keep, g=given: None if g is None
                                                                     else g[keep])
        shares = departures.equal_shares(9, 3)
        for margin in (Margin.absolute(2.0), Margin.relative(20)):
            part = np.exp(cells[0] / 10) if margin.log else cells[0]
            departures.departures_between(part, part + 0.1, shares, margin), departures.noise_share(part, shares, margin)
    container = np.repeat(np.arange(6), 3)
    influence.steps_without(container, np.array([1.5, 2.0, 2.5] * 5 + [1.25, 2.0, 3.0]))
    rng = np.random.default_rng(3)
    left = influence.residual_table(rng.standard_normal(24), np.linspace(1, 2, 24), container=[f"C{i // 3}" for i in range(24)],
                                    sample=[f"S{i}" for i in range(24)])
    influence.check_residuals(left).to_table()


def single_of_many() -> None:
    """Each container by its own readings: shown, cleared, what may be, with stated and own noise, from tables with limits."""
    for s, (m, lost) in enumerate((({"absolute": 6.0}, 0), ({"relative_percent": 6}, 4), ({"absolute": 9.0}, 3),
                                   ({"relative_percent": 6, "side": "below"}, 2), ({"factor": 1.2}, 5))):
        table = table_of(8, seed=70 + s, slope=0.02 * s, lost=lost)
        value = table["value"].astype(str).where((table.index % 7 > 0) | (s == 0), "<97" if s != 1 else ">99")
        scale, cells = read_table(table.assign(value=value), margin=m, depths=DEPTHS, alpha=0.05, share=None,  # type: ignore[arg-type]
                                  groups=("lot",), weights=None)
        for noise in (cells.noise_se, 0.3 * scale.edge):
            for twice in (False, True):
                each.containers_beyond(cells, scale, noise, 8.0, 0.05, twice=twice)
                each.may_lie_beyond(cells, scale, noise, 8.0, 0.05, twice=twice)
                each.read_beyond(cells, scale, noise, twice=twice)
                if noise is not None:
                    each.within_by_own(cells, scale, noise, 8.0, 0.05, twice=twice)
            own.own_differences(cells, noise), own.near_differences(cells, noise), own.rounded_in(cells, noise)
            own.noise_of_one(cells, noise)
        own.middle_of(cells), own.span_of_one(cells), own.contrasts_in(cells), own.known(cells), own.ends_of(cells, True)
        each.groups_that_may(cells, scale), judge.lost_reasons(cells), judge.next_of(cells, scale, 0.95)
        judge.mean_of(cells, scale, 0.05), judge.group_table(cells, scale, 0.05)
        [judge.depth_mean(cells, j, 0.95) for j in range(3)]
    aged = table_of(6, repeats=1, seed=80)
    read_aged(aged, margin={"absolute": 3.0}, depths=DEPTHS, alpha=0.05, share=0.2, groups=("lot",))
    for word, upper, share, beyond, group, every, may in (
            ("homogeneous", 0.1, 0.2, 0, False, False, 0), ("homogeneous", 0.3, 0.2, 0, False, False, 0),
            ("homogeneous", 0.1, None, 0, False, False, 0), ("homogeneous", 0.1, 0.2, 1, False, False, 0),
            ("inconclusive", 0.1, 0.2, 0, True, False, 0), ("inconclusive", 0.1, 0.2, 3, False, True, 0),
            ("stratified", 0.9, 0.2, 0, False, False, 0), ("homogeneous", 0.1, 0.2, 0, False, False, 2)):
        judge.stock_word(word, share_upper=upper, share=share, containers_beyond=beyond, groups_beyond=group, every_one=every,
                         may_be_beyond=may)
