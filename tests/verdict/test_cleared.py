"""Containers shown within by their own readings, levels without any, and numbers that leave containers out.

Truths of a generator of our own: containers exactly at the margin, settled ones whose lowest bottle was lost, lots of one.
"""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

import studykit as sk
import studykit.notebook.stage as kit
from studykit.inference.judge import depth_mean
from studykit.inference.table import read_table
from studykit.model import tables as model_tables
from studykit.model.fit import fit_rows, judge_rows
from studykit.model.rows import model_rows
from studykit.report import litres, questions
from studykit.verdict import cleared, tables, uses
from studykit.verdict import containers as sharetable
from tests.model.test_fit import study_of, tables_of
from tests.verdict.test_shares import mixture, twice
from tests.verdict_cases import calm, make

ZONES = ("upper", "middle", "lower")
MARGIN = 5.0


def stock(rng: np.random.Generator, ends: list[float], *, noise: float = 1.0, most: int = 2) -> pd.DataFrame:
    """Containers whose lowest zone lies ``ends`` above the uppermost, one to ``most`` determinations a zone."""
    rows = [(f"C{i:02d}", d, 100.0 + 3 * (i % 4) + end * k / 2 + rng.normal(0, noise)) for i, end in enumerate(ends)
            for k, d in enumerate(ZONES) for _ in range(most if i % 3 else rng.integers(1, most + 1))]
    return pd.DataFrame(rows, columns=["container", "depth", "value"])


@pytest.mark.slow
@pytest.mark.parametrize(("most", "stated"), [(2, False), (3, False), (2, True)])
def test_a_container_at_the_margin_is_hardly_ever_shown_within(most, stated):
    """Nominal 5 % a container (two one-sided tests at alpha, every pair; Berger 1982); level containers mostly are."""
    rng, study = np.random.default_rng(20261127), study_of(ZONES, {"absolute": MARGIN})
    if stated:
        analyte = study.analytes["y"].model_validate(study.analytes["y"].model_dump(exclude_none=True, by_alias=True) | {
            "repeatability": {"s_r": 1.0, "source": "a test"}})
        study = study.model_copy(update={"analytes": {"y": analyte}})
    wrong, right, n = 0, 0, 60
    for _ in range(n):
        frame = stock(rng, [MARGIN, -MARGIN, 0.0] * 8, most=most)
        if stated:
            frame = frame.drop_duplicates(["container", "depth"])
        clear = cleared.clear_of(study, judge_rows(model_rows(study, "y", *tables_of(frame)), 0.05, ("depth",)))
        wrong += sum(f"C{i:02d}" in clear for i in range(24) if i % 3 < 2)
        right += sum(f"C{i:02d}" in clear for i in range(24) if i % 3 == 2)
    trials = 16 * n
    assert wrong / trials <= 0.05 + 3.5 * math.sqrt(0.05 * 0.95 / trials)
    assert right / (8 * n) > 0.6


def test_the_table_names_what_leaves_a_container_open(tmp_path):
    cells = mixture(4)
    cells["C5"].pop("lower")
    cells["C6"]["upper"] = ["<120"]
    cells["C7"]["heel"] = [160.0, 160.0]
    stage = make(tmp_path / "s", cells, margin={"absolute": MARGIN})
    models = model_tables.fit_all(stage)
    table = cleared.within(stage, models).set_index("container")
    no = {"C0", "C1", "C2", "C3", "C5", "C6", "C7"}
    assert set(table.index[table["within"] == "no"]) == no
    far = {"C0", "C1", "C2", "C3", "C7"}  # what is shown beyond is not open
    assert set(table.loc[sorted(far), "beyond by"]) == {stage.study.label_of("P")}
    assert set(table.loc[sorted(far), "left open by"]) == {""}
    assert set(table.loc[sorted(no - far), "left open by"]) == {stage.study.label_of("P")}
    assert (table.loc[sorted(no - far), "beyond by"] == "").all()
    assert (table.loc[sorted(set(table.index) - no), "left open by"] == "").all()
    assert cleared.count_words(table.reset_index()) == (
        "Shown within every margin by their own zones: 17 of 24 (named in the report's verdict chapter).")
    assert cleared.count_words(table.assign(within="no")).endswith("zones: none of 24.")


