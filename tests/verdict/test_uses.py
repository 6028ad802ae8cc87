"""The answer by use: words by hand, the veto, and no study with a bad floor filed as 'use as it stands'."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from studykit.inference import Margin
from studykit.model import tables as model_tables
from studykit.study.actions import Action, barred_note
from studykit.verdict import estimands, uses
from studykit.verdict import floors as floor
from studykit.verdict.rule import StudyVerdict
from studykit.verdict.tables import judge_all
from tests.verdict import floors
from tests.verdict_cases import calm, make

HEEL_SD = 0.3


def with_heels(values: list[float | str] | None):
    cells = calm(len(values) if values is not None else 6)
    for (_, depths), value in zip(cells.items(), values or [], strict=False):
        depths["heel"] = [value]
    return cells


def judged(tmp_path, values: list[float | str] | None, **own):
    stage = make(tmp_path / "s", with_heels(values), share=90, **own)  # few containers: the share is not what is asked here
    models = model_tables.fit_all(stage)
    outcome = judge_all(stage, models)
    return stage, outcome, uses.uses(stage, models, outcome)


def word(table: pd.DataFrame, use: str) -> str:
    return str(table.loc[table["use"] == use, "word"].item())


def test_each_use_has_its_word_with_its_interval(tmp_path) -> None:
    _, outcome, table = judged(tmp_path, [100.1, 100.2, 99.9, 100.0, 100.3, 99.8])
    assert outcome.word == "homogeneous"
    assert table["use"].tolist() == ["first litres", "last litres", "zones", "floor"]
    assert set(table["word"]) == {"within the margin"}
    assert table[["estimate", "low", "high"]].notna().all().all()
    assert list(uses.shown(table).columns) == ["analyte", "first litres", "zones", "last litres", "floor"]


@pytest.mark.parametrize(("apart", "told"), [(4.9, ""), (5.0, uses.LESS), (-4.9, ""), (-5.0, uses.MORE)])
def test_zones_at_the_margin_exactly_are_not_inside_it(monkeypatch, apart, told) -> None:
    """Whole readings differ from a stirred rest by just 5: which side it lies on is said from there on."""
    monkeypatch.setattr(uses, "word_of", lambda *_, **__: (uses.UNDECIDED, ""))
    monkeypatch.setattr(uses, "_mean", lambda *_, **__: ("", math.nan, math.nan, math.nan, ""))
    model = SimpleNamespace(path="mixed model", rows=SimpleNamespace(margin=Margin.absolute(5)))
    drawn = SimpleNamespace(nearest={"C1": apart, "C2": apart}, unseen=())
    assert uses._whole(None, model, pd.DataFrame(), drawn, None, "")[-1] == told  # type: ignore[index, arg-type]


def test_the_floor_of_one_container_is_that_of_the_stated_precision(tmp_path) -> None:
    cells = {"T1": {"upper": [100.0], "middle": [100.2], "lower": [100.1], "heel": [130.0]}}
    stage = make(tmp_path / "s", cells, repeatability={"r": 4.0, "source": "invented"})
    models = model_tables.fit_all(stage)
    table = uses.uses(stage, models, judge_all(stage, models))
    alone = floor.of_one(stage, models[0], uses.usable(stage))
    assert alone is not None
    row = table.set_index("use").loc["floor"]
    assert (row["estimate"], row["low"], row["high"], row["word"]) == (*alone[1:4], uses.BEYOND)


@pytest.mark.few(1)
@pytest.mark.parametrize(("values", "said"), [
    ([121.9, 122.0, 121.6, 122.1, 121.8, 121.7], "beyond the margin"),
    ([104.0, 106.0, 103.5, 106.3, 104.4, 105.8], "cannot tell"),
])
def test_the_floor_vetoes_the_action(tmp_path, values, said) -> None:
    stage, outcome, table = judged(tmp_path, values)
    assert outcome.word == "homogeneous"  # the zones agree
    assert word(table, "floor") == said
    text = uses.action(stage, acting(outcome), table)
    assert "Use as it stands" not in text
    assert f"vetoed by use: P, floor: {said}, +" in text
    assert " % (90 % interval " in text  # the table of page one has the 95 % one of an open analyte
    assert "against ±5 %" in text


def test_an_interval_of_another_level_says_so_and_why() -> None:
    rows = [("P", use, "cannot tell", 1.0, -2.0, 4.0, "%", "±2 %", "", level)
            for use, level in (("first litres", 90.0), ("zones", 95.0), ("last litres", 90.0), ("floor", 90.0))]
    told = uses.shown(pd.DataFrame(rows, columns=[*uses.COLUMNS, uses.LEVEL])).iloc[0]
    assert told["floor"] == "cannot tell: 1.00 (−2.00 to 4.00) %"
    assert told["zones"] == "cannot tell: 1.00 (−2.00 to 4.00, 95 % interval for all pairs together) %"


@pytest.mark.few(1)
@pytest.mark.parametrize(("high", "lying"), [((3, 7, 11), "C3, C7 and C11"), ((5,), "C5")])
def test_a_floor_beyond_in_some_containers_vetoes_and_names_them(tmp_path, high, lying) -> None:
    """The mean of the floors is within, as only a few hold a layer: +7.5 % (one alone: +20 %) against +/-5 %."""
    layer = 107.5 if len(high) > 1 else 120.0
    stage, outcome, table = judged(tmp_path, [layer if c in high else 100.0 + 0.1 * (c % 3 - 1) for c in range(12)],
                                   repeatability={"r": 1.1, "source": "a test"})
    assert outcome.word == "homogeneous"
    assert word(table, "floor") == "beyond the margin in single containers"
    assert word(table, "last litres") == "within the margin above the floor"
    text = uses.action(stage, acting(outcome), table)
    assert "Use as it stands" not in text
    assert f"P, floor: beyond the margin in single containers ({lying}), on average +" in text
    assert f"({lying}): on average " in uses.shown(table)["floor"].item()  # not the number of those named
    treated = floor.beyond(stage, model_tables.fit_all(stage))  # and they stand among the containers to treat
    assert set(treated["container"]) == {f"C{c}" for c in high}
    assert set(treated["pair"]) == {floor.FLOOR}
    assert treated["difference"].to_numpy() == pytest.approx(layer - 100.0, abs=0.5)


def test_floors_of_more_containers_than_allowed_may_lie_beyond_where_few_were_drawn(tmp_path) -> None:
    """Level floors of 5 of 16: the others' may lie beyond in up to 1 - 0.05^(1/5) = 45 %, and 20 % are allowed (by hand)."""
    cells = calm(16, step=0.05)
    for c in range(5):
        cells[f"C{c}"]["heel"] = [100.0 + 0.02 * (c - 2)]
    stage = make(tmp_path / "s", cells, share=20, repeatability={"r": 0.3, "source": "a test"})
    models = model_tables.fit_all(stage)
    outcome = judge_all(stage, models)
    table = uses.uses(stage, models, outcome)
    assert outcome.word == "homogeneous"
    assert word(table, "floor") == "cannot tell"
    assert "up to 45" in table.loc[table["use"] == "floor", "why"].item()
    assert "Use as it stands" not in uses.action(stage, acting(outcome), table)


