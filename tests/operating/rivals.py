"""Other ways to judge studies with lost readings, held against the chosen rule: they live here only.

* REML with Kenward and Roger's covariance and degrees of freedom, container levels taken out, for three forms of the
  scatter across depths: one variance a depth ("heterogeneous"), any ("unstructured"), own gradients beside a variance a depth;
* bootstraps of the chosen rule's statistic: containers' residuals with random signs, or normal profiles with the
  covariance of all pairs that are there ("parametric"), each against its own quantile.

All give every pair of depths an estimate, a standard error and the number of standard errors that stands for t.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import linalg, stats

from studykit.inference.contrasts import contrasts_of, pair_rows

from .engine import WIDE, typical_se
from .scenarios import Scenario

Array = np.ndarray
DRAWS = 199
STEPS = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class RivalRates:
    """Rates of one rule in one scenario, per cent; of the studies it answered; ``failed``: the rest."""

    rule: str
    scenario: Scenario
    studies: int
    false_homogeneous: float
    coverage: float
    power: float
    failed: float


def _forms(k: int, form: str) -> list[Array]:
    eye, h = np.eye(k), np.linspace(-1, 1, k)
    if form == "unstructured":
        K = linalg.helmert(k)
        return [K.T @ (np.outer(a, b) + np.outer(b, a)) @ K / 2 for i, a in enumerate(np.eye(k - 1)) for b in np.eye(k - 1)[i:]]
    return [np.outer(e, e) for e in eye] + ([np.outer(h, h)] if form == "gradients and depths" else [])


def reml(v: Array, form: str) -> tuple[Array, Array, Array] | None:
    """Estimates, standard errors and df of all pairs (K,) by Fisher scoring, held at the boundary; None where singular."""
    k = v.shape[1]
    basis, blocks = linalg.helmert(k).T, []
    for y in v:
        there = np.flatnonzero(np.isfinite(y))
        if len(there) > 1:
            blocks.append((linalg.helmert(len(there)), there, y[there]))
    G = [linalg.block_diag(*(K @ g[np.ix_(t, t)] @ K.T for K, t, _ in blocks)) for g in _forms(k, form)]
    X, y = np.vstack([K @ basis[t] for K, t, _ in blocks]), np.concatenate([K @ z for K, _, z in blocks])
    if len(y) <= X.shape[1] or np.linalg.matrix_rank(X) < X.shape[1]:
        return None
    base = float(y @ y) / len(y)
    theta = np.array([base * (np.linalg.eigvalsh(g)[0] > -1e-9) for g in G])  # covariances start at zero
    for _ in range(STEPS):
        V = sum(t * g for t, g in zip(theta, G, strict=True))
        try:
            inverse = np.linalg.inv(V)
            phi = np.linalg.inv(X.T @ inverse @ X)
            P = inverse - inverse @ X @ phi @ X.T @ inverse
            PG = [P @ g for g in G]
            info = np.array([[np.sum(a * b.T) for b in PG] for a in PG])
            move = np.linalg.solve(info, np.array([y @ a @ P @ y - np.trace(a) for a in PG]))
        except np.linalg.LinAlgError:
            return None
        for _half in range(12):
            if np.linalg.eigvalsh(sum(t * g for t, g in zip(theta + move, G, strict=True)))[0] > 1e-6 * base:
                break
            move = move / 2
        else:
            break  # held at the boundary of what is a covariance
        theta = theta + move
        if np.abs(move).max() < 1e-5 * base:
            break
    return _kenward_roger(X, y, G, inverse, phi, info, pair_rows(k) @ basis)


def _kenward_roger(X: Array, y: Array, G: list[Array], inverse: Array, phi: Array, info: Array,
                   load: Array) -> tuple[Array, Array, Array]:
    W = 2 * np.linalg.inv(info)
    A = [inverse @ g @ inverse for g in G]
    D = [-X.T @ a @ X for a in A]
    more = sum(W[i, j] * (X.T @ a @ g @ inverse @ X - D[i] @ phi @ D[j])
               for i, a in enumerate(A) for j, g in enumerate(G))
    variance = np.einsum("pu,uv,pv->p", load, phi, load)
    adjusted = variance + 2 * np.einsum("pu,uv,pv->p", load, phi @ more @ phi, load)
    slopes = np.array([np.einsum("pu,uv,pv->p", load, phi @ d @ phi, load) for d in D])
    df = 2 * variance**2 / np.einsum("ip,ij,jp->p", slopes, W, slopes)
    return load @ phi @ X.T @ inverse @ y, np.sqrt(np.maximum(adjusted, 0.0)), df


def bootstrap(v: Array, rng: np.random.Generator, parametric: bool) -> tuple[Array, Array, Array] | None:
    """The chosen rule's estimate and standard error, and the 95 % and 97.5 % points of its own statistic, (2, K)."""
    v = v[np.isfinite(v).any(axis=1)]
    found = contrasts_of(v[None])
    if not found.judged.all():
        return None
    n, k = v.shape
    profile = v - np.nanmean(v, axis=1, keepdims=True)
    profile = profile - np.nanmean(profile, axis=0)
    if parametric:
        w = np.isfinite(profile) * 1.0
        filled = np.where(w > 0, profile, 0.0)
        cov = filled.T @ filled / np.maximum(w.T @ w - 1, 1)
        values, vectors = np.linalg.eigh(cov)
        made = rng.standard_normal((DRAWS, n, k)) @ (vectors * np.sqrt(np.maximum(values, 0))).T
        made = np.where(np.isfinite(v), made, np.nan)
    else:
        made = profile * rng.choice([-1.0, 1.0], (DRAWS, n, 1)) * np.sqrt(n / (n - 1))
    again = contrasts_of(made)
    with np.errstate(all="ignore"):
        size = np.abs(again.estimate / np.maximum(again.se, 1e-12))
    return found.estimate[0], found.se[0], np.nanquantile(size, [0.9, 0.95], axis=0)


