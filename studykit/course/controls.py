"""Lesson 6: blinding and controls. Which control catches which fault, how often, and what an expectation does to readings."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from scipy import stats

from studykit.core.errors import single
from studykit.course.drawing import histogram
from studykit.course.drawing import lines as curves
from studykit.course.replies import Check, Counted, Reply, answer_to, counted, lesson, mapped, no, whole, word, yes
from studykit.course.worlds import Drawn, seed_of

S_R, BOTTLES, WORLDS, MONEY, TARGET = 3.0, 12, 400, 12, 0.8
"""Repeatability in per cent; bottles of each depth; runs; control bottles that can be paid; chance that is asked for."""
FAULTS = {
    "a run reads high": "check fluid", "something is carried over into the next bottle": "blank",
    "the scatter is larger than stated": "duplicate", "the analyst expects the lower bottles to be rich": "blind codes",
    "the method cannot see what settles": "layered control",
}
HINTS = {
    "a run reads high": "To see that a whole run is off one must know what a bottle of it should read.",
    "something is carried over into the next bottle": "What is carried over shows best where nothing should be read.",
    "the scatter is larger than stated": "Scatter shows where the same is measured twice without knowing it.",
    "the analyst expects the lower bottles to be rich": "What nobody can recognise nobody can favour.",
    "the method cannot see what settles": "Give the laboratory something that is layered for certain, and see whether "
                                          "it is found.",
}
drawn = Drawn()
SHIFT, CARRIED, SPREAD = 3.0, 4.0, 2.0
"""The hidden faults: a shift and a carry-over in repeatability deviations; the factor on the scatter."""


def names() -> pd.DataFrame:
    """The faults and the controls, each in its own order."""
    return pd.DataFrame({"faults": list(FAULTS), "controls (in another order)": sorted(FAULTS.values())})


def _catches(answer: Any) -> Reply:
    answer = _by_word(answer)
    if answer is None or set(answer) != set(FAULTS):
        return no('A control for each of the five faults is asked, the faults written as in the table: {"a run reads high": '
                  '"...", and four more}.')
    if any(v is ... for v in answer.values()):
        return no("Write a control in place of each row of dots.")
    for fault, control in FAULTS.items():
        if word(answer[fault]) != control:
            return no(f"“{fault}”: {HINTS[fault]}")
    return yes("Each fault has a control that sees it, and none sees all.")


def caught(control: str, bottles: int) -> float:
    """Chance that so many bottles of a control show the hidden fault of its kind.

    Check fluid and blank: a bottle beyond three deviations, Shewhart's rule (NIST/SEMATECH e-Handbook of Statistical Methods,
    6.3.2: a shift of three deviations is seen by one point with chance 0.5). Duplicates: chi-square test of their variance at
    5 % (the same handbook, 1.3.5.8).
    """
    if bottles < 1:
        return 0.0
    if control == "duplicate":
        return float(stats.chi2.sf(stats.chi2.ppf(0.95, bottles) / SPREAD**2, bottles))
    seen = float(stats.norm.sf(3 - (SHIFT if control == "check fluid" else CARRIED)))
    return 1 - (1 - seen) ** bottles


def table() -> pd.DataFrame:
    """The chance of each control by the number of its bottles."""
    n = list(range(1, 11))
    return pd.DataFrame({"bottles": n, **{c: [caught(c, k) for k in n] for c in ("check fluid", "blank", "duplicate")}})


def picture(rows: pd.DataFrame) -> Figure:
    """That table as curves."""
    return curves("bottles of the control", "chance that the fault is caught", rows["bottles"].tolist(),
                  [(c, rows[c].tolist()) for c in rows.columns[1:]], TARGET)


def season(choice: Mapping[str, int], seed: int) -> pd.DataFrame:
    """Four hundred runs with each hidden fault in turn: in which share it was caught by the chosen controls."""
    if not (reply := answer_to(CHECKS, "choice", choice)).right:
        raise single("choice", reply.text, "mend the exercise above, then run this cell again")
    rng, rows = np.random.default_rng(seed_of(seed)), []
    for control, fault in (("check fluid", "a run reads high"), ("blank", "carry-over"), ("duplicate", "larger scatter")):
        n = max(0, int((_by_word(choice) or {}).get(control, 0)))
        if control == "duplicate":
            seen = (rng.normal(0, SPREAD, (WORLDS, n)) ** 2).sum(axis=1) > stats.chi2.ppf(0.95, max(n, 1))
        else:
            seen = (rng.normal(SHIFT if control == "check fluid" else CARRIED, 1, (WORLDS, n)) > 3).any(axis=1)
        rows.append((fault, control, n, float(np.mean(seen))))
    return pd.DataFrame(rows, columns=["hidden fault", "control", "bottles", "share caught"])


def _by_word(answer: Any) -> dict[str, Any] | None:
    """What an answer maps names to, by the name as it is compared; None where it maps none."""
    given = mapped(answer)
    return None if given is None else {word(k): v for k, v in given.items()}


def _choice(answer: Any) -> Reply:
    wanted = ("check fluid", "blank", "duplicate")
    answer = _by_word(answer)
    if answer is None or not set(answer) <= set(wanted):
        return no('Numbers of bottles are asked: {"check fluid": ..., "blank": ..., "duplicate": ...}.')
    try:
        counts = {c: whole(answer.get(c, 0)) for c in wanted}
    except (TypeError, ValueError):
        return no("Write a whole number in place of each row of dots.")
    if any(v < 0 for v in counts.values()):
        return no("No control can have fewer than no bottles.")
    if sum(counts.values()) > MONEY:
        return no(f"That is {sum(counts.values())} bottles; {MONEY} can be paid.")
    for control in wanted:
        if counts[control] == 0:
            return no(f"Without a {control} its fault goes unseen, whatever else is bought.")
        if caught(control, counts[control]) < TARGET:
            return no(f"{counts[control]} × {control}: its fault is caught too seldom. Read its column down to 0.8.")
    return yes("All three faults are caught with a chance of at least 0.8 each.")


def read(seed: int, blind: bool) -> np.ndarray:
    """Lower minus upper in %, in 400 runs without a true difference.

    An analyst who knows the depths measures twice, keeps the higher of two readings of a lower bottle and the lower
    of two of an
    upper one, "because the other must be wrong"; a blind one keeps the first.
    """
    drawn.note(blind, seed_of(seed))
    return _read(seed_of(seed), blind)


def _read(seed: int, blind: bool) -> np.ndarray:
    pairs = np.random.default_rng(seed).normal(0, S_R, (WORLDS, 2, BOTTLES, 2))
    upper, lower = pairs[:, 0], pairs[:, 1]
    kept = (lower[..., 0], upper[..., 0]) if blind else (lower.max(axis=-1), upper.min(axis=-1))
    return np.asarray(kept[0].mean(axis=1) - kept[1].mean(axis=1))


def expectation_bias() -> float:
    """Bias of that choice in %: the expected range of two readings, 2/√π = 1.128 deviations.

    The factor d2 for two values, ISO 7870-2 and ASTM E2587, table of control chart factors (1.128).
    """
    return float(S_R * 2 / np.sqrt(np.pi))


def blind_picture(seed: int) -> Figure:
    """Both ways over one another."""
    rows = [("knows the depths", _read(seed, False)), ("blind codes", _read(seed, True))]
    return histogram("lower minus upper, % (truth: 0)", rows)


def _pulled(answer: Any, seed: int | None) -> Reply:
    right, own = expectation_bias(), drawn.own(False, seed, lambda s: float(_read(s, False).mean()))
    about = 0.15  # three standard errors of a mean over 400 runs: the scatter of a run is 1.0 (own simulation)
    return counted(answer, [own], about, "Out of nothing, by an honest analyst who repeats what looks wrong. (Over all runs it "
                   f"is {right:.3f}.)",
                   [(0.0, "Nothing has separated, yet the choice between two readings leans to one side."),
                    (right, "That is the bias over all runs. Take the mean of yours."),
                    *((x / 2, "That is one side; lower bottles are pushed up and upper ones pushed down.")
                      for x in (own or right, right)),
                    (S_R, "That is the repeatability. Take the mean of the differences."),
                    *((-x, "The sign: the higher readings of the lower bottles are kept.") for x in (own or right, right)),
                    *((2 * x, "Twice too much: each bottle is pushed by about half a deviation.")
                      for x in (own or right, right))],
                   "Take the mean of `seen` over the runs.")


CHECKS: dict[str, Check] = {"catches": _catches, "choice": _choice, "pulled": Counted(of=_pulled)}
check, after = lesson(CHECKS)
