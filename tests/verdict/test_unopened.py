"""What the stock list holds that is unlike every container opened is named, and no word holds for it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from studykit.model import tables as model_tables
from studykit.study.actions import Action
from studykit.verdict import tables, unopened, uses
from studykit.verdict.rule import StudyVerdict
from tests.verdict_cases import calm, make

HEAD = "container,lot,store,vessel,liquid_height_mm,filled_on\n"
OPENED = "".join(f"C{c},L1,north,drum,500,2025-01-10\n" for c in range(24))


def stage_of(tmp_path, more: str | None):
    stage = make(tmp_path / "s", calm(24, step=0.02), share=20, repeatability={"r": 0.3, "source": "a test"})
    if more is not None:
        (stage.root / "plan/stock.csv").write_text(HEAD + OPENED + more, encoding="utf-8")
    return stage


def lines(n: int, lot: str = "L1", store: str = "north", filled: str = "2025-01-10", first: int = 0) -> str:
    return "".join(f"X{k},{lot},{store},drum,500,{filled}\n" for k in range(first, first + n))


@pytest.mark.few(2)
@pytest.mark.parametrize(("more", "told"), [
    (lines(60, "L9", "cellar", "2019-01-01"),
     ("60 of lot L9, store cellar, older than all opened, standing since 2019-01-01",)),
    (lines(7, "L9") + lines(30, store="cellar", first=7), ("30 of store cellar", "7 of lot L9")),
    (lines(3, filled="2025-06-01") + lines(1, filled="2025-08-01", first=3),
     ("4 younger than all opened, standing since 2025-06-01 to 2025-08-01",)),
    (lines(40, filled="2025-02-01"), ()), ("", ()), (None, ())])
def test_what_is_unlike_all_opened_is_counted_by_lot_store_and_age(tmp_path, more, told) -> None:
    """By hand: 24 opened of lot L1, store north, filled on 10 January 2025; 22 days later is no other age."""
    assert unopened.unlike(stage_of(tmp_path, more)) == told


def test_page_one_and_the_action_say_for_what_no_word_holds(tmp_path) -> None:
    stage = stage_of(tmp_path, lines(60, "L9", "cellar", "2019-01-01"))
    models = model_tables.fit_all(stage)
    outcome = tables.judge_all(stage, models)
    assert outcome.word == "homogeneous"
    table = uses.uses(stage, models, outcome)
    acting = StudyVerdict(word=outcome.word, sentence="", analytes=outcome.analytes, action=Action(do="Use as it stands."))
    text = uses.action(stage, acting, table)
    assert text.endswith(f"60 of lot L9, store cellar, older than all opened, standing since 2019-01-01. {uses.FIRST}")
    assert tables.cannot(stage, models)["what"].iloc[0].startswith(unopened.NO_WORD)
    alone = replace(stage, tables=replace(stage.tables, study=stage.study.model_copy(update={"scope": "container"})))
    assert unopened.sentence(alone) == ""


def test_a_list_with_faults_is_said_and_costs_no_report(tmp_path) -> None:
    assert unopened.sentence(stage_of(tmp_path, "X1,L9,cellar,drum,five hundred,2019-01-01\n")) == unopened.UNREAD


def named_by_hand(opened: list[tuple[str, ...]], listed: list[tuple[str, ...]]) -> dict[str, int]:
    """Each listed container looked at alone: (name, lot, store, day, treatment); groups in words with their numbers."""
    stored = [o for o in opened if o[4] == "stored"]
    days, groups = sorted(date.fromisoformat(o[3]) for o in stored), dict[tuple[str, str, str], list[date]]()
    for name, lot, store, day, _ in listed:
        if name in [o[0] for o in stored]:
            continue
        stood = date.fromisoformat(day)
        age = "older" if (days[0] - stood).days > 31 else "younger" if (stood - days[-1]).days > 31 else ""
        other = ("" if lot in [o[1] for o in stored] else f"lot {lot}",
                 "" if store in [o[2] for o in stored] else f"store {store}",
                 age and f"{age} than all opened, standing since")
        if any(other):
            groups.setdefault(other, []).append(stood)
    spans = {w: [min(d := [x for o, own in groups.items() if w in o[2] for x in own], default=None), max(d, default=None)]
             for w in ("older", "younger")}
    told = {}
    for (lot, store, age), own in groups.items():
        if age:
            first, last = spans[age.split()[0]]
            age += f" {first}" + (f" to {last}" if last != first else "")
        told[f"{len(own)} {'of ' * bool(lot or store)}{', '.join(filter(None, (lot, store, age)))}"] = len(own)
    return told


@pytest.mark.parametrize("seed", range(12))
def test_lists_by_chance_are_named_as_each_container_alone_would_be(monkeypatch, seed) -> None:
    """Brute force over small lists, with days at 31 and 32 from the nearest one opened, and containers that were not stored."""
    chance = np.random.default_rng(seed)
    days = ["2025-03-01", "2025-04-10", "2025-01-29", "2025-01-28", "2025-05-11", "2025-05-12", "2024-06-01", "2025-09-01"]

    def some(n: int, name: str, far: int, lots: str) -> list[tuple[str, ...]]:
        return [(f"{name}{k}", str(chance.choice([*lots])), f"s{chance.integers(1, 3)}",
                 str(chance.choice(days[:far])), "stored")
                for k in range(n)]

    opened = [("O0", "K", "s1", days[0], "stored"), ("O1", "K", "s1", days[1], "stored"),
              ("V1", "M", "s2", days[6], "layered control"), ("V2", "M", "s2", days[7], "stirred")]
    listed = [*opened[:2], *some(int(chance.integers(1, 9)), "X", len(days), "KMN")]
    columns = ["container", "lot", "store", "filled_on", "treatment"]

    def as_table(rows: list[tuple[str, ...]]) -> pd.DataFrame:
        table = pd.DataFrame(rows, columns=columns)
        return table.assign(filled_on=pd.to_datetime(table["filled_on"]))

    stage = SimpleNamespace(containers=as_table(opened), study=SimpleNamespace(time=None, scope="stock"))
    monkeypatch.setattr(unopened, "_stock", lambda _: as_table(listed).assign(treatment="stored"))
    told, by_hand = unopened.unlike(stage), named_by_hand(opened, listed)  # type: ignore[arg-type]
    assert set(told) == set(by_hand)
    assert [by_hand[t] for t in told] == sorted(by_hand.values(), reverse=True)


def test_a_list_without_lots_or_days_says_what_it_can(monkeypatch) -> None:
    """A column that is on one side only tells nothing; a list with no row, nothing either."""
    opened = pd.DataFrame({"container": ["A"], "lot": ["K"], "filled_on": [pd.NaT], "treatment": ["stored"]})
    listed = pd.DataFrame({"container": ["A", "B"], "store": ["s9"] * 2, "filled_on": pd.to_datetime(["2020-01-01"] * 2)})
    stage = SimpleNamespace(containers=opened, study=SimpleNamespace(time=None, scope="stock"))
    for table, told in ((listed, ()), (listed.assign(lot="M"), ("1 of lot M",)), (listed.iloc[:0], ()), (None, ())):
        monkeypatch.setattr(unopened, "_stock", lambda _, t=table: t)
        assert unopened.unlike(stage) == told  # type: ignore[arg-type]
