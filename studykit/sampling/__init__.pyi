from . import additions as additions
from . import draws as draws
from . import outlay as outlay
from . import plan as plan
from . import reconcile as reconcile
from . import sheets as sheets
from . import tables as tables

__all__ = [
    "additions",
    "draws",
    "outlay",
    "plan",
    "reconcile",
    "sheets",
    "tables",
]
