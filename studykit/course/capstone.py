"""Lesson 10: a whole study on a budget. Design, buy, look, judge, and be told the truth of a world of one's own."""

from __future__ import annotations

import contextlib
import hashlib
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from scipy import stats

from studykit.core.errors import single
from studykit.course.drawing import axes
from studykit.course.drawing import intervals as drawn_intervals
from studykit.course.replies import (
    Reply,
    as_written,
    lesson,
    name_of,
    no,
    parts_of,
    solved,
    value_of,
    whole,
    word,
    yes,
)
from studykit.inference.tost_power import tost_power

BUDGET, PRICE_CHURN, PRICE_DETERMINATION = 500.0, 40.0, 5.0
"""Money to spend; to open a churn; for each determination (two zones are measured in every churn)."""
MARGIN, S_R, PROFILES, LEVEL = 5.0, 2.0, 2.5, 640.0
"""Margin, repeatability and scatter of a zone's profile, in per cent; dry matter in g/kg."""
ZONES, TRUTHS, MOST, WITHIN = ("upper", "lower"), (0.0, 1.0, 9.0, 12.0), 40, 0.05
_bought: dict[str, Any] = {}


def cost(churns: int, determinations: int) -> float:
    """Churns opened, and determinations of two zones in each, in units of money."""
    return churns * (PRICE_CHURN + 2 * determinations * PRICE_DETERMINATION)


@cache
def chance(churns: int, determinations: int) -> float:
    """Chance of the word homogeneous where nothing has separated and one of the churns is lost.

    Two one-sided tests (Schuirmann 1987); the churn is the one whose slip of the pen has it left out.
    """
    kept = churns - 1
    se = np.sqrt(2 * (PROFILES**2 + S_R**2 / determinations) / kept)
    return tost_power(0.0, float(se), kept - 1, -MARGIN, MARGIN)


@cache
def best_chance() -> float:
    """The best chance that the budget buys."""
    return max(chance(n, m) for n in range(3, MOST + 1) for m in range(1, 21) if cost(n, m) <= BUDGET)


@dataclass(frozen=True, slots=True, kw_only=True)
class _World:
    """What is true for one name: the difference of the zones, %, and where a slip will happen, as shares of what was bought."""

    difference: float
    seed: int
    churn: float
    zone: str


@cache
def _world(me: str) -> _World:
    seed = int.from_bytes(hashlib.sha256(f"lesson 10 {me.strip().lower()}".encode()).digest()[:8])
    rng = np.random.default_rng(seed)
    return _World(difference=float(rng.choice(TRUTHS)), seed=seed, churn=float(rng.uniform()), zone=str(rng.choice(ZONES)))


def _slip(me: str, churns: int) -> tuple[str, str]:
    """The bottle with the misread digit."""
    world = _world(me)
    return f"J{1 + int(world.churn * churns):02d}", world.zone


def readings(me: str, churns: int, determinations: int) -> pd.DataFrame:
    """The laboratory's table for one name: churn, zone, determination, dry matter in g/kg, one slip of the pen in it.

    The same churns come whatever is bought: more money adds churns and determinations and changes none.
    """
    world, rng = _world(me), np.random.default_rng(_world(me).seed + 1)
    level = LEVEL * np.exp(rng.normal(0, 0.01, MOST))
    profile = rng.normal(0, PROFILES / 100, (MOST, 2)) + np.array([0.0, np.log1p(world.difference / 100)])
    noise = rng.normal(0, S_R / 100, (MOST, 20, 2)).transpose(0, 2, 1)
    rows = [(f"J{k + 1:02d}", zone, m + 1, round(float(level[k] * np.exp(profile[k, z] + noise[k, z, m])), 1))
            for k in range(churns) for z, zone in enumerate(ZONES) for m in range(determinations)]
    out = pd.DataFrame(rows, columns=["churn", "zone", "determination", "dry matter, g/kg"])
    at = (out["churn"] == _slip(me, churns)[0]) & (out["zone"] == _slip(me, churns)[1]) & (out["determination"] == 1)
    out.loc[at, "dry matter, g/kg"] = [_misread(v) for v in out.loc[at, "dry matter, g/kg"]]
    return out


def _misread(value: float) -> float:
    """A reading whose first digit was misread from handwriting: a 7 as a 1, a 6 as a 4, a 5 as a 3."""
    return round(value - (600 if value >= 700 else 200), 1)


def buy(me: str, design: tuple[int, int]) -> pd.DataFrame:
    """The readings of a design (churns, determinations) that the budget pays for. BadInput for no name or another design."""
    name_of(me)
    if (reply := _size(design)) is not None:
        raise single("design", reply.text, "mend exercise 1 first", value=str(design))
    churns, determinations = (whole(x) for x in parts_of(design))
    _bought.update(me=me, design=(churns, determinations))
    return bought()


