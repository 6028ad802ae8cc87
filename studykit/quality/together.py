"""Explanations that are one and the same thing in the stock: told once, not bottle by bottle or pair by pair.

Bottles of the lowest zone, in several containers, in which everything is thinned by a factor of its own: no balance
errs at one depth alone, and free water or another fluid at the floor does so. Bottles exchanged, drifts and values alone that
all rest on analytes that settle: their containers have settled by rates of their own.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from studykit.quality.explain import DIRT, Candidate, Scene, monotone_loss
from studykit.quality.flags import listed, shown
from studykit.quality.frame import ROUNDING, Frame, in_units

FLOOR, PORTION = "free water or heel at the floor", "portion or dilution"
CAUTION = ("what lies there is not known, so nothing is pumped from the floor, heated or used before that is looked into, by "
           "the safety data sheet and local rules")
"""Said wherever water at the floor is likeliest, or a rival of what is."""
SEVERAL = 3
"""Bottles of the lowest zone, or explanations of analytes that settle, that are told as one (own judgement)."""
SHOWN = 0.1
"""A profile of a container shows itself by so much between its extreme zones (log; own judgement)."""
LAYERED = 3.0
"""Scatter of a bottle, or stated repeatabilities, by which extreme zones of one container are layered (own judgement)."""
DRIFTED = 1.0
"""A run that drifts from its right reading lies off by half of it; a shift smaller than the drift is told as the drift."""
CELLS = ("value alone", "transposed digits", DIRT)
MIXED, LEVELS = ("disturbed container", "missing purge"), ("diluted or evaporated", "wrong product")
"""Explanations by which a container's zones hold some of one another, and those of its level."""
OF_ONE = ("swapped samples", "drift", "heel in the zone", *CELLS)
"""Explanations that containers which settle by rates of their own can bring about; ``CELLS``: of a single reading."""


def told_once(sc: Scene, found: Sequence[Candidate]) -> tuple[Candidate, ...]:
    """The explanations with those that are one thing joined, where the first of them stood."""
    out = _at_the_floor(sc, _of_the_floor(_without_levels(sc, _of_runs(found))))
    apart = {a for a in range(len(sc.f.analytes)) if settled_apart(sc, a)}
    real = {c.place for c in out if c.cause == "drift" and not _rests_on(c) <= apart}  # the others of such a run drift too
    own = [c for c in out if c.cause in OF_ONE and _rests_on(c) <= apart and one_way(sc, c) and c.place not in real]
    if len(own) >= SEVERAL:
        columns = tuple(sorted({a for c in own for a in _rests_on(c)}))
        out = _joined(sc, out, own, "own settling", columns, "containers have settled by rates of their own")
    return tuple(_one_shift(sc.f, _with_drift(sc.f, out)))


def _with_drift(f: Frame, found: Sequence[Candidate]) -> list[Candidate]:
    """The explanations with the drifts of a run as one, and without a shift of it that they bring about.

    A run that starts right and drifts is off by half of that in its middle, about which a drift is undone: what is left there
    is no further cause, but a rival of the drift.
    """
    out: list[Candidate] = []
    for c in found:
        beside = [s for s in found if s.rows == c.rows]
        own = [d for d in beside if d.cause == "drift"]
        if c.cause == "drift" and c is own[0]:
            also = [s for s in beside if _as_drift(s, own) and not _brought(s, own)]
            out.append(_one_drift(f, [*own, *also], [s for s in beside if _brought(s, own)]))
        elif c.cause != "drift" and not _brought(c, own) and not _as_drift(c, own):
            out.append(c)
    return out


def _as_drift(shift: Candidate, drifts: Sequence[Candidate]) -> bool:
    """Whether a shift of a run that drifts in other analytes could be a drift of it as well (a rival): it is told with them."""
    places = {d.place for d in drifts}
    return shift.cause == "run shift" and any(cause == "drift" and place in places for cause, place, _ in shift.rivals)


def _brought(shift: Candidate, drifts: Sequence[Candidate]) -> bool:
    """Whether a shift of a run is what is left of these drifts of it: in their analytes mostly, that way, and no larger."""
    if shift.cause != "run shift":
        return False
    amounts = [d.amount for d in drifts for a in d.columns if a in shift.columns]
    if len(amounts) < max(1, len(shift.columns) / 2):
        return False
    return 0 < shift.amount / float(np.median(amounts)) < DRIFTED


