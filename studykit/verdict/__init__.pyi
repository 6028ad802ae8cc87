from . import expected as expected
from . import particles as particles
from . import rule as rule
from . import shares as shares
from . import stated as stated
from . import sufficiency as sufficiency
from . import tables as tables
from .rule import judge as judge
from .tables import judge_all as judge_all

__all__ = [
    "expected",
    "judge",
    "judge_all",
    "particles",
    "rule",
    "shares",
    "stated",
    "sufficiency",
    "tables",
]
