"""The quick road of the simulations leads where the kit's own search does."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from studykit.ageing.again import fit_over
from studykit.ageing.courses import Course
from tests.ageing import coverage, quick

LINEAR = Course()


@pytest.mark.slow
@pytest.mark.parametrize("bent", [False, True])
@pytest.mark.parametrize(("containers", "own"), [(6, 0.0), (6, 0.1), (12, 0.0), (12, 0.2)])
def test_lines_are_those_of_the_kits_own_search(containers: int, own: float, bent: bool) -> None:
    """Estimates and standard errors of ten studies of which 15 % is lost, singular fits among them."""
    rng, t = np.random.default_rng([containers, bent]), np.tile([4.0, 12, 20, 30], containers)
    unit = np.repeat(np.arange(containers), 4)
    y = 0.5 * t + (own * rng.standard_normal((10, containers)))[:, unit] * t + 0.7 * rng.standard_normal((10, len(t)))
    kept = rng.random(y.shape) >= 0.15
    rows = np.array([[1.0, x, *([x**2] if bent else [])] for x in (4.0, 15.0, 30.0)])
    for values, here, line in zip(y, kept, quick.lines(y, kept, LINEAR, t, unit, bent=bent), strict=True):
        mine, theirs = line.at(rows), fit_over(values[here], LINEAR, t[here], unit[here], bent=bent).at(rows)
        assert mine.estimate[0] == pytest.approx(theirs.estimate[0], abs=2e-4)
        assert mine.se[0] == pytest.approx(theirs.se[0], rel=2e-3)
        assert mine.df == pytest.approx(theirs.df, rel=1e-2)


@pytest.mark.slow
def test_no_time_that_is_too_long_is_passed_over() -> None:
    """The screen of the coverage run against all times, of a design in which losses leave many limits near the margin."""
    design, rng = coverage.Design(again=True, containers=6, lost=0.15), np.random.default_rng(4)
    zones = coverage.simulate(design, 0.1, "equal", 150, rng)
    kept = np.array([coverage._pattern(design, rng) for _ in zones])
    d = zones[..., 2] - zones[..., 0]
    whole = coverage.mean_times(design, d, kept) > 20
    assert 0 < whole.sum() < 20
    assert (coverage.too_long(design, d, kept) == whole).all()


def printed(part: int, design: coverage.Design, slope: float, truth: str) -> float:
    """A cell of docs/time-coverage.md; part 0: for the mean, 1: for containers."""
    page = (Path(__file__).parents[2] / "docs/time-coverage.md").read_text(encoding="utf-8").split("## For ")[1 + part]
    rows = [[c.strip() for c in line.strip("|").split("|")] for line in page.splitlines() if line.startswith("| ")]
    own = "SD 20 % of the rate" if slope else "none"
    (row,) = (r for r in rows if r[:2] == [design.name, own])
    return float(row[rows[0].index(truth)])


@pytest.mark.slow
@pytest.mark.parametrize(("design", "slope", "truth"), [
    (coverage.Design(again=True, containers=24, lost=0.15), 0.1, "steep gradients"),
    (coverage.Design(again=True, containers=6, lost=0.15), 0.0, "equal"),
    (coverage.Design(again=False, containers=12, lost=0.15), 0.1, "AR(1) 0.7"),
    (coverage.Design(again=True, containers=6, lost=0.0), 0.1, "own zones")])
def test_cells_of_the_page_come_out_again_from_other_studies(design: coverage.Design, slope: float, truth: str,
                                                             monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(coverage, "SEED", 1)
    mean, share, _, _ = coverage.run(design, slope, truth, 600, 600)
    for part, found in enumerate((mean, share)):
        if part or truth not in coverage.SHARE_ONLY:
            told = printed(part, design, slope, truth)
            assert found == pytest.approx(told, abs=350 * max(told / 100 * (1 - told / 100), 0.003) ** 0.5 * 600**-0.5 * 1.15)