def test_without_known_noise_no_container_is_shown_within(tmp_path):
    stage = make(tmp_path / "s", calm(6), margin={"absolute": MARGIN})
    table = cleared.within(stage, model_tables.fit_all(stage))
    assert set(table["within"]) == {"no"}
    assert cleared.count_words(table) == ("Shown within every margin by their own zones: none of 6, because no single "
                                          "container can be judged by P.")


def test_an_analyte_that_cannot_be_judged_is_named_and_the_others_are_told_beside(tmp_path):
    """Page one said "none of 24" without a reason: one analyte was mostly limits, by the other 20 were within."""
    stage = make(tmp_path / "s", mixture(4), margin={"absolute": MARGIN})
    first = model_tables.fit_all(stage)[0]
    study = stage.study.model_copy(update={"analytes": {
        "P": stage.study.analytes["P"], "Q": stage.study.analytes["P"].model_copy(update={"name": "zinc"})}})
    limits = first.rows.table.assign(qualifier="<", limit=2.0, value=np.nan, y=np.nan)
    second = fit_rows(study, replace(first.rows, analyte="Q", table=limits, censored=len(limits)))
    assert second.path == "not assessed"
    other = SimpleNamespace(study=study, containers=stage.containers, samples=stage.samples, results=stage.results,
                            root=stage.root)
    table = cleared.within(other, [first, second])
    assert set(table["within"]) == {"no"}
    assert set(table["not judged"]) == {study.label_of("Q")}
    assert (table["by the others"] == "yes").sum() == 20
    told = cleared.count_words(table)
    assert told.startswith("Shown within every margin by their own zones: none of 24, because no single container can be "
                           "judged by " + study.label_of("Q"))
    assert told.endswith("By the other analytes alone: 20 of 24 (in the report's verdict chapter), which clears none of them.")


@pytest.mark.slow
@pytest.mark.parametrize("most", [2, 3])
def test_a_container_that_scatters_more_than_the_others_is_hardly_ever_shown_within(most):
    """At the margin with three times the others' scatter one was shown within in 27 of 100 studies, by the others' scatter."""
    rng, study, wrong, n = np.random.default_rng(3), study_of(("upper", "lower"), {"absolute": 6.0}), 0, 150
    for _ in range(n):
        rows = [(f"C{c:02d}", d, 100 + 6.0 * (c == 0) * k + rng.normal(0, 3.0 if c == 0 else 1.0)) for c in range(12)
                for k, d in enumerate(("upper", "lower")) for _ in range(most)]
        frame = pd.DataFrame(rows, columns=["container", "depth", "value"])
        fitted = judge_rows(model_rows(study, "y", *tables_of(frame)), 0.05, ("depth",))
        wrong += "C00" in cleared.clear_of(study, fitted)
    assert wrong / n <= 0.05 + 3.5 * math.sqrt(0.05 * 0.95 / n)


@pytest.mark.slow
def test_a_lot_whose_only_container_lost_a_zone_is_named(tmp_path):
    """The word was homogeneous and the action "use as it stands", and nothing said that of lot L2 nothing is known."""
    cells = twice(24)
    stage = make(tmp_path / "s", cells, margin={"absolute": MARGIN})
    assert cleared.without_any(stage) == ""
    path = stage.root / "plan/containers.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("C23,L1,", "C23,L2,"), encoding="utf-8")
    results = stage.root / "tidy/results.csv"
    kept = [line for line in results.read_text(encoding="utf-8").splitlines() if not line.startswith("C23lo,")]
    results.write_text("\n".join(kept) + "\n", encoding="utf-8")
    stage = again(stage)
    models = model_tables.fit_all(stage)
    outcome = tables.judge_all(stage, models)
    assert outcome.word == "homogeneous"
    told = cleared.without_any(stage)
    assert told == f"{cleared.NOT_SEEN}: lot L2 ({stage.study.label_of('P')})."
    assert told in list(tables.cannot(stage, models)["what"])
    assert f"{cleared.NOT_FOR}: lot L2" in uses.action(stage, outcome, uses.uses(stage, models, outcome))


