"""The whole outcome of the quality stage over invented studies, for ``tests.kept``.

A study is one of two invented worlds (``tests.faults``) with a fault planted in it. Of it are kept: the frame and its fit,
every explanation that was tried on the readings as they came and as they were left (not only those that win), every table
of every check, every sentence and every flag to the word.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import fields, replace
from functools import partial
from typing import Any

import numpy as np

from studykit.quality.assess import QualityReport, assess
from studykit.quality.exchanges import exchanged
from studykit.quality.explain import Candidate, Scene, scene
from studykit.quality.maps import causes, departures, pairs_table
from studykit.quality.mistaken import mistaken
from studykit.quality.runs import run_candidates, run_rows
from studykit.quality.suspects import bottle_candidates
from studykit.quality.unseen import unseen
from tests.faults import stores
from tests.faults.laboratory import Lab, Setting, make, references
from tests.faults.planted import FAULTS, settled_study
from tests.kept import Cases, Kept, columns, condensed, kept
from tests.quality import helpers, lone


def tried(name: str, found: Iterable[Candidate]) -> Iterator[tuple[str, Any]]:
    """Explanations by their cause and place: gains, prices, amounts, readings, cells and words."""
    by: dict[str, list[Candidate]] = defaultdict(list)
    for c in found:
        by[f"{c.cause}, {c.place.split()[0]}"].append(c)
    for key, own in by.items():
        for part in ("gain", "price", "amount", "detail"):
            yield f"{name} / {key} / {part}", condensed([getattr(c, part) for c in own])
        cells = [v for c in own for v in (*c.rows, *c.columns, *c.bears, len(c.parts))]
        yield f"{name} / {key} / cells", condensed(cells)
        yield f"{name} / {key} / readings", condensed(np.concatenate([np.ravel(c.readings) for c in own]))


def every_candidate(sc: Scene) -> list[Candidate]:
    """All explanations that are tried on a scene, in the order of the search."""
    runs = list(run_rows(sc))
    return [*bottle_candidates(sc), *run_candidates(sc), *exchanged(sc, runs), *mistaken(sc, runs)]


def whole(report: QualityReport) -> Kept:
    """What is kept of a report: numbers by name, and its words."""
    s = report.suspects
    out: list[tuple[str, Any]] = []
    for name in ("y", "value", "raw", "stated", "at", "place", "zone", "reference", "unsure"):
        out.append((f"frame / {name}", condensed(getattr(s.frame, name))))
    out.append(("frame / clean", condensed([v for _, row in sorted(s.frame.clean.items()) for v in row])))
    for name, m in (("first fit", s.first), ("last fit", s.model)):
        out += [(f"{name} / {f.name}", condensed(getattr(m, f.name))) for f in fields(m)]
    for name, sc in (("as read", scene(s.frame, s.frame.y, s.first)), ("as left", s.scene)):
        out += tried(name, every_candidate(sc))
    out += tried("found", s.found)
    out += tried("weak", s.weak)
    out.append(("rivals", condensed([r[2] for c in s.found for r in c.rivals])))
    for c in report.checks:
        out += columns(c.rule, c.table)
    out += columns("completeness", report.completeness)
    out += columns("missing", report.missing)
    out += columns("controls", report.controls.table)
    out += columns("judged by", report.judged_by())
    out += columns("closures", report.closures())
    out += columns("map", departures(s))
    out += columns("causes", causes(s))
    out += columns("pairs", pairs_table(s))
    if len(s.frame.names) == 6:  # of some: it takes a second
        seen = unseen(s, 5, ("shift", "value", "container"))
        out += [*columns("unseen", seen.table), *columns("named at each size", seen.shares)]
    said = [f"{f['rule']} | {f['concern']} | {f['where']} | {f['analyte']} | {f['samples']} | {f['evidence']}"
            for f in report.flags.to_dict("records")]
    said += [f"{c.rule}: {c.note}" for c in report.checks if c.note]
    return kept(out, [*report.sentences, *said])


# -- the studies -------------------------------------------------------------------------------------------------


def _setting(k: int) -> Setting:
    """A laboratory by its number: sizes and habits in turn."""
    return Setting(containers=(6, 8, 5, 7)[k % 4], depths=(3, 3, 2, 4, 5)[k % 5], runs=(2, 3, 2)[k % 3],
                   tails=("normal", "t5")[k % 2], draw=(0.5, 0.0, 1.0)[k % 3], twice=(3, 0, 6)[k % 3],
                   duplicates=(4, 2, 6)[k % 3], heels=(0, 0, 3)[k % 3], lots=(1, 2)[k % 2], certified=k % 5 != 4,
                   limits=k % 4 != 3, settled=(0.35, 0.05, 0.7)[k % 3])


NEEDS: dict[str, dict[str, int]] = {
    "swap across containers": {"twice": 0}, "exchanged containers": {"containers": 8, "lots": 2},
    "unit in all files": {"runs": 3}, "digits in one of two": {"twice": 6, "heels": 0}}
"""What a fault can be planted in."""
NO_THREE = ("swap of two bottles", "heel in the zone", "mixed container", "missing purge", "tool carried on",
            "dust in one bottle", "swap across containers")
"""Faults that name zones of three."""
LEFT_OUT = ("unit in two files", "evaporation", "coarse rounding", "noisy laboratory", "opposite drifts")
"""Faults very like another."""


def _laboratory(names: tuple[str, ...], sizes: tuple[int, ...], k: int, **own: int) -> Kept:
    """The first laboratory's study with faults of these sizes (0 to 2), each in turn."""
    s = replace(_setting(k), **own)  # type: ignore[arg-type]
    for name, size in zip(names, sizes, strict=True):
        s = FAULTS[name].setting(replace(s, **NEEDS.get(name, {}), **({"depths": 3} if name in NO_THREE else {})),  # type: ignore[arg-type]
                                 FAULTS[name].sizes[size])
    lab = make(s, 500 + k)
    for name, size in zip(names, sizes, strict=True):
        FAULTS[name].plant(lab, FAULTS[name].sizes[size])
    return _assessed(lab, k)


