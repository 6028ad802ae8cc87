from . import assess as assess
from . import beforehand as beforehand
from . import controls as controls
from . import figures as figures
from . import flags as flags
from . import letter as letter
from . import letter_files as letter_files
from . import maps as maps
from . import massbalance as massbalance
from . import replicates as replicates
from . import rules as rules
from . import unseen as unseen

__all__ = [
    "assess",
    "beforehand",
    "controls",
    "figures",
    "flags",
    "letter",
    "letter_files",
    "maps",
    "massbalance",
    "replicates",
    "rules",
    "unseen",
]