def again(stage):
    """The same folder, opened anew."""
    return kit.open_stage("06-verdict", str(stage.root), str(stage.root / "report"))


def test_numbers_that_leave_a_settled_container_out_are_not_told(tmp_path):
    """Four of 24 beyond in the upper zones, their lowest lost: 0 % with the noise out and next -0.04 to 0.04 were told."""
    cells = mixture(0)
    for k in range(4):
        cells[f"C{k}"]["middle"] = [v + 15 for v in cells[f"C{k}"]["middle"]]
        cells[f"C{k}"].pop("lower")
    stage = make(tmp_path / "s", cells, margin={"absolute": MARGIN})
    row = sharetable.shares(stage.study, model_tables.fit_all(stage)).iloc[0]
    assert (row["containers"], row["with both ends"], row["seen beyond, %"]) == (24, 20, pytest.approx(16.7))
    assert row[["share, noise taken out, %", "at most, were they normal, %", "next low", "next high"]].isna().all()
    frame = pd.DataFrame([(c, d, x) for c, zones in cells.items() for d, v in zones.items() for x in v],
                         columns=["container", "depth", "value"])
    assert sk.judge(frame, margin={"absolute": MARGIN}, depths=list(ZONES)).next_container is None


def test_the_share_with_the_noise_taken_out_is_never_above_the_bound(tmp_path):
    """5 of 24 at half a margin beyond: 39.1 % stood beside "at most 39.0 %"."""
    cells = twice(24)
    for k in range(5):
        cells[f"C{k}"]["lower"] = [v + 12.5 for v in cells[f"C{k}"]["lower"]]
    stage = make(tmp_path / "s", cells, margin={"absolute": MARGIN})
    row = sharetable.shares(stage.study, model_tables.fit_all(stage)).iloc[0]
    assert row["share, noise taken out, %"] <= row["at most, %"]


def table_of(cells: np.ndarray, groups: list[str]) -> pd.DataFrame:
    return pd.DataFrame([(f"C{i}", f"z{j}", x, groups[i]) for (i, j, _), x in np.ndenumerate(cells) if np.isfinite(x)],
                        columns=["container", "depth", "value", "lot"])


@pytest.mark.slow
def test_a_group_that_lost_a_depth_costs_no_other_road_its_word():
    """100 random stocks, a lot of one container without its lowest zone: judge said "too few containers", the report a word."""
    rng, many, one = np.random.default_rng(10), [], []
    layout = pd.DataFrame([(f"C{i}", f"z{j}") for i in range(12) for j in range(3) for _ in range(2)],
                          columns=["container", "depth"])
    for _ in range(100):
        cells = 100 + rng.normal(0, 2, (12, 1, 1)) + rng.normal(0, rng.choice([0.5, 2]), (12, 3, 1))
        cells = cells + rng.normal(0, 0.3, (12, 3, 2))
        cells[:, 2] += rng.choice([0.0, 4.0, 8.0])
        cells[11, 2] = np.nan
        found = sk.judge(table_of(cells, ["L1"] * 11 + ["L2"]), margin={"absolute": MARGIN}, depths=["z0", "z1", "z2"],
                         groups=["lot"])
        one.append(found.mean_word)
        many.append(str(sk.judge_many(layout, cells.reshape(1, -1), margin={"absolute": MARGIN}, depths=["z0", "z1", "z2"])[0]))
        assert any("(L2)" in r and "nothing is said of that group" in r for r in found.reasons)
    assert one == many
    assert {"homogeneous", "stratified"} <= set(one)


def test_a_group_of_one_container_that_is_shown_beyond_says_so():
    """Its interval read 48 to 51 % against a margin of 20 %, and "shown beyond" False."""
    cells = 100 + np.random.default_rng(3).normal(0, 0.3, (20, 2, 2))
    cells[0, 1] += 30
    found = sk.judge(table_of(cells, ["L2"] + ["L1"] * 19), margin={"absolute": MARGIN}, depths=["z0", "z1"], groups=["lot"])
    assert found.word == "uneven"
    assert found.groups.set_index("group")["shown beyond"].to_dict() == {"L1": False, "L2": True}
    assert not any(r.startswith("The containers of") for r in found.reasons)


