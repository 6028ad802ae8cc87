from . import marginfirst as marginfirst
from . import onebarrel as onebarrel
from . import randomorder as randomorder
from . import sameenough as sameenough
from . import wheremoney as wheremoney

__all__ = [
    "marginfirst",
    "onebarrel",
    "randomorder",
    "sameenough",
    "wheremoney",
]
