"""One container, or few: what no model of containers can tell. And a thinned floor, which every settling study should name.

The kinds are those of somebody who had only the page's promise: a decimal in one of three bottles of one container, one wrong
bottle beside its duplicate, water that heels show, lots that differ, a fluid that is made with iron.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from studykit.quality import replicates
from studykit.quality.assess import assess
from studykit.study.definition import parse_study
from tests.faults.bench import ASK, STOP, USUAL, flags_of
from tests.faults.laboratory import Lab, make

ONE = replace(USUAL, containers=1, lots=1, settled=0.05, duplicates=0, twice=0)
DROP = replace(USUAL, containers=8, settled=0.05, heels=8)


def asked(lab: Lab) -> pd.DataFrame:
    f = flags_of(lab)
    return f[f["concern"].isin([STOP, ASK])]


def times(lab: Lab, container: str, depth: str, factor: float, analytes: tuple[str, ...] = ()) -> str:
    rows = lab.rows(container=container, depth=depth)
    lab.wide.loc[rows, list(analytes or lab.analytes)] *= factor
    return str(lab.wide["sample"].iloc[rows[0]])


@pytest.mark.few(1)
@pytest.mark.parametrize(("depth", "factor"), [("middle", 10.0), ("lower", 0.1), ("upper", 1000.0)])
def test_a_decimal_in_one_of_three_bottles_of_one_container_is_asked(depth: str, factor: float) -> None:
    lab = make(ONE, 3)
    code = times(lab, "C01", depth, factor, ("Ca",))
    slips = asked(lab).query("rule == 'unit slip'")
    assert list(slips["samples"]) == [code]
    assert list(slips["analyte"]) == ["Ca"]
    assert "own settling" in slips["evidence"].iloc[0]


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3, 8))
def test_one_clean_or_settled_container_raises_no_question(seed: int) -> None:
    for size in (0.0, 0.4):
        found = asked(make(ONE, seed, {"C01": ("settled", size)}))
        found = found[found["rule"] != "less than was filled"]  # true of a container that has settled
        assert not len(found), found.to_string()


@pytest.mark.slow
def test_of_one_container_it_is_said_that_no_explanation_was_sought() -> None:
    one, two = (assess(*make(replace(ONE, containers=n), 3).tables()) for n in (1, 2))
    (line,) = [s for s in one.sentences if s.startswith("Could not be assessed")]
    assert "explanations" in line
    assert one.check("explanations").note.startswith("not assessed: one container")
    assert not two.check("explanations").note


@pytest.mark.slow
def test_one_wrong_bottle_beside_its_duplicate_is_not_the_scatter_of_the_laboratory() -> None:
    lab = make(replace(ONE, duplicates=3), 4)
    rows = lab.rows(container="C01", kind="duplicate")[:1]
    lab.wide.loc[rows, ["Ca"]] *= 10.0
    code = str(lab.wide["sample"].iloc[rows[0]])
    found = asked(lab)
    assert "repeatability" not in set(found["rule"]), found.to_string()
    assert any(code in s.split() for s in found.loc[found["rule"] == "unit slip", "samples"])


@pytest.mark.slow
def test_a_bottle_of_another_zone_beside_its_duplicate_is_one_question() -> None:
    lab = make(replace(ONE, duplicates=1), 4)
    lab.wide.loc[lab.rows(container="C01", kind="duplicate"), lab.analytes] *= np.linspace(0.5, 0.8, len(lab.analytes))
    found = asked(lab)
    assert list(found["rule"]) == ["duplicates apart"], found.to_string()
    assert "Ca" in found["analyte"].iloc[0]
    assert "Zn" in found["analyte"].iloc[0]


def test_tamed_leaves_a_noisy_laboratory_as_it_is() -> None:
    """All repeats three times as wide as promised: nothing is left out, and the scatter counts whole."""
    x = tuple(float(v) for v in 0.03 * 3 * np.random.default_rng(5).standard_normal(8))
    noisy = replicates.PooledRepeatability(analyte="P", kind="same zone", s=0.09, df=8, published=0.03, relative=True,
                                           unit="%", contrasts=x)
    assert replicates.tamed(noisy) is noisy
    wild = replicates.tamed(replace(noisy, contrasts=(*(v / 3 for v in x), 2.3), df=9))
    assert (wild.df, wild.apart) == (8, 1)
    assert wild.s == pytest.approx(np.sqrt(np.mean(np.square(x))) / 3)


@pytest.mark.slow
@pytest.mark.parametrize(("bottom", "heel"), [(0.85, 0.25), (1.0, 0.25), (0.8, 0.6)])
def test_water_that_heels_show_is_named_once_with_its_caution(bottom: float, heel: float) -> None:
    lab = make(DROP, 6)
    for box in ("C02", "C05", "C07"):
        times(lab, box, "lower", bottom)
        times(lab, box, "heel", heel)
    found = asked(lab)
    water = found[found["rule"] == "free water or heel at the floor"]
    named = " ".join(water["where"])
    assert all(box in named for box in ("C02", "C05", "C07")), found.to_string()
    assert not any(box in named for box in ("C01", "C03", "C04", "C06", "C08"))
    assert all("safety data sheet" in e for e in water["evidence"])


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["settled", "creamed", "half-settled", "layered"])
def test_real_settling_is_no_water(kind: str) -> None:
    own = {f"C{i:02d}": (kind, 0.8) for i in range(1, 9)}
    found = flags_of(make(DROP, 6, own))
    assert "free water or heel at the floor" not in set(found["rule"])


@pytest.mark.slow
def test_a_row_in_another_unit_above_it_makes_no_thinned_floor() -> None:
    lab = make(USUAL, 6)
    times(lab, "C04", "upper", 1000.0)
    assert "free water or heel at the floor" not in set(flags_of(lab)["rule"])


@pytest.mark.slow
def test_lots_that_differ_are_no_shift_of_the_runs_that_hold_them() -> None:
    """Lots of two containers; of each lot but one both containers are in one run."""
    lab = make(replace(USUAL, containers=6, lots=3, runs=2, settled=0.05, duplicates=2, twice=0), 9)
    home = {"C01": "R1", "C04": "R1", "C02": "R2", "C05": "R2", "C03": "R1", "C06": "R2"}
    moved = lab.wide["container"].map(home)
    lab.wide["run"] = moved.fillna(lab.wide["run"])
    lab.wide["file"] = "lab_" + lab.wide["run"] + ".csv"
    lab.wide["run_order"] = lab.wide.groupby("run").cumcount() + 1
    lots = dict(zip(lab.containers["container"], lab.containers["lot"], strict=True))
    for lot, factor in (("L2", 1.2),):
        lab.wide.loc[(lab.wide["container"].map(lots) == lot).to_numpy(), ["B", "Zn"]] *= factor
    assert "run and stock" not in set(asked(lab)["rule"]), asked(lab).to_string()


@pytest.mark.slow
def test_a_metal_that_the_fluid_is_made_with_is_no_wear() -> None:
    lab = make(ONE, 3)
    given = lab.study.model_dump(exclude_unset=True)
    given["analytes"]["Fe"] = {**given["analytes"]["Ca"], "limit": 10.0}
    lab.wide["Fe"], lab.decimals["Fe"] = lab.wide["Ca"], 0
    for wear, fires in ((False, False), (True, True)):
        given["analytes"]["Fe"]["wear_metal"] = wear
        lab.study = parse_study(given)
        assert ("wear metals" in set(flags_of(lab)["rule"])) == fires
