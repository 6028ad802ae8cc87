"""Readings of one study on the scale of a margin, and what its check fluid should read."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from studykit.inference import Margin
from studykit.quality.controls import read_check_limits

if TYPE_CHECKING:
    from studykit.front import OpenStudy

OWN_MEAN = "own mean of the record of controls"
"""How the source of a value begins that this record proposed: no reference value of anybody else."""


def rows_of(study: OpenStudy, analyte: str, margin: Margin) -> pd.DataFrame:
    """Usable numbers of one analyte with what their bottles are, and ``y`` on the scale of the margin."""
    rows = study.usable()
    rows = rows[(rows["analyte"] == analyte) & (rows["qualifier"] == "") & rows["value"].notna()]
    rows = rows[rows["value"] > 0] if margin.log else rows
    rows = rows.merge(study.samples[["sample", "kind", "container", "depth"]], on="sample").fillna(
        {"run": "", "container": "", "depth": ""})
    name = study.root.name
    return rows.assign(study=name, at=name + "\t" + rows["run"].astype(str), y=margin.to_scale(rows["value"]))


def should_read(study: OpenStudy, analyte: str) -> dict[str, Any]:
    """What the check fluid should read (centre; NaN: not known), and whether that is certain, a value with its uncertainty.

    reference: the value where somebody else than this record gave it, else NaN; given_by: its source, or the study.
    """
    out = {"centre": np.nan, "certain": False, "reference": np.nan, "uncertainty": np.nan, "given_by": ""}
    limits = read_check_limits(study.root, study.study)
    own = None if limits is None else limits[limits["analyte"] == analyte]
    if own is None or own.empty:
        return out
    row = own.iloc[0]
    if "value" not in own or not np.isfinite(row["value"]):
        return out | {"centre": float(row["low"] + row["high"]) / 2}
    value, said = float(row["value"]), str(row["source"]) if "source" in own and pd.notna(row["source"]) else ""
    return {"centre": value, "certain": True, "uncertainty": float(row["uncertainty"]),
            "reference": np.nan if said.startswith(OWN_MEAN) else value,
            "given_by": said or f"reference value of {study.root.name}"}
