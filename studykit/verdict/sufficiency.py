"""Homogeneity criteria of the proficiency-testing and reference-material guides for all analytes, beside the verdict."""

from __future__ import annotations

import numpy as np
import pandas as pd

from studykit.core.errors import DesignMismatch
from studykit.inference.homogeneity import Homogeneity, assess_items
from studykit.model.analyte import AnalyteModel
from studykit.study.definition import Study

COLUMNS = ["analyte", "zones", "SD within", "SD between", "could be hidden", "allowed", "unit", "F test, p", "in words"]


def items_of(model: AnalyteModel) -> list[np.ndarray]:
    """Results of every zone of a container that was determined twice or more, in the analyte's unit."""
    cells = model.rows.measured.groupby(["container", "depth"], observed=True)["value"]
    return [part.to_numpy(dtype=float) for _, part in cells if len(part) > 1]


def homogeneity_of(study: Study, model: AnalyteModel) -> Homogeneity | None:
    """Zones as items, judged after ISO 13528 Annex B and ISO Guide 35; None with fewer than two repeated zones."""
    try:
        return assess_items(items_of(model), study.analytes[model.analyte].sigma_pt)
    except DesignMismatch:
        return None


def criteria(study: Study, models: list[AnalyteModel]) -> pd.DataFrame:
    """One row an analyte with two zones or more determined twice: scatter within and between zones, and a reading.

    All in the analyte's unit. SD between (s_s, s_bb): of zones of whatever container and depth; could be hidden
    (u*_bb): what the repeatability could hide; allowed: 0.3 sigma_pt, empty where study.toml declares none.
    """
    rows = []
    for m in models:
        found = homogeneity_of(study, m) if m.path != "not assessed" else None
        if found is not None:
            rows.append((m.analyte, found.items, found.s_w, found.s_s, found.u_bb,
                         np.nan if found.allowed is None else found.allowed, m.rows.unit, found.p,
                         reading(found)))
    return pd.DataFrame(rows, columns=COLUMNS)


def reading(found: Homogeneity, alpha: float = 0.05) -> str:
    """The criteria in a few words."""
    differ = "zones differ" if found.p < alpha else "zones are not shown to differ"
    if found.sufficient is None:
        return differ
    enough = ("sufficiently homogeneous" if found.sufficient else
              "sufficiently homogeneous, with allowance for few items" if found.sufficient_expanded else
              "not sufficiently homogeneous")
    return f"{differ}; {enough} for this sigma_pt"