def bought() -> pd.DataFrame:
    """What was bought last; BadInput where nothing was."""
    if not _bought:
        raise single("data", "nothing was bought yet", "mend exercise 1, run the cell under “What comes back”, then this one")
    return readings(_bought["me"], *_bought["design"])


def differences(data: pd.DataFrame, without: Any = "") -> pd.DataFrame:
    """One row a churn: the lower zone minus the upper, in per cent of the upper one.

    ``without``: a churn to leave out, or a bottle (churn, zone) of it; BadInput where no reading is of that churn.
    """
    if not isinstance(without, str) and without is not ...:
        with contextlib.suppress(TypeError, IndexError):
            without = parts_of(without)[0]
    without = without.strip().upper() if isinstance(without, str) else without
    there = sorted(set(data["churn"]))
    if not isinstance(without, str) or (without and without not in there):
        raise single("without", "is no churn of these data: nothing would be left out",
                     f"name one of {there[0]} to {there[-1]}; in exercise 3 it is that of exercise 2",
                     value="..." if without is ... else str(without))
    kept = data[data["churn"] != without]
    means = kept.pivot_table(index="churn", columns="zone", values="dry matter, g/kg")
    return (100 * (means["lower"] / means["upper"] - 1)).rename("difference, %").reset_index()


def interval(values: Any, confidence: float = 0.9) -> tuple[float, float]:
    """The t interval of a mean (Student 1908)."""
    x = np.asarray(values, dtype=float)
    half = stats.t.ppf((1 + confidence) / 2, len(x) - 1) * x.std(ddof=1) / np.sqrt(len(x))
    return float(x.mean() - half), float(x.mean() + half)


def word_of(low: float, high: float) -> str:
    """The word of a 90 % interval against the margin."""
    if low > -MARGIN and high < MARGIN:
        return "homogeneous"
    return "stratified" if low > MARGIN or high < -MARGIN else "inconclusive"


def picture(data: pd.DataFrame) -> Figure:
    """Every reading by churn: circles the upper zone, squares the lower."""
    figure, ax = axes("churn", "dry matter, g/kg", size=(7.0, 3.2))
    for mark, zone, shade in (("o", "upper", "#1d2733"), ("s", "lower", "#b3261e")):
        part = data[data["zone"] == zone]
        ax.plot(part["churn"], part["dry matter, g/kg"], mark, color=shade, ms=4, mfc="none", label=zone)
    ax.legend(frameon=False, fontsize=8)
    return figure


def reveal(me: str, fault: Any, found: Any) -> pd.DataFrame:
    """What was true, and how the study of this name did: cost, chance, word, interval and fault.

    BadInput before ``buy``, and while one of the three exercises is not right.
    """
    if _bought.get("me") != me:
        raise single("me", "nothing was bought for this name yet", "run the cells above first", value=str(me))
    solved(CHECKS, {"design": _bought["design"], "fault": fault, "found": found})
    churns, determinations = _bought["design"]
    truth, slip = _world(me).difference, _slip(me, churns)
    parts = parts_of(found)
    low, high, said = float(parts[0]), float(parts[1]), word(parts[2])
    true_word = "homogeneous" if abs(truth) < MARGIN else "stratified"
    told = "right" if said == true_word else "open, which is no error" if said == "inconclusive" else "wrong"
    rows = [("money spent, of 500", f"{cost(churns, determinations):g}"),
            ("chance of homogeneous, had nothing separated, one churn left out", f"{chance(churns, determinations):.2f}"),
            ("true difference, %", f"{truth:g}"), ("your 90 % interval, %", f"{low:.2f} to {high:.2f}"),
            ("does it hold the truth", "yes" if low <= truth <= high else "no: one in ten does not"),
            ("your word, and the true one", f"{said}, {true_word}: {told}"),
            ("the slip of the pen", f"{slip[0]} {slip[1]}: found")]
    return pd.DataFrame(rows, columns=["asked", "answer"])


def class_picture(me: str) -> Figure:
    """The same design in other worlds: 90 % intervals of invented classmates around their own truths, slip left out."""
    churns, determinations = _bought["design"]
    names = [me, *(f"classmate {k + 1}" for k in range(11))]
    spans = [np.subtract(interval(differences(readings(n, churns, determinations), _slip(n, churns)[0])["difference, %"]),
                         _world(n).difference) for n in names]
    return drawn_intervals("90 % interval of the difference minus its truth, %", names, [float(s[0]) for s in spans],
                           [float(s[1]) for s in spans], (0.0,))


