"""Lines of containers drawn again of which not all were drawn at every visit: a mixed model with own levels and rates.

Containers that are withdrawn once they read badly leave the later visits to those that settle slowly: least squares over
all drawings then bend towards no growth. A model with a level and a rate of each container takes what a container showed
before it went into account, and is right where going depends on what was read (missing at random: Laird & Ware 1982,
Biometrics 38:963; Rubin 1976, Biometrika 63:581). Kenward and Roger's standard errors; degrees of freedom no more than
containers less one. Where all were drawn at the same ages it would say the same as the containers' own lines.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from studykit.ageing.courses import Course, same_ages
from studykit.ageing.lines import Lines, Reading, fit_lines
from studykit.core.errors import DesignMismatch, ModelNotTrusted
from studykit.mixed import RemlFit, fit_reml

Array = NDArray[np.float64]


def uneven(months: ArrayLike, units: ArrayLike) -> bool:
    """True where containers were drawn again, and not all of them at the same ages."""
    codes, (first, unit) = same_ages(months), np.unique(units, return_index=True, return_inverse=True)[1:]
    order = np.lexsort((codes, unit))
    sets = {tuple(part.tolist()) for part in np.split(codes[order], np.flatnonzero(np.diff(unit[order])) + 1)}
    return len(first) < len(unit) and len(sets) > 1


def fit_over(values: Array, course: Course, months: Array, units: ArrayLike, *, bent: bool = False) -> Lines:
    """Lines by least squares, by the mixed model where ``uneven``; values (n,) or, by least squares alone, (S, n).

    DesignMismatch where the rows cannot carry them.
    """
    X = course.bent(months) if bent else course.line(months)
    y = np.atleast_2d(values)
    return mixed_lines(y[0], X, units) if len(y) == 1 and uneven(months, units) else fit_lines(values, X, units)


def _fitted(table: pd.DataFrame, names: list[str]) -> RemlFit:
    """Levels and rates that may go together, else apart; DesignMismatch where neither can be fitted."""
    try:
        return fit_reml(table, "y", names, ["c1 | container"])
    except (DesignMismatch, ModelNotTrusted):
        try:
            return fit_reml(table, "y", names, ["container", "0 + c1 | container"])
        except ModelNotTrusted as error:
            raise DesignMismatch(str(error)) from error


def mixed_lines(values: Array, columns: Array, units: ArrayLike) -> Lines:
    """Fit one set of values (n,) on columns (n, q), 1 and the course first, with a level and a rate of each container."""
    top = np.abs(columns).max(axis=0)
    names = [f"c{k}" for k in range(1, columns.shape[1])]
    table = pd.DataFrame(columns[:, 1:] / top[1:], columns=names).assign(y=values, container=np.asarray(units).astype(str))
    fit = _fitted(table, names)
    most = float(table["container"].nunique() - 1)

    def rows(L: Array) -> Reading:
        estimate, se, df = fit.rows(L / top)
        return Reading(estimate=estimate[None], se=se[None], df=np.minimum(df, most))

    return Lines(beta=(fit.beta / top)[None], covariance=(fit.adjusted_cov / np.outer(top, top))[None],
                 unit=np.eye(len(top))[None], gram=None, df_rest=int(most), rows=rows,
                 scatter=np.array([fit.variances["residual"]]))
