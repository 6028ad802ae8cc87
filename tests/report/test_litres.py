"""How many litres the first and the last ones are, when the state was judged, and who has no result at all."""

from __future__ import annotations

import math
from types import SimpleNamespace

import pandas as pd
import pytest

from studykit.core.record import quote
from studykit.report import firstpage, litres, questions, strip
from studykit.report.beyond import LONG, named
from studykit.study.definition import parse_study
from studykit.verdict.pouring import litres_of_ends
from tests.studies import definition


def stage(levels=(500.0,), heights=(5 / 6, 0.5, 1 / 6), **more):
    """Upright cylinders of 380 mm inside."""
    names = [f"C{k}" for k in range(len(levels))]
    containers = pd.DataFrame({"container": names, "treatment": "stored", "vessel": "drum", "liquid_height_mm": levels})
    samples = pd.DataFrame([(f"{c}{d}", c, "spot", d, h) for c in names for d, h in zip(
        ("upper", "middle", "lower"), heights, strict=True)], columns=["sample", "container", "kind", "depth", "height"])
    results = pd.DataFrame({"sample": samples["sample"], "analyte": "P"})
    return SimpleNamespace(study=parse_study(definition()), containers=containers, samples=samples, results=results,
                           root=None, **more)


def told(own) -> str:
    return litres.volumes({f"litres.{k}": quote(v, "L", 2 if v < 100 else 3) for k, v in litres_of_ends(own).items()})


def test_litres_are_those_of_a_cylinder_cut_at_the_middles_between_the_zones():
    """pi/4 x 3.8^2 dm2 x 5 dm = 56.7 L; zones at 5/6, 1/2 and 1/6 stand for a third each."""
    whole = math.pi / 4 * 3.8**2 * 5
    assert told(stage()) == (f"The first and the last litres are {whole / 3:.0f} L each, of {whole:.0f} L in a "
                             "container: what the uppermost and the lowest zone stand for.")
    uneven = told(stage(heights=(0.9, 0.5, 0.3)))  # cut at 0.7 and 0.4
    assert f"The first litres are {whole * 0.3:.0f} L, the last ones {whole * 0.4:.0f} L" in uneven
    two = told(stage(levels=(400.0, 500.0)))
    assert f"{whole * 0.8 / 3:.0f} to {whole / 3:.0f} L each, of {whole * 0.8:.0f} to {whole:.0f} L" in two


@pytest.mark.parametrize("unknown", [{"levels": (500.0, math.nan)}, {"heights": (5 / 6, math.nan, 1 / 6)}])
def test_no_litres_are_told_where_a_height_is_not_known(unknown):
    assert told(stage(**unknown)) == ""


def test_the_newest_days_are_each_said_as_what_they_are():
    own = stage()
    assert firstpage._days(own, "") == "No day of sampling, lock or report is known."
    own.containers["sampled_on"] = pd.to_datetime(["2026-09-01"])
    assert firstpage._days(own, "") == "Last sampled on 2026-09-01."
    own.samples["drawn_at"] = pd.to_datetime(["2026-09-01 09:00", "2026-09-03 11:30", None])
    own.results["reported_on"] = pd.to_datetime(["2026-09-20", "2026-09-18", None])
    assert firstpage._days(own, "2026-08-20") == (
        "Last sampled on 2026-09-03; plan locked on 2026-08-20; last result reported on 2026-09-20.")


def test_a_container_without_any_result_is_named():
    """A stranger's drum whose four bottles were lost was counted ("11 of 12") and named nowhere on page one."""
    own = stage(levels=(500.0, 500.0, 500.0))
    assert questions.without_result(own) == []
    own.results = own.results[~own.results["sample"].str.startswith("C1")]
    assert questions.without_result(own) == ["C1"]


@pytest.mark.parametrize(("n", "end"), [(LONG, "F15 and F16"), (LONG + 2, "F17 and F18"),
                                        (LONG + 3, "F16 and 3 more (all in the report's verdict chapter)")])
def test_a_list_is_cut_only_where_that_saves_words_and_says_where_the_rest_is(n, end):
    assert named([f"F{k:02d}" for k in range(1, n + 1)] * 2).endswith(end)


@pytest.mark.parametrize(("low", "high", "side", "told"), [
    (-0.4, 0.6, 0, "lies within the margin"), (1.9, 2.1, 0, "lies beyond the margin"),
    (-3.1, -3.0, 0, "lies beyond the margin"),
    (0.2, 1.1, 0, "reaches over the edge of the margin"), (0.5, 7.0, -1, "lies within the margin"),
    (-1.4, -1.2, -1, "lies beyond the margin"), (-9.0, 0.5, 1, "lies within the margin"),
    (math.nan, 1.0, 0, "no interval is drawn")])
def test_who_does_not_see_the_drawing_is_told_where_the_interval_lies(low, high, side, told):
    assert strip.where(low, high, side) == told


def test_a_floor_that_was_drawn_and_lies_within_is_told():
    rows = pd.DataFrame({"use": ["floor"] * 5 + ["zones"], "name": [*"ABCDE", "A"], "word": "within the margin"})
    assert litres.floor_within(rows) == "The floor, by its heels, is shown to lie within the margin of all 5 analytes."
    some = rows.assign(word=["within the margin", "cannot tell", "nothing is known", "within the margin on average",
                             "within the margin", "within the margin"])
    assert litres.floor_within(some) == "The floor, by its heels, is shown to lie within the margin of A and E."
    assert not litres.floor_within(rows.assign(word="nothing is known"))
