"""Random slopes: how they are written, and the search where they may be correlated with their intercept.

Written as in lme4: ``age | container`` is an intercept and a slope of each container with a free correlation,
``0 + age | container`` a slope alone, ``container`` an intercept alone. The covariance of correlated effects must not leave
the cone of positive semidefinite matrices, so the search runs over a triangular root L with covariance = L L' (Pinheiro & Bates
1996, Stat. Comput. 6:289); variances are squares of one number. Every component is then a quadratic form x'Bx of the roots
x, and derivatives follow from those in the components by the chain rule. The minimum may lie where L has lost rank: a
variance of zero, or a correlation of +1 or -1. A point where the search rests is a minimum in the cone only where the
gradient, as a matrix, has no direction that leads down (Karush-Kuhn-Tucker); else it goes on from there.

Satterthwaite's degrees of freedom take the second derivatives in x, as lmerTest does: directions in which L has no rank fall
out by themselves, and with variances alone it is the usual form in which components at zero are left out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import optimize

from studykit.core.errors import DesignMismatch, ModelNotTrusted

NOTHING = 1e-9  # share of the total scatter below which a direction of a covariance is zero
SETTLED = 1e-7  # largest slope of the criterion at the minimum, a row
POLISH = 8  # plain Newton steps at the end


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """A random term as written: its group ('container' or 'container:depth'), its slopes, and whether it has an intercept."""

    group: str
    columns: tuple[str, ...]
    intercept: bool


def written(name: str) -> Written:
    """Read ``container``, ``age | container`` or ``0 + age | container``; DesignMismatch for anything else."""
    left, bar, right = (part.strip() for part in name.rpartition("|"))
    if not bar:
        return Written(group=right, columns=(), intercept=True)
    parts = [part.strip() for part in left.split("+")]
    columns = tuple(p for p in parts if p not in ("0", "1"))
    if not right or not all(parts) or "|" in left or parts.count("0") > 1 or not (columns or "0" not in parts):
        raise DesignMismatch(f"The random term {name!r} cannot be read. Write 'container', 'age | container' or "
                             "'0 + age | container'.")
    return Written(group=right, columns=columns, intercept="0" not in parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class Roots:
    """The components as quadratic forms of roots: theta_i = x'B_i x, residual first, covariances last."""

    B: np.ndarray  # (components, roots, roots), symmetric
    linked: tuple[tuple[int, ...], ...]  # terms whose effects may be correlated, and single terms
    pairs: tuple[tuple[int, int], ...]

    def theta(self, x: np.ndarray) -> np.ndarray:
        """Variances and covariances at the roots."""
        return np.asarray(np.einsum("ipq,p,q->i", self.B, x, x))

    def jacobian(self, x: np.ndarray) -> np.ndarray:
        """Derivative of the components in the roots."""
        return np.asarray(2 * self.B @ x)

    def curvature(self, x: np.ndarray, gradient: np.ndarray, hessian: np.ndarray) -> np.ndarray:
        """Second derivatives in the roots from first and second ones in the components."""
        J = self.jacobian(x)
        return np.asarray(J.T @ hessian @ J + 2 * np.einsum("i,ipq->pq", gradient, self.B))

    def matrix(self, values: np.ndarray, terms: tuple[int, ...], half: float = 1.0) -> np.ndarray:
        """Values of the components of linked terms as a symmetric matrix; those of pairs times ``half``."""
        out = np.diag([float(values[i + 1]) for i in terms])
        k = len(values) - 1 - len(self.pairs)
        for c, (a, b) in enumerate(self.pairs):
            if a in terms:
                i, j = terms.index(a), terms.index(b)
                out[i, j] = out[j, i] = half * values[1 + k + c]
        return out

    def roots(self, theta: np.ndarray) -> np.ndarray:
        """Roots of variances and covariances; directions that hold next to nothing become zero."""
        x, total = [float(np.sqrt(theta[0]))], float(np.abs(theta).sum())
        for terms in self.linked:
            values, vectors = np.linalg.eigh(self.matrix(theta, terms))
            root = vectors * np.sqrt(np.where(values > NOTHING * total, values, 0.0))
            lower = np.asarray(np.linalg.qr(root.T, mode="r")).T
            x += [float(lower[i, j]) for i in range(len(terms)) for j in range(i + 1)]
        return np.array(x)


