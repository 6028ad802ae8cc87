"""Tests of fixed effects that hold for few containers: Kenward-Roger and Satterthwaite.

Both compare an estimate with a t or F distribution whose denominator degrees of freedom come
from how well the variances are known.

Satterthwaite (Satterthwaite 1946, Biometrics Bulletin 2:110; Giesbrecht & Burns 1985, Biometrics
41:477; Fai & Cornelius 1996, J. Stat. Comput. Simul. 54:363 for several contrasts at once;
Kuznetsova, Brockhoff & Christensen 2017, J. Stat. Softw. 82(13)): the variance of l'b has the
gradient g in the variances, these have covariance 2 H^-1 with H the observed second derivatives
of -2 log L_R, and df = 2 v^2 / (g' 2H^-1 g). H is taken in the roots of the variances (slopes.py), so that components
estimated as zero, and directions in which correlated slopes have none, fall out.

Kenward-Roger (Kenward & Roger 1997, Biometrics 53:983; Kackar & Harville 1984, JASA 79:853;
Halekoh & Hojsgaard 2014, J. Stat. Softw. 59(9)): the covariance of the fixed effects is enlarged
for the estimation of the variances, and an F statistic is scaled so that its first two moments
match. W = 2 E^-1 with the expected information E, components at zero included.

In both, V is linear in the variances, so second derivatives of V are zero.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import special, stats

from studykit.core.errors import ModelNotTrusted
from studykit.mixed.likelihood import State
from studykit.mixed.slopes import Roots

METHODS = ("kenward-roger", "satterthwaite")
ZERO = 1e-10  # a difference that is zero but for rounding


@dataclass(frozen=True, slots=True, kw_only=True)
class Approximation:
    """How one hypothesis is judged: its covariance, degrees of freedom and scale."""

    cov: np.ndarray  # (rows, rows), covariance of the contrasts used in the statistic
    df: float
    scale: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SmallSample:
    """What both methods need, in any consistent units."""

    Phi: np.ndarray  # (p, p) covariance of the fixed effects
    adjusted: np.ndarray  # (p, p) the same, enlarged after Kackar & Harville and Kenward & Roger
    D1: np.ndarray  # (k+1, p, p) Phi X'WG_iWX Phi = derivative of Phi
    W: np.ndarray  # (k+1, k+1) covariance of the variances from the expected information
    Wobs: np.ndarray  # (k+1, k+1) the same from the observed information; zero where nothing is free


def small_sample(state: State, roots: Roots) -> SmallSample:
    """Covariances of fixed effects and variances at a fitted state."""
    p = len(state.beta)
    Phi, P1, Q = state.Phi, state.m.S1[:, :p, :p], state.m.S2[:, :, :p, :p]
    W = 2 * np.linalg.inv(state.E)
    middle = np.einsum("ij,ijab->ab", W, Q) - np.einsum("ij,iab,bc,jcd->ad", W, P1, Phi, P1)
    adjusted = Phi + 2 * Phi @ ((middle + middle.T) / 2) @ Phi
    x = roots.roots(state.theta)
    J = roots.jacobian(x)
    Wobs = 2 * J @ _inverse_positive(roots.curvature(x, state.gradient, state.hessian)) @ J.T
    return SmallSample(Phi=Phi, adjusted=adjusted, D1=Phi @ P1 @ Phi, W=W, Wobs=Wobs)


def _inverse_positive(H: np.ndarray) -> np.ndarray:
    """Inverse over the positive eigenvalues."""
    scale = np.sqrt(np.abs(np.diag(H)))
    scale[scale == 0] = 1.0
    values, vectors = np.linalg.eigh(H / np.outer(scale, scale))
    keep = values > 1e-9
    U = vectors[:, keep] / scale[:, None]
    return np.asarray((U / values[keep]) @ U.T)


def approximate(small: SmallSample, L: np.ndarray, method: str) -> Approximation:
    """Covariance, denominator degrees of freedom and scale for the hypothesis L b = 0, L (rows, p)."""
    if method == "kenward-roger":
        return _kenward_roger(small, L)
    if method == "satterthwaite":
        return _satterthwaite(small, L)
    raise ValueError(f"method must be one of {', '.join(METHODS)}, but got {method!r}")


def satterthwaite_df(small: SmallSample, l: np.ndarray) -> float:  # noqa: E741
    """Degrees of freedom of one contrast (p,)."""
    v = float(l @ small.Phi @ l)
    g = np.einsum("a,iab,b->i", l, small.D1, l)
    return 2 * v * v / float(g @ small.Wobs @ g)


def _satterthwaite(small: SmallSample, L: np.ndarray) -> Approximation:
    cov = L @ small.Phi @ L.T
    q = len(L)
    if q == 1:
        return Approximation(cov=cov, df=satterthwaite_df(small, L[0]), scale=1.0)
    vectors = np.linalg.eigh(cov)[1]
    each = np.array([satterthwaite_df(small, row) for row in vectors.T @ L])
    if np.ptp(each) < 1e-8 * each.mean():
        df = float(each.mean())
    elif (each <= 2).any():
        df = 2.0
    else:
        expected = float((each / (each - 2)).sum())
        df = 2 * expected / (expected - q)
    return Approximation(cov=cov, df=df, scale=1.0)


def _kenward_roger(small: SmallSample, L: np.ndarray) -> Approximation:
    q = len(L)
    cov = L @ small.adjusted @ L.T
    inner = np.linalg.inv(L @ small.Phi @ L.T)
    T = np.einsum("ab,ibc->iac", inner, np.einsum("la,iab,mb->ilm", L, small.D1, L))
    traces = np.trace(T, axis1=1, axis2=2)
    A1 = float(traces @ small.W @ traces)
    A2 = float(np.einsum("ij,iab,jba->", small.W, T, T))
    if q == 1:
        return Approximation(cov=cov, df=2 / A2, scale=1.0)
    df, scale = _moments_matched(q, A1, A2)
    if not (df > 0 and scale > 0):
        raise ModelNotTrusted(
            f"The design is too small to test {q} contrasts together by Kenward-Roger (it gives {df:.2g} degrees of "
            f"freedom and a scale of {scale:.2g}). Test them one by one, or use the Satterthwaite method."
        )
    return Approximation(cov=cov, df=df, scale=scale)


def _moments_matched(q: int, A1: float, A2: float) -> tuple[float, float]:
    """Denominator df and scale from the first two moments (Kenward & Roger 1997, section 3)."""
    B = (A1 + 6 * A2) / (2 * q)
    g = ((q + 1) * A1 - (q + 4) * A2) / ((q + 2) * A2)
    d = 3 * q + 2 * (1 - g)
    c1, c2, c3 = g / d, (q - g) / d, (q + 2 - g) / d
    v0, v1, v2 = 1 + c1 * B, 1 - c2 * B, 1 - c3 * B
    v0 = 0.0 if abs(v0) < ZERO else v0
    top = 1 - A2 / q
    ratio = 1.0 if max(abs(top), abs(v1)) < ZERO else top / v1
    below = ratio**2 * v0 - v2  # q rho - 1 with rho = ratio^2 v0 / (q v2), times v2: v2 = 0 means 4 df
    if below == 0:
        return float("inf"), top
    df = 4 + (q + 2) * v2 / below
    return df, 1.0 if abs(df - 2) < 0.01 else df * top / (df - 2)


def p_value(statistic: float, df1: int, df2: float) -> float:
    """Upper tail of the F distribution."""
    if 0 < statistic < math.inf and df2 < math.inf:  # what stats.f.sf calls there, without its checks of arrays
        return float(special.fdtrc(df1, df2, statistic))
    if df2 == math.inf:  # a chi-square over its degrees of freedom, of which stats.f makes no number
        return float(special.chdtrc(df1, df1 * statistic))
    return float(stats.f.sf(statistic, df1, df2))


def half_width(se: float, df: float, level: float) -> float:
    """Half the two-sided t interval at ``level``."""
    return float(stats.t.ppf((1 + level) / 2, df)) * se
