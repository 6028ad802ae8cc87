from . import account as account
from . import mapping as mapping
from . import proposal as proposal
from . import take as take
from .take import run_intake as run_intake

__all__ = [
    "account",
    "mapping",
    "proposal",
    "run_intake",
    "take",
]