def _rules(rng: np.random.Generator) -> dict[str, Callable[[Array], tuple[Array, Array, Array] | None]]:
    def by_t(form: str) -> Callable[[Array], tuple[Array, Array, Array] | None]:
        def judge(v: Array) -> tuple[Array, Array, Array] | None:
            found = reml(v, form)
            if found is None or not ((found[1] > 0) & (found[2] >= 1)).all():
                return None
            return found[0], found[1], np.array([stats.t.isf(a, found[2]) for a in (0.05, 0.025)])
        return judge

    def chosen(v: Array) -> tuple[Array, Array, Array] | None:
        c = contrasts_of(v[None])
        if not c.judged.all():
            return None
        return c.estimate[0], c.se[0], np.array([stats.t.isf(a, c.df[0]) for a in (0.05, 0.025)])

    return {"chosen": chosen, "REML heterogeneous": by_t("heterogeneous"), "REML unstructured": by_t("unstructured"),
            "REML gradients and depths": by_t("gradients and depths"),
            "sign-flip bootstrap": lambda v: bootstrap(v, rng, False),
            "parametric bootstrap": lambda v: bootstrap(v, rng, True)}


RULES = ("chosen", "REML heterogeneous", "REML unstructured", "REML gradients and depths", "sign-flip bootstrap",
         "parametric bootstrap")


def run_rival(rule: str, s: Scenario, studies: int, seed: int) -> RivalRates:
    """Last depth at the margin (false homogeneous), no difference (coverage of the ends' 95 % interval, power)."""
    rng = np.random.default_rng(seed)
    edge, judge = WIDE * float(typical_se(s).max()), _rules(rng)[rule]
    move = pair_rows(s.depths) @ np.linspace(0, edge, s.depths)
    wrong = covered = power = failed = answered = 0
    for v in s.draw(np.random.default_rng(seed), studies):
        found = judge(v)
        if found is None:
            failed += 1
            continue
        estimate, se, (one_sided, two_sided) = found
        answered += 1
        wrong += bool((np.abs(estimate + move) + one_sided * se < edge).all())
        power += bool((np.abs(estimate) + one_sided * se < edge / 2).all())
        covered += bool(abs(estimate[s.depths - 2]) <= two_sided[s.depths - 2] * se[s.depths - 2])
    share = 100 / max(answered, 1)
    return RivalRates(rule=rule, scenario=s, studies=studies, false_homogeneous=share * wrong, coverage=share * covered,
                      power=share * power, failed=100 * failed / studies)


RIVALS = tuple((rule, Scenario(truth=t, containers=n, depths=4, lost=0.15)) for n in (6, 12)
               for t in ("equal", "steep gradients", "lowest zone x 3") for rule in RULES)
