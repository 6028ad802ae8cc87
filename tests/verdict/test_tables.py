"""The verdict stage as a whole: blindness, exclusions, limits of the claim, and what is said where a part does not apply."""

from __future__ import annotations

import dataclasses
import json
import math
from types import SimpleNamespace

import pandas as pd
import pytest

import studykit.notebook.stage as kit
from studykit.core.errors import BadInput
from studykit.core.record import quote
from studykit.inference.margin import Margin
from studykit.model import diagnostics
from studykit.model import tables as model_tables
from studykit.study.definition import Margin as DeclaredMargin
from studykit.verdict import containers, estimands, particles, pouring, stated, sufficiency, uses
from studykit.verdict import excluded as left_out
from studykit.verdict import tables as verdictset
from studykit.verdict.rule import AnalyteVerdict
from tests.verdict_cases import calm, make

OWN = {"repeatability": {"r": 4.0, "source": "invented"}}


def opened(tmp_path, cells, **changes):
    stage = make(tmp_path / "s", cells, **changes)
    return stage, model_tables.fit_all(stage)


def with_layered(lower: float):
    cells = calm(6)
    cells["L1"] = {"upper": [100.0], "middle": [100.0], "lower": [100.0 + lower]}
    return cells


@pytest.mark.slow
def test_a_layered_control_that_was_found_leaves_the_words(tmp_path):
    stage, models = opened(tmp_path, with_layered(60.0), controls={"L1": "layered control"}, **OWN)
    assert not verdictset.blind(stage)
    assert verdictset.judge_all(stage, models).words() == {"P": "homogeneous"}
    assert verdictset.BLIND not in set(verdictset.cannot(stage, models)["what"])


def test_a_layered_control_that_was_not_found_takes_homogeneous_back(tmp_path):
    stage, models = opened(tmp_path, with_layered(0.0), controls={"L1": "layered control"}, **OWN)
    assert verdictset.blind(stage)
    outcome = verdictset.judge_all(stage, models)
    assert outcome.words() == {"P": "inconclusive"}
    assert outcome.analytes[0].reasons[0] == verdictset.BLIND
    assert verdictset.cannot(stage, models)["what"].iloc[0] == verdictset.BLIND


def test_blindness_does_not_take_stratified_back(tmp_path):
    cells = calm(6, lower=60.0)
    cells["L1"] = {"upper": [100.0], "middle": [100.0], "lower": [100.0]}
    stage, models = opened(tmp_path, cells, controls={"L1": "layered control"}, **OWN)
    assert verdictset.blind(stage)
    assert verdictset.judge_all(stage, models).words() == {"P": "stratified"}


@pytest.mark.parametrize(("filed", "blind"), [("found stratified", False), ("not found stratified", True)])
def test_what_the_quality_stage_recorded_counts(tmp_path, filed, blind):
    # recorded against what the controls alone would say (no layered control at all): the record is what is read
    stage, _ = opened(tmp_path, calm(4))
    folder = stage.out.parent / "04-quality"
    folder.mkdir(parents=True)
    entry = {"name": "layered_control", "value": filed, "unit": "", "digits": 3, "tolerance": 0.0, "stage": "04-quality",
             "table": ""}
    (folder / "numbers.json").write_text(json.dumps([entry]))
    assert verdictset.blind(stage) is blind


@pytest.mark.slow
def test_excluded_results_are_shown_with_and_without(tmp_path):
    cells = calm(6)
    cells["C1"]["lower"] = [300.0]
    stage, _ = opened(tmp_path, cells)
    models = model_tables.fit_all(stage)
    assert left_out.with_and_without(stage, verdictset.judge_all(stage, models), models).words.empty
    (stage.root / "plan/exclusions.csv").write_text(
        "sample,analyte,replicate,reason,who,date\nC1lo,P,1,bottle burst,chemist,2026-01-20\n")
    outcome = verdictset.judge_all(stage, models := model_tables.fit_all(stage))
    row = left_out.with_and_without(stage, outcome, models).words.iloc[0]
    assert (row["excluded"], row["verdict as filed"]) == (1, "homogeneous on average only")
    assert row["verdict with the excluded results"] == "uneven"
    assert row["reasons given"] == "bottle burst"


def test_what_cannot_be_concluded_of_a_stock(tmp_path):
    stage, models = opened(tmp_path, calm(6))
    said = verdictset.cannot(stage, models)["what"].tolist()
    assert any("No sample stands for a whole container" in s for s in said)
    assert any("No heel draw was taken" in s for s in said)
    # exact binomial bound, none of 6: 1 - 0.05^(1/6) = 39 %
    assert f"up to {100 * (1 - 0.05 ** (1 / 6)):.0f} %" in said[-1]
    cells = calm(6)
    cells["C0"] |= {"heel": [101.0], "composite": [100.0]}
    fuller, fitted = opened(tmp_path / "fuller", cells)
    assert len(verdictset.cannot(fuller, fitted)) == 1
    unfit = dataclasses.replace(fitted[0], path="not assessed")  # of more containers than any that was fitted
    told = verdictset.cannot(fuller, [unfit])["what"]
    assert not any("lay beyond the margin" in s for s in told)


