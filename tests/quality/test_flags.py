"""Flags that say the same of many samples stand in one line of the page; the saved table keeps each."""

from __future__ import annotations

import pandas as pd

from studykit.quality.flags import ALIKE, Flag, flag_table, folded


def metals(n: int) -> list[Flag]:
    return [Flag(rule="wear metals", concern="hint only", where=f"sample {k}", analyte="Cu", samples=(str(k),),
                 evidence=f"Cu {k}.5 (limit 1): a dirty tool?") for k in range(n)]


def test_what_repeats_itself_stands_in_one_line_with_its_count() -> None:
    other = Flag(rule="drift", concern="ask before trusting", where="all runs", analyte="Cu", evidence="readings change")
    table = flag_table([other, *metals(51)])
    got = folded(table)
    assert list(got.columns) == list(table.columns)
    assert list(got["where"]) == ["all runs", "51 flags alike, the first: sample 0"]
    assert got["evidence"].iloc[1] == "Cu 0.5 (limit 1): a dirty tool?"
    assert got["samples"].iloc[1] == " ".join(sorted(map(str, range(51))))


def test_few_others_and_none_stay_as_they_are() -> None:
    few = flag_table(metals(ALIKE - 1))
    pd.testing.assert_frame_equal(folded(few), few)
    assert len(folded(flag_table(metals(ALIKE)))) == 1
    apart = flag_table([Flag(rule="x", concern="hint only", where=str(k), evidence=f"says {k}") for k in range(9)])
    assert len(folded(apart)) == 9
    assert folded(few.head(0)).empty
