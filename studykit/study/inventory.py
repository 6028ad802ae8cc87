"""Which containers are opened, chosen from a list of the whole stock, and which stay shut for a later visit.

Taken evenly over the strata (lot and store), at random within each (stratified random sampling; Cochran,
Sampling Techniques, chapter 5, from memory).  Everything random comes from the study's seed.
"""

from __future__ import annotations

import pandas as pd

from studykit.core.errors import BadInput, Fault
from studykit.study.codes import generator, shuffled
from studykit.study.definition import ControlKind, DesignSettings, Study

SISTER_COLUMNS = ("container", "sister_of", "lot", "store", "vessel", "filled_on")
CONTROL_TREATMENTS = ("remixed control", "layered control")


def wanted_controls(study: Study) -> tuple[ControlKind, ...]:
    """The controls that the plan shall contain: those that [design] controls names, else the usual ones.

    The usual ones are the default of that key; for the scope of one container those that need no further container.
    """
    if study.design is not None and "controls" in study.design.model_fields_set:
        return study.design.controls
    usual = DesignSettings().controls
    return tuple(c for c in usual if c not in CONTROL_TREATMENTS) if study.scope == "container" else usual


def named_controls(study: Study) -> bool:
    """Whether study.toml itself names the controls: what it names is refused, not left out, where it is barred."""
    return study.design is not None and "controls" in study.design.model_fields_set


def control(study: Study, name: str) -> bool:
    """Whether the plan shall contain a control of that name, and may: a usual one that [safety] bars is left out."""
    barred = name == "remixed control" and not named_controls(study) and not study.safety.clears("stirring")
    return name in wanted_controls(study) and not barred


def choose_containers(stock: pd.DataFrame, study: Study) -> pd.DataFrame:
    """The containers to open, chosen from a stock list (columns of containers) evenly over lot and store.

    As many as [design] says, plus one to be remixed where that control is wanted and the stock allows, plus every
    control that the list itself holds.  BadInput where [design] does not say how many, or the stock is too small.
    """
    made_up = stock[stock["treatment"].isin(CONTROL_TREATMENTS)]
    stock = stock[~stock["treatment"].isin(CONTROL_TREATMENTS)]
    if study.design is None or "containers" not in study.design.model_fields_set:
        raise BadInput([Fault(file="study.toml", column="design.containers", reason=f"does not say how many of the "
                              f"{len(stock)} containers of plan/stock.csv are to be opened",
                              remedy="write [design] containers = 12, say (the design page helps to choose), or list "
                                     "those to open in plan/containers.csv")], title="The plan has faults")
    wanted = study.design.containers
    if wanted > len(stock) or stock.empty:
        reason = f"the design asks for {wanted} containers, but the stock list has {len(stock)}"
        raise BadInput([Fault(file="plan/stock.csv", reason=reason, remedy="list more, or lower design.containers")])
    rng = generator(study.seed, "stock")
    strata = {k: list(shuffled(g.index, rng)) for k, g in stock.groupby(["lot", "store"], sort=True)}
    listed = (made_up["treatment"] == "remixed control").any()
    extra = 1 if control(study, "remixed control") and not listed and len(stock) > wanted else 0
    taken: list[int] = []
    while len(taken) < wanted + extra:
        for k in shuffled(sorted(k for k, rows in strata.items() if rows), rng):
            if len(taken) < wanted + extra:
                taken.append(strata[k].pop())
    chosen = stock.loc[sorted(taken)].reset_index(drop=True)
    chosen["treatment"] = chosen["treatment"].replace("", "stored")
    if extra:
        chosen.loc[int(rng.random() * len(chosen)), "treatment"] = "remixed control"
    return pd.concat([chosen, made_up], ignore_index=True) if len(made_up) else chosen


def choose_sisters(stock: pd.DataFrame, chosen: pd.DataFrame) -> pd.DataFrame:
    """For every stored container one that stays shut until a later visit: same lot and store, nearest in age.

    Columns container, sister_of, lot, store, vessel, filled_on.  A container without a match has no row.
    """
    free = stock[~stock["container"].isin(chosen["container"]) & ~stock["treatment"].isin(CONTROL_TREATMENTS)]
    rows = []
    for row in chosen[chosen["treatment"] == "stored"].to_dict("records"):
        alike = free[(free["lot"] == row["lot"]) & (free["store"] == row["store"]) & (free["vessel"] == row["vessel"])]
        if alike.empty:
            continue
        apart = (pd.to_datetime(alike["filled_on"]) - pd.to_datetime(row["filled_on"])).abs()
        best = apart.fillna(pd.Timedelta(days=100_000)).sort_values(kind="stable").index[0]
        rows.append({**free.loc[best], "sister_of": row["container"]})
        free = free.drop(index=best)
    return pd.DataFrame(rows).reindex(columns=list(SISTER_COLUMNS))
