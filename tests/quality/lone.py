"""A container alone, bottles measured again, and plans before there are results, for ``tests.kept``."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from typing import Any

import numpy as np
import pandas as pd

from studykit.design.assumptions import aims_of
from studykit.quality.again import NEEDED, second_measurings
from studykit.quality.alone import slips_alone
from studykit.quality.beforehand import _dealt, _made_up, _notes, _sketched
from studykit.quality.flags import working_table
from tests.faults.bench import USUAL, foreseen_plan
from tests.faults.laboratory import Setting, make
from tests.kept import Kept, columns, condensed, kept
from tests.quality.helpers import check
from tests.quality_cases import ANALYTES, build


def slips() -> Kept:
    """Powers of ten in a bottle of one container, or of two, with and without a composite and values as filled."""
    out: list[tuple[str, Any]] = []
    words: list[str] = []
    for boxes, depth, factor, nominal, names in product(
            (1, 2), ("middle", "lower"), (10.0, 0.01), (True, False), (("Ca",), ("Ca", "P", "Mo"))):
        setting = replace(USUAL, containers=boxes, lots=1, settled=0.05, duplicates=0, twice=0, nominal=nominal)
        lab = make(setting, 3)
        lab.wide.loc[lab.rows(container="C01", depth=depth), list(names)] *= factor
        found = slips_alone(lab.study, working_table(*lab.tables()))
        cells, told = check(f"{boxes} {depth} {factor:g} {nominal} {len(names)}", found)
        out += cells
        words += told
    return kept(out, words)


def measured_again() -> Kept:
    """Readings of a second run against the first ones they replaced: how many, by how much, in one test or more."""
    out: list[tuple[str, Any]] = []
    words: list[str] = []
    case = build(3)
    t = working_table(*case.tables())
    s = {a: ANALYTES[a][1] for a in ANALYTES}
    for n, factor, analytes in product((1, 2, 3, 5), (1.0, 1.02, 0.8), (tuple(ANALYTES), ("Ca",))):
        rng, rows = np.random.default_rng(n), []
        for c in list(case.containers["container"])[:n]:
            code = case.sample_of(c, "middle")
            for a in analytes:
                new = float(case.results.loc[case.value_index(code, a), "value"])
                rows.append((code, a, 1, new / factor * float(np.exp(rng.normal(0, s[a]))), new, "R0", "1"))
        old = pd.DataFrame(rows, columns=NEEDED)
        moved = t.assign(run=np.where(t["sample"].isin(old["sample"]), "1", "2"))
        for promised in (s, {}):
            found = second_measurings(old, moved, promised, s, {a: "icp" if a < "S" else "other" for a in ANALYTES})
            cells, told = check(f"{n} {factor:g} {len(analytes)} {len(promised)}", found.check)
            out += [*cells, (f"{n} {factor:g} {len(analytes)} {len(promised)} bottles", condensed([len(found.bottles)]))]
            words += told
    return kept(out, words)


def plans() -> Kept:
    """Readings made up for a plan, its notes, and bottles dealt to runs where nobody has."""
    out: list[tuple[str, Any]] = []
    words: list[str] = []
    for k, setting in enumerate((Setting(containers=4, runs=2), Setting(containers=3, runs=1, certified=False, nominal=False))):
        lab = make(setting, 5 + k)
        study, containers, samples, order = foreseen_plan(lab)
        aims = {a.analyte: a for a in aims_of(study, every=True)}
        f, runs = _made_up(study, containers, samples, order, aims, lab.limits)
        out += [(f"{k} {name}", condensed(getattr(f, name))) for name in ("y", "value", "stated", "reference", "at", "place")]
        out.append((f"{k} runs", condensed([runs])))
        words += _notes(study, aims, f, runs)
        out += columns(f"{k} dealt", _dealt(study, samples))
        few = study.model_copy(update={"sampling": study.sampling.model_copy(update={"run_capacity": 9})})
        out += columns(f"{k} dealt to many", _dealt(few, samples))
        for name, table in zip(("containers", "samples"), _sketched(study), strict=True):
            out += columns(f"{k} sketched {name}", table)
    return kept(out, words)
