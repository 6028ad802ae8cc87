"""Names that would share a file where capitals and signs do not count (Windows, macOS by default) are refused at once."""

import pytest

from studykit.core.errors import BadInput
from studykit.core.files import safe_name
from studykit.study.definition import parse_study
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
    ("zinc", "Homogeneous", "word of the kit's own answer"),
    ("zinc", "water. Strat\u0456fied", "word of the kit's own answer"),
    ("zinc", "all analytes", "word of the kit's own answer"),
    ("zinc", "\u2800", "no letter and no digit"), ("zinc", "\u3164", "no letter and no digit"),
    *((("zinc", f"water {c}evisulcnocni", "turns the direction")) for c in "\u200e\u200f\u202a\u202e\u2066\u2069"),
])
def test_labels_that_cannot_be_read_as_meant_are_refused(one, other, reason):
    data = definition()
    data["analytes"]["P"]["label"], data["analytes"]["W"]["label"] = one, other
    with pytest.raises(BadInput, match=reason):
        parse_study(data)


def test_labels_of_any_script_and_of_numbers_are_kept():
    data = definition()
    for label in ("вода", "水", "ماء", "viscosity at 40 °C", "> 4 µm(c)", "unevenness index"):
        data["analytes"]["W"]["label"] = label
        assert parse_study(data).label_of("W") == label
