"""What an analyte says that was not fitted, and what is handed on: levels, alpha, shares of alpha, which one is the example."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from studykit.inference.margin import Margin
from studykit.model import fit, tables
from studykit.model.analyte import CONTRAST_COLUMNS, MEAN_COLUMNS, AnalyteModel
from studykit.model.fit import FittedModel
from studykit.plot import profiles as plotted


def bare(notes: tuple[str, ...] = ("too few containers",), censored: int = 0) -> AnalyteModel:
    table = pd.DataFrame({"container": ["A", "A", "B"], "depth": ["u", "l", "u"], "value": [1.0, 2.0, 3.0]})
    rows: Any = SimpleNamespace(analyte="P", table=table, measured=table, shown_unit="%", depths=("u", "l"), censored=censored,
                                margin=Margin.absolute(5))
    return AnalyteModel(rows=rows, alpha=0.05, path="not assessed", notes=notes)


def test_an_analyte_that_was_not_fitted_has_empty_tables_and_says_why() -> None:
    m = bare()
    assert (m.analyte, m.n_containers, m.formula, m.acting_on_depth, m.shown_unit) == ("P", 2, "", (), "%")
    assert repr(m) == "<P: not assessed, 3 results of 2 containers>"
    for table, columns in ((m.means(), MEAN_COLUMNS), (m.contrasts(), CONTRAST_COLUMNS)):
        assert (list(table.columns), len(table)) == (list(columns), 0)
    assert m.variances().empty
    assert m.profile().empty
    assert m.trust() == {"analyte": "P", "path": "not assessed"}
    with pytest.raises(fit.DesignMismatch, match="P was not fitted: too few containers"):
        m.verdict()


@pytest.mark.parametrize(("asked", "level"), [((), 0.9), ((0.6,), 0.6)])
def test_a_profile_is_drawn_at_the_level_that_was_asked_for(monkeypatch: pytest.MonkeyPatch, asked: tuple[float, ...],
                                                            level: float) -> None:
    monkeypatch.setattr(plotted, "profiles", lambda table: table)
    monkeypatch.setattr(AnalyteModel, "profile", lambda self, level: ("profile at", level))
    assert bare().plot_profile(*asked) == ("profile at", level)


@pytest.mark.parametrize(("deciding", "alpha"), [(0, 0.05), (1, 0.05), (4, 0.0125)])
def test_limits_of_several_analytes_share_alpha(monkeypatch: pytest.MonkeyPatch, deciding: int, alpha: float) -> None:
    """Bonferroni over the analytes that decide, one at least."""
    asked: list[Any] = []
    monkeypatch.setattr(fit, "cells_of", lambda rows: "cells")

    def mean_of(cells: object, margin: object, a: float, limits: bool) -> tuple[str, str]:
        asked.append((cells, margin, a, limits))
        return "", "stratified"

    monkeypatch.setattr(fit, "mean_of", mean_of)
    study: Any = SimpleNamespace(analytes=[*"abcde"], decides=lambda a: a in "abcde"[:deciding])
    made = fit.limited(study, bare(censored=2))
    assert asked == [("cells", Margin.absolute(5), pytest.approx(alpha), False)]
    assert made.beyond  # type: ignore[attr-defined]
    assert (made.alpha, made.path, made.notes) == (0.05, "not assessed", ("too few containers",))


def test_one_depth_or_one_container_leaves_nothing_to_be_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fit, "cells_of", lambda rows: pytest.fail("no cells are asked for"))
    one = bare()
    one.rows.depths = ("u",)  # type: ignore[misc]
    assert fit.limited(None, one) is one  # type: ignore[arg-type]
    alone = bare()
    alone.rows.table = alone.rows.table.iloc[:2]  # type: ignore[misc]
    assert fit.limited(None, alone) is alone  # type: ignore[arg-type]


@pytest.mark.parametrize(("censored", "words"), [(0, "Too few containers have the same depths"),
                                                 (1, "Too few containers have numbers, not limits, at the same depths")])
def test_a_fit_without_one_difference_is_no_fit(monkeypatch: pytest.MonkeyPatch, censored: int, words: str) -> None:
    monkeypatch.setattr(fit, "unfit", lambda rows: None)
    monkeypatch.setattr(fit, "fixed_terms", lambda *_: (("depth",), ("a",)))
    monkeypatch.setattr(fit, "random_terms", lambda *_: ((), ("b",)))
    monkeypatch.setattr(fit, "fit_terms", lambda rows, alpha, fixed, random, notes, across: SimpleNamespace(
        pairs=SimpleNamespace(tests=()), notes=notes))
    monkeypatch.setattr(fit, "limited", lambda study, model: model)
    study: Any = SimpleNamespace(alpha=0.025, factors=SimpleNamespace(across_depths="unstructured"))
    found = fit.fit_rows(study, bare(censored=censored).rows)
    assert (found.alpha, found.path, found.notes[:2]) == (0.025, "not assessed", ("a", "b"))
    assert found.notes[2].startswith(words)


def fitted_with(low: list[list[float]], exact: list[bool]) -> Any:
    made = FittedModel.__new__(FittedModel)
    object.__setattr__(made, "cells", SimpleNamespace(low=np.array(low), exact=np.array(exact)))
    return made


def test_the_example_was_measured_at_both_ends_of_every_container() -> None:
    """A limit, or a lost end, of one container leaves it to the next analyte; a lost middle does not."""
    nan = float("nan")
    limit = fitted_with([[1.0, 2.0, 3.0], [1.0, 2.0, 3.0]], [True, False])
    lost = fitted_with([[1.0, 2.0, nan], [1.0, 2.0, 3.0]], [True, True])
    middle = fitted_with([[1.0, nan, 3.0], [1.0, 2.0, 3.0]], [True, True])
    assert tables.example([bare(), limit, lost, middle]) is middle
    assert tables.example([bare(), limit, lost]) is limit
    only = bare()
    assert tables.example([only]) is only
