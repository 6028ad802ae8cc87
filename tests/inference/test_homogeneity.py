"""Homogeneity criteria on published worked examples."""

from __future__ import annotations

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
