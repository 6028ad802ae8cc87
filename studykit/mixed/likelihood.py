"""Restricted maximum likelihood on compressed data: criterion, derivatives and a bounded Newton search.

Everything here is in internal units: the response standardised, the fixed-effects matrix
orthonormal. ``state_at`` evaluates the criterion D = -2 log L_R (without its constant) and its
derivatives at given variances; ``search`` finds the constrained minimum. Steps are Newton steps
with the observed information 2A - E where that is positive definite, else with the average of
A and E (A the average, E the expected information: Gilmour, Thompson & Cullis 1995, Biometrics
51:1440-1450); they are shortened until D falls, and variances below zero are set to zero. A
component rests at zero when the derivative of D there is positive (Karush-Kuhn-Tucker).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from studykit.core.errors import DesignMismatch, ModelNotTrusted
from studykit.mixed.blocks import Blocks, moments
from studykit.mixed.woodbury import Moments

MOST_ITERATIONS = 200
SMALLEST = 1e-3  # a component counts as at least this share of the total when steps are judged
STEP_TOLERANCE = 1e-9
SINGULAR = 1e-11
NOTHING_LEFT = 1e-12  # share of the residual in the total below which it is rounding


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """The criterion and its parts at one set of variances, residual first, covariances of random slopes last."""

    theta: np.ndarray
    D: float  # log|V| + log|X'V^-1 X| + y'Py
    gradient: np.ndarray  # dD/dtheta
    A: np.ndarray  # average information, y'P G_i P G_j P y
    E: np.ndarray  # expected information, tr(P G_i P G_j)
    beta: np.ndarray
    Phi: np.ndarray  # (X'V^-1 X)^-1
    m: Moments

    @property
    def hessian(self) -> np.ndarray:
        """Second derivatives of D."""
        return np.asarray(2 * self.A - self.E)


def state_at(blocks: Blocks, theta: np.ndarray) -> State:
    """Criterion, gradient and informations at ``theta``."""
    m = moments(blocks, theta)
    p = m.S.shape[0] - 1
    Phi = np.linalg.inv(m.S[:p, :p])
    Phi = (Phi + Phi.T) / 2
    beta = Phi @ m.S[:p, p]
    c = np.append(-beta, 1.0)
    quad = float(c @ m.S @ c)
    D = m.logdet + float(np.linalg.slogdet(m.S[:p, :p])[1]) + quad
    S1c = m.S1 @ c  # (k+1, q)
    PX = m.S1[:, :p, :p] @ Phi  # (k+1, p, p)
    A = np.einsum("a,ijab,b->ij", c, m.S2, c) - S1c[:, :p] @ Phi @ S1c[:, :p].T
    E = m.t2 - 2 * np.einsum("ab,ijba->ij", Phi, m.S2[:, :, :p, :p]) + np.einsum("iab,jba->ij", PX, PX)
    trace = m.t1 - np.trace(PX, axis1=1, axis2=2)
    return State(theta=theta, D=D, gradient=trace - S1c @ c, A=(A + A.T) / 2, E=(E + E.T) / 2, beta=beta, Phi=Phi, m=m)


def check_information(blocks: Blocks, names: tuple[str, ...]) -> State:
    """The state at equal variances; refuses terms whose variances cannot be told apart."""
    k = blocks.k
    start = state_at(blocks, np.append(np.full(k + 1, 1.0 / (k + 1)), np.zeros(len(blocks.pairs))))
    scale = np.sqrt(np.maximum(np.diag(start.E), 1e-300))
    values, vectors = np.linalg.eigh(start.E / np.outer(scale, scale))
    if values[0] < SINGULAR:
        guilty = [n for n, v in zip(names, vectors[:, 0], strict=True) if abs(v) > 1e-3]
        raise DesignMismatch(
            f"The variances of {' and '.join(repr(g) for g in guilty)} cannot be told apart with these rows and this "
            "fixed part (they explain the same differences). Leave one of the terms out, or replicate more."
        )
    return start


def search(blocks: Blocks, start: State, held: int | None = None, *, scored: bool = False) -> tuple[State, int]:
    """The constrained minimum of D from ``start``; ``held`` keeps one component as it is.

    ``scored``: the first step is by the expected information, which in a balanced table ends at the analysis of variance's
    estimates from wherever it starts (Harville 1977), so at the minimum where none of them is negative. Returns the state
    and the number of iterations. Raises ModelNotTrusted when the search does not settle.
    """
    now = start
    for iteration in range(1, MOST_ITERATIONS + 1):
        free = free_components(now, held)
        if not free.any():
            return now, iteration
        step = _scored(now) if scored and iteration == 1 else _step(now, free)
        size = np.maximum(now.theta, SMALLEST * now.theta.sum())
        if np.max(np.abs(step) / size) < STEP_TOLERANCE:
            return now, iteration
        new = _shortened(blocks, now, step, held)
        if new is None:  # a step that was bent at the bound need not lead down; one cut short at it does
            new = _shortened(blocks, now, _cut_short(now, free), held)
        if new is None:
            if _slope(now, held) < 1e-8 * (blocks.n + abs(now.D)):
                return now, iteration
            break
        now = new
        residual_is_there(now)
    raise ModelNotTrusted(
        f"The likelihood search stopped after {iteration} steps without reaching a minimum "
        f"(slope {_slope(now, held):.1e}). The estimates are not shown."
    )


def residual_is_there(state: State) -> None:
    """Refuse fits that run to a residual variance of zero."""
    residual, total = state.theta[0], state.theta.sum()
    unseen = residual < 1e-4 * total and state.E[0, 0] * residual**2 < 1e-3
    if unseen or residual < NOTHING_LEFT * total:
        raise DesignMismatch(
            "The random terms reproduce every value, so the residual scatter is estimated as zero and no test can be "
            "made. Replicate determinations, or use fewer random terms."
        )


def free_components(state: State, held: int | None = None) -> np.ndarray:
    """Components that are not held at zero by the bound."""
    free = (state.theta > 0) | (state.gradient < 0)
    if held is not None:
        free[held] = False
    return free


def _scored(state: State) -> np.ndarray:
    """A step by the expected information where it leaves every variance above zero, else a bounded Newton step."""
    step = np.asarray(-np.linalg.solve(state.E, state.gradient))
    return step if np.all(state.theta + step > 0) else _step(state, np.ones(len(step), dtype=bool))


def _step(state: State, free: np.ndarray) -> np.ndarray:
    """A bounded Newton step: components that it would push below zero go to zero, the others follow."""
    ix = ... if free.all() else np.ix_(free, free)
    H, g, theta = state.hessian[ix], state.gradient[free], state.theta[free]
    scale = np.sqrt(np.maximum(np.diag(state.E)[free], 1e-300))
    if np.linalg.eigvalsh(H / np.outer(scale, scale))[0] < 1e-6:
        H = (state.A + state.E)[ix] / 2
    move = np.zeros(len(g))
    use = np.ones(len(g), dtype=bool)
    while use.any():
        every = use.all()
        rest = g if every else g[use] + H[np.ix_(use, ~use)] @ move[~use]
        move[use] = -np.linalg.solve(H if every else H[np.ix_(use, use)], rest)
        below = use & (theta + move < 0)
        if not below.any():
            break
        move[below] = -theta[below]
        use &= ~below
    step = np.zeros(len(state.theta))
    step[free] = move
    step[0] = max(step[0], -0.9 * state.theta[0])
    return step


def _cut_short(state: State, free: np.ndarray) -> np.ndarray:
    """A step along the average information that ends where the first component reaches zero: it leads down."""
    use = free.copy()
    step = np.zeros(len(state.theta))
    while use.any():
        ix = np.ix_(use, use)
        step[:] = 0.0
        step[use] = -np.linalg.solve((state.A + state.E)[ix] / 2, state.gradient[use])
        stuck = use & (state.theta == 0) & (step < 0)
        if not stuck.any():
            break
        use &= ~stuck
    down = step < 0
    step = step * np.min(state.theta[down] / -step[down], initial=1.0)
    step[0] = max(step[0], -0.9 * state.theta[0])
    return step


def _shortened(blocks: Blocks, now: State, step: np.ndarray, held: int | None) -> State | None:
    """The state after the step, halved until D falls; None where no step helps.

    Where the fall to expect is within the rounding of D, the gradient decides instead.
    """
    fall = float(now.gradient @ step)
    close = abs(fall) < 1e-8 * (1 + abs(now.D))
    if fall > 0 and not close:
        return None
    for halving in range(1 if close else 40):
        theta = np.maximum(now.theta + step * 0.5**halving, 0.0)
        if held is not None:
            theta[held] = now.theta[held]
        new = state_at(blocks, theta)
        if close and _slope(new, held) < 0.5 * _slope(now, held):
            return new
        enough = 1e-4 * fall * 0.5**halving
        if not close and now.D + enough + 1e-13 * (abs(now.D) + blocks.n) >= new.D:
            return new
    return None


def _slope(state: State, held: int | None) -> float:
    """Largest gradient among the free components, each on the scale of its variance."""
    size = np.maximum(state.theta, SMALLEST * state.theta.sum())
    return float(np.max(np.abs(state.gradient * size)[free_components(state, held)], initial=0.0))
