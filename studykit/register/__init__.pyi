from . import changes as changes
from . import index as index
from . import laboratory as laboratory
from . import reading as reading
from . import side_by_side as side_by_side
from .book import write_register as write_register
from .changes import Changes as Changes
from .laboratory import Record as Record
from .laboratory_page import write_record as write_record
from .reports import make_reports as make_reports
from .side_by_side import write_comparison as write_comparison

__all__ = [
    "Changes",
    "Record",
    "changes",
    "index",
    "laboratory",
    "make_reports",
    "reading",
    "side_by_side",
    "write_comparison",
    "write_record",
    "write_register",
]
