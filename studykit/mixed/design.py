"""From a table to the parts of a linear mixed model, with every refusal in words.

``build_design`` turns columns into the fixed-effects matrix (treatment coding, the first level
as reference) and into one partition of the rows for each random term. It refuses what the rows
cannot carry, each case with its own sentence, and it records each simplification as a note.
Nothing here estimates anything.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

from studykit.core.errors import DesignMismatch
from studykit.mixed.slopes import Written, written

RANK_TOLERANCE = 1e-9
INTERCEPT = "Intercept"


@dataclass(frozen=True, slots=True, kw_only=True)
class Term:
    """One random term: a partition of the rows; for a random slope with the values of its column, divided by ``unit``."""

    name: str
    codes: np.ndarray  # int, one a row, 0 .. len(levels) - 1
    levels: tuple[str, ...]  # the labels, in the order of the codes
    slope: np.ndarray | None = None
    unit: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Design:
    """The parts of a linear mixed model that do not depend on the response.

    ``X = Q @ R``; Q is orthonormal, so that the numbers do not depend on units of columns.
    """

    names: tuple[str, ...]  # coefficients, the intercept first
    X: np.ndarray  # (n, p)
    Q: np.ndarray  # (n, p)
    R: np.ndarray  # (p, p), upper triangular
    terms: tuple[Term, ...]
    pairs: tuple[tuple[int, int], ...]  # terms that may be correlated
    fixed: tuple[str, ...]
    random: tuple[str, ...]  # as asked, before any simplification
    notes: tuple[str, ...]

    @property
    def n(self) -> int:
        """Number of rows."""
        return len(self.X)

    @property
    def p(self) -> int:
        """Number of fixed coefficients."""
        return len(self.names)


def build_design(table: pd.DataFrame, fixed: Sequence[str], random: Sequence[str]) -> Design:
    """The design of a mixed model, checked.

    ``fixed`` and ``random`` hold column names, or several joined by a colon ("depth:age"); ``random`` also slopes
    ("age | container", "0 + age | container").
    Raises DesignMismatch when the rows cannot carry the model; one sentence a case.
    """
    fixed, random = _listed(fixed, "fixed"), _listed(random, "random")
    _columns_present(table, fixed, random)
    names, X = fixed_matrix(table, fixed)
    Q, R = _orthonormal(names, X)
    if len(X) <= len(names):
        raise DesignMismatch(
            f"{len(X)} rows for {len(names)} fixed coefficients leave nothing to estimate the scatter from. "
            "Use fewer fixed columns, or more determinations."
        )
    terms, pairs, notes = _random_terms(table, [written(name) for name in random])
    _terms_estimable(terms, Q)
    return Design(names=names, X=X, Q=Q, R=R, terms=terms, pairs=pairs, fixed=fixed, random=random, notes=notes)


def response_values(table: pd.DataFrame, response: str) -> np.ndarray:
    """The response as floats, finite; DesignMismatch otherwise."""
    if response not in table.columns:
        raise DesignMismatch(_missing([response], table))
    column = table[response]
    if not isinstance(column, pd.Series):
        raise DesignMismatch(f"The table has two columns named {response!r}. Rename one.")
    if not is_numeric(column) and any(isinstance(v, str) for v in column):
        raise DesignMismatch(f"The response {response!r} is not a column of numbers, but of text. Read it as numbers first.")
    try:
        y = column.to_numpy(dtype=float, na_value=np.nan)
    except (TypeError, ValueError):
        raise DesignMismatch(f"The response {response!r} is not a column of numbers.") from None
    check_finite(y, f"The response {response!r}")
    return y


def check_finite(y: np.ndarray, what: str) -> None:
    """Refuse values that are missing or not finite, naming the first rows."""
    bad = np.flatnonzero(~np.isfinite(y))
    if len(bad):
        rows = ", ".join(str(i + 1) for i in bad[:5]) + (", ..." if len(bad) > 5 else "")
        raise DesignMismatch(
            f"{what} has {len(bad)} missing or infinite value{'s' if len(bad) > 1 else ''} (data row {rows}). "
            "Decide on them before the model: it takes complete rows only."
        )


def factor_codes(column: pd.Series) -> tuple[np.ndarray, tuple[str, ...]]:
    """Integer codes and labels of a column, in declared or else sorted order."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        used = column.cat.remove_unused_categories()
        return used.cat.codes.to_numpy(dtype=np.int64), tuple(str(v) for v in used.cat.categories)
    raw, uniques = pd.factorize(column)
    labels = [_label(v) for v in uniques]
    keys = [float(v) for v in uniques] if is_numeric(column) else labels
    distinct = sorted(set(zip(keys, labels, strict=True)))
    place = {label: i for i, (_, label) in enumerate(distinct)}
    remap = np.array([place[label] for label in labels], dtype=np.int64)
    return remap[raw], tuple(label for _, label in distinct)