@pytest.mark.slow
@pytest.mark.parametrize(("sign", "value", "said"), [("<", 2.0, floor.SINGLE), (">", 500.0, floor.SINGLE),
                                                     (">", 90.0, floor.UNDECIDED),
                                                     ("<", 120.0, floor.UNDECIDED)])
def test_a_floor_known_only_as_a_limit_is_not_left_out(tmp_path, sign, value, said) -> None:
    """One heel of twelve says ">500": the mean of the eleven others lies within, and the floor is not."""
    heels: list[float | str] = [100.0 + 0.1 * (c % 3 - 1) for c in range(12)]
    heels[5] = f"{sign}{value:g}"
    stage, outcome, table = judged(tmp_path, heels, repeatability={"r": 1.1, "source": "a test"})
    assert word(table, "floor") == said
    assert table.loc[table["use"] == "floor", "why"].item() == ("C5" if said == floor.SINGLE else
                                                                 "known only as a limit: C5")
    assert "Use as it stands" not in uses.action(stage, acting(outcome), table)


@pytest.mark.parametrize(("sign", "limit", "span", "nearest"), [
    ("<", 50.0, (-30.0, 20.0), 0.0), ("<", 20.0, (-30.0, -10.0), -10.0), (">", 10.0, (-20.0, math.inf), 0.0),
    (">", 200.0, (170.0, math.inf), 170.0)])
