from . import firstpage as firstpage
from . import manifest as manifest
from . import page as page
from . import recheck as recheck
from . import run as run
from .recheck import make_report as make_report

__all__ = [
    "firstpage",
    "make_report",
    "manifest",
    "page",
    "recheck",
    "run",
]
