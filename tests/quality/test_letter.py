"""The letter to the laboratory, attacked: does any file, name or order of it tell depths, containers or what was expected?"""

from __future__ import annotations

import ast
import csv
import io
import itertools
import re
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pandas as pd
import pypdfium2
import pytest

from studykit.core.errors import BadInput
from studykit.quality.assess import _missing_check, completeness
from studykit.quality.flags import flag_table
from studykit.quality.letter import GROUPS, WITHHELD, Letter, _with_portions, compose, reports_asked_about
from studykit.quality.letter_files import HEADS, _parts, write_letter
from studykit.quality.suspects import TELLS
from studykit.study.exclusions import Usable
from tests.faults import bench
from tests.faults.laboratory import NAMES, Lab, make
from tests.faults.planted import FAULTS

FILES = {"letter.html", "letter.pdf", "questions.csv", "again.csv", "relabel.csv"}
PLANTED = ("swap of two bottles", "unit in a cell", "copied row", "drift in one run", "wrong product", "invented repeats")


def flags_for(lab: Lab, rule: str, samples: list[str], where: str = "", analyte: str = "P",
              concern: str = bench.ASK) -> dict[str, str]:
    return {"rule": rule, "concern": concern, "where": where or f"sample {samples[0]}", "analyte": analyte,
            "evidence": "reads 3 times what container and depth lead one to expect", "samples": " ".join(samples)}


@lru_cache(maxsize=2)
def a_lab(seed: int = 5) -> Lab:
    return make(bench.USUAL, seed)


def letter_of(lab: Lab, flags: list[dict[str, str]]) -> Letter:
    study, containers, samples, results = lab.tables()
    columns = ["rule", "concern", "where", "analyte", "evidence", "samples"]
    return compose(study, containers, samples, results, pd.DataFrame(flags, columns=columns))


def test_questions_name_analytes_with_their_keys_and_the_list_to_fill_in_keeps_the_keys() -> None:
    lab = a_lab()
    study, containers, samples, results = lab.tables()
    own = {a: x.model_copy(update={"label": "phosphorus, dissolved"} if a == "P" else {}) for a, x in study.analytes.items()}
    code = results["sample"].iloc[0]
    flags = pd.DataFrame([flags_for(lab, "value alone", [code])])
    letter = compose(study.model_copy(update={"analytes": own}), containers, samples, results, flags)
    assert set(letter.questions["analytes"]) == {"phosphorus, dissolved (P)"}
    assert letter.questions.loc[letter.questions["code"] == code, "reported"].item().startswith("phosphorus, dissolved (P) ")
    assert set(letter.again["Analyte"]) == {"P"}  # it is read back by that


def written(lab: Lab, letter: Letter, folder: Path) -> Path:
    study_folder = folder / "study"
    study_folder.mkdir(parents=True)
    _, containers, samples, results = lab.tables()
    return write_letter(letter, reports_asked_about(containers, samples, results), study_folder, folder / "letter").send


def texts(send: Path) -> dict[str, str]:
    """Everything that can be read in each file: PDF by its text and its metadata, names of files too."""
    out = {}
    for path in sorted(send.iterdir()):
        if path.suffix == ".pdf":
            pdf = pypdfium2.PdfDocument(path)
            text = "\n".join(page.get_textpage().get_text_bounded() for page in pdf)
            out[path.name] = text + str(pdf.get_metadata_dict()) + path.read_bytes().decode("latin-1")[:600]
        else:
            out[path.name] = path.read_text(encoding="utf-8")
    return out | {"names": " ".join(out)}


def secret_words(lab: Lab) -> set[str]:
    """Names of containers, depths, lots, stores, treatments and kinds of sample, and words that point into a vessel."""
    words = set(lab.containers["container"]) | set(lab.containers["lot"]) | set(lab.containers["store"])
    words |= set(NAMES[lab.setting.depths]) | {"remixed", "layered", "stored", "heel", "composite", "duplicate", "blank",
                                               "check fluid", "drum", "depth", "zone", "container", "surface", "floor",
                                               "layer", "settled", "settling", "expected", "too high", "too low", "rich"}
    return words


@pytest.mark.slow
def test_no_file_of_a_letter_holds_a_word_of_the_plan(tmp_path):
    for k, name in enumerate(PLANTED):
        fault = FAULTS[name]
        lab = make(fault.setting(bench.USUAL, fault.sizes[2]), 100 + k)
        fault.plant(lab, fault.sizes[2])
        _, _, _samples, _ = lab.tables()
        every = bench.flags_of(lab).to_dict("records")
        letter = letter_of(lab, every)
        if letter.empty:
            continue
        send = written(lab, letter, tmp_path / str(k))
        assert {p.name for p in send.iterdir()} <= FILES
        for file, text in texts(send).items():
            for word in secret_words(lab):
                assert not re.search(rf"(?<![\w.]){re.escape(word)}(?![\w])", text, re.IGNORECASE), (name, file, word)
            for flag in every:
                assert str(flag["evidence"])[:40] not in text


