from . import bounds as bounds
from . import figures as figures
from . import forecast as forecast
from . import inputs as inputs
from . import trial as trial

__all__ = [
    "bounds",
    "figures",
    "forecast",
    "inputs",
    "trial",
]