def _assessed(lab: Lab, k: int) -> Kept:
    limits = references(lab) if lab.limits is not None and k % 2 else lab.limits
    return whole(assess(*lab.tables(), limits=limits))


def _settled(k: int) -> Kept:
    """The first laboratory's study of containers that have really settled."""
    return _assessed(settled_study(_setting(k), 700 + k), k)


def _store(k: int) -> Kept:
    """The second world: fluids, sizes and habits in turn, one of its faults in it."""
    names, faults = list(stores.FLUIDS), list(stores.PLANTED)
    place = stores.Place(
        fluid=names[k % 9], containers=(6, 3, 8, 1, 5, 4, 7, 2)[k % 8], depths=(3, 2, 4, 3, 5)[k % 5],
        tails=("normal", "t5")[k % 2], draw=(0.0, 0.5, 1.0)[k % 3], lots=2 if k % 8 in (0, 2) and k % 3 else 1,
        order=("random", "by container")[k % 4 == 3], run_length=(14, 24, 40)[k % 3], limits=k % 3 != 2,
        nominal=k % 7 != 0, heels=k % 4 == 0, duplicates=(0.25, 1.0, 0.0)[k % 3],
        profile=list(stores.PROFILES)[k % 7], far=(0.0, 0.3, 1.0)[k % 3])
    s = stores.store(place, 900 + k)
    stores.PLANTED[faults[k % len(faults)]](s)
    return whole(stores.report(s))


QUICK: Cases = {
    "middles": helpers.middles, "limits": helpers.limits, "gaps": helpers.gaps, "repeats": helpers.repeats,
    "plausible": helpers.plausible, "balances": helpers.balances, "plans": lone.plans,
    "carry-over, a slip of a unit and a dilution": partial(
        _laboratory, ("carry-over", "unit in a cell", "dilution"), (1, 2, 2), 0, containers=5, twice=2, heels=2),
    "a drift, exchanged columns and exchanged bottles": partial(
        _laboratory, ("drift in one run", "exchanged columns", "swap of two bottles"), (2, 1, 2), 1, containers=6, runs=2),
    "one container alone": partial(_store, 11)}
SLOW: Cases = {
    "slips of one or two containers": lone.slips, "bottles measured again": lone.measured_again,
    **{f"{name}, size {1 + k % 2}": partial(_laboratory, (name,), (1 + k % 2,), k)
       for k, name in enumerate(FAULTS) if name not in LEFT_OUT},
    **{f"settled {k}": partial(_settled, k) for k in range(3)},
    **{f"store {k}": partial(_store, k) for k in range(10)}}
