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


@pytest.mark.slow
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


@pytest.mark.slow
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


@pytest.mark.slow
@pytest.mark.parametrize("seed", [41, 42, 43])
def test_two_columns_exchanged_in_a_run_accuse_no_container(seed, tmp_path):
    def exchange(w: World, read: np.ndarray) -> None:
        at, (p, zn) = np.flatnonzero(w.samples["run"] == "R2"), (list(TESTS).index(a) for a in ("P", "Zn"))
        read[np.ix_(at, [p, zn])] = read[np.ix_(at, [zn, p])]

    found = questions(flags(world(seed, 0.1), tmp_path / "s", exchange))
    assert "exchanged columns" in set(found["rule"]), found.to_string()
    assert "wrong product" not in set(found["rule"])


# -- what that somebody planted, seen again (a case or two of each) ----------------------------------------------------


def rows_of(w: World, run: str) -> np.ndarray:
    """The rows of a run, in the order in which it reads them."""
    return np.flatnonzero(w.samples["run"] == run)


def a_spot(w: World, read: np.ndarray) -> int:
    at = int(w.rng.choice(np.flatnonzero(w.samples["kind"] == "spot")))
    w.samples.attrs["spoiled"] = w.samples["sample"][at]
    return at


def memory(w: World, read: np.ndarray) -> None:
    """The line for elements passes on 12 % of what the bottle before held, on top of each bottle's own."""
    at = rows_of(w, "R1")
    read[np.ix_(at[1:], ELEMENTS)] += 0.12 * w.true[np.ix_(at[:-1], ELEMENTS)]


def wrong_blank(w: World, read: np.ndarray) -> None:
    """A blank of 270 mg/kg P is subtracted from all bottles of a run; the blank itself is reported as it should be."""
    at = rows_of(w, "R2")
    read[at[w.samples["kind"][at] != "blank"], list(TESTS).index("P")] -= 270


def dust(w: World, read: np.ndarray) -> None:
    read[a_spot(w, read), list(TESTS).index("Si")] *= 1.8


def water_at_the_floor(w: World, read: np.ndarray) -> None:
    """In three drums of twelve free water thins the lowest zone, by a share of its own in each."""
    for box, share in zip(w.rng.permutation(w.containers["container"])[:3], (0.4, 0.55, 0.7), strict=True):
        read[np.flatnonzero((w.samples["container"] == box) & (w.samples["depth"] == "lower"))] *= share


def layered_two_hundredfold(w: World, read: np.ndarray) -> None:
    """Molybdenum of every drum has settled by 200 from bottom to top."""
    for depth, times in (("upper", 0.014), ("middle", 0.2), ("lower", 2.8)):
        read[w.samples["depth"] == depth, list(TESTS).index("Mo")] *= times


@pytest.mark.slow
@pytest.mark.parametrize("seed", [51, 52])
@pytest.mark.parametrize(("fault", "rules", "where"), [
    (memory, {"carry-over", "run shift"}, "R1"), (wrong_blank, {"run offset", "run shift"}, "R2"),
    (dust, {"dirt in the bottle", "value alone"}, ""), (water_at_the_floor, {"free water or heel at the floor"}, "")])
def test_what_was_planted_is_named_at_its_place(seed, fault, rules, where, tmp_path):
    w = world(seed, 0.1, containers=12)
    found = flags(w, tmp_path / "s", fault)
    own = found[found["rule"].isin(rules)]
    place = w.samples.attrs.get("spoiled", where)
    named = own[[place in f"{r['where']} {r['samples']}" for r in own.to_dict("records")]]
    assert len(named), found.to_string()
    others = questions(found[~found["rule"].isin(rules)])
    assert "wrong product" not in set(others["rule"])
    if fault is memory:  # one blank after the stock tells no memory from a dirty tool, and no shift lifts a blank
        assert "blank" in set(others["rule"]) or "carry-over" in set(own["rule"])


@pytest.mark.slow
@pytest.mark.parametrize("seed", [61, 62, 63])
def test_drums_that_have_settled_two_hundredfold_are_not_stopped(seed, tmp_path):
    found = flags(world(seed, 0.0, containers=8), tmp_path / "s", layered_two_hundredfold)
    assert STOP not in set(found["concern"]), found.to_string()
