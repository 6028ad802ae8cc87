from . import shipped as shipped
from . import simulate as simulate
from .shipped import DEMOS as DEMOS
from .shipped import copy_demo as copy_demo

__all__ = [
    "DEMOS",
    "copy_demo",
    "shipped",
    "simulate",
]
