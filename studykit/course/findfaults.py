"""Lesson 8: find the faults. Data of one's own for every name, and precision and recall of what was found."""

from __future__ import annotations

import hashlib
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from studykit.classroom.laboratory import Line, Planted, measure, plant
from studykit.classroom.worlds import DEPTHS, KEGS, KINDS, World, world_of
from studykit.course.drawing import axes
from studykit.course.replies import Reply, lesson, mapped, name_of, no, number, parts_of, word, yes

NUMBER, ANALYTES, LEAST = 8, ("KV40", "P", "Ca", "Si", "Water"), 0.6
TOLD, FEWEST = 10, 3
"""How many different lists are answered with numbers; how many places a list names at least, as so many faults happened."""
_own: dict[str, str] = {"me": ""}
_asked: dict[str, set[frozenset[tuple[str, str]]]] = {}


def _world(me: str) -> World:
    return world_of(hashlib.sha256(f"lesson 8 {me.strip().lower()}".encode()).digest(), 0)


def _lines() -> tuple[Line, ...]:
    """Bottles of eight kegs and three check fluids, in two runs."""
    zones = [(k, d) for k in KEGS[:NUMBER] for d in DEPTHS]
    order = np.random.default_rng(8).permutation(len(zones))
    out = [Line(sample=f"{zones[i][0]}-{zones[i][1]}", container=zones[i][0], kind="spot", depth=zones[i][1],
                run=f"R{1 + n // 12}", position=n + 1, draw=0, first=0, determinations=1) for n, i in enumerate(order)]
    return (*out, *(Line(sample=f"check-{run}-{k}", container="", kind="check "
                                                                       "fluid", depth="", run=run, position=100 + k, draw=k,
                         first=0, determinations=1) for run in ("R1", "R2") for k in range(3)))


def _planted(me: str) -> tuple[Planted, ...]:
    return plant(_world(me), _lines())


def own_data(me: str) -> pd.DataFrame:
    """The laboratory's table of your own world: bottle, keg, depth, run, position, five analytes. BadInput for no name."""
    name_of(me)
    _own["me"] = me
    rows = measure(_world(me), _lines(), _planted(me))
    place = {x.sample: (x.container, x.depth) for x in _lines()}
    out = pd.DataFrame({"bottle": rows["Bottle"], "keg": [place[b][0] for b in rows["Bottle"]],
                        "depth": [place[b][1] for b in rows["Bottle"]], "run": rows["Run"], "position": rows["Position"]})
    return out.assign(**{a: [float(f"{v:.4g}") for v in rows[a]] for a in ANALYTES})


def certified(me: str) -> pd.DataFrame:
    """What the check fluid should read."""
    return pd.DataFrame({"analyte": list(ANALYTES), "certified": [_world(me).check[a] for a in ANALYTES]})


def missing(data: pd.DataFrame) -> list[str]:
    """Bottles that were sent and have no row."""
    return sorted({x.sample for x in _lines()} - set(data["bottle"]))


def picture(data: pd.DataFrame, analyte: str) -> Figure:
    """One analyte by keg, a mark for each depth."""
    own = data[data["keg"] != ""]
    figure, ax = axes("keg", analyte)
    for mark, depth, shade in zip("osD", DEPTHS, ("#1d2733", "#7a8794", "#b3261e"), strict=True):
        part = own[own["depth"] == depth].sort_values("keg")
        ax.plot(part["keg"], part[analyte], mark, color=shade, ms=4, label=depth)
    ax.legend(frameon=False, fontsize=8)
    return figure


def compared(found: list[tuple[str, str]], faults: tuple[Planted, ...]) -> tuple[float, float]:
    """Precision, the share of what was named that is true, and recall, the share of what is true that was named."""
    right = sum(any(p in f.places and k == f.kind for f in faults) for p, k in found)
    hit = sum(any(p in f.places and k == f.kind for p, k in found) for f in faults)
    return right / max(len(found), 1), hit / max(len(faults), 1)


