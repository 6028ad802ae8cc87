"""The same mixed model fitted by statsmodels, to stand beside the kit's own fit.

statsmodels' MixedLM is an independent programme with another optimiser. It has no small-sample
degrees of freedom and can stop short where a variance is zero, so it is a witness and no judge:
its estimates, its criterion and whatever it said go into the result as they are.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from studykit.core.memory import remembered
from studykit.mixed.design import Term

OPTIMISERS = ("lbfgs", "powell", "bfgs")  # where a variance is zero, gradients seldom reach it
NONE = "statsmodels could not fit this model; its own words are kept."
CLOSE = 1e-3  # difference in the criterion, standard tolerance of the witness
ROWS_NESTED, ROWS_CROSSED = 5000, 600  # beyond these the second fit takes minutes


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondOpinion:
    """statsmodels' fit of the model, or why there is none."""

    fitted: bool
    names: tuple[str, ...]
    beta: tuple[float, ...]  # unit of the response; empty when not fitted
    variances: dict[str, float]  # unit squared
    criterion_difference: float  # theirs minus ours, -2 log L_R; NaN when not fitted
    converged: bool
    optimiser: str
    agrees: bool
    note: str  # one or more sentences
    said: tuple[str, ...]  # warnings and errors, word for word, each with its optimiser

    def to_table(self) -> pd.DataFrame:
        """Coefficients and variances, one a row: kind, name, value."""
        rows = [("coefficient", n, b) for n, b in zip(self.names, self.beta, strict=False)]
        rows += [("variance", n, v) for n, v in self.variances.items()]
        return pd.DataFrame(rows, columns=["kind", "name", "value"])


@remembered
def second_opinion(
    names: Sequence[str], X: np.ndarray, y: np.ndarray, terms: Sequence[Term], scale: float, centre: float,
    criterion: float,
) -> SecondOpinion:  # fmt: skip
    """Fit standardised y (n,) on X (n, p) with independent random terms by statsmodels.

    ``scale`` and ``centre`` return to the response's unit; ``criterion`` is ours, -2 log L_R.
    """
    top = _top(terms)
    n = len(y)
    if any(t.slope is not None for t in terms):
        return _none("No second fit is made of models with random slopes.")
    if not terms:
        return _none("Without random terms there is nothing for a mixed-model program to check.")
    if n > (ROWS_NESTED if top is not None else ROWS_CROSSED):
        kind = "nested" if top is not None else "crossed"
        return _none(f"{n} rows with {kind} terms take statsmodels minutes to hours; no second fit was made.")
    try:
        model, labels = _model(X, y, terms, top)
    except Exception as error:  # whatever it raises is part of its opinion and is kept
        return _none(NONE, (f"{type(error).__name__}: {error}",))
    best, used, said = None, "", []
    for optimiser in OPTIMISERS:
        result, words = _attempt(model, optimiser)
        said += [f"{optimiser}: {w}" for w in words]
        if result is not None and (best is None or (_rank(result) > _rank(best))):
            best, used = result, optimiser
        if best is not None and _rank(best)[1] and abs(_criterion(best, scale, n - X.shape[1]) - criterion) < CLOSE:
            break  # it has found our optimum: other optimisers could add nothing
    if best is None:
        return _none(NONE, tuple(said))
    return _reported(names, best, labels, top, (scale, centre, criterion, n - X.shape[1]), used, said)


def _top(terms: Sequence[Term]) -> Term | None:
    """The term within whose levels all others nest, if there is one."""
    for term in sorted(terms, key=lambda t: len(t.levels)):
        inside = (len(np.unique(t.codes * len(term.levels) + term.codes)) == len(t.levels) for t in terms)
        return term if all(inside) else None
    return None


def _none(note: str, said: tuple[str, ...] = ()) -> SecondOpinion:
    return SecondOpinion(fitted=False, names=(), beta=(), variances={}, criterion_difference=float("nan"),
                         converged=False, optimiser="", agrees=False, note=note, said=said)  # fmt: skip


