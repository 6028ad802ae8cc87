"""Reads generated laboratory files and says what was read wrong, lost, or refused without need.

python -m tests.intake.labfiles.run 1000                      a thousand drawn and combined cases
python -m tests.intake.labfiles.run 20 --kind "struck line"   one kind alone
python -m tests.intake.labfiles.run 3 --each                  every kind alone, three times
python -m tests.intake.labfiles.run 100000 --first 5000000 --record big.jsonl --minutes 14    go on where the record ends

Spreadsheets are read in this process by the same functions as in the reading process; every fiftieth case goes
through the reading process itself.
"""

from __future__ import annotations

import argparse
import csv
import gc
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
import traceback
import warnings
from pathlib import Path

from tests.intake.labfiles.generate import make_case, study_toml, write_study
from tests.intake.labfiles.model import Case
from tests.intake.labfiles.registry import KINDS
from tests.intake.labfiles.score import BAD, OVER, RIGHT, Outcome, Tally, TidyRow, judge

APART_EACH = 50
CHUNK = 500
_studies: dict[str, object] = {}


def read_here(seed: int) -> None:
    """Read spreadsheets in this process, but for every fiftieth seed."""
    from studykit.intake import sheetcells, spreadsheets

    spreadsheets.load_apart = sheetcells.load_apart if seed % APART_EACH == 0 else _load  # type: ignore[assignment]


def _load(data: bytes, kind: str) -> object:
    from studykit.intake.cellmodel import UnreadableError
    from studykit.intake.sheetcells import load

    try:
        return load(data, kind)
    except UnreadableError:
        raise
    except BaseException as error:  # the reader's own panics are BaseException
        if isinstance(error, KeyboardInterrupt):
            raise
        password = type(error).__name__ in ("PasswordError", "PermissionError")
        raise UnreadableError(str(error) or type(error).__name__, "password" if password else "") from None


def run_in_process(case: Case, folder: Path) -> Outcome:
    """By the library function `studykit.intake.read_intake` (what `studykit intake` does, without writing)."""
    import pandas as pd

    from studykit.core.errors import StudyKitError
    from studykit.intake.take import read_intake
    from studykit.study.definition import parse_study

    text = study_toml(case)
    start = time.perf_counter()
    try:
        if text not in _studies:
            if len(_studies) > 3000:
                _studies.clear()
            _studies[text] = parse_study(tomllib.loads(text))
        samples = pd.DataFrame(
            {
                "sample": case.codes,
                "container": [f"C{i // 2 + 1}" for i in range(len(case.codes))],
                "kind": "spot",
                "depth": ["upper" if i % 2 == 0 else "lower" for i in range(len(case.codes))],
            },
            dtype=str,
        )
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            found = read_intake(folder, _studies[text], samples)  # type: ignore[arg-type]
    except StudyKitError as error:
        return Outcome(int(error.exit_code), message=str(error), seconds=time.perf_counter() - start)
    except Exception:
        return Outcome(70, message=traceback.format_exc()[-900:], seconds=time.perf_counter() - start)
    seconds = time.perf_counter() - start
    table = [found.results[c].tolist() for c in ("sample", "analyte", "value", "unit", "qualifier", "as_written")]
    rows = [TidyRow(s, a, float(v), u, _blank(q), w) for s, a, v, u, q, w in zip(*table, strict=True)]
    table = [found.rejected[c].tolist() for c in ("row", "value", "reason")]
    rejected = [(None if pd.isna(r) else int(r), str(v), str(w)) for r, v, w in zip(*table, strict=True)]
    return Outcome(8 if rejected else 0, rows, rejected, seconds=seconds)


def _blank(value: object) -> str:
    return "" if value is None or value != value else str(value)


def run_command(case: Case, folder: Path) -> Outcome:
    """By `python -m studykit intake FOLDER`, as a user would."""
    start = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-m", "studykit", "intake", str(folder)],
        capture_output=True,
        text=True,
        check=False,
        env=os.environ,
    )
    seconds = time.perf_counter() - start
    message = done.stderr + done.stdout
    if done.returncode not in (0, 8) or not (folder / "tidy" / "results.csv").exists():
        return Outcome(done.returncode, message=message, seconds=seconds)
    with (folder / "tidy" / "results.csv").open(encoding="utf-8", newline="") as file:
        rows = [
            TidyRow(r["sample"], r["analyte"], float(r["value"]), r["unit"], r["qualifier"], r["as_written"])
            for r in csv.DictReader(file)
        ]
    with (folder / "tidy" / "rejected.csv").open(encoding="utf-8", newline="") as file:
        rejected = [(int(r["row"]) if r["row"] else None, r["value"], r["reason"]) for r in csv.DictReader(file)]
    return Outcome(done.returncode, rows, rejected, message, seconds)


