"""Sheets printed under another safety profile than study.toml has now: check and lock stop, plan prints them anew."""

from __future__ import annotations

import pandas as pd
import pytest

from studykit.commands.check import check_folder
from studykit.core.errors import BadInput
from studykit.core.files import write_csv
from studykit.sampling.plan import plan
from studykit.study.definition import load_study
from studykit.study.lock import lock_plan
from studykit.study.printed import PROFILE
from tests.sampling_examples import STUDY_TOML, folder, stock_rows

WORSE = [('free_water = "no"', 'free_water = "yes"', "free_water: no \u2192 yes"),
         ('pressure_or_gas = "no"', 'pressure_or_gas = "unknown"', "pressure_or_gas: no \u2192 unknown"),
         ('mixing_procedure = "WI-3, tumbling of pails"', 'mixing_procedure = ""',
          "tumbling of pails \u2192 not answered"),
         ("liquid_up_to_c = 30", "liquid_up_to_c = 60", "liquid_up_to_c: 30.0 \u2192 60.0")]


@pytest.mark.slow
@pytest.mark.parametrize(("was", "now", "told"), WORSE)
def test_a_profile_made_worse_after_printing_stops_check_and_lock_until_it_is_printed_again(tmp_path, was, now, told) -> None:
    root = folder(tmp_path, stock=stock_rows(12))
    plan(root, load_study(root))
    check_folder(root)
    assert STUDY_TOML.count(was) == 1
    (root / "study.toml").write_text(STUDY_TOML.replace(was, now), encoding="utf-8")
    before = {p.name: p.read_bytes() for p in (root / "plan").iterdir() if p.is_file()}
    for stop in (check_folder, lambda r: lock_plan(r, load_study(r))):
        with pytest.raises(BadInput, match=f"printed before \\[safety\\] was changed .*{told}.*take the old sheets from"):
            stop(root)
    assert {p.name: p.read_bytes() for p in (root / "plan").iterdir() if p.is_file()} == before  # nothing was locked
    said = plan(root, load_study(root)).notes
    assert "the old ones are void, take them from everybody who has them" in said[0]
    check_folder(root)
    lock_plan(root, load_study(root))


@pytest.mark.slow
def test_sheets_that_nobody_draws_by_any_more_stop_nothing(tmp_path) -> None:
    """All is drawn, or an older kit printed and left no record: the notes on barred draws stand as they did."""
    root = folder(tmp_path, stock=stock_rows(12))
    plan(root, load_study(root))
    (root / "study.toml").write_text(STUDY_TOML.replace('free_water = "no"', 'free_water = "yes"'), encoding="utf-8")
    with pytest.raises(BadInput, match="printed before"):
        check_folder(root)
    samples = pd.read_csv(root / "plan/samples.csv", dtype=str)
    write_csv(root / "plan/samples.csv", samples.assign(volume_ml="100"))
    check_folder(root)
    write_csv(root / "plan/samples.csv", samples)
    (root / PROFILE).unlink()
    assert any(n.startswith("BARRED: the plan holds") for n in check_folder(root).notes)
