"""Containers that their own readings show within every margin, and lots and stores in which no container shows anything.

Not to be named among those beyond is no clearance: a container is shown to be within where the interval of its own difference
lies inside the margin in every pair of depths, of every analyte that decides.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from studykit.inference.own import own_differences
from studykit.model.fit import AnalyteModel, FittedModel
from studykit.model.tables import usable
from studykit.quality.flags import listed
from studykit.study.definition import Study
from studykit.study.stages import OpenStage
from studykit.verdict.containers import TWICE, noise_of, noise_of_contrast
from studykit.verdict.floors import beyond

COLUMNS = ["container", "within", "left open by"]
YES, NO = "yes", "no"
NOT_SEEN = "No container opened has a result at every depth in these, and no word holds for them"
NOT_FOR = "Not for these, of which no opened container has a result at every depth"


def within(stage: OpenStage, models: list[AnalyteModel]) -> pd.DataFrame:
    """One row a stored container: whether its own zones show it within every margin, and which analytes leave it open.

    Columns: COLUMNS. Of each pair of depths the 1 - 2 alpha interval has to lie inside the margin, by the noise of that
    container's own number of determinations and at the worst end of its limits. A container that is shown to lie beyond, in its
    zones, on the floor or by its stirred rest, is none. Analytes for information only do not count.
    """
    deciding = [m for m in models if stage.study.decides(m.analyte)]
    clear = {m.analyte: clear_of(stage.study, m) if isinstance(m, FittedModel) else set[str]() for m in deciding}
    named = beyond(stage, models)
    rows = []
    for container in stage.containers.loc[stage.containers["treatment"] == "stored", "container"].astype(str):
        mine = set(named.loc[named["container"].astype(str) == container, "analyte"]) if len(named) else set()
        left = [stage.study.label_of(a) for a, names in clear.items() if container not in names or a in mine]
        rows.append((container, NO if left or not clear else YES, ", ".join(left)))
    return pd.DataFrame(rows, columns=COLUMNS)


def clear_of(study: Study, model: FittedModel) -> set[str]:
    """Containers of which every pair of depths is shown within the margin of one analyte, by their own readings."""
    se, df, _ = noise_of_contrast(study, model)
    if se is None:
        return set()
    half = -float(special.stdtrit(df, model.alpha)) * _own_noise(study, model)
    far = np.abs(own_differences(model.cells, se)) + half
    with np.errstate(invalid="ignore"):
        good: NDArray[np.bool_] = np.all(far < model.rows.margin.edge, axis=1)  # of a lost zone NaN, which is not below
    return {str(c) for c, g in zip(model.cells.containers, good, strict=True) if g}


def _own_noise(study: Study, model: FittedModel) -> NDArray[np.float64]:
    """Standard error of every container's own differences from as many determinations as it has, (n, K)."""
    cells, table = model.cells, model.rows.table
    se, _, source = noise_of(study, model)
    most = max(se or 0.0, cells.noise_span[1] if source == TWICE and cells.noise_span else 0.0)
    counts = table.groupby([table["container"].astype(str), table["depth"].astype(str)]).size().unstack(fill_value=0)
    held = counts.reindex(index=list(cells.containers), columns=list(cells.labels)).fillna(0).to_numpy(float)
    with np.errstate(divide="ignore"):
        each = 1 / held
    common = float(np.mean(each[held > 0])) if source == TWICE else 1 / float(np.mean(held[held > 0]))
    own = [each[:, cells.labels.index(a)] + each[:, cells.labels.index(b)] for a, b in cells.pairs] if (
        cells.departures is None) else [2 * each.max(axis=1)] * cells.k
    return np.asarray(cells.noise_part * most * np.sqrt(np.column_stack(own) / (2 * common)))


def without_any(stage: OpenStage, begin: str = NOT_SEEN) -> str:
    """Lots and stores that were opened, but in no container of which an analyte that decides has every depth; '' without.

    An analyte that has every depth in one container or in none is left out: what holds for it is said elsewhere.
    """
    if stage.study.scope == "container":
        return ""
    stored = stage.containers[stage.containers["treatment"] == "stored"]
    found = dict[str, list[str]]()
    for key in (a for a in stage.study.analytes if stage.study.decides(a)):
        whole = stored["container"].astype(str).isin(_with_every_depth(stage, key))
        for name in ("lot", "store") if whole.sum() > 1 else ():
            levels = stored[name].astype("string").fillna("") if name in stored else pd.Series(dtype="string")
            for level in dict.fromkeys(levels[~levels.isin(set(levels[whole])) & levels.ne("")]):
                found.setdefault(f"{name} {level}", []).append(stage.study.label_of(key))
    return f"{begin}: {listed([f'{what} ({listed(who, 4)})' for what, who in found.items()], 6)}." if found else ""


def _with_every_depth(stage: OpenStage, analyte: str) -> set[str]:
    """Containers with a result of an analyte, a number or a limit, at every declared depth."""
    results, depths = usable(stage), stage.study.factors.depths
    mine = results[results["analyte"] == analyte].merge(
        stage.samples[["sample", "container", "depth"]], on="sample", suffixes=("", " planned"))
    mine = mine[mine["depth"].isin(depths)]
    seen = mine.groupby(mine["container"].astype(str))["depth"].nunique()
    return set(seen.index[seen == len(depths)])


def count_words(table: pd.DataFrame) -> str:
    """How many containers are shown within by their own zones, in a sentence for page one; '' for a table without rows."""
    if table.empty:
        return ""
    n = int((table["within"] == YES).sum())
    return (f"Shown within every margin by their own zones: {n or 'none'} of {len(table)}"
            f"{' (named in the verdict chapter)' * bool(n)}.")


