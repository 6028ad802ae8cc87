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
