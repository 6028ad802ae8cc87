from . import deliver as deliver
from . import make as make
from . import orders as orders
from . import reveal as reveal
from . import safe as safe

__all__ = [
    "deliver",
    "make",
    "orders",
    "reveal",
    "safe",
]
