"""When is a margin passed, from a table of readings at several ages and no study folder."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Literal

import pandas as pd

from studykit.core.errors import BadInput, Fault, single

if TYPE_CHECKING:
    from studykit.inference.margin import Margin
    from studykit.model.rows import ModelRows
    from studykit.study.definition import Study


def times(table: pd.DataFrame, *, margin: Mapping[str, float], depths: Sequence[object],
          course: Literal["linear", "square root", "saturating"] = "linear", half_months: float | None = None,
          alpha: float = 0.05, share: float = 0.2, groups: Sequence[str] = ()) -> pd.DataFrame:
    """When the difference between depths passes the margin, months, from a table of determinations at several ages.

    table: columns container, depth, months (of standing when drawn) and value, one row a determination; a container with
    several months was drawn again. ``groups``: columns whose levels have times of their own (one level a container). margin,
    depths, alpha as in ``judge``; ``course`` and ``half_months`` as under [time] of study.toml, chosen before the data.
    ``share``: of the containers that may lie beyond, 0 to 1. Rows and columns are those of ``OpenStudy.times``; a last row says
    in words which groups have no line and which visits lack a zone. Which lots the times hold for, and what ages and groups
    cannot tell apart, is not looked at here: a study folder does.
    BadInput names every fault of the call and of the table at once.
    """
    from studykit.ageing import tables, trend
    from studykit.ageing.tied import lacking
    from studykit.inference.table import read_aged

    wrong = _course_faults(course, half_months)
    try:
        scale, rows = read_aged(table, margin=margin, depths=depths, alpha=alpha, share=share, groups=groups)
    except BadInput as error:
        raise BadInput([*wrong, *error.faults], title="The table cannot be judged over time") from None
    if wrong:
        raise BadInput(wrong, title="The table cannot be judged over time")
    names = [groups] if isinstance(groups, str) else [str(g) for g in groups]
    study = _as_declared(names, course, half_months, share, alpha)
    given = _rows(rows, [str(d) for d in depths], names, scale)
    if len(given.depths) < 2:
        raise single("table", "fewer than two depths have values", "measure two or more depths", column="depth")
    found, why = trend.trends_of(study, given, alpha)
    if not found:
        raise single("table", "; ".join(why), "more containers or ages, or numbers where limits stand")
    why += [gone] if (gone := lacking(given)) else []
    told = tables.times(trend.Ageing(trends=tuple(found), left_out=(), drawn=frozenset())).drop(columns="analyte")
    return pd.concat([told, pd.DataFrame({"group": "", "in words": why})], ignore_index=True) if why else told


def _course_faults(course: object, half: object) -> list[Fault]:
    """What is wrong with the declared course."""
    if course not in ("linear", "square root", "saturating"):
        return [Fault(file="course", value=str(course), reason="is not known",
                      remedy="write 'linear', 'square root' or 'saturating'")]
    known = isinstance(half, int | float) and not isinstance(half, bool) and math.isfinite(half) and half > 0
    if (course == "saturating") != known or (half is not None and not known):
        return [Fault(file="half_months", value=str(half), remedy="after how many months is half of it done?",
                      reason="must be a number above 0 for course 'saturating', and left out for the others")]
    return []


def _as_declared(groups: Sequence[str], course: str, half: float | None, share: float, alpha: float) -> Study:
    """What a study with such a question would declare."""
    from studykit.study.definition import Study
    from studykit.study.factors import Factors, TimeSettings

    return Study.model_construct(
        factors=Factors.model_construct(fixed=("age_months", *groups), by_depth=("age_months", *groups), random=(), columns={}),
        time=TimeSettings.model_construct(course=course, half_months=half), share_percent=100 * share, alpha=alpha, seed=0)


def _rows(rows: pd.DataFrame, depths: list[str], groups: list[str], scale: Margin) -> ModelRows:
    """The rows as a study's model has them; ``visit`` is the age in words."""
    from studykit.model.rows import ModelRows

    visits = pd.DataFrame({
        "container": rows["container"], "visit": [f"{m:.6g} months" for m in rows["months"]], "age_months": rows["months"],
        "depth": pd.Categorical(rows["depth"], categories=[d for d in depths if d in set(rows["depth"])]), "lot": "",
        "qualifier": rows["value"].isna().map({True: "limit", False: ""}), "value": rows["value"],
        "y": scale.to_scale(rows["value"])})
    visits = visits.assign(**{g: rows[g] for g in groups})
    return ModelRows(analyte="value", unit="", margin=scale, table=visits, visits=visits,
                     depths=tuple(visits["depth"].cat.categories), censored=int(rows["value"].isna().sum()))
