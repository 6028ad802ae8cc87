"""The scenarios: designs and scatters under which the verdict rule is tried."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """One design with its true scatter; SDs in units of the determination's SD, 1.

    ``relative``: values are simulated on the raw scale (level 100, determination's SD 2 %, SDs in the
    same proportion) and judged on the log scale by a margin in per cent. ``tails``: degrees of freedom
    of the t distribution that replaces the normal, scaled to the same SD (0: normal).
    """

    containers: int
    depths: int
    replicates: int
    container: float = 1.5
    cell: float = 0.0
    missing: float = 0.0
    relative: bool = False
    tails: int = 0

    @property
    def name(self) -> str:
        """containers x depths x replicates and what is special."""
        text = f"{self.containers} x {self.depths} x {self.replicates}, container:depth SD {self.cell:g}"
        if self.missing:
            text += f", {self.missing:.0%} missing"
        if self.relative:
            text += ", relative margin"
        if self.tails:
            text += f", t{self.tails} tails"
        return text

    @property
    def required(self) -> bool:
        """False for stress cases, which are reported and not held against a limit."""
        return self.tails == 0

    @property
    def random(self) -> list[str]:
        """Random terms of the model; single determinations cannot tell container:depth from error."""
        return ["container", "container:depth"] if self.replicates > 1 else ["container"]

    def table(self, rng: np.random.Generator) -> pd.DataFrame:
        """The rows of one study; missing rows are drawn so that every container keeps two depths."""
        rows = [(f"C{c:02d}", f"D{d}", r) for c in range(self.containers) for d in range(self.depths)
                for r in range(self.replicates)]
        full = pd.DataFrame(rows, columns=["container", "depth", "replicate"])
        lost = round(self.missing * len(full))
        while lost:
            kept = full.drop(index=rng.choice(len(full), lost, replace=False))
            per = kept.groupby("container")["depth"].nunique()
            if len(per) == self.containers and per.min() >= 2 and kept["depth"].nunique() == self.depths:
                return kept.reset_index(drop=True)
        return full


SCENARIOS: tuple[Scenario, ...] = (
    Scenario(containers=3, depths=2, replicates=1),
    Scenario(containers=3, depths=3, replicates=2),
    Scenario(containers=3, depths=3, replicates=2, cell=1.5),
    Scenario(containers=4, depths=3, replicates=1),
    Scenario(containers=4, depths=3, replicates=2),
    Scenario(containers=4, depths=5, replicates=2, cell=1.5),
    Scenario(containers=6, depths=3, replicates=1),
    Scenario(containers=6, depths=3, replicates=2),
    Scenario(containers=6, depths=3, replicates=2, cell=1.5),
    Scenario(containers=6, depths=5, replicates=3),
    Scenario(containers=12, depths=2, replicates=3, cell=0.5),
    Scenario(containers=12, depths=3, replicates=1),
    Scenario(containers=12, depths=3, replicates=2),
    Scenario(containers=12, depths=3, replicates=2, cell=1.5),
    Scenario(containers=30, depths=3, replicates=2),
    Scenario(containers=30, depths=5, replicates=1),
    Scenario(containers=12, depths=3, replicates=2, cell=1.5, relative=True),
    Scenario(containers=4, depths=3, replicates=2, missing=0.1),
    Scenario(containers=6, depths=3, replicates=2, missing=0.1),
    Scenario(containers=6, depths=3, replicates=2, cell=1.5, missing=0.1),
    Scenario(containers=12, depths=3, replicates=2, missing=0.1),
    Scenario(containers=12, depths=3, replicates=2, cell=1.5, missing=0.1),
    Scenario(containers=12, depths=3, replicates=1, missing=0.1),
    Scenario(containers=12, depths=3, replicates=2, cell=0.5, missing=0.1, relative=True),
    Scenario(containers=6, depths=3, replicates=2, cell=1.5, tails=3),
    Scenario(containers=12, depths=3, replicates=2, cell=1.5, missing=0.1, tails=3),
)
