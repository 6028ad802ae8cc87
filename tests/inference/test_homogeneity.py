"""Homogeneity criteria on published worked examples."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from scipy import stats

from studykit.core.errors import DesignMismatch
from studykit.inference.homogeneity import PRINTED_FACTORS, assess_items, cochran_critical, factors

# IUPAC Harmonized Protocol 2006, Appendix 1: copper in soya flour, 12 duplicates, mg/kg (as quoted in a
# public script that cites a translation of the Protocol)
SOYA = list(zip([10.5, 9.6, 10.4, 9.5, 10.0, 9.6, 9.8, 9.8, 10.8, 10.2, 9.8, 10.2],
                [10.4, 9.5, 9.9, 9.9, 9.7, 10.1, 10.4, 10.2, 10.7, 10.0, 9.5, 10.0], strict=True))
# ISO 13528:2015 Annex B.2/B.3 example as printed in a university worksheet of 2017: 10 items in duplicate
ANNEX_B = list(zip([.185, .187, .182, .188, .191, .188, .187, .177, .179, .188],
                   [.194, .189, .186, .196, .181, .180, .196, .186, .187, .196], strict=True))


def test_soya_copper_differs_and_is_sufficiently_homogeneous():
    h = assess_items(SOYA, sigma_pt=1.14)
    # the point of the example: F test rejects, criterion is met
    assert (h.F, h.p) == pytest.approx((3.776747, 0.0154677), rel=1e-5)
    assert h.p < 0.05
    assert h.sufficient
    assert h.sufficient_expanded
    # printed in the Protocol (from memory): s_an^2 0.061, s_sam^2 0.085, c 0.26, C 0.24 (5 % value 0.54)
    assert h.s_w**2 == pytest.approx(0.06125, abs=1e-10)
    assert h.s_s**2 == pytest.approx(0.08503788, abs=1e-8)
    assert h.c == pytest.approx(0.261801, abs=1e-6)
    assert h.cochran == pytest.approx(0.244898, abs=1e-6)
    assert (h.cochran_5, h.cochran_1) == pytest.approx((0.541, 0.653), abs=1e-3)
    # with the printed 1.79 and 0.86
    assert assess_items(SOYA, 1.14, printed_factors=True).c == pytest.approx(0.262041, abs=1e-6)
    text = " ".join(h.sentences())
    assert "The items differ from one another" in text
    assert "is sufficiently homogeneous for its use" in text


def test_soya_copper_after_guide_35():
    # formulas of ISO Guide 35 (from memory, check your copy), values recomputed in R 4.2.2
    h = assess_items(SOYA)
    assert (h.s_bb, h.u_bb) == pytest.approx((0.2916125, 0.1118150), abs=1e-7)
    assert h.sufficient is None
    assert h.c is None


def test_iso_13528_annex_b_to_the_printed_digits():
    # sigma_pt = 0.02807 follows from the printed sigma_allow^2 = 7.0913241E-05
    h = assess_items(ANNEX_B, sigma_pt=0.02807, printed_factors=True)
    assert round(h.mean, 5) == 0.18715
    assert float(f"{h.s_x**2:.4e}") == 1.5836e-05
    assert round(h.s_w**2, 8) == 0.00003095
    assert float(f"{h.s_s**2:.4e}") == 3.6111e-07
    assert h.allowed is not None
    assert float(f"{h.allowed**2:.7e}") == 7.0913241e-05
    assert h.c is not None
    assert round(h.c, 10) == 0.0001645764
    assert round(math.sqrt(h.c), 8) == 0.01282873
    assert h.sufficient
    assert h.sufficient_expanded


def test_factor_table():
    # ISO 13528 / IUPAC 2006 table; m = 9 prints 1.11 where the formula gives 1.115
    for items, (f1, f2) in PRINTED_FACTORS.items():
        a, b = factors(items)
        assert round(a, 2) == f1
        assert b == pytest.approx(f2, abs=0.0055 if items == 9 else 0.005001)


def test_agrees_with_scipys_anova_unbalanced():
    rng = np.random.default_rng(4)
    groups = [rng.normal(10 + 0.3 * i, 1, n) for i, n in enumerate((2, 3, 4, 2, 3))]
    h = assess_items(groups, 1.0)
    expected = stats.f_oneway(*groups)
    assert (h.F, h.p) == pytest.approx((expected.statistic, expected.pvalue))


def test_negative_control_layered_material_is_not_sufficient():
    h = assess_items([(10, 10.1), (11, 11.2), (12, 12.1), (13, 12.9)], sigma_pt=1.0)
    assert h.sufficient is False
    assert h.sufficient_expanded is False
    assert "is not sufficiently homogeneous" in " ".join(h.sentences())


def test_no_scatter_between_items_gives_zero_and_u_bb():
    h = assess_items([(10, 11), (11, 10), (10.1, 10.9)], sigma_pt=1.0)
    assert h.s_s == 0.0
    assert h.u_bb > 0
    assert h.sufficient
    assert "not shown to differ" in h.sentences()[0]


def test_an_odd_item_is_named_by_cochran():
    h = assess_items([(10, 10.1), (10, 9.9), (10.1, 10.0), (8.5, 11.6), (10, 10.1), (9.9, 10)])
    assert h.cochran > h.cochran_1
    assert "Cochran" in " ".join(h.sentences())
    assert h.to_table().shape == (14, 2)
    thrice = assess_items([(10, 10.1, 9.9), (10, 9.8, 10), (10.1, 10, 10), (8.5, 11.6, 10), (10, 10.1, 10.2)])
    assert (thrice.cochran_5, thrice.cochran_1) == pytest.approx((0.684, 0.789), abs=0.002)  # the table below, 5 and 3


def test_identical_replicates_do_not_divide_by_zero():
    h = assess_items([(10, 10), (11, 11)], sigma_pt=10)
    assert h.p == 0.0
    assert h.s_s == pytest.approx(math.sqrt(0.5))


def test_refusals():
    with pytest.raises(DesignMismatch, match="at least two items"):
        assess_items([(1, 2)])
    with pytest.raises(DesignMismatch, match="items 2 have fewer"):
        assess_items([(1, 2), (1,)])
    with pytest.raises(DesignMismatch, match="finite number"):
        assess_items([(1, 2), (1, math.nan)])
    with pytest.raises(ValueError, match="sigma_pt must be"):
        assess_items(SOYA, 0.0)
    with pytest.raises(ValueError, match="7 to 20 items"):
        assess_items([(1, 2), (1, 3)], 1.0, printed_factors=True)
    with pytest.raises(ValueError, match="must be at least 2"):
        factors(1)


# ISO 5725-2:1994 table 4 (recalled, verified by formula); tolerance 0.002: three printed digits
@pytest.mark.parametrize(("p", "n", "five", "one"), [
    (5, 2, 0.841, 0.928), (5, 3, 0.684, 0.789), (5, 4, 0.598, 0.696), (5, 5, 0.544, 0.633), (5, 6, 0.506, 0.588),
    (8, 2, 0.680, 0.794), (8, 3, 0.516, 0.615), (8, 4, 0.438, 0.521), (8, 5, 0.391, 0.463), (8, 6, 0.360, 0.423),
    (9, 2, 0.638, 0.754), (9, 3, 0.477, 0.573), (9, 6, 0.328, 0.387), (10, 2, 0.602, 0.718), (12, 2, 0.541, 0.653),
    (20, 2, 0.389, 0.480), (20, 6, 0.174, 0.205)])
def test_cochran_critical_values(p, n, five, one):
    assert cochran_critical(p, n) == pytest.approx(five, abs=0.002)
    assert cochran_critical(p, n, 0.01) == pytest.approx(one, abs=0.002)


def test_a_cochran_value_needs_two_groups_of_two():
    with pytest.raises(ValueError, match="2 or more"):
        cochran_critical(1, 2)
    with pytest.raises(ValueError, match="2 or more"):
        cochran_critical(2, 1)


@pytest.mark.parametrize("sizes", [(3, 3, 3, 3), (2, 3, 4, 2, 3), (2, 2, 2, 3)])
def test_variance_components_and_criteria_by_their_formulas(sizes):
    """One-way random effects with unequal numbers: n0 = (N - sum n^2 / N) / (g - 1), s_s^2 = (MSB - MSW) / n0."""
    rng = np.random.default_rng(4)
    groups = [rng.normal(10 + 0.8 * i, 1, n) for i, n in enumerate(sizes)]
    N, g = sum(sizes), len(sizes)
    grand = np.concatenate(groups).mean()
    msb = sum(len(x) * (x.mean() - grand) ** 2 for x in groups) / (g - 1)
    msw = sum(((x - x.mean()) ** 2).sum() for x in groups) / (N - g)
    n0 = (N - sum(n**2 for n in sizes) / N) / (g - 1)
    h = assess_items(groups, 2.0)
    assert (h.items, h.replicates, h.mean) == (g, pytest.approx(n0), pytest.approx(grand))
    assert (h.s_w, h.s_x) == pytest.approx((math.sqrt(msw), math.sqrt(msb / n0)))
    assert h.s_s == h.s_bb == pytest.approx(math.sqrt((msb - msw) / n0))
    assert h.u_bb == pytest.approx(math.sqrt(msw / n0) * (2 / (N - g)) ** 0.25)  # ISO Guide 35
    m = round(N / g)
    f1 = stats.chi2.isf(0.05, g - 1) / (g - 1)
    f2 = (stats.f.isf(0.05, g - 1, g * (m - 1)) - 1) / m
    assert (h.f1, h.f2) == pytest.approx((f1, f2))
    assert h.c == pytest.approx(f1 * 0.6**2 + f2 * msw)
    variances = [x.var(ddof=1) for x in groups]
    assert h.cochran == pytest.approx(max(variances) / sum(variances))
    assert h.cochran_5 == pytest.approx(cochran_critical(g, round(n0)))
    assert h.cochran_1 == pytest.approx(cochran_critical(g, round(n0), 0.01))
    told = assess_items(groups, 2.0).to_table().set_index("quantity")["value"]
    assert told["0.3 sigma_pt"] == pytest.approx(0.6)
    bare = assess_items(groups)
    assert (bare.allowed, bare.sufficient, bare.sufficient_expanded, bare.c) == (None, None, None, None)


def test_a_scatter_equal_to_what_is_allowed_is_sufficient():
    h = assess_items(SOYA, 1.0)
    assert dataclasses.replace(h, s_s=0.3, sigma_pt=1.0).sufficient
    assert not dataclasses.replace(h, s_s=0.3001, sigma_pt=1.0).sufficient
    assert dataclasses.replace(h, s_s=0.5, c=0.25).sufficient_expanded
    assert not dataclasses.replace(h, s_s=0.5, c=0.2499).sufficient_expanded
    assert "is, with allowance, sufficiently" in dataclasses.replace(h, s_s=0.5, c=0.25).sentences()[1]
    assert "is sufficiently" in dataclasses.replace(h, s_s=0.3).sentences()[1]


def test_each_sentence_stands_on_its_side_of_its_limit():
    h = assess_items(SOYA)
    assert "are not shown to differ" in dataclasses.replace(h, p=0.05).sentences()[0]
    assert "items differ" in dataclasses.replace(h, p=0.0499).sentences()[0]
    assert "up to a standard deviation of 2 " in dataclasses.replace(h, s_bb=2.0, u_bb=1.0).sentences()[1]
    assert "up to a standard deviation of 2 " in dataclasses.replace(h, s_bb=1.0, u_bb=2.0).sentences()[1]
    assert len(dataclasses.replace(h, cochran=h.cochran_5).sentences()) == 2
    assert "look for a cause" in dataclasses.replace(h, cochran=h.cochran_5 + 1e-9).sentences()[2]


def test_two_items_of_two_results_are_enough_and_equal_replicates_have_no_cochran():
    h = assess_items([(1.0, 2.0), (1.5, 2.5)])
    assert (h.items, h.replicates, h.s_w) == (2, 2.0, pytest.approx(math.sqrt(0.5)))
    flat = assess_items([(1e6, 1e6), (1e6 + 1, 1e6 + 1)])
    assert (flat.F, flat.cochran) == (math.inf, 0.0)
    small = assess_items([(1e-9, 2e-9), (1e-9, 3e-9)])  # scatter that a small unit makes small is scatter
    assert math.isfinite(small.F)
    assert factors(2) == pytest.approx((stats.chi2.isf(0.05, 1), (stats.f.isf(0.05, 1, 2) - 1) / 2))
    assert 0 < cochran_critical(2, 2) < 1
    for bad in (-1.0, math.inf, math.nan):
        with pytest.raises(ValueError, match="sigma_pt must be"):
            assess_items(SOYA, bad)
    for items, replicates in ((1, 2), (2, 1)):
        with pytest.raises(ValueError, match="must be at least 2"):
            factors(items, replicates)
    with pytest.raises(ValueError, match="7 to 20 items"):
        assess_items([*SOYA[:-1], (1.0, 2.0, 3.0)], 1.0, printed_factors=True)
    with pytest.raises(DesignMismatch, match="items 1, 3 have fewer"):
        assess_items([(1,), (1, 2), ((1, 2), (3, 4))])


def test_the_printed_table_is_that_of_seven_to_twenty_items():
    assert list(PRINTED_FACTORS) == list(range(7, 21))


@pytest.mark.parametrize(("level", "apart", "flat"), [
    (1e6, 1e-7, True), (1e6, 1e-5, False), (1e-3, 1e-13, True), (1e-3, 1e-9, False)])
def test_replicates_that_differ_by_rounding_alone_are_equal(level, apart, flat):
    """A scatter below a million-millionth of the level, or of 1, is that of the computer."""
    h = assess_items([(level, level + apart), (2 * level, 2 * level)])
    assert math.isinf(h.F) == flat
    assert (h.cochran == 0.0) == flat
