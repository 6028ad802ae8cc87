"""Lesson 5: random order. The same drift of an instrument, with bottles sorted by depth and in random order."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from studykit.core.errors import single
from studykit.course.drawing import axes, histogram
from studykit.course.replies import Check, Counted, Reply, counted, lesson, no, number, yes
from studykit.course.worlds import Drawn, seed_of

DEPTHS = ("upper", "middle", "lower")
VATS, LEVEL, DRIFT, S_R, WORLDS = 12, 250.0, 6.0, 1.5, 400
"""Vats; level in mg/kg; drift from the first to the last bottle and repeatability, in per cent of the level."""
MOST_ALIKE = 10
"""In how many of the 35 steps from one bottle to the next the same distance in the crate is borne. Of 100,000 random orders
none has more (own simulation)."""
MOST_BLOCKS_ALIKE = 8
"""In how many of the 12 vats the depths may stand in the same order."""
RULE = ("Most bottles still follow one another by a rule, and what runs in step with it goes unseen. Let chance decide on the "
        "whole order, or within each vat.")
drawn = Drawn()


def sorted_bottles() -> pd.DataFrame:
    """36 bottles sorted by depth, as they would come out of the crate: bottle, vat, depth."""
    rows = [(f"B{k + 1:02d}", f"V{k % VATS + 1:02d}", DEPTHS[k // VATS]) for k in range(3 * VATS)]
    return pd.DataFrame(rows, columns=["bottle", "vat", "depth"])


def measure(bottles: pd.DataFrame, seed: int) -> pd.DataFrame:
    """Measure the bottles in the order of the table: true level the same everywhere, the instrument drifts upwards."""
    if (reply := _rows_of(bottles)) is not None:
        raise single("order", reply.text, "mend the exercise above, then run this cell again")
    rng = np.random.default_rng(seed_of(seed))
    place = np.linspace(-0.5, 0.5, len(bottles))
    value = LEVEL * (1 + (DRIFT * place + rng.normal(0, S_R, len(bottles))) / 100)
    return bottles.reset_index(drop=True).assign(position=np.arange(1, len(bottles) + 1), value=value)


def difference(readings: pd.DataFrame) -> float:
    """Mean of the lower minus mean of the upper bottles, in per cent of the level."""
    means = readings.groupby("depth")["value"].mean()
    return float(100 * (means["lower"] - means["upper"]) / LEVEL)


def means(readings: pd.DataFrame) -> pd.DataFrame:
    """Mean of each depth in mg/kg."""
    own = readings.groupby("depth")["value"].mean()
    return pd.DataFrame({"depth": DEPTHS, "mean, mg/kg": [own[d] for d in DEPTHS]})


def picture(readings: pd.DataFrame) -> Figure:
    """Each reading against its position in the run, a mark of its own for each depth."""
    figure, ax = axes("position in the run", "reading, mg/kg")
    for mark, depth, shade in zip("osD", DEPTHS, ("#1d2733", "#7a8794", "#b3261e"), strict=True):
        own = readings[readings["depth"] == depth]
        ax.plot(own["position"], own["value"], mark, color=shade, ms=4, label=depth)
    ax.legend(frameon=False, fontsize=8)
    return figure


def sorted_bias() -> float:
    """Bias of lower minus upper where bottles are sorted by depth, in per cent.

    The lower bottles stand 2 x 12 places behind the upper ones, of 35 steps through which the drift runs.
    """
    return DRIFT * 2 * VATS / (3 * VATS - 1)


def random_spread() -> float:
    """Standard deviation of the difference over random orders, in per cent: exact for drawing places without replacement.

    Variance of a difference of two group means under randomisation, S2 (1/n + 1/n): Cochran 1977, Sampling Techniques,
    section 2.6, and the randomisation distribution of Fisher 1935, The Design of Experiments.
    """
    place = DRIFT * np.linspace(-0.5, 0.5, 3 * VATS)
    return float(np.sqrt((place.var(ddof=1) + S_R**2) * 2 / VATS))


def many(seed: int, shuffled: bool) -> np.ndarray:
    """The difference lower minus upper in 400 worlds, sorted or in a new random order each time, in per cent."""
    drawn.note(shuffled, seed_of(seed))
    return _many(seed_of(seed), shuffled)


def _many(seed: int, shuffled: bool) -> np.ndarray:
    rng, place = np.random.default_rng(seed), DRIFT * np.linspace(-0.5, 0.5, 3 * VATS)
    out = []
    for _ in range(WORLDS):
        values = (place[rng.permutation(3 * VATS)] if shuffled else place) + rng.normal(0, S_R, 3 * VATS)
        out.append(values[2 * VATS:].mean() - values[:VATS].mean())
    return np.array(out)


def two_ways(seed: int) -> pd.DataFrame:
    """Mean and scatter of the difference over 400 worlds, sorted and in random order."""
    rows = [(name, values.mean(), values.std(ddof=1)) for name, values in (("sorted by depth", _many(seed, False)),
                                                                           ("random order", _many(seed, True)))]
    return pd.DataFrame(rows, columns=["order", "mean of the difference, %", "its scatter, %"])


def both(seed: int) -> Figure:
    """Both distributions over one another; the truth is 0."""
    rows = [("sorted by depth", _many(seed, False)), ("random order", _many(seed, True))]
    return histogram("lower minus upper, % (truth: 0)", rows)


def _bias(answer: Any) -> Reply:
    right = sorted_bias()
    return number(answer, right, 0.03 * right, "A difference between the depths out of nothing, and no scatter betrays it. "
                  "(Accepted within 3 %, for those who count 36 steps in place of 35.)",
                  [(DRIFT, "That is the drift of the whole run. How far apart stand the middles of the upper and the "
                           "lower third?"),
                   (DRIFT / 3, "That is one third; between the first and the last third lie two."),
                   (DRIFT / 2, "Half of the drift lies between the middle of the run and its end. Take the middles of "
                               "the thirds."),
                   (-right, "The sign: the instrument reads higher towards the end, where the lower bottles stand."),
                   (LEVEL * right / 100, "That is in mg/kg; per cent of the level is asked."),
                   (0.0, "Nothing has separated, but what is read differs: the instrument drifts.")],
                  "Drift of 6 % over the run; the middles of the first and last third lie how much of it apart?")


def _rows_of(answer: Any) -> Reply | None:
    """Why this is no table of bottles; None where it is one."""
    if not isinstance(answer, pd.DataFrame) or not {"bottle", "depth"} <= set(answer.columns):
        return no("The 36 bottles as a table in their new order are asked for.")
    return None


def _vat_by_vat(bottles: list[str]) -> list[tuple[int, ...]] | None:
    """The order of the depths in each vat, where the bottles of every vat stand together; None where they do not."""
    place = {b: k for k, b in enumerate(sorted_bottles()["bottle"])}
    found = [[place[b] for b in bottles[k:k + len(DEPTHS)]] for k in range(0, len(bottles), len(DEPTHS))]
    together = all(len({p % VATS for p in block}) == 1 for block in found)
    return [tuple(p // VATS for p in block) for block in found] if together else None


def _by_a_rule(blocks: list[tuple[int, ...]]) -> bool:
    """Whether the orders within the vats are few, one of them, or come round again.

    Of 100,000 random ones about 13 are taken for that (own simulation).
    """
    again = any(all(a == b for a, b in zip(blocks, blocks[step:], strict=False)) for step in range(1, VATS // 2 + 1))
    return again or len({*blocks}) < 3 or max(Counter(blocks).values()) > MOST_BLOCKS_ALIKE


def _order(answer: Any) -> Reply:
    if (reply := _rows_of(answer)) is not None:
        return reply
    plain = sorted_bottles()
    if sorted(answer["bottle"]) != sorted(plain["bottle"]):
        return no("Every one of the 36 bottles stands in the order once: none twice, none left out.")
    truth = dict(zip(plain["bottle"], plain["depth"], strict=True))
    if any(truth[b] != d for b, d in zip(answer["bottle"], answer["depth"], strict=True)):
        return no("A bottle lost its depth: shuffle whole rows, not one column.")
    depths, bottles = list(answer["depth"]), list(answer["bottle"])
    if bottles in (list(plain["bottle"]), list(plain["bottle"])[::-1]):
        return no("This is still sorted.")
    if all(depths[k] == depths[k % 3] for k in range(len(depths))):
        return no("Taking turns is a pattern, and what runs in step with it goes unseen. Let chance decide.")
    if (blocks := _vat_by_vat(bottles)) is not None:
        return no(RULE) if _by_a_rule(blocks) else yes(
            "Vat by vat, and within each vat chance decides: a randomised block. What drifts slowly shifts the three bottles "
            "of a vat nearly alike, so differences between depths feel it less than in one random order of all.")
    steps = Counter(abs(a - b) for a, b in pairwise(list(plain["bottle"]).index(x) for x in bottles))
    if max(steps.values()) > MOST_ALIKE:
        return no(RULE)
    if len({*depths[:VATS]}) == 1 or len({*depths[-VATS:]}) == 1:
        return no("Within the depths it is shuffled, but the depths still stand in blocks: shuffle all rows together.")
    return yes("A random order. Letting chance decide who goes first is called randomisation.")


def _left(answer: Any, seed: int | None) -> Reply:
    spread, own = random_spread(), drawn.own(True, seed, lambda s: float(_many(s, True).mean()))
    return counted(answer, [own], float(3 * spread / np.sqrt(WORLDS)), "None but what four hundred runs leave by chance (over "
                   "all random orders 0): what was bias has become scatter, and the interval knows about scatter.",
                   [(0.0, "That is the mean over all random orders that there are. Take the mean of your four hundred."),
                    (sorted_bias(), "That is the bias of the sorted bottles; the random order is asked."),
                    (-(own or spread), "The sign: take the mean as it is."),
                    (spread, "That is the scatter over worlds; the bias is their mean.")],
                   "Take the mean of the differences over the worlds in random order.",
                   "That is a hundred times too much: the differences are in per cent already.")


CHECKS: dict[str, Check] = {"bias": _bias, "order": _order, "left": Counted(of=_left)}
check, after = lesson(CHECKS)