def test_what_a_limit_may_be_against_zones_of_30_mg_per_kg(sign, limit, span, nearest) -> None:
    assert floor._apart(Margin.absolute(100.0, "mg/kg"), floor._bounds(sign, limit), (30.0, 30.0)) == span
    assert floor._nearest(*span) == nearest


def of(tmp_path, cells, **own):
    stage = make(tmp_path / "s", cells, **({"share": 90} | own))
    models = model_tables.fit_all(stage)
    outcome = judge_all(stage, models)
    table = uses.uses(stage, models, outcome)
    return table, uses.action(stage, acting(outcome), table), floor.beyond(stage, models)


PRECISE = {"repeatability": {"r": 1.1, "source": "a test"}}


@pytest.mark.few(1)
@pytest.mark.parametrize(("containers", "heels"), [(12, True), (12, False), (1, False), (2, False)])
def test_matter_that_the_zones_lack_vetoes(tmp_path, containers, heels) -> None:
    """Zones and heels at 100, what was stirred afterwards at 140: 1 - 100/140 = 28.6 % of it lies where nobody drew."""
    cells = calm(containers, step=0.05)
    for c, depths in enumerate(cells.values()):
        depths |= {"composite": [140.0 + 0.1 * (c % 3 - 1)]} | ({"heel": [100.0 + 0.02 * (c % 3 - 1)]} if heels else {})
    table, text, _ = of(tmp_path, cells, **PRECISE)
    row = table[table["use"] == uses.WHOLE].iloc[0]
    assert (row["word"], row["why"]) == (floor.BEYOND, uses.LESS)
    assert row["estimate"] == pytest.approx(-28.6 if containers > 1 else -40, abs=0.2)  # of one: per cent of the zones
    assert "Use as it stands" not in text
    assert f"P, whole container: beyond the margin ({uses.LESS}), -" in text.replace("−", "-")


@pytest.mark.slow
@pytest.mark.parametrize(("rest", "why"), [(250.0, uses.LESS), (1000.0, uses.LESS), (40.0, uses.MORE)])
def test_the_rest_of_one_container_may_hold_many_times_the_zones_or_less(tmp_path, rest, why) -> None:
    """By hand: zones of 100 against 250 are -150 % of the zones, and a tenfold rest -900 %: no logarithm of that is taken."""
    cells = calm(1, step=0.05)
    cells["C0"]["composite"] = [rest]
    table, text, _ = of(tmp_path, cells, **PRECISE)
    row = table[table["use"] == uses.WHOLE].iloc[0]
    assert (row["word"], row["why"]) == (floor.BEYOND, why)
    assert row["estimate"] == pytest.approx(100 - rest, abs=0.3)
    assert "Use as it stands" not in text


def test_heels_that_are_limits_are_not_told_as_if_no_draw_had_reached_the_floor(tmp_path) -> None:
    cells = calm(8, step=0.05)
    table, _, _ = of(tmp_path, cells)
    assert uses.unseen(table)
    assert not uses.unseen(table.assign(why="known only as limits"))
    assert not uses.unseen(table[table["use"] != "floor"])
    two = pd.DataFrame({"use": "floor", "word": [uses.UNKNOWN, uses.UNKNOWN], "why": ["", ""]})
    assert uses.unseen(two)
    assert not uses.unseen(two.assign(word=[uses.UNKNOWN, uses.WITHIN]))  # one analyte was measured there
    assert not uses.unseen(two.assign(why=["", "known only as limits"]))


@pytest.mark.slow
def test_matter_missing_in_some_containers_names_them_and_a_whole_that_agrees_vetoes_nothing(tmp_path) -> None:
    cells = calm(12, step=0.05)
    for c, depths in enumerate(cells.values()):
        depths["composite"] = [130.0 if c in (2, 9) else 100.0 + 0.1 * (c % 3 - 1)]
    table, text, _ = of(tmp_path / "some", cells, **PRECISE)
    assert (table["word"].iloc[-1], table["why"].iloc[-1]) == (floor.SINGLE, f"C2 and C9; {uses.LESS}")
    assert "Use as it stands" not in text
    level = cells | {c: cells[c] | {"composite": [100.0]} for c in ("C2", "C9")}
    table, text, _ = of(tmp_path / "none", level, **PRECISE)
    assert word(table, uses.WHOLE) == floor.WITHIN
    assert text.endswith(" Use as it stands.")
    assert text.startswith(uses.UNSEEN)
    assert "whole container" in uses.shown(table).columns


