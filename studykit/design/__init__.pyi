from . import assumptions as assumptions
from . import cheapest as cheapest
from . import figures as figures
from . import grid_runs as grid_runs
from . import operating as operating
from . import scenario as scenario
from . import tables as tables
from . import world as world

__all__ = [
    "assumptions",
    "cheapest",
    "figures",
    "grid_runs",
    "operating",
    "scenario",
    "tables",
    "world",
]