def _found(answer: Any) -> Reply:
    try:
        found = _pairs(answer)
    except (TypeError, ValueError):
        return no('A list of pairs is asked: [("K03", "wrong product"), ("K05-upper", "slipped digit")].')
    if not _own["me"]:
        return no("First make your own data: run the cell that calls lesson.own_data(me).")
    places = {p for x in _lines() for p in (x.sample, x.container, x.run)} - {""}
    written = {word(p): p for p in places}
    found = [(written.get(word(p), p), word(k)) for p, k in found]
    if strange := [p for p, _ in found if p not in places]:
        return no(f"“{strange[0]}” is no bottle, keg or run of your data.")
    if strange := [k for _, k in found if k not in KINDS]:
        return no(f"“{strange[0]}” is none of the kinds: {', '.join(KINDS)}.")
    if not found:
        return no("Nothing was named. Something went wrong in every one of these worlds.")
    if len({p for p, _ in found}) < len(found):
        return no("A place occurs twice in the list.")
    if len(found) < FEWEST:
        return no(f"Three things at least went wrong: name {FEWEST} places or more before you are told how many are true.")
    precision, recall = compared(found, _planted(_own["me"]))
    if _told_enough(found):
        return _briefly(precision, recall)
    told = f"Precision {precision:.2f}, recall {recall:.2f}."
    if any(p in f.places and k != f.kind for f in _planted(_own["me"]) for p, k in found):
        told += " (Somewhere the place is right and the kind is not: that counts for neither.)"
    if precision < LEAST:
        return no(f"{told} Too many false alarms: whoever names everything has found nothing. Keep what you can give "
                  f"a reason for.")
    if recall < LEAST:
        return no(f"{told} Something is still hidden. Look at each analyte by keg, at the check fluids by run, and at "
                  f"what is missing.")
    return yes(f"{told} Both at least {LEAST}. What is still hidden may never be seen: silence is no proof.")


def _pairs(answer: Any) -> list[tuple[str, str]]:
    """Pairs of place and kind, of a list, a table of two columns, or what maps places to kinds."""
    pairs = mapped(answer)
    if isinstance(answer, pd.DataFrame) or pairs is None:
        return [(str(place), str(kind)) for place, kind in parts_of(answer)]
    return [(str(place), str(kind)) for place, kind in pairs.items()]


def _told_enough(found: list[tuple[str, str]]) -> bool:
    """Whether so many different lists of this name were answered in numbers that a further one is not; it is counted."""
    before = _asked.setdefault(word(_own["me"]), set())
    if frozenset(found) not in before and len(before) >= TOLD:
        return True
    before.add(frozenset(found))
    return False


def _briefly(precision: float, recall: float) -> Reply:
    if min(precision, recall) >= LEAST:
        return yes(f"Both at least {LEAST}. What is still hidden may never be seen: silence is no proof.")
    return no(f"Not both at least {LEAST}. {TOLD} different lists were answered in numbers, and no more are: who tries until "
              "the number rises looks at the checker, not at the data. Name what you can give a reason for.")


def _precision(answer: Any) -> Reply:
    return number(answer, 0.6, 0.005, "Three of five. Low precision costs trust: soon nobody looks at the list any more.",
                  [(0.75, "That is the recall, three of the four that happened."), (5 / 4, "Named over happened says neither."),
                   (0.4, "That is the share of false alarms."),
                   (0.25, "That is the share that was missed.")],
                  "Of the five that were named, how many were true?")


def _recall(answer: Any) -> Reply:
    return number(answer, 0.75, 0.005, "Three of four. Low recall costs a wrong verdict.",
                  [(0.6, "That is the precision, three of the five that were named."), (0.25, "That is the share that "
                                                                                              "was missed."),
                   (5 / 4, "Named over happened says "
                                                                                           "neither.")],
                  "Of the four that happened, how many were named?")


CHECKS = {"found": _found, "precision": _precision, "recall": _recall}
check, _ = lesson(CHECKS)
