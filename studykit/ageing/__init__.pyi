from . import ahead as ahead
from . import courses as courses
from . import figures as figures
from . import planned as planned
from . import tables as tables
from . import tied as tied
from . import trend as trend

__all__ = [
    "ahead",
    "courses",
    "figures",
    "planned",
    "tables",
    "tied",
    "trend",
]