@pytest.mark.few(1)
@pytest.mark.parametrize(("rest", "heels", "vetoed"), [((96.0, 107.0), True, False), ((96.0, 107.0), False, True),
                                                       ((101.0, 117.0), True, True)])
def test_a_whole_that_cannot_be_told_vetoes_unless_the_heels_show_the_floor_within(tmp_path, rest, heels, vetoed) -> None:
    """Two rests: 90 % interval of 2 values is +-6.3 SE. By hand -1.4 and -8.0 % of the whole, against 5 %."""
    cells = calm(8, step=0.05)
    cells["C0"]["composite"], cells["C1"]["composite"] = ([v] for v in rest)
    for c, depths in enumerate(cells.values()):
        depths.update({"heel": [100.0 + 0.1 * (c % 3 - 1)]} if heels else {})
    table, text, _ = of(tmp_path, cells)
    assert word(table, uses.WHOLE) == floor.UNDECIDED
    assert ("Use as it stands" not in text) is vetoed


@pytest.mark.slow
@pytest.mark.parametrize(("heels", "said", "named"), [
    ([2100.0] * 16, floor.BEYOND, 16), ([">5000"] * 16, floor.BEYOND, 16),
    (["<50"] * 3 + [2100.0] + ["<50"] * 8 + [">5000"] + ["<50"] * 3, floor.SINGLE, 2),
    ([60.0] * 16, floor.WITHIN, 0), (["<50"] * 16, floor.WITHIN, 0), (["<50"] * 15 + ["<300"], floor.UNKNOWN, 0),
    (["<50"] * 15 + [[]], floor.UNDECIDED, 0)])
def test_water_on_the_floor_is_seen_under_zones_that_are_limits(tmp_path, heels, said, named) -> None:
    """Every zone "<50", margin 100 mg/kg: a heel of 2100 is at least 2050 more, one of ">5000" at least 4950."""
    cells = {f"C{c}": {d: ["<50"] for d in ("upper", "middle", "lower")} | {"heel": heel if isinstance(heel, list) else [heel]}
             for c, heel in enumerate(heels)}
    table, _, beyond = of(tmp_path, cells, margin={"absolute": 100}, repeatability={"r": 20.0, "source": "a test"})
    assert word(table, "floor") == said
    assert len(beyond) == named
    if named == 2:
        assert table.loc[table["use"] == "floor", "why"].item() == "C3 and C12"
    if named:
        assert beyond["difference"].min() >= 2050


@pytest.mark.slow
def test_limits_in_zones_and_heels_say_nothing_of_a_ratio_and_one_container_is_seen_too(tmp_path) -> None:
    trace = {f"C{c}": {d: ["<1"] for d in ("upper", "middle", "lower", "heel")} for c in range(8)}
    table, _, _ = of(tmp_path / "trace", trace, **PRECISE)
    assert word(table, "floor") == floor.UNKNOWN
    alone = {"C0": {"upper": ["<50"], "middle": ["<50"], "lower": ["<50"], "heel": [2100.0]}}
    table, _, _ = of(tmp_path / "one", alone, margin={"absolute": 100}, repeatability={"r": 20.0, "source": "a test"})
    assert word(table, "floor") == floor.BEYOND


@pytest.mark.slow
@pytest.mark.parametrize("containers", [12, 1])
def test_heels_all_of_which_were_lost_are_not_less_than_some(tmp_path, containers) -> None:
    cells = calm(containers, step=0.05)
    for depths in cells.values():
        depths["heel"] = []
    table, text, _ = of(tmp_path, cells, **PRECISE)
    assert (word(table, "floor"), table.loc[table["use"] == "floor", "why"].item()) == (floor.UNDECIDED, floor.NO_RESULT)
    assert "Use as it stands" not in text