def test_what_cannot_be_concluded_of_one_container(tmp_path):
    stage, models = opened(tmp_path, {"T1": {"upper": [100], "middle": [100], "lower": [101]}}, **OWN)
    said = verdictset.cannot(stage, models)["what"].tolist()
    assert said[0] == "The answer holds for this container only."
    assert sum("other containers" in s for s in said) == 1
    assert any("lies on the floor" in s for s in said)
    assert not any("similar containers could" in s for s in said)


def test_parts_that_do_not_apply_to_one_container_are_empty(tmp_path):
    stage, models = opened(tmp_path, {"T1": {"upper": [100], "middle": [100], "lower": [101]}}, **OWN)
    outcome = verdictset.judge_all(stage, models)
    for table in (containers.groups(stage.study, models), containers.outstanding(models),
                  pouring.pouring(stage, models, outcome.words()), estimands.whole(stage, models), particles.table_of(
                      particles.ruled_out(stage, models), outcome),
                  sufficiency.criteria(stage.study, models), diagnostics.repeatability(stage.study, models),
                  model_tables.contrasts(models), model_tables.variances(models), model_tables.means(models)):
        assert len(table) == 0
    assert "none of its analytes could be judged" in stated.no_single(models)
    assert model_tables.not_fitted(stage.study, models).startswith("- P: not fitted. One container")
    assert diagnostics.influences(models) == {}
    assert diagnostics.normal_figure(diagnostics.residuals(models)) is None


def test_sentences_carry_the_blind_spot_and_numbers_are_recorded(tmp_path):
    stage, models = opened(tmp_path, calm(6), blind_to="grit above 5 micrometres")
    outcome = verdictset.judge_all(stage, models)
    told = verdictset.sentences(outcome).iloc[0]
    assert told["blind spot of the method"] == "grit above 5 micrometres"
    assert told["holds for"] == "the mean profile of the 6 containers studied"
    template = verdictset.record_verdict(stage, outcome, uses.uses(stage, models, outcome), models)
    texts = stage.recorder.texts()
    assert texts["verdict.P"] == "homogeneous"
    assert {"difference.P", "low.P", "high.P"} <= set(texts)
    assert kit.fill(template, texts).startswith("Inconclusive: no analyte is shown to be stratified")


def test_pouring_names_the_poor_first_litres(tmp_path):
    stage, models = opened(tmp_path, calm(6, lower=60.0))
    table = pouring.pouring(stage, models, verdictset.judge_all(stage, models).words())
    first = table[table["which"] == "first, poured from the top"].iloc[0]
    last = table[table["which"] == "left behind after pouring from the top"].iloc[0]
    mean = 100 + 60 * 0.335  # layers 0.335, 0.33, 0.335 of a cylinder
    assert first["content %"] == pytest.approx(100 * 100 / mean, abs=1)
    assert last["content %"] == pytest.approx(100 * 160 / mean, abs=1)


# ---- residuals and influence (modelchecks)


def test_one_container_on_which_the_word_hangs_is_named(tmp_path):
    cells = calm(6)
    cells["C3"]["lower"] = [125.0]
    _, models = opened(tmp_path, cells)
    found = diagnostics.influences(models)
    assert found["P"].full["verdict"] == "inconclusive"
    assert found["P"].decisive == ("C3",)
    table = diagnostics.influence_table(models, found).iloc[0]
    assert (table["largest shift, container"], table["without"], table["other verdicts"]) == ("C3", "C3", "homogeneous")
    assert "without C3 it would be homogeneous" in diagnostics.influence_words(found)
    assert diagnostics.closest(models, found) == "P"


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["whole", "lost", "limits", "coarse"])
def test_leaving_out_by_subtraction_is_the_refit(tmp_path, monkeypatch, kind):
    """Equal to refits to 1e-8 and in words; where more than sums decides, everything is refitted."""
    cells = calm(9, step=0.7, lower=1.5)
    if kind == "lost":
        del cells["C1"]["middle"], cells["C5"]["upper"]
    if kind == "limits":
        cells["C4"]["lower"] = ["<99"]
    if kind == "coarse":
        cells = {c: {d: [100.0 + 5 * ((int(c[1:]) + k) % 5 == 0)] for k, d in enumerate(v)} for c, v in cells.items()}
    _, models = opened(tmp_path, cells)
    quick = diagnostics.influence_of(models[0])
    assert len(diagnostics._by_subtraction(models[0])) == (0 if kind in ("limits", "coarse") else 9)
    monkeypatch.setattr(diagnostics, "_by_subtraction", lambda model, tried=(): {})
    full, numbers = diagnostics.influence_of(models[0]), ["estimate", "low", "high", "shift"]
    assert quick.table[numbers].to_numpy(float) == pytest.approx(full.table[numbers].to_numpy(float), rel=1e-8, abs=1e-8)
    assert quick.table.drop(columns=numbers).equals(full.table.drop(columns=numbers))


