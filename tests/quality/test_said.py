"""Explanations in words, and how pressing they are: which words follow from which numbers, on a scene made by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from studykit.quality.explain import Candidate
from studykit.quality.suspects import _again, _amount, _factor, _says, concern_of, place_of
from tests.quality.hand import scene_of

SC = scene_of(analytes=("P", "Zn", "S", "KV40"), absolute=("KV40",), tests=("icp", "icp", "icp", "visc"))
F = SC.f
HINT, ASK, STOP = "hint only", "ask before trusting", "stop and find out"


def cand(cause: str, rows: tuple[int, ...] = (4,), columns: tuple[int, ...] = (0,), **more: Any) -> Candidate:
    given = {"gain": 20.0, "price": 4.0, "place": "bottle", "readings": np.zeros((len(rows), len(columns)))} | more
    return Candidate(cause=cause, rows=rows, columns=columns, **given)  # type: ignore[arg-type]


def said(c: Candidate, tests: bool = True) -> str:
    return _says(F if tests else replace(F, tests=()), F.y, c)


@pytest.mark.parametrize(("x", "words"), [(1.0, "1 times"), (12.345, "12.3 times"), (0.15, "0.15 times"), (0.149, "1/6.71 of"),
                                          (0.01, "1/100 of"), (0.5, "0.5 times")])
def test_factors_in_words(x: float, words: str) -> None:
    assert _factor(x) == words


def test_amounts_are_per_cent_of_a_relative_analyte_and_the_unit_of_another() -> None:
    assert _amount(F, cand("drift", amount=np.log(1.05))) == "5 %"
    assert _amount(F, cand("drift", columns=(3,), amount=2.5)) == "2.5"


@pytest.mark.parametrize(("c", "words"), [
    (cand("unit slip", columns=(0, 1), amount=0.1), "P and Zn are 1/10 of what container and depth lead one to expect"),
    (cand("unit slip", columns=(0, 1, 2, 3), amount=0.1), "all its analytes are 1/10 of what container and depth lead one"),
    (cand("unit slip", amount=10.0), "100 is 10 times what container and depth lead one to expect"),
    (cand("carry-over", amount=0.123, detail="B03"), "readings hold about 12 % of the bottle before (after B03)"),
    (cand("carry-over", amount=0.1, place="run R1", detail="blank B reads"), "of the bottle before: blank B reads"),
    (cand("carry-over", amount=0.1), "readings hold about 10 % of the bottle before"),
    (cand("missing purge", amount=0.35), "the first draw of this container, and no later one, reads as if it held about 35 %"),
    (cand("missing purge", amount=0.35, place="container"),
     "each draw reads as if it held some of the one before it (how much is not told by so few draws)"),
    (cand("value alone", readings=np.array([[np.log(50.0)]])), "reads 100 where container and depth lead one to expect 50"),
    (cand("value alone", columns=(3,), readings=np.array([[50.0]])), "container and depth lead one to expect 50"),
    (cand("transposed digits", detail="159"), "reads 100, where 159 would fit: two digits exchanged?"),
    (cand("wrong product", detail="P 2 times"),
     "the whole container reads P 2 times what lot, store and age lead one to expect, each by its own amount"),
    (cand("wrong product", detail="P 2 times", amount=2.0), "by one factor, the other analytes as expected: another product"),
    (cand("drift", amount=np.log(1.05), place="run all", detail="all"), "readings change by 5 % from the first to the last "
                                                                        "position of every run"),
    (cand("drift", amount=np.log(1.05), place="run R1"), "position of this run"),
    (cand("run shift", amount=np.log(0.9)), "this run reads -10 % from the others"),
    (cand("run offset", amount=-20.0), "this run reads 20 in the unit less than the others"),
    (cand("run offset", amount=20.0), "this run reads 20 in the unit more than the others"),
    (cand("check fluid", amount=np.log(1.1)), "the check fluid reads 10 % from other runs here, the containers do not"),
    (cand("run and stock", amount=np.log(1.1)), "the containers of this run read 10 % from those of other runs"),
    (cand("run shift", amount=np.log(0.9), detail="either R1 and R2"),
     "R1 and R2 differ by 10 %; which of them is off cannot be told here (limits of the check fluid would say it)"),
    (cand("check fluid", amount=np.log(1.1), detail="either R1 and R2"),
     "the check fluid's readings of R1 and R2 differ by 10 %"),
    (cand("run and stock", amount=np.log(1.1), detail="either R1 and R2"),
     "the containers of R1 and R2 differ by 10 %; which of them is off cannot be told here (the check fluid reads alike in "
     "both)"),
    (cand("run offset", amount=-20.0, detail="either R1 and R2"), "R1 and R2 differ by 20 in the unit, by the containers al"),
    (cand("exchanged columns", columns=(0, 1), place="run R1"), "P reads as Zn should and Zn as P, in this run: two columns "
                                                                "exchanged?"),
    (cand("exchanged columns", columns=(0, 1), place="run all"), "in every run: two columns exchanged, or two lines of"),
    (cand("exchanged columns", columns=(0, 1), place="run R1", detail="either R1 and R2"), "in either of these runs"),
    (cand("rows shifted", detail="one place later, from place 9 of the run on"),
     "from place 9 of the run on each reading fits the sample that stands one place later"),
    (cand("rows shifted", detail="one place earlier"), "each reading fits the sample that stands one place earlier"),
    (cand("own settling", place="several", detail="three of them"), "three of them: real settling or creaming, likeliest")])
def test_what_is_said(c: Candidate, words: str) -> None:
    assert words in said(c)


def test_limits_that_do_not_tell_are_told_apart_from_none() -> None:
    c = cand("run shift", amount=np.log(0.9), detail="either R1 and R2")
    known = replace(F, reference=np.array([500.0, np.nan, np.nan, np.nan]))
    assert "(the check fluid's limits do not tell)" in _says(known, F.y, c)
    assert "(limits of the check fluid would say it)" in _says(known, F.y, replace(c, columns=(0, 1)))


@pytest.mark.parametrize(("c", "words"), [
    (cand("portion or dilution", columns=(0, 1, 2, 3), amount=0.7),
     "all its analytes read 0.7 times what is expected, by one factor: another fluid in it, a portion too small?"),
    (cand("portion or dilution", columns=(0, 1, 2, 3), amount=1.4), "by one factor: evaporation, a portion too large?"),
    (cand("portion or dilution", columns=(0, 1, 2), amount=0.7),
     "P, Zn and S read 0.7 times what is expected, by one factor, KV40 as expected: a portion too small, or a dilution, in one "
     "test alone?"),
    (cand("portion or dilution", columns=(0, 1, 2), amount=1.4), "a portion too large, or a dilution, in one test alone?"),
    (cand("portion or dilution", columns=(0, 1), amount=0.7), "S and KV40 not clearly so: another fluid in it"),
    (cand("portion or dilution", columns=(0, 1, 2), amount=0.7, detail="P and Zn"),
     "; P and Zn do not settle in this stock, which speaks against settling"),
    (cand("portion or dilution", columns=(0, 1, 2), amount=0.7, detail="P"), "; P does not settle in this stock"),
    (cand("diluted or evaporated", columns=(0, 1, 2), amount=0.8),
     "its analytes but KV40 read 0.8 times what is expected, by one factor: something has been added"),
    (cand("diluted or evaporated", columns=(0, 1, 2, 3), amount=1.2),
     "all its analytes read 1.2 times what is expected, by one factor: something has evaporated?"),
    (cand("diluted or evaporated", columns=(0, 1, 2, 3), amount=0.8, detail="KV40 2 times"),
     "most of its analytes read 0.8 times what is expected, by one factor (KV40 2 times, by amounts of their own)")])
def test_what_is_said_of_one_factor(c: Candidate, words: str) -> None:
    assert words in said(c)


def test_without_known_tests_no_test_alone_is_blamed() -> None:
    c = cand("portion or dilution", columns=(0, 1, 2), amount=0.7)
    assert "KV40 not clearly so: another fluid in it" in said(c, tests=False)
    y = F.y.copy()
    y[4, 3] = np.nan  # what was not read is no other analyte
    assert said(replace(c)).startswith("P, Zn and S read")
    assert _says(replace(F, y=y), y, c).startswith("all its analytes read")


@pytest.mark.parametrize(("c", "where", "samples"), [
    (cand("value alone", place="cell"), "sample B04 (container C1)", ("B04",)),
    (cand("swapped samples", rows=(3, 8), place="across"), "samples B03 and B08 (containers C1 and C2)", ("B03", "B08")),
    (cand("swapped samples", rows=(3, 5), place="within"), "container C1", ("B03", "B05")),
    (cand("exchanged containers", rows=(3, 8), place="containers"), "containers C1 and C2", ("B03", "B08")),
    (cand("drift", rows=tuple(range(8)), place="run R1"), "run R1", tuple(f"B{k:02d}" for k in range(8))),
    (cand("drift", rows=tuple(range(9)), place="run R1"), "run R1", ()),
    (cand("drift", rows=tuple(range(9)), place="run all"), "all runs", ()),
    (cand("run shift", rows=(0, 1), place="run R1", detail="either R1 and R2"), "runs R1 and R2", ("B00", "B01")),
    (cand("run shift", rows=tuple(range(9)), place="run R1", detail="either R1 and R2"), "runs R1 and R2", ())])
def test_where_it_lies(c: Candidate, where: str, samples: tuple[str, ...]) -> None:
    assert place_of(F, c) == (where, samples)


def test_a_second_one_of_one_size_in_a_run_is_none() -> None:
    drift = cand("drift", rows=(0, 1), place="run R1")
    assert _again(drift, [drift])
    assert _again(replace(drift, rows=(1, 2)), [drift])
    assert not _again(replace(drift, rows=(2, 3)), [drift])
    assert not _again(replace(drift, columns=(1,)), [drift])  # another analyte may drift as well
    assert not _again(replace(drift, place="bottle"), [drift])
    carry = cand("carry-over", rows=(0, 1), place="run R1")
    assert _again(replace(carry, columns=(1,)), [carry])  # one run carries over one share, of all
    assert not _again(carry, [drift])
    assert not _again(cand("run shift", rows=(0, 1), place="run R1"), [cand("run shift", rows=(0, 1), place="run R1")])


SETTLED, OTHERS = (("own settling", "C1", 2.0),), (("own settling", "C1", float("nan")),)


@pytest.mark.parametrize(("cause", "net", "rivals", "concern"), [
    ("own settling", 50.0, (), HINT), ("own settling", 50.0, (("portion or dilution", "B04", 3.0),), ASK),
    ("heel in the zone", 11.9, SETTLED, HINT), ("heel in the zone", 12.0, SETTLED, ASK), ("heel in the zone", 5.0, (), ASK),
    ("swapped samples", 17.9, SETTLED, HINT), ("swapped samples", 18.0, SETTLED, ASK),
    ("value alone", 5.0, SETTLED, ASK), ("value alone", 5.0, OTHERS, HINT), ("value alone", 12.0, OTHERS, ASK),
    ("wrong product", 50.0, OTHERS, HINT), ("wrong product", 50.0, SETTLED, ASK), ("wrong product", 11.0, SETTLED, HINT),
    ("rows shifted", 5.0, (), STOP), ("unit slip", 9.0, (), ASK), ("diluted or evaporated", 5.0, SETTLED, ASK)])
def test_how_pressing_it_is(cause: str, net: float, rivals: tuple[tuple[str, str, float], ...], concern: str) -> None:
    """Nats beyond the price up to which settling explains it about as well: 12, of exchanged bottles 18."""
    assert concern_of(F, cand(cause, gain=net + 4, rivals=rivals)) == concern


def test_a_slip_of_one_value_stops_where_bottles_above_and_below_agree() -> None:
    value = F.value.copy()
    value[4, 0] = 10.0  # the middle of C1, between two zones of 100
    f = replace(F, value=value)
    assert concern_of(f, cand("unit slip", place="cell")) == STOP
    assert concern_of(f, cand("unit slip", place="bottle")) == ASK
    assert concern_of(f, cand("unit slip", rows=(3,), place="cell")) == ASK


def test_containers_of_one_run_that_have_settled_are_a_hint() -> None:
    value = F.value.copy()
    value[[5, 8, 11], 0] = 200.0
    f = replace(F, value=value)
    every = tuple(range(12))
    assert concern_of(f, cand("run and stock", rows=every, place="run R1", amount=np.log(1.9))) == HINT
    assert concern_of(f, cand("run and stock", rows=every, place="run R1", amount=-np.log(1.9))) == HINT
    assert concern_of(f, cand("run and stock", rows=every, place="run R1", amount=np.log(2.1))) == ASK
