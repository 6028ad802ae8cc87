"""Mixed models by their definitions, with n x n matrices: the sums that the compressed forms must give."""

from __future__ import annotations

import numpy as np

from studykit.mixed.design import Design
from studykit.mixed.woodbury import Moments


def products(design: Design) -> list[np.ndarray]:
    """G of the residual, of each term and of each pair that may be correlated, (n, n)."""
    Z = [(t.codes[:, None] == np.arange(len(t.levels))) * (1.0 if t.slope is None else t.slope[:, None]) for t in design.terms]
    return [np.eye(design.n), *(z @ z.T for z in Z), *(Z[a] @ Z[b].T + Z[b] @ Z[a].T for a, b in design.pairs)]


def defined(design: Design, A: np.ndarray, theta: np.ndarray) -> Moments:
    """All sums as the head of mixed/blocks.py defines them."""
    G = products(design)
    V = np.einsum("i,iab->ab", theta, G)
    W = np.linalg.inv(V)
    WA = W @ A
    return Moments(
        logdet=float(np.linalg.slogdet(V)[1]), S=A.T @ WA, S1=np.array([WA.T @ g @ WA for g in G]),
        S2=np.array([[WA.T @ g @ W @ h @ WA for h in G] for g in G]), t1=np.array([np.trace(W @ g) for g in G]),
        t2=np.array([[np.trace(W @ g @ W @ h) for h in G] for g in G]))


def kenward_roger(design: Design, X: np.ndarray, theta: np.ndarray, row: np.ndarray) -> tuple[float, float]:
    """Adjusted variance and degrees of freedom of one contrast, as Kenward & Roger 1997, Biometrics 53:983, write them.

    V = sum theta_i G_i has no second derivatives, P_i = X'W G_i W X, Q_ij = X'W G_i W G_j W X, both W with the expected
    information; the adjusted covariance is Phi + 2 Phi (sum_ij W_ij (Q_ij - P_i Phi P_j)) Phi, and df = 2 / A2.
    """
    G = products(design)
    W = np.linalg.inv(np.einsum("i,iab->ab", theta, G))
    WX = W @ X
    Phi = np.linalg.inv(X.T @ WX)
    P = W - WX @ Phi @ WX.T
    spread = 2 * np.linalg.inv(np.array([[np.trace(P @ g @ P @ h) for h in G] for g in G]))
    P1 = [WX.T @ g @ WX for g in G]
    middle = sum(spread[i, j] * (WX.T @ g @ W @ h @ WX - P1[i] @ Phi @ P1[j])
                 for i, g in enumerate(G) for j, h in enumerate(G))
    slopes = np.array([row @ Phi @ p @ Phi @ row for p in P1])
    plain = row @ Phi @ row
    return float(plain + 2 * row @ Phi @ middle @ Phi @ row), float(2 * plain**2 / (slopes @ spread @ slopes))


def moment_ratios(design: Design, order: tuple[int, ...], rest: np.ndarray) -> np.ndarray:
    """Variance ratios of the terms in ``order`` from residuals of least squares, by sums of squares of level means.

    r'A_a r with A_0 = I and A_a = Z_a (Z_a'Z_a)^-1 Z_a' has the expectation sum_i theta_i tr(M A_a M G_i), M = I - QQ'.
    """
    every = products(design)
    G = [every[0], *(every[i + 1] for i in order)]
    A = [G[0], *(g / g.sum(axis=1, keepdims=True) for g in G[1:])]
    M = np.eye(design.n) - design.Q @ design.Q.T
    squares = np.array([rest @ a @ rest for a in A])
    theta = np.linalg.solve(np.array([[np.trace(M @ a @ M @ g) for g in G] for a in A]), squares)
    return np.asarray(np.maximum(theta[1:], 0.0) / max(theta[0], 0.01 * squares[0] / design.n))
