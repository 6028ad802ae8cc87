"""Notes what public functions give while something runs, as flat cells, and compares it with what is stored.

A cell is a number, a word or a truth, named by function, call and place. Of each function the first, second, fourth and
eighth call are noted; calls that a search of scipy makes are left out, since how many it needs hangs on the processor. Of
more than six values in a row stand how many they are, the sum of their sizes and a weighted sum, to which any one of them
adds. Numbers agree within 1e-6 relative, or where both are below 1e-9; words exactly.
"""

from __future__ import annotations

import dataclasses
import functools
import json
import math
import sys
import zlib
from collections import Counter
from collections.abc import Callable, Container, Iterator, Mapping, Sequence
from enum import Enum
from inspect import CO_GENERATOR, CO_OPTIMIZED
from pathlib import Path
from types import CodeType, FrameType
from typing import Any

import numpy as np
import pandas as pd

ROOT = Path(__file__).resolve().parents[2]
NOTED = {1, 2, 4, 8}
LONG, DEEP, WIDE = 6, 2, 30
RTOL, SMALL = 1e-6, 1e-9
LEFT = ("Study", "Stage", "StudyTables", "Figure", "Vessel", "Blocks", "Design", "State", "Chain", "ChainData", "Group",
        "ModelRows", "RemlFit", "CellBounds", "FittedModel", "LimitedModel", "CelledModel", "AnalyteModel", "Strata")
"""Types whose contents are somebody else's matter, or are asked for by their own properties."""
OWN = ("iterations", "largest gradient", "differs by")
"""How a search came there, and by how little it may be off, is its own matter."""
STATSMODELS = (".variances", ".criterion_difference", ".note", ".said")
UNSTEADY = {"fit.best_state": ("[1]",), "fit.RemlFit.second_opinion": STATSMODELS,
            "statsmodels_check.second_opinion": STATSMODELS}
"""The same where a part of the result is a search's steps, or where another library's search came to rest."""
CALLED: Counter[str] = Counter()
"""How often each public function was called since the last ``noted`` began."""
Cells = dict[str, Any]
Record = dict[str, Cells]


def _plain(value: Any) -> Any:
    """A leaf as JSON holds it: numbers to eight digits, words, truths."""
    if isinstance(value, (bool, np.bool_)):
        return bool(value)
    if isinstance(value, (int, np.integer)):
        return int(value)
    if isinstance(value, (float, np.floating)):
        return float(f"{value:.8g}") if math.isfinite(value) else str(float(value))
    text = str(value.value if isinstance(value, Enum) else value)
    return text if len(text) <= 44 else f"{text[:24]}… {zlib.crc32(text.encode()):08x}"


def _row(values: Sequence[Any], at: str) -> Iterator[tuple[str, Any]]:
    """Values of one kind in a row; many of them as sums."""
    if len(values) <= LONG:
        yield from ((f"{at}[{i}]", _plain(v)) for i, v in enumerate(values))
        return
    numbers = [float(v) for v in values if isinstance(v, (int, float, np.number, np.bool_))]
    words = [str(v) for v in values if not isinstance(v, (int, float, np.number, np.bool_))]
    known = np.array([v for v in numbers if math.isfinite(v)])
    if numbers:
        yield f"{at} known of", f"{len(known)} of {len(values)}"
        yield f"{at} sizes", _plain(float(np.abs(known).sum()))
        yield f"{at} weighted", _plain(float((np.abs(known) + np.maximum(known, 0)) @ (1.5 + np.sin(np.arange(len(known))))))
    if words:
        yield f"{at} words", f"{len(words)} {zlib.crc32('|'.join(words).encode()):08x}"


def flat(value: Any, at: str = "", deep: int = 0) -> Iterator[tuple[str, Any]]:
    """The cells of a result, each with its place."""
    if isinstance(value, pd.DataFrame):
        yield f"{at} rows", len(value)
        for k, name in enumerate(value.columns):
            yield from _row(list(value.iloc[:, k].astype(object)), f"{at}.{name}")
    elif isinstance(value, (pd.Series, pd.Index)):
        yield from _row(list(value.astype(object)), at)
    elif isinstance(value, np.ndarray):
        yield f"{at} shape", str(value.shape)
        yield from _row(list(value.ravel()), at)
    elif isinstance(value, type) or callable(value) or type(value).__name__ in LEFT:
        yield at, f"<{type(value).__name__}>"
    elif dataclasses.is_dataclass(value) or (isinstance(value, tuple) and hasattr(value, "_fields")):
        names = value._fields if isinstance(value, tuple) else [f.name for f in dataclasses.fields(value)]
        yield f"{at} is", type(value).__name__
        for name in names if deep < DEEP else ():
            yield from flat(getattr(value, name, None), f"{at}.{name}", deep + 1)
    elif isinstance(value, Mapping):
        for k in list(value)[:WIDE]:
            yield from flat(value[k], f"{at}.{_plain(k)}", deep + 1)
    elif isinstance(value, (set, frozenset)):
        yield from _row(sorted(map(str, value)), at)
    elif isinstance(value, (list, tuple)):
        if all(isinstance(v, (str, int, float, np.number)) for v in value):
            yield from _row(value, at)
        else:
            yield from (c for i, v in enumerate(value[:LONG]) for c in flat(v, f"{at}[{i}]", deep + 1))
    elif value is None or isinstance(value, (str, bool, int, float, np.number, np.bool_, Enum)):
        yield at, _plain(value)
    else:
        yield at, f"<{type(value).__name__}>"


