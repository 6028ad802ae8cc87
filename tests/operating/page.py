"""Mixtures through the report's own path: tables of a study, rows, verdicts, and the word that page one prints.

Only the mixed model is left out, which decides nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from studykit.model.fit import judge_rows
from studykit.model.rows import model_rows
from studykit.study.definition import Study, parse_study
from studykit.verdict.rule import judge
from tests.studies import definition

from .engine import allowed

DEPTHS = ("upper", "middle", "lower")
ALLOWED = 20.0
STOCKS = {
    "level": (0.0, 0.0),
    "a quarter at 1.2 margins, half up, half down": (0.25, 1.2),
    "a quarter at 3 margins, half up, half down": (0.25, 3.0),
    "21 % just beyond, half up, half down": (0.21, 1.02),
}
"""Share of containers beyond and where they lie, in margins; equal mean."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PageRates:
    """How often the report's verdict is each word for the stock, per cent."""

    stock: str
    containers: int
    determinations: int
    studies: int
    beyond: float
    homogeneous: float
    uneven: float

    def faults(self) -> list[str]:
        """Page one reassures of a stock with more beyond than allowed in over 5 %; or never of a level one."""
        if 100 * self.beyond > ALLOWED and self.homogeneous > 5 + allowed(0.05, self.studies, 3.5):
            return [f"reassures in {self.homogeneous:.1f} %"]
        return ["never reassures"] if not self.beyond and self.containers >= 16 and self.homogeneous < 50 else []


def _study() -> Study:
    return parse_study(definition(
        scope="stock", share_percent=ALLOWED, factors={"depths": list(DEPTHS)},
        analytes={"y": {"unit": "1", "method": "a test", "margin": {"absolute": 10.0}, "margin_reason": "for the test"}}))


def tables(rng: np.random.Generator, n: int, determinations: int, share: float, size: float) -> tuple[pd.DataFrame, ...]:
    """Containers, samples and results of one stock: margin 10, determinations with SD 1.2."""
    beyond = rng.random(n) < share
    ends = np.where(beyond, 10 * size * rng.choice([-1.0, 1.0], n), 0.0)
    cells = 100 + 3 * rng.standard_normal((n, 1)) + ends[:, None] * np.array([0.0, 0.5, 1.0])
    names = [f"C{i:02}" for i in range(n)]
    containers = pd.DataFrame({"container": names, "lot": "L", "store": "s", "vessel": "drum", "age_months": 12.0,
                               "treatment": "stored", "liquid_height_mm": 500.0})
    codes = [f"{c}-{d}" for c in names for d in DEPTHS]
    samples = pd.DataFrame({"sample": codes, "container": np.repeat(names, 3), "kind": "spot", "depth": DEPTHS * n,
                            "height": [0.83, 0.5, 0.17] * n})
    values = np.repeat(cells.ravel(), determinations) + 1.2 * rng.standard_normal(3 * n * determinations)
    results = pd.DataFrame({"sample": np.repeat(codes, determinations), "analyte": "y", "value": values, "unit": "1",
                            "qualifier": "", "limit": np.nan, "replicate": np.tile(np.arange(determinations) + 1, 3 * n),
                            "run": "R1", "run_order": 1, "source_file": "f.csv", "source_row": 2})
    return containers, samples, results


def run_page(stock: str, n: int, determinations: int, studies: int, seed: int) -> PageRates:
    """The study's word over many simulated studies of one stock."""
    rng, study, words = np.random.default_rng(seed), _study(), []
    for _ in range(studies):
        rows = model_rows(study, "y", *tables(rng, n, determinations, *STOCKS[stock]))
        words.append(judge(study, [judge_rows(rows, study.alpha, ("depth",))]).word)
    return PageRates(stock=stock, containers=n, determinations=determinations, studies=studies, beyond=STOCKS[stock][0],
                     homogeneous=100 * words.count("homogeneous") / studies, uneven=100 * words.count("uneven") / studies)


PAGES = tuple((stock, n, m) for stock in STOCKS for n, m in ((12, 1), (16, 2), (24, 2)))
