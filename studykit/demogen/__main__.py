"""Write the demo folders again: ``python -m studykit.demogen [--into FOLDER] [NAME ...]``."""

from __future__ import annotations

import argparse
import importlib
from pathlib import Path

from studykit.demogen.common import Bundle

NAMES = ("ropeway", "tote", "forge")


def make(name: str) -> Bundle:
    """The files of one demo, made from its seed."""
    if name not in NAMES:
        raise ValueError(f"name must be one of {NAMES}, but got {name!r}")
    bundle: Bundle = importlib.import_module(f"studykit.demogen.{name}").make()
    return bundle


def main() -> None:
    """Write the named demos (all by default) under the given folder."""
    parser = argparse.ArgumentParser(prog="python -m studykit.demogen", description=__doc__)
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
