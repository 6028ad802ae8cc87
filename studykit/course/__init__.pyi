from . import capstone as capstone
from . import controls as controls
from . import findfaults as findfaults
from . import marginfirst as marginfirst
from . import ninety as ninety
from . import onebarrel as onebarrel
from . import physicsfirst as physicsfirst
from . import randomorder as randomorder
from . import sameenough as sameenough
from . import wheremoney as wheremoney

__all__ = [
    "capstone",
    "controls",
    "findfaults",
    "marginfirst",
    "ninety",
    "onebarrel",
    "physicsfirst",
    "randomorder",
    "sameenough",
    "wheremoney",
]
