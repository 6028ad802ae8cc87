from . import figures as figures
from . import tables as tables
from . import trend as trend

__all__ = [
    "figures",
    "tables",
    "trend",
]