def _model(X: np.ndarray, y: np.ndarray, terms: Sequence[Term], top: Term | None) -> tuple[Any, dict[str, str]]:
    """The model as statsmodels holds it, and the names of its variance components."""
    from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec  # takes longer to load than most fits need

    group = top.codes if top is not None else np.zeros(len(y), dtype=np.intp)
    inner = {f"v{i}": t for i, t in enumerate(terms) if t is not top}
    rows = [np.flatnonzero(group == g) for g in np.unique(group)]
    parts = [[_dummies(t.codes[r]) for r in rows] for t in inner.values()]
    columns = [[[f"{v}.{j}" for j in range(m.shape[1])] for m in mats] for v, mats in zip(inner, parts, strict=True)]
    model = MixedLM(y, X, groups=group, exog_re=np.ones((len(y), 1)) if top is not None else None,
                    exog_vc=VCSpec(list(inner), columns, parts) if inner else None)
    return model, {v: t.name for v, t in inner.items()}


def _dummies(codes: np.ndarray) -> np.ndarray:
    """One column of zeros and ones for each level among the codes, (rows, levels)."""
    return np.asarray(codes[:, None] == np.unique(codes), dtype=float)


def _attempt(model: Any, optimiser: str) -> tuple[object | None, list[str]]:
    words: list[str] = []
    with warnings.catch_warnings(record=True) as caught, np.errstate(all="ignore"):
        warnings.simplefilter("always")
        try:
            result = model.fit(reml=True, method=optimiser)
        except Exception as error:  # whatever it raises is part of its opinion and is kept
            return None, [f"{type(error).__name__}: {error}"]
        finally:
            words += list(dict.fromkeys(str(w.message).strip() for w in caught))
    if not np.isfinite(result.llf):
        return None, [*words, "the likelihood was not a finite number"]
    return result, words


def _rank(result: object) -> tuple[float, bool]:
    return (float(result.llf), bool(result.converged))  # type: ignore[attr-defined]


def _criterion(result: object, scale: float, df: int) -> float:
    """Its -2 log restricted likelihood in the unit of the response."""
    return -2 * float(result.llf) + df * float(np.log(scale**2))  # type: ignore[attr-defined]


def _reported(names: Sequence[str], best: object, labels: dict[str, str], top: Term | None,
              units: tuple[float, float, float, int], used: str, said: list[str]) -> SecondOpinion:  # fmt: skip
    scale, centre, criterion, df = units
    fit: object = best
    beta = np.asarray(fit.fe_params) * scale  # type: ignore[attr-defined]
    beta[0] += centre
    s2 = scale**2
    variances = {} if top is None else {top.name: float(np.asarray(fit.cov_re)[0, 0]) * s2}  # type: ignore[attr-defined]
    for key, value in zip(fit.model.exog_vc.names, np.asarray(fit.vcomp), strict=True):  # type: ignore[attr-defined]
        variances[labels[key]] = float(value) * s2
    variances["residual"] = float(fit.scale) * s2  # type: ignore[attr-defined]
    difference = _criterion(fit, scale, df) - criterion
    agrees = abs(difference) < CLOSE
    note = (
        f"statsmodels' fit has the same likelihood (difference {difference:.1e})." if agrees
        else f"statsmodels' criterion is {abs(difference):.2g} {'higher (a worse fit)' if difference > 0 else 'lower'} "
        "than ours; the kit's fit is the one reported."
    )  # fmt: skip
    return SecondOpinion(fitted=True, names=tuple(names), beta=tuple(float(b) for b in beta), variances=variances,
                         criterion_difference=difference, converged=bool(fit.converged),  # type: ignore[attr-defined]
                         optimiser=used, agrees=agrees, note=note, said=tuple(said))  # fmt: skip
