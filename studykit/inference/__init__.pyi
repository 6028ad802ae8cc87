from . import censored as censored
from . import critical_range as critical_range
from . import equivalence as equivalence
from . import homogeneity as homogeneity
from . import influence as influence
from . import margin as margin
from . import outliers as outliers
from . import share as share
from . import simultaneous as simultaneous
from . import single as single
from . import tost_power as tost_power
from .equivalence import Comparison as Comparison
from .equivalence import Contrast as Contrast
from .equivalence import Interval as Interval
from .equivalence import Margin as Margin

__all__ = [
    "Comparison",
    "Contrast",
    "Interval",
    "Margin",
    "censored",
    "critical_range",
    "equivalence",
    "homogeneity",
    "influence",
    "margin",
    "outliers",
    "share",
    "simultaneous",
    "single",
    "tost_power",
]
