from . import mapping as mapping
from . import proposal as proposal
from . import take as take
from .take import run_intake as run_intake

__all__ = [
    "mapping",
    "proposal",
    "run_intake",
    "take",
]
