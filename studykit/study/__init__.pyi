from . import actions as actions
from . import ages as ages
from . import aliases as aliases
from . import amounts as amounts
from . import asking as asking
from . import cautions as cautions
from . import codes as codes
from . import columns as columns
from . import definition as definition
from . import excluding as excluding
from . import exclusions as exclusions
from . import factors as factors
from . import inventory as inventory
from . import lock as lock
from . import margins as margins
from . import naming as naming
from . import overview as overview
from . import precision as precision
from . import printed as printed
from . import ranges as ranges
from . import readers as readers
from . import reading as reading
from . import reasons as reasons
from . import safety as safety
from . import seal as seal
from . import spans as spans
from . import stages as stages
from . import starting as starting
from . import tables as tables
from . import tocome as tocome
from .definition import Study as Study
from .definition import load_study as load_study
from .tables import Tables as Tables
from .tables import load_tables as load_tables

__all__ = [
    "Study",
    "Tables",
    "actions",
    "ages",
    "aliases",
    "amounts",
    "asking",
    "cautions",
    "codes",
    "columns",
    "definition",
    "excluding",
    "exclusions",
    "factors",
    "inventory",
    "load_study",
    "load_tables",
    "lock",
    "margins",
    "naming",
    "overview",
    "precision",
    "printed",
    "ranges",
    "readers",
    "reading",
    "reasons",
    "safety",
    "seal",
    "spans",
    "stages",
    "starting",
    "tables",
    "tocome",
]