def _one_drift(f: Frame, drifts: Sequence[Candidate], shifts: Sequence[Candidate]) -> Candidate:
    """The drifts of one run as one explanation, whose detail tells how far each analyte drifts; shifts as rivals."""
    rivals = {rival[0]: rival for d in drifts for rival in d.rivals if rival[0] != "drift"}
    for s in shifts:  # the first of them is told
        rivals.setdefault(s.cause, (s.cause, s.place, drifts[0].net - s.net))
    first = replace(drifts[0], rivals=tuple(rivals.values()))
    if len(drifts) == 1:
        return first
    return _of_each(f, first, drifts)


def _of_each(f: Frame, first: Candidate, parts: Sequence[Candidate]) -> Candidate:
    """Explanations of one run as one, whose detail tells by how much each analyte is off.

    What two of them say of one analyte adds up; the later one says how it should have read. What is told with others of another
    cause has its amount all along the run.
    """
    mine = {a for c in parts for a in c.columns if c.cause == first.cause}
    whole = {a for c in parts for a in c.columns} - mine
    amounts = {a: sum(c.amount for c in parts if a in c.columns and (c.cause == first.cause or a in whole))
               for a in sorted(mine | whole)}
    meant = {a: np.asarray(c.readings)[:, [k]] for c in parts for k, a in enumerate(c.columns)}
    each = [f"{name} by {shown(100 * float(np.expm1(amount)), 2)} %" if f.relative[a] else f"{name} by {shown(amount, 2)}"
            for (a, amount), name in zip(amounts.items(), f.told(amounts), strict=True)]
    each = [words + " all along" * (a in whole) for a, words in zip(amounts, each, strict=True)]
    return replace(first, columns=tuple(amounts), readings=np.concatenate([meant[a] for a in amounts], axis=1), bears=(),
                   gain=sum(c.gain for c in parts), price=sum(c.price for c in parts), detail=listed(each, 12),
                   amount=float(np.median(list(amounts.values()))))


def _one_shift(f: Frame, found: Sequence[Candidate]) -> list[Candidate]:
    """The explanations with the shifts of one run as one, where the first of them stood.

    An instrument that is off shifts each analyte by an amount of its own; what several of them share was found at once.
    """
    out: list[Candidate] = []
    for c in found:
        own = [s for s in found if s.cause == c.cause == "run shift" and s.rows == c.rows and s.detail == c.detail == ""]
        if len(own) < 2:
            out.append(c)
        elif c is own[0]:
            rivals = {rival[0]: rival for s in own for rival in s.rivals}
            out.append(_of_each(f, replace(c, rivals=tuple(rivals.values())), own))
    return out


def _rests_on(c: Candidate) -> set[int]:
    """The analytes that an explanation rests on (their columns)."""
    return set(c.bears or c.columns)


