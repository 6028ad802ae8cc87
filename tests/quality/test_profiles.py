"""Other bottles of a container for or against settling: slips, swaps, limits, containers of runs."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from studykit.quality.frame import rho
from studykit.quality.plausibility import odd_limits
from studykit.quality.profiles import heel_gain, refuted
from tests.faults.bench import STOP, USUAL, explained, flags_of
from tests.faults.laboratory import Lab, make


def reads(lab: Lab, container: str, analyte: str, **cells: str) -> Lab:
    """The lab with these cells, by depth (every determination; duplicates of these depths too)."""
    for depth, text in cells.items():
        lab.edits += [(int(i), analyte, text) for i in lab.rows(container=container, depth=depth)]
    return lab


def slips(lab: Lab) -> pd.DataFrame:
    return explained(lab).query("rule == 'unit slip'")


@pytest.mark.slow
def test_a_slip_between_calm_zones_stops() -> None:
    """17 mg/kg above and below, 1.7 between: no fluid reads so."""
    (slip,) = slips(reads(make(USUAL, 3), "C09", "Si", upper="17.2", middle="1.7", lower="17.4")).to_dict("records")
    assert slip["concern"] == STOP


@pytest.mark.slow
def test_a_slip_beside_a_duplicate_of_its_zone_stops_at_the_ends_too() -> None:
    """Lowest draw 92 mg/kg, its duplicate and the zones above 900: the fluid cannot read both."""
    lab = make(USUAL, 3)
    lab.edits += [(int(i), "Zn", "92") for i in lab.rows(container="C03", depth="lower", kind="spot")]
    assert len(lab.rows(container="C03", depth="lower", kind="duplicate")) == 1
    (slip,) = slips(lab).to_dict("records")
    assert slip["concern"] == STOP
    alone = make(USUAL, 3)
    alone.edits += [(int(i), "Zn", "92") for i in alone.rows(container="C09", depth="lower", kind="spot")]
    assert STOP not in set(explained(alone)["concern"])


@pytest.mark.slow
@pytest.mark.parametrize("upper", ["<2", "0.4", "2.2"])
def test_a_tenth_on_the_way_down_a_profile_never_stops(upper: str) -> None:
    """A limit is a low value: below 2, then 2.3, then 26 is a profile, not a slip."""
    lab = make(replace(USUAL, heels=12), 3)
    for c in ("C09", "C10", "C11"):
        reads(lab, c, "Si", upper=upper, middle="2.3", lower="26.0", heel="80.0")
    flags = explained(lab)
    assert STOP not in set(flags["concern"]), flags.to_string()


@pytest.mark.slow
def test_the_heel_speaks_for_creaming_against_a_swap() -> None:
    """One container creams where the others settle: exchanged bottles would have left its heel as rich as theirs."""
    lab = make(replace(USUAL, heels=12, settled=1.0, uneven=0.1), 6, {"C09": ("creamed", 0.25)})
    flags = flags_of(lab)
    assert "swapped samples" not in set(flags["rule"]), flags.to_string()
    assert flags.query("rule == 'own settling'")["where"].str.contains("C09").any()


def _limits(**zones: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    place = {"upper": 0.83, "middle": 0.5, "lower": 0.17, "again": 0.83}
    samples = pd.DataFrame([(z, "D1", "spot", h) for z, h in place.items()], columns=["sample", "container", "kind", "height"])
    cells = list(zones.items()) + [(f"other{k}", "70") for k in range(6)]
    low = [c.startswith("<") for _, c in cells]
    number = [float(c.lstrip("<")) for _, c in cells]
    results = pd.DataFrame({"sample": [s for s, _ in cells], "analyte": "Si", "value": number, "unit": "mg/kg",
                            "qualifier": ["<" if b else "" for b in low],
                            "limit": [v if b else float("nan") for v, b in zip(number, low, strict=True)],
                            "source_file": "lab.csv", "source_row": range(len(cells))})
    return results, samples


@pytest.mark.parametrize(("zones", "odd"), [
    ({"upper": "<2", "middle": "30", "lower": "70"}, False),
    ({"upper": "70", "middle": "30", "lower": "<2"}, False),
    ({"upper": "70", "middle": "<2", "lower": "70"}, True),
    ({"upper": "<2", "again": "60", "middle": "60", "lower": "70"}, True)])
def test_a_low_limit_is_odd_only_where_its_container_cannot_have_settled_so(zones: dict[str, str], odd: bool) -> None:
    assert bool(odd_limits(*_limits(**zones)).flags) is odd


@pytest.mark.slow
def test_a_shifted_stock_of_uneven_containers_is_a_hint() -> None:
    """Half of the stock has settled far; which containers lay in which run is no question for the laboratory."""
    lab = make(replace(USUAL, runs=2, settled=0.1), 9, {f"C{k:02d}": ("settled", 0.5) for k in range(1, 7)})
    flags = explained(lab).query("rule == 'run and stock'")
    assert set(flags["concern"]) <= {"hint only"}, flags.to_string()


@pytest.mark.parametrize(("value", "above", "below", "told"), [
    (10.0, 100.0, 110.0, True), (400.0, 100.0, 110.0, True),  # three times beside those around it, and more
    (40.0, 100.0, 110.0, False), (35.0, 100.0, 110.0, False),
    (300.0, 100.0, 110.0, False), (320.0, 100.0, 110.0, False),  # within three times the lowest and the highest
    (10.0, 100.0, 160.0, False),  # the others differ among themselves by more than a half
    (10.0, 0.0, 110.0, False), (10.0, 100.0, np.nan, False)])  # nothing, or nothing below
def test_bottles_above_and_below_rule_a_value_out_where_they_agree(value, above, below, told) -> None:
    """By hand: 1.5 times among themselves, 3 times beside; a container of three zones."""
    value_of = np.array([[above], [value], [below]])
    f = SimpleNamespace(rows=pd.DataFrame({"container": "C1", "kind": "spot", "height": [0.9, 0.5, 0.1]}), value=value_of,
                        raw=value_of)
    assert refuted(f, 1, 0) is told  # type: ignore[arg-type]
    assert refuted(f, 0, 0) is False  # type: ignore[arg-type]  # nothing lies above it


def test_a_heel_speaks_where_three_others_do_and_a_heel_there_is() -> None:
    """Heels of the others lie 1, 2 and 3 above their containers, so 2 is usual and 1.4826 their scatter: one of 8 is
    (8 - 2)/1.4826 = 4.05 out. With two others, or without a heel of its own, it says nothing."""
    names = ("C0", "C1", "C2", "C3", "C4")
    far = [8.0, 1.0, 2.0, 3.0]
    rows = pd.DataFrame({"container": ["C0", "C1", "C2", "C3", "C4"], "kind": ["heel"] * 4 + ["spot"], "treatment": "stored"})
    y = np.array([[10 + k + d] for k, d in enumerate(far)] + [[14.0]])
    level = np.array([[10.0 + k] for k in range(5)])
    f = SimpleNamespace(analytes=("P",), names=names, rows=rows, y=y, zone=np.array([False] * 4 + [True]))
    s = np.full((5, 1), 0.1)
    assert heel_gain(f, level, s, 0) == pytest.approx(rho(np.array([6 / 1.4826])))  # type: ignore[arg-type]
    assert heel_gain(f, level, s, 4) == [0]  # type: ignore[arg-type]
    few = [0, 1, 2, 4]
    two = SimpleNamespace(analytes=("P",), names=names, rows=rows.iloc[few], y=y[few], zone=f.zone[few])
    assert heel_gain(two, level, s[:4], 0) == [0]  # type: ignore[arg-type]