def test_depth_means_with_limits_are_bounds_that_hold_for_every_filling():
    """Against 2000 random and extreme fillings: the t interval of each lies inside; the middle of the limits had been told."""
    rng = np.random.default_rng(4)
    values = [round(float(v), 2) for v in rng.normal(3, 0.8, 12)]
    rows = [(f"C{i}", d, "<2.5" if v < 2.5 and d == "a" else f"{v}") for i, v in enumerate(values) for d in ("a", "b")]
    margin, cells = read_table(pd.DataFrame(rows, columns=["container", "depth", "value"]), margin={"absolute": 1},
                               depths=["a", "b"], alpha=0.05, share=None, groups=())
    mean, low, high = depth_mean(cells, 0, 0.95)
    assert math.isnan(mean)
    least, most = cells.low[:, 0], cells.high[:, 0]
    t = 2.20098516  # 11 degrees of freedom, 97.5 %: any table of t
    for k in range(2000):
        u = rng.random(12) if k % 2 else rng.integers(0, 2, 12)
        x = least + u * (most - least)
        half = t * x.std(ddof=1) / math.sqrt(12)
        assert low - 1e-9 <= x.mean() - half <= x.mean() + half <= high + 1e-9
    plain = depth_mean(cells, 1, 0.95)
    assert plain[0] == pytest.approx(np.mean(values))
    assert margin.scale == "raw"


LITRES = [("first litres", uses.WITHIN + uses.AVERAGE, "Si"), ("last litres", uses.ABOVE + uses.AVERAGE, "Si"),
          ("first litres", uses.WITHIN, "Ca"), ("last litres", uses.ABOVE, "Ca")]


@pytest.mark.parametrize(("rows", "told", "never"), [
    (LITRES, "Of a single container that is not shown", "Poured unmixed, the first litres are within"),
    (LITRES[2:], "Poured unmixed, the first litres are within the margins", "on average"),
    ([*LITRES[2:], ("zones", uses.UNKNOWN, "Water")], "not judged by litres: Water; of Ca alone", "on average")])
def test_page_one_says_litres_of_an_uneven_stock_of_the_mean_only(rows, told, never):
    """5 of 24 drums settled by 2.5 margins: "the first litres are within the margins" had stood under "uneven"."""
    none = pd.DataFrame(columns=["name", "verdict", "stock"])
    said = litres.told(pd.DataFrame(rows, columns=["use", "word", "name"]), none, pd.DataFrame())
    assert told in said
    assert never not in said


@pytest.mark.slow
@pytest.mark.parametrize(("beyond", "word"), [(5, " on average"), (0, "")])
def test_litres_of_several_containers_are_means_unless_the_stock_is_even(tmp_path, beyond, word):
    stage = make(tmp_path / "s", mixture(beyond), margin={"absolute": MARGIN})
    models = model_tables.fit_all(stage)
    table = uses.uses(stage, models, tables.judge_all(stage, models))
    first = table.loc[table["use"] == "first litres", "word"].item()
    assert first == "within the margin" + word or (beyond and first == uses.UNDECIDED)
    last = table.loc[table["use"] == "last litres", "word"].item()
    assert last == uses.ABOVE + word or (beyond and last == uses.UNDECIDED)


@pytest.mark.parametrize(("word", "acts", "told"), [
    ("uneven", 0, True), ("uneven", 3, True), ("stratified", 0, True), ("inconclusive", 0, True), ("stratified", 3, False),
    ("homogeneous", 0, False)])
