"""Every published precision over levels, and faults of a file of exclusions, for ``tests.kept``."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from studykit.core.errors import BadInput, StudyKitError
from studykit.study import exclusions, precision
from tests.kept import Cases, Kept, columns, condensed, kept
from tests.quality_cases import build

LINES = """sample,analyte,replicate,reason,who,date,taken_back_on,taken_back_by,taken_back_because
{a},P,,bottle leaked,analyst,2026-02-03,,,
{a},P,,bottle leaked,analyst,2026-02-03,,,
{a},Zn,1,dropped on the floor,lead,2026-06-03,,,
{a},Zn,7,dropped on the floor,lead,2026-06-03,,,
{b},,,outlier,x,2026-06-03,,,
{b},S,,.,nobody,2999-06-03,,,
{b},Q,,leaked badly,me,2019-06-03,,,
nowhere,P,,leaked badly,lead,2026-06-03,,,
{c},P,,leaked badly,lead,2026-06-03,2026-06-04,lead,measured again
{c},Zn,,leaked badly,lead,2026-06-03,2026-06-01,lead,measured again
{c},S,,leaked badly,lead,2026-06-03,,lead,measured again
{c},Ca,,leaked badly,lead,2026-06-03,2026-06-04,.,wrong
{c},Ca,,ok,ab,2026-06-03,,,
{c},Si,,abc,a,2026-06-03,,,
"""


def _precision() -> Kept:
    out: list[tuple[str, Any]] = list(columns("methods", precision.methods_table()))
    words: list[str] = []
    for key in precision.method_keys():
        names = precision.methods_table().query("method == @key" if "method" in precision.methods_table() else "key == @key")
        for analyte in dict.fromkeys(names["analyte"]):
            m = precision.find_method(key, analyte)
            numbers: list[float | None] = []
            warned = []
            for level in (*np.array([0.2, 1.0, 1.001, 30.0]) * m.low, m.high, 1.001 * m.high):
                p = precision.precision(key, analyte, float(level), m.unit)
                numbers += [p.r, p.s_r, p.R, p.s_R, p.in_range, p.r_percent, p.df]
                warned += [p.warning, p.cannot_see, p.source, p.sure]
            out += [(f"{key} {analyte}", condensed(numbers)), (f"{key} {analyte}, warnings", condensed(warned))]
        words.append(f"{key}: {precision.cannot_see(key)}")
    for own in ({"s_r": 2.0, "source": "x"}, {"s_r_percent": 2.0, "source": "x"}, {"r": 2.0, "source": "x", "df": 8},
                {"r_percent": 2.0, "source": "x"}, {"source": "x"}, {"r": 1.0, "s_r": 1.0, "source": "x"}):
        for level in (50.0, 0.0):
            try:
                p = precision.resolve_precision(level, "mg/kg", own=own, method_key="ASTM D5185-18", analyte="P")
                out.append((f"own {own} {level}", condensed([p.r, p.s_r, p.df, p.in_range])))
                words += [p.source, p.sure, p.warning, p.kind, p.cannot_see]
            except (StudyKitError, ValueError) as error:
                words.append(str(error))
    return kept(out, words)


def _exclusions() -> Kept:
    case = build(1)
    codes = {k: case.sample_of(f"C0{i}", "upper") for i, k in enumerate("abc", start=1)}
    results = case.results.assign(reported_on="2026-05-04")
    words: list[str] = []
    out: list[tuple[str, Any]] = []
    days = pd.DataFrame({"container": ["C01", "C02", "C03"], "filled_on": ["2025-01-01", "", "2026-07-01"],
                         "sampled_on": ["2026-04-01", "2026-04-02", "2026-04-03"]})
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        (root / "plan").mkdir()
        for planned in (False, True):
            if planned:
                case.samples.to_csv(root / "plan/samples.csv", index=False)
                case.containers.drop(columns=["filled_on", "sampled_on"], errors="ignore").merge(
                    days, on="container", how="left").to_csv(root / "plan/containers.csv", index=False)
            (root / "plan/exclusions.csv").write_text(LINES.format(**codes), encoding="utf-8")
            try:
                exclusions.read_exclusions(root, case.study, results)
            except BadInput as error:
                words += [f"{f.row} {f.column} {f.value}: {f.reason}; {f.remedy}" for f in error.faults]
        good = "\n".join(LINES.splitlines()[k] for k in (0, 1, 3, 9))
        (root / "plan/exclusions.csv").write_text(good.format(**codes) + "\n", encoding="utf-8")
        (root / "plan/containers.csv").unlink()
        results = results.assign(reported_on="2026-01-04")
        table = exclusions.read_exclusions(root, case.study, results)
        usable = exclusions.usable_results(results, case.samples, case.containers, table)
        out += [*columns("read", table), *columns("excluded", usable.excluded), *columns("counts", usable.counts)]
        out.append(("left", condensed([len(usable.rows), len(exclusions.without_excluded(results, table))])))
    for reason, who in (("", ""), ("ok", "ab"), ("abc", "a"), ("too high!", "N.N."), ("leaked", "lead")):
        words += [f"{f.file} {f.reason} {f.remedy}" for back in (False, True)
                  for f in exclusions.said_nothing(reason, who, back=back)]
    return kept(out, words)


QUICK: Cases = {"precision": _precision, "exclusions": _exclusions}
SLOW: Cases = {}