def _size(answer: Any) -> Reply | None:
    """What is wrong with the two numbers of a design and their cost; None where nothing is."""
    try:
        n, m = (whole(x) for x in parts_of(answer))
    except (TypeError, ValueError):
        return no("Two whole numbers are asked: churns, and determinations of each zone.")
    if n < 3 or m < 1 or n > MOST or m > 20:
        return no("At least three churns, of the forty that there are, and at least one determination, at most twenty.")
    if cost(n, m) > BUDGET:
        return no(f"That costs {cost(n, m):g}, and {BUDGET:g} are there.")
    return None


def _design(answer: Any) -> Reply:
    if (reply := _size(answer)) is not None:
        return reply
    n, m = (whole(x) for x in parts_of(answer))
    if chance(n, m) < best_chance() - WITHIN:
        if cost(n + 1, m) <= BUDGET:
            return no(f"The chance is {chance(n, m):.2f}, and there is money left for another churn.")
        return no(f"The chance is {chance(n, m):.2f}; the same money buys more. Profiles differ from churn to churn, and "
                  "determinations cannot mend that.")
    return yes(f"The chance to show sameness is {chance(n, m):.2f}, and no design within the budget is better by more than "
               f"{WITHIN:g}.")


def _not_bought() -> Reply | None:
    return None if _bought else no("First buy your readings: run the cell that calls lesson.buy(me, design).")


def _fault(answer: Any) -> Reply:
    if (reply := _not_bought()) is not None:
        return reply
    try:
        churn, zone = (word(x) for x in parts_of(answer))
        churn = churn.upper()
    except (TypeError, ValueError):
        return no('A churn and a zone are asked: ("J03", "upper").')
    churns = _bought["design"][0]
    if churn not in {f"J{k + 1:02d}" for k in range(churns)} or zone not in ZONES:
        return no(f"“{churn} {zone}” is none of your bottles: churns J01 to J{churns:02d}, zones upper and lower.")
    right = _slip(_bought["me"], churns)
    if (churn, zone) == right:
        return yes("Its first digit was misread. A laboratory that is asked finds it in its book; until then its "
                   "churn is left out, and the report says so.")
    if churn == right[0]:
        return no("The right churn. Which of its two zones does not fit the other churns?")
    return no("That bottle lies among the others. Look at the figure for a reading far below all of its zone.")


def _found(answer: Any) -> Reply:
    if (reply := _not_bought()) is not None:
        return reply
    try:
        parts = parts_of(answer)
        low, high, said = value_of(parts[0]), value_of(parts[1]), word(parts[2])
    except (TypeError, ValueError, IndexError, KeyError):
        return no('Three things are asked: (low, high, "word").')
    if isinstance(low, Reply) or isinstance(high, Reply):
        return no('Three things are asked: (low, high, "word"), low and high as finite numbers.')
    within = max(0.02, as_written(low, 1), as_written(high, 1))
    data = readings(_bought["me"], *_bought["design"])
    slip = _slip(_bought["me"], _bought["design"][0])[0]
    kept, every = differences(data, slip)["difference, %"], differences(data)["difference, %"]
    n, mean = len(kept), float(kept.mean())
    right = interval(kept)
    z = 1.645 * float(kept.std(ddof=1)) / np.sqrt(n)
    wrong = [(interval(every), "The misread reading is still in: leave its churn out."),
             (interval(kept, 0.95), "That is the 95 % interval: two one-sided tests at 5 % belong to 90 %."),
             ((mean - z, mean + z), "1.645 is of the normal distribution; few churns need the t distribution."),
             ((mean - np.sqrt(n) * (mean - right[0]), mean + np.sqrt(n) * (mean - right[0])),
              "The interval of a mean is narrower: divide the standard deviation by the root of the number of churns."),
             ((-right[1], -right[0]), "The sign is turned: lower minus upper is asked.")]
    if not max(abs(low - right[0]), abs(high - right[1])) <= within:
        near = [hint for span, hint in wrong if max(abs(low - span[0]), abs(high - span[1])) <= within]
        return no(near[0] if near else "Leave the churn with the slip out, then take mean ± t × standard deviation / root of n "
                                       "of the churns' differences, with the t of 90 % and n − 1 degrees of freedom; write "
                                       "both ends to one decimal or more.")
    if said not in ("homogeneous", "stratified", "inconclusive"):
        return no("The interval is right. The word is homogeneous, stratified or inconclusive.")
    if said != word_of(*right):
        return no("The interval is right, and the word does not follow from it: wholly within the margin, wholly beyond, or "
                  "neither?")
    return yes(f"{said.capitalize()}: that is what the data carry. Now ask what was true.")


CHECKS = {"design": _design, "fault": _fault, "found": _found}
check, _ = lesson(CHECKS)