@pytest.mark.slow
def test_leaving_one_out_is_the_fit_of_the_others(tmp_path):
    cells = calm(6, lower=3.0)
    _, models = opened(tmp_path, cells)
    row = diagnostics.influences(models)["P"].table.set_index("left_out").loc["C2"]
    del cells["C2"]
    _, rest = opened(tmp_path / "rest", cells)
    pair = next(t.contrast for t in rest[0].pairs.tests if t.contrast.label == models[0].pairs.widest.label)
    value, low, high, _ = pair.shown(0.9)
    assert (row["estimate"], row["low"], row["high"]) == pytest.approx((value, low, high), rel=1e-9)
    assert row["verdict"] == rest[0].pairs.word


@pytest.mark.slow
def test_a_residual_far_out_is_noticed_and_a_calm_set_is_not(tmp_path):
    _, models = opened(tmp_path, calm(8))
    assert diagnostics.residual_checks(diagnostics.residuals(models))["reading"].tolist() == ["nothing to note"]
    cells = calm(8)
    cells["C5"]["middle"] = [160.0]
    _, wild = opened(tmp_path / "wild", cells)
    table = diagnostics.residuals(wild)
    checks = diagnostics.residual_checks(table)
    assert checks["reading"].iloc[0].startswith("some lie further out than normal errors would")
    assert diagnostics.least_normal(table, checks)["sample"].iloc[0] == "C5mi"


def test_own_repeatability_against_the_stated_one(tmp_path):
    cells = {c: {d: [v[0], v[0] + 4.0 * (-1) ** k] for k, (d, v) in enumerate(z.items())} for c, z in calm(6).items()}
    stage, models = opened(tmp_path, cells, margin={"absolute": 10}, repeatability={"s_r": 1.0, "source": "chart"})
    row = diagnostics.repeatability(stage.study, models).iloc[0]
    assert row["s found"] == pytest.approx(4 / math.sqrt(2))  # pairs 4 apart
    assert row["df"] == 18
    assert row["reading"].startswith("larger")
    same, fitted = opened(tmp_path / "same", cells, margin={"absolute": 10}, repeatability={"s_r": 2.8, "source": "chart"})
    assert diagnostics.repeatability(same.study, fitted)["reading"].iloc[0].startswith("agrees")


@pytest.mark.slow
def test_homogeneity_criteria_need_a_declared_sigma(tmp_path):
    cells = {c: {d: [v[0], v[0] + 0.5] for d, v in z.items()} for c, z in calm(6).items()}
    stage, models = opened(tmp_path, cells)
    row = sufficiency.criteria(stage.study, models).iloc[0]
    assert row["zones"] == 18
    assert math.isnan(row["allowed"])
    assert "sufficiently" not in row["in words"]
    for sigma, words in ((50.0, "sufficiently homogeneous for this sigma_pt"), (0.1, "not sufficiently homogeneous")):
        told, fitted = opened(tmp_path / str(sigma), cells, sigma_pt=sigma)
        row = sufficiency.criteria(told.study, fitted).iloc[0]
        assert row["allowed"] == pytest.approx(0.3 * sigma)
        assert words in row["in words"]


@pytest.mark.slow
def test_how_many_more_containers_and_the_bound_have_their_records(tmp_path):
    stage, models = opened(tmp_path, calm(5, step=1.2), share=99, margin={"relative_percent": 3})
    outcome = verdictset.judge_all(stage, models)
    found = outcome.analytes[0]
    assert found.word == "inconclusive"
    assert found.needed > found.containers == 5
    verdictset.record_verdict(stage, outcome, uses.uses(stage, models, outcome), models)
    told = stage.recorder.texts()
    assert told["more.P"] == str(found.needed - 5)
    assert f"About {told['needed.P']} containers in all ({told['more.P']} more)" in found.sentence
    assert (told["containers.P"], told["level.P"]) == ("5", "95.0 %")
    assert {r.name: r.table for r in stage.recorder._records.values()}["more.P"] == "needed.P - containers.P"


def test_differences_in_margins_have_their_sign_and_no_end_at_minus_100_per_cent():
    relative, absolute = Margin.relative(5), Margin.absolute(2.5)
    assert verdictset._in_margins(relative, 5.0) == pytest.approx(1)
    assert verdictset._in_margins(relative, -50.0) == pytest.approx(math.log(0.5) / math.log(1.05))
    assert verdictset._in_margins(relative, -100.0) == -math.inf
    assert verdictset._in_margins(absolute, -100.0) == pytest.approx(-40)
    assert verdictset._in_margins(absolute, math.inf) == math.inf