def roots_of(k: int, pairs: tuple[tuple[int, int], ...]) -> Roots:
    """The roots of ``k`` terms of which the given pairs may be correlated."""
    linked = _linked(k, pairs)
    size = 1 + sum(len(t) * (len(t) + 1) // 2 for t in linked)
    B = np.zeros((1 + k + len(pairs), size, size))
    B[0, 0, 0] = 1.0
    at = 1
    for terms in linked:
        place = {(i, j): at + i * (i + 1) // 2 + j for i in range(len(terms)) for j in range(i + 1)}
        at += len(place)
        for i, a in enumerate(terms):
            for j in range(i + 1):
                row = a + 1 if i == j else 1 + k + pairs.index((terms[j], a))
                for c in range(j + 1):
                    p, q = place[i, c], place[j, c]
                    B[row, p, q] += 0.5
                    B[row, q, p] += 0.5
    return Roots(B=B, linked=linked, pairs=pairs)


def _linked(k: int, pairs: tuple[tuple[int, int], ...]) -> tuple[tuple[int, ...], ...]:
    """Terms by what they may be correlated with, each term once."""
    joined = {i: {i} for i in range(k)}
    for a, b in pairs:
        joined[a] |= joined[b]
        for i in joined[a]:
            joined[i] = joined[a]
    return tuple(dict.fromkeys(tuple(sorted(joined[i])) for i in range(k)))


def lowest(roots: Roots, start: np.ndarray, at: Callable[[np.ndarray], tuple[float, np.ndarray, np.ndarray]],
           rows: int) -> np.ndarray:  # fmt: skip
    """Components at the minimum of the criterion from a start, both as theta.

    ``at`` gives the criterion, its gradient and its second derivatives at given components. ModelNotTrusted where the
    search does not settle.
    """
    x = _lifted(roots, start)
    for _ in range(5):
        x = _rest(roots, x, at)
        theta = roots.theta(roots.roots(roots.theta(x)))
        gradient = at(theta)[1]
        step = _way_out(roots, theta, gradient)
        if step is None:
            slope = float(np.abs(gradient @ roots.jacobian(roots.roots(theta))).max())
            if slope > SETTLED * rows:
                break
            return theta
        x = _lifted(roots, theta + step)
    raise ModelNotTrusted("The likelihood search over correlated random slopes did not settle. The estimates are not shown.")


def _lifted(roots: Roots, theta: np.ndarray) -> np.ndarray:
    """Roots with every direction a little above zero, so that the search can move there."""
    lift = np.zeros(len(theta))
    lift[1 : len(theta) - len(roots.pairs)] = 1e-4 * float(np.abs(theta).sum())
    return roots.roots(theta + lift)


def _rest(roots: Roots, x: np.ndarray, at: Callable[[np.ndarray], tuple[float, np.ndarray, np.ndarray]]) -> np.ndarray:
    """Where the search over roots comes to rest: trust-region Newton, then plain Newton steps to the last digit."""
    seen: dict[bytes, tuple[float, np.ndarray, np.ndarray]] = {}

    def here(x: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        key = x.tobytes()
        if key not in seen:
            D, g, H = at(roots.theta(x))
            seen[key] = D, g @ roots.jacobian(x), roots.curvature(x, g, H)
        return seen[key]

    found = optimize.minimize(lambda x: here(x)[0], x, jac=lambda x: here(x)[1], hess=lambda x: here(x)[2],  # type: ignore[call-overload]
                              method="trust-exact", options={"gtol": 1e-6, "maxiter": 200})
    x = np.asarray(found.x)
    for _ in range(POLISH):
        _, g, H = here(x)
        values, vectors = np.linalg.eigh(H)
        keep = values > 1e-9 * values[-1]
        move = vectors[:, keep] @ ((vectors[:, keep].T @ g) / values[keep])
        if np.abs(here(x - move)[1]).max() >= np.abs(g).max():
            break
        x = x - move
    return x


def _way_out(roots: Roots, theta: np.ndarray, gradient: np.ndarray) -> np.ndarray | None:
    """A step that leads down from a point at the edge of the cone; None where there is none."""
    step, total = np.zeros(len(theta)), float(np.abs(theta).sum())
    k = len(theta) - 1 - len(roots.pairs)
    for terms in roots.linked:
        values, vectors = np.linalg.eigh(roots.matrix(gradient, terms, half=0.5))
        if values[0] * total < -1e-4:
            add = 1e-3 * total * np.outer(vectors[:, 0], vectors[:, 0])
            for i, a in enumerate(terms):
                step[a + 1] += add[i, i]
                for j in range(i):
                    step[1 + k + roots.pairs.index((terms[j], a))] += add[i, j]
    return step if step.any() else None
