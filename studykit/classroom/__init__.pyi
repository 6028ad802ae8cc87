from . import deliver as deliver
from . import laboratory as laboratory
from . import make as make
from . import orders as orders
from . import reveal as reveal
from . import safe as safe
from . import terms as terms
from . import worlds as worlds

__all__ = [
    "deliver",
    "laboratory",
    "make",
    "orders",
    "reveal",
    "safe",
    "terms",
    "worlds",
]