@pytest.mark.slow
@pytest.mark.parametrize(("lower", "word", "said"), [
    (20.0, "homogeneous", "by more than the declared factor of 2; nearest to it comes"),
    (150.0, "stratified", "beyond the declared factor of 2."),
    (100.0, "inconclusive", "Neither 'within a factor of 2' nor 'beyond a factor of 2' is shown"),
])
def test_a_margin_as_a_factor_from_half_to_double(tmp_path, lower, word, said):
    """Zones of 100 beside 120, 250 and 200: ratios of 1.2, 2.5 and 2 against a factor of 2."""
    stage, models = opened(tmp_path, calm(8, lower=lower), margin={"factor": 2}, **OWN)
    found = verdictset.judge_all(stage, models)
    verdict = found.analytes[0]
    assert (verdict.word, verdict.margin) == (word, "a factor of 2")
    assert said in verdict.sentence
    ratio = verdictset.in_margins(found)["ratio"].iloc[0]
    assert ratio == pytest.approx(math.log(1 + lower / 100) / math.log(2), abs=0.05)
    least = found.evidence().iloc[0]
    assert least["unit"] == "times"
    assert 1 <= least["shown to exceed"] < (1 + lower / 100) * 1.1  # a factor, not per cent


@pytest.mark.few(1)
@pytest.mark.parametrize(("lower", "word"), [(120.0, "homogeneous"), (400.0, "stratified")])
def test_one_container_with_a_factor(tmp_path, lower, word):
    cells = {"C1": {"upper": [100.0], "middle": [100.0], "lower": [lower]}}
    stage, models = opened(tmp_path, cells, margin={"factor": 2}, **OWN)
    assert verdictset.judge_all(stage, models).words() == {"P": word}
    table = stated.arithmetic_table(stage.study, models)
    assert table["margin"].iloc[0] == pytest.approx(100)


def test_the_word_at_the_locked_margins_is_recorded_with_its_sentence(monkeypatch) -> None:
    """Beside the study's own word and sentence; without a difference neither is."""
    outcome = SimpleNamespace(word="stratified", sentence="Stratified: P.", analytes=())
    for at_lock, told in ((("inconclusive", "At the margin: P."), True), (None, False)):
        kept: dict[str, object] = {}
        stage = SimpleNamespace(record=lambda name, value, *_, kept=kept, **__: kept.update({name: value}))
        monkeypatch.setattr(verdictset, "action_by_use", lambda *_: "Stir.")
        monkeypatch.setattr(verdictset, "litres_of_ends", lambda _: {"first.least": 99.9, "whole.most": 100.0})
        monkeypatch.setattr(verdictset, "at_locked_margins", lambda *_, at=at_lock: at)
        said = verdictset.record_verdict(stage, outcome, pd.DataFrame(), [])  # type: ignore[arg-type]
        assert (kept["verdict"], kept["verdict_sentence"], kept["action"]) == ("stratified", "Stratified: P.", "Stir.")
        assert (kept["litres.first.least"], kept["litres.whole.most"]) == (99.9, 100.0)
        assert (kept.get("verdict_at_lock"), kept.get("verdict_sentence_at_lock")) == (at_lock or (None, None))
        assert ("{verdict_sentence_at_lock}" in said) == told


def test_a_test_that_was_made_for_one_analyte_alone_keeps_its_column() -> None:
    """p columns without any number are dropped; of degrees of freedom an infinite one is a known scatter, none is blank."""
    table = pd.DataFrame({"analyte": ["P", "Zn", "S"], "df": [math.inf, 11.25, math.nan],
                          "p equal": [0.031, math.nan, math.nan], "p other": [math.nan] * 3})
    shown = verdictset.evidence_shown(table)
    assert list(shown.columns) == ["analyte", "df", "p equal"]
    assert shown["df"].tolist() == ["known scatter", "11.2", ""]
    assert str(shown["p equal"].iloc[0]) == "0.031"


@pytest.mark.parametrize(("opened", "needed", "more"), [(6, 20, 14), (19, 20, 1), (20, 20, None), (24, 20, None), (0, 20, None),
                                                        (6, None, None)])
