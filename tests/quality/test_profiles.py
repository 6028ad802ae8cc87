"""Swapped bottles and outlying profiles: fire on the planted one, silent on clean and merely uneven ones."""

from __future__ import annotations

import pytest

from studykit.quality import profiles
from studykit.quality.flags import Scatter, working_table
from tests.quality_cases import ANALYTES, Case, build

STATED = {a: Scatter(s=s_r) for a, (_, s_r, _, _) in ANALYTES.items()}


def check(case: Case, scatter: dict[str, Scatter] | None = None) -> tuple[set[str], list[str]]:
    found = profiles.swapped(working_table(*case.tables()), STATED if scatter is None else scatter)
    return {f.where for f in found.flags}, [f.evidence for f in found.flags]


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_a_swap_of_top_and_bottom_is_named(seed: int) -> None:
    case = build(seed)
    one, other = case.sample_of("C07", "upper"), case.sample_of("C07", "lower")
    case.swap(one, other)
    found = profiles.swapped(working_table(*case.tables()), STATED)
    assert {f.where for f in found.flags} == {"container C07"}
    assert found.flags[0].samples == tuple(sorted((one, other)))
    assert found.flags[0].evidence.startswith("upper and lower are mirrored")


def test_a_swap_is_found_without_any_stated_repeatability() -> None:
    case = build(5)
    case.swap(case.sample_of("C02", "upper"), case.sample_of("C02", "lower"))
    assert "container C02" in check(case, {})[0]


@pytest.mark.parametrize("seed", range(60, 63))
def test_clean_studies_are_silent(seed: int) -> None:
    assert check(build(seed))[0] == set()


def test_no_gradient_and_a_steep_gradient_are_no_swaps() -> None:
    case = build(9)
    for depth, flat, steep in (("upper", 1 / 0.82, 0.7), ("lower", 1 / 1.20, 1.3)):
        case.multiply(case.sample_of("C01", depth), "Si", flat)
        case.multiply(case.sample_of("C02", depth), "Si", steep)
    assert check(case)[0] == set()


def test_without_any_gradient_nothing_is_assessed() -> None:
    case = build(10)
    case.results = case.results[case.results["analyte"].isin(["P", "S"])].reset_index(drop=True)
    found = profiles.swapped(working_table(*case.tables()), STATED)
    assert found.flags == ()
    assert "no analyte has a clear gradient" in found.note


def test_shape_sd_sees_scatter_and_not_uneven_gradients() -> None:
    """Gradients that differ in size by a factor leave the estimate near the planted scatter of 5 %."""
    case = build(12, count=30)
    for k, container in enumerate(case.containers["container"][:30]):
        for depth, side in (("upper", 1), ("lower", -1)):
            case.multiply(case.sample_of(container, depth), "Si", 1 + side * 0.15 * (k % 3 - 1))
    sd = profiles.shape_sd(profiles.zone_means(working_table(*case.tables()), "Si"))
    # 30 containers, one residual direction, robust: relative standard error about 0.21
    assert 0.02 < sd < 0.085


def test_outlying_profile_is_named() -> None:
    case = build(13)
    case.multiply(case.sample_of("C09", "lower"), "S", 1.15)
    flags = profiles.outlying_profiles(working_table(*case.tables())).flags
    assert ("container C09", "S") in {(f.where, f.analyte) for f in flags}
    clean = profiles.outlying_profiles(working_table(*build(13).tables()))
    assert clean.flags == ()
    assert len(clean.table) == 12
