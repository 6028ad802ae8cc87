"""Files: whole or not at all. Atomic writes, hashes, and paths that stay inside the study folder."""

from __future__ import annotations

import contextlib
import glob
import json
import os
import re
import shutil
import tempfile
import tomllib
from collections.abc import Collection, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from studykit.core import strict
from studykit.core.errors import single
from studykit.core.folders import rename
from studykit.core.hashes import sha256_of as sha256_of
from studykit.core.numbertext import plain_cell, safe_cell

CHUNK = 100_000
LARGEST_TOML = 5_000_000
_NEEDS_QUOTES = (",", '"', "\n", "\r")
"""Rows joined at once by ``table_bytes``, and what makes a cell need quotes."""


def _mode() -> int:
    mask = os.umask(0o022)
    os.umask(mask)
    return 0o666 & ~mask


MODE = _mode()
"""Permissions of a new file, as this user's umask has them; asked once, for asking changes it for a moment."""


def safe_name(key: str) -> str:
    """A key as part of a file name or a record's name."""
    return re.sub(r"\W+", "_", key)


def inside(root: Path, relative: str, file: str = "") -> Path:
    """The path of ``relative`` under ``root``; BadInput where it would leave the folder."""
    path = (root / relative).resolve()
    if not path.is_relative_to(root.resolve()):
        raise single(file or root.name, "this path leaves the study folder", "name a file inside it", value=relative)
    return path


@contextlib.contextmanager
def plain_os_errors(path: Path) -> Iterator[None]:
    """Turn an operating-system refusal into one clear message."""
    try:
        yield
    except OSError as error:
        reason = f"cannot be written: {error.strerror or error}"
        raise single(str(path), reason, "check the folder, its permissions, the free space, the "
                     "length of its path, and that no other program has it open") from None


