"""The teacher's side: look at every order of the class, refuse what is not in order, deliver the rest.

Only the sealed ledger counts: a student may change every file of their own folder. What is not protected stands in
docs/teaching.md.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import hmac
import json
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from studykit.classroom.laboratory import Line, measure, plant, planted, report
from studykit.classroom.make import STUDENTS, public_seed
from studykit.classroom.orders import (
    ANEW,
    BACK,
    FORMAT,
    NEVER_CAME,
    ORDERS,
    Prices,
    bought_of,
    broken_seal,
    cost_of,
    lines_of,
    opened_in,
    read_json,
)
from studykit.classroom.safe import one_teacher, seal, unseal
from studykit.classroom.terms import deviations
from studykit.classroom.worlds import world_of
from studykit.core.errors import BadInput, Fault, single
from studykit.core.files import json_text, write_beside

AGAIN = "write it again in your own folder: studykit order FOLDER"
RELOCK = 'record it: studykit lock FOLDER --amend "why", and order again'


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivery:
    """One order and what became of it: 'delivered', 'delivered before' or 'refused', with the reasons.

    ``file``: its name where that is none of an order's.
    """

    student: str
    number: int
    state: str
    cost: float = 0.0
    left: float = 0.0
    file: str = ""
    faults: tuple[Fault, ...] = ()


def deliver(root: Path, passphrase: str) -> tuple[Delivery, ...]:
    """Deliver every order that lies in the students' folders; what was delivered before is laid there again, unchanged.

    Paid first, then laid: stopped in between, the next run lays what was paid for. BadInput where the class does not open,
    was revealed, or another run has it; a faulty order is refused by itself.
    """
    with one_teacher(root, "deliver"):
        data = unseal(root, passphrase)
        if data["revealed"]:
            raise single(str(root), "this class was revealed: nothing is sold any more", "make a new class")
        out, seals = [], _seals(data)
        goods: dict[Path, bytes] = {}
        for name, entry in data["students"].items():
            for path in sorted((root / STUDENTS / name / ORDERS).glob("order-*.json"), key=_number):
                found = _one(data, name, entry, path, seals) if _number(path) else _misnamed(name, path)
                if not found.faults:
                    goods |= _goods(root, data, name, entry, found.number)
                out.append((path, found))
        if any(d.state == "delivered" for _, d in out):
            seal(root, passphrase, data)
        for file, content in goods.items():
            write_beside(file, content)
        return tuple(_told(path, found) for path, found in out)


def _told(path: Path, found: Delivery) -> Delivery:
    """Lay the reasons of a refusal beside its order, for the student; what was delivered has none any more."""
    note = path.with_name(f"{path.stem}-refused.txt")
    if found.faults:
        write_beside(note, ("This order was refused:\n\n" + "".join(f"- {f.line()}\n" for f in found.faults)).encode())
    else:
        note.unlink(missing_ok=True)
    return found


def _number(path: Path) -> int:
    """The number in an order's name; 0 where it is not as the kit writes it."""
    found = re.fullmatch(r"order-([1-9][0-9]{0,5})", path.stem)
    return int(found[1]) if found else 0


def _misnamed(name: str, path: Path) -> Delivery:
    """An order under a name that the kit does not give, such as a browser's second download, and what to do with it."""
    twins = [p.name for p in path.parent.glob("order-*.json") if _number(p) and p.read_bytes() == path.read_bytes()]
    help_ = f"it is the same as {twins[0]}: remove it" if twins else (
        "where it is the student's newest order, give it the name that it was written under (a browser adds (1) to a second "
        "download), in place of the older file; else remove it")
    fault = Fault(file=f"{name}/{path.name}", reason="is no name of an order: these are order-1.json, order-2.json and on",
                  remedy=help_)
    return Delivery(student=name, number=0, state="refused", file=path.name, faults=(fault,))


def _seals(data: Mapping[str, Any]) -> dict[str, str]:
    """Seal of a lock to the student whose first order came under it."""
    return {e["orders"][0]["seal"]: n for n, e in data["students"].items() if e["orders"]}


def _one(data: dict[str, Any], name: str, entry: dict[str, Any], path: Path, seals: dict[str, str]) -> Delivery:
    """Look at one order; the ledger in ``entry`` grows."""
    number = _number(path)
    try:
        order = read_json(path, f"{name}/{path.name}", "write it again: studykit order FOLDER")
        digest = hashlib.sha256(json.dumps(order, sort_keys=True).encode()).hexdigest()
        past = next((o for o in entry["orders"] if o["number"] == number), None)
        if past is None or past["order"] != digest:
            _refuse(name, entry, order, number, past, seals, data)
            _enter(data, name, entry, order, number, digest)
            seals[entry["orders"][0]["seal"]] = name
    except BadInput as error:
        return Delivery(student=name, number=number, state="refused", faults=error.faults)
    fresh = past is None
    made = next(o for o in entry["orders"] if o["number"] == number)
    spent = sum(o["cost"] for o in entry["orders"])
    return Delivery(student=name, number=number, state="delivered" if fresh else "delivered before", cost=made["cost"],
                    left=data["budget"] - spent)


