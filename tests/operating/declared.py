"""Scatter that was declared beforehand: error rates where the declaration is true and where it is not, and its check."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from studykit.inference.declared import departure_p

from .engine import Rates, allowed, run_scenario
from .scenarios import Scenario

TRUE = {"pooled": ("equal", "zero"), "own gradient": ("equal", "zero", "gradients", "steep gradients")}
"""Truths under which a declaration holds."""
TRUTHS = ("equal", "zero", "gradients", "steep gradients", "curvature", "lowest zone x 3", "AR(1) 0.7")


@dataclass(frozen=True, slots=True, kw_only=True)
class DeclaredRates:
    """Rates under a declared scatter, and in how many of ``checked`` studies its check spoke against it, per cent."""

    structure: str
    rates: Rates
    checked: int
    against: float

    @property
    def holds(self) -> bool:
        """Whether the declaration is true here."""
        return self.rates.scenario.truth in TRUE[self.structure]

    def faults(self) -> list[str]:
        """What misses its limit where the declaration holds; a check that speaks there too often."""
        if not self.holds:
            return []
        out = [f for f in self.rates.faults() if not f.startswith("power")]
        if self.against > 5 + allowed(0.05, self.checked, 3.5):
            out.append(f"check speaks in {self.against:.1f} %")
        return out


def run_declared(structure: str, s: Scenario, studies: int, seed: int) -> DeclaredRates:
    """Rates of one scenario under a declaration, and the level or power of its check."""
    rates, checked = run_scenario(s, studies, seed, structure), min(studies, 1000)
    found = [departure_p(v, structure, groups=s.dummies)  # type: ignore[arg-type]
             for v in s.draw(np.random.default_rng(seed + 1), checked)]
    against = 100 * float(np.mean(np.array(found) < 0.05))
    return DeclaredRates(structure=structure, rates=rates, checked=checked, against=against)


def _grid() -> tuple[tuple[str, Scenario], ...]:
    out = [(structure, Scenario(truth=t, containers=n, depths=k)) for structure in TRUE for n, k in
           ((4, 3), (4, 5), (12, 3), (12, 5)) for t in TRUTHS]
    return tuple(out + [(structure, Scenario(truth=t, containers=n, depths=k, lost=0.15)) for structure, truths in TRUE.items()
                        for n, k in ((6, 3), (12, 5)) for t in truths if t != "zero"])


DECLARATIONS = _grid()
