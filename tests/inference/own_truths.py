"""Simulated stocks with known truth against the words of studykit.judge_many.

Written by somebody who had not seen the kit's code, from its pages alone. ``rates`` gives the worst share of false
"homogeneous" with a pair at the margin, and of false "stratified" with nothing beyond it.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

import studykit as sk

SEED = 4711


def scatter(kind, rng, S, C, k):
    """Scatter of the zones about the mean profile, (S, C, k), in units of the determination's SD."""
    h = np.linspace(-0.5, 0.5, k)
    base = rng.normal(size=(S, C, 1)) * 5          # container level, must not matter
    e = rng.normal(size=(S, C, k))
    if kind == "equal":
        return base + e
    if kind == "gradient2":
        return base + e + rng.normal(size=(S, C, 1)) * 2 * h
    if kind == "gradient only":
        return base + rng.normal(size=(S, C, 1)) * 3 * h
    if kind == "curvature":
        return base + e + rng.normal(size=(S, C, 1)) * 4 * (h ** 2 - (h ** 2).mean())
    if kind == "floor x5":
        e[..., -1] *= 5
        return base + e
    if kind == "middle x4":
        e[..., k // 2] *= 4
        return base + e
    if kind == "ar1 .9":
        out = np.empty_like(e)
        out[..., 0] = e[..., 0]
        for j in range(1, k):
            out[..., j] = 0.9 * out[..., j - 1] + np.sqrt(1 - 0.81) * e[..., j]
        return base + out
    if kind == "opposed":                           # top and floor anticorrelated, the middle silent
        g = rng.normal(size=(S, C, 1))
        w = np.zeros(k)
        w[0], w[-1] = 1, -1
        return base + g * w * 2 + 0.2 * e
    if kind == "zero":
        return base + 0 * e
    if kind == "noisy half":                        # half of the containers scatter six times as much
        return base + e * np.where(np.arange(C) % 2, 6, 1)[None, :, None]
    if kind == "uniform":
        return base + rng.uniform(-1.7, 1.7, size=(S, C, k))
    if kind == "two-point":                         # a fifth of containers settled; centred so that the mean is as said
        s = (rng.random((S, C, 1)) < 0.2) - 0.2
        w = np.zeros(k)
        w[-1] = 1
        return base + 0.5 * e + s * 4 * w
    raise ValueError(kind)


def observed(kind, rng, S, C, k, r, means, noise=1.0):
    """Determinations (S, C*k*r) of stocks whose mean profile is ``means``."""
    cells = scatter(kind, rng, S, C, k) + means
    return (cells[..., None] + noise * rng.normal(size=(S, C, k, r))).reshape(S, -1)


def lose(kind, rng, x, C, k, r):
    """Lose determinations: whole samples at random, or by a fixed unlucky pattern."""
    S = len(x)
    y = x.reshape(S, C, k, r).copy()
    if kind == "none":
        return x
    if kind == "15 %":
        y[rng.random((S, C, k)) < 0.15] = np.nan
    elif kind == "50 %":
        y[rng.random((S, C, k)) < 0.5] = np.nan
    elif kind == "floor in all but 1":
        y[:, 1:, -1] = np.nan
    elif kind == "floor in all but 2":
        y[:, 2:, -1] = np.nan
    elif kind == "one has one depth":
        y[:, 0, 1:] = np.nan
    elif kind == "half top only":
        y[:, : C // 2, 1:] = np.nan
    elif kind == "staircase":                       # container c lost zone c mod k
        for c in range(C):
            y[:, c, c % k] = np.nan
    elif kind.endswith("chain"):                    # container c has two neighbouring zones only
        for c in range(2 if kind.startswith("two whole") else 0, C):
            keep = [c % (k - 1), c % (k - 1) + 1]
            y[:, c, [j for j in range(k) if j not in keep]] = np.nan
    elif kind == "single of duplicates":            # one determination lost in 40 % of cells
        y[..., -1][rng.random((S, C, k)) < 0.4] = np.nan
    elif kind == "high floor":                      # what reads highest at the floor is lost (broken, overflow)
        top = y[..., -1, :].mean(-1)
        y[np.arange(S), np.argmax(top, 1), -1] = np.nan
    else:
        raise ValueError(kind)
    return y.reshape(S, -1)


def layout(C, k, r):
    return pd.DataFrame({"container": np.repeat(np.arange(C), k * r), "depth": np.tile(np.repeat(np.arange(k), r), C)})


def words(C, k, r, x, margin):
    return sk.judge_many(layout(C, k, r), x, margin=margin, depths=list(range(k)))


def cast(x, scale, m, unit):
    """Put a study of margin 1 (m standard units) on a scale: absolute, at zero, negative, huge offset, relative."""
    if scale == "absolute":
        return 100 + x, {"absolute": m}
    if scale == "negative":
        return x - 50, {"absolute": m}
    if scale == "about zero":
        return x, {"absolute": m}
    if scale == "offset 1e9":
        return 1e9 + x, {"absolute": m}
    if scale == "tiny":
        return x * 1e-9, {"absolute": m * 1e-9}
    if scale == "relative":                         # x is on the log scale in units of 1 %
        return 100 * np.exp(x * unit), {"relative_percent": 100 * (np.exp(m * unit) - 1)}
    raise ValueError(scale)


def profiles(k, m):
    """Homogeneous attack (one pair exactly at the margin) and stratified attacks (nothing beyond it)."""
    out = [np.linspace(0, m, k)]
    if k > 2:
        a = np.full(k, m / 2)
        a[0], a[-1] = 0, m
        out.append(a)
    s = []
    for j in range(1, k):
        a = np.zeros(k)
        a[j:] = m
        s.append(a)
    if k > 2:
        s.append(np.linspace(0, m, k))
        s.append(np.where(np.arange(k) % 2, m, 0.0))
    return out, s


def rates(kind, design, loss, scale, studies, sizes=(8.0, 0.7), seed=SEED):
    """Worst share of false "homogeneous" and of false "stratified", over profiles and margins in standard errors."""
    C, k, r = design
    rng = np.random.default_rng(seed)
    probe = observed(kind, rng, 400, C, k, r, 0.0).reshape(400, C, k, r).mean(-1)  # to put the margin in standard errors
    se = max(float((probe[..., -1] - probe[..., 0]).std()) / np.sqrt(C), 1e-12)

    def share(profile, m, word):
        x = lose(loss, rng, observed(kind, rng, studies, C, k, r, profile), C, k, r)
        values, margin = cast(x, scale, m, 0.01)
        return float(np.mean(words(C, k, r, values, margin) == word))

    false_homogeneous = max(share(p, sizes[0] * se, "homogeneous") for p in profiles(k, sizes[0] * se)[0])
    return false_homogeneous, max(share(p, z * se, "stratified") for z in sizes for p in profiles(k, z * se)[1])


KINDS = ["equal", "gradient2", "gradient only", "curvature", "floor x5", "middle x4", "ar1 .9", "opposed", "zero",
         "noisy half", "uniform", "two-point"]
