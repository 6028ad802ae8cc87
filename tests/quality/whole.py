"""The whole outcome of the quality stage over invented studies, so condensed that a change anywhere in it is named.

``python -m tests.quality.whole`` stores anew what the studies give (tests/quality/whole.json): as it stood, with no outside
source. A study is one of two invented worlds (``tests.faults``) with a fault planted in it, or none. Of it are kept: the frame
and its fit, every explanation that was tried on the readings as they came and as they were left (not only those that win),
every table of every check, every sentence and every flag to the word.
"""

from __future__ import annotations

import json
import sys
import zlib
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from dataclasses import fields, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

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

STORED = Path(__file__).with_name("whole.json")
NEAR = 1e-6
"""Relative to the sum of sizes; what two machines differ by is rounding, many orders below."""
Kept = dict[str, Any]


def condensed(x: Any) -> list[float] | str:
    """Of numbers how many there are, the sum of their sizes and their sum weighed by place; of words a sum of all."""
    values = pd.Series(np.asarray(x, dtype=object).ravel())
    if not all(isinstance(v, (int, float, np.number, bool, np.bool_, type(None))) for v in values):
        return f"{zlib.crc32(chr(31).join(map(str, values)).encode()):08x}"
    number = pd.to_numeric(values, errors="coerce").to_numpy(float)
    ok = np.isfinite(number)
    weight = 1 + np.modf(np.arange(1, number.size + 1) * 0.6180339887)[0]
    return [int(ok.sum()), float(np.abs(number[ok]).sum()), float((weight * number)[ok].sum())]


def table(name: str, t: pd.DataFrame) -> Iterator[tuple[str, Any]]:
    """Each column of a table, condensed."""
    yield from ((f"{name} / {c}", condensed(t[c])) for c in t.columns)


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


def kept(report: QualityReport) -> Kept:
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
        out += table(c.rule, c.table)
    out += table("completeness", report.completeness)
    out += table("missing", report.missing)
    out += table("controls", report.controls.table)
    out += table("judged by", report.judged_by())
    out += table("closures", report.closures())
    out += table("map", departures(s))
    out += table("causes", causes(s))
    out += table("pairs", pairs_table(s))
    if len(s.frame.names) == 6:  # of some: it takes a second
        seen = unseen(s, 5, ("shift", "value", "container"))
        out += [*table("unseen", seen.table), *table("named at each size", seen.shares)]
    said = [f"{f['rule']} | {f['concern']} | {f['where']} | {f['analyte']} | {f['samples']} | {f['evidence']}"
            for f in report.flags.to_dict("records")]
    said += [f"{c.rule}: {c.note}" for c in report.checks if c.note]
    return {"numbers": dict(out), "words": [*report.sentences, *said]}


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


def _laboratory(names: tuple[str, ...], sizes: tuple[int, ...], k: int, **own: int) -> QualityReport:
    """The first laboratory's study with faults of these sizes (0 to 2), each in turn."""
    s = replace(_setting(k), **own)  # type: ignore[arg-type]
    for name, size in zip(names, sizes, strict=True):
        s = FAULTS[name].setting(replace(s, **NEEDS.get(name, {}), **({"depths": 3} if name in NO_THREE else {})),  # type: ignore[arg-type]
                                 FAULTS[name].sizes[size])
    lab = make(s, 500 + k)
    for name, size in zip(names, sizes, strict=True):
        FAULTS[name].plant(lab, FAULTS[name].sizes[size])
    return _assessed(lab, k)


def _assessed(lab: Lab, k: int) -> QualityReport:
    limits = references(lab) if lab.limits is not None and k % 2 else lab.limits
    return assess(*lab.tables(), limits=limits)


def _settled(k: int) -> QualityReport:
    """The first laboratory's study of containers that have really settled."""
    return _assessed(settled_study(_setting(k), 700 + k), k)


def _store(k: int) -> QualityReport:
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
    return stores.report(s)


QUICK: dict[str, Callable[[], QualityReport]] = {
    "carry-over, a slip of a unit and a dilution": partial(
        _laboratory, ("carry-over", "unit in a cell", "dilution"), (1, 2, 2), 0, containers=5, twice=2, heels=2),
    "a drift, exchanged columns and exchanged bottles": partial(
        _laboratory, ("drift in one run", "exchanged columns", "swap of two bottles"), (2, 1, 2), 1, containers=6, runs=2),
    "one container alone": partial(_store, 11)}
SLOW: dict[str, Callable[[], QualityReport]] = {
    **{f"{name}, size {1 + k % 2}": partial(_laboratory, (name,), (1 + k % 2,), k)
       for k, name in enumerate(FAULTS) if name not in LEFT_OUT},
    **{f"settled {k}": partial(_settled, k) for k in range(3)},
    **{f"store {k}": partial(_store, k) for k in range(10)}}


def differing(name: str, want: Kept, got: Kept) -> list[str]:
    """The cells of a study in which what is kept differs from what it gives."""
    out = [f"{name}: {cell}: no such cell {where}" for a, b, where in (
        (want, got, "now"), (got, want, "stored")) for cell in sorted(set(a["numbers"]) - set(b["numbers"]))]
    for cell in sorted(set(want["numbers"]) & set(got["numbers"])):
        a, b = want["numbers"][cell], got["numbers"][cell]
        if not _same(a, b):
            out.append(f"{name}: {cell}: {a} stored, {b} now")
    out += [f"{name}: no longer said: {w}" for w in want["words"] if w not in got["words"]]
    out += [f"{name}: newly said: {w}" for w in got["words"] if w not in want["words"]]
    return out if out or want["words"] == got["words"] else [f"{name}: said in another order, or as often"]


def _same(a: Any, b: Any) -> bool:
    if isinstance(a, str) or isinstance(b, str):
        return bool(a == b)
    return bool(a[0] == b[0] and abs(a[1] - b[1]) <= NEAR * a[1] and abs(a[2] - b[2]) <= NEAR * a[1])


def stored() -> dict[str, Kept]:
    """What is stored, by study."""
    found: dict[str, Kept] = json.loads(STORED.read_text(encoding="utf-8"))
    return found


def main() -> None:
    """Store anew."""
    out = {}
    for name, make_it in {**QUICK, **SLOW}.items():
        out[name] = json.loads(json.dumps(kept(make_it())))
        print(name, len(out[name]["words"]), len(out[name]["numbers"]), file=sys.stderr)
    STORED.write_text(json.dumps(out, ensure_ascii=False, indent=0), encoding="utf-8")


if __name__ == "__main__":
    main()
