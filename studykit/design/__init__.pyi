from . import chapter as chapter
from . import cheapest as cheapest
from . import operating as operating
from . import tables as tables

__all__ = [
    "chapter",
    "cheapest",
    "operating",
    "tables",
]
