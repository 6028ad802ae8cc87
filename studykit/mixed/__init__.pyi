from . import design as design
from . import variances as variances
from .fit import RemlFit as RemlFit
from .fit import fit_reml as fit_reml
from .results import Interval as Interval

__all__ = [
    "Interval",
    "RemlFit",
    "design",
    "fit_reml",
    "variances",
]
