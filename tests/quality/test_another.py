"""A world by somebody who had not seen the checks: real settling is no stop, and a slip of the laboratory is no settling."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tests.faults.another import TESTS, World, flags, world

STOP = "stop and find out"
ELEMENTS = [k for k, a in enumerate(TESTS) if a != "KV40"]


def questions(found: pd.DataFrame) -> pd.DataFrame:
    return found[found["concern"] != "hint only"]


@pytest.mark.few(2)
@pytest.mark.parametrize("seed", range(10))
def test_a_clean_study_is_not_stopped(seed, tmp_path):
    found = flags(world(seed), tmp_path / "s")
    assert STOP not in set(found["concern"])
    assert "digit preference" not in set(questions(found)["rule"])  # four significant digits are none


@pytest.mark.slow
@pytest.mark.parametrize("far", [0.1, 0.3, 0.6, 1.0])
def test_real_settling_is_not_stopped(far, tmp_path):
    found = flags(world(100, far), tmp_path / "s")
    assert STOP not in set(found["concern"]), found.to_string()


@pytest.mark.few(1)
@pytest.mark.parametrize("seed", [31, 32, 33, 34])
def test_a_short_portion_of_one_test_is_asked_about_and_condemns_no_drum(seed, tmp_path):
    """One bottle reads seven elements by 0.7 and its viscosity as ever: a page had called it settling and the drum to treat."""
    def short(w: World, read: np.ndarray) -> None:
        at = int(w.rng.choice(np.flatnonzero(w.samples["kind"] == "spot")))
        read[at, ELEMENTS] *= 0.7
        w.samples.attrs["short"] = w.samples["sample"][at]

    w = world(seed, 0.1)
    found = questions(flags(w, tmp_path / "s", short))
    asked = found[found["samples"].map(lambda s: w.samples.attrs["short"] in s)]
    assert "portion or dilution" in set(asked["rule"]), found.to_string()


@pytest.mark.few(1)
@pytest.mark.parametrize("seed", [41, 42, 43])
def test_two_columns_exchanged_in_a_run_accuse_no_container(seed, tmp_path):
    def exchange(w: World, read: np.ndarray) -> None:
        at, (p, zn) = np.flatnonzero(w.samples["run"] == "R2"), (list(TESTS).index(a) for a in ("P", "Zn"))
        read[np.ix_(at, [p, zn])] = read[np.ix_(at, [zn, p])]

    found = questions(flags(world(seed, 0.1), tmp_path / "s", exchange))
    assert "exchanged columns" in set(found["rule"]), found.to_string()
    assert "wrong product" not in set(found["rule"])
