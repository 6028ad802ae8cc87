"""Readings that the intake refused: bottles that lack results for that reason are no lost bottles."""

from __future__ import annotations

from pathlib import Path

import pandas as pd


def refused_readings(folder: Path | None) -> frozenset[tuple[str, str]]:
    """Sample and analyte of each reading that tidy/rejected.csv names; none where there is no such table."""
    path = None if folder is None else folder / "tidy/rejected.csv"
    if path is None or not path.is_file():
        return frozenset()
    table = pd.read_csv(path, dtype=str, keep_default_na=False)
    if not {"sample", "analyte"} <= set(table.columns):
        return frozenset()
    return frozenset((s, a) for s, a in zip(table["sample"], table["analyte"], strict=True) if s and a)


__all__ = ["refused_readings"]
