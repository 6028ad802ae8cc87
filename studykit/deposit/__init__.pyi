from . import crate as crate
from . import export as export
from . import pack as pack
from . import rederive as rederive
from . import summary as summary
from . import unpack as unpack

__all__ = [
    "crate",
    "export",
    "pack",
    "rederive",
    "summary",
    "unpack",
]
