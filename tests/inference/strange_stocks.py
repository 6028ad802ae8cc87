"""Independent generator of stocks whose truth is known, and error rates of any judge of them.

Written by someone who had not seen the code; nothing of the kit is imported. A stock is the set of ALL its
containers: truth is the stock's mean difference per pair (on the margin's scale) and the share of its containers whose own
worst pair lies beyond the margin - never what the study happened to draw.
"""

from __future__ import annotations

import dataclasses as dc

import numpy as np
import pandas as pd

DEPTHS = ("top", "mid", "low", "d4", "d5")
REL = {"relative_percent": 20.0}


@dc.dataclass(frozen=True)
class Stock:
    containers: int = 12
    depths: int = 3
    replicates: int = 1
    relative: bool = False
    slope_sd: float = 0.0       # each container its own linear gradient (floor minus surface), in residual SDs
    floor_factor: float = 1.0   # scatter of the lowest zone
    ar: float = 0.0             # AR(1) along depth
    between: float = 3.0        # SD of container levels
    settled: float = 0.0        # share of containers settled, the others level
    settled_sd: float = 0.0
    groups: int = 1             # groups alternate; group effects on the gradient sum to zero
    group_step: float = 0.0
    lost: float = 0.0
    noise: float = 1.0          # SD of one determination (0 = scatter of drawing only)
    draw: float = 0.0           # SD of drawing a zone (shared by its determinations)

    def profile(self, kind: str, margin: float) -> np.ndarray:
        """Mean profile (depths,): 'homogeneous' edge: one pair at the margin; 'stratified' edge: half and half."""
        k = self.depths
        if kind == "edge":          # last pair at the margin, others half way
            m = np.full(k, margin / 2)
            m[0], m[-1] = 0, margin
        elif kind == "least":       # half of the depths at zero, half at the margin: most pairs at the edge
            m = np.where(np.arange(k) < k // 2, 0.0, margin)
        elif kind == "level":
            m = np.zeros(k)
        else:
            raise KeyError(kind)
        return m

    def layout(self) -> pd.DataFrame:
        n, k, r = self.containers, self.depths, self.replicates
        return pd.DataFrame({"container": np.repeat(np.arange(n), k * r), "depth": np.tile(np.repeat(DEPTHS[:k], r), n),
                             "lot": np.repeat(np.arange(n) % self.groups, k * r)})

    def draw_many(self, rng: np.random.Generator, studies: int, mean: np.ndarray, settled_by: float = 0.0) -> np.ndarray:
        """Values (studies, rows) on the scale of analysis. ``settled_by``: fall of the settled containers."""
        n, k, r, s = self.containers, self.depths, self.replicates, studies
        z = np.linspace(0.0, 1.0, k)
        y = np.broadcast_to(mean, (s, n, k)).copy()
        y += rng.normal(0, self.between, (s, n, 1))
        y += self.slope_sd * rng.normal(size=(s, n, 1)) * (z - z.mean())
        if self.groups > 1:
            eff = (np.arange(n) % self.groups) * 1.0
            eff -= eff.mean()
            y += self.group_step * eff[None, :, None] * (z - z.mean())
        if self.settled:
            hit = rng.random((s, n, 1)) < self.settled
            y += hit * (settled_by + self.settled_sd * rng.normal(size=(s, n, 1))) * z
        e = rng.normal(size=(s, n, k))
        for j in range(1, k):
            e[..., j] = self.ar * e[..., j - 1] + np.sqrt(1 - self.ar ** 2) * e[..., j]
        e[..., -1] *= self.floor_factor
        y += e * (self.draw if self.replicates > 1 or self.draw else self.noise)
        out = np.repeat(y, r, axis=2).reshape(s, n * k * r)
        if self.replicates > 1 or self.draw:
            out = out + self.noise * rng.normal(size=out.shape)
        if self.lost:
            out[rng.random(out.shape) < self.lost] = np.nan
        return out

    def to_values(self, y: np.ndarray, margin: float, percent: float = 20.0) -> tuple[np.ndarray, dict[str, float]]:
        """Into the analyte's unit with the margin that lies at ``margin`` on the scale of analysis."""
        if not self.relative:
            return 50.0 + y, {"absolute": margin}
        return 100.0 * np.exp(y / margin * np.log1p(percent / 100)), {"relative_percent": percent}


SCENES: dict[str, Stock] = {}
for _n, _k in ((4, 3), (12, 3), (8, 5), (6, 2)):
    for _name, _kw in {"sphere": {}, "slopes1": {"slope_sd": 2 ** .5}, "slopes2": {"slope_sd": 2 * 2 ** .5},
                       "slopes5": {"slope_sd": 5.}, "floor3": {"floor_factor": 3},
                       "floor10": {"floor_factor": 10}, "ar7": {"ar": .7}, "ar95": {"ar": .95}}.items():
        SCENES[f"{_n}x{_k} {_name}"] = Stock(_n, _k, **_kw)
for _n, _k in ((12, 3), (6, 3), (8, 5)):
    for _l in (.05, .15, .3):
        SCENES[f"{_n}x{_k} slopes2 lost{_l}"] = Stock(_n, _k, slope_sd=2.8, lost=_l)
        SCENES[f"{_n}x{_k} floor3 lost{_l}"] = Stock(_n, _k, floor_factor=3, lost=_l)
        SCENES[f"{_n}x{_k} sphere lost{_l}"] = Stock(_n, _k, lost=_l)
SCENES["12x3x2 duplicates slopes2 lost.15"] = Stock(12, 3, 2, slope_sd=2.8, lost=.15, draw=1.)
SCENES["12x3x2 duplicates slopes2"] = Stock(12, 3, 2, slope_sd=2.8, draw=1.)
SCENES["12x3x2 no draw scatter"] = Stock(12, 3, 2, draw=0., noise=1.)
SCENES["12x3x2 no draw scatter, lost"] = Stock(12, 3, 2, draw=1e-9, noise=1., lost=.15)
SCENES["12x3 two groups"] = Stock(12, 3, groups=2, group_step=8.)
SCENES["24x5 slopes2"] = Stock(24, 5, slope_sd=2.8)


def edge_se(stock: Stock, rng: np.random.Generator) -> float:
    """SD of the worst pair's mean difference, by drawing (complete data)."""
    full = dc.replace(stock, lost=0.0)
    shape = (2000, stock.containers, stock.depths, stock.replicates)
    y = full.draw_many(rng, 2000, np.zeros(stock.depths)).reshape(shape).mean(axis=(1, 3))
    return max(float(np.std(y[:, a] - y[:, b])) for a in range(stock.depths) for b in range(a))


def limit(studies: int, nominal: float = 0.05) -> float:
    return nominal + 3.5 * np.sqrt(nominal * (1 - nominal) / studies)


def rates(judge_many, stock: Stock, studies: int, seed: int, ses: float = 6.0) -> dict[str, float]:
    """False homogeneous at the edge; false stratified at the least favourable truth; power when level."""
    rng = np.random.default_rng(seed)
    margin = ses * edge_se(stock, rng)
    out = {}
    for kind, word in (("edge", "homogeneous"), ("least", "stratified"), ("level", "homogeneous")):
        v, m = stock.to_values(stock.draw_many(rng, studies, stock.profile(kind, margin)), margin)
        words = judge_many(stock.layout()[["container", "depth"]], v, margin=m, depths=DEPTHS[:stock.depths])
        out[kind] = float(np.mean(words == word))
    return out


def lost_floor_table(rng, complete=6, incomplete=40, beyond=0.4, times=1.3, sd=0.05):
    """A share ``beyond`` of ALL containers has its floor off by +-``times`` margins; the floor was drawn in few.

    Absolute margin 1. A container whose floor nobody measured may not count as 'clearly within'.
    """
    n = complete + incomplete
    own = (rng.random(n) < beyond) * np.where(rng.random(n) < .5, 1.0, -1.0) * times
    y = 20 + rng.normal(0, 2, (n, 1)) + own[:, None] * np.array([0, 0, 1.0]) + sd * rng.normal(size=(n, 3))
    t = pd.DataFrame({"container": np.repeat(np.arange(n), 3), "depth": np.tile(DEPTHS[:3], n), "value": y.ravel()})
    return t[(t.container < complete) | (t.depth != DEPTHS[2])].reset_index(drop=True)


def settled_and_lost(rng, n=30, share=0.5, times=3.0, gone=0.8, sd=0.05):
    """The floor of a share of the containers is ``times`` margins richer; there it could mostly not be drawn. Margin 1."""
    settled = rng.random(n) < share
    y = 20 + rng.normal(0, 2, (n, 1, 1)) + times * settled[:, None, None] * np.array([0, 0, 1.0])[:, None]
    y = y + sd * rng.normal(size=(n, 3, 2))
    y[rng.random(n) < np.where(settled, gone, 0.03), 2] = np.nan
    rows = {"container": np.repeat(np.arange(n), 6), "depth": np.tile(np.repeat(DEPTHS[:3], 2), n), "value": y.ravel()}
    return pd.DataFrame(rows).dropna(ignore_index=True)
