from . import cli as cli

__all__ = [
    "cli",
]
