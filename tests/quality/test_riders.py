"""Consequences of causes already named become hints: which cells and files a cause takes with it, by hand."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from studykit.quality.flags import CheckResult, Flag
from studykit.quality.riders import Cause, beside_copies, beside_slips, causes_of, explained, without_riders


def found(cause: str, place: str, rows: tuple[int, ...], columns: tuple[int, ...]) -> SimpleNamespace:
    return SimpleNamespace(cause=cause, place=place, rows=rows, columns=columns)


def causes(*items: SimpleNamespace, files: pd.DataFrame | None = None, monkeypatch: pytest.MonkeyPatch) -> list[Cause]:
    monkeypatch.setattr("studykit.quality.riders.place_of", lambda f, c: (c.place, ""))
    frame = SimpleNamespace(rows=pd.DataFrame({"sample": ["S1", "S2", "S3"]}), analytes=np.array(["P", "Si", "Ca"]))
    table = pd.DataFrame({"analyte": [], "file": []}) if files is None else files
    t = pd.DataFrame({"sample": ["S1", "S2", "S1"], "analyte": ["P", "P", "Si"], "source_file": ["a.csv", "b.csv", "a.csv"]})
    return causes_of(SimpleNamespace(frame=frame, found=items), CheckResult(rule="files", table=table, flags=(), note=""), t)


def test_a_cause_holds_its_cells_and_one_that_spoils_a_run_its_analytes(monkeypatch):
    """By hand: drift of a run takes its analytes everywhere; in a bottle, or another cause of a run, its cells alone."""
    slip, drift, own, shift, settled = causes(
        found("unit slip", "bottle S1", (0,), (0, 2)), found("drift", "run R1", (0, 1), (1,)),
        found("drift", "bottle S3", (2,), (1,)), found("run shift", "run R2", (1,), (0,)),
        found("rows shifted", "run R1", (0, 1), (0,)), found("own settling", "container C1", (0,), (0,)),
        found("run and stock", "run R1", (0,), (0,)), monkeypatch=monkeypatch)[:5]
    assert slip.cells == {("S1", "P"), ("S1", "Ca")}
    assert slip.words == "unit slip (bottle S1)"
    assert (slip.analytes, drift.analytes, own.analytes, shift.analytes) == (set(), {"Si"}, set(), set())
    assert drift.cells == {("S1", "Si"), ("S2", "Si")}
    real = causes(found("own settling", "container C1", (0,), (0,)), found("run and stock", "run R1", (0,), (0,)),
                  monkeypatch=monkeypatch)
    assert real == []
    assert settled.words.startswith("rows shifted")


def test_a_file_in_another_unit_holds_its_analyte_and_its_bottles(monkeypatch):
    files = pd.DataFrame({"analyte": ["P", "P", "Si"], "file": ["b.csv", "a.csv", "a.csv"], "power": [3.0, 0.0, np.nan]})
    (cause,) = causes(files=files, monkeypatch=monkeypatch)
    assert (cause.words, cause.analytes, cause.cells) == ("the unit of b.csv", {"P"}, {("S2", "P")})


def flag(rule: str, analyte: str, *samples: str) -> Flag:
    return Flag(concern="ask before trusting", rule=rule, analyte=analyte, samples=samples, evidence="seen", where="S1")


def test_a_flag_follows_where_every_analyte_it_names_is_explained_and_of_a_blank_half():
    some = Cause(words="a slip", cells=frozenset({("S1", "P")}), analytes=frozenset({"Ca"}))
    void = Cause(words="rows exchanged", cells=frozenset({("S2", "P")}), void=True)
    hint = explained(flag("duplicates apart", "P, Ca", "S1"), [some])
    assert (hint.concern, hint.evidence) == ("hint only", "follows from a slip: seen")
    for kept in (flag("duplicates apart", "P, Si", "S1"), flag("duplicates apart", "P", "S2"), flag("another rule", "P", "S1"),
                 flag("blank", "P, Si, Zn", "S1"), flag("duplicates apart", "", "S1")):
        assert explained(kept, [some]) is kept
    assert explained(flag("blank", "P, Si", "S1"), [some]).concern == "hint only"
    assert explained(flag("another rule", "P", "S2"), [some, void]).concern == "hint only"  # void cells say nothing at all
    both = explained(flag("check fluid", "P, Ca", "S2"), [some, void])
    assert both.evidence == "follows from a slip and rows exchanged: seen"
    check = CheckResult(rule="x", table=pd.DataFrame(), flags=(flag("blank", "P", "S1"),), note="")
    assert without_riders([check], [some])[0].flags[0].concern == "hint only"


def test_what_departs_in_a_copied_row_is_a_hint_that_names_the_copy():
    copy = Flag(rule="copied row", concern="stop and find out", where="samples S1 and S2", analyte="P, Ca", evidence="agree",
                samples=("S1", "S2"))

    def concern(one: Flag, by: Flag = copy) -> str:
        (check,) = beside_copies([CheckResult(rule="explanations", table=pd.DataFrame(), flags=(one,))],
                                 [CheckResult(rule="copied row", table=pd.DataFrame(), flags=(by,))])
        assert check.flags[0].evidence.endswith("seen")
        return check.flags[0].concern

    assert concern(flag("missing purge", "", "S2")) == concern(flag("portion or dilution", "P, Si", "S1")) == "hint only"
    for kept in (flag("portion or dilution", "P, Si, Zn", "S1"), flag("missing purge", "", "S3"), flag("unit slip", "P", "S1"),
                 flag("run shift", "P", "S1")):
        assert concern(kept) == "ask before trusting"
    assert concern(flag("missing purge", "", "S2"), replace(copy, concern="ask before trusting")) == "ask before trusting"


def test_what_is_said_of_a_reading_beside_its_slip_is_a_hint():
    """By hand: of two slips of a reading the more pressing stands, else the first; what names more stays."""
    def flag(rule: str, analyte: str, sample: str, concern: str = "ask before trusting") -> Flag:
        return Flag(rule=rule, concern=concern, where=f"sample {sample}", evidence="seen", analyte=analyte, samples=(sample,))

    def concerns(*flags: Flag) -> list[str]:
        checks = beside_slips([CheckResult(rule="any", table=pd.DataFrame(), flags=(f,)) for f in flags])
        return [f.concern[:4] for c in checks for f in c.flags]

    slip = flag("unit slip", "P, Si", "S1")
    assert concerns(flag("portion or dilution", "P, Si", "S1"), slip) == ["hint", "ask "]
    assert concerns(slip, flag("unit slip", "Si", "S1")) == ["ask ", "hint"]
    assert concerns(flag("unit slip", "Si", "S1"), flag("unit slip", "Si", "S1", "stop and find out")) == ["hint", "stop"]
    assert concerns(slip, flag("unit slip", "Si", "S2"), flag("value alone", "Si, Zn", "S1"), flag("wrong product", "Si", "S1"),
                    flag("portion or dilution", "", "S1")) == ["ask "] * 5
    assert concerns(flag("unit slip", "Si", "S1", "hint only"), flag("value alone", "Si", "S1")) == ["hint", "ask "]
