"""By what noise a container is judged: zones determined twice, else what is stated at its level, else nothing."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest

from studykit.inference.equivalence import Margin
from studykit.verdict import containers
from studykit.verdict.containers import TWICE, _named_reasons, noise_of, rounded_up, share_of


def model(noise: float | None, df: float, *, per_zone: int = 1, log: bool = False, value: float = 50.0) -> Any:
    """Two containers of two zones, each determined so often, all reading alike."""
    rows = [(c, d, value) for c in "AB" for d in ("u", "l") for _ in range(per_zone)]
    measured = pd.DataFrame(rows, columns=["container", "depth", "value"])
    margin = Margin.relative(10) if log else Margin.absolute(5, "mg/kg")
    return SimpleNamespace(analyte="P", alpha=0.05, cells=SimpleNamespace(noise_se=noise, noise_df=df, containers=("A", "B")),
                           rows=SimpleNamespace(measured=measured, log=log, margin=margin))


@pytest.fixture
def stated(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """Levels at which the stated precision was asked for; it is 2 % of each."""
    asked: list[float] = []

    def at(study: object, analyte: str, level: float) -> Any:
        asked.append(level)
        return SimpleNamespace(s_r=0.02 * level, source="the method")

    monkeypatch.setattr(containers, "precision_at", at)
    return asked


def test_zones_determined_twice_tell_it_from_two_degrees_of_freedom_on(stated: list[float]) -> None:
    assert noise_of(None, model(0.3, 2.0)) == (0.3, 2.0, TWICE)  # type: ignore[arg-type]
    assert stated == []
    assert noise_of(None, model(0.3, 1.0))[2] == "the method"  # type: ignore[arg-type]
    assert noise_of(None, model(None, 9.0))[2] == "the method"  # type: ignore[arg-type]


@pytest.mark.parametrize(("per_zone", "log", "se"), [(1, False, math.sqrt(2)), (2, False, 1.0), (1, True, 0.02 * math.sqrt(2)),
                                                     (4, True, 0.02 * math.sqrt(0.5))])
def test_what_is_stated_is_that_of_a_difference_of_two_zones(stated: list[float], per_zone: int, log: bool, se: float) -> None:
    """2 % of 50 is 1; of a difference sqrt(2 / determinations a zone) times as much; on logs a share of the level."""
    found, df, source = noise_of(None, model(None, math.inf, per_zone=per_zone, log=log))  # type: ignore[arg-type]
    assert found == pytest.approx(se)
    assert (df, source, stated) == (math.inf, "the method", [50.0])


def test_nothing_is_known_at_a_level_of_nothing_or_without_a_precision(stated: list[float],
                                                                      monkeypatch: pytest.MonkeyPatch) -> None:
    assert noise_of(None, model(None, math.inf, value=0.0)) == (None, math.inf, "not known")  # type: ignore[arg-type]
    assert noise_of(None, model(None, math.inf, value=0.5))[0] == pytest.approx(0.01 * math.sqrt(2))  # type: ignore[arg-type]
    monkeypatch.setattr(containers, "precision_at", lambda *_: None)
    assert noise_of(None, model(None, math.inf)) == (None, math.inf, "not known")  # type: ignore[arg-type]


def test_the_share_is_asked_with_the_noise_and_its_span_where_it_was_measured(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[Any] = []
    monkeypatch.setattr(containers, "own_differences", lambda cells, se: ("own", se))
    monkeypatch.setattr(containers, "span_of_one", lambda cells: "span")
    monkeypatch.setattr(containers, "share_upper", lambda d, edge, **more: asked.append((d, edge, more)))
    for source, span in ((TWICE, "span"), ("the method", None)):
        monkeypatch.setattr(containers, "noise_of_contrast", lambda *_, s=source: (0.3, 7.0, s))
        share_of(None, model(None, 0.0))  # type: ignore[arg-type]
        assert asked.pop() == (("own", 0.3), 5.0, {"noise_se": 0.3, "noise_df": 7.0, "level": 0.95, "noise_span": span})


def test_containers_in_sentences() -> None:
    made = model(None, 0.0)

    def told(names: tuple[str, ...], read: tuple[str, ...] = ()) -> tuple[str, ...]:
        return _named_reasons(made, SimpleNamespace(names=names, read=read))  # type: ignore[arg-type]

    assert told(("A",)) == ("Container A is shown to differ between depths by more than 5 mg/kg.",)
    assert told(("A", "B")) == ("All containers are shown to differ between depths by more than 5 mg/kg.",)
    made.cells.containers = ("A", "B", "C")
    assert told(("A", "B")) == ("Containers A, B are shown to differ between depths by more than 5 mg/kg.",)
    assert told(()) == ()
    assert len(told(("A", "B"), read=("B",))) == 2
    assert told(("A", "B"), read=("B",))[0].startswith("Container A is shown")


@pytest.mark.parametrize(("share", "told"), [(0.2, 20), (0.2004, 20.1), (0.391, 39.1), (0.39101, 39.2), (0.0, 0.1)])
def test_a_bound_is_rounded_up_to_a_tenth(share: float, told: float) -> None:
    assert rounded_up(share) == pytest.approx(told)
