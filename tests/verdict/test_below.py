"""Where all results lie below their limits: what is said against a margin, by a table of limits and edges."""

from __future__ import annotations

from types import SimpleNamespace

import pandas as pd
import pytest

from studykit.inference.margin import Margin
from studykit.verdict import below


def model(signs: str, limits: list[float], margin: Margin) -> SimpleNamespace:
    table = pd.DataFrame({"qualifier": list(signs.replace(".", " ")), "limit": limits})
    return SimpleNamespace(rows=SimpleNamespace(table=table.replace({"qualifier": {" ": ""}}), margin=margin, unit="mg/kg"))


@pytest.mark.parametrize(("signs", "limits", "margin", "told"), [
    ("<<", [0.5, 0.2], Margin.absolute(2), "0.500"), ("<<", [3.0, 1.0], Margin.absolute(4), "3.00"),
    ("<<", [4.0, 1.0], Margin.absolute(4), ""),  # 0 and just below 4 differ by less, but a limit that meets it is not told so
    ("<<", [3.99, 1.0], Margin.absolute(4), "3.99"), ("<<", [5.0, 1.0], Margin.absolute(4), ""),
    ("<>", [1.0, 1.0], Margin.absolute(4), ""), (">>", [1.0, 1.0], Margin.absolute(4), ""),
    ("<.", [1.0, float("nan")], Margin.absolute(4), ""), ("..", [float("nan")] * 2, Margin.absolute(4), ""),
    ("<<", [1.0, 1.0], Margin.relative(20), ""), ("<<", [0.1, 0.1], Margin.factor(3), ""), ("", [], Margin.absolute(4), "")])
def test_limits_that_all_lie_below_the_margin(signs: str, limits: list[float], margin: Margin, told: str) -> None:
    said = below.all_below(model(signs, limits, margin))  # type: ignore[arg-type]
    assert said == (f"Every result lies below its limit, the highest of them {told} mg/kg: no two readings differ by more than "
                    f"that, which is less than the margin of {margin.text}. {below.WHY_NONE}" if told else "")
    assert below.told(f"Too few. {said} More.") == said
    assert below.told(f"{below.ALL_BELOW}, and no more") == below.told("") == ""
