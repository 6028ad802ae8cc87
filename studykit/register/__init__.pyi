from . import changes as changes
from . import laboratory as laboratory
from . import side_by_side as side_by_side
from .changes import Changes as Changes
from .laboratory import Record as Record
from .laboratory_page import write_record as write_record
from .side_by_side import write_comparison as write_comparison

__all__ = ["Changes", "Record", "changes", "laboratory", "side_by_side", "write_comparison", "write_record"]
