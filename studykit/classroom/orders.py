"""An order: which bottles of a locked plan are bought, written by a student, read and priced by the teacher.

The student's side knows prices only. An order carries the whole lock, so that the teacher keeps its seal and can see that
later orders belong to the same plan.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd

from studykit.classroom.laboratory import Line
from studykit.classroom.worlds import DEPTHS, DRAWS, KEGS, MOST
from studykit.core import strict
from studykit.core.errors import BadInput, Fault, single
from studykit.core.files import read_bytes, write_bytes, write_json
from studykit.core.writer import one_writer
from studykit.sampling.outlay import Outlay
from studykit.study import Study
from studykit.study.lock import changes_since_lock
from studykit.study.seal import KEPT_PLAN, LOCK, read_lock, seal_of
from studykit.study.tables import load_tables

CARD, ORDERS = "class.json", "orders"
KEPT_LOCK = "plan.lock"
"""The lock of the first order, beside the orders: what is bought later has to come under it."""
NEVER_CAME = "never came to the laboratory: none of its files has a row of it, so it cannot be measured again"
ANEW = ("remove plan/samples.csv and plan/containers.csv, and plan/plan.lock where nothing was delivered yet; then plan, lock "
        "and order again")
BACK = (f"lay the first lock back: copy {ORDERS}/{KEPT_LOCK} to {LOCK}; then record what was changed (studykit lock FOLDER "
        "--amend \"why\") and order again")
FORMAT, LARGEST = 1, 5_000_000
SOLD = ("spot", "duplicate", "heel", "composite", "check fluid", "blank")


@dataclass(frozen=True, slots=True, kw_only=True)
class Prices:
    """What one opened keg, one bottle and one determination cost."""

    container: float
    sample: float
    determination: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """An order that was written: its file, its number, what it costs, and what is left of the budget afterwards.

    ``replaced``: the bottles of another order of this number, which was written before and not delivered.
    """

    file: Path
    number: int
    kegs: int
    bottles: int
    determinations: int
    cost: float
    left: float
    replaced: tuple[str, ...] = ()


def read_json(path: Path, name: str, remedy: str) -> dict[str, Any]:
    """A JSON object; BadInput where the file is missing or holds something else."""
    if path.is_file() and path.stat().st_size > LARGEST:
        raise single(name, f"is larger than {LARGEST // 1_000_000} MB", remedy)
    try:
        data = strict.read(read_bytes(path, name, remedy))
    except (ValueError, RecursionError) as error:
        raise single(name, f"is not valid JSON: {error}", remedy) from None
    if not isinstance(data, dict):
        raise single(name, "is no object", remedy)
    return data


def cost_of(prices: Prices, lines: Sequence[Line], opened: frozenset[str]) -> float:
    """What the lines cost, where the kegs in ``opened`` were paid for before; a bottle costs with its first determination."""
    kegs = {x.container for x in lines if x.container} - opened
    bottles = sum(x.first == 0 for x in lines)
    return (prices.container * len(kegs) + prices.sample * bottles
            + prices.determination * sum(x.determinations for x in lines))


def bought_of(orders: Sequence[Mapping[str, Any]]) -> dict[str, Line]:
    """Every bottle that was delivered, with all its determinations so far."""
    out: dict[str, Line] = {}
    for order in orders:
        for line in (Line(**x) for x in order["lines"]):
            past = out.get(line.sample)
            out[line.sample] = line if past is None else replace(past, determinations=past.determinations + line.determinations)
    return out


def lines_of(lock: Mapping[str, Any], wanted: Mapping[str, int], bought: Mapping[str, Line], number: int) -> tuple[Line, ...]:
    """The lines of an order: planned bottles with how many determinations are wanted of each.

    A bottle that was delivered before stays what it was. BadInput names every bottle that cannot be sold.
    """
    tables = lock["entries"][-1]["tables"]
    plan = {code: _parts(text) for code, text in tables.get("plan/samples.csv", {}).items()}
    places = tables.get("plan/submission.csv", {})
    zones = {code: (p.get("container", ""), p.get("kind", ""), p.get("depth", "")) for code, p in plan.items()}
    zones |= {code: (x.container, x.kind, x.depth) for code, x in bought.items()}
    draws = _draws(zones, bought)
    faults, out = [], []
    for k, (code, count) in enumerate(sorted(wanted.items()), start=1):
        keg, kind, depth = zones.get(code, ("", "not planned", ""))
        had = bought[code].determinations if code in bought else 0
        if reason := _unsold(keg, kind, depth, draws.get(code, 0), had + count):
            faults.append(Fault(file=f"order {number}", column="bottle", value=code, reason=reason,
                                remedy="order what the locked plan holds and the class sells"))
            continue
        place = re.match(r"run (\S+), position (\d+)", places.get(code, ""))
        run, position = (place[1], int(place[2])) if place and number == 1 else (f"R{number}x", k)
        out.append(Line(sample=code, container=keg, kind=kind, depth=depth, run=run, position=position,
                        draw=draws[code], first=had, determinations=count))
    if faults:
        raise BadInput(faults, title=f"Order {number} cannot be delivered")
    return tuple(out)


def _parts(text: str) -> dict[str, str]:
    """'container K01, kind spot, depth upper' as a dictionary."""
    return {key: value for key, _, value in (p.partition(" ") for p in text.split(", "))}


def _draws(zones: Mapping[str, tuple[str, str, str]], bought: Mapping[str, Line]) -> dict[str, int]:
    """Which bottle of its zone each one is, from 0: those delivered keep their place, then spots before duplicates, by code."""
    out = {code: line.draw for code, line in bought.items()}
    seen = Counter(_zone(*zones[code]) for code in bought)
    for code in sorted(set(zones) - set(bought), key=lambda c: (zones[c][1] != "spot", c)):
        zone = _zone(*zones[code])
        out[code], seen[zone] = seen[zone], seen[zone] + 1
    return out


def _zone(keg: str, kind: str, depth: str) -> tuple[str, str]:
    return keg, kind if kind in ("heel", "composite") else depth


def _unsold(keg: str, kind: str, depth: str, draw: int, determinations: int) -> str:
    """Why a bottle cannot be sold; '' where it can."""
    if kind == "not planned":
        return "is not in the locked plan"
    if kind not in SOLD:
        return f"is of the kind {kind!r}, which this class does not sell"
    if kind in ("check fluid", "blank"):
        return "" if determinations <= MOST else f"gives at most {MOST} determinations"
    if keg not in KEGS:
        return f"is of {keg!r}, which is no keg of this stock"
    if kind in ("spot", "duplicate") and depth not in DEPTHS:
        return f"is of the depth {depth!r}; sold are {', '.join(DEPTHS)}"
    if draw >= DRAWS:
        return f"is bottle {draw + 1} of its zone, which gives {DRAWS}"
    return "" if determinations <= MOST else f"gives at most {MOST} determinations"


def write_order(root: Path, again: Sequence[str] = ()) -> Written:
    """Write the next order of a locked study: all bottles not bought yet, or with ``again`` one more determination of those.

    BadInput: no class card, no lock or one with unrecorded changes, nothing to buy, more than the budget holds.
    """
    card = read_json(root / CARD, CARD, "order in the folder that your teacher gave you")
    with one_writer(root, "order"):
        return _write(root, card, again)


def _write(root: Path, card: Mapping[str, Any], again: Sequence[str]) -> Written:
    tables = load_tables(root, with_results=False)
    lock = _whole_lock(root, tables.study)
    past = delivered(root)
    bought = bought_of(past)
    _same_lock(root, lock, past)
    again = [{b.casefold(): b for b in bought}.get(c.casefold(), c) for c in again]
    wanted = _wanted(tables.samples, tables.study.design.replicates if tables.study.design else 1, bought, again)
    if not wanted:
        raise single(ORDERS, "there is nothing to buy: every planned bottle was delivered",
                     "buy further determinations with --again CODE,CODE, or amend the plan")
    number = 1 + len(past)
    if lost := sorted(set(again) & lost_in(root, past)):
        raise BadInput([Fault(file="--again", value=c, reason=NEVER_CAME, remedy="name bottles that came") for c in lost])
    lines = lines_of(lock, wanted, bought, number)
    prices = Prices(**card["prices"])
    opened = opened_in(bought)
    cost, left = cost_of(prices, lines, opened), float(card["budget"]) - sum(o["cost"] for o in past)
    if cost > left:
        raise single(f"order {number}", f"costs {cost:g}, and {left:g} are left of {card['budget']:g}",
                     "buy fewer determinations" if again else "plan fewer kegs, bottles or determinations: " + ANEW)
    text = {"format": FORMAT, "class": card["class"], "student": card["student"], "token": card["token"], "number": number,
            "bottles": wanted, "lock": lock}
    replaced = _replaced(root / ORDERS / f"order-{number}.json", wanted)
    if number == 1:
        write_json(root / ORDERS / KEPT_LOCK, lock)
    for path in sorted((root / "plan").glob("*.csv")):
        write_bytes(root / KEPT_PLAN / path.name, path.read_bytes(), lasting=False)
    file = write_json(root / ORDERS / f"order-{number}.json", text)
    return Written(file=file, replaced=replaced, number=number, kegs=len({x.container for x in lines if x.container} - opened),
                   bottles=sum(x.first == 0 for x in lines), determinations=sum(x.determinations for x in lines), cost=cost,
                   left=left - cost)


def _replaced(path: Path, wanted: Mapping[str, int]) -> tuple[str, ...]:
    """The bottles of an order that lies there undelivered and asks for something else."""
    try:
        old = read_json(path, path.name, "").get("bottles") if path.exists() else None
    except BadInput:
        return ()
    return tuple(sorted(map(str, old))) if isinstance(old, dict) and old != dict(wanted) else ()


def _same_lock(root: Path, lock: Mapping[str, Any], past: Sequence[Mapping[str, Any]]) -> None:
    """BadInput where the plan was locked anew after the first delivery; nothing is sold under a second lock."""
    path = root / ORDERS / KEPT_LOCK
    if past and path.is_file():
        kept = read_json(path, f"{ORDERS}/{KEPT_LOCK}", "ask the teacher").get("entries")
        if isinstance(kept, list) and kept and kept[0]["seal"] != lock["entries"][0]["seal"]:
            raise single(LOCK, "is a second lock: what was delivered came under another", BACK)


def lost_in(root: Path, past: Sequence[Mapping[str, Any]]) -> set[str]:
    """Bottles of which the laboratory's file of the order that bought them, where it is there, has no row."""
    out: set[str] = set()
    for order in past:
        path = root / "raw" / f"laboratory-{order['number']}.csv"
        if path.is_file():
            text = path.read_bytes().decode("utf-8", "replace")
            came = {line.split(",", 1)[0].strip().strip('"') for line in text.splitlines()}
            out |= {str(x["sample"]) for x in order["lines"] if x["first"] == 0} - came
    return out


