"""An invented table of determinations."""

from __future__ import annotations

import numpy as np
import pandas as pd

DEPTHS = ("upper", "middle", "lower")


def table_of(n: int, depths: int = 3, repeats: int = 2, *, seed: int = 1, slope: float = 0.0, lost: int = 0) -> pd.DataFrame:
    """One row a determination: container, depth, lot, run, months, value and y, its logarithm."""
    rng = np.random.default_rng(seed)
    rows = [(f"C{c}", DEPTHS[k], f"L{c % 2}", f"R{(c + r) % 3}", float(c % 4)) for c in range(n) for k in range(depths)
            for r in range(repeats)]
    table = pd.DataFrame(rows, columns=["container", "depth", "lot", "run", "months"])
    height, own, runs = (table[c].astype("category").cat.codes.to_numpy() for c in ("depth", "container", "run"))
    line = slope * np.array([table["depth"].map(DEPTHS.index)])[0] / 2
    y = (4.6 + line + 0.03 * rng.standard_normal(n)[own] + 0.02 * rng.standard_normal(3)[runs] + 0.01 * table["months"]
         * rng.standard_normal(n)[own] + 0.02 * rng.standard_normal((n, 3))[own, height])
    y += 0.01 * rng.standard_normal(len(table))
    table = table.assign(y=y, value=np.exp(y).round(3))
    return table.drop(index=rng.permutation(len(table))[:lost]).reset_index(drop=True)
