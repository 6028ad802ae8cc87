from . import profiles as profiles
from .readable import readable as readable

__all__ = [
    "profiles",
    "readable",
]
