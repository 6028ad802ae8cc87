from . import forms as forms
from . import many as many
from . import profiles as profiles
from .readable import as_written as as_written
from .readable import readable as readable
from .readable import without_dust as without_dust

__all__ = [
    "as_written",
    "forms",
    "many",
    "profiles",
    "readable",
    "without_dust",
]
