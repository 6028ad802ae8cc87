"""JSON read strictly: RFC 8259, 4, leaves open which of two equal keys counts, so none may stand twice."""

from __future__ import annotations

import json

import pytest

from studykit.core import strict
from studykit.core.errors import BadInput
from studykit.core.files import read_json


@pytest.mark.parametrize("text", [
    '{"a": 1, "a": 1}', '{"a": {"b": 1, "c": 2, "b": 3}}', '[{"x": [{"a": 1, "\\u0061": 2}]}]', '{"a": NaN}', '[-Infinity]'])
def test_what_can_be_read_in_two_ways_is_refused(text, tmp_path):
    json.loads(text)  # the standard library takes it
    with pytest.raises(ValueError, match=r"occurs twice|is no number"):
        strict.read(text)
    (tmp_path / "x.json").write_text(text)
    with pytest.raises(BadInput, match=r"occurs twice|is no number"):
        read_json(tmp_path / "x.json")


def test_what_says_each_thing_once_is_read_as_ever():
    text = '{"a": {"a": [1, 2.5, null, true, "a"]}, "b": {}}'
    assert strict.read(text) == strict.read(text.encode()) == json.loads(text)
