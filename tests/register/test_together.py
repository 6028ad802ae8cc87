"""Differences combined over studies: lme4's published fit, statsmodels on unequal ones, simulated ones, what is left."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from statsmodels.stats.meta_analysis import combine_effects

from studykit.core.errors import StudyKitError
from studykit.register import write_register
from studykit.register.together import FEWEST, hartung_knapp, mean_over, paule_mandel, standing_off
from tests.many_studies import lay, truth_of

# Dyestuff (Davies and Goldsmith 1972, as in the R package lme4): yield of five preparations of each of six batches
DYESTUFF = [[1545, 1440, 1440, 1520, 1580], [1540, 1555, 1490, 1560, 1495], [1595, 1550, 1605, 1510, 1560],
            [1445, 1440, 1595, 1465, 1545], [1595, 1630, 1515, 1635, 1625], [1520, 1455, 1450, 1480, 1445]]


def test_batches_of_a_textbook_are_as_lme4_has_them() -> None:
    """lmer(Yield ~ 1 + (1 | Batch)): 1527.50, standard error 19.38, SD 42.00 and 49.51 (Bates et al. 2015, lme4)."""
    found = mean_over(DYESTUFF)
    assert found.mean == pytest.approx(1527.5, abs=1e-6)
    assert (found.between[0], found.within) == (pytest.approx(42.00, abs=0.006), pytest.approx(49.51, abs=0.006))
    assert found.df == pytest.approx(5, abs=1e-6)  # balanced: batches less one
    assert found.mixed[1] - found.mean == pytest.approx(2.570582 * 19.38, abs=0.02)  # t of 5 degrees of freedom, tables


def unequal(seed: int, studies: int = 8) -> list[np.ndarray]:
    rng = np.random.default_rng(seed)
    return [1 + 0.6 * rng.standard_normal() + rng.standard_normal(n) for n in np.resize([4, 6, 9, 12, 16], studies)]


@pytest.mark.parametrize("seed", [1, 3, 5])
def test_unequal_studies_are_as_statsmodels_has_them(seed: int) -> None:
    """MixedLM by REML: mean and both components (its optimiser moves them in the fourth digit)."""
    studies = unequal(seed)
    found = mean_over(studies)
    y, group = np.concatenate(studies), np.repeat(np.arange(len(studies)), [len(s) for s in studies])
    other = sm.MixedLM(y, np.ones(len(y)), group).fit(reml=True)
    assert found.mean == pytest.approx(float(other.params[0]), rel=1e-3)
    assert found.within**2 == pytest.approx(float(other.scale), rel=1e-3)
    assert found.between[0] ** 2 == pytest.approx(float(np.asarray(other.cov_re)[0, 0]), rel=5e-3)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_own_scatter_is_as_statsmodels_has_it(seed: int) -> None:
    """combine_effects(method_re="iterated") is Paule and Mandel's t^2; its HKSJ standard error where it is the larger one."""
    studies = unequal(seed)
    means = np.array([s.mean() for s in studies])
    variances = np.array([s.var(ddof=1) / len(s) for s in studies])
    other = combine_effects(means, variances, method_re="iterated", use_t=True)
    assert paule_mandel(means, variances) == pytest.approx(float(other.tau2), rel=1e-4)
    low, high = hartung_knapp(means, variances)
    assert (low + high) / 2 == pytest.approx(float(other.mean_effect_re), rel=1e-4)
    se = max(float(other.sd_eff_w_re_hksj), float(other.sd_eff_w_re))
    assert (high - low) / 2 == pytest.approx(se * 2.364624, rel=1e-4)  # t of 7 degrees of freedom, tables


def simulated(rng: np.random.Generator, studies: int, between: float, wild: int | None) -> list[np.ndarray]:
    """Studies of 4 to 16 containers about a mean of 0; one of them with three times the scatter where ``wild``."""
    sizes = np.resize([4, 6, 8, 12, 16], studies)
    return [between * rng.standard_normal() + (3 if k == wild else 1) * rng.standard_normal(n) for k, n in enumerate(sizes)]


def misses(studies: int, between: float, wild: bool, times: int) -> float:
    """Share of simulated registers whose interval does not hold the mean."""
    rng, out = np.random.default_rng([studies, int(10 * between), wild]), 0
    for _ in range(times):
        low, high = mean_over(simulated(rng, studies, between, int(rng.integers(studies)) if wild else None)).span
        out += not low < 0 < high
    return out / times


CASES = [(k, between, wild) for k in (3, 5, 10, 30) for between in (0.0, 0.3, 1.0) for wild in (False, True)]


@pytest.mark.slow
@pytest.mark.parametrize(("studies", "between", "wild"), CASES)
def test_the_interval_holds_the_mean(studies: int, between: float, wild: bool) -> None:
    """95 % within what 400 repetitions can tell (3.5 standard errors), one study of three times the scatter or not."""
    assert misses(studies, between, wild, 400) < 0.05 + 3.5 * np.sqrt(0.05 * 0.95 / 400)


