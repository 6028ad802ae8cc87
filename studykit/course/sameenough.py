"""Lesson 2: no difference seen is not the same. The decision rule, and how many kegs it takes to show sameness."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from scipy import stats

from studykit.course.drawing import intervals
from studykit.course.drawing import lines as curves
from studykit.course.replies import Reply, lesson, like_a_rule, no, number, yes
from studykit.inference.tost_power import tost_power

MARGIN, SCATTER = 5.0, 4.0
"""The margin, and the scatter of a keg's difference (standard deviation), both in per cent."""
CASES = (("few kegs, bad luck", -9.0, 11.0), ("few kegs", -4.0, 8.0), ("many kegs", -2.0, 3.0), ("real and small", 1.0, 4.0),
         ("real and large", 6.0, 12.0), ("large, downwards", -13.0, -7.0), ("real, perhaps large", 2.0, 9.0),
         ("downwards, perhaps large", -8.0, -1.0), ("just inside", -4.9, 4.9), ("downwards and small", -4.0, -1.0))


def table() -> pd.DataFrame:
    """Ten studies with the 90 % interval of lowest minus uppermost zone, in per cent."""
    return pd.DataFrame(CASES, columns=["study", "low, %", "high, %"])


def picture() -> Figure:
    """The ten intervals, with 0 and the margin of 5 % on either side."""
    names, low, high = zip(*CASES, strict=True)
    return intervals("lowest minus uppermost zone, % (dashed: the margin)", names, low, high, (-MARGIN, 0.0, MARGIN))


def right_rule(low: float, high: float, margin: float) -> str:
    """Homogeneous where the whole interval lies inside the margin, stratified where it lies beyond on one side.

    The first is two one-sided tests: Schuirmann 1987, J. Pharmacokinet. Biopharm. 15:657.
    """
    if -margin < low and high < margin:
        return "homogeneous"
    return "stratified" if low > margin or high < -margin else "inconclusive"


def _zero_inside(low: float, high: float, margin: float) -> str:
    return "homogeneous" if low <= 0 <= high else "stratified"


def _middle(low: float, high: float, margin: float) -> str:
    return "homogeneous" if abs(low + high) / 2 < margin else "stratified"


def _one_side(low: float, high: float, margin: float) -> str:
    return "homogeneous" if high < margin else "stratified" if low > margin else "inconclusive"


def _reaches(low: float, high: float, margin: float) -> str:
    return "homogeneous" if -margin < low and high < margin else "stratified"


def _zero_outside(low: float, high: float, margin: float) -> str:
    if low > 0 or high < 0:
        return "stratified"
    return "homogeneous" if -margin < low and high < margin else "inconclusive"


def _touches(low: float, high: float, margin: float) -> str:
    return "homogeneous" if low < margin and high > -margin else "stratified"


WRONG = (
    (_zero_inside, "Your rule asks whether 0 lies inside. Then a study with few kegs and a wide interval is always content: "
                   "look at “few kegs, bad luck”."),
    (_middle, "Your rule looks at the middle of the interval alone. What may be true is the whole interval."),
    (_one_side, "Your rule sees the upper side alone. A zone that is much poorer matters too: look at “large, downwards”."),
    (_reaches, "Your rule calls stratified what merely may be: an interval that reaches over the margin has shown "
               "nothing yet."),
    (_zero_outside, "Your rule calls every real difference stratified. A difference can be real and too small to matter."),
    (_touches, "Your rule is content where part of the interval lies inside. All of it must."))


def _rule(answer: Any) -> Reply:
    cases = [(k * low, k * high, k * MARGIN) for k in (1, 2) for _, low, high in CASES]  # all twice as wide, margin too
    wrong = like_a_rule(answer, cases, right_rule, WRONG)
    if wrong is None:
        return yes("Ten studies, ten right words. “Inconclusive” is the honest third: nothing was shown, neither way.")
    hint, case = wrong
    if case[2:] == (2 * MARGIN,):
        return no(f"Your rule fits a margin of {MARGIN:g} % alone. The function is given the margin: use it.")
    name = next((n for n, low, high in CASES if case[:2] == (low, high)), "")
    return no(hint or f"Look again at “{name}”: where does its interval lie, all of it?")


def chance(kegs: int) -> float:
    """Chance of showing sameness with so many kegs, where nothing has separated (exact; Phillips 1990)."""
    return tost_power(0.0, SCATTER / float(np.sqrt(kegs)), kegs - 1, -MARGIN, MARGIN)


def chances() -> pd.DataFrame:
    """The chance of the word homogeneous by the number of kegs, and of a test of no difference to be content."""
    kegs = list(range(3, 16))
    return pd.DataFrame({"kegs": kegs, "chance to show sameness": [chance(k) for k in kegs], "“no difference seen”": 0.95})


def chance_picture(rows: pd.DataFrame) -> Figure:
    """Both chances against the number of kegs."""
    return curves("kegs opened", "chance", rows["kegs"].tolist(), [(c, rows[c].tolist()) for c in rows.columns[1:]], 0.8)


def needed(target: float = 0.8) -> int:
    """The smallest number of kegs with at least the chance ``target``."""
    return next(k for k in range(2, 200) if chance(k) >= target)


def _kegs(answer: Any) -> Reply:
    n, normal = needed(), int(np.ceil((SCATTER / MARGIN * (stats.norm.ppf(0.95) + stats.norm.ppf(0.9))) ** 2))
    return number(answer, n, 0, "The first row of the table that reaches 0.8.",
                  [(n - 1, "Nearly. Its chance is still below 0.8."),
                  (n + 1, "That reaches 0.8. Is it the first row that does?"),
                   (3, "With three kegs “no difference seen” is nearly certain, and sameness is hardly ever shown."),
                   (normal, "That is the normal approximation; few kegs need the t distribution of the table.")],
                  "Read down the column “chance to show sameness” to the first 0.8.")


def _content(answer: Any) -> Reply:
    return number(answer, 0.95, 0.005, "It is content 95 times of 100 however few kegs are opened: it rewards bad studies.",
                  [(0.05, "That is the chance that it objects, though nothing has separated."),
                   (chance(3), "That is the chance to show sameness. The other column is asked.")],
                  "Read the third column in the row of three kegs.")


CHECKS = {"rule": _rule, "kegs": _kegs, "content": _content}
check, _ = lesson(CHECKS)
