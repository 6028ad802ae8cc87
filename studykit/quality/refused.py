"""Readings that the intake refused: bottles that lack results for that reason are no lost bottles."""

from __future__ import annotations

import re
from pathlib import Path

import pandas as pd

PLACE = re.compile(r'\[file\.confirmed\] "(\S+) ([^"]+)"')
"""Sample and analyte in the remedy of a reading that was refused because of a doubt."""


def refused_readings(folder: Path | None) -> frozenset[tuple[str, str]]:
    """Sample and analyte of each doubtful reading in tidy/rejected.csv; none where there is no folder or no such table."""
    path = None if folder is None else folder / "tidy/rejected.csv"
    if path is None or not path.is_file():
        return frozenset()
    remedies = pd.read_csv(path, dtype=str, keep_default_na=False)["remedy"]
    return frozenset((m[1], m[2]) for m in map(PLACE.search, remedies) if m)


__all__ = ["refused_readings"]