@pytest.mark.slow
def test_a_lost_zone_hides_no_floor_and_a_lost_heel_is_none_within(tmp_path) -> None:
    """By hand: of 18 level floors up to 15 % could lie beyond, of 12 with 6 lost far more than the 20 % allowed."""
    cells = calm(18, step=0.05)
    for c in range(18):
        cells[f"C{c}"]["heel"] = [500.0 if c == 5 else 100.0]
    del cells["C5"]["lower"]
    own = {"share": 20, "repeatability": {"r": 0.3, "source": "a test"}}
    stage = make(tmp_path / "zone", cells, **own)
    models = model_tables.fit_all(stage)
    table = uses.uses(stage, models, judge_all(stage, models))
    assert (word(table, "floor"), table.loc[table["use"] == "floor", "why"].item()) == (floor.SINGLE, "C5")
    level = calm(18, step=0.05)
    for c in range(18):
        level[f"C{c}"]["heel"] = [100.0]
    stage = make(tmp_path / "heels", level, **own)
    models = model_tables.fit_all(stage)
    outcome = judge_all(stage, models)
    t, gone = stage.tables, {f"C{c}" for c in range(6)}
    lost = t.samples.loc[(t.samples["kind"] == "heel") & t.samples["container"].isin(gone), "sample"]
    fewer = replace(stage, tables=replace(t, results=t.results[~t.results["sample"].isin(lost)]))
    drawn = floor.floors(fewer, models[0], fewer.tables.results)
    assert set(drawn.unseen) == gone
    assert word(uses.uses(fewer, models, outcome), "floor") == floor.UNDECIDED
    (stage.root / "plan/exclusions.csv").write_text("sample,analyte,replicate,reason,who,date\n" + "".join(
        f"{s},P,,the bottle leaked,lab lead,2026-01-20\n" for s in lost), encoding="utf-8")
    assert word(uses.uses(stage, models, outcome), "floor") == floor.UNDECIDED  # the same, taken out by a person


@pytest.mark.slow
def test_the_floor_of_one_container_is_judged_by_its_stated_precision(tmp_path) -> None:
    """By hand: heel minus the mean of three zones, 1.645 s_r sqrt(1 + 1/3) either way, s_r = 1/2.77 (relative to 100)."""
    for heel, said in ((200.0, floor.BEYOND), (100.0, floor.WITHIN), (105.0, floor.UNDECIDED)):
        cells = calm(1, step=0.05)
        cells["C0"]["heel"] = [heel]
        stage = make(tmp_path / f"{heel:g}", cells, repeatability={"r": 1.0, "source": "a test"})
        models = model_tables.fit_all(stage)
        table = uses.uses(stage, models, judge_all(stage, models))
        row = table[table["use"] == "floor"].iloc[0]
        zones = np.mean([cells["C0"][d][0] for d in ("upper", "middle", "lower")])
        half = 1.645 / 2.77 * np.sqrt(4 / 3)
        assert row["word"] == said
        assert row["estimate"] == pytest.approx(100 * (heel - zones) / zones, abs=0.05)
        assert (row["high"] - row["low"]) / 2 == pytest.approx(half, rel=0.02)


def test_a_floor_has_as_many_results_as_were_measured_on_it_and_one_where_it_reads_as_a_limit(tmp_path) -> None:
    cells = calm(6)
    for container, heel in {"C0": [100.0], "C1": [100.0, 100.4, 99.6], "C2": ["<120"]}.items():
        cells[container]["heel"] = heel
    stage = make(tmp_path / "s", cells)
    (model,) = model_tables.fit_all(stage)
    assert floor.floors(stage, model, model_tables.usable(stage)).results == {"C0": 1, "C1": 3, "C2": 1}


@pytest.mark.few(1)
@pytest.mark.parametrize(("heel", "named"), [(111.8, 0), (112.9, 1)])
def test_the_floor_of_one_container_is_named_from_the_noise_of_two_single_results(tmp_path, heel, named) -> None:
    """By hand: zones of 100, margin 10, s_r 1: named from 100 + 10 + 1.645 sqrt(2) = 112.3."""
    cells = {"C0": {"upper": [100.0], "middle": [100.0], "lower": [100.0], "heel": [heel]}}
    *_, beyond = of(tmp_path, cells, margin={"absolute": 10}, repeatability={"s_r": 1.0, "source": "a test"})
    assert len(beyond[beyond["pair"] == floor.FLOOR]) == named


def test_a_heel_of_nothing_has_a_difference_and_no_ratio() -> None:
    assert floor._far(Margin.absolute(10, "mg/kg"), 0.0, 100.0) == -100
    assert floor._far(Margin.relative(5), 110.0, 100.0) == pytest.approx(math.log(1.1))
    for value, zones in ((0.0, 100.0), (100.0, 0.0), (0.0, 0.0)):
        assert math.isnan(floor._far(Margin.relative(5), value, zones))


