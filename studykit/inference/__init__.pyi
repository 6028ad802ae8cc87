from . import bounded as bounded
from . import cells as cells
from . import contrasts as contrasts
from . import critical_range as critical_range
from . import declared as declared
from . import departures as departures
from . import each as each
from . import equivalence as equivalence
from . import homogeneity as homogeneity
from . import influence as influence
from . import judge as judge
from . import margin as margin
from . import own as own
from . import power as power
from . import screened as screened
from . import share as share
from . import single as single
from . import table as table
from . import tost_power as tost_power
from . import unlike as unlike
from .equivalence import Comparison as Comparison
from .equivalence import Contrast as Contrast
from .margin import Interval as Interval
from .margin import Margin as Margin

__all__ = [
    "Comparison",
    "Contrast",
    "Interval",
    "Margin",
    "bounded",
    "cells",
    "contrasts",
    "critical_range",
    "declared",
    "departures",
    "each",
    "equivalence",
    "homogeneity",
    "influence",
    "judge",
    "margin",
    "own",
    "power",
    "screened",
    "share",
    "single",
    "table",
    "tost_power",
    "unlike",
]