def test_how_many_more_containers_are_needed_is_recorded(tmp_path, monkeypatch, opened, needed, more) -> None:
    """Of those opened; nothing where they are enough, or none is told."""
    monkeypatch.setattr(verdictset, "action_by_use", lambda *_: "Stir.")
    monkeypatch.setattr(verdictset, "litres_of_ends", lambda _: {})
    monkeypatch.setattr(verdictset, "at_locked_margins", lambda *_: None)
    monkeypatch.setattr(verdictset, "ComparedVerdict", SimpleNamespace)
    decided = SimpleNamespace(estimate=1.0, low=0.5, high=1.5, unit="mg/kg", margin=Margin.absolute(2.0, "mg/kg"), level=0.9)
    one = SimpleNamespace(analyte="P", word="inconclusive", decided=decided, stock=None, containers=opened, needed=needed)
    kept: dict[str, object] = {}
    stage = SimpleNamespace(record=lambda name, value, *_, **__: kept.update({name: value}))
    outcome = SimpleNamespace(word="inconclusive", sentence="Open.", analytes=(one,))
    verdictset.record_verdict(stage, outcome, pd.DataFrame(), [])  # type: ignore[arg-type]
    assert (kept.get("needed.P"), kept.get("more.P")) == (needed, more)
    assert kept.get("containers.P") == (opened or None)
    assert (kept["difference.P"], kept["low.P"], kept["high.P"], kept["level.P"]) == (1.0, 0.5, 1.5, 90.0)
    assert "at_least.P" not in kept
    assert "stock.P" not in kept


# ---- each table and record over small scenes whose parts are given, against what stands in the docstrings


def given(monkeypatch, **parts) -> None:
    """Functions of the module in which a constant answer stands."""
    for name, answer in parts.items():
        monkeypatch.setattr(verdictset, name, answer if callable(answer) else lambda *_, a=answer, **__: a)


@pytest.mark.parametrize(("word", "stock", "opened"), [(w, s, n) for w in ("homogeneous", "inconclusive", "stratified")
                                                       for s in (None, 0.123456) for n in (0, 7)])
def test_every_record_of_a_verdict_has_its_unit_and_its_digits(monkeypatch, word, stock, opened) -> None:
    """Three digits of what was computed, litres in two below 100; levels and shares in per cent, counts as they are."""
    given(monkeypatch, action_by_use="Stir.", litres_of_ends={"first": 99.94, "whole": 100.0, "last": 123.46},
          at_locked_margins=None, ComparedVerdict=SimpleNamespace, least_told=(7.654321, "mg/kg"))
    monkeypatch.setattr(verdictset, "ComparedVerdict", SimpleNamespace)
    decided = SimpleNamespace(estimate=12.3456, low=-0.056789, high=98.7654, unit="mg/kg", margin=Margin.absolute(2.0, "mg/kg"),
                              level=0.95123)
    one = SimpleNamespace(analyte="P", word=word, decided=decided, containers=opened, needed=None, comparison=None,
                          final="open", stock=None if stock is None else SimpleNamespace(share_upper=stock))
    kept: dict[str, str] = {}
    in_digits: dict[str, int] = {}

    def record(name, value, unit="", digits=3, **_):
        kept[name], in_digits[name] = quote(value, unit, digits), digits

    stage = SimpleNamespace(record=record)
    outcome = SimpleNamespace(word=word, sentence="So.", analytes=(one,))
    assert verdictset.record_verdict(stage, outcome, pd.DataFrame()) == "{verdict_sentence} {action}"  # type: ignore[arg-type]
    assert [in_digits[f"litres.{part}"] for part in ("first", "whole", "last")] == [2, 3, 3]
    assert kept == {
        "verdict": word, "verdict_sentence": "So.", "action": "Stir.", "verdict.P": word,
        "litres.first": "100 L", "litres.whole": "100 L", "litres.last": "123 L",
        "difference.P": "12.3 mg/kg", "low.P": "\N{MINUS SIGN}0.0568 mg/kg", "high.P": "98.8 mg/kg", "level.P": "95.1 %",
        **({"containers.P": "7"} if opened else {}), **({"at_least.P": "7.65 mg/kg"} if word == "stratified" else {}),
        **({"stock.P": "open"} if stock else {}), **({"share.P": "12.3 %"} if stock and opened else {})}


def test_differences_in_margins_name_the_side_where_any_margin_has_one(monkeypatch) -> None:
    """By hand: 3 of a margin of 2 is 1.5; what has no number is left out."""
    monkeypatch.setattr(verdictset, "ComparedVerdict", SimpleNamespace)

    def one(name, margin):
        decided = SimpleNamespace(pair="lower - upper", estimate=3.0, low=-1.0, high=4.0)
        return SimpleNamespace(analyte=name, word="w", comparison=SimpleNamespace(margin=margin), decided=decided)

    both, above = Margin.absolute(2.0), Margin.declared(DeclaredMargin(absolute=2.0, side="above"), "mg/kg")
    plain = verdictset.in_margins(SimpleNamespace(analytes=(one("P", both), 0)))  # type: ignore[arg-type]
    assert plain.to_dict("records") == [
        {"analyte": "P", "verdict": "w", "pair": "lower - upper", "ratio": 1.5, "low": -0.5, "high": 2.0}]
    sided = verdictset.in_margins(SimpleNamespace(analytes=(one("P", both), one("Q", above))))  # type: ignore[arg-type]
    assert sided["side"].tolist() == [0, 1]


