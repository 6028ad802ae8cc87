from . import shipped as shipped
from .shipped import DEMOS as DEMOS
from .shipped import copy_demo as copy_demo

__all__ = [
    "DEMOS",
    "copy_demo",
    "shipped",
]