def test_the_attack_would_find_a_word(tmp_path):
    (tmp_path / "questions.csv").write_text("code\n1234 (upper)\n", encoding="utf-8")
    found = texts(tmp_path)["questions.csv"]
    assert any(re.search(rf"(?<![\w.]){w}(?![\w])", found) for w in secret_words(a_lab()))


@pytest.mark.slow
def test_orders_and_groups_tell_nothing_of_depth_container_or_draw():
    """120 letters that ask about the bottles of one depth only, the worst case: correlation of place with height is
    chance (3.5 standard errors), neighbours share a container as often as by chance, no depth is commoner."""
    lab = a_lab()
    _, _, samples, results = lab.tables()
    spots = samples[samples["kind"].eq("spot") & samples["sample"].isin(results["sample"])]
    height = dict(zip(samples["sample"], samples["height"], strict=True))
    box = dict(zip(samples["sample"], samples["container"], strict=True))
    rank, near, expected = {"questions": [], "again": [], "relabel": []}, [], []
    rng = np.random.default_rng(3)
    study, containers, own, res = lab.tables()
    res = res[res["analyte"] == "P"]
    for k in range(120):
        asked = rng.choice(sorted(spots.loc[spots["depth"] == "lower", "sample"]), 4, replace=False)
        flags = pd.DataFrame([flags_for(lab, "value alone", [s]) for s in asked])
        # another plan each time: the orders follow from it
        letter = compose(study, containers, own.assign(container=own["container"] + f"-{k}"), res, flags)
        codes = dict(zip(letter.relabel["new_code"], letter.relabel["bottle"], strict=True))
        bottles = {"questions": list(letter.questions["code"]),
                   "again": [codes[c] for c in letter.again.drop_duplicates("Sample")["Sample"]],
                   "relabel": list(letter.relabel["bottle"])}
        for name, order in bottles.items():
            h = np.array([height[b] for b in order])
            rank[name].append(np.corrcoef(np.arange(len(h)), h)[0, 1])
        order = bottles["again"]
        near += [box[a] == box[b] for a, b in itertools.pairwise(order)]
        same = sum(box[a] == box[b] for i, a in enumerate(order) for b in order[i + 1:])
        expected.append(same / (len(order) * (len(order) - 1) / 2))
        counts = pd.Series([height[b] for b in bottles["questions"]]).value_counts()
        assert counts.nunique() == 1
        assert len(counts) == 3
    for name, values in rank.items():
        assert abs(np.mean(values)) < 3.5 * np.std(values) / np.sqrt(len(values)), name
    assert abs(np.mean(near) - np.mean(expected)) < 3.5 * np.sqrt(np.mean(near) / len(near))


def test_a_pair_is_not_named_as_a_pair():
    lab = a_lab()
    one, other = sorted(lab.samples.loc[lab.samples["container"] == "C01", "sample"])[:2]
    letter = letter_of(lab, [flags_for(lab, "swapped samples", [one, other], "container C01", "")])
    assert {one, other} < set(letter.questions["code"])
    assert len(letter.questions) >= 3
    assert (letter.questions["group"] == "which bottle was read").all()


def test_orders_do_not_follow_from_codes_and_seed_alone():
    lab = a_lab()
    flags = [flags_for(lab, "value alone", [str(lab.samples["sample"].iloc[0])])]
    first = letter_of(lab, flags).relabel
    turned = replace(lab, samples=lab.samples.assign(depth=lab.samples["depth"].replace({"upper": "lower", "lower": "upper"})))
    assert set(first["new_code"]) != set(letter_of(turned, flags).relabel["new_code"])


@pytest.mark.parametrize(("rule", "where", "group"), [
    ("drift", "run R2", "a run"), ("run shift", "runs R1 and R3", "a run"), ("blank", "sample {s}", "a run"),
    ("unit slip", "file lab_R1.csv, run R1", "the whole report"), ("unit slip", "sample {s}", "numbers as they were written"),
    ("too good", "whole study", "the whole report"), ("portion or dilution", "sample {s}", "weighing and dilution")])
def test_a_flag_comes_into_its_group(rule, where, group):
    lab = a_lab()
    s = str(lab.samples["sample"].iloc[0])
    got = letter_of(lab, [flags_for(lab, rule, [s], where.format(s=s))]).questions
    assert set(got["group"]) == {group}
    if rule == "run shift":
        assert set(got["run"]) == {"R1", "R3"}


