"""A line that multiplies the columns of a wide table is asked about, whatever it is called; results and a unit line are not."""

from __future__ import annotations

from pathlib import Path

import pytest

from studykit.core.errors import BadInput
from tests.intake_cases import WIDE, take, values

SAMPLES = "B001,9.8,338\nB002,9.1,341\nB003,9.4,345\n"


def _table(line: str, below: bool = False) -> str:
    return "Sample,Si,P\n" + (SAMPLES + line + "\n" if below else line + "\n" + SAMPLES)


@pytest.mark.parametrize("below", [False, True])
@pytest.mark.parametrize("line", [",x 1,x 10", ",*10,*10", ",1:10,1:1", ",1/10,", ",10x,100x", ",\u00d7 2,\u00d7 1",
                                  ",dil. 10,dil. 1", ",Faktor 2,Faktor 2", "Dilution,10,1", "Factor,1,1:10",
                                  "Verd\u00fcnnung,1,2", "DF,x2,x1"])
def test_a_line_of_factors_is_asked_about(tmp_path: Path, line: str, below: bool) -> None:
    with pytest.raises(BadInput, match="multiplied by or diluted") as raised:
        take(tmp_path, WIDE, {"a.csv": _table(line, below)})
    assert "ignore_lines" in str(raised.value)


@pytest.mark.parametrize("line", [",x 1,x 1", ",1:1,", ",,", "Factor,1,1.0"])
def test_a_line_that_changes_nothing_is_refused_by_itself(tmp_path: Path, line: str) -> None:
    out = take(tmp_path, WIDE, {"a.csv": _table(line)})
    assert values(out)["B001", "P", 1] == (338.0, "")


def test_somebody_who_asked_may_say_that_it_is_in_the_results(tmp_path: Path) -> None:
    out = take(tmp_path, WIDE.replace("layout", "ignore_lines = ['x 1 x 10']\nlayout"), {"a.csv": _table(",x 1,x 10")})
    assert values(out)["B003", "P", 1] == (345.0, "")
    assert [k[0] for k in values(out)].count("B001") == 2