def is_numeric(column: pd.Series) -> bool:
    """Whether a column enters as a number (booleans are categories)."""
    return pd.api.types.is_numeric_dtype(column) and not pd.api.types.is_bool_dtype(column)


def _label(value: object) -> str:
    return str(int(value)) if isinstance(value, float) and value.is_integer() else str(value)


def _listed(names: Sequence[str], which: str) -> tuple[str, ...]:
    if isinstance(names, str):
        raise ValueError(f"{which} must be a list of column names, but got the text {names!r}")
    parts = [frozenset(name.split(":")) for name in names]
    for name, part in zip(names, parts, strict=True):
        if parts.count(part) > 1 or len(part) != len(name.split(":")):
            raise DesignMismatch(f"The {which} part names {name!r} twice, or a column twice within it. Name each once.")
    return tuple(names)


def _missing(absent: Sequence[str], table: pd.DataFrame) -> str:
    known = ", ".join(str(c) for c in table.columns[:30])
    return f"No column named {', '.join(repr(a) for a in absent)} in the table. Its columns are: {known}."


def _columns_present(table: pd.DataFrame, fixed: Sequence[str], random: Sequence[str]) -> None:
    asked = [written(name) for name in random]
    names = (*fixed, *(w.group for w in asked), *(c for w in asked for c in w.columns))
    wanted = list(dict.fromkeys(c for name in names for c in name.split(":")))
    absent = [c for c in wanted if c not in table.columns]
    if absent:
        raise DesignMismatch(_missing(absent, table))
    twice = [c for c in wanted if (table.columns == c).sum() > 1]
    if twice:
        raise DesignMismatch(f"The table has two columns named {twice[0]!r}. Rename one.")
    if len(table) == 0:
        raise DesignMismatch("The table has no rows. The model needs determinations.")
    for c in wanted:
        column = table[c]
        if pd.api.types.is_datetime64_any_dtype(column):
            raise DesignMismatch(f"The column {c!r} holds dates. Turn it into a number (age in months) or a label.")
        empty = np.flatnonzero(column.isna().to_numpy())
        if len(empty):
            raise DesignMismatch(
                f"The column {c!r} is empty in {len(empty)} row{'s' if len(empty) > 1 else ''} "
                f"(first: data row {empty[0] + 1}). The model takes complete rows only."
            )


def _coded(table: pd.DataFrame, name: str) -> tuple[list[str], list[np.ndarray]]:
    """One column of the fixed part as names and numbers."""
    column = table[name]
    if is_numeric(column):
        values = column.to_numpy(dtype=float)
        check_finite(values, f"The column {name!r}")
        if np.ptp(values) == 0:
            only = _label(float(values[0]))
            raise DesignMismatch(f"Only one value of {name!r} ({only}), so its effect cannot be seen.")
        return [name], [values]
    codes, levels = factor_codes(column)
    if len(levels) == 1:
        raise DesignMismatch(
            f"Only one {name} ({levels[0]!r}). Differences between levels of {name!r} need at least two; "
            f"leave {name!r} out of the fixed part."
        )
    return [f"{name}[{level}]" for level in levels[1:]], [(codes == i).astype(float) for i in range(1, len(levels))]


def fixed_matrix(table: pd.DataFrame, fixed: Sequence[str]) -> tuple[tuple[str, ...], np.ndarray]:
    """Column names and matrix (rows of the table by columns) of the fixed part, each factor against its first level.

    DesignMismatch where an interaction lacks its lower parts or a factor has one level only.
    """
    have = {frozenset(f.split(":")) for f in fixed}
    names, columns = [INTERCEPT], [np.ones(len(table))]
    cache: dict[str, tuple[list[str], list[np.ndarray]]] = {}
    for entry in fixed:
        parts = entry.split(":")
        for size in range(1, len(parts)):
            for lower in combinations(parts, size):
                if frozenset(lower) not in have:
                    raise DesignMismatch(
                        f"The interaction {entry!r} needs {':'.join(lower)!r} in the fixed part too. List it before."
                    )
        new_names, new_columns = [""], [np.ones(len(table))]
        for part in parts:
            part_names, part_columns = cache.setdefault(part, _coded(table, part))
            new_names = [f"{a}:{b}" if a else b for b in part_names for a in new_names]
            new_columns = [u * v for v in part_columns for u in new_columns]
        names += new_names
        columns += new_columns
    return tuple(names), np.column_stack(columns)


