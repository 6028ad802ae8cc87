from . import change as change
from . import collecting as collecting
from . import errors as errors
from . import extras as extras
from . import files as files
from . import folders as folders
from . import hashes as hashes
from . import interval as interval
from . import listing as listing
from . import litter as litter
from . import memory as memory
from . import numbertext as numbertext
from . import plainpage as plainpage
from . import plaintext as plaintext
from . import record as record
from . import strict as strict
from . import ties as ties
from . import units as units
from . import workers as workers
from . import writer as writer
from .errors import BadInput as BadInput
from .errors import Fault as Fault

__all__ = [
    "BadInput",
    "Fault",
    "change",
    "collecting",
    "errors",
    "extras",
    "files",
    "folders",
    "hashes",
    "interval",
    "listing",
    "litter",
    "memory",
    "numbertext",
    "plainpage",
    "plaintext",
    "record",
    "strict",
    "ties",
    "units",
    "workers",
    "writer",
]
