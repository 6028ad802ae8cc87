"""Parts of many containers: the numbers of the matrices that few containers have."""

from __future__ import annotations

import numpy as np
import pytest

from studykit.ageing import lines
from studykit.ageing.clusters import Clusters
from studykit.ageing.lines import fit_lines


@pytest.mark.parametrize("visits", [1, 2])
def test_many_containers_are_read_as_few_are(visits: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Twelve containers, opened once or twice: estimates, standard errors, df and covariances at three times."""
    rng, units = np.random.default_rng(4), np.repeat(np.arange(12), visits)
    months = rng.uniform(3.0, 40.0, units.size)
    X = np.column_stack([np.ones_like(months), months])
    values = rng.normal(size=(2, units.size)) + 0.05 * months
    few = fit_lines(values, X, units)
    monkeypatch.setattr(lines, "MANY", 1)
    many = fit_lines(values, X, units)
    assert isinstance(many.gram, Clusters)
    for name in ("beta", "covariance", "unit"):
        np.testing.assert_allclose(getattr(many, name), getattr(few, name), rtol=1e-9, atol=1e-12)
    at = [[1.0, 0.0], [1.0, 20.0], [0.0, 1.0]]
    for one, other in zip((few.at(at).estimate, few.at(at).se, few.at(at).df),
                          (many.at(at).estimate, many.at(at).se, many.at(at).df), strict=True):
        np.testing.assert_allclose(other, one, rtol=1e-8)


def test_a_line_of_four_thousand_containers() -> None:
    """About the t test of a slope: df near the number of containers, the standard error near that of least squares."""
    rng = np.random.default_rng(8)
    months = rng.choice([6.0, 12.0, 24.0], 4000)
    y = 0.1 * months + rng.normal(size=4000)
    found = fit_lines(y, np.column_stack([np.ones(4000), months]), np.arange(4000)).at([[0.0, 1.0]])
    assert found.estimate[0, 0] == pytest.approx(0.1, abs=0.01)
    assert found.se[0, 0] == pytest.approx(1 / np.sqrt(((months - months.mean()) ** 2).sum()), rel=0.05)
    assert 500 < found.df[0] < 4000
