"""How many of the kit's functions a value passes from the tidy rows to the fitted difference.

Counted while it happens: three numbers are followed (a result on the scale of its margin, a coefficient of the mixed
model, the difference between two depths), and for each the functions that are open when it first leaves one of them
are what a reader has to open to see where it comes from.
"""

from __future__ import annotations

import dataclasses
import sys
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from types import FrameType
from typing import Any

import numpy as np
import pandas as pd
import pytest

import studykit
import studykit as sk

KIT = str(Path(studykit.__file__).parent)
MOST = 15


def numbers(found: Any, depth: int = 0) -> Iterator[np.ndarray]:
    """All floats in a value, through frames, containers and dataclasses, four levels down."""
    if isinstance(found, float | np.floating):
        yield np.array([float(found)])
    elif isinstance(found, np.ndarray | pd.Series) and found.dtype.kind == "f":
        yield np.ravel(np.asarray(found))
    elif isinstance(found, pd.DataFrame):
        yield from (found[c].to_numpy(float) for c in found.select_dtypes("number"))
    elif depth < 4:
        for part in _parts(found):
            yield from numbers(part, depth + 1)


def _parts(found: Any) -> list[Any]:
    if isinstance(found, dict):
        return list(found.values())
    if isinstance(found, list | tuple):
        return list(found)
    if dataclasses.is_dataclass(found) and not isinstance(found, type):
        return [getattr(found, f.name, None) for f in dataclasses.fields(found)]
    return []


def _holds(value: Any, wanted: float) -> bool:
    return any(a.size and np.nanmin(np.abs(a - wanted), initial=np.inf) <= 1e-13 * abs(wanted) for a in numbers(value))


def ways(run: Callable[[], object], wanted: Mapping[str, float], root: str = KIT) -> dict[str, list[str]]:
    """For each number the functions under ``root`` that are open when one of them first hands it back, outermost first."""
    found: dict[str, list[str]] = {}
    stack: list[str] = []

    def watch(frame: FrameType, event: str, value: Any) -> None:
        if not frame.f_code.co_filename.startswith(root):
            return
        if event == "call":
            stack.append(frame.f_code.co_qualname)
        elif event == "return":
            if value is not None and len(found) < len(wanted):
                sys.setprofile(None)  # what looks for the numbers is not watched
                found.update({k: list(stack) for k, x in wanted.items() if k not in found and _holds(value, x)})
                sys.setprofile(watch)
            stack.pop()

    sys.setprofile(watch)
    try:
        run()
    finally:
        sys.setprofile(None)
    return found


def functions(found: Mapping[str, list[str]]) -> list[str]:
    """Each function on any of the ways once; a comprehension belongs to the function in which it stands."""
    return list(dict.fromkeys(name.partition(".<locals>.<")[0] for way in found.values() for name in way))


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Any:
    return sk.demo("ropeway", tmp_path_factory.mktemp("way") / "study")


@pytest.mark.few(1)
@pytest.mark.parametrize("analyte", ["KV40", "Water", "P", "Si", "Ca"])
def test_from_tidy_rows_to_a_fitted_difference_at_most_fifteen_functions(study: Any, analyte: str) -> None:
    rows, fit = study.tidy(analyte), study.model(analyte)
    given, on_scale = float(rows["value"].iloc[3]), float(rows["y"].iloc[3])
    wanted = {"coefficient": float(fit.reml.beta[1]), "difference": fit.pairs.tests[0].contrast.estimate}
    if given != on_scale:  # a margin in the analyte's own unit takes the result as it is
        wanted["on the margin's scale"] = on_scale
    found = ways(lambda: study.model(analyte).contrasts(), wanted)
    assert found.keys() == wanted.keys()
    passed = functions(found)
    assert {"OpenStudy.model", "fit_analyte", "fit_reml"} <= set(passed), "the way leads through the mixed model"
    assert len(passed) <= MOST, "\n".join(passed)


def test_a_wrapper_more_is_counted() -> None:
    """The count sees what it is to forbid: each further layer is one more."""

    def layered(depth: int) -> Callable[[], float]:
        source = "def f0(): return 7.25\n" + "".join(f"def f{k}(): return f{k - 1}()\n" for k in range(1, depth))
        space: dict[str, Any] = {}
        exec(compile(source, "/layers/made.py", "exec"), space)
        return space[f"f{depth - 1}"]  # type: ignore[no-any-return]

    for depth in (1, 5, MOST + 1):
        found = ways(layered(depth), {"number": 7.25}, "/layers")
        assert functions(found) == [f"f{k}" for k in reversed(range(depth))]
