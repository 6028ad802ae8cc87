"""A sample of tests/report/dishonest.py: what a dishonest sender changes is named by ``verify``, and nothing hangs."""

from __future__ import annotations

import os
import random

import pytest

from tests.report import dishonest

OPENED = [n for n in dishonest.ATTACKS if n.startswith(("a pipe for", "no end for"))]
"""Each of these hung, or could, where a path is opened before it is looked at."""
TWICE = [n for n in dishonest.ATTACKS if "twice" in n or "more in the lock" in n]
"""What one reader takes for the one and another for the other."""
SAMPLE = random.Random("studykit/dishonest/sample").sample([n for n in dishonest.ATTACKS if n not in (*OPENED, *TWICE)], 16)


@pytest.mark.slow
def test_every_file_changed_in_five_ways_is_named(filed, tmp_path):
    told = dishonest.everything(filed, tmp_path)
    assert len(told) == 5
    assert all(count > 100 for count, _ in told.values())
    assert [(kind, passed) for kind, (_, passed) in told.items() if passed] == []


@pytest.mark.few(3)
@pytest.mark.parametrize("name", [*OPENED, *TWICE, *SAMPLE])
def test_an_attack_is_named(name, filed, tmp_path):
    if os.name == "nt" and name.startswith(("a pipe", "no end", "a link", "a folder linked", "a socket", "deep",
                                            "a twin by capitals")):
        pytest.skip("needs links, pipes, sockets, depths or names in capitals as POSIX has them")
    assert dishonest.fault(filed, tmp_path / "one", name) == ""


def test_an_answer_without_the_words_would_be_seen(filed, tmp_path, monkeypatch):
    monkeypatch.setitem(dishonest.ATTACKS, "nothing", (lambda root: None, 7, "x"))
    assert dishonest.fault(filed, tmp_path / "one", "nothing").startswith("exit code 0, not 7")
    monkeypatch.setitem(dishonest.ATTACKS, "nothing", (lambda root: None, 0, "other words"))
    assert dishonest.fault(filed, tmp_path / "one", "nothing").startswith("told otherwise")
