"""What invented cases give, condensed to a few numbers a column and its words, and held against what is stored.

Approval tables: as it stood, no outside source. They notice that something changed and name the cell; what is right is held
by the tests beside them. ``python -m tests.kept quality`` stores the cases of ``tests/quality/whole.py`` anew (more folders
may be named; ``--new`` only those that are not stored yet); the difference of the file is read before it is kept.
"""

from __future__ import annotations

import importlib
import json
import sys
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

HERE = Path(__file__).parent
NEAR = 1e-6
"""Relative to the sum of sizes of a column; what two machines differ by is rounding, many orders below."""
Kept = dict[str, Any]
Cases = Mapping[str, Callable[[], Kept]]
NUMBER = (int, float, np.number, np.bool_, type(None))


def condensed(x: Any) -> list[float] | str:
    """Of numbers how many there are, the sum of their sizes and their sum weighed by place; of words a sum of all."""
    values = list(np.asarray(x, dtype=object).ravel())
    if not all(isinstance(v, NUMBER) for v in values):
        return f"{zlib.crc32(chr(31).join(map(str, values)).encode()):08x}"
    number = np.array([np.nan if v is None else float(v) for v in values])
    ok = np.isfinite(number)
    weight = 1 + np.modf(np.arange(1, number.size + 1) * 0.6180339887)[0]
    return [int(ok.sum()), *(float(f"{x:.10g}") for x in (np.abs(number[ok]).sum(), (weight * number)[ok].sum()))]


def columns(name: str, t: pd.DataFrame) -> Iterator[tuple[str, Any]]:
    """Each column of a table, condensed."""
    yield from ((f"{name} / {c}", condensed(t[c])) for c in t.columns)


def kept(numbers: Iterable[tuple[str, Any]], words: Iterable[str] = ()) -> Kept:
    """What is kept of a case, as it comes back from its file."""
    found: Kept = json.loads(json.dumps({"numbers": dict(numbers), "words": list(words)}))
    return found


def differing(name: str, want: Kept, got: Kept) -> list[str]:
    """The cells of a case in which what is stored differs from what it gives."""
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


def path_of(folder: str) -> Path:
    """Where the cases of a folder are stored."""
    return HERE / folder / "whole.json"


def stored(folder: str) -> dict[str, Kept]:
    """What is stored, by case."""
    found: dict[str, Kept] = json.loads(path_of(folder).read_text(encoding="utf-8"))
    return found


def written(found: Mapping[str, Kept]) -> str:
    """The text of a file of cases: a line a cell, so that its difference can be read."""
    def told(x: Any) -> str:
        return json.dumps(x, ensure_ascii=False)

    cases = []
    for name, case in found.items():
        numbers = ",\n".join(f"{told(cell)}: {told(v)}" for cell, v in case["numbers"].items())
        words = ",\n".join(map(told, case["words"]))
        cases.append(f'{told(name)}: {{"numbers": {{\n{numbers}\n}}, "words": [\n{words}\n]}}')
    return "{\n" + ",\n".join(cases) + "\n}\n"


def store(folder: str, cases: Cases, only_new: bool = False) -> None:
    """Store what each case gives, one after the other; cases that are no more go."""
    path = path_of(folder)
    out = {k: v for k, v in stored(folder).items() if k in cases} if only_new and path.exists() else {}
    for name in cases:
        if name not in out:
            out[name] = cases[name]()
            print(name, len(out[name]["words"]), len(out[name]["numbers"]), file=sys.stderr, flush=True)
            path.write_text(written(out), encoding="utf-8")
    path.write_text(written({k: out[k] for k in cases}), encoding="utf-8")


def main(given: list[str]) -> None:
    """Store the cases of these folders anew."""
    for folder in [g for g in given if g != "--new"]:
        whole = importlib.import_module(f"tests.{folder}.whole")
        store(folder, {**whole.QUICK, **whole.SLOW}, "--new" in given)


if __name__ == "__main__":
    main(sys.argv[1:])