@pytest.mark.parametrize("rule", ["own settling", "wrong product", "exchanged containers", "missing purge", "run and stock"])
def test_what_lies_in_a_container_is_no_question_for_a_laboratory(rule):
    lab = a_lab()
    own = sorted(lab.samples.loc[lab.samples["container"] == "C02", "sample"])
    letter = letter_of(lab, [flags_for(lab, rule, own, "container C02")])
    assert letter.questions.empty
    assert set(own) & set(lab.wide["sample"]) <= set(letter.relabel["bottle"])


def test_a_bottle_that_went_to_the_laboratory_and_has_no_result_is_asked_about_and_only_such_a_one():
    """Ten bottles of a stranger's study were drawn and none came back; page one counted them, and there was no letter."""
    lab = a_lab()
    study, containers, samples, results = lab.tables()
    lost, undrawn, refused = samples.loc[samples["depth"] == "middle", "sample"].iloc[:3]
    samples = samples.assign(drawn_at="2026-09-01 09:00")
    samples.loc[samples["sample"] == undrawn, "drawn_at"] = None
    results = results[~results["sample"].isin([lost, undrawn, refused])]
    _, missing = completeness(study, samples, results, Usable(rows=results, excluded=results.iloc[:0], counts=pd.DataFrame()))
    flags = flag_table(_missing_check(study, missing, {(refused, "P")}).flags)
    letter = compose(study, containers, samples, results, flags)
    assert set(letter.questions["code"]) == {lost}
    assert set(letter.questions["group"]) == {"bottles without a result"}
    assert letter.again.empty  # what never came cannot be poured again


def test_settling_that_a_short_portion_rivals_is_a_question_about_that_bottle_alone():
    lab = a_lab()
    own = sorted(lab.samples.loc[lab.samples["container"] == "C02", "sample"])
    words = f"real settling, likeliest; rivals: portion or dilution (sample {own[1]} (container C02)); to tell: a second draw"
    flag = flags_for(lab, "own settling", own, "container C02") | {"evidence": words}
    letter = letter_of(lab, [flag])
    assert set(letter.questions["group"]) == {"weighing and dilution"}
    assert own[1] in set(letter.questions["code"])
    depths = lab.samples.set_index("sample")["depth"].reindex(letter.questions["code"])
    assert depths.value_counts().max() == 1
    assert not letter.questions.astype(str).apply(lambda c: c.str.contains("C02|settling")).any(axis=None)


@pytest.mark.parametrize("rule", ["run offset", "run and stock", "drift"])
def test_bottles_to_be_measured_side_by_side_stand_in_the_list(rule):
    """Those of the run that is named and of another one, and a portion of the check fluid: as the flag asks."""
    lab = a_lab()
    letter = letter_of(lab, [flags_for(lab, rule, [], "run R2")])
    own = lab.wide.set_index("sample").loc[list(letter.relabel["bottle"])]
    kind = lab.samples.set_index("sample")["kind"].reindex(own.index)
    assert (own["run"] == "R2").sum() >= 3
    assert (own["run"] != "R2").sum() >= 3
    assert (kind == "check fluid").any()
    assert set(letter.again["Sample"]) == set(letter.relabel["new_code"])
    fluid = letter.lines[letter.lines["kind"] == "check fluid"]
    assert len(fluid)
    assert (fluid["container"] == "").all()


def test_hints_are_not_asked_and_nothing_is_written_then(tmp_path):
    lab = a_lab()
    letter = letter_of(lab, [flags_for(lab, "drift", ["1"], "run R1", concern="hint only")])
    assert letter.empty
    with pytest.raises(BadInput, match="no check asks anything"):
        written(lab, letter, tmp_path)


def test_names_that_hold_a_word_of_the_plan_are_withheld():
    lab = a_lab()
    _, containers, samples, results = lab.tables()
    results["source_file"] = results["source_file"].replace({"lab_R1.csv": "lab_upper.csv", "lab_R2.csv": "C03-hall.csv"})
    said = reports_asked_about(containers, samples, results)
    assert WITHHELD in said
    assert "upper" not in said
    assert "C03" not in said
    assert "lab_R3.csv" in said


def test_blind_duplicates_apart_and_the_portions_as_rows_of_the_plan(tmp_path):
    lab = a_lab()
    asked = sorted(lab.samples.loc[lab.samples["depth"] == "middle", "sample"])[:5]
    letter = letter_of(lab, [flags_for(lab, "value alone", [s]) for s in asked])
    twice = letter.relabel["bottle"].value_counts()
    assert (twice == 2).sum() >= 2
    assert twice.max() == 2
    assert letter.relabel["new_code"].is_unique
    assert not set(letter.relabel["new_code"]) & set(lab.samples["sample"])
    lines = letter.lines.set_index("sample")
    original = lab.samples.set_index("sample")
    for bottle, code in letter.relabel.itertuples(index=False):
        assert lines.at[code, "container"] == original.at[bottle, "container"]
        assert lines.at[code, "depth"] == original.at[bottle, "depth"]
        assert lines.at[code, "kind"] == "split"
    places = letter.again.drop_duplicates("Sample")
    assert list(places["Position"]) == list(range(1, len(letter.relabel) + 1))
    rows = list(csv.DictReader(io.StringIO((written(lab, letter, tmp_path) / "again.csv").read_text(encoding="utf-8"))))
    assert {r["Sample"] for r in rows} == set(letter.relabel["new_code"])
    assert {r["Result"] for r in rows} == {""}


