from . import assess as assess
from . import controls as controls
from . import figures as figures
from . import flags as flags
from . import massbalance as massbalance
from . import replicates as replicates

__all__ = [
    "assess",
    "controls",
    "figures",
    "flags",
    "massbalance",
    "replicates",
]
