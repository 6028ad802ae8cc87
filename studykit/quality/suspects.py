"""What most likely happened: the explanations of a study's departures, the best first, with rivals.

The explanation that saves most beyond its price is taken, its cells are read as it says (or set aside, where the
fluid really is so), the model is fitted again, and so on until nothing saves ``ENOUGH``. Rivals are other
explanations of the same cells that come close. Nothing is changed outside this search.

A container that has really settled, or creamed, is one of the explanations and is never more than a hint. Where it
is a rival, the flag asks and does not stop.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from studykit.core.memory import remembered
from studykit.quality.exchanges import COLUMNS, ROWS, exchanged
from studykit.quality.explain import (
    DIRT,
    Candidate,
    Scene,
    cells,
    own_settling,
    scene,
    worst_boxes,
    zones_of,
)
from studykit.quality.flags import CheckResult, Flag, listed, shown
from studykit.quality.frame import Fit, Frame, Vector, fit
from studykit.quality.heels import own_heel
from studykit.quality.levels import containers
from studykit.quality.mistaken import mistaken
from studykit.quality.portions import at_the_floor, portions
from studykit.quality.profiles import differs_by_depth, refuted, too_much
from studykit.quality.purges import purges
from studykit.quality.reading_order import NO_ORDER, depth_order, split_containers
from studykit.quality.runs import (
    ENOUGH,
    FURTHER,
    after_blanks,
    drift_table,
    run_candidates,
    run_rows,
)
from studykit.quality.shifts import EITHER, shift_table
from studykit.quality.swaps import swaps
from studykit.quality.together import CAUTION, CELLS, FLOOR, PORTION, could_settle, lowest, one_way, told_once

SOME = 0.5
"""Nats beyond the price from which an explanation is at least a hint."""
CLOSE = 5.0
"""Rivals are named when they save as much but for this many nats."""
DECIDED = 12.0
"""Nats up to which a container's zones that real settling explains about as well (a rival) are a hint: counted on studies
without a fault and with one, real ones of clear size save 12 to 40 (exchanged bottles 40 to 70), chance ones 4 to 7."""
EXCHANGED = 18.0
"""The same of exchanged bottles: of settled stocks chance ones save up to 16, real ones of middle and clear size 21 to 63."""
AS_SETTLED = ("heel in the zone", "disturbed container", "missing purge", "wrong product", "swapped samples", "value alone",
              DIRT)
"""Causes that a container's own settling, or its own rate, may look like; and carry-over, or a portion, of one bottle."""
BESIDE = (("portion or dilution", "own settling"),)
"""Causes beside which another one is named however far behind it is: a container's own settling condemns a container."""
TOGETHER = ("drift", "run shift")
"""Explanations of a run that seldom come in one analyte alone."""
ROUNDS = 10
SUSPECT_COLUMNS = ["cause", "where", "analytes", "samples", "nats", "rivals", "what_would_tell"]
DRIFT_COLUMNS = ["run", "analyte", "slope", "se", "n", "gain"]
SHIFT_COLUMNS = ["run", "analyte", "containers", "containers_se", "check_fluid", "check_fluid_se", "usual"]
TELLS = {
    "swapped samples": "the drawing log, the labels of both bottles, and one fresh draw of each",
    "exchanged containers": "the containers' own labels, and one fresh draw of each",
    "wrong product": "the container's label and filling record, and one fresh draw",
    "disturbed container": "who moved or pumped it and when; a redraw after rest",
    "heel in the zone": "a second draw of that zone, higher above the floor",
    "diluted or evaporated": "water and density of the container, its seal; a fresh draw measured again with another one",
    "missing purge": "the drawing log: was the tool or line emptied between draws; one purged redraw",
    "portion or dilution": "a second portion of the same bottle",
    "unit slip": "the raw printout with its unit; a second portion of the same bottle",
    "transposed digits": "the raw printout of that value",
    "value alone": "a second portion of the same bottle",
    DIRT: "a second portion of the same bottle, and another bottle of that zone; was bottle, cap or tool open to dust?",
    "carry-over": "the same bottles again, each after a rinse and a blank",
    "drift": "a check fluid at both ends of a run; some bottles again in reverse order",
    "run shift": "some bottles of this run and of another one measured side by side, with a check fluid of known content",
    "run offset": "the run's own blank, what was subtracted and from what; some bottles of this run and of another one "
                  "measured side by side",
    "check fluid": "a fresh portion of the check fluid; one of another level would tell a calibration from a spoiled fluid",
    "run and stock": "some bottles of this run and of another one measured side by side",
    FLOOR: "water by a test of its own, a clear tube or water-finding paste at the floor; a second draw of that zone, "
           "higher up; a second portion of the same bottles",
    COLUMNS: "the instrument's own printout beside this file; the check fluid again",
    ROWS: "the instrument's own printout with the places of its tray; the check fluid and one bottle again",
    "own settling": "a second draw of the extreme zones; whether what is dissolved shows it too (it should not)",
}
SAYS = {
    "swapped samples": "their readings fit far better under each other's codes",
    "exchanged containers": "each reads as the other's lot, store or age leads one to expect",
    "wrong product": "the whole container reads {detail} what lot, store and age lead one to expect, {how}",
    "disturbed container": "flat where the other containers have a profile: mixed or moved before the draw?",
    "heel in the zone": "the lowest draw alone is rich: did it reach the heel?",
    "missing purge": "each draw reads as if it held some of the one before it (how much is not told by so few draws)",
    "transposed digits": "reads {value}, where {detail} would fit: two digits exchanged?",
    "own settling": "its zones rise or fall by amounts of its own: real settling or creaming of this container, likeliest",
    "value alone": "reads {value} where container and depth lead one to expect {expected}",
    DIRT: "reads {value} where container and depth lead one to expect {expected}, and nothing else of this bottle is high: "
          "dust, sand or rust in it, or of silicon a drop of antifoam?",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspects:
    """What the search found: explanations in order, and the model as it stands without them.

    found: with rivals filled in. weak: what is left over, too little to be named but as a hint.
    frame, model, y: the frame, the last fit, and the readings as explained.
    """

    frame: Frame
    found: tuple[Candidate, ...]
    weak: tuple[Candidate, ...]
    model: Fit
    first: Fit
    y: Vector

    @property
    def scene(self) -> Scene:
        """The scene after everything found was taken out."""
        return scene(self.frame, self.y, self.model)


@remembered
def search(f: Frame, y: Vector | None = None) -> Suspects:
    """Search the frame for explanations (``y``: its readings with slips of whole files already undone)."""
    y = (f.y if y is None else y).copy()
    m = first = fit(f, y)
    found: list[Candidate] = []
    weak: tuple[Candidate, ...] = ()
    for _ in range(ROUNDS if f.zone.any() else 0):
        sc = scene(f, y, m)
        every = bottle_candidates(sc) + run_candidates(sc) + exchanged(sc, list(run_rows(sc)))
        shifted = {i for c in every if c.cause == ROWS and c.net > ENOUGH for i in c.rows}  # side by side that looks exchanged
        every += [c for c in mistaken(sc, list(run_rows(sc))) if not shifted & set(c.rows)]
        tried = [c for c in (_beside(c, found) for c in every) if c.net > 0 and not _again(c, found)]
        best = max((c for c in tried if not _each_settled(sc, c, tried)), key=lambda c: c.net, default=None)
        if best is None or best.net < ENOUGH:
            weak = _weak(tried)
            break
        rivals = _beside_settling(sc, best, _rivals(sc, best, tried), found)
        found += [replace(c, rivals=rivals) for c in best.parts or (best,)]
        y = y.copy()
        y[np.ix_(best.rows, best.columns)] = best.readings
        if best.cause == "carry-over" and best.place.startswith("run "):
            y[after_blanks(f, best.rows)] = np.nan  # thinned most, and in what neither blank nor check fluid tells of as well
        m = fit(f, y)
    told = told_once(scene(f, f.y, first), found) if found else ()
    return Suspects(frame=f, found=told, weak=weak, model=m, first=first, y=y)


def _beside(c: Candidate, found: Iterable[Candidate]) -> Candidate:
    """The candidate, cheaper where it is a further analyte of a run that drifts, or is shifted, already."""
    known = c.cause in TOGETHER and any(
        o.cause == c.cause and o.place == c.place and o.detail.startswith(EITHER) == c.detail.startswith(EITHER) for o in found)
    return replace(c, price=min(c.price, FURTHER)) if known else c


def _again(c: Candidate, found: Iterable[Candidate]) -> bool:
    """A second drift of a run and analyte, carry-over of a run or bottle, shift of rows: each is of one size.

    And bottles exchanged once more, which only undoes it.
    """
    if c.cause == "swapped samples" or (c.cause == "carry-over" and not c.place.startswith("run ")):
        return any(o.cause == c.cause and set(o.rows) == set(c.rows) and o.columns == c.columns for o in found)
    return c.cause in ("drift", "carry-over", ROWS) and c.place.startswith("run ") and any(
        o.cause == c.cause and o.place.startswith("run ") and (o.columns == c.columns or c.cause != "drift")
        and set(o.rows) & set(c.rows) for o in found)


def _each_settled(sc: Scene, c: Candidate, tried: Iterable[Candidate]) -> bool:
    """Whether bottles exchanged across two containers save less than that each of the two has settled by itself."""
    if c.cause != "swapped samples" or c.place != "across" or c.detail:
        return False
    boxes = {int(sc.f.at[i]) for i in c.rows}
    own = {int(sc.f.at[o.rows[0]]): o.net for o in tried if o.cause == "own settling"}
    return boxes <= set(own) and sum(own[b] for b in boxes) > c.net


def bottle_candidates(sc: Scene) -> list[Candidate]:
    """Every explanation that concerns cells, bottles and containers."""
    boxes = worst_boxes(sc)
    out = [*cells(sc), *portions(sc), *at_the_floor(sc), *swaps(sc), *own_settling(sc, boxes), *zones_of(sc, boxes),
           *own_heel(sc, boxes), *purges(sc, boxes), *containers(sc)]
    return [replace(c, gain=c.gain if np.isfinite(c.gain) else 0.0) for c in out]


def _weak(tried: Iterable[Candidate], most: int = 2) -> tuple[Candidate, ...]:
    """The best explanations that fall short of ``ENOUGH`` but save ``SOME``, no two of the same cells."""
    out: list[Candidate] = []
    for c in sorted(tried, key=lambda c: -c.net):
        apart = all(not (set(c.rows) & set(o.rows)) for o in out)
        if c.net > SOME and apart and c.cause not in ("own settling", "value alone") and len(out) < most:
            out.append(c)
    return tuple(out)


def _rivals(sc: Scene, best: Candidate, tried: Iterable[Candidate]) -> tuple[tuple[str, str, float], ...]:
    """Other causes for the same cells that come close: cause, where, nats behind."""
    cells = {(r, c) for r in best.rows for c in best.columns}
    out: dict[str, tuple[str, str, float]] = {}
    for c in sorted(tried, key=lambda c: -c.net):
        other = {(r, k) for r in c.rows for k in c.columns}
        shared = len(cells & other) >= 0.5 * min(len(cells), len(other))
        close = shared and best.net - c.net < CLOSE + 0.25 * best.net
        beside = (best.cause, c.cause) in BESIDE and cells & other
        if c.cause != best.cause and c.cause not in out and (close or beside):
            of_settled = best.cause == "own settling" and c.cause == PORTION and could_settle(sc, c)
            out[c.cause] = (c.cause, place_of(sc.f, c)[0], float("nan") if of_settled else best.net - c.net)
    i = best.rows[0]
    thinned = best.cause in ("portion or dilution", "unit slip") and best.place == "bottle" and best.amount < 1
    if thinned and sc.f.zone[i] and lowest(sc, i):
        out[FLOOR] = (FLOOR, place_of(sc.f, best)[0], float("nan"))
    slip = best.cause == "unit slip" and best.place == "cell" and sc.f.zone[i] and not refuted(sc.f, i, best.columns[0])
    if slip and not too_much(sc.f, i, best.columns[0]) and "own settling" not in out:
        out["own settling"] = ("own settling", place_of(sc.f, best)[0], float("nan"))
    if could_settle(sc, best) and ("own settling" not in out or best.cause in (
            "wrong product", PORTION, *CELLS)):
        out["own settling"] = ("own settling", place_of(sc.f, best)[0], float("nan"))
    return tuple(out.values())


def _beside_settling(sc: Scene, c: Candidate, rivals: tuple[tuple[str, str, float], ...],
                     found: Iterable[Candidate]) -> tuple[tuple[str, str, float], ...]:
    """The rivals of one number, and own settling where its container is found settled and its zones rise or fall with it."""
    settled = any(o.cause == "own settling" and c.rows[0] in o.rows for o in found)
    if not (settled and c.cause in CELLS and one_way(sc, c)):
        return rivals
    return (*(r for r in rivals if r[0] != "own settling"), ("own settling", place_of(sc.f, c)[0], float("nan")))


def place_of(f: Frame, c: Candidate) -> tuple[str, tuple[str, ...]]:
    """Where an explanation lies, in words, and the codes of its samples."""
    rows = f.rows.iloc[list(c.rows)]
    samples = tuple(sorted(set(rows["sample"].astype(str))))
    boxes = sorted(set(rows["container"].astype(str)) - {""})
    if c.detail.startswith(EITHER):
        return f"runs {c.detail.removeprefix(EITHER).strip()}", () if len(samples) > 8 else samples
    if c.place.startswith("run "):
        return ("all runs" if c.place == "run all" else c.place), () if len(samples) > 8 else samples
    if c.place in ("cell", "bottle"):
        return f"sample {samples[0]}" + (f" (container {boxes[0]})" if boxes else ""), samples
    if c.place == "across":
        of = f" (container{'s' if len(boxes) > 1 else ''} {listed(boxes)})" if boxes else ""
        return f"samples {samples[0]} and {samples[1]}{of}", samples
    return f"container{'s' if len(boxes) > 1 else ''} {listed(boxes)}", samples


# -- in words ----------------------------------------------------------------------------------------------------


def _says(f: Frame, y: Vector, c: Candidate) -> str:
    if c.cause == "unit slip":
        whole = len(c.columns) >= int(np.isfinite(y[c.rows[0]]).sum())
        what = f"{shown(f.value[c.rows[0], c.columns[0]])} is" if len(c.columns) == 1 else (
            "all its analytes are" if whole else f"{listed(f.told(c.columns), 12)} are")
        return f"{what} {_factor(c.amount)} what container and depth lead one to expect: a unit, a decimal or a dilution?"
    if c.cause in ("portion or dilution", "diluted or evaporated"):
        return _says_one_factor(f, c)
    if c.cause == "carry-over":
        after = f": {c.detail}" if c.place.startswith("run ") and c.detail else f" (after {c.detail})" if c.detail else ""
        return f"readings hold about {shown(100 * c.amount, 2)} % of the bottle before{after}"
    if c.cause in (COLUMNS, ROWS):
        return _says_exchanged(f, c)
    if c.cause in ("drift", "run shift", "run offset", "check fluid", "run and stock"):
        return _run_words(f, c)
    if c.cause == "swapped samples" and c.detail:
        return _says_mistaken(f, c)
    if c.cause == FLOOR:
        return (f"the lowest zone of several containers, and no other, reads low, all analytes by one factor ({c.detail}): "
                f"free water or another fluid at the floor, likeliest; {CAUTION}")
    if c.cause == "heel in the zone" and c.detail:
        return (f"the lowest draw reads as if about {shown(100 * c.amount, 2)} % of it were what the "
                f"heel of this container is: did it reach the heel? {CAUTION[0].upper()}{CAUTION[1:]}")
    if c.place == "several":
        return f"{c.detail}: real settling or creaming, likeliest"
    if c.cause == "missing purge" and c.place == "bottle":
        return (f"the first draw of this container, and no later one, reads as if it held about {shown(100 * c.amount, 2)} % "
                "of the last draw of another container: the tool or line carried on unrinsed?")
    i, a = c.rows[0], c.columns[0]
    expected = float(c.readings.flat[0])
    how = "each by its own amount" if np.isnan(c.amount) else (
        f"by one factor{', the other analytes as expected' if len(c.columns) < len(f.analytes) else ''}: another product, or "
        "what has settled out of all its zones?")
    return SAYS[c.cause].format(how=how, amount=shown(100 * c.amount, 2), value=shown(f.value[i, a]), detail=c.detail,
                                expected=shown(float(np.exp(expected)) if f.relative[a] else expected))


def _says_mistaken(f: Frame, c: Candidate) -> str:
    codes, kinds = (f.rows[x].iloc[list(c.rows)].tolist() for x in ("sample", "kind"))
    other = kinds[1] if kinds[1] in ("blank", "check fluid") else "bottle of the stock"
    return (f"the reading under {codes[1]} fits the {kinds[0]}, and the one under {codes[0]}, the {kinds[0]}'s code, "
            f"fits that {other}: exchanged with each other?")


def _says_exchanged(f: Frame, c: Candidate) -> str:
    if c.cause == ROWS:
        place, _, where = c.detail.partition(", ")
        return (f"{where + ' ' if where else ''}each reading fits the sample that stands {place} far better than its own, "
                "known fluids among them: rows of this run shifted by one?")
    one, other = f.told(c.columns)
    where = "either of these runs" if c.detail else "every run" if c.place == "run all" else "this run"
    or_lines = ", or two lines of plan/check_limits.csv" if c.place == "run all" else ""
    return f"{one} reads as {other} should and {other} as {one}, in {where}: two columns exchanged{or_lines}?"


def _says_one_factor(f: Frame, c: Candidate) -> str:
    if c.cause == "portion or dilution":
        return _says_portion(f, c)
    which = "something has evaporated" if c.amount > 1 else "something has been added: water, another fluid"
    names = f.told(k for k in range(len(f.analytes)) if k not in c.columns)
    rest = f" ({c.detail}, by amounts of their own)" if c.detail else ""
    whole = f"its analytes but {listed(names)} read" if names else "most of its analytes read" if rest else (
        "all its analytes read")
    return f"{whole} {_factor(c.amount)} what is expected, by one factor{rest}: {which}?"


def _says_portion(f: Frame, c: Candidate) -> str:
    which = "evaporation, a portion too large" if c.amount > 1 else "another fluid in it, a portion too small"
    others = [k for k in range(len(f.analytes)) if k not in c.columns and np.isfinite(f.y[c.rows[0], k])]
    verb = "does" if c.detail in (f.called or f.analytes) else "do"
    still = f"; {c.detail} {verb} not settle in this stock, which speaks against settling" if (
        c.detail) else ""
    if not others:
        return f"all its analytes read {_factor(c.amount)} what is expected, by one factor: {which}?{still}"
    how = "not clearly so"
    if f.tests and not {f.tests[k] for k in others} & {f.tests[k] for k in c.columns}:
        how, which = "as expected", f"a portion too {'large' if c.amount > 1 else 'small'}, or a dilution, in one test alone"
    return (f"{listed(f.told(c.columns), 8)} read {_factor(c.amount)} what is expected, by one factor, "
            f"{listed(f.told(others), 8)} {how}: {which}?{still}")


def _factor(x: float) -> str:
    return f"{shown(x, 3)} times" if x >= 1 else f"1/{shown(1 / x, 3)} of" if x < 0.15 else f"{shown(x, 3)} times"


def _amount(f: Frame, c: Candidate) -> str:
    a = c.columns[0]
    return f"{shown(100 * float(np.expm1(c.amount)), 2)} %" if f.relative[a] else shown(c.amount, 2)


def _which(f: Frame, c: Candidate) -> str:
    """Why nothing here tells which of two runs is off."""
    if c.cause == "run and stock":
        return "(the check fluid reads alike in both)"
    return "(the check fluid's limits do not tell)" if np.isfinite(f.reference[list(c.columns)]).all() else (
        "(limits of the check fluid would say it)")


def _alike(f: Frame) -> str:
    """What shows a shift of a run: containers and check fluid, or the containers alone."""
    if f.rows["kind"].eq("check fluid").any():
        return "containers and check fluid alike"
    return "by the containers alone (no check fluid was read)"


def _run_words(f: Frame, c: Candidate) -> str:
    if c.cause == "check fluid" and len(c.columns) > 1 and not c.detail.startswith(EITHER):
        names = "all its analytes" if len(c.columns) == len(f.analytes) else listed(f.told(c.columns), 8)
        return (f"{names} of the check fluid read {_factor(float(np.exp(c.amount)))} what they do in other runs, by one "
                "factor, the containers do not: has it evaporated, was it diluted or mixed up?")
    amount = _amount(f, c) if c.cause != "run offset" else shown(c.amount, 3)
    if c.detail.startswith(EITHER):
        what = {"check fluid": "the check fluid's readings of ", "run and stock": "the containers of "}.get(c.cause, "")
        by = f"{amount.lstrip('-')} in the unit, {_alike(f)} by one amount and not by one factor" if (
            c.cause == "run offset") else amount.lstrip("-")
        return (f"{what}{c.detail.removeprefix(EITHER).strip()} differ by {by}; which of them is off cannot be told here "
                f"{_which(f, c)}")
    if c.cause in TOGETHER and len(c.columns) > 1 and c.detail not in ("", "all"):
        change = "readings change from the first to the last position of this run"
        return f"{change}: {c.detail}" if c.cause == "drift" else f"this run reads from the others, {_alike(f)}: {c.detail}"
    return {
        "drift": f"readings change by {amount} from the first to the last position of "
                 + ("every run" if c.detail == "all" else "this run"),
        "run shift": f"this run reads {amount} from the others, {_alike(f)}",
        "run offset": f"this run reads {amount.lstrip('-')} in the unit {'less' if c.amount < 0 else 'more'} than the others, "
                      f"{_alike(f)} by one amount and not by one factor: a wrong blank subtracted, a "
                      "background, or a calibration that bends?",
        "check fluid": f"the check fluid reads {amount} from other runs here, the containers do not: a spoiled check "
                       "fluid, or a calibration that is right at one level only",
        "run and stock": f"the containers of this run read {amount} from those of other runs, the check fluid does not: "
                         "do these containers really differ?",
    }[c.cause]


def concern_of(f: Frame, c: Candidate) -> str:
    """Real settling hints, and what it explains about as well unless much speaks for it; the rest asks, few things stop."""
    if c.cause == "own settling" and any(r[0] == PORTION and c.net - r[2] >= ENOUGH for r in c.rivals):
        return "ask before trusting"  # not where the portion would not be named by itself, or all that it thins settles
    settled = [r for r in c.rivals if r[0] == "own settling"]
    by_others = any(np.isnan(behind) for _, _, behind in settled)  # by the profiles of other containers too
    decided = EXCHANGED if c.cause == "swapped samples" else DECIDED
    of_one = c.place == "bottle" and (c.cause == "carry-over" or (c.cause == PORTION and by_others))
    as_settled = (c.cause in AS_SETTLED or of_one) and c.net < decided and bool(settled)
    if c.cause in CELLS:  # a layer where no other container has one in this analyte is not likelier than one wrong number
        as_settled = as_settled and by_others
    if c.cause == "wrong product" and by_others:
        as_settled = True  # what is dissolved is as it should be: another product would show in it too
    by_depth = c.cause == "run and stock" and differs_by_depth(f, c.rows, c.columns[0], c.amount)
    if c.cause == "own settling" or by_depth or as_settled:
        return "hint only"
    if c.cause == ROWS:
        return "stop and find out"
    if c.cause == "unit slip" and c.place == "cell" and (refuted(f, c.rows[0], c.columns[0]) or too_much(
            f, c.rows[0], c.columns[0])):
        return "stop and find out"
    return "ask before trusting"


def check_suspects(s: Suspects) -> tuple[CheckResult, ...]:
    """One check a cause family, with the table of all explanations, and a flag each."""
    rows, flags = [], []
    for c in (*s.found, *s.weak):
        where, samples = place_of(s.frame, c)
        analytes = "" if len(c.columns) == len(s.frame.analytes) else ", ".join(s.frame.analytes[a] for a in c.columns)
        rivals = "; ".join(f"{cause} ({place})" for cause, place, _ in c.rivals)
        tells = TELLS[c.cause]
        text = f"{_says(s.frame, s.y, c)}; " + (f"rivals: {rivals}; " if rivals else "") + f"to tell: {tells}"
        text += f"; {CAUTION}" * any(cause == FLOOR for cause, _, _ in c.rivals)
        rows.append((c.cause, where, analytes or "all", " ".join(samples), c.net, rivals, tells))
        concern = "hint only" if any(c is w for w in s.weak) else concern_of(s.frame, c)
        flags.append(Flag(rule=c.cause, concern=concern, where=where, analyte=analytes, evidence=text, samples=samples))
    few = not rows and s.frame.rows.loc[s.frame.zone, "container"].nunique() < 2
    return (CheckResult(rule="explanations", table=pd.DataFrame(rows, columns=SUSPECT_COLUMNS), flags=tuple(flags),
                        note="not assessed: one container, so its own layer cannot be told from a wrong number" * few),)


def check_order(s: Suspects, t: pd.DataFrame,
                again: frozenset[tuple[str, str, str]] = frozenset()) -> tuple[CheckResult, ...]:
    """Tables of what each run shows (drift, run shift), and the order of reading; flags stand with the explanations.

    ``again``: as of ``reading_order.split_containers``.
    """
    sc = scene(s.frame, s.frame.y, s.first)
    runs = list(run_rows(sc))
    slopes = [drift_table(sc, run, rows) for run, rows in runs]
    ordered = bool(t["run_order"].notna().any())
    drift = pd.concat(slopes, ignore_index=True) if slopes else pd.DataFrame(columns=DRIFT_COLUMNS)
    shift = shift_table(sc, runs).drop(columns="column") if len(runs) > 1 else pd.DataFrame(columns=SHIFT_COLUMNS)
    for reading in ("containers", "check_fluid"):  # a run without one has no standard error of it either
        shift[f"{reading}_se"] = shift[f"{reading}_se"].where(shift[reading].notna())
    split = CheckResult(rule="container split over runs", table=pd.DataFrame(), flags=tuple(split_containers(t, again)))
    return (CheckResult(rule="drift", table=drift.reindex(columns=DRIFT_COLUMNS),
                        note=NO_ORDER if not ordered else "" if len(drift) else "not assessed: too few samples in a run"),
            CheckResult(rule="run shift", table=shift.reindex(columns=SHIFT_COLUMNS),
                        note="" if len(shift) else "not assessed: fewer than two runs"),
            depth_order(t), split)
