"""Files: whole or not at all. Atomic writes, hashes, and paths that stay inside the study folder."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pandas as pd

from studykit.errors import single


def sha256_of(path: Path) -> str:
    """SHA-256 of a file's bytes, in hexadecimal."""
    digest = hashlib.sha256()
    with path.open("rb") as handle:
        for block in iter(lambda: handle.read(1 << 20), b""):
            digest.update(block)
    return digest.hexdigest()


def inside(root: Path, relative: str, file: str = "") -> Path:
    """The path of ``relative`` under ``root``; BadInput where it would leave the folder."""
    path = (root / relative).resolve()
    if not path.is_relative_to(root.resolve()):
        raise single(file or root.name, "this path leaves the study folder", "name a file inside it", value=relative)
    return path


@contextlib.contextmanager
def _plain_os_errors(path: Path) -> Iterator[None]:
    """Turn an operating-system refusal into one clear message."""
    try:
        yield
    except OSError as error:
        reason = f"cannot be written: {error.strerror or error}"
        raise single(str(path), reason, "check the folder, its permissions and the free space") from None


def write_bytes(path: Path, data: bytes) -> Path:
    """Write a file under a temporary name and rename it, so a killed run leaves the old file or the new one."""
    with _plain_os_errors(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
        try:
            with os.fdopen(handle, "wb") as out:
                out.write(data)
                out.flush()
                os.fsync(out.fileno())
            os.chmod(name, 0o644)
            os.replace(name, path)
        except BaseException:
            with contextlib.suppress(OSError):
                os.unlink(name)
            raise
    return path


def write_text(path: Path, text: str) -> Path:
    """Write UTF-8 text with newline line ends, whole or not at all."""
    return write_bytes(path, text.encode("utf-8"))


def write_json(path: Path, data: Any) -> Path:
    """Write JSON with sorted keys and two-space indent, whole or not at all."""
    text = json.dumps(data, indent=2, sort_keys=True, ensure_ascii=False, allow_nan=False)
    return write_text(path, text + "\n")


def write_csv(path: Path, table: pd.DataFrame) -> Path:
    """Write a table as UTF-8 CSV without index, whole or not at all."""
    return write_text(path, table.to_csv(index=False, lineterminator="\n", date_format="%Y-%m-%d"))


def read_json(path: Path) -> Any:
    """Read a JSON file; BadInput where it is missing or damaged."""
    if not path.exists():
        raise single(path.name, "there is no such file", "run: studykit report FOLDER")
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except ValueError as error:
        raise single(path.name, f"is not valid JSON: {error}", "make it again: studykit report FOLDER") from None


def require_writable(folder: Path) -> None:
    """BadInput where nothing can be written into ``folder``."""
    with _plain_os_errors(folder):
        folder.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=folder, prefix=".studykit-")
        os.close(handle)
        os.unlink(name)
