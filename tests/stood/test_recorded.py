"""What is noted shows a change of any one number, word or shape, and nothing else; the calls made are noted by name."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from studykit.inference.margin import Margin
from tests.stood.recorded import NOTED, differences, flat, noted, told
from tests.stood.studies import KINDS, texts
from tests.stood.walk import FOLDERS


def cells(value: object) -> dict[str, object]:
    return dict(flat(value))


@pytest.mark.parametrize(("was", "now"), [
    (1.0, 1.00001), (0.2, -0.2), (3, 4), (True, False), ("within", "beyond"), ((1.0, 2.0), (2.0, 1.0)), (None, 0.0), (1, True),
    (float("nan"), 1.0), (float("inf"), -float("inf")), ({"a": 1.0}, {"b": 1.0}), ({"x", "y"}, {"x"}), ([1.0], [1.0, 1.0]),
    (np.zeros(3), np.zeros((3, 1))), (np.arange(9.0), np.arange(9.0)[::-1]), (np.arange(9.0), -np.arange(9.0)),
    ("a long sentence, told by its start and a sum of it: 5.1 %", "a long sentence, told by its start and a sum of it: 5.2 %"),
    (list("abcdefgh"), list("abcdefhg")), (pd.DataFrame({"x": [1.0]}), pd.DataFrame({"y": [1.0]})),
    (Margin.relative(5), Margin.relative(6)), (Margin.absolute(5, "a"), Margin.absolute(5, "b"))])
def test_a_change_is_told_with_its_place(was: object, now: object) -> None:
    (fault, *_) = differences({"f #1": cells(was)}, {"f #1": cells(now)})
    assert fault.startswith("f #1")
    assert differences({"f #1": cells(was)}, {"f #1": cells(was)}) == []
    assert "python -m tests.stood inference" in told("inference", [fault])


def test_any_one_of_many_values_shows() -> None:
    row = np.linspace(-1, 2, 40)
    for k in range(len(row)):
        other = row.copy()
        other[k] += 1e-3
        assert differences({"f #1": cells(row)}, {"f #1": cells(other)})


@pytest.mark.parametrize(("was", "now"), [(1.0, 1.0 + 1e-8), (1e-12, -3e-11), (5, 5.0), ("a", "a")])
def test_rounding_is_no_change(was: object, now: object) -> None:
    assert differences({"f #1": cells(was)}, {"f #1": cells(now)}) == []


def test_public_calls_are_noted_the_first_second_fourth_and_eighth() -> None:
    found = noted(lambda: [Margin.relative(float(p)) for p in range(1, 12)], "inference")
    name = "margin.Margin.relative #"
    assert [c for c in found if c.startswith(name)] == [f"{name}{n}" for n in sorted(NOTED)]
    assert found["margin.Margin.relative #2"] == cells(Margin.relative(2.0))
    assert not [c for c in found if "._" in c]
    assert differences({"margin.Margin.gone #1": {}}, found) == ["margin.Margin.gone #1: not called any more"]


def test_the_studies_have_what_they_are_named_after() -> None:
    assert {k for names in FOLDERS.values() for k in names} >= set(KINDS)
    for name, kind in KINDS.items():
        containers, samples, results = texts(kind, 1)
        assert texts(kind, 1) == (containers, samples, results) != texts(kind, 2)
        assert containers.count("stored") == kind.n
        assert samples.count(",spot,") == (kind.n + kind.remixed) * kind.depths, name
        assert (f",{kind.sign},{kind.limit}," in results) == (kind.limited > 0)


def test_every_folder_has_a_record_of_its_studies() -> None:
    for folder, names in FOLDERS.items():
        text = (Path(__file__).parents[1] / folder / "as_stood.json").read_text(encoding="utf-8")
        assert [line.split('"')[1] for line in text.splitlines() if line.endswith(": {")] == list(names)
