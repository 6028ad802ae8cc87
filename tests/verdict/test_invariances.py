"""What must not matter to a verdict does not: the unit of an analyte, names of containers, the order of rows."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from studykit.model import tables as model_tables
from studykit.verdict import containers, floors, uses
from studykit.verdict.tables import judge_all
from tests.verdict_cases import DEPTHS, make

Cells = dict[str, dict[str, list[float | str]]]


def stock() -> Cells:
    """Nine drums of three zones: two have settled, one has a limit in its lowest zone, one no heel, one a layer beneath."""
    rng = np.random.default_rng(3)
    cells: Cells = {f"C{c}": {d: [float(15 * np.exp(0.01 * rng.standard_normal()))] for d in (*DEPTHS, "heel")}
                    for c in range(9)}
    for c in ("C2", "C7"):
        cells[c]["lower"] = [24.0 + float(rng.normal())]
    cells["C4"]["lower"], cells["C8"]["heel"], cells["C1"]["heel"] = ["<16"], [21.0], []
    return cells


def outcome(folder: Path, cells: Cells) -> tuple[tuple[Any, ...], list[pd.DataFrame]]:
    """Words of the study, and the tables by analyte, by use and by container that they rest on."""
    stage = make(folder, cells, margin={"relative_percent": 20}, repeatability={"s_r_percent": 2, "source": "invented"})
    models = model_tables.fit_all(stage)
    told = judge_all(stage, models)
    found = [containers.shares(stage.study, models), uses.uses(stage, models, told), floors.beyond(stage, models),
             containers.outstanding(models, 9)]
    return (told.word, told.words(), told.final_words()), found


def same(found: list[pd.DataFrame], want: list[pd.DataFrame]) -> None:
    for one, other in zip(found, want, strict=True):
        pd.testing.assert_frame_equal(one.reset_index(drop=True), other.reset_index(drop=True), rtol=1e-7, atol=1e-7)


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> tuple[tuple[Any, ...], list[pd.DataFrame]]:
    return outcome(tmp_path_factory.mktemp("plain"), stock())


def test_the_unit_of_an_analyte_does_not_matter_where_margins_are_in_per_cent(tmp_path: Path, plain: Any) -> None:
    finer: Cells = {c: {d: [f"<{16 * 8}" if isinstance(x, str) else 8 * x for x in values] for d, values in zones.items()}
                    for c, zones in stock().items()}
    words, tables = outcome(tmp_path, finer)
    assert words == plain[0]
    same(tables, plain[1])


def test_names_of_containers_and_their_order_do_not_matter(tmp_path: Path, plain: Any) -> None:
    cells = stock()
    back = {f"D{9 - k}": c for k, c in enumerate(cells)}
    words, found = outcome(tmp_path, {d: cells[c] for d, c in reversed(back.items())})
    assert words == plain[0]
    named = [t.map(lambda x: re.sub(r"\bD\d\b", lambda m: back[m[0]], x) if isinstance(x, str) else x) for t in found]
    same(*([t.sort_values("container") if "container" in t else t for t in tables] for tables in (named, plain[1])))
    assert len(found[2]) >= 2  # the drums that have settled
