"""Seeded changes of single files of a filed study, each taken through the whole of ``recheck``: none passes unnamed.

Among them blanks, signs that look like others or that nobody sees, and values in other types. A line whose two sides read
alike counts as unnamed.

``python -m tests.report.mutated [N] [SEED]`` (300 by default) makes a fresh run of the study once, for real, and lets it stand
for the re-execution of every case. Half of the cases have corrected hashes. An input changed with corrected hashes is what
recheck trusts: the page made again from it says another hash, which that one fresh run cannot show; and a file beside the
study is listed as not judged. Both are counted apart.
"""

from __future__ import annotations

import random
import re
import shutil
import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from unittest import mock

from studykit.core.errors import BadInput, RunsDiffer
from studykit.report import recheck as rechecking
from studykit.report.make import make_report
from studykit.report.manifest import FILE, files_of, hashes, part_of
from tests.report.filed import filed_tote, rehash

QUIET = lambda _: None  # noqa: E731


def other_byte(data: bytes, rng: random.Random) -> bytes:
    """One byte changed to another."""
    k = rng.randrange(len(data))
    return data[:k] + bytes([(data[k] + 1 + rng.randrange(255)) % 256]) + data[k + 1:]


def other_digit(data: bytes, rng: random.Random) -> bytes:
    """One digit changed to another."""
    places = [m.start() for m in re.finditer(rb"\d", data)]
    if not places:
        return other_byte(data, rng)
    k = rng.choice(places)
    return data[:k] + rng.choice([b"%d" % d for d in range(10) if b"%d" % d != data[k:k + 1]]) + data[k + 1:]


def other_word(data: bytes, rng: random.Random) -> bytes:
    """One word taken out, or another put in its place."""
    places = list(re.finditer(rb"[A-Za-z]{4,}", data))
    if not places:
        return other_byte(data, rng)
    m = rng.choice(places)
    return data[:m.start()] + rng.choice([b"", b"homogeneous", m[0][::-1] + b"x"]) + data[m.end():]


def other_lines(data: bytes, rng: random.Random) -> bytes:
    """One line lost, twice there, or exchanged with another."""
    lines = data.splitlines(keepends=True)
    k = rng.randrange(len(lines))
    kind = rng.choice(["lost", "twice", "exchanged"])
    if kind == "exchanged" and (others := [i for i, line in enumerate(lines) if line != lines[k]]):
        i = rng.choice(others)
        lines[i], lines[k] = lines[k], lines[i]
    else:
        lines[k:k + 1] = [lines[k], lines[k]] if kind == "twice" else []
    return b"".join(lines)


def cut(data: bytes, rng: random.Random) -> bytes:
    """The end lost, or something after it."""
    return data[:rng.randrange(len(data))] if rng.random() < 0.5 else data + rng.choice([b"\n", b" ", b"x", b"0"])


def other_blank(data: bytes, rng: random.Random) -> bytes:
    """A blank twice there, gone, or another of ASCII's; one between two signs where there is none."""
    places = [m.start() for m in re.finditer(rb"[ \t\n]", data)]
    if not places or rng.random() < 0.2:
        k = rng.randrange(len(data) + 1)
        return data[:k] + rng.choice([b" ", b"\n", b"\t", b"\r"]) + data[k:]
    k = rng.choice(places)
    return data[:k] + rng.choice([b"", data[k:k + 1] * 2, b"\t", b"\r\n", b"\f"]) + data[k + 1:]


TWINS = {"a": "\u0430", "e": "\u0435", "o": "\u043e", "c": "\u0441", "p": "\u0440", "i": "\u0456", "l": "I", "0": "O", "1": "l",
         " ": "\xa0", "-": "\u2010", "H": "\u041d", "S": "\u0405", ".": "\u2024"}
"""Signs that look like others in most typefaces (Unicode Technical Standard 39 calls them confusable)."""


def other_script(data: bytes, rng: random.Random) -> bytes:
    """A sign exchanged for one that looks like it, or one put in that nobody sees."""
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        return other_byte(data, rng)
    places = [k for k, c in enumerate(text) if c in TWINS]
    if not places or rng.random() < 0.4:
        k = rng.randrange(len(text) + 1)
        sign = rng.choice(["\u200b", "\xad", "\u2060", "\u2009", "\u3000", "\u034f", "\ufeff", "\u202e", "\u0301",
                           "\v", "\x00"])
        return (text[:k] + sign + text[k:]).encode()
    k = rng.choice(places)
    return (text[:k] + TWINS[text[k]] + text[k + 1:]).encode()


def other_type(data: bytes, rng: random.Random) -> bytes:
    """A value of JSON in another type that Python takes for equal, or as text; elsewhere a number written otherwise."""
    if places := list(re.finditer(rb"(?<=: )(?:-?\d+(?:\.\d+)?|true|false)(?=[,\n])", data)):
        m = rng.choice(places)
        swaps = {b"true": [b"1", b"1.0"], b"false": [b"0", b"0.0"], b"1": [b"true", b"1.0"], b"0": [b"false", b"0.0", b"-0"]}
        other = rng.choice([*swaps.get(m[0], [m[0] + (b"0" if b"." in m[0] else b".0")]), b'"%s"' % m[0], b"[%s]" % m[0]])
    elif places := list(re.finditer(rb"(?<=[,>\n])\d+(?:\.\d+)?(?=[,<\n])", data)):
        m = rng.choice(places)
        other = rng.choice([b'"%s"' % m[0], m[0] + (b"0" if b"." in m[0] else b".0"), b"0" + m[0], b"+" + m[0], m[0] + b"e0"])
    else:
        return other_byte(data, rng)
    return data[:m.start()] + other + data[m.end():]


