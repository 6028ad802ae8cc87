
from . import design as design
from . import variances as variances
from .fit import RemlFit as RemlFit
from .fit import fit_reml as fit_reml

__all__ = [
    "RemlFit",
    "design",
    "fit_reml",
    "variances",
]
