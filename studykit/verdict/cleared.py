"""Containers that their own readings show within every margin, and lots and stores in which no container shows anything.

Not to be named among those beyond is no clearance: a container is shown to be within where the interval of its own difference
lies inside the margin in every pair of depths, of every analyte that decides.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Hashable, Mapping
from typing import Any

import pandas as pd

from studykit.core.listing import series
from studykit.core.record import significant
from studykit.inference.each import within_by_own
from studykit.model.analyte import AnalyteModel
from studykit.model.fit import FittedModel
from studykit.model.tables import usable
from studykit.plot.readable import readable
from studykit.quality.flags import listed
from studykit.study.ages import span_words
from studykit.study.definition import Study
from studykit.study.stages import OpenStage
from studykit.verdict.containers import TWICE, noise_of_contrast
from studykit.verdict.floors import beyond

COLUMNS = ["container", "within", "beyond by", "left open by", "by the others", "not judged"]
FEW, IN_CHAPTER = 4, "named in the report's verdict chapter"
"""So many containers shown within stand on page one by name; of more it says where."""
LITRES_BY = ["by", "group", "containers", "litres", "litres beyond", "litres within", "litres neither"]
YES, NO = "yes", "no"
MANY_GROUPS = 8
"""Groups whose litres are told in a sentence; of more the table has them."""
NO_RESULT = "no result: nothing is known of it"
BEYOND, WITHIN, OPEN, CLOSED, NONE = "beyond", "within", "open", "not judged", "no result"
"""What one container's own readings show of one analyte."""
NOT_SEEN = "No opened container has a result at every depth in these, and no verdict holds for them"
NOT_FOR = "Not for these, of which no opened container has a result at every depth"


def within(stage: OpenStage, models: list[AnalyteModel], each: pd.DataFrame | None = None) -> pd.DataFrame:
    """One row a stored container: whether its own zones show it within every margin, and which analytes are beyond or open.

    Columns: COLUMNS. Of each pair of depths the 1 - 2 alpha interval has to lie inside the margin, by the noise of that
    container's own determinations and at the worst end of its limits. A container that is shown to lie beyond, in its
    zones, on the floor or by its stirred rest, is none. Analytes for information only do not count. *Not judged*: analytes of
    which no single container can be judged; *by the others*: the answer without these, empty where there are none.
    ``each``: ``words``, where it is at hand.
    """
    table = words(stage, models) if each is None else each
    analytes = [m.analyte for m in models if stage.study.decides(m.analyte)]
    closed = [a for a in analytes if (table.loc[table["analyte"] == a, "judged"] == NO).any()]
    measured, own = _measured(stage), defaultdict[str, list[tuple[str, str]]](list)
    for container, analyte, word in zip(table["container"], table["analyte"], table["word"], strict=True):
        own[container].append((analyte, word))
    told, rows = series(map(stage.study.label_of, closed)), []
    for container in _stored(stage):
        left = [a for a, word in own[container] if word != WITHIN]
        seen = {a for a, word in own[container] if word == BEYOND}
        others = NO if seen & set(closed) or set(left) - set(closed) else YES
        beyond_, open_ = ([a for a in left if (a in seen) is far] for far in (True, False))
        rows.append((container, NO if left or not analytes else YES, series(map(stage.study.label_of, beyond_)),
                     series(map(stage.study.label_of, open_)) if container in measured else NO_RESULT,
                     others if 0 < len(closed) < len(analytes) else "", told))
    return pd.DataFrame(rows, columns=COLUMNS)


def words(stage: OpenStage, models: list[AnalyteModel], named: pd.DataFrame | None = None) -> pd.DataFrame:
    """What each stored container's own readings show of each analyte that decides, one row per container and analyte.

    Columns container, analyte, word (BEYOND, WITHIN, OPEN; NONE for a container without any result; CLOSED where
    no single container can be judged by the analyte), judged (whether one can).
    ``named``: ``floors.beyond``, where it is at hand.
    """
    named = beyond(stage, models) if named is None else named
    far = set(zip(named["container"].astype(str), named["analyte"], strict=True))
    rows, measured = [], _measured(stage)
    for m in (m for m in models if stage.study.decides(m.analyte)):
        clear = clear_of(stage.study, m) if isinstance(m, FittedModel) else None
        for c in _stored(stage):
            word = BEYOND if (c, m.analyte) in far else CLOSED if clear is None else WITHIN if c in clear else OPEN
            word = NONE if c not in measured and word == OPEN else word
            rows.append((c, m.analyte, word, NO if clear is None else YES))
    return pd.DataFrame(rows, columns=["container", "analyte", "word", "judged"])


def _measured(stage: OpenStage) -> set[str]:
    """Containers of which some sample has a result that counts."""
    return set(stage.samples.loc[stage.samples["sample"].isin(usable(stage)["sample"]), "container"].astype(str))


def _stored(stage: OpenStage) -> list[str]:
    return list(stage.containers.loc[stage.containers["treatment"] == "stored", "container"].astype(str))