def test_an_interval_that_takes_studies_for_containers_would_miss() -> None:
    """The check above can fail: of pooled containers without studies the mean is missed far more often."""
    rng, out = np.random.default_rng(3), 0
    for _ in range(200):
        y = np.concatenate(simulated(rng, 10, 1.0, None))
        out += abs(y.mean()) > 1.98 * y.std(ddof=1) / np.sqrt(len(y))
    assert out / 200 > 0.3


@pytest.mark.slow
def test_a_study_that_truly_settled_stands_off_and_the_others_do_not() -> None:
    rng = np.random.default_rng(5)
    odd, calm = 0, 0
    for _ in range(200):
        studies = simulated(rng, 8, 0.3, None)
        calm += standing_off(studies)[1] < 0.05
        studies[3] = studies[3] + 4
        at, p = standing_off(studies)
        odd += at == 3 and p < 0.05
    assert odd / 200 > 0.9
    assert calm / 200 < 0.05 + 3.5 * np.sqrt(0.05 * 0.95 / 200)


def test_fewer_than_three_studies_are_no_basis() -> None:
    assert FEWEST == 3
    with pytest.raises(ValueError, match="at least 3 studies"):
        mean_over(DYESTUFF[:2])
    with pytest.raises(StudyKitError):
        mean_over([[1.0, 1.0]] * 3)


@pytest.fixture(scope="module")
def laid(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Five studies of one fluid of which the lowest depth holds 3 % more, and others that do not belong to them."""
    root, rng = tmp_path_factory.mktemp("together") / "studies", np.random.default_rng(6)
    for k in range(5):
        truth = truth_of("P", rng, difference=3.0, between=0.4)
        lay(root / f"s{k}", k, [truth], containers=6, day=f"202{k + 1}-01-10", filed=False)
    lay(root / "wide", 10, [truth_of("P", rng)], containers=6, margin=20, filed=False)
    lay(root / "real", 11, [truth_of("P", rng)], containers=6, invented=False, filed=False)
    lay(root / "unnamed", 12, [truth_of("P", rng)], containers=6, filed=False)
    named = [f"s{k}" for k in range(5)] + ["wide", "real"]
    (root / "register.toml").write_text("".join(f'[studies.{n}]\nfluid = "gear oil"\n' for n in named), encoding="utf-8")
    return root


@pytest.mark.slow
def test_what_belongs_together_is_put_together_and_drawn(laid: Path, tmp_path: Path) -> None:
    made = write_register(laid, tmp_path / "register")
    mean = made.together.pooled.iloc[0]
    assert len(made.together.pooled) == 1
    assert (mean["studies"], mean["containers"], mean["fluid"], mean["package"]) == (5, 30, "gear oil", "drum")
    assert mean["low"] < 3 < mean["high"]
    own = made.analytes.set_index("study")["lowest - uppermost"]
    assert mean["mean"] == pytest.approx(own[[f"s{k}" for k in range(5)]].mean(), abs=0.01)  # balanced
    assert mean["in margins"] == pytest.approx(np.log1p(mean["mean"] / 100) / np.log1p(0.05), rel=1e-9)
    assert "hardly known" in mean["told"]
    assert "ages" not in mean["told"]
    lines = made.together.forest
    assert list(lines["study"]) == [f"s{k}" for k in range(5)]
    assert lines["difference"].to_numpy() == pytest.approx(own[lines["study"]].to_numpy(float), rel=1e-9)
    page = (tmp_path / "register/register.html").read_text(encoding="utf-8")
    assert len(re.findall(r'<svg [^>]*role="img" aria-label="[^"]+ margins, from', page)) == 6
    assert "mean of 5 studies" in page


@pytest.mark.slow
def test_what_does_not_belong_together_is_told_with_its_reason(laid: Path, tmp_path: Path) -> None:
    apart = write_register(laid, tmp_path / "register").together.apart.set_index("study")["why"]
    assert apart["wide"] == "margin ±20 % where 5 others have ±5 %: 1 of one kind, and fewer than 3 are no basis"
    assert apart["real"].startswith("invented False where 5 others have True")
    assert apart["unnamed"] == "its fluid is not stated: write it in register.toml"


@pytest.mark.slow
def test_a_copy_is_not_in_the_pool_twice(laid: Path, tmp_path: Path) -> None:
    studies = Path(shutil.copytree(laid, tmp_path / "studies"))
    before = write_register(studies, tmp_path / "a").together.pooled
    shutil.copytree(studies / "s1", studies / "s1 - copy")
    names = studies / "register.toml"
    names.write_text(names.read_text(encoding="utf-8") + '[studies."s1 - copy"]\nfluid = "gear oil"\n', encoding="utf-8")
    pd.testing.assert_frame_equal(write_register(studies, tmp_path / "b").together.pooled, before)