def _refuse(name: str, entry: Mapping[str, Any], order: Mapping[str, Any], number: int, past: Mapping[str, Any] | None,
            seals: Mapping[str, str], data: Mapping[str, Any]) -> None:
    """BadInput with everything that stops an order before its lines are looked at."""
    reasons = []
    if past is not None:
        reasons.append(("an order of this number was delivered with another content: what is drawn is drawn",
                        f"what was delivered stands in {ORDERS}/delivered.json, which the teacher has too; without that file "
                        "the kit numbers orders anew"))
    elif number != 1 + len(entry["orders"]):
        reasons.append((f"the next order of this student has the number {1 + len(entry['orders'])}", AGAIN))
    token = hashlib.sha256(str(order.get("token", "")).encode()).hexdigest()
    if order.get("format") != FORMAT or order.get("class") != data["class"] or order.get("student") != name \
            or not hmac.compare_digest(token, entry["token"]):
        reasons.append(("it was not written in this student's folder of this class", AGAIN))
    reasons += _lock_reasons(name, entry, order.get("lock"), seals, public_seed(name, str(order.get("token", ""))))
    if reasons:
        raise BadInput([Fault(file=f"{name}/order-{number}.json", reason=r, remedy=remedy) for r, remedy in reasons])


def _lock_reasons(name: str, entry: Mapping[str, Any], lock: Any, seals: Mapping[str, str], seed: int
                  ) -> list[tuple[str, str]]:
    """What is wrong with the lock of an order, and what helps."""
    given_back = BACK if entry["orders"] else ANEW
    if broken := broken_seal(lock if isinstance(lock, Mapping) else {}):
        return [(broken, given_back)]
    first, own = lock["entries"][0]["seal"], entry["orders"][0]["seal"] if entry["orders"] else ""
    out = []
    if own and first != own:
        out.append(("the first order came under another lock: a plan is locked once, and amended in the open", BACK))
    if seals.get(first, name) != name or lock["entries"][-1]["promises"].get("seed") != str(seed):
        out.append(("this is the lock of another study: its seed is not that of this student's study.toml",
                    "plan and lock in your own folder, with the seed that stood in its study.toml"))
    out += [(f"{k} is {said or 'gone'!r}, the class was given {was or 'nothing'!r}",
             f"write what was given into study.toml; then {RELOCK if entry['orders'] else ANEW}")
            for k, said, was in deviations(lock["entries"][-1]["promises"])]
    return out


def _enter(data: Mapping[str, Any], name: str, entry: dict[str, Any], order: Mapping[str, Any], number: int,
           digest: str) -> None:
    """Price an order and write it into the ledger; BadInput where a line is not sold or the money does not reach."""
    bought = bought_of(entry["orders"])
    wanted = order.get("bottles")
    if not isinstance(wanted, dict) or not wanted or not all(type(v) is int and v > 0 for v in wanted.values()):
        raise single(f"{name}/order-{number}.json", "its bottles are no counts of determinations", "write it again")
    lost = {p for f in entry["faults"] if f["kind"] == "lost bottle" for p in f["places"]} & set(wanted) & set(bought)
    if lost:
        raise BadInput([Fault(file=f"{name}/order-{number}.json", column="bottle", value=c, reason=NEVER_CAME,
                              remedy="order without it") for c in sorted(lost)])
    lines = lines_of(order["lock"], wanted, bought, number)
    cost = cost_of(Prices(**data["prices"]), lines, opened_in(bought))
    left = data["budget"] - sum(o["cost"] for o in entry["orders"])
    if cost > left:
        raise single(f"{name}/order-{number}.json", f"costs {cost:g}, and {left:g} are left",
                     "buy fewer determinations" if bought else "buy less: " + ANEW)
    if not entry["orders"]:
        entry["faults"] = [asdict(f) for f in plant(world_of(bytes.fromhex(data["secret"]), entry["number"]), lines)]
    today = dt.datetime.now(dt.UTC).date().isoformat()
    entry["orders"].append({"number": number, "order": digest, "seal": order["lock"]["entries"][0]["seal"], "cost": cost,
                            "on": today, "lines": [asdict(x) for x in lines]})


def _goods(root: Path, data: Mapping[str, Any], name: str, entry: dict[str, Any], number: int) -> dict[Path, bytes]:
    """The laboratory's file of one order and the note of what was delivered, as they lie in the student's folder.

    The file's hash goes into the ledger.
    """
    world = world_of(bytes.fromhex(data["secret"]), entry["number"])
    made = next(o for o in entry["orders"] if o["number"] == number)
    rows = measure(world, [Line(**x) for x in made["lines"]], planted(entry))
    note = [{k: o[k] for k in ("number", "cost", "lines")} for o in entry["orders"]]
    out = {root / STUDENTS / name / ORDERS / "delivered.json": (json_text({"orders": note}) + "\n").encode()}
    if len(rows):  # an order of lost bottles alone has nothing to report, and a heading without rows is no report
        content = report(rows, made["on"])
        out[root / STUDENTS / name / "raw" / f"laboratory-{number}.csv"] = content
        made["laboratory"] = hashlib.sha256(content).hexdigest()
    return out
