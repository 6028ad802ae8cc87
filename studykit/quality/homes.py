"""In which run each container was read: found once for a frame, in which faults are tried many times over."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from studykit.quality.frame import Frame


@lru_cache(maxsize=1)
def runs_of(f: Frame) -> NDArray[np.object_]:
    """Run of each container by its code, NaN where its zones were read in none or in several; not to be written into."""
    own = f.rows[f.zone].assign(at=f.at[f.zone]).groupby("at")["run"].agg(["first", "nunique"]).reindex(range(len(f.names)))
    found = own["first"].where(own["nunique"] == 1).to_numpy(object)
    found.flags.writeable = False
    return found