def forget() -> None:
    """Empty every cache of the library, so that what is noted does not hang on what ran before."""
    modules = [m for name, m in list(sys.modules.items()) if name.split(".")[0] == "studykit"]
    owners = [*modules, *(c for m in modules for c in list(vars(m).values()) if isinstance(c, type))]
    for thing in [t for owner in owners for t in list(vars(owner).values())]:  # not of gc, which does not see what is frozen
        if isinstance(thing, functools._lru_cache_wrapper):
            thing.cache_clear()


def noted(work: Callable[[], object], folder: str, calls_of: Callable[[str], Container[int]] = lambda _: NOTED) -> Record:
    """What the public functions of a folder of studykit/ give while ``work`` runs, by call.

    ``calls_of``: which calls of a function are noted.
    """
    head = str(ROOT / "studykit" / folder) + "/"
    found: Record = {}
    calls = CALLED
    calls.clear()
    names: dict[int, str] = {}

    def name_of(code: CodeType) -> str:
        hidden = "<" in code.co_qualname or any(p.startswith("_") for p in code.co_qualname.split("."))
        if hidden or not code.co_filename.startswith(head) or code.co_flags & CO_GENERATOR or not (
                code.co_flags & CO_OPTIMIZED):  # the body of a class
            return ""
        return f"{code.co_filename[len(head):-3]}.{code.co_qualname}"

    def searches(code: CodeType) -> bool:
        known = searching.get(id(code))
        if known is None:
            kept.append(code)
            known = searching[id(code)] = "/scipy/optimize/" in code.co_filename
        return known

    def look(frame: FrameType, event: str, value: Any) -> None:
        nonlocal within
        if event == "call":
            within += searches(frame.f_code)
        if event != "return":
            return
        code = frame.f_code
        if searches(code):
            within -= 1
        if within:
            return
        name = names.get(id(code))
        if name is None:
            kept.append(code)
            name = names[id(code)] = name_of(code)
        if not name:
            return
        calls[name] += 1
        if calls[name] in calls_of(name):
            cells = {at: c for at, c in flat(value) if not any(w in at for w in OWN)
                     and not at.startswith(UNSTEADY.get(name, ("\n",)))}
            if cells != found.get(f"{name} #{calls[name] // 2 if calls_of(name) is NOTED else calls[name] - 1}"):
                found[f"{name} #{calls[name]}"] = cells

    kept: list[CodeType] = []
    searching: dict[int, bool] = {}
    within = 0
    forget()
    before = sys.getprofile()
    sys.setprofile(look)
    try:
        work()
    finally:
        sys.setprofile(before)
    return found


def _same(a: Any, b: Any) -> bool:
    if isinstance(a, (int, float)) and isinstance(b, (int, float)) and not isinstance(a, bool) and not isinstance(b, bool):
        return math.isclose(a, b, rel_tol=RTOL, abs_tol=0.0) or (abs(a) < SMALL and abs(b) < SMALL)
    return type(a) is type(b) and bool(a == b)


def differences(stored: Record, now: Record) -> list[str]:
    """Each cell that is not as it was stored; calls that are new are nobody's fault."""
    out = []
    for call, cells in stored.items():
        if call not in now:
            out.append(f"{call}: not called any more")
            continue
        out += [f"{call}{place or ''}: {was!r} was stored, {now[call].get(place, 'nothing')!r} came"
                for place, was in cells.items() if not _same(was, now[call].get(place))]
        out += [f"{call}{place}: nothing was stored, {new!r} came" for place, new in now[call].items() if place not in cells]
    return out


def file_of(folder: str) -> Path:
    """Where a folder's record is stored."""
    return ROOT / "tests" / folder / "as_stood.json"


def load(folder: str) -> dict[str, Record]:
    """The stored record of a folder: study, call, place."""
    return json.loads(file_of(folder).read_text(encoding="utf-8"))  # type: ignore[no-any-return]


def store(folder: str, record: dict[str, Record]) -> None:
    """Store a folder's record, a call a line."""
    parts = []
    for study, calls in record.items():
        lines = ",\n".join(f" {json.dumps(c)}: {json.dumps(cells, ensure_ascii=False)}" for c, cells in sorted(calls.items()))
        parts.append(f"{json.dumps(study)}: {{\n{lines}\n}}")
    file_of(folder).write_text("{\n" + ",\n".join(parts) + "\n}\n", encoding="utf-8")


def told(folder: str, faults: Sequence[str]) -> str:
    """The cells that differ and what to do."""
    more = f"\n… and {len(faults) - 8} more" if len(faults) > 8 else ""
    return (f"{len(faults)} cells are not as they stood:\n" + "\n".join(faults[:8]) + more
            + f"\nWhere they are right now: python -m tests.stood {folder}")
