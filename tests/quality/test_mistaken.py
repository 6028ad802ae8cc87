"""A check fluid under the code of a bottle of its run, and the bottle under the check fluid's: one exchange."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

from studykit.quality.assess import assess
from studykit.quality.mistaken import blank_for_bottle
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


@pytest.mark.slow
@pytest.mark.parametrize("seed", [32000004, 32000005])
def test_a_check_fluid_exchanged_with_a_bottle_is_one_question(seed: int) -> None:
    lab, pair = exchanged(seed)
    flags = assess(*lab.tables(), limits=lab.limits).flags
    asks = flags[flags["concern"].eq(ASK)]
    assert asks["rule"].tolist() == ["swapped samples"], asks.to_string()
    assert set(asks["samples"].iloc[0].split()) == pair
    assert "fits the check fluid" in asks["evidence"].iloc[0]
    assert "fits that bottle of the stock" in asks["evidence"].iloc[0]


def typed(rows: list[tuple[str, str, str, str, float]]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Results and samples from (sample, kind, analyte, qualifier, value), all of one run."""
    t = pd.DataFrame(rows, columns=["sample", "kind", "analyte", "qualifier", "value"])
    return t.drop(columns="kind").assign(run="R1"), t[["sample", "kind"]].drop_duplicates()


def tray(blank: tuple[str, float], bottle: tuple[str, float], kind: str = "spot") -> list[tuple[str, str, str, str, float]]:
    """Five bottles of 80 mg/kg, a blank and one bottle that read so (a qualifier, and a share of 80), two analytes each."""
    known = [("BL", "blank", *blank), ("XX", kind, *bottle), *((f"S{k}", "spot", "", 1.0) for k in range(5))]
    return [(code, what, a, mark, share * level) for code, what, mark, share in known
            for a, level in (("P", 80.0), ("S", 400.0))]


@pytest.mark.parametrize("kind", ["spot", "heel", "check fluid"])
def test_a_blank_that_reads_as_the_stock_and_a_bottle_that_reads_nothing_are_one_question(kind: str) -> None:
    (flag,) = blank_for_bottle(*typed(tray(("", 1.1), ("<", 0.05), kind))).flags
    assert (flag.rule, flag.samples) == ("swapped samples", ("BL", "XX"))
    assert ("the check fluid (XX)" in flag.evidence) == (kind == "check fluid")


@pytest.mark.parametrize(("blank", "bottle"), [(("", 0.1), ("<", 0.05)), (("<", 0.05), ("<", 0.05)), (("", 1.1), ("", 0.9)),
                                               (("", 1.1), ("<", 0.9))])
def test_a_dirty_blank_or_a_lost_portion_alone_is_no_exchange(blank: tuple[str, float], bottle: tuple[str, float]) -> None:
    assert not blank_for_bottle(*typed(tray(blank, bottle))).flags


def test_of_another_run_is_no_exchange() -> None:
    results, samples = typed(tray(("", 1.1), ("<", 0.05)))
    results.loc[results["sample"].eq("XX"), "run"] = "R2"
    assert not blank_for_bottle(results, samples).flags


@pytest.mark.slow
def test_what_the_exchange_brings_about_is_a_hint() -> None:
    lab = make(USUAL, 7)
    w = lab.wide
    k = int(w.index[w["kind"].eq("blank")][0])
    own = w["kind"].eq("spot") & w["run"].eq(str(w.at[k, "run"])) & ~w["sample"].duplicated(keep=False)
    i = int(w.index[own & w["container"].isin(lab.stored())][2])
    w.loc[[k, i], lab.analytes] = w.loc[[i, k], lab.analytes].to_numpy(float)
    study, containers, samples, results = lab.tables()
    mine = results["sample"].eq(str(w.at[i, "sample"]))
    assert mine.any()
    limit = results["analyte"].map(results.groupby("analyte")["value"].median()) / 50
    results = results.assign(qualifier=results["qualifier"].mask(mine, "<"), value=results["value"].mask(mine, limit))
    flags = assess(study, containers, samples, results, limits=lab.limits).flags
    asks = flags[flags["concern"].eq(ASK)]
    assert asks["rule"].tolist() == ["swapped samples"], asks.to_string()
    assert set(asks["samples"].iloc[0].split()) == {str(w.at[k, "sample"]), str(w.at[i, "sample"])}