def test_a_use_of_an_analyte_for_information_vetoes_nothing(tmp_path) -> None:
    stage, outcome, table = judged(tmp_path, [121.9, 122.0, 121.6, 122.1, 121.8, 121.7])
    p = stage.study.analytes["P"]
    other = stage.study.model_copy(update={"analytes": {"P": p.model_copy(update={"role": "information"}), "Q": p}})
    calm_floor = table.assign(analyte="Q", word="within the margin")
    both = pd.concat([table, calm_floor], ignore_index=True)
    informed = replace(stage, tables=replace(stage.tables, study=other))
    assert uses.action(informed, acting(outcome), both).endswith(" Use as it stands.")
    assert "vetoed by use" in uses.action(stage, acting(outcome), table)


@pytest.mark.few(1)
@pytest.mark.parametrize(("values", "vetoed"), [([121.9, 122.0, 121.6, 122.1, 121.8, 121.7], True), (None, False),
                                                ([100.1, 100.2, 99.9, 100.0, 100.3, 99.8], False)])
def test_an_uneven_stock_has_the_same_vetoes_and_speaks_of_containers_not_opened(tmp_path, values, vetoed) -> None:
    stage, outcome, table = judged(tmp_path, values)
    uneven = StudyVerdict(word="uneven", sentence="", analytes=outcome.analytes,
                          action=Action(do="Use the others as they stand.", asks_for=("nothing",)))
    text = uses.action(stage, uneven, table)
    assert ("Use the others as they stand" in text) is not vetoed
    assert ("vetoed by use: P, floor: beyond the margin, +" in text) is vetoed
    assert (uses.UNSEEN in text) is (values is None)
    assert text.endswith(uses.UNOPENED)
    assert "None that is not named is thereby shown to be within the margin, opened or not" in text


def acting(outcome: StudyVerdict) -> StudyVerdict:
    return StudyVerdict(word=outcome.word, sentence=outcome.sentence, action=Action(do="Use as it stands."),
                        analytes=outcome.analytes)


def test_without_a_heel_draw_the_floor_is_said_to_be_unknown(tmp_path) -> None:
    stage, outcome, table = judged(tmp_path, None)
    assert word(table, "floor") == "nothing is known"
    told = f"{uses.UNSEEN} {barred_note(stage.study.safety)} Use as it stands."  # its [safety] is not answered
    assert uses.action(stage, acting(outcome), table) == told
    assert uses.shown(table)["floor"].tolist() == ["nothing is known"]
    assert word(table, "last litres") == "within the margin above the floor"  # the lowest zone is, and no more was seen
    assert word(table, "first litres") == "within the margin"


def test_one_heel_is_no_interval_and_cannot_tell(tmp_path) -> None:
    cells = calm(6)
    cells["C0"]["heel"] = [100.0]
    stage = make(tmp_path / "s", cells, share=90)
    models = model_tables.fit_all(stage)
    outcome = judge_all(stage, models)
    table = uses.uses(stage, models, outcome)
    assert word(table, "floor") == "cannot tell"
    assert "vetoed" in uses.action(stage, acting(outcome), table)


@pytest.mark.slow
def test_of_1000_studies_with_a_bad_floor_none_is_filed_as_use_as_it_stands(tmp_path, monkeypatch) -> None:
    """Zones alike, a floor layer of 1.5 margins: +7.5 % of ±5 %; 6 containers, heels with 1 % scatter between them."""
    stage, outcome, _ = judged(tmp_path, None)
    models = model_tables.fit_all(stage)
    (model,) = models
    rng = np.random.default_rng(20261125)
    filed, decided = 0, 0
    zones = estimands.zones_of(stage.study, model, stage.containers, stage.samples)
    for _ in range(1000):
        heels = [(z.container, z.mean * 1.075 * float(np.exp(0.01 * rng.standard_normal())), z.mean) for z in zones]
        row = estimands._against(model, heels, "heel against the zones", "volume")
        table = pd.DataFrame([("P", "floor", *uses._floor(row), row["margin"], "")], columns=uses.COLUMNS)
        text = uses.action(stage, acting(outcome), table)
        filed += "Use as it stands" in text
        decided += word(table, "floor") == "beyond the margin"
    assert filed == 0
    # one-sided t test at 5 % of a mean 2.35 standard deviations (of one heel, log scale) beyond the edge, 6 heels:
    # power from the noncentral t distribution (scipy.stats.nct), 1000 studies, four standard errors
    gap = (np.log(1.075) - np.log(1.05)) / 0.01 * np.sqrt(6)
    power = float(stats.nct.sf(stats.t.isf(0.05, 5), 5, gap))
    assert decided / 1000 == pytest.approx(power, abs=4 * np.sqrt(power * (1 - power) / 1000) + 0.002)