def refuse_unsold(root: Path, study: Study) -> None:
    """BadInput where a study of a class asks for more determinations than a bottle gives; nothing elsewhere."""
    if (root / CARD).is_file() and study.design and study.design.replicates > MOST:
        raise single("study.toml", f"a bottle of this class gives at most {MOST} determinations", f"write 1 to {MOST}",
                     column="design.replicates", value=str(study.design.replicates))


def delivered(root: Path) -> list[dict[str, Any]]:
    """What the teacher's note in the folder says was delivered: number, cost, lines. For the student only: never believed."""
    path = root / ORDERS / "delivered.json"
    return list(read_json(path, path.name, "ask the teacher to deliver again")["orders"]) if path.exists() else []


def with_delivered(root: Path, study: Study, samples: pd.DataFrame, found: Outlay) -> Outlay:
    """What a plan takes in a class where something was delivered: what was paid, and the rest as study.toml says."""
    past = delivered(root) if (root / CARD).is_file() else []
    if not past:
        return found
    prices, bought = Prices(**read_json(root / CARD, CARD, "ask the teacher")["prices"]), bought_of(past)
    rest = _wanted(samples, study.design.replicates if study.design else 1, bought, ())
    kegs = {str(c) for c, s in zip(samples["container"], samples["sample"], strict=True) if s in rest and c} - opened_in(bought)
    paid = sum(float(o["cost"]) for o in past)
    count = sum(x.determinations for x in bought.values()) + sum(rest.values())
    cost = paid + prices.container * len(kegs) + prices.sample * len(rest) + prices.determination * sum(rest.values())
    return replace(found, determinations=count, results=count * len(study.analytes), cost=cost,
                   paid=f"{paid:,.10g} of it are paid; more is bought with: studykit order FOLDER --again")


