from . import assumptions as assumptions
from . import cheapest as cheapest
from . import figures as figures
from . import operating as operating
from . import tables as tables
from . import world as world

__all__ = [
    "assumptions",
    "cheapest",
    "figures",
    "operating",
    "tables",
    "world",
]
