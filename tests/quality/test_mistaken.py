"""A check fluid under the code of a bottle of its run, and the bottle under the check fluid's: one exchange."""

from __future__ import annotations

from dataclasses import replace

import pytest

from studykit.quality.assess import assess
from tests.faults.bench import ASK, USUAL
from tests.faults.laboratory import Lab, make, references


def exchanged(seed: int) -> tuple[Lab, set[str]]:
    """A study in which one bottle and one check fluid of its run carry each other's readings."""
    lab = make(USUAL, seed)
    lab = replace(lab, limits=references(lab))
    w = lab.wide
    k = int(w.index[w["kind"].eq("check fluid")][1])
    own = w.index[w["kind"].eq("spot") & w["run"].eq(str(w.at[k, "run"])) & ~w["sample"].duplicated(keep=False)
                  & w["container"].isin(lab.stored())]
    i = int(own[3])
    w.loc[[k, i], lab.analytes] = w.loc[[i, k], lab.analytes].to_numpy(float)
    return lab, {str(w.at[k, "sample"]), str(w.at[i, "sample"])}


@pytest.mark.few(1)
@pytest.mark.parametrize("seed", [32000004, 32000005])
def test_a_check_fluid_exchanged_with_a_bottle_is_one_question(seed: int) -> None:
    lab, pair = exchanged(seed)
    flags = assess(*lab.tables(), limits=lab.limits).flags
    asks = flags[flags["concern"].eq(ASK)]
    assert asks["rule"].tolist() == ["swapped samples"], asks.to_string()
    assert set(asks["samples"].iloc[0].split()) == pair
    assert "fits the check fluid" in asks["evidence"].iloc[0]
    assert "fits that bottle of the stock" in asks["evidence"].iloc[0]
