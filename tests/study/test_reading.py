"""Whoever reads a value of study.toml is heard, whichever way it is read; what nobody reads does not count."""

from __future__ import annotations

import copy
import json
import pickle
import shutil
import tomllib
from operator import attrgetter

import pytest

from studykit.demos.shipped import demo_folder
from studykit.study import reading
from studykit.study.definition import load_study
from studykit.study.reading import ALL, FILE, blanked, heard_in, listen, still


@pytest.fixture
def root(tmp_path):
    shutil.copy(demo_folder("ropeway") / "study.toml", tmp_path)
    yield tmp_path
    still()


@pytest.fixture
def told(root):
    """What is read of the main demo's definition by a function; the file where it is written down is read for it."""
    def of(read):
        listen(root / "heard")
        study = load_study(root)
        assert heard_in(root / "heard") == ()  # to check it is not to read it
        read(study)
        still()
        return set(heard_in(root / "heard"))
    return of


PHOSPHORUS = {f"analytes.P.margin.{k}" for k in ("relative_percent", "factor", "absolute", "side")}


@pytest.mark.parametrize("read", [
    lambda m: (m.relative_percent, m.factor, m.absolute, m.side), lambda m: m == m.model_copy(), hash, repr, str, list,
    vars, copy.copy, copy.deepcopy, pickle.dumps, attrgetter("__dict__"), lambda m: m.model_copy(update={"factor": 2.0}),
], ids=lambda f: getattr(f, "__name__", str(f)))
def test_every_way_to_read_a_section_is_heard(told, read):
    assert told(lambda s: read(s.analytes["P"].margin)) == PHOSPHORUS


@pytest.mark.parametrize("read", [lambda m: m.model_dump(), lambda m: m.model_dump_json(), lambda m: m.toml()])
def test_a_section_that_is_written_as_a_whole_is_read_as_a_whole(told, read):
    assert told(lambda s: read(s.analytes["P"].margin)) >= {"analytes.P.margin"}


def test_what_is_read_by_a_property_or_a_method_is_heard_and_nothing_else(told):
    assert told(lambda s: s.analytes["P"].margin.percent) == {"analytes.P.margin.relative_percent", "analytes.P.margin.factor"}
    assert told(lambda s: s.level) == {"alpha"}
    assert told(lambda s: s.label_of("P")) == {"analytes.P.label", "analytes.P.role"}
    assert told(lambda s: [a.unit for a in s.analytes.values()]) == {f"analytes.{a}.unit" for a in
                                                                     load_study(demo_folder("ropeway")).analytes}


def test_a_study_that_is_compared_copied_or_dumped_as_a_whole_is_read_as_a_whole(told, root):
    every = told(copy.deepcopy)
    assert PHOSPHORUS | {"title", "alpha", "vessels", "design.target", "components.0.note"} <= every
    assert told(pickle.dumps) == every
    assert told(lambda s: s == load_study(root)) >= PHOSPHORUS | {"title", "alpha", "design.target", "components.0.note"}
    assert ALL in told(lambda s: s.model_dump())


def test_what_a_copy_with_a_change_shares_with_the_study_is_heard_of(told):
    assert "analytes.P.margin.side" in told(lambda s: s.model_copy(update={"design": None}).analytes["P"].margin.side)


def test_a_table_without_sections_is_read_with_its_name(told):
    assert told(lambda s: s.fluid.store_temperature_c) == {"fluid.store_temperature_c"}
    assert told(lambda s: s.vessels) == {"vessels"}
    assert told(lambda s: (s.analytes, s.components, s.design, s.fluid)) == set()


def test_whether_a_margin_is_relative_follows_from_the_keys_that_are_there(told):
    assert told(lambda s: s.analytes["P"].margin.relative) == set()


def test_the_file_itself_is_heard_of_where_another_opens_it(told, root):
    assert told(lambda s: (root / "study.toml").read_text()) == {FILE}
    assert told(lambda s: load_study(root)) == set()


def test_nothing_is_heard_before_or_after(root):
    study = load_study(root)
    listen(root / "heard")
    assert study.title
    assert heard_in(root / "heard") == ()
    other = load_study(root)
    still()
    assert other.title
    assert heard_in(root / "heard") == ()
    assert type(study).__getattribute__ is reading._plain


@pytest.mark.parametrize("text", [None, "", "alpha\n"])
def test_where_nobody_listened_the_whole_file_counts(tmp_path, text):
    if text is not None:
        (tmp_path / "heard").write_text(text)
    assert heard_in(tmp_path / "heard") == (FILE,)


def test_what_nobody_read_is_blank_and_what_is_there_stays_told():
    data = tomllib.loads('title = "a"\nn = [1, 2]\n[x.P]\nunit = "%"\nmargin = { factor = 2 }\n'
                         '[[c]]\nd = 1\ne = 2\n[[c]]\nd = 3\n')
    assert blanked(data, ()) == {"title": None, "n": None, "x": {"P": {"unit": None, "margin": {"factor": None}}},
                                 "c": [{"d": None, "e": None}, {"d": None}]}
    assert blanked(data, ("x.P.margin", "c.1.d", "n", "x.P.margin.factor")) == {
        "title": None, "n": [1, 2], "x": {"P": {"unit": None, "margin": {"factor": 2}}},
        "c": [{"d": None, "e": None}, {"d": 3}]}
    assert blanked(data, (ALL,)) == data


def test_each_value_of_the_main_demo_has_the_name_by_which_it_is_heard_of(told):
    """A name that is heard but stands nowhere in the file would count for nothing."""
    text = (demo_folder("ropeway") / "study.toml").read_text(encoding="utf-8")
    every = told(copy.deepcopy)
    assert json.dumps(blanked(tomllib.loads(text), every), default=repr) == json.dumps(tomllib.loads(text), default=repr)