def opened_in(bought: Mapping[str, Line]) -> frozenset[str]:
    """The kegs that were paid for."""
    return frozenset(x.container for x in bought.values())


def _wanted(samples: pd.DataFrame, replicates: int, bought: Mapping[str, Line], again: Sequence[str]) -> dict[str, int]:
    """How many determinations of which bottles: those named in ``again`` once more, else every bottle not yet bought."""
    if again:
        if unknown := sorted(set(again) - set(bought)):
            raise BadInput([Fault(file="--again", value=c, reason="was not delivered yet", remedy="name bottles that were")
                            for c in unknown])
        return dict.fromkeys(again, 1)
    zone = samples["kind"].isin(("spot", "duplicate"))
    counts = zip(samples["sample"], zone, strict=True)
    return {str(c): replicates if z else 1 for c, z in counts if c not in bought}


def _whole_lock(root: Path, study: Study) -> dict[str, Any]:
    """The lock as it lies there, whole and up to date; BadInput otherwise."""
    entries = read_lock(root)
    if not entries:
        raise single(LOCK, "the plan is not locked", "lock it first: studykit lock FOLDER")
    if open_changes := [c for c in changes_since_lock(root, study) if not c.reason]:
        raise single(LOCK, f"{len(open_changes)} changes since the lock are not recorded, the first: {open_changes[0].where}",
                     'record them: studykit lock FOLDER --amend "why"')
    return {"format": 1, "entries": entries, "last_seal": entries[-1]["seal"]}


def broken_seal(lock: Mapping[str, Any]) -> str:
    """Why the lock of an order is not whole; '' where it is."""
    try:
        before = ""
        for entry in lock["entries"]:
            if entry["seal"] != seal_of(entry, before):
                return "the lock was edited by hand"
            before = entry["seal"]
        last = lock["entries"][-1]
        tables = [last["promises"], *last["tables"].values()]
        if not all(isinstance(v, str) for t in tables for v in t.values()):
            return "the lock is malformed"
        return "" if before and lock["last_seal"] == before else "the lock was edited by hand"
    except (KeyError, IndexError, TypeError, AttributeError):
        return "the lock is malformed"
