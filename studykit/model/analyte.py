"""An analyte at the model stage: its rows, the path it takes, and what is known of its containers without a fit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import pandas as pd

from studykit.core.errors import DesignMismatch
from studykit.inference.cells import CellBounds
from studykit.inference.equivalence import Comparison, Margin
from studykit.model.profile import PROFILE_COLUMNS
from studykit.model.rows import ModelRows

if TYPE_CHECKING:
    from matplotlib.figure import Figure

Path = Literal["mixed model", "known precision", "not assessed"]
MEAN_COLUMNS = ["depth", "height", "mean", "low", "high", "determinations"]
CONTRAST_COLUMNS = ["contrast", "estimate", "low", "high", "simultaneous low", "simultaneous high", "unit", "df", "p",
                    "within margin"]
VARIANCE_COLUMNS = ["component", "SD", "unit", "at zero", "could be up to"]


@dataclass(frozen=True, slots=True, kw_only=True)
class AgainstMargin:
    """All pairs of depths of one analyte against a margin, and whether it is the one declared beforehand."""

    analyte: str
    declared: Margin
    comparison: Comparison
    word: str

    @property
    def is_declared(self) -> bool:
        """True where the margin is the declared one."""
        return self.comparison.margin == self.declared

    @property
    def sentence(self) -> str:
        """The word in a sentence, which says so where the margin is not the declared one."""
        text = f"{self.analyte} against {self.comparison.margin.text}: {self.word}."
        return text if self.is_declared else (f"{text} This is not the declared margin ({self.declared.text}): a margin "
                                              "chosen after the data decides nothing.")

    def to_table(self) -> pd.DataFrame:
        """One row a pair of depths (CONTRAST_COLUMNS)."""
        return self.comparison.to_table()

    def __str__(self) -> str:
        return self.sentence


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class AnalyteModel:
    """One analyte at the model stage: its rows, and where it was not fitted the path it takes and why.

    ``path`` is 'mixed model' for a ``FittedModel`` only. The tables are empty where nothing was fitted.
    """

    rows: ModelRows
    alpha: float
    path: Path
    notes: tuple[str, ...]

    def __repr__(self) -> str:
        return f"<{self.analyte}: {self.path}, {len(self.rows.table)} results of {self.n_containers} containers>"

    @property
    def analyte(self) -> str:
        """The analyte's key."""
        return self.rows.analyte

    @property
    def shown_unit(self) -> str:
        """Unit of a difference as reported: per cent, or the analyte's unit."""
        return self.rows.shown_unit

    @property
    def n_containers(self) -> int:
        """Containers with at least one value."""
        return int(self.rows.measured["container"].nunique())

    @property
    def formula(self) -> str:
        """The mixed model in the usual notation, 'y ~ depth + (1 | container)'; '' where nothing was fitted."""
        return ""

    @property
    def acting_on_depth(self) -> tuple[str, ...]:
        """Factors that change the differences between depths."""
        return ()

    def means(self, level: float = 0.95) -> pd.DataFrame:
        """Depth means in the analyte's unit with intervals: depth, height, mean, low, high, determinations."""
        return pd.DataFrame(columns=MEAN_COLUMNS)

    def contrasts(self) -> pd.DataFrame:
        """All pairs of depths, lower minus upper, in per cent or the analyte's unit, with both intervals (CONTRAST_COLUMNS)."""
        return pd.DataFrame(columns=CONTRAST_COLUMNS)

    def variances(self, level: float = 0.95) -> pd.DataFrame:
        """Variance components as standard deviations, with an upper limit where one is estimated as zero."""
        return pd.DataFrame(columns=VARIANCE_COLUMNS)

    def residuals(self) -> pd.DataFrame:
        """Residuals on the scale of analysis with their normal scores, one row per determination."""
        return pd.DataFrame(columns=["analyte"])

    def profile(self, level: float = 0.9) -> pd.DataFrame:
        """Differences from the uppermost depth, of the mean and of each container (PROFILE_COLUMNS)."""
        return pd.DataFrame(columns=PROFILE_COLUMNS)

    def plot_profile(self, level: float = 0.9) -> Figure:
        """The depth profile against the margin, drawn from ``profile``."""
        from studykit.plot.profiles import profiles

        return profiles(self.profile(level))

    def verdict(self, margin: str | Mapping[str, float] | Margin | None = None) -> AgainstMargin:
        """The word against the declared margin, or against another one ("50 %", "2 mg/kg", {"absolute": 2}).

        BadInput for a bare number or another unit; DesignMismatch where nothing was fitted.
        """
        raise DesignMismatch(f"{self.analyte} was not fitted: {' '.join(self.notes)}")

    def trust(self) -> dict[str, Any]:
        """Evidence of convergence: iterations, gradient, components at zero, second opinion."""
        return {"analyte": self.analyte, "path": self.path}


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class CelledModel(AnalyteModel):
    """One analyte of several containers as container by depth cells, ``cells``, with what limits leave them."""

    cells: CellBounds


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class LimitedModel(CelledModel):
    """One analyte of several containers that is not assessed, because most of its results are known only as limits.

    ``beyond``: whether the mean is shown beyond the margin wherever the limits lie, at a share of alpha for each analyte.
    """

    beyond: bool