def try_case(case: Case, root: Path, command: bool = False) -> Outcome:
    """Write the case into a fresh folder and run it there."""
    folder = root / "s"
    shutil.rmtree(folder, ignore_errors=True)
    if command:
        write_study(case, folder)
        return run_command(case, folder)
    (folder / "raw").mkdir(parents=True)
    for name, data in case.files.items():
        (folder / "raw" / name).write_bytes(data)
    (folder / "intake.toml").write_bytes(case.intake.encode("utf-8", "surrogateescape"))
    return run_in_process(case, folder)


def main() -> None:
    """Cases from seeds, a table, and every bad one in a log."""
    parser = argparse.ArgumentParser()
    parser.add_argument("cases", type=int, help="how many cases, of each kind with --each")
    parser.add_argument("--first", type=int, default=1, help="first seed")
    parser.add_argument("--kind", action="append", help="only these kinds, alone")
    parser.add_argument("--each", action="store_true", help="every kind alone")
    parser.add_argument("--command", action="store_true", help="by the command instead of the library")
    parser.add_argument("--log", type=Path, help="write every bad or over-refused case here, one a line")
    parser.add_argument("--record", type=Path, help="append the counts of each 500 cases here; go on where it ends")
    parser.add_argument("--table", type=Path, help="write the table here")
    parser.add_argument("--minutes", type=float, default=1e6, help="stop after so many minutes")
    parser.add_argument("--containers", nargs="*", help="only these containers, such as csv txt")
    args = parser.parse_args()
    sys.stdout.reconfigure(errors="backslashreplace")  # type: ignore[union-attr]
    if args.each or args.kind:
        names = args.kind or sorted(KINDS)
        each = args.cases
        work = [(args.first + 100_000 * j + i, [n]) for i in range(each) for j, n in enumerate(names)]
    else:
        work = [(args.first + i, None) for i in range(args.cases)]
    tally = Tally()
    if args.record and args.record.exists():
        chunks = [json.loads(line) for line in args.record.read_text(encoding="utf-8").splitlines()]
        for chunk in chunks:
            tally.total.update(chunk["total"])
            tally.agreed.update(chunk["agreed"])
        work = work[CHUNK * len(chunks):]
    gc.disable()
    start = time.perf_counter()
    with tempfile.TemporaryDirectory(prefix="labfiles") as place:
        for k in range(0, len(work), CHUNK):
            if time.perf_counter() - start > args.minutes * 60:
                break
            part = run_chunk(work[k:k + CHUNK], Path(place), args)
            tally.join(part)
            gc.collect()
            if args.record:
                line = {"first": work[k][0], "cases": part.total.total(), "total": part.total, "agreed": part.agreed}
                with args.record.open("a", encoding="utf-8") as file:
                    print(json.dumps(line), file=file)
            if args.table:
                args.table.write_text(tally.table() + "\n", encoding="utf-8", errors="backslashreplace")
    wall = time.perf_counter() - start
    print(tally.table())
    agree = tally.agreed["agree"]
    print(f"{tally.total.total()} cases, this run {wall:.0f} s; of {agree} that two people read alike "
          f"{tally.agreed[OVER]} refused, {tally.agreed[RIGHT]} right")


def run_chunk(work: list[tuple[int, list[str] | None]], place: Path, args: argparse.Namespace) -> Tally:
    """The tally of some cases; bad and over-refused ones go to the log."""
    tally = Tally()
    for seed, names in work:
        try:
            case = make_case(seed, names)
        except (ArithmeticError, LookupError, ValueError) as error:  # kinds that step on each other
            print(f"no case from seed {seed}: {error}", file=sys.stderr)
            continue
        if args.containers and case.container not in args.containers:
            continue
        read_here(seed)
        verdict = judge(case, try_case(case, place, args.command))
        tally.add(case, verdict)
        if args.log and (verdict.verdict in BAD or verdict.verdict == OVER):
            with args.log.open("a", encoding="utf-8", errors="backslashreplace") as file:
                print(f"{verdict.verdict}\t{seed}\t{case.kinds}\t{case.container} {case.layout}\t{verdict.detail!r}", file=file)
    return tally


if __name__ == "__main__":
    main()
