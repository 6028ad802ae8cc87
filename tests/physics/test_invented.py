"""Nothing that the check lets pass stops the settling estimate: invented studies over all ranges, warnings as errors."""

from __future__ import annotations

import numpy as np
import pytest

from tests.physics.invented import containers, passed, run


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(6))
def test_an_invented_study_runs_in_both_directions(seed: int) -> None:
    rng = np.random.default_rng([20261125, seed])
    study = passed(rng)
    outlook, found = run(study, containers(rng, study))
    assert len(outlook.sentences) >= len(study.components)
    assert len(found) == 2 * len(study.components)
    for r in found:
        assert np.all((r.at >= 0) & (r.at <= 1) & (r.above >= 0) & (r.above <= 1))
        assert r.sentence().startswith(r.bound.analyte)
    profile = outlook.profile[list(study.factors.depths)].to_numpy(float)
    assert np.all(np.isfinite(profile) & (profile >= -1e-6))
