from . import draws as draws
from . import plan as plan
from . import reconcile as reconcile
from . import tables as tables

__all__ = [
    "draws",
    "plan",
    "reconcile",
    "tables",
]
