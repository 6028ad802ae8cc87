"""Invented studies for the tests of sampling, sheets and lock."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd

from studykit.core.files import write_csv, write_text
from studykit.study.columns import CONTAINERS
from studykit.study.definition import Study, parse_study
from studykit.study.tables import read_cells, type_cells

STUDY_TOML = """\
# Invented.
title = "Invented pails of gear oil"
question = "Must a stored pail be mixed before the first 12 L are poured?"
responsible = "lubrication engineer"
alpha = 0.05
seed = 11
invented = true
exclusion_rules = ["bottle broken on the way", "code not readable"]

[factors]
depths = ["upper", "middle", "lower"]

[analytes.P]
unit = "mg/kg"
method = "ICP-OES, in-house 12"
margin = { relative_percent = 5 }
margin_reason = "half of the blender's tolerance"

[analytes.Water]
unit = "mg/kg"
method = "Karl Fischer, in-house 3"
margin = { absolute = 50 }
margin_reason = "a quarter of the limit"

[vessels.pail20]
shape = "frustum"
bottom_diameter_mm = 270
top_diameter_mm = 300
height_mm = 360

[vessels.bottle1]
shape = "stacked"
pieces = [
  { height_mm = 150, bottom_diameter_mm = 85 },
  { height_mm = 30, bottom_diameter_mm = 85, top_diameter_mm = 30 },
  { height_mm = 25, bottom_diameter_mm = 30 },
]

[design]
containers = 6
controls = ["remixed control", "duplicate", "check fluid", "blank"]

[safety]
data_sheet = "invented, 2025"
flash_point_c = 220
liquid_up_to_c = 30
conductivity_ps_m = 100
vessel_material = { pail20 = "metal", bottle1 = "metal" }
pressure_or_gas = "no"
free_water = "no"
toxic_or_corrosive = "no"
permit = "shift lead of the store"
mixing_procedure = "WI-3, tumbling of pails"

[sampling]
heel = true
residue = true
draw_ml = 100
purge_ml = 10
tool = "closed tube with depth stop"
bottle_ml = 125
run_capacity = 24
tests = [{ name = "elements", volume_ml = 10 }, { name = "water", volume_ml = 10 }]
"""


def study(**changes: Any) -> Study:
    """The invented study; keywords replace whole sections."""
    import tomllib

    data = tomllib.loads(STUDY_TOML)
    for key, value in changes.items():
        data[key] = {**data.get(key, {}), **value} if isinstance(value, dict) else value
    return parse_study(data)


def stock_rows(n: int = 12) -> list[dict[str, str]]:
    """A stock list: two lots in two stores, codes a spreadsheet would change ('007', '1E5')."""
    names = ["007", "1E5", *(f"{200 + i}" for i in range(n))][:n]
    return [
        {"container": c, "lot": f"L{i % 2}", "store": "valley" if i % 4 < 2 else "hut", "vessel": "pail20",
         "fill_volume_l": "20", "filled_on": "2025-02-01"}
        for i, c in enumerate(names)
    ]


def folder(root: Path, *, stock: list[dict[str, str]] | None = None, containers: list[dict[str, str]] | None = None,
           toml: str = STUDY_TOML) -> Path:
    """A study folder with a definition and a stock list or a list of containers."""
    write_text(root / "study.toml", toml)
    if stock is not None:
        write_csv(root / "plan/stock.csv", pd.DataFrame(stock))
    if containers is not None:
        write_csv(root / "plan/containers.csv", pd.DataFrame(containers))
    return root


def container_table(rows: list[dict[str, str]], tmp: Path) -> pd.DataFrame:
    """Rows as the typed containers table."""
    write_csv(tmp / CONTAINERS.file, pd.DataFrame(rows))
    cells, faults = read_cells(tmp / CONTAINERS.file, CONTAINERS)
    assert faults == []
    table, faults = type_cells(cells, CONTAINERS)
    assert faults == []
    return table.drop(columns="_line")
