"""Rows in and out: the lots of a taken laboratory file add up to what was read, and the figure shows each as long as it is."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from studykit.intake import account
from studykit.plot.forms import figure_forms
from studykit.report.vectors import odd_parts
from tests.intake.test_take import GOOD
from tests.intake_cases import LONG, take


@pytest.fixture
def sums(tmp_path: Path) -> pd.DataFrame:
    """Two values, one of them a limit, and three that cannot be taken."""
    out = take(tmp_path, LONG, {"a.csv": GOOD + "B009;Si;1;mg/kg\nB002;Xx;1;mg/kg\nB003;Si;abc;mg/kg\n"})
    samples = pd.DataFrame({"sample": ["B001", "007", "B003"]})
    return account.table(out, samples)


def test_the_lots_add_up_and_each_begins_where_the_one_before_ends(sums):
    found = sums.set_index("what")
    lots = found.drop([account.READ, account.BOTTLES])
    assert lots["count"].sum() == found.loc[account.READ, "count"] == 5
    assert found.loc[account.REJECTED, "count"] == 3
    assert lots["from"].tolist() == [0, *lots["to"].tolist()[:-1]]
    assert (lots["to"] - lots["from"]).tolist() == lots["count"].tolist()
    missing = found.loc[account.BOTTLES]
    assert missing["count"] == len(missing["which"].split(", ")) == 1
    assert missing["which"] == "B003"
    assert account.title(sums) == "all 5 results accounted for; 1 bottle without any"
    assert "3 rejected" in account.alt(sums)
    assert "B003" in account.alt(sums)


def test_what_does_not_add_up_or_is_missing_nowhere_is_said(sums):
    sums.loc[sums["what"] == account.REJECTED, "count"] = 2
    assert account.title(sums).startswith("4 of 5 results accounted for")
    sums.loc[sums["what"] == account.BOTTLES, ["count", "which"]] = [0, ""]
    assert account.title(sums).endswith("every bottle has one")
    assert "Without" not in account.alt(sums)


def test_a_bar_is_as_long_as_its_count_and_carries_it(sums):
    (ax,) = account.figure(sums).axes
    lots = sums[sums["what"] != account.BOTTLES]
    assert [(p.get_x(), p.get_width()) for p in ax.patches] == list(zip(lots["from"], lots["count"], strict=True))
    assert [t.get_text() for t in ax.texts] == [str(c) for c in lots["count"]]
    assert [t.get_text() for t in ax.get_yticklabels()] == list(lots["what"])
    forms = figure_forms(account.figure(sums))
    assert [odd_parts(form) for form in (forms.svg, forms.narrow)] == ["", ""]  # else the page would show a PNG
    assert account.figure(sums.assign(count=0)) is None
