"""Names that would share a file where capitals and signs do not count (Windows, macOS by default) are refused at once."""

import pandas as pd
import pytest

from studykit.core.errors import BadInput
from studykit.core.files import safe_name
from studykit.study.columns import RESULTS, SAMPLES
from studykit.study.definition import parse_study
from studykit.study.tables import read_cells, type_cells
from tests.studies import definition


@pytest.mark.parametrize(("one", "other"), [("Ca-T", "Ca_T"), ("Pb", "PB"), ("Fe II", "fe_ii")])
def test_two_analytes_of_one_file_are_refused(one, other):
    data = definition()
    data["analytes"] = {one: data["analytes"]["P"], other: data["analytes"]["W"]}
    with pytest.raises(BadInput, match="would share a file"):
        parse_study(data)


def test_two_depths_of_one_name_are_refused():
    data = definition()
    data["factors"]["depths"] = ["top 1", "top-1"]
    with pytest.raises(BadInput, match="would share a file"):
        parse_study(data)


def test_letters_of_any_script_stay_apart():
    data = definition()
    data["factors"]["depths"] = ["верх", "низ"]
    assert parse_study(data).factors.depths == ("верх", "низ")
    assert len({safe_name("верх"), safe_name("низ"), safe_name("上"), safe_name("下")}) == 4


@pytest.mark.parametrize(("one", "other", "reason"), [
    *((one, other, "reads like the label of P") for one, other in (
        ("calcium", "Calcium"), ("calcium", "c\u0430lcium"), ("cal\u200bcium", "calcium "), ("\u00e9tain", "e\u0301tain"),
        ("W", ""))),
    ("additive", "Homogeneous", "word of the kit's own answer"),
    ("additive", "water. Strat\u0456fied", "word of the kit's own answer"),
    ("additive", "all analytes", "word of the kit's own answer"),
    *(("additive", f"water{told}", "word of the kit's own answer") for told in (
        " (all depths the same)", ", uniform", " (homogenous)", ": nothing settled", ", identical everywhere")),
    ("zinc", "water", "names the element Zn, and the key is P"), ("lead (Pb)", "water", "names the element Pb"),
    ("W", "water", "is the key of W"), ("additive", "P", "is the key of P"),
    ("zinc", "\u2800", "no letter and no digit"), ("zinc", "\u3164", "no letter and no digit"),
    *((("zinc", f"water {c}evisulcnocni", "turns the direction")) for c in "\u200e\u200f\u202a\u202e\u2066\u2069"),
])
def test_labels_that_cannot_be_read_as_meant_are_refused(one, other, reason):
    data = definition()
    data["analytes"]["P"]["label"], data["analytes"]["W"]["label"] = one, other
    with pytest.raises(BadInput, match=reason):
        parse_study(data)


@pytest.mark.parametrize("depth", ["upper again", "same as upper", "lower, uniform"])
def test_depths_that_say_how_they_compare_are_refused(depth):
    """Page one would read "upper again against upper", as if the kit said that nothing differs."""
    data = definition()
    data["factors"]["depths"] = ["upper", depth]
    with pytest.raises(BadInput, match="how depths compare"):
        parse_study(data)


def test_labels_that_name_their_own_element_among_others_are_kept():
    data = definition()
    for label in ("phosphorus (of zinc dithiophosphate)", "phosphorous", "phosphorus (P)"):
        data["analytes"]["P"]["label"] = label
        assert parse_study(data).label_of("P") == label


def test_labels_of_any_script_and_of_numbers_are_kept():
    data = definition()
    for label in ("вода", "水", "ماء", "viscosity at 40 °C", "> 4 µm(c)", "unevenness index"):
        data["analytes"]["W"]["label"] = label
        assert parse_study(data).label_of("W") == label


@pytest.mark.parametrize(("change", "reason"), [
    (lambda d: d.update(title="a \u202eb"), "title: .*turns the direction"),
    (lambda d: d.update(question="a \u2028b"), "question: .*nobody sees"),
    (lambda d: d.update(title="Oil " * 60), "title: .*more than 200 characters"),
    (lambda d: d.update(title="Homogeneous: all analytes."), "title: .*begins with 'homogeneous:', as the kit's own answer"),
    (lambda d: d.update(question="Str\u0430tified on average: is it so?"), "question: .*own answer"),
    (lambda d: d["analytes"]["P"].update(method="in-house \u2066ICP"), "analytes.P.method: .*turns the direction"),
    (lambda d: d["analytes"]["P"].update(label="zi\u200bnc"), "analytes.P.label: .*nobody sees"),
    (lambda d: d["factors"].update(depths=["lower", "l\u043ewer"]), "reads like the depth 'lower'"),
    (lambda d: d["factors"].update(depths=["upper", "Upper"]), "share a file"),
])
def test_texts_of_a_study_that_nobody_reads_as_meant_are_refused(change, reason):
    data = definition()
    change(data)
    with pytest.raises(BadInput, match=reason):
        parse_study(data)


@pytest.mark.parametrize("title", ["Homogeneous or not? Oil in drums", "Is the stock homogeneous: a study",
                                   "Öl in Fässern, µm"])
def test_a_title_may_ask_for_the_word(title):
    assert parse_study(definition(title=title, question="Homogeneous enough to pour?")).title == title


@pytest.mark.parametrize(("column", "cell"), [("drawn_by", "A\u202eB"), ("note", "hazy\u2069"), ("container", "C\u200b1"),
                                              ("own column", "x\u2066")])
def test_cells_of_the_plan_are_read_by_the_same_rule(tmp_path, column, cell):
    row = {"sample": "K72PX", "container": "C1", "kind": "spot", "depth": "upper", column: cell}
    (tmp_path / "plan").mkdir()
    (tmp_path / "plan/samples.csv").write_text(",".join(row) + "\n" + ",".join(row.values()) + "\n", encoding="utf-8")
    _, faults = type_cells(read_cells(tmp_path / "plan/samples.csv", SAMPLES)[0], SAMPLES)
    assert [(f.row, f.column) for f in faults] == [(2, column)]


def test_a_laboratorys_words_are_taken_as_it_wrote_them():
    cells = pd.DataFrame({c: ["x"] for c in RESULTS.names} | {"as_written": ["9 \u202e21"], "_line": [2]})
    assert not [f for f in type_cells(cells, RESULTS)[1] if f.column == "as_written"]
