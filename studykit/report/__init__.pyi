from . import compare as compare
from . import firstpage as firstpage
from . import kept as kept
from . import make as make
from . import manifest as manifest
from . import nursery as nursery
from . import own as own
from . import page as page
from . import recheck as recheck
from . import run as run
from . import stored as stored
from . import verify as verify
from .make import make_report as make_report

__all__ = [
    "compare",
    "firstpage",
    "kept",
    "make",
    "make_report",
    "manifest",
    "nursery",
    "own",
    "page",
    "recheck",
    "run",
    "stored",
    "verify",
]
