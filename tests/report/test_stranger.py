"""Page one of small studies of a known truth: no sentence says that all is within what the truth holds beyond."""

from __future__ import annotations

import re

import pytest

from studykit.report import strip
from tests.report.stranger import Truth, judged, named, page_one, verdicts, write

RIGHT, ACT, WHICH, UNKNOWN = "Is it all right?", "What to do?", "Which containers?", "What is unknown?"
EVEN = (0.0, 0.0, 0.0)
pytestmark = pytest.mark.slow


def test_nothing_is_called_within_while_an_analyte_that_limits_hide_is_stratified(tmp_path):
    """Water lies 155 mg/kg apart against 50 in all; most of it reads "<30", so no litres of it are worked out."""
    root = write(tmp_path / "s", {
        "W": Truth(margin={"absolute": 50}, level=20, departs=(-5, 0, 150), scatter=4, relative=False, below=30),
        "K": Truth(margin={"absolute": 2}, level=4, departs=(0.1, 0, -0.1), scatter=0.1, relative=False),
        "Na": Truth(margin={"absolute": 3}, level=1, departs=EVEN, scatter=0.1, relative=False, below=2)}, named(14))
    said = page_one(root)
    assert dict(verdicts(root)["verdict"]) == {"W": "stratified", "K": "homogeneous", "Na": "not assessed"}
    (within,) = [t for t in re.split(r"(?<=\.) ", said[ACT]) if "within the margin" in t]
    assert within.startswith("Nothing poured unmixed is shown to be within every margin: W is stratified; not judged by "
                             "litres: W and Na; of K alone the first litres are within the margin")
    limits = (root / "report/06-verdict/cannot.csv").read_text(encoding="utf-8")
    assert "Of similar containers that were not opened all could lie beyond the margin of W (95 % bound)." in limits
    assert "Even if none" not in limits
    stage = judged(root)
    shown = strip.answer_table(stage).set_index("analyte")["difference of two depths"]
    assert shown["W"] == "beyond, wherever within their limits the values lie; no number can be told"
    assert shown["Na"] == "not assessed"
    _, cells = strip.drawings(stage)
    assert ["no number" in c for c in cells] == [True, False, False]
    assert ['class="band"' in c for c in cells] == [False, True, False]


def test_what_is_for_information_is_named_beside_what_is_said_within(tmp_path):
    """Zinc alone decides and is even; calcium lies 66 % apart in every drum, against 8."""
    root = write(tmp_path / "s", {
        "Zn": Truth(margin={"relative_percent": 8}, level=800, departs=EVEN, scatter=0.01, heel=0.0),
        "Ca": Truth(margin={"relative_percent": 8}, level=2000, departs=(-0.25, 0, 0.25), scatter=0.01, heel=0.4,
                    more={"role": "information", "label": "calcium"})}, named(24))
    said = page_one(root)
    assert ("Poured unmixed, the first and the last litres are within the margin of Zn; calcium (for information), which "
            "decides nothing, lies beyond.") in said[ACT]
    assert ("No single container is shown to lie beyond the margin of Zn, which does not show that each is within; beside "
            "that, deciding nothing, calcium (for information) is stratified.") in said[WHICH]
    assert "lay beyond the margin of an analyte that decides" in said[UNKNOWN]


def test_an_uneven_stock_names_those_beyond_and_is_not_called_open_as_a_whole(tmp_path):
    """Three of 20 drums lie 60 % apart against 10, the others 4."""
    root = write(tmp_path / "s", {
        "Zn": Truth(margin={"relative_percent": 10}, level=800, departs=(-0.02, 0, 0.02), scatter=0.008, heel=0.0,
                    bad=dict.fromkeys(("F03", "F09", "F17"), 12.0)),
        "Ca": Truth(margin={"relative_percent": 10}, level=2000, departs=EVEN, scatter=0.008, heel=0.0)}, named(20))
    said = page_one(root)
    assert verdicts(root).loc["Zn", ["verdict", "stock"]].tolist() == ["inconclusive", "uneven"]
    assert "F03, F09 and F17" in said[WHICH]
    assert "That is 3 of 20 sampled. Shown within every margin by their own zones: 17 of 20" in said[WHICH]
    assert said[UNKNOWN].startswith("Between depths, on average over the containers, neither shown to be within its "
                                    "margin nor beyond, beside "
                                    "those named as beyond: Zn.")
    (within,) = [t for t in re.split(r"(?<=\.) ", said[ACT]) if "litres are within" in t]
    assert "though single containers or groups lie beyond the margin of Zn" in within