def shown(table: pd.DataFrame) -> pd.DataFrame:
    """``within`` for a page: without the columns on analytes that cannot be judged where each can."""
    empty = [c for c in ("beyond by", "by the others", "not judged") if not table[c].ne("").any()]
    return readable(table, names={"within": "shown within every margin"}, drop=empty)


def clear_of(study: Study, model: FittedModel) -> set[str] | None:
    """Containers of which every pair of depths is shown within the margin of one analyte, by their own readings.

    None where the noise of one container's difference is not known.
    """
    se, df, source = noise_of_contrast(study, model)
    if se is None:
        return None
    good = within_by_own(model.cells, model.rows.margin, se, df, model.alpha, twice=source == TWICE)
    return {str(c) for c, g in zip(model.cells.containers, good, strict=True) if g}


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
    """How many containers are shown within by their own zones, in a sentence for page one; '' for a table without rows.

    Which analytes cost it where none can be judged by itself, and how many are within by the others.
    """
    if table.empty:
        return ""
    n, closed = int((table["within"] == YES).sum()), str(table["not judged"].iloc[0])
    told = f"Shown within every margin by their own zones: {n or 'none'} of {len(table)}"
    if not closed:
        if not n:
            return f"{told}."
        names = IN_CHAPTER if n > FEW else listed(list(table.loc[table["within"] == YES, "container"].astype(str)))
        return f"{told} ({names})."
    told = f"{told}, because no single container can be judged by {closed}."
    others = int((table["by the others"] == YES).sum())
    return told if not table["by the others"].any() else (
        f"{told} By the other analytes alone: {others or 'none'} of {len(table)} (in the report's verdict chapter), which "
        "clears none of them.")


def litres_by_group(stage: OpenStage, each: pd.DataFrame) -> pd.DataFrame:
    """One row a level of each factor that acts on depth: containers opened, litres, of these beyond and within (LITRES_BY).

    ``each``: ``words``. A container is beyond where it is of any analyte that decides, within where it is of all of
    them. Ages in whole months, at the newest sampling. Empty where no such factor has several levels, and where the liquid of
    a container is not known.
    """
    stored = stage.containers[stage.containers["treatment"] == "stored"]
    litres = {str(r["container"]): _litres(stage, r) for r in stored.to_dict("records")}
    found_by = each.groupby("container", sort=False)["word"].agg(set) if len(each) else pd.Series(dtype=object)
    if found_by.empty or any(math.isnan(v) for v in litres.values()):
        return pd.DataFrame(columns=LITRES_BY)
    table = pd.DataFrame({"container": stored["container"].astype(str), "litres": stored["container"].astype(str).map(litres)})
    found = table["container"].map(found_by.to_dict())
    beyond = found.map(lambda w: isinstance(w, set) and BEYOND in w).astype(bool)
    within = found.map(lambda w: w == {WITHIN}).astype(bool)
    rows = []
    for factor in (f for f in stage.study.factors.by_depth if f in ("lot", "store", "age_months") and f in stored):
        levels = stored[factor].round() if factor == "age_months" else stored[factor].astype(str)
        if levels.nunique() < 2:
            continue
        for level in sorted(levels.dropna().unique()):
            mine = (levels == level).to_numpy()
            total, out, inside = (float(table.loc[mine & part.to_numpy(), "litres"].sum())
                                  for part in (pd.Series(data=True, index=table.index), beyond, within))
            name = span_words(float(level)) if factor == "age_months" else str(level)
            rows.append(("age" if factor == "age_months" else factor, name, int(mine.sum()), total, out, inside,
                         total - out - inside))
    return pd.DataFrame(rows, columns=LITRES_BY)


def _litres(stage: OpenStage, row: Mapping[Hashable, Any]) -> float:
    """Litres of liquid in a container; NaN where its height is not known."""
    height = pd.to_numeric(str(row["liquid_height_mm"]), errors="coerce")
    return float(stage.study.vessels[str(row["vessel"])].volume_l(float(height))) if height == height else math.nan


def litres_told(table: pd.DataFrame) -> list[str]:
    """A sentence a factor whose groups differ in the share of litres shown beyond or within; nothing where none does."""
    told = []
    for by, part in table.groupby("by", sort=False) if len(table) else ():
        share = part[["litres beyond", "litres within"]].div(part["litres"], axis=0).round(6)
        if (share.nunique() < 2).all():
            continue
        each = [f"{r['group']} {_rounded(r['litres'])} L ({_parts(r)})" for r in part.to_dict("records")]
        told.append(f"Litres in the containers opened, by {by}: {'; '.join(each)}. Those beyond are to be treated before use; "
                    "those neither way are not shown to be within." if len(each) <= MANY_GROUPS else
                    f"Litres in the containers opened, by {by}: for {len(each)} groups in a table of the verdict chapter.")
    return told


def _parts(row: Mapping[Hashable, Any]) -> str:
    kinds = {"beyond": "beyond a margin", "within": "within every margin", "neither": "neither way"}
    named = [f"{_rounded(row[f'litres {k}'])} {words}" for k, words in kinds.items() if float(str(row[f"litres {k}"])) > 1e-9]
    return ", ".join(named)


def _rounded(value: object) -> str:
    return significant(float(str(value)), 3)
