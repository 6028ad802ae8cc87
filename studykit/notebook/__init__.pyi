from . import explorer as explorer
from .stage import Stage as Stage
from .stage import environment as environment
from .stage import figure as figure
from .stage import interactive as interactive
from .stage import open_stage as open_stage
from .stage import say as say
from .stage import stages_table as stages_table
from .stage import table as table

__all__ = [
    "Stage",
    "environment",
    "explorer",
    "figure",
    "interactive",
    "open_stage",
    "say",
    "stages_table",
    "table",
]