def test_a_letter_inside_the_study_is_refused(tmp_path):
    lab = a_lab()
    letter = letter_of(lab, [flags_for(lab, "drift", [], "run R1")])
    with pytest.raises(BadInput, match="lies inside the study"):
        write_letter(letter, "lab.csv", tmp_path, tmp_path / "letter")


def test_every_group_asks_something_and_no_rule_stands_in_two():
    rules = [r for g in GROUPS for r in g.rules]
    assert len(rules) == len(set(rules))
    assert all(g.asks for g in GROUPS)


NOT_ASKED = {
    "swapped containers", "exchanged containers", "wrong product", "disturbed container", "heel in the zone", "missing purge",
    "diluted or evaporated", "own settling", "run and stock",  # what happened before the bottles were sealed
    "container split over runs", "depth order", "check limits",  # the plan's own
    "mass balance", "less than was filled", "more than was filled", "layered control", "remixed control", "controls",
    "wear metals", "Zn/P ratio", "z-scores",  # tables, and what the study concludes from several results together
    "duplicates", "explanations", "units of files", "slips beside own bottles",
    "order of the zones", "blank or bottle"}  # names of checks whose flags go by other rules
"""Rules about which no laboratory can answer anything from its own records."""


@pytest.mark.slow
def test_every_rule_is_asked_of_the_laboratory_or_said_to_be_none_of_its_affairs():
    said = {str(key.value) for path in Path("studykit/quality").glob("*.py") for call in ast.walk(ast.parse(path.read_text()))
            if isinstance(call, ast.Call) for word in call.keywords
            if word.arg == "rule" for key in ast.walk(word.value)
            if isinstance(key, ast.Constant) and isinstance(key.value, str)}
    asked = {r for g in GROUPS for r in g.rules}
    assert "too good" in said
    assert (said | set(TELLS)) - asked - NOT_ASKED == set(), "put a new rule into GROUPS of quality/letter.py, or here"
    assert not asked & NOT_ASKED


class Ordered(set[str]):
    """A set that gives its items in an order of its own, as sets of texts do in every process anew."""

    def __and__(self, other):
        return sorted(set(self) & set(other), key=lambda text: text[::-1])


def test_the_portions_do_not_hang_on_the_order_of_a_set():
    lab = a_lab()
    study, _, samples, results = lab.tables()
    asked = set(samples.loc[samples["depth"] == "middle", "sample"].iloc[:6])
    none = letter_of(lab, []).questions
    plain, turned = (_with_portions(study, samples, results, none, kind(asked), ["P"]) for kind in (set, Ordered))
    pd.testing.assert_frame_equal(plain.relabel, turned.relabel)


def test_eight_reports_are_named_and_the_rest_is_counted():
    _, containers, samples, results = a_lab().tables()
    results["source_file"] = [f"lab_{i % 11:02d}.csv" for i in range(len(results))]
    said = reports_asked_about(containers, samples, results)
    assert said == ", ".join(f"lab_{i:02d}.csv" for i in range(8)) + " and 3 more"


def test_the_letter_asks_the_questions_of_a_group_under_its_heading_with_every_column_that_holds_something():
    lab = a_lab()
    own = sorted(lab.samples.loc[lab.samples["depth"] == "middle", "sample"])[:3]
    flags = [flags_for(lab, "value alone", [s], analyte=a) for s, a in zip(own, ("P", "P, Zn, Ca, Si", "P"), strict=True)]
    letter = letter_of(lab, [*flags, flags_for(lab, "drift", [], "run R1")])
    parts = {p["name"].removeprefix("About "): p for p in _parts(letter)}
    assert set(parts) == set(letter.questions["group"])
    assert len(parts) == 2
    for name, questions in letter.questions.groupby("group"):
        part = parts[name]
        codes = part["head"].index("bottle") if "bottle" in part["head"] else part["head"].index("run")
        column = "code" if "bottle" in part["head"] else "run"
        assert [row[codes] for row in part["rows"]] == questions[column].tolist()
        for column, head in HEADS.items():
            assert (head in part["head"]) is bool(column == "answer" or (questions[column] != "").any())
    (some,) = (q for _, q in letter.questions.groupby("group") if 0 < (q["reported"] == "").sum() < len(q))
    assert "as reported" in parts[some["group"].iloc[0]]["head"]  # told of some bottles, and left out of none