def _orthonormal(names: Sequence[str], X: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """X = Q R after centring; refuses columns that follow from those before them."""
    n = len(X)
    means = X.mean(axis=0)
    means[0] = 0.0
    centred = X - means
    norms = np.sqrt((centred * centred).sum(axis=0))
    norms[norms == 0] = 1.0
    Q, R = np.linalg.qr(centred / norms)
    if n >= len(names):
        lost = [name for name, d in zip(names, np.abs(np.diag(R)), strict=True) if d < RANK_TOLERANCE]
        if lost:
            raise DesignMismatch(
                f"The fixed part is confounded: {', '.join(lost)} can be computed from the columns before. "
                "Either such a combination of levels does not occur, or two columns say the same. Leave one out."
            )
    R = R * norms
    R[0] += means * np.sqrt(n) * np.sign(Q[0, 0])
    return Q, R


def _random_terms(table: pd.DataFrame, random: Sequence[Written]) -> tuple[
        tuple[Term, ...], tuple[tuple[int, int], ...], tuple[str, ...]]:  # fmt: skip
    terms, pairs, notes = list[Term](), list[tuple[int, int]](), list[str]()
    for term in random:
        codes, levels = _cells([factor_codes(table[c]) for c in term.group.split(":")])
        if len(levels) == 1:
            raise DesignMismatch(f"Only one {term.group} ({levels[0]!r}). The scatter between levels of {term.group!r} cannot "
                                 "be estimated from one.")
        if len(levels) * (len(term.columns) + term.intercept) >= len(table) + (not term.columns):
            raise DesignMismatch(f"{len(table)} rows cannot carry {len(levels) * (len(term.columns) + term.intercept)} random "
                                 f"effects of {term.group!r}. Leave the slope out, or take more determinations.")
        if len(levels) == len(table):
            notes.append(
                f"Each {term.group} has a single determination, so the scatter between levels of {term.group!r} cannot be "
                "told apart from the residual scatter: the term was dropped and the residual holds both."
            )
            continue
        new = [Term(name=term.group, codes=codes, levels=levels)] if term.intercept else []
        new += [_slope(table, column, term.group, codes, levels) for column in term.columns]
        pairs += [(len(terms) + i, len(terms) + j) for j in range(len(new)) for i in range(j)]
        for one in new:
            _told_apart(one, terms)
            terms.append(one)
    return tuple(terms), tuple(pairs), tuple(notes)


def _slope(table: pd.DataFrame, column: str, group: str, codes: np.ndarray, levels: tuple[str, ...]) -> Term:
    name = f"{column} | {group}"
    if ":" in column or not is_numeric(table[column]):
        raise DesignMismatch(f"The random slope {name!r} needs one column of numbers. For a factor write '{group}:{column}'.")
    values = _coded(table, column)[1][0]
    unit = float(np.sqrt((values * values).mean()))
    return Term(name=name, codes=codes, levels=levels, slope=values / unit, unit=unit)


def _told_apart(term: Term, others: Sequence[Term]) -> None:
    """Refuse a second term that groups the rows as another one does, or repeats its slope."""
    for other in others:
        same = len(other.levels) == len(term.levels) and len(
            np.unique(other.codes * len(term.levels) + term.codes)) == len(term.levels)
        alike = other.slope is None if term.slope is None else (
            other.slope is not None and bool(np.allclose(other.slope, term.slope)))  # fmt: skip
        if same and alike:
            raise DesignMismatch(
                f"The random terms {other.name!r} and {term.name!r} group the rows in the same way, "
                "so their scatters cannot be told apart. Leave one out."
            )


def _cells(parts: list[tuple[np.ndarray, tuple[str, ...]]]) -> tuple[np.ndarray, tuple[str, ...]]:
    codes, levels = parts[0]
    for more, more_levels in parts[1:]:
        joint = codes * len(more_levels) + more
        present, codes = np.unique(joint, return_inverse=True)
        levels = tuple(f"{levels[j // len(more_levels)]}:{more_levels[j % len(more_levels)]}" for j in present)
    return codes, levels


def _terms_estimable(terms: Sequence[Term], Q: np.ndarray) -> None:
    """Refuse terms that the fixed part swallows whole."""
    n = len(Q)
    for term in terms:
        at = np.ones(n) if term.slope is None else term.slope
        sums = np.column_stack([np.bincount(term.codes, weights=q * at, minlength=len(term.levels)) for q in Q.T])
        if n - float((sums * sums).sum()) < RANK_TOLERANCE * n:
            raise DesignMismatch(
                f"The random term {term.name!r} is confounded with the fixed part: once the fixed effects are "
                f"taken out, nothing is left of the differences between its levels. Leave {term.name!r} out of "
                "one of the two."
            )