@pytest.mark.parametrize(("now", "then", "keys", "early", "told"), [
    ("homogeneous", "stratified", "P", (True,), "At the margin locked beforehand (P 5 mg/kg): stratified."),
    ("stratified", "homogeneous", "P", (False,), "At the margin that was locked first (P 5 mg/kg): homogeneous."),
    ("inconclusive", "stratified", "PQ", (True, True), "At the margins locked beforehand (P 5 mg/kg; Q 5 mg/kg): stratified."),
    ("inconclusive", "homogeneous", "PQ", (True, False),
     "At the margins that were locked first (P 5 mg/kg; Q 5 mg/kg): homogeneous."),
    ("stratified", "stratified", "P", (True,), None), ("stratified", "homogeneous", "", (), None)])
def test_the_word_at_the_locked_margins_is_told_where_it_differs_either_way(monkeypatch, now, then, keys, early, told) -> None:
    def outcome(word):
        return SimpleNamespace(word=word, sentence=f"{word}.", told_words=lambda: {"P": word})

    margin = SimpleNamespace(text=lambda unit: f"5 {unit}")
    given(monkeypatch, locked_margins={k: (margin, e) for k, e in zip(keys, early, strict=True)},
          _judged_with=lambda s, m, margins: outcome(then) if (s, m, [*margins]) == (stage, [], [*keys]) else None)
    study = SimpleNamespace(label_of=str, analytes={k: SimpleNamespace(unit="mg/kg") for k in "PQ"})
    stage = SimpleNamespace(root=None, study=study)
    assert verdictset.at_locked_margins(stage, outcome(now), []) == (told and (then, told))  # type: ignore[arg-type]


@pytest.mark.parametrize("treatments", [["stored"], ["stirred"], ["fresh", "stored"], ["layered control"],
                                        ["stored", "layered control"], ["stirred", "layered control", "stored"]])
@pytest.mark.parametrize("seen", [True, False])
def test_only_a_layered_control_can_be_blind_and_other_records_do_not_count(tmp_path, monkeypatch, treatments, seen) -> None:
    given(monkeypatch, working_table=None, stated_scatter={}, scale_s=None, judging_scatter=None, pooled_repeatability=None,
          check_layered=(None, None, not seen))
    stage = SimpleNamespace(out=tmp_path / "06-verdict", containers=pd.DataFrame({"treatment": treatments}), study=None,
                            samples=None, results=None)
    control = "layered control" in treatments
    assert verdictset.blind(stage) is (control and not seen)  # type: ignore[arg-type]
    (tmp_path / "04-quality").mkdir()
    (tmp_path / "04-quality/numbers.json").write_text("[]")
    others = [("a_word", "not found stratified"), ("z_word", "not found stratified")]
    for value, blind in ((None, control and not seen), ("found stratified", False), ("not found stratified", True),
                         ("not measured", False), ("zero", False)):
        found = [*others, *([("layered_control", value)] if value else [])]
        given(monkeypatch, read_records=tuple(SimpleNamespace(name=n, value=v) for n, v in found))
        assert verdictset.blind(stage) is blind  # type: ignore[arg-type]


def test_what_limits_and_rounding_do_is_told_for_each_analyte_that_has_them(monkeypatch) -> None:
    """The reason of the bounds where there are some; notes where nothing was assessed; else where to look."""
    monkeypatch.setattr(verdictset, "FittedModel", SimpleNamespace)
    words = {"P": "homogeneous", "Q": "not assessed", "R": "stratified", "S": "not assessed", "T": "stratified",
             "U": "inconclusive"}
    bounds, models = SimpleNamespace(reason="bounded"), []
    for name, censored, bound in (("P", 0, None), ("Q", 2, None), ("R", 0, bounds), ("S", 1, bounds), ("T", 3, None),
                                  ("U", 1, None)):
        rows = SimpleNamespace(censored=censored, table=[0] * 9)
        models.append(SimpleNamespace(analyte=name, rows=rows, bounds=bound, notes=("one note", "another")))
    table = verdictset.limits(models, SimpleNamespace(words=lambda: words))  # type: ignore[arg-type]
    assert [tuple(r) for r in table.itertuples(index=False)] == [
        ("Q", 2, 9, "not assessed", "one note another"), ("R", 0, 9, "stratified", "bounded"),
        ("S", 1, 9, "not assessed", "bounded"), ("T", 3, 9, "stratified", "see its sentence above"),
        ("U", 1, 9, "inconclusive", "see its sentence above")]


