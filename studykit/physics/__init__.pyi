from . import bounds as bounds
from . import figures as figures
from . import forecast as forecast
from . import inputs as inputs

__all__ = [
    "bounds",
    "figures",
    "forecast",
    "inputs",
]