def could_settle(sc: Scene, c: Candidate) -> bool:
    """Whether containers that have settled by rates of their own could bring it about, so that this is a rival."""
    if c.cause == "disturbed container":  # one that has settled little yet is as flat as one that was mixed
        return any(settled_apart(sc, a) for a in c.columns)
    if c.cause == "wrong product":  # few analytes of a whole container by one factor, or those alone that have settled in it
        few = bool(np.isfinite(c.amount)) and len(c.columns) <= 0.5 * len(sc.f.analytes)
        return few or (len(c.columns) < len(sc.f.analytes) and all(_in_layers(sc, c.rows, a) for a in c.columns))
    if c.cause == "swapped samples":  # the analytes that give most of it; single others of two bottles are off by chance
        most = c.bears or c.columns
        return not c.detail and all(settled_apart(sc, a) for a in most[:max(1, len(most) // 2)])
    of_a_bottle = c.cause in ("carry-over", PORTION) and c.place == "bottle"  # of what settles both bring what settling brings
    return (c.cause in OF_ONE or of_a_bottle) and all(settled_apart(sc, a) for a in _rests_on(c)) and one_way(sc, c)


def _in_layers(sc: Scene, rows: Sequence[int], a: int) -> bool:
    """Whether the extreme zones of a container differ in this analyte, by ``LAYERED`` times a bottle's scatter at least."""
    own = np.array([i for i in rows if sc.f.zone[i] and np.isfinite(sc.f.y[i, a])], dtype=np.intp)
    height = sc.f.rows["height"].to_numpy(float)[own]
    if own.size < 2:
        return False
    apart = abs(float(sc.f.y[own[np.argmax(height)], a] - sc.f.y[own[np.argmin(height)], a]))
    return apart > LAYERED * max(float(np.nan_to_num(sc.f.stated[a])), float(sc.m.s[own, a].min()))


def one_way(sc: Scene, c: Candidate) -> bool:
    """Whether, of a reading or a bottle, its container's zones rise or fall with it from top to bottom, as what settles does.

    They do where the best such line leaves less than half of what the explanation saves.
    """
    if c.cause not in (*CELLS, "carry-over", PORTION) or not sc.f.zone[c.rows[0]]:
        return True
    rows = sc.rows_of(int(sc.f.at[c.rows[0]]))
    height = sc.f.rows["height"].to_numpy(float)[rows]
    return sum(monotone_loss(sc, rows, height, a) for a in _rests_on(c)) < c.gain / 2


def settled_apart(sc: Scene, a: int) -> bool:
    """Whether several containers have a profile of this analyte, of one sign, and not all of them alike.

    A profile: between the highest and the lowest zone by ``SHOWN`` and by eight stated repeatabilities at least. Alike: within
    a third of the middle one.
    """
    height, far = sc.f.rows["height"].to_numpy(float), []
    for box in np.unique(sc.f.at[sc.f.zone]):
        rows = np.flatnonzero((sc.f.at == box) & sc.f.zone)
        rows = rows[np.isfinite(sc.f.y[rows, a]) & np.isfinite(height[rows])]
        if rows.size > 1:
            far.append(float(sc.f.y[rows[np.argmin(height[rows])], a] - sc.f.y[rows[np.argmax(height[rows])], a]))
    limit = max(SHOWN if sc.f.relative[a] else 0.0, 8 * float(np.nan_to_num(sc.f.stated[a]))) * (1 - ROUNDING)
    x = np.array(far)
    up, down = x >= limit, x <= -limit
    if limit <= 0 or max(up.sum(), down.sum()) < SEVERAL:
        return False
    return bool(np.ptp(x) > abs(float(np.median(x[up | down]))) / 3)


def _of_runs(found: Sequence[Candidate]) -> list[Candidate]:
    """The explanations without carry-over of single bottles of a run in which every reading holds a share of the one before."""
    runs = [set(c.rows) for c in found if c.cause == "carry-over" and c.place.startswith("run ")]
    return [c for c in found if c.cause != "carry-over" or c.place != "bottle" or not any(c.rows[0] in own for own in runs)]


def _without_levels(sc: Scene, found: Sequence[Candidate]) -> list[Candidate]:
    """The explanations without a level of a container whose zones are mixed: its draws are of no certain height.

    Such a level is off by no more than the stock's zones differ, in each of its analytes.
    """
    mixed = {int(sc.f.at[c.rows[0]]) for c in found if c.cause in MIXED and c.place == "container"}
    far = np.ptp(sc.m.profile[np.unique(sc.f.place[sc.f.zone])], axis=0)

    def by_mixing(c: Candidate) -> bool:
        box = int(sc.f.at[c.rows[0]])
        return c.cause in LEVELS and box in mixed and all(abs(sc.m.u[box][a]) <= far[a] for a in c.columns)

    return [c for c in found if not by_mixing(c)]


def _of_the_floor(found: Sequence[Candidate]) -> list[Candidate]:
    """The explanations, those of one bottle by a heel in it and by a portion too small as one: it holds what lies at the floor.

    Of that what has sunk is rich and the rest thinned, and neither balance nor settling does both.
    """
    heels = {c.rows[0] for c in found if c.cause == "heel in the zone"}
    thinned = {c.rows[0] for c in found if c.cause == PORTION and c.amount < 1} & heels
    rival = (PORTION, "the same bottle", float("nan"))
    return [replace(c, rivals=(*c.rivals, rival)) if c.cause == "heel in the zone" and c.rows[0] in thinned else c
            for c in found if c.cause != PORTION or c.rows[0] not in thinned]


def _at_the_floor(sc: Scene, found: list[Candidate]) -> list[Candidate]:
    """Portions too small of the lowest zones of several containers, and of no other zone, as one explanation.

    What was found as one explanation from the start is parted again where a bottle above the lowest zone falls short too, and
    joined with what was found by itself where none does.
    """
    short = [c for c in found if c.cause == PORTION and c.amount < 1 and sc.f.zone[c.rows[0]]]
    low = [c for c in short if lowest(sc, c.rows[0])]
    water = [c for c in found if c.cause == FLOOR]
    if water and len(low) < len(short):
        return [one for c in found for one in (_each_by_itself(sc, c) if c.cause == FLOOR else [c])]
    parts = [*low, *(one for c in water for one in _each_by_itself(sc, c))]
    boxes = {int(sc.f.at[c.rows[0]]) for c in parts}
    if len(boxes) < SEVERAL or len(low) < len(short) or (water and not low):
        return found
    columns = tuple(sorted({a for c in parts for a in c.columns}))
    factors = ", ".join(f"{c.amount:.3g}" for c in sorted(parts, key=lambda c: c.amount))
    rest = [one for c in found for one in (_each_by_itself(sc, c) if c.cause == FLOOR else [c])]
    own = [c for c in rest if c.cause == PORTION and c.amount < 1 and sc.f.zone[c.rows[0]]]
    return _joined(sc, rest, own, FLOOR, columns, factors)


def _each_by_itself(sc: Scene, c: Candidate) -> list[Candidate]:
    """A thinned floor of several containers as portions too small, one a container."""
    at, readings, out = sc.f.at[list(c.rows)], np.asarray(c.readings), list[Candidate]()
    for box in np.unique(at):
        mine = np.flatnonzero(at == box)
        rows = tuple(c.rows[int(k)] for k in mine)
        was, columns = sc.f.y[list(rows)], list(c.columns)
        meant = was.copy()
        meant[:, columns] = readings[mine]
        with np.errstate(all="ignore"):
            ratio = in_units(sc.f.relative, was) / in_units(sc.f.relative, meant)
        amount = float(np.nanmedian(ratio[:, columns]))
        out.append(replace(c, cause=PORTION, rows=rows, readings=readings[mine], gain=c.gain / np.unique(at).size,
                           price=c.price / np.unique(at).size, place="bottle", amount=amount, detail="",
                           rivals=((FLOOR, "each by itself", float("nan")),)))
    return out


def lowest(sc: Scene, row: int) -> bool:
    """Whether this bottle is of the lowest zone of its container."""
    height = sc.f.rows["height"].to_numpy(float)
    return bool(height[row] <= np.nanmin(height[sc.rows_of(int(sc.f.at[row]))]) + 1e-9)


def _joined(sc: Scene, found: list[Candidate], own: Iterable[Candidate], cause: str, columns: tuple[int, ...],
            detail: str) -> list[Candidate]:
    """The list with these explanations as one of that cause, in the place of the first; what they were are rivals."""
    own = list(own)
    near = [c for c in own if not c.place.startswith("run ")] or own
    rows = tuple(sorted({r for c in near for r in c.rows}))
    rivals = dict.fromkeys(c.cause for c in own) | dict.fromkeys(cause for c in own for cause, _, _ in c.rivals)
    one = replace(own[0], cause=cause, rows=rows, columns=columns, readings=sc.y[np.ix_(rows, columns)],
                  gain=sum(c.gain for c in own), price=sum(c.price for c in own), place="several", detail=detail,
                  rivals=tuple((r, "each by itself", float("nan")) for r in rivals if r != cause))
    first = next(k for k, c in enumerate(found) if c is own[0])
    left = [one if k == first else c for k, c in enumerate(found) if k == first or all(c is not o for o in own)]
    return left


__all__ = ["CAUTION", "FLOOR", "could_settle", "lowest", "one_way", "settled_apart", "told_once"]
