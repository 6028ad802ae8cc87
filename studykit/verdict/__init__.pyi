from . import alone as alone
from . import below as below
from . import cleared as cleared
from . import containers as containers
from . import estimands as estimands
from . import excluded as excluded
from . import expected as expected
from . import floors as floors
from . import grid as grid
from . import particles as particles
from . import pouring as pouring
from . import rule as rule
from . import stated as stated
from . import sufficiency as sufficiency
from . import tables as tables
from . import unopened as unopened
from . import uses as uses
from .rule import judge as judge
from .tables import judge_all as judge_all

__all__ = [
    "alone",
    "below",
    "cleared",
    "containers",
    "estimands",
    "excluded",
    "expected",
    "floors",
    "grid",
    "judge",
    "judge_all",
    "particles",
    "pouring",
    "rule",
    "stated",
    "sufficiency",
    "tables",
    "unopened",
    "uses",
]
