from . import explorer as explorer
from . import settling as settling
from .early import guard as guard
from .stage import Stage as Stage
from .stage import environment as environment
from .stage import figure as figure
from .stage import open_stage as open_stage
from .stage import say as say
from .stage import stages_table as stages_table
from .stage import table as table

__all__ = [
    "Stage",
    "environment",
    "explorer",
    "figure",
    "guard",
    "open_stage",
    "say",
    "settling",
    "stages_table",
    "table",
]