def test_each_container_stands_on_one_list_of_page_one(monkeypatch, word, acts, told):
    """Of a homogeneous stock, and where a list of what to do names each, the lists are left out."""
    held = {"containers_stored": "3", "verdict": word}
    own = {"containers-within": pd.DataFrame({"container": ["K1", "K2", "K3"], "within": ["no", "yes", "no"],
                                                "by the others": "", "not judged": ""}),
           "containers-beyond": pd.DataFrame({"container": ["K1"], "name": "solids", "pair": "lower - upper", "by": "shown",
                                              "margin": "±2 %", "difference": [3.0], "unit": "%"}),
           "time-actions": pd.DataFrame({"container": ["K1", "K2", "K3"][:acts], "age, months": 3})}
    monkeypatch.setattr(questions, "recorded", lambda *_: held)
    monkeypatch.setattr(questions, "action_words", lambda *_: "")
    monkeypatch.setattr(questions, "optional", lambda _s, _t, name: own.get(name, pd.DataFrame()))
    monkeypatch.setattr(questions, "_uses", lambda _: pd.DataFrame(columns=["use", "word", "name", "why"]))
    monkeypatch.setattr(questions, "beyond_groups", lambda *_, **_k: [])
    monkeypatch.setattr(questions, "without_result", lambda _: [])
    monkeypatch.setattr(questions, "_verb", lambda _: "Treat")
    text = " ".join(questions.which(SimpleNamespace(study=SimpleNamespace(
        labels={}, analytes={}, decides=bool, scope="stock"))))
    assert ("Shown within every margin by their own zones: 1 of 3 (K2)." in text) is told
    assert ("so not cleared: K3." in text) is told
    assert ("not thereby shown to be within" in text) is not told


def test_a_result_of_another_analyte_fills_no_lost_depth(tmp_path):
    """P was lost at the lowest zone of C1; Q was measured there."""
    cells = calm(3)
    cells["C1"]["lower"] = []
    stage = make(tmp_path / "s", cells, margin={"absolute": MARGIN})
    lost = stage.samples.loc[(stage.samples["container"] == "C1") & (stage.samples["depth"] == "lower"), "sample"].item()
    extra = stage.results.iloc[[0]].assign(sample=lost, analyte="Q")
    for first, second in (("P", "Q"), ("Q", "P")):  # whichever stands first in the alphabet
        both = pd.concat([stage.results, extra], ignore_index=True)
        both["analyte"] = both["analyte"].map({"P": first, "Q": second})
        other = SimpleNamespace(study=stage.study, samples=stage.samples, results=both, root=stage.root)
        assert cleared._with_every_depth(other, first) == {"C0", "C2"}
        assert cleared._with_every_depth(other, second) == set()


def test_litres_are_told_by_group_where_the_answer_differs():
    """Two lots of 20 L drums, each at two ages: of lot 007 one lies beyond, of 1E5 one is within; one has no result."""
    drums = pd.DataFrame({"container": ["A", "B", "C", "D", "K"], "lot": ["007", "007", "1E5", "1E5", "1E5"],
                          "age_months": [6.0, 12.1, 6.2, 11.9, 6.0], "vessel": "drum", "liquid_height_mm": [200.0] * 5,
                          "treatment": ["stored"] * 4 + ["remixed control"]})
    study = SimpleNamespace(factors=SimpleNamespace(by_depth=("lot", "age_months", "warmth")),
                            vessels={"drum": SimpleNamespace(volume_l=lambda mm: mm / 10)})
    each = pd.DataFrame([("A", "P", cleared.BEYOND), ("A", "S", cleared.WITHIN), ("B", "P", cleared.WITHIN),
                         ("B", "S", cleared.OPEN), ("C", "P", cleared.WITHIN), ("C", "S", cleared.WITHIN),
                         ("D", "P", cleared.NONE), ("D", "S", cleared.NONE)], columns=["container", "analyte", "word"])
    stage = SimpleNamespace(containers=drums, study=study)
    table = cleared.litres_by_group(stage, each)
    assert table.to_numpy().tolist() == [
        ["lot", "007", 2, 40, 20, 0, 20], ["lot", "1E5", 2, 40, 0, 20, 20], ["age", "6 months", 2, 40, 20, 20, 0],
        ["age", "12 months", 2, 40, 0, 0, 40]]
    stage.containers = drums[::-1].reset_index(drop=True)  # groups stand in the order of their names, not of the rows
    assert cleared.litres_by_group(stage, each).equals(table)
    first, second = cleared.litres_told(table)
    assert first == ("Litres in the containers opened, by lot: 007 40.0 L (20.0 beyond a margin, 20.0 neither way); 1E5 40.0 L "
                     "(20.0 within every margin, 20.0 neither way). Those beyond are to be treated before use; those neither "
                     "way are not shown to be within.")
    assert "12 months 40.0 L (40.0 neither way)" in second
    assert cleared.litres_told(table.assign(**{"litres beyond": 20.0, "litres within": 0.0})) == []  # all groups alike
    many = pd.concat([table[:2].assign(group=[f"L{k}", f"M{k}"]) for k in range(5)])
    assert cleared.litres_told(many) == [
        "Litres in the containers opened, by lot: for 10 groups in a table of the verdict chapter."]
    stage.containers = drums.assign(liquid_height_mm=[200.0, float("nan"), 200.0, 200.0, 200.0])
    assert cleared.litres_by_group(stage, each).empty
    assert cleared.litres_told(cleared.litres_by_group(stage, each[:0])) == []


