from . import profiles as profiles

__all__ = [
    "profiles",
]