def write_bytes(path: Path, data: bytes, *, lasting: bool = True) -> Path:
    """Write a file under a temporary name and rename it, so a killed run leaves the old file or the new one.

    ``lasting``: wait until the disk has it, so that a power cut does too. Without it ``make_lasting`` comes later.
    """
    with plain_os_errors(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
        try:
            with os.fdopen(handle, "wb") as out:
                out.write(data)
                out.flush()
                if lasting:
                    os.fsync(out.fileno())
            os.chmod(name, MODE)
            rename(Path(name), path)
        except BaseException:
            with contextlib.suppress(OSError):
                os.unlink(name)
            raise
    return path


def write_beside(path: Path, data: bytes) -> Path:
    """As `write_bytes`, for a file that no writer of a study clears: what killed runs left of it is removed first."""
    for left in path.parent.glob(f".{glob.escape(path.name)}.*.part"):
        with contextlib.suppress(OSError):
            left.unlink()
    return write_bytes(path, data)


def write_text(path: Path, text: str, *, lasting: bool = True) -> Path:
    """Write UTF-8 text with newline line ends, whole or not at all; ``lasting`` as of ``write_bytes``."""
    return write_bytes(path, text.encode("utf-8"), lasting=lasting)


def make_lasting(paths: Iterable[Path]) -> None:
    """Wait until the disk has files that were written without waiting; asked for at once, they cost it one round."""
    with ThreadPoolExecutor(16) as pool:
        list(pool.map(_on_disk, paths))


def _on_disk(path: Path) -> None:
    with contextlib.suppress(OSError), path.open("rb+") as handle:  # one that may not be written was not by the kit
        os.fsync(handle.fileno())


def copy_in(source: Path, folder: Path, without: Collection[str] = ()) -> None:
    """Copy the kit's own files into a folder as new files of this user's, but for those of some names."""
    for path in sorted(p for p in source.rglob("*") if p.is_file() and p.name not in without):
        write_bytes(folder / path.relative_to(source), path.read_bytes())


def write_json(path: Path, data: Any) -> Path:
    """Write JSON with sorted keys and two-space indent, whole or not at all."""
    return write_text(path, json_text(data) + "\n")


def json_text(data: Any) -> str:
    """JSON with sorted keys and two-space indent; ValueError for NaN and infinity."""
    return json.dumps(data, indent=2, sort_keys=True, ensure_ascii=False, allow_nan=False)


def csv_text(table: pd.DataFrame) -> str:
    """A table as CSV without index; text that a spreadsheet would run as a formula is made harmless, numbers stay."""
    safe = table.copy()
    for k, name in enumerate(table.columns):
        column = table.iloc[:, k]
        harmless = isinstance(column.dtype, pd.StringDtype) and all(
            safe_cell(v) == v for v in column.unique() if isinstance(v, str))  # each text once: a large table repeats them
        if not (harmless or pd.api.types.is_numeric_dtype(column) or pd.api.types.is_datetime64_any_dtype(column)):
            safe.isetitem(k, column.astype(object).map(lambda v: safe_cell(v) if isinstance(v, str) else v).tolist())
        if isinstance(name, str) and safe_cell(name) != name:
            safe = safe.rename(columns={name: safe_cell(name)})
    return safe.to_csv(index=False, lineterminator="\n", date_format="%Y-%m-%d")


def write_csv(path: Path, table: pd.DataFrame, *, lasting: bool = True) -> Path:
    """Write a table as by `csv_text`, whole or not at all; ``lasting`` as of ``write_bytes``."""
    return write_text(path, csv_text(table), lasting=lasting)


def read_csv(path: Path, **options: Any) -> pd.DataFrame:
    """A table that `write_csv` wrote, its texts as they were; options as of pandas."""
    table = pd.DataFrame(pd.read_csv(path, **options))
    for k in range(table.shape[1]):
        column = table.iloc[:, k]
        if not pd.api.types.is_numeric_dtype(column):
            texts = column.map(lambda v: plain_cell(v) if isinstance(v, str) else v).astype(column.dtype)
            table.isetitem(k, texts.array)
    return table.rename(columns={c: plain_cell(c) for c in table.columns if isinstance(c, str)})


def read_bytes(path: Path, name: str, remedy: str) -> bytes:
    """The bytes of a file; BadInput where it is missing (``remedy`` says how to get it) or cannot be read."""
    if not path.exists():
        raise single(name, "there is no such file", remedy)
    if not path.is_file():
        raise single(name, "is not a plain file", "a readable file of this name must stand here")
    try:
        return path.read_bytes()
    except OSError as error:
        reason = f"cannot be read: {error.strerror or error}"
        raise single(name, reason, "a readable file of this name must stand here") from None


def read_toml(path: Path, remedy: str) -> tuple[dict[str, Any], str]:
    """A TOML file as a dictionary, and its text; BadInput names the line that is not TOML, or a size nobody means."""
    data = b"" if path.is_file() and path.stat().st_size > LARGEST_TOML else read_bytes(path, path.name, remedy)
    if not data and path.stat().st_size:
        raise single(path.name, f"is larger than {LARGEST_TOML // 1_000_000} MB", "look at the file")
    try:
        text = data.decode("utf-8-sig")
        return tomllib.loads(text), text
    except tomllib.TOMLDecodeError as error:
        reason, _, place = str(error).removesuffix(")").rpartition(" (at ")
        found = re.fullmatch(r"line (\d+), column (\d+)", place)
        row, column = (int(found[1]), f"character {found[2]}") if found else (text.count("\n") + 1, "")
        raise single(path.name, f"is not valid TOML: {reason}", "correct that line", row=row, column=column) from None
    except RecursionError:
        raise single(path.name, "is nested too deeply", "no definition is; look at the file") from None
    except UnicodeDecodeError as error:
        row = data.count(b"\n", 0, error.start) + 1
        raise single(path.name, "is not UTF-8 text", "save it as UTF-8", row=row) from None
    except ValueError:
        raise single(path.name, "holds a number that is too long", "correct the number") from None


def line_of_key(text: str, path: tuple[str, ...]) -> int | None:
    """Line (from 1) of a TOML text where the key at ``path`` is set, else of the nearest table above it; None if not found.

    A number in the path counts the entries of an array of tables, from 0. Found by the look of the
    lines, for messages only: keys written in another way than usual are not found.
    """
    names = [p for p in path if not p.isdigit()]
    nth = next((int(p) for p in path if p.isdigit()), 0)
    table: list[str] = []
    entries: dict[str, int] = {}
    best: tuple[int, int] | None = None
    for number, line in enumerate(text.splitlines(), 1):
        head = re.match(r"\s*(\[\[?)\s*([^\]]+?)\s*\]\]?", line)
        if head:
            table = [k.strip("\"' ") for k in head[2].split(".")]
            if head[1] == "[[":
                entries[head[2]] = entries.get(head[2], -1) + 1
            key = table
        else:
            found = re.match(r"\s*(\"[^\"]+\"|'[^']+'|[\w.-]+)\s*=", line)
            if not found:
                continue
            key = [*table, *(found[1].split(".") if found[1][0] not in "\"'" else [found[1][1:-1]])]
        fits = key == names[:len(key)] and entries.get(key[0], nth) == nth
        if fits and (best is None or len(key) > best[0]):
            best = (len(key), number)
    return best[1] if best else None


def read_json(path: Path) -> Any:
    """Read a JSON file; BadInput where it is missing or damaged."""
    if not path.exists():
        raise single(path.name, "there is no such file", "run: studykit report FOLDER")
    try:
        return strict.read(path.read_text(encoding="utf-8"))
    except (ValueError, RecursionError) as error:
        raise single(path.name, f"is not valid JSON: {error}", "make it again: studykit report FOLDER") from None


def require_writable(folder: Path) -> None:
    """BadInput where nothing can be written into ``folder``."""
    with plain_os_errors(folder):
        folder.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=folder, prefix=".studykit-")
        os.close(handle)
        os.unlink(name)


