from . import forms as forms
from . import profiles as profiles
from .readable import as_written as as_written
from .readable import readable as readable

__all__ = [
    "as_written",
    "forms",
    "profiles",
    "readable",
]