@pytest.mark.slow
def test_invented_studies_with_a_layer_on_the_floor_are_not_filed_as_use_as_it_stands() -> None:
    """The small form of ``python -m tests.verdict.floors``: whole studies, judged from their results up."""
    assert floors.counted(16, 3, 1.5, 20.0)[0] == 0
    assert floors.counted(12, 3, 1.5, 20.0, True)[0] == 0
    assert floors.counted(8, 3, 0.01, 0.01, True)[0] > 0
    assert floors.counted(8, 3, 0.01, 0.01)[0] > 0  # with nothing on the floor some are: the count can be other than 0


@pytest.mark.slow
@pytest.mark.parametrize(("containers", "own"), [(8, {}), (1, {"repeatability": {"r": 1.0, "source": "a test"}})])
@pytest.mark.parametrize("place", ["lower", "upper", "middle"])
def test_a_zone_without_a_result_is_not_homogeneous(tmp_path, containers, own, place) -> None:
    """The lowest bottle lost or its cell rejected: nothing is known of it, so no word for every pair and no action to use."""
    cells = calm(containers, step=0.05)
    whole = make(tmp_path / "whole", cells, share=90, **own)
    assert judge_all(whole, model_tables.fit_all(whole)).analytes[0].word == "homogeneous"
    for depths in cells.values():
        del depths[place]
    stage = make(tmp_path / "lost", cells, share=90, **own)
    models = model_tables.fit_all(stage)
    outcome = judge_all(stage, models)
    table = uses.uses(stage, models, outcome)
    assert outcome.word == "inconclusive"
    assert f"No result at {place}" in outcome.analytes[0].sentence
    assert word(table, "zones") == floor.UNDECIDED
    for use, depth in (("first litres", "upper"), ("last litres", "lower")):
        assert (use not in set(table["use"])) if containers == 1 and depth != place else True
        if depth == place:
            assert word(table, use) == floor.UNKNOWN


def test_a_settled_zone_stays_stratified_where_another_was_lost(tmp_path) -> None:
    cells = calm(8, lower=20)
    for depths in cells.values():
        del depths["middle"]
    stage = make(tmp_path / "s", cells)
    assert judge_all(stage, model_tables.fit_all(stage)).analytes[0].word == "stratified"


def test_litres_of_a_layered_stock_are_beyond_the_margin_on_both_sides(tmp_path) -> None:
    stage = make(tmp_path / "s", calm(6, lower=60), share=90)
    models = model_tables.fit_all(stage)
    table = uses.uses(stage, models, judge_all(stage, models)).set_index("use")
    for use in ("first litres", "last litres"):
        assert table.loc[use, "word"] == "beyond the margin"
    assert table.loc["first litres", "estimate"] < -5 < 5 < table.loc["last litres", "estimate"]


def test_many_undecided_uses_are_told_by_name_behind_those_beyond() -> None:
    """Seven analytes of a demo made a paragraph of thirty lines on page one."""
    numbers = {"estimate": 1.0, "low": -2.0, "high": 4.0, "unit": "%", "margin": "±2 %", "why": "reason"}
    rows = [{"analyte": a, "use": use, "word": "cannot tell", **numbers} for a in "PQ" for use in ("floor", "whole container")]
    rows.append({"analyte": "S", "use": "floor", "word": "beyond the margin", **numbers})
    names = {"P": "phosphorus", "Q": "quartz", "S": "sulphur"}
    told = uses.against(pd.DataFrame(rows), names)
    assert told[0] == "sulphur, floor: beyond the margin (reason), +1.00 % (\u22122.00 to 4.00) against ±2 %"
    assert told[1:] == ("floor: cannot tell for phosphorus, quartz", "whole container: cannot tell for phosphorus, quartz")
    few = uses.against(pd.DataFrame(rows[1:]), names)
    assert len(few) == 4
    assert all("against ±2 %" in line for line in few)


