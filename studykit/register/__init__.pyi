from . import changes as changes
from . import side_by_side as side_by_side
from .changes import Changes as Changes
from .side_by_side import write_comparison as write_comparison

__all__ = ["Changes", "changes", "side_by_side", "write_comparison"]
