from .fit import BatchDesign as BatchDesign

__all__ = [
    "BatchDesign",
]
