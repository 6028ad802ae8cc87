"""Write the demo folders again: ``python -m tests.demogen [--into FOLDER] [NAME ...]``."""

from __future__ import annotations

import argparse
import dataclasses
import datetime as dt
import importlib
import tempfile
from pathlib import Path

from studykit.study.definition import load_study
from studykit.study.lock import LOCK, lock_plan
from tests.demogen.common import Bundle

NAMES = ("ropeway", "tote", "forge", "slip", "beacon")
LOCKED_ON = {"ropeway": dt.date(2025, 10, 6)}  # the others were sampled without a locked plan


def make(name: str) -> Bundle:
    """The files of one demo, made from its seed."""
    if name not in NAMES:
        raise ValueError(f"name must be one of {NAMES}, but got {name!r}")
    bundle: Bundle = importlib.import_module(f"tests.demogen.{name}").make()
    if name in LOCKED_ON:
        bundle.files["plan/plan.lock"] = lock_of(bundle, LOCKED_ON[name])
    return bundle


def lock_of(bundle: Bundle, day: dt.date) -> bytes:
    """The lock that the plan had on that day, before any raw file was there."""
    early = dataclasses.replace(bundle, files={k: v for k, v in bundle.files.items() if not k.startswith("raw/")})
    with tempfile.TemporaryDirectory() as folder:
        root = early.write(Path(folder))
        lock_plan(root, load_study(root), today=day)
        return (root / LOCK).read_bytes()


def main() -> None:
    """Write the named demos (all by default) under the given folder."""
    parser = argparse.ArgumentParser(prog="python -m tests.demogen", description=__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME", help="which demos; all of them if none is named")
    parser.add_argument("--into", type=Path, default=Path("demo_data"), help="folder to write into")
    options = parser.parse_args()
    unknown = sorted(set(options.names) - set(NAMES))
    if unknown:
        parser.error(f"there is no demo {', '.join(unknown)}; known are {', '.join(NAMES)}")
    for name in options.names or NAMES:
        options.into.mkdir(parents=True, exist_ok=True)
        print(make(name).write(options.into))


if __name__ == "__main__":
    main()