@pytest.mark.parametrize(("came", "told"), [("abcd", ""), ("acd", ""), ("ab", "1 of 3"), ("bd", "2 of 3"), ("", "0 of 3")])
def test_lost_wholes_are_counted_by_containers_not_by_samples(monkeypatch, came, told) -> None:
    """Two composites of A, one of B and of C; a spot sample of D stands for no whole."""
    samples = pd.DataFrame({"sample": [*"abcdx"], "container": [*"AABCD"], "kind": ["composite"] * 4 + ["spot"]})
    given(monkeypatch, usable=pd.DataFrame({"sample": [*came, "x"]}))
    found = verdictset._lost_wholes(SimpleNamespace(samples=samples))  # type: ignore[arg-type]
    assert [f"back from {told} containers" in s for s in found] == ([True] if told else [])


def test_how_many_similar_containers_could_lie_beyond_is_told_of_each_analyte_that_decides(monkeypatch) -> None:
    shares = {"P": 0.999, "Q": 1.0, "R": 0.999, "S": 0.5, "T": 0.2}
    models = [SimpleNamespace(analyte=a, path="mixed model", n_containers=n)
              for a, n in zip(shares, (20, 59, 7, 4, 5), strict=True)]
    study = SimpleNamespace(decides=lambda a: a != "S", label_of=str.lower, level_of_all="95 %", analytes=shares)
    given(monkeypatch, celled=lambda m: m, share_of=lambda _, m: SimpleNamespace(upper=shares[m.analyte]),
          beyond_of=lambda _, m: SimpleNamespace(names=("C1",) * (m.analyte != "T")))
    head, tail = "Of similar containers that were not opened ", " (95 % bound)."
    assert verdictset._others_like_these(study, models) == [  # type: ignore[arg-type]
        f"{head}up to 99.9 % could lie beyond the margin of p, r{tail}", f"{head}all could lie beyond the margin of q{tail}"]
    given(monkeypatch, beyond_of=SimpleNamespace(names=()))
    # exact binomial bound, none of 59: 1 - 0.05^(1/59) = 4.95 %, in two digits
    assert f"margin of an analyte that decides, up to {100 * (1 - 0.05 ** (1 / 59)):.1f} % of similar" in (
        verdictset._others_like_these(study, models)[0])  # type: ignore[arg-type]
    study.decides = lambda _: True
    one = [SimpleNamespace(analyte="P", path=p, n_containers=n) for p, n in (("not assessed", 9), ("mixed model", 1))]
    assert "none of 1 containers lay beyond the margin, up to 95 % of" in (
        verdictset._others_like_these(study, one)[0])  # type: ignore[arg-type]
    assert verdictset._others_like_these(study, one[:1]) == []  # type: ignore[arg-type]
    assert verdictset._others_like_these(study, [SimpleNamespace(analyte="P", path="within container", n_containers=9)]) == []  # type: ignore[list-item]


@pytest.mark.parametrize("kinds", [["spot"], ["spot", "heel"], ["heel"], ["spot", "composite"], ["composite"]])
@pytest.mark.parametrize("paths", [["mixed model"], ["known precision"], ["known precision", "not assessed"], ["not assessed"]])
@pytest.mark.parametrize("few", ["", "P", "PQ"])
def test_what_cannot_be_concluded_follows_from_samples_and_paths(monkeypatch, kinds, paths, few) -> None:
    """Every combination, put together by hand from what the sentences are about; Q is for information only."""
    whole = "composite" in kinds
    given(monkeypatch, blind=False, one_of_many=lambda _, m: m.analyte in few, measured_in="measured in one",
          _lost_wholes=["Lost."], _others_like_these=["Others."])
    monkeypatch.setattr(verdictset, "unopened", SimpleNamespace(sentence=lambda _: ""))
    monkeypatch.setattr(verdictset, "cleared", SimpleNamespace(without_any=lambda _: "Without any."))
    monkeypatch.setattr(verdictset, "estimands", SimpleNamespace(has_whole=lambda _: whole))
    models = [SimpleNamespace(analyte=a, path=p) for a, p in zip("QP"[-len(paths):], paths, strict=True)]
    study = SimpleNamespace(decides=lambda a: a == "P", label_of=str.lower)
    said = verdictset.cannot(SimpleNamespace(study=study, samples=pd.DataFrame({"kind": kinds})), models)["what"].tolist()  # type: ignore[arg-type]
    alone = not few and "known precision" in paths
    by_hand = ["Without any.", *["p was measured in one: what is said of it holds for this container only."] * bool(few)]
    by_hand += ["The answer holds for this container only."] * alone
    assert said[:len(by_hand)] == by_hand
    assert sum(s.startswith("It cannot conclude") for s in said) == 5 * alone
    assert sum(s.startswith("No sample stands for a whole") for s in said) == (not whole and not alone)
    assert sum("how much lies on the floor in all" in s for s in said) == (not whole and not alone and "heel" in kinds)
    assert ("Lost." in said) == (whole or alone)
    assert sum(s.startswith("No heel draw was taken") for s in said) == ("heel" not in kinds)
    assert said[-1] == "Others."


