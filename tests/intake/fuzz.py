"""Mutation test of the intake: python -m tests.intake.fuzz [COUNT] [SEED]

Each mutated file must be read with exactly the values that it holds, or be refused with a message
that names the file; each rejected row names file, row, reason and remedy; nothing crashes, nothing is
lost, nothing takes more than five seconds of computing time.
"""

from __future__ import annotations

import contextlib
import io
import random
import shutil
import signal
import sys
import tempfile
import time
import warnings
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
import python_calamine

from studykit.core.errors import BadInput
from studykit.intake.take import IntakeOutcome, read_intake
from tests.intake import fuzz_oracle as oracle
from tests.intake.fuzz_mutations import NASTY, damage, mutate_text
from tests.intake.fuzz_seeds import SAMPLES, STUDY, Seed, seeds

SECONDS = 5.0
TABLE = pd.DataFrame({"sample": list(SAMPLES)})


class SilentError(AssertionError):
    """A mutated file that was neither read as it stands nor refused plainly."""


def need(condition: bool, text: str) -> None:
    """Fail with a text that names the case."""
    if not condition:
        raise SilentError(text)


@contextlib.contextmanager
def time_limit(seconds: float) -> Iterator[None]:
    """Stop after so many seconds of computing time."""
    def stop(*_: Any) -> None:
        raise SilentError(f"takes more than {seconds:g} s")
    before = signal.signal(signal.SIGVTALRM, stop)
    signal.setitimer(signal.ITIMER_VIRTUAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        signal.signal(signal.SIGVTALRM, before)


def run(folder: Path, seed: Seed, data: bytes) -> IntakeOutcome | BadInput:
    """The intake of one file alone."""
    (folder / "raw").mkdir(exist_ok=True)
    (folder / "intake.toml").write_text(seed.intake, encoding="utf-8")
    (folder / "raw" / seed.name).write_bytes(data)
    try:
        with time_limit(SECONDS):
            return read_intake(folder, STUDY, TABLE)
    except BadInput as error:
        return error
    finally:
        (folder / "raw" / seed.name).unlink()


def check_plain(seed: Seed, got: IntakeOutcome | BadInput) -> bool:
    """Refusals and rejections name their place and the next step; the account closes. True if anything was read."""
    if isinstance(got, BadInput):
        for fault in got.faults:
            need(fault.file == f"raw/{seed.name}", f"a fault names {fault.file!r}")
            need(bool(fault.reason and fault.remedy), f"a fault without reason or remedy: {fault.line()}")
        return False
    need(got.rows_in == got.taken + len(got.rejected), got.sentence())
    need(got.taken == len(got.results) + len(got.revisions), got.sentence())
    for row in got.rejected.itertuples():
        need(row.file == seed.name and row.row >= 1 and bool(row.reason) and bool(row.remedy), f"rejected: {row}")
    return True


def found(got: IntakeOutcome) -> dict[tuple[int, str, str, int], tuple[float, str]]:
    """(line, sample, analyte, replicate) -> (value, qualifier) of the results."""
    t = got.results
    return {(int(n), str(s), str(a), int(r)): (float(v), str(q)) for n, s, a, r, v, q in zip(
        t["source_row"], t["sample"], t["analyte"], t["replicate"], t["value"], t["qualifier"], strict=True)}


def check_text(seed: Seed, data: bytes, got: IntakeOutcome | BadInput) -> str:
    """Hold the results of a mutated text file against the oracle; returns what became of the file."""
    if not check_plain(seed, got):
        return "refused"
    assert isinstance(got, IntakeOutcome)
    info = got.files.iloc[0].to_dict()
    header = int(info["header_line"])
    held = oracle.holds(seed, data, info, header)
    results = found(got)
    for key, (value, qualifier) in results.items():
        need(key in held, f"{key} = {value} is not what the line holds: {held.get(key)}")
        need(abs(held[key][0] - value) <= 1e-14 * abs(value) and held[key][1] == qualifier,
             f"{key}: read {qualifier}{value}, the file holds {held[key]}")
    touched = set(got.rejected["row"].astype(int)) | set(got.revisions["old_row"].astype(int))
    for key in held:
        need(key in results or key[0] in touched, f"{key} = {held[key]} was lost")
    _check_lines(seed, data, got, info, header, {k[0] for k in results} | touched)
    _check_unchanged(seed, data, info, header, results)
    return "read" if got.rejected.empty else "read in part"


def _check_lines(seed: Seed, data: bytes, got: IntakeOutcome, info: dict[str, Any], header: int, seen: set[int]) -> None:
    """Every line with text below the headings was taken, rejected, blank by its mapping, or the footer."""
    words = {"semicolon": ";", "tab": "\t", "bar": "|", "comma": ","}
    rows = oracle.lines_of(oracle.decoded(data, info["encoding"]), words[info["delimiter"].split(" ")[0]])
    shift = header - seed.head_lines[-1]
    for line, cells in rows.items():
        texts = [c for c in cells if oracle.squeeze(c)]
        if line <= header or line == seed.unit_line + shift or not texts or line in seen:
            continue
        above = [c[0] for n, c in rows.items() if c and header < n <= line]
        if seed.footer and any(oracle.squeeze(c).startswith(seed.footer) for c in above):
            need(len(texts) < 3, f"line {line} below the footer was lost: {cells}")
            continue
        need("not measured" in seed.intake and len(texts) == 1, f"line {line} was lost: {cells}")


def _check_unchanged(seed: Seed, data: bytes, info: dict[str, Any], header: int, results: dict[Any, Any]) -> None:
    """A line that the mutation did not touch, under untouched headings, still gives its own values."""
    words = {"semicolon": ";", "tab": "\t", "bar": "|", "comma": ","}
    by = words[info["delimiter"].split(" ")[0]]
    new = oracle.lines_of(oracle.decoded(data, info["encoding"]), by)
    old = oracle.lines_of(seed.data.decode(seed.encoding), seed.delimiter)
    top = [old[n] for n in (*seed.head_lines, *([seed.unit_line] if seed.unit_line else ()))]
    shift = header - seed.head_lines[-1]
    if top != [new.get(n + shift) for n in (*seed.head_lines, *([seed.unit_line] if seed.unit_line else ()))]:
        return
    plain = {"delimiter": next(k for k, v in words.items() if v == seed.delimiter), "encoding": seed.encoding,
             "decimal": seed.decimal, "thousands": ""}
    truth = oracle.holds(seed, seed.data, plain, seed.head_lines[-1])
    first = {tuple(cells): line for line, cells in reversed(old.items())}
    for (line, *key), value in results.items():
        source = first.get(tuple(new[line]))
        if source is not None:
            need(truth.get((source, *key)) == value, f"line {line} is untouched, but {key} reads {value}, "
                 f"not {truth.get((source, *key))}")


def check_book(seed: Seed, rng: random.Random, folder: Path) -> str:
    """Mutate a spreadsheet: damage its bytes, or set one cell of an XLSX to something odd."""
    truth = run(folder, seed, seed.data)
    need(isinstance(truth, IntakeOutcome) and truth.rejected.empty, "the seed itself is not read")
    assert isinstance(truth, IntakeOutcome)
    if seed.name.endswith(".xlsx") and rng.random() < 0.6:
        return _odd_cell(seed, rng, folder, found(truth))
    data = damage(seed.data, rng)
    got = run(folder, seed, data)
    if not check_plain(seed, got):
        return "refused"
    assert isinstance(got, IntakeOutcome)
    if seed.name.endswith(".xls"):  # no check sums: what the reader finds in the cells is what the file holds
        cells = python_calamine.load_workbook(io.BytesIO(data)).get_sheet_by_index(0).to_python(skip_empty_area=False)
        for (line, _, _, _), (value, _) in found(got).items():
            row = cells[line - 1]
            need(any(_same(c, value) for c in row), f"line {line}: {value} is not in {row}")
    else:
        own = found(truth)
        for key, value in found(got).items():
            need(own.get(key) == value, f"{key} reads {value}, not {own.get(key)}")
    return "read" if got.rejected.empty else "read in part"


def _same(cell: Any, value: float) -> bool:
    if isinstance(cell, float):
        return abs(cell - value) <= 1e-14 * abs(value)
    got = oracle.value(str(cell), ".", "")
    return got is not None and float(got[0]) == value


def _odd_cell(seed: Seed, rng: random.Random, folder: Path, truth: dict[Any, Any]) -> str:
    book = openpyxl.load_workbook(io.BytesIO(seed.data))
    sheet = book.active
    line, column = rng.randrange(3, sheet.max_row + 1), rng.randrange(2, sheet.max_column + 1)
    odd: Any = rng.choice((*(n for n in NASTY if len(n) < 100 and n.isprintable()), 5, 5.5, 0, True, 1e300))
    sheet.cell(line, column).value = odd
    out = io.BytesIO()
    book.save(out)
    got = run(folder, seed, out.getvalue())
    if not check_plain(seed, got):
        return "refused"
    assert isinstance(got, IntakeOutcome)
    analyte = str(sheet.cell(1, column).value)
    for key, value in found(got).items():
        if key[0] == line and key[2] == analyte:
            held = (float(odd), "") if isinstance(odd, (int, float)) and odd is not True else None
            text = oracle.value(str(odd), str(got.files["decimal"].iloc[0]), str(got.files["thousands"].iloc[0]))
            held = held or ((float(text[0]), text[1]) if text else None)
            need(held == value, f"cell {line}/{column} holds {odd!r}, read as {value}")
        else:
            need(truth[key] == value, f"{key} reads {value}, not {truth[key]}")
    return "read" if got.rejected.empty else "read in part"


def one(seed: Seed, rng: random.Random, folder: Path) -> str:
    """One mutated file through the intake; the failing bytes are kept for a look."""
    if not seed.encoding:
        return check_book(seed, rng, folder)
    data = mutate_text(seed, rng)
    try:
        return check_text(seed, data, run(folder, seed, data))
    except Exception:
        (folder / f"failing-{seed.name}").write_bytes(data)
        raise


def main(count: int, start: int) -> int:
    """Run ``count`` mutated files and print the tally; the exit code is 1 where any failed."""
    warnings.simplefilter("error")
    folder = Path(tempfile.mkdtemp(prefix="fuzz-intake-"))
    tally: Counter[str] = Counter()
    all_seeds, failed, began = seeds(), 0, time.monotonic()
    for n in range(start, start + count):
        seed = all_seeds[n % len(all_seeds)]
        try:
            tally[f"{seed.name}: {one(seed, random.Random(n), folder)}"] += 1
        except Exception as error:
            failed += 1
            print(f"case {n} ({seed.name}): {type(error).__name__}: {error}", flush=True)
        if (n - start + 1) % 500 == 0:
            print(f"{n - start + 1} of {count}, {failed} failed, {time.monotonic() - began:.0f} s", flush=True)
    for name, k in sorted(tally.items()):
        print(f"{name}: {k}")
    sums = Counter({w: sum(v for k, v in tally.items() if k.endswith(": " + w)) for w in ("read", "read in part", "refused")})
    print(f"{count} files: {dict(sums)}, {failed} failed, {time.monotonic() - began:.0f} s")
    if not failed:
        shutil.rmtree(folder)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000, int(sys.argv[2]) if len(sys.argv) > 2 else 0))
