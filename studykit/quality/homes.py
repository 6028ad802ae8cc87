"""In which run each container was read, and which bottles are of a kind: found once for a frame, tried many times over."""

from __future__ import annotations

from functools import lru_cache
from typing import Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray


class Read(Protocol):
    """What is needed of a frame: its bottles, which of them are zones, and the codes of their containers."""

    @property
    def rows(self) -> pd.DataFrame: ...
    @property
    def zone(self) -> NDArray[np.bool_]: ...
    @property
    def at(self) -> NDArray[np.intp]: ...
    @property
    def names(self) -> tuple[str, ...]: ...


@lru_cache(maxsize=1)
def runs_of(f: Read) -> NDArray[np.object_]:
    """Run of each container by its code, NaN where its zones were read in none or in several; not to be written into."""
    own = f.rows[f.zone].assign(at=f.at[f.zone]).groupby("at")["run"].agg(["first", "nunique"]).reindex(range(len(f.names)))
    found = own["first"].where(own["nunique"] == 1).to_numpy(object)
    found.flags.writeable = False
    return found


@lru_cache(maxsize=6)
def of_kind(f: Read, kind: str) -> NDArray[np.bool_]:
    """Which rows of a frame are of a kind, as ``check fluid`` or ``blank``; not to be written into."""
    found = f.rows["kind"].eq(kind).to_numpy(bool)
    found.flags.writeable = False
    return found
