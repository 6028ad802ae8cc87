from .core.errors import BadInput as BadInput
from .front import OpenStudy as OpenStudy
from .front import World as World
from .front import chances as chances
from .front import demo as demo
from .front import open as open
from .front import simulate as simulate

__version__: str

__all__ = [
    "BadInput",
    "OpenStudy",
    "World",
    "chances",
    "demo",
    "open",
    "simulate",
]
