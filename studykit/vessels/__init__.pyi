from . import packages as packages
from .shapes import Shape as Shape
from .shapes import Vessel as Vessel

__all__ = [
    "Shape",
    "Vessel",
    "packages",
]
