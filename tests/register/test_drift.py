"""The check fluid over the years: SciPy's regression of studies' means, simulated drifts, and what is too little to tell."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from studykit.register import write_register
from studykit.register.drift import rate_of
from tests.many_studies import lay, truth_of


def readings(rng: np.random.Generator, rate: float, studies: int = 6, between: float = 0.5) -> pd.DataFrame:
    """Studies of one run with six readings each, half a year apart."""
    year = np.arange(studies) / 2.0
    level = rate * year + between * rng.standard_normal(studies)
    d = np.repeat(level, 6) + rng.standard_normal(6 * studies)
    names = np.repeat([f"s{k}" for k in range(studies)], 6)
    return pd.DataFrame({"d": d, "study": names, "at": names, "year": np.repeat(year - year.mean(), 6)})


def test_of_equal_studies_the_rate_is_scipys_regression_of_their_means() -> None:
    table = readings(np.random.default_rng(2), 0.8, between=1.5)
    means = table.groupby("study")[["year", "d"]].mean()
    other = stats.linregress(means["year"], means["d"])
    rate, low, high, df = rate_of(table)
    half = stats.t.ppf(0.975, 4) * other.stderr
    assert (rate, df) == (pytest.approx(other.slope, rel=1e-6), pytest.approx(4, rel=1e-6))
    assert (low, high) == (pytest.approx(other.slope - half, rel=1e-6), pytest.approx(other.slope + half, rel=1e-6))


@pytest.mark.slow
def test_the_interval_holds_the_rate() -> None:
    """300 records with scatter between studies: 95 % within 3.5 standard errors."""
    rng, out = np.random.default_rng(3), 0
    for _ in range(300):
        _, low, high, _ = rate_of(readings(rng, 0.4))
        out += not low < 0.4 < high
    assert out / 300 < 0.05 + 3.5 * np.sqrt(0.05 * 0.95 / 300)


@pytest.mark.slow
def test_a_laboratory_that_creeps_is_told(tmp_path: Path) -> None:
    """Five years in which it reads 1 % more each; a second analyte stays."""
    rng, studies = np.random.default_rng(7), tmp_path / "studies"
    for k in range(5):
        truths = [truth_of("P", rng, level=100 * 1.01**k, s_r=0.4), truth_of("S", rng, s_r=0.4)]
        lay(studies / f"y{k}", k, truths, containers=3, day=f"202{k + 1}-01-10", filed=False, fluid=100.0)
    (studies / "register.toml").write_text('[all]\nlaboratory = "works"\n', encoding="utf-8")
    made = write_register(studies, tmp_path / "register").drift
    rates = made.rates.set_index("analyte")
    assert rates.loc["P", ["studies", "readings"]].to_list() == [5, 60]
    assert rates.loc["P", "low"] < 1 < rates.loc["P", "high"]
    assert rates.loc["P", "told"] == "reads more from year to year (invented)"
    assert rates.loc["S", "told"] == "no drift is shown (invented)"
    own = made.years[made.years["analyte"] == "P"]
    assert own["departure"].to_numpy(float) == pytest.approx(100 * (1.01 ** np.arange(5) - 1), abs=0.6)
    (studies / "register.toml").write_text('[studies.y0]\nlaboratory = "works"\n', encoding="utf-8")
    told = write_register(studies, tmp_path / "register").drift.rates.set_index(["laboratory", "analyte"])["told"]
    assert told["works", "P"] == "too few to tell a rate: studies 1, years 0.0"
    assert told["", "P"].startswith("its laboratory is not stated")
