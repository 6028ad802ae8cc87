"""What the stock list holds that is unlike every container opened: other lots or stores, older or younger than all of them."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from studykit.quality.flags import listed
from studykit.study.ages import stands_from
from studykit.study.columns import CONTAINERS
from studykit.study.stages import StudyTables
from studykit.study.tables import read_cells, type_cells

STOCK = "plan/stock.csv"
APART_DAYS = 31
"""Days by which a container must be older than the oldest opened, or younger than the youngest (own judgement)."""
NO_WORD = "No container was opened of these in the stock list, and no verdict holds for them"
NOT_FOR = "Not for these of the stock list, of which no container was opened"
UNREAD = f"{STOCK} has faults, so what it lists that is unlike the containers opened is not named."


def unlike(stage: StudyTables) -> tuple[str, ...]:
    """Groups of listed containers unlike all that were opened, with their number, the largest first; none without a list."""
    table = _stock(stage)
    if table is None or table.empty:
        return ()
    opened = stage.containers[stage.containers["treatment"] == "stored"]
    rest = table[~table["container"].astype(str).isin(set(opened["container"].astype(str)))].copy()
    told = pd.DataFrame({name: _other(rest, opened, name) for name in ("lot", "store")})
    told["age"] = _ages(stage, rest, opened)
    told = told[(told != "").any(axis=1)]
    counted = told.value_counts(sort=True)
    return tuple(_words(int(n), *map(str, key)) for key, n in counted.items() if isinstance(key, tuple))


def sentence(stage: StudyTables, begin: str = NO_WORD) -> str:
    """That no word holds for them, in a sentence; '' where none is listed, or the claim is about one container."""
    if stage.study.scope == "container":
        return ""
    try:
        found = unlike(stage)
    except ValueError:
        return UNREAD
    return f"{begin}: {listed(found, 6)}." if found else ""


def _stock(stage: StudyTables) -> pd.DataFrame | None:
    """The listed containers; ValueError where the list has faults."""
    spec, path = replace(CONTAINERS, file=STOCK), stage.root / STOCK
    if not path.is_file():
        return None
    cells, faults = read_cells(path, spec)
    table, more = type_cells(cells, spec)
    if faults or more:
        raise ValueError("the list has faults")
    return table.assign(treatment="stored")


def _other(rest: pd.DataFrame, opened: pd.DataFrame, name: str) -> pd.Series:
    """The level of a factor where no container of it was opened, else ''."""
    if name not in rest or name not in opened:
        return pd.Series("", index=rest.index)
    own = rest[name].astype("string").fillna("")
    return own.where(~own.isin(set(opened[name].astype("string").fillna(""))), "")


def _ages(stage: StudyTables, rest: pd.DataFrame, opened: pd.DataFrame) -> pd.Series:
    """In words, the days since when those stand that are older or younger than all opened; '' for others."""
    since, seen = stands_from(rest, stage.study), stands_from(opened, stage.study).dropna()
    out = pd.Series("", index=rest.index)
    if seen.empty:
        return out
    apart = pd.Timedelta(days=APART_DAYS)
    for far, word in ((since < seen.min() - apart, "older"), (since > seen.max() + apart, "younger")):
        if far.any():
            first, last = (f"{day:%Y-%m-%d}" for day in (since[far].min(), since[far].max()))
            out = out.where(~far, f"{word} than all opened, standing since {first}{f' to {last}' if last != first else ''}")
    return out


def _words(number: int, lot: str, store: str, age: str) -> str:
    of = ", ".join(filter(None, (f"lot {lot}" * bool(lot), f"store {store}" * bool(store), age)))
    return f"{number} of {of}" if lot or store else f"{number} {of}"