KINDS: dict[str, Callable[[bytes, random.Random], bytes]] = {
    "byte": other_byte, "digit": other_digit, "word": other_word, "lines": other_lines, "end": cut, "blank": other_blank,
    "script": other_script, "type": other_type}


def told(root: Path, fresh: Path) -> list[str]:
    """Every line, difference or note, in which a recheck with this fresh run speaks of the study."""
    def as_run(target: Path, _: object, *, notebooks: str = "", separate: bool = False) -> None:
        for name in ("report", "tidy"):
            shutil.copytree(fresh / name, target / name)

    with mock.patch.object(rechecking, "make_report", as_run):
        try:
            return list(rechecking.recheck(root, QUIET).notes)
        except RunsDiffer as error:
            alike = [f"READS ALIKE {d['what']}: {d['filed']}" for d in error.differences if d["filed"] == d["re-executed"]]
            return str(error).splitlines() + [str(d["what"]) for d in error.differences] + alike
        except BadInput as error:
            return [str(error)]


def one(root: Path, fresh: Path, path: Path, kind: str, corrected: bool, rng: random.Random) -> str:
    """How one change is told: a difference, a note, or, what must not be, '' (unnamed); the study is put back."""
    kept, manifest = path.read_bytes(), (root / FILE).read_bytes()
    name, untouched = path.relative_to(root).as_posix(), told_before(root, fresh)
    try:
        path.write_bytes(KINDS[kind](kept, rng) if kept else b"x")
        if corrected and path != root / FILE:
            rehash(root)
        if path.read_bytes() == kept:
            return "no change"
        if corrected and part_of(path.relative_to(root)) == "inputs" and hashes(root, files_of(root)["inputs"])[name]:
            return "an input, which is trusted"
        if corrected and part_of(path.relative_to(root)) == "beside":
            return "beside the study, said not to be judged"
        lines = [line for line in told(root, fresh) if line not in untouched]
        if any(line.startswith("READS ALIKE") for line in lines):
            return ""
        said = [line for line in lines if _names(line, name)]
        differs = any(line.startswith(("The f", "  ")) and "note:" not in line for line in lines) or name == FILE
        return ("difference" if differs else "note") if said else ""
    finally:
        path.write_bytes(kept)
        (root / FILE).write_bytes(manifest)


_BEFORE: dict[Path, list[str]] = {}


def told_before(root: Path, fresh: Path) -> list[str]:
    """What a recheck says of the untouched study; asked once."""
    if root not in _BEFORE:
        _BEFORE[root] = told(root, fresh)
    return _BEFORE[root]


def _names(line: str, name: str) -> bool:
    """Whether a line speaks of a file: by its path, its path within the report, its own name, or as a record of numbers."""
    inner = name.removeprefix("report/")
    return name in line or inner in line or (name == FILE and bool(line)) or (name == "report/numbers.json" and bool(line)) or (
        inner.split("/")[-1] in line)


def mutations(filed: Path, fresh: Path, folder: Path, number: int, seed: int, *, first: int = 0,
              ) -> tuple[Counter[str], list[str]]:
    """How many of the changes from ``first`` on were told how, and those that were not."""
    rng = random.Random(seed)
    root = Path(shutil.copytree(filed, folder / "study"))
    files = [p for p in sorted(root.rglob("*")) if p.is_file() and part_of(p.relative_to(root))] + [root / FILE]
    order = [p for _ in range(number // len(files) + 1) for p in rng.sample(files, len(files))][:number]
    counts, unnamed = Counter[str](), []
    for k, path in list(enumerate(order))[first:]:
        kind, corrected = list(KINDS)[k % len(KINDS)], (k // len(KINDS)) % 2 == 1
        how = one(root, fresh, path, kind, corrected, rng)
        counts[f"{'corrected' if corrected else 'as filed'}: {how or 'UNNAMED'}"] += 1
        counts[f"kind {kind}"] += how != "no change"
        unnamed += [] if how else [f"{path.relative_to(root)}, {kind}, {'corrected' if corrected else 'as filed'}"]
    return counts, unnamed


def main(number: int, seed: int) -> int:
    """Prints the counts and what passed unnamed; returns how many did."""
    with tempfile.TemporaryDirectory() as name:
        filed, fresh = filed_tote(), Path(name) / "fresh"
        rechecking.copy_trusted(filed, fresh)
        make_report(fresh, QUIET, notebooks="kit", separate=True)
        (Path(name) / "work").mkdir()
        counts, unnamed = mutations(filed, fresh, Path(name) / "work", number, seed)
    for how, n in sorted(counts.items()):
        print(f"{how}: {n}")
    for line in unnamed:
        print(f"unnamed: {line}")
    return len(unnamed)


if __name__ == "__main__":
    given = [int(a) for a in sys.argv[1:]]
    sys.exit(main(*[*given, *(300, 12)[len(given):]]) and 1)
