from . import errors as errors
from . import files as files
from . import numbertext as numbertext
from . import record as record
from . import units as units
from .errors import BadInput as BadInput
from .errors import Fault as Fault

__all__ = [
    "BadInput",
    "Fault",
    "errors",
    "files",
    "numbertext",
    "record",
    "units",
]
