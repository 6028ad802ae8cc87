from .shapes import Shape as Shape
from .shapes import Vessel as Vessel

__all__ = [
    "Shape",
    "Vessel",
]