@pytest.mark.few(1)
@pytest.mark.parametrize("heel", [60.0, 140.0])
def test_one_floor_that_is_a_number_beyond_is_named_on_either_side_where_the_others_are_limits(tmp_path, heel) -> None:
    """Too few floors are numbers to tell their noise: 40 from zones of 100, where 5 are allowed, is read as beyond."""
    cells = calm(6)
    for c in cells:
        cells[c]["heel"] = [heel] if c == "C0" else ["<120"]
    *_, beyond = of(tmp_path, cells, margin={"absolute": 5})
    assert list(beyond.loc[beyond["pair"] == floor.FLOOR, "container"]) == ["C0"]


def test_a_study_without_a_word_names_the_floors_beyond_in_its_action(tmp_path) -> None:
    cells = {f"C{c}": {d: ["<20"] for d in ("upper", "middle", "lower")} | {"heel": [600.0 if c < 3 else "<20"]}
             for c in range(9)}
    stage = make(tmp_path / "s", cells, share=90, margin={"absolute": 50}, repeatability={"r": 20.0, "source": "a test"})
    models = model_tables.fit_all(stage)
    outcome = judge_all(stage, models)
    assert outcome.word in ("inconclusive", "not assessed")
    table = uses.uses(stage, models, outcome)
    assert ("The floor: P, beyond the margin in single containers (C0, C1 and C2). Do not use the last litres before this is "
            "settled, and set the containers named for it aside.") in uses.action(stage, outcome, table)
    own = uses.shortly(uses.action(stage, outcome, table))  # page one has the analyte and the containers elsewhere
    assert own.endswith("Do not use the last litres before the floor is settled, and set the containers named for it aside.")
    assert "single containers" not in own
    calm_floor = table.assign(word=table["word"].where(table["use"] != "floor", floor.WITHIN))
    assert "last litres before this" not in uses.action(stage, outcome, calm_floor)


@pytest.mark.parametrize(("low", "high", "word"), [
    (-4.9, 4.9, uses.WITHIN), (-5.0, 4.9, uses.UNDECIDED), (-4.9, 5.0, uses.UNDECIDED), (5.0, 9.0, uses.UNDECIDED),
    (5.1, 9.0, uses.BEYOND), (-9.0, -5.0, uses.UNDECIDED), (-9.0, -5.1, uses.BEYOND), (-9.0, 9.0, uses.UNDECIDED)])
def test_an_interval_that_touches_an_edge_decides_nothing(low, high, word):
    assert uses._word(low, high, [-5.0, 5.0]) == word


def test_a_use_that_was_worked_out_for_no_analyte_is_told_so() -> None:
    """The column has no word at all, which pandas takes for numbers and warns of."""
    row = {"analyte": "P", "use": "floor", "word": "nothing is known", "estimate": math.nan, "low": math.nan, "high": math.nan,
           "unit": "%", "margin": "±5 %", "note": "", uses.LEVEL: 90.0}
    told = uses.shown(pd.DataFrame([row]))
    assert told.loc[0, ["first litres", "zones", "last litres"]].tolist() == ["not worked out"] * 3
    assert told.loc[0, "floor"].startswith("nothing is known")


def test_a_vetoed_action_is_told_in_short_where_the_page_has_the_uses() -> None:
    """Of the use by which it is vetoed, of the containers, and of the floor, the page says more elsewhere."""
    vetoed = uses.USED_AS_IT_STANDS["uneven"].format(named=" (A (b), c and D)") + "P, floor: cannot tell"
    assert uses.shortly(f"{vetoed}{uses.SETTLED} More.") == (
        "Set aside what is named as beyond (under “Which containers?”). The action declared for “uneven” is not "
        f"quoted: by the uses below it is vetoed{uses.SETTLED} More.")
    plain = "The action declared for “homogeneous”"
    assert uses.shortly(f"{plain}{uses.BY_USE}P, zones: beyond{uses.SETTLED}") == (
        f"{plain} is not quoted: by the uses below it is vetoed{uses.SETTLED}")
    for whole in ("Roll every drum.", vetoed, f"Stir{uses.SETTLED}", f"Stir.{uses.THE_FLOOR}P, cannot tell."):
        assert uses.shortly(whole) == whole
    floor_too = "Stir." + uses.ON_FLOOR.format(each="P, beyond")
    assert uses.shortly(floor_too) == ("Stir. Do not use the last litres before the floor is settled, and set the containers "
                                       "named for it aside.")