@pytest.mark.parametrize("absent", [(), ("lower",)])
@pytest.mark.parametrize("blind", [True, False])
@pytest.mark.parametrize("words", ["h", "i", "s", "n", "hs", "si", "hi", "his"])
def test_only_homogeneous_needs_every_depth_and_a_control_that_was_seen(monkeypatch, words, blind, absent) -> None:
    """Words of analytes by chance of their first letter; only the first of them may lack a depth."""
    full = {"h": "homogeneous", "i": "inconclusive", "s": "stratified", "n": "not assessed"}
    verdicts = tuple(AnalyteVerdict(analyte=w, label=w, word=full[w], sentence="", reasons=("as judged",), margin="", scope="",
                                    blind_to="") for w in words)
    models = [SimpleNamespace(rows=SimpleNamespace(absent=absent if k == 0 else ())) for k in range(len(words))]
    given(monkeypatch, judge=SimpleNamespace(analytes=verdicts), single_verdicts={}, of_one_only=lambda _, v, __: v,
          blind=blind, study_verdict=lambda _, seen: seen)
    seen = verdictset.judge_all(SimpleNamespace(study=None), models)  # type: ignore[arg-type]
    for k, (w, v) in enumerate(zip(words, seen, strict=True)):  # type: ignore[arg-type]
        lacks, unseen = bool(absent) and k == 0 and w in "hi", blind and w == "h" and not (absent and k == 0)
        assert v.word == ("inconclusive" if lacks or unseen else full[w])
        why = ["No result at lower: whether that zone is like the others is not known."] * lacks + [verdictset.BLIND] * unseen
        assert v.reasons == (*why, "as judged")


def test_only_analytes_with_another_margin_are_fitted_again(monkeypatch) -> None:
    """P at 5 in place of 2; Q keeps its model, from what is at hand or, without that, fitted once."""
    fits: list[object] = []

    def fit_all(stage, only=None):
        fits.append(only and [*only])
        return [SimpleNamespace(analyte=a, margin=stage.study.analytes[a].margin, anew=bool(only)) for a in only or "PQ"]

    given(monkeypatch, fit_all=fit_all, judge_all=lambda tables, models: [(m.analyte, m.margin, m.anew) for m in models])
    monkeypatch.setattr(verdictset, "_Otherwise", SimpleNamespace)

    class Changed(SimpleNamespace):
        def model_copy(self, update):
            return Changed(**{**self.__dict__, **update})

    study = Changed(analytes={a: Changed(margin=2, unit="mg/kg", label=a) for a in "PQ"})
    stage = SimpleNamespace(study=study, root=None, out=None, containers=None, samples=None, results=None)
    models = [SimpleNamespace(analyte=a, margin=2, anew=False) for a in "PQ"]
    for hand, asked in ((models, [["P"]]), (None, [["P"], None])):
        fits.clear()
        assert verdictset._judged_with(stage, hand, {"P": 5}) == [("P", 5, True), ("Q", 2, False)]  # type: ignore[arg-type]
        assert fits == asked


def test_each_margin_that_was_locked_has_its_word_beside_the_word_now(monkeypatch) -> None:
    """Two earlier margins of P, one of Q; a lock edited by hand gives no row."""
    def margin(x):
        return SimpleNamespace(size=x, text=lambda unit: f"{x} {unit}")

    def judged(stage, models, margins):
        ((key, m),) = margins.items()
        return SimpleNamespace(told_words=lambda: {key: f"{key} at {m.size} of {len(models)}"})

    given(monkeypatch, earlier_margins={"P": (margin(3), margin(4)), "Q": (margin(7),)}, _judged_with=judged)
    analytes = {a: SimpleNamespace(unit="mg/kg", margin=margin(2)) for a in "PQ"}
    stage = SimpleNamespace(root=None, study=SimpleNamespace(analytes=analytes, label_of=str.lower))
    outcome = SimpleNamespace(told_words=lambda: {"P": "now p", "Q": "now q"})
    table = verdictset.at_earlier_margins(stage, outcome, ["a", "b"])  # type: ignore[arg-type, list-item]
    assert [tuple(r) for r in table.itertuples(index=False)] == [
        ("P", "p", "3 mg/kg", "P at 3 of 2", "2 mg/kg", "now p"), ("P", "p", "4 mg/kg", "P at 4 of 2", "2 mg/kg", "now p"),
        ("Q", "q", "7 mg/kg", "Q at 7 of 2", "2 mg/kg", "now q")]

    def edited(*_):
        raise BadInput([])

    monkeypatch.setattr(verdictset, "earlier_margins", edited)
    assert verdictset.at_earlier_margins(stage, outcome, []).empty  # type: ignore[arg-type]
