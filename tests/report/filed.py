"""One filed report of the smallest demo for all tests of this folder, and ways to tamper with a copy of it."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from pathlib import Path

import pytest
from filelock import FileLock

from studykit.core.writer import LOCK
from studykit.demos.shipped import copy_demo
from studykit.report import recheck as rechecking
from studykit.report.make import make_report
from studykit.report.manifest import FILE, PARTS, canonical, files_of, hashes, kit_identity
from studykit.study.stages import HERE


def filed_tote() -> Path:
    """The demo 'tote' with its report, made once for this state of the kit, its commit too, and kept in build/."""
    kit = hashlib.sha256(canonical(kit_identity()).encode()).hexdigest()
    place = HERE.parent / "build" / f"filed-{kit[:16]}"
    place.parent.mkdir(exist_ok=True)
    with FileLock(place.parent / ".filed.lock"):  # of two workers that want it one makes it
        if not (place / FILE).exists():
            for old in place.parent.glob("filed-*"):
                shutil.rmtree(old, ignore_errors=True)
            work = place.parent / f".filed-{os.getpid()}"
            shutil.rmtree(work, ignore_errors=True)
            make_report(copy_demo("tote", work), lambda _: None)
            (work / LOCK).unlink()
            os.replace(work, place)
    return place


def rehash(root: Path) -> None:
    """Correct every hash of the manifest, as a dishonest sender would."""
    filed = json.loads((root / FILE).read_text(encoding="utf-8"))
    found = files_of(root)
    filed |= {part: hashes(root, found[part]) for part in PARTS}
    (root / FILE).write_text(canonical(filed), encoding="utf-8")


def pretend(monkeypatch: pytest.MonkeyPatch, filed: Path, seen: list[str] | None = None) -> None:
    """Let the re-execution of a recheck be the untouched report."""
    def as_filed(fresh: Path, say: object, *, notebooks: str = "", separate: bool = False) -> None:
        assert separate  # no kernel of a recheck is forked
        if seen is not None:
            seen.append(notebooks)
        for name in ("report", "tidy"):
            shutil.copytree(filed / name, fresh / name)

    monkeypatch.setattr(rechecking, "make_report", as_filed)


def all_of(folder: Path) -> dict[str, tuple[bytes, int]]:
    """Every file under a folder, hidden ones too: its bytes and when they were written."""
    return {p.relative_to(folder).as_posix(): (p.read_bytes(), p.stat().st_mtime_ns) for p in folder.rglob("*") if p.is_file()}
