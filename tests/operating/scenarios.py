"""Truths under which the rule is tried: how containers and depths scatter, how many there are, what is lost."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

NORMAL = ("equal", "gradients", "steep gradients", "curvature", "lowest zone x 3", "AR(1) 0.7", "zero")
RATIOS = ("equal", "steep gradients", "AR(1) 0.7")
UNLIKE = (((10, 2), (1.0, 1.0)), ((10, 2), (1.0, 5.0)), ((10, 2), (5.0, 1.0)), ((6, 6), (1.0, 5.0)), ((12, 12), (1.0, 5.0)))
"""Sizes of groups, and how many times their containers' profiles scatter."""
STRESS = ("t3", "lognormal", "a fifth settled")
WORDS = {
    "equal": "equal, independent scatter of every zone (compound symmetry)",
    "gradients": "each container its own linear gradient; top to bottom +-1 residual SD",
    "steep gradients": "the same, +-2 residual SD",
    "curvature": "each container its own curvature, SD 2.5",
    "lowest zone x 3": "the lowest zone scatters three times as much",
    "AR(1) 0.7": "neighbouring zones correlated, 0.7",
    "zero": "no scatter of zones at all, determinations only",
    "t3": "heavy tails (t, 3 df)",
    "lognormal": "skewed scatter",
    "a fifth settled": "a fifth of the containers settled by 4 SD of the determination's scatter",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """One truth and one design; ``lost``: share of determinations lost; ``groups``: declared groups of equal size.

    ``sizes``: declared groups of these sizes instead, whose containers' profiles scatter ``scatter`` times.
    """

    truth: str
    containers: int
    depths: int
    determinations: int = 1
    lost: float = 0.0
    groups: int = 1
    relative: bool = False
    sizes: tuple[int, ...] = ()
    scatter: tuple[float, ...] = ()

    @property
    def name(self) -> str:
        """The design in one line."""
        more = [f"{round(100 * self.lost)} % lost"] if self.lost else []
        more += [f"{self.groups} groups"] if self.groups > 1 else []
        more += [f"groups of {' and '.join(map(str, self.sizes))} scattering {' and '.join(f'{x:g}' for x in self.scatter)}"
                 ] if self.sizes else []
        more += ["relative margin"] if self.relative else []
        return " ".join([f"{self.containers} x {self.depths} x {self.determinations}", *more])

    @property
    def required(self) -> bool:
        """Whether the rates are held to their limits; heavy tails, skewness and mixtures are reported only."""
        return self.truth in NORMAL

    @property
    def dummies(self) -> np.ndarray | None:
        """Group columns, or None."""
        if self.sizes:
            return np.eye(len(self.sizes))[np.repeat(np.arange(len(self.sizes)), self.sizes)]
        if self.groups == 1:
            return None
        return np.eye(self.groups)[np.arange(self.containers) * self.groups // self.containers]

    def draw(self, rng: np.random.Generator, studies: int) -> np.ndarray:
        """Cell means of many studies without any difference between depths, (studies, n, k), NaN where lost."""
        n, k, m = self.containers, self.depths, self.determinations
        times = np.repeat(self.scatter, self.sizes)[:, None] if self.sizes else 1.0
        y = times * _profiles(self.truth, rng, (studies, n, k)) + 1.5 * rng.standard_normal((studies, n, 1))
        e = 0.5 * rng.standard_normal((studies, n, k, m))
        there = rng.random((studies, n, k, m)) >= self.lost
        count = there.sum(axis=-1)
        with np.errstate(all="ignore"):
            return np.asarray(y + np.where(count > 0, (e * there).sum(axis=-1) / count, np.nan))


def _profiles(truth: str, rng: np.random.Generator, shape: tuple[int, int, int]) -> np.ndarray:
    h, z, own = np.linspace(-1, 1, shape[2]), rng.standard_normal(shape), rng.standard_normal((*shape[:2], 1))
    if truth in ("gradients", "steep gradients"):
        return np.asarray(z + h * own * (1 if truth == "gradients" else 2))
    if truth == "curvature":
        return np.asarray(z + own * (2.5 * (h**2 - np.mean(h**2)) if shape[2] > 2 else 2 * h))
    if truth == "lowest zone x 3":
        return np.asarray(z * np.where(h == 1, 3, 1))
    if truth == "AR(1) 0.7":
        for j in range(1, shape[2]):
            z[..., j] = 0.7 * z[..., j - 1] + np.sqrt(1 - 0.49) * z[..., j]
        return z
    if truth == "t3":
        return np.asarray(rng.standard_t(3, shape) / np.sqrt(3))
    if truth == "lognormal":
        return np.asarray((np.exp(z) - np.exp(0.5)) / np.sqrt((np.e - 1) * np.e))
    if truth == "a fifth settled":
        return np.asarray(0.3 * z + ((rng.random((*shape[:2], 1)) < 0.2) - 0.2) * 2 * (h + 1))
    return 0 * z if truth == "zero" else z


def _grid() -> tuple[Scenario, ...]:
    out = [Scenario(truth=t, containers=n, depths=k) for k in (2, 3, 5) for n in (4, 6, 12, 24) for t in NORMAL]
    out += [Scenario(truth=t, containers=n, depths=3, determinations=2) for n in (6, 12) for t in NORMAL]
    out += [Scenario(truth=t, containers=n, depths=3, groups=2) for n in (6, 12) for t in NORMAL]
    out += [Scenario(truth=t, containers=12, depths=3, determinations=2, relative=True) for t in RATIOS]
    out += [Scenario(truth=t, containers=n, depths=k, lost=0.15) for k in (2, 3, 5) for n in (4, 6, 12) for t in NORMAL]
    out += [Scenario(truth=t, containers=24, depths=k, lost=0.15) for k in (3, 5) for t in ("equal", "steep gradients")]
    out += [Scenario(truth=t, containers=n, depths=3, lost=0.15, groups=2) for n in (6, 12) for t in NORMAL]
    out += [Scenario(truth=t, containers=n, depths=3, lost=0.15, determinations=2) for n in (6, 12) for t in NORMAL]
    out += [Scenario(truth=t, containers=12, depths=3, determinations=2, relative=True, lost=0.15) for t in RATIOS]
    out += [Scenario(truth=t, containers=sum(sizes), depths=k, lost=x, sizes=sizes, scatter=scatter) for x in (0.0, 0.15)
            for k in (3, 5) for sizes, scatter in UNLIKE for t in RATIOS[:2]]
    out += [Scenario(truth=t, containers=n, depths=3, lost=x) for x in (0.0, 0.15) for n in (6, 12) for t in STRESS]
    return tuple(out)


SCENARIOS = _grid()