def test_containers_shown_neither_way_are_named_beside_those_beyond(tmp_path):
    """Two pails lie far beyond; of two more the readings lie at the margin, so that nothing is shown of them."""
    root = write(tmp_path / "s", {
        "B": Truth(margin={"relative_percent": 12}, level=150, departs=(-0.01, 0, 0.01), scatter=0.012,
                   bad={"F02": 25.0, "F07": 25.0, "F04": 6.0, "F11": 6.0})}, named(24))
    said = page_one(root)
    assert "F02 and F07" in said[WHICH]
    assert "Shown neither beyond nor within every margin by their own zones, so not cleared: F04 and F11." in said[WHICH]
    assert "not thereby shown to be within" not in said[WHICH]


def test_what_is_excluded_is_told_beside_the_answers_it_would_change(tmp_path):
    """Rain water in one of 16 drums: 700 mg/kg more below, against 60; a person takes its three bottles out."""
    root = write(tmp_path / "s", {
        "Water": Truth(margin={"absolute": 60}, level=300, departs=(0, 0, 1), scatter=5, relative=False, bad={"F05": 715.0}),
        "S": Truth(margin={"relative_percent": 15}, level=900, departs=EVEN, scatter=0.01)}, named(16))
    before = page_one(root)
    assert "Shown to lie beyond the margin of Water, ±60 mg/kg: F05 (lower against middle, +7" in before[WHICH]
    assert "excluded" not in " ".join(before.values())
    (root / "plan/exclusions.csv").write_text("sample,analyte,replicate,reason,who,date\n" + "".join(
        f"F05{p},,,bung was open,store keeper,2026-11-27\n" for p in ("up", "mi", "lo")), encoding="utf-8")
    said = page_one(root)
    assert "No single container is shown to lie beyond a margin" in said[WHICH]
    assert ("With the results that a person excluded, and not without them: Shown to lie beyond the margin of Water, "
            "±60 mg/kg: F05 (lower against middle, +7") in said[WHICH]
    assert "To leave results out clears no container." in said[WHICH]
    assert "With the results that a person excluded the study would be uneven (not homogeneous)" in said[RIGHT] or (
        "the study would be uneven (not inconclusive)" in said[RIGHT])
    assert "Water would be uneven (not homogeneous" in said[RIGHT]
    assert "Left after exclusions: Water and S in 15 of 16 (not in F05)." in said[RIGHT]
    assert "Not measured in all" not in said[RIGHT]


def test_the_pair_shown_for_homogeneous_is_the_one_that_comes_nearest_to_the_margin(tmp_path):
    """Lower and upper lie 0.04 apart and read closely, middle scatters: its p-value of 1e-20 is the larger one."""
    root = write(tmp_path / "s", {
        "pH": Truth(margin={"absolute": 0.3}, level=8.2, departs=(0.03, 0, -0.03), scatter=0.03, relative=False)}, named(20))
    page_one(root)
    row = verdicts(root).loc["pH"]
    assert row["verdict"] == "homogeneous"
    assert row["deciding pair"] == "lower - upper"


def test_an_average_over_two_ages_is_not_told_of_either(tmp_path):
    """Half of the drums stood 28 months and settled (a fifth less above), the other half is as it was filled."""
    names = named(20)
    root = write(tmp_path / "s", {
        "Mo": Truth(margin={"relative_percent": 15}, level=180, departs=(-0.20, 0, 0.25), scatter=0.01, heel=0.0,
                    bad=dict.fromkeys(names[:10], 0.1))}, names,
        filled=dict.fromkeys(names[:10], "2025-09-10") | dict.fromkeys(names[10:], "2023-09-10"),
        factors={"depths": ["upper", "middle", "lower"], "fixed": ["age_months"], "by_depth": ["age_months"]})
    said = page_one(root)
    assert ", ".join(names[10:19]) in said[WHICH]
    mean = "not known on average (those named below lie beyond between depths) for Mo"
    assert f"First litres poured unmixed and last litres: {mean}." in " ".join(said[ACT].split())