@contextlib.contextmanager
def together(to: Path) -> Iterator[Path]:
    """A new folder beside ``to`` to write into; its files then come into ``to`` together, or, if the block fails, none.

    Where there is no ``to`` yet it comes whole, by one rename, so that a kill leaves it or nothing; else file by file, over
    those that stand there. What a killed run left beside it is removed by the next one.
    """
    to = to.resolve()
    part = to.with_name(f".{to.name}.part")
    shutil.rmtree(part, ignore_errors=True)
    if to.exists():
        require_writable(to)
    with plain_os_errors(to):
        part.mkdir(parents=True)
    try:
        yield part
        with plain_os_errors(to):
            for source in sorted(part.rglob("*")) if to.exists() else ():
                _over(source, to / source.relative_to(part))
            if not to.exists():
                rename(part, to)
    finally:
        shutil.rmtree(part, ignore_errors=True)


def _over(source: Path, target: Path) -> None:
    """Put a file over the one that stands there, or make a folder where none is."""
    if source.is_dir():
        target.mkdir(exist_ok=True)
    else:
        rename(source, target)


def _quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"' if any(c in text for c in _NEEDS_QUOTES) else text


def _all_quoted(texts: list[str]) -> list[str]:
    """Texts with quotes where they need them; one look at all of them together usually settles it."""
    together = "\0".join(texts)
    return [_quoted(t) for t in texts] if any(c in together for c in _NEEDS_QUOTES) else texts


def _texts(column: pd.Series, safe: bool) -> list[str]:
    """A column as text cells: whole floats as 12.0, missing as nothing, days as YYYY-MM-DD."""
    kind = column.dtype
    if isinstance(kind, np.dtype) and kind.kind in "iu" and len(column) and column.iloc[0] != column.iloc[-1]:
        return list(map(str, column.tolist()))
    codes: np.ndarray
    if isinstance(kind, pd.CategoricalDtype):
        codes, values = column.cat.codes.to_numpy(), column.cat.categories.tolist()
    else:
        codes, distinct = pd.factorize(column, use_na_sentinel=True)
        values = distinct.tolist()
    shown = [repr(v) if isinstance(v, float) else v.strftime("%Y-%m-%d") if isinstance(v, pd.Timestamp) else str(v)
             for v in values]
    if safe:
        shown = [safe_cell(t) for t in shown]
    each = np.array([*_all_quoted(shown), ""], dtype=object)
    return list(each[codes])


def table_bytes(table: pd.DataFrame, *, safe: tuple[str, ...] = ()) -> bytes:
    """A table as UTF-8 CSV with '\\n' line ends; the columns in ``safe`` are made harmless for spreadsheets."""
    columns = [_texts(table[c], str(c) in safe) for c in table.columns]
    parts = [",".join(_quoted(str(c)) for c in table.columns).encode() + b"\n"]
    for start in range(0, len(table), CHUNK):
        rows = zip(*(c[start:start + CHUNK] for c in columns), strict=True)
        parts.append(("\n".join(map(",".join, rows)) + "\n").encode("utf-8"))
    return b"".join(parts)
