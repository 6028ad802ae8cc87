from . import crate as crate
from . import pack as pack
from . import rederive as rederive
from . import unpack as unpack

__all__ = [
    "crate",
    "pack",
    "rederive",
    "unpack",
]
