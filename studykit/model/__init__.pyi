from . import analyte as analyte
from . import diagnostics as diagnostics
from . import fit as fit
from . import formula as formula
from . import rows as rows
from . import stated as stated
from . import tables as tables
from .analyte import AnalyteModel as AnalyteModel
from .fit import FittedModel as FittedModel
from .fit import fit_analyte as fit_analyte
from .tables import fit_all as fit_all

__all__ = [
    "AnalyteModel",
    "FittedModel",
    "analyte",
    "diagnostics",
    "fit",
    "fit_all",
    "fit_analyte",
    "formula",
    "rows",
    "stated",
    "tables",
]
