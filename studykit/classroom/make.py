"""Make a class: the teacher's sealed file, and one folder a student with a study to plan."""

from __future__ import annotations

import hashlib
import re
import secrets
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from studykit.classroom.laboratory import scatter
from studykit.classroom.orders import CARD, Prices
from studykit.classroom.safe import passphrase_of, seal
from studykit.classroom.worlds import KEGS, LOTS, World, filled, template, world_of
from studykit.core.errors import BadInput, Fault, single
from studykit.core.files import csv_text, together, write_json, write_text
from studykit.study.amounts import count

PRICES = Prices(container=40, sample=10, determination=6)
STUDENTS = "students"
MOST_STUDENTS = 200


def names_of(students: int, file: Path | None) -> tuple[str, ...]:
    """Names of folders: one a line of the file, else student-01 and on; BadInput for what makes no folder, or twice.

    What is neither letter nor digit becomes a hyphen, so that a list of names can be taken as it is; a line that begins with
    # is none.
    """
    if file is None:
        return tuple(f"student-{i:02d}" for i in range(1, count(students, "students") + 1))
    try:
        raw = ["" if x.lstrip().startswith("#") else x.strip() for x in file.read_text(encoding="utf-8-sig").splitlines()]
    except (OSError, UnicodeDecodeError):
        raise single(str(file), "cannot be read as UTF-8 text", "one name per line") from None
    lines = [re.sub(r"\W+", "-", x).strip("-_") for x in raw]
    faults = [Fault(file=file.name, row=i, value=x, reason="makes no folder name", remedy="1 to 40 letters and digits")
              for i, (x, n) in enumerate(zip(raw, lines, strict=True), start=1) if x and not 0 < len(n) <= 40]
    lower = [n.lower() for n in lines if n]
    faults += [Fault(file=file.name, value=n, reason="occurs twice", remedy="add an initial") for n in sorted(set(lower))
               if lower.count(n) > 1]
    if faults or not lower:
        raise BadInput(faults or [Fault(file=file.name, reason="holds no name", remedy="one name per line")])
    return tuple(n for n in lines if n)


def make_class(root: Path, names: Sequence[str], budget: float, passphrase: str) -> None:
    """Write ``root/teacher/sealed.json`` and ``root/students/NAME``; BadInput where the folder is not empty.

    The secret is drawn by the operating system (``secrets``), stands in the sealed file alone and is told nowhere.
    """
    phrase = passphrase_of(passphrase)
    if root.exists() and any(root.iterdir()):
        raise single(str(root), "this folder is not empty", "name a new one; nothing was changed")
    if not 0 < len(names) <= MOST_STUDENTS:
        raise single("--students", f"must be 1 to {MOST_STUDENTS}", "20 is a class", value=str(len(names)))
    least = PRICES.container + 3 * (PRICES.sample + PRICES.determination)
    if not least <= budget < float("inf"):
        raise single("--budget", f"must buy at least one keg with three bottles, {least:g}", "1200 is usual", value=str(budget))
    secret, tokens = secrets.token_bytes(32), {name: secrets.token_hex(16) for name in names}
    students = {n: {"number": i, "token": hashlib.sha256(tokens[n].encode()).hexdigest(), "orders": [], "faults": []}
                for i, n in enumerate(names)}
    with together(root) as made:
        for number, name in enumerate(names):
            _student(made / STUDENTS / name, {"class": root.name, "student": name, "token": tokens[name], "budget": budget,
                                              "prices": asdict(PRICES)}, world_of(secret, number))
        seal(made, phrase, {"class": root.name, "secret": secret.hex(), "budget": budget, "prices": asdict(PRICES),
                            "revealed": False, "students": students})


def public_seed(name: str, token: str) -> int:
    """The seed of a student's blind codes and orders: another for everyone, and no way to the world."""
    return int(hashlib.sha256(f"{name} {token}".encode()).hexdigest()[:8], 16)


def _student(folder: Path, card: dict[str, Any], world: World) -> None:
    words = {"student": card["student"], "class": card["class"], "seed": public_seed(card["student"], card["token"]),
             "budget": f"{card['budget']:g}", **{f"cost_{k}": f"{v:g}" for k, v in card["prices"].items()}}
    for file in ("study.toml", "intake.toml", "README.txt"):
        write_text(folder / file, filled(template(file), **words))
    write_text(folder / "plan/stock.csv", csv_text(_stock()))
    write_text(folder / "plan/check_limits.csv", csv_text(_limits(world)))
    write_text(folder / "findings.csv", "where,kind,note\n")
    write_json(folder / CARD, card)
    (folder / "raw").mkdir(exist_ok=True)


def _stock() -> pd.DataFrame:
    return pd.DataFrame({"container": KEGS, "lot": [LOTS[k] for k in KEGS], "store": "boathouse", "vessel": "keg",
                         "fill_volume_l": 55, "filled_on": ["2024-04-08" if LOTS[k] == "L1" else "2024-04-22" for k in KEGS]})


def _limits(world: World) -> pd.DataFrame:
    """What the certified check fluid may read: its level and three repeatability deviations on either side."""
    rows = [(a, np.round(v - 3 * scatter(a, v), 2), np.round(v + 3 * scatter(a, v), 2), "certificate of the check fluid")
            for a, v in world.check.items()]
    return pd.DataFrame(rows, columns=["analyte", "low", "high", "source"])