def opened(monkeypatch: pytest.MonkeyPatch, every: dict[str, set[str]], **changes: object) -> str:
    """What is said of four containers of two lots and two stores, a control among them, by those with every depth."""
    boxes = pd.DataFrame({"container": ["C1", "C2", "C3", "C4", "K1"], "lot": ["A", "A", "B", None, "Z"],
                          "store": ["north", "south", "south", "south", "lab"], "treatment": ["stored"] * 4 + ["remixed"]})
    study = SimpleNamespace(scope="stock", analytes={"P": 1, "Zn": 2, "X": 3}, decides=lambda a: a != "X", label_of=str.lower)
    stage = SimpleNamespace(study=study, containers=boxes.assign(**changes))
    monkeypatch.setattr(cleared, "_with_every_depth", lambda _, key: every[key])
    return cleared.without_any(stage, "Lost")


def test_levels_that_no_whole_container_speaks_for_are_named_with_their_analytes(monkeypatch) -> None:
    """By hand: P has every depth in C1 and C2, Zn in C2 and C3; X does not decide, and what has no level is none."""
    assert opened(monkeypatch, {"P": {"C1", "C2"}, "Zn": {"C2", "C3"}, "X": set()}) == "Lost: lot B (p) and store north (zn)."
    both = {"P": {"C2", "C4"}, "Zn": {"C2", "C4"}, "X": set()}
    assert opened(monkeypatch, both) == "Lost: lot B (p and zn) and store north (p and zn)."
    one = {"P": {"C1"}, "Zn": {"C1", "C2", "C3"}, "X": set()}
    assert opened(monkeypatch, one) == ""  # of one whole container it is said elsewhere


def test_a_table_without_lots_or_stores_names_none(monkeypatch) -> None:
    boxes = pd.DataFrame({"container": ["C1", "C2", "C3"], "treatment": "stored"})
    study = SimpleNamespace(scope="stock", analytes={"P": 1}, decides=lambda a: True, label_of=str)
    monkeypatch.setattr(cleared, "_with_every_depth", lambda *_: {"C1", "C2"})
    assert cleared.without_any(SimpleNamespace(study=study, containers=boxes)) == ""
    study.scope = "container"
    assert cleared.without_any(SimpleNamespace(study=study, containers=boxes.assign(lot=["A", "A", "B"]))) == ""


@pytest.mark.parametrize(("beyond", "within", "neither", "told"), [
    (20.0, 0.0, 20.0, "20.0 beyond a margin, 20.0 neither way"), (0.0, 1234.0, 0.0, "1234 within every margin"),
    (1e-9, 0.05, -1e-12, "0.0500 within every margin"), (1.5e-9, 0.0, 7.0, "1.50e−09 beyond a margin, 7.00 neither way")])
def test_litres_that_are_rounding_in_the_computer_are_not_told(beyond, within, neither, told):
    """A billionth of a litre and less is what is left of sums; more is a share of a very small vessel."""
    assert cleared._parts({"litres beyond": beyond, "litres within": within, "litres neither": neither}) == told
