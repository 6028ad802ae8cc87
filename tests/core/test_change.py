"""Several files changed at once: stopped before any rename or removal, the next to open the study has all or none."""

from __future__ import annotations

import os

import pytest

from studykit.core.change import WAITING, change_files, finish_change

NEW = {"study.toml": b"new", "plan/a.csv": b"new", "plan/deep/b.csv": b"new"}


class Killed(BaseException):
    """Stands for a kill."""


def stopped(root, point, monkeypatch) -> bool:
    """Whether a change was stopped before that rename or removal."""
    seen = [0]

    def counted(real):
        def call(*given, **named):
            seen[0] += 1
            if seen[0] == point + 1:
                raise Killed
            return real(*given, **named)
        return call

    with monkeypatch.context() as patch:
        for name in ("replace", "unlink", "rmdir"):
            patch.setattr(os, name, counted(getattr(os, name)))
        try:
            change_files(root, NEW)
        except Killed:
            return True
    return False


def test_a_change_stopped_anywhere_is_made_whole_or_not_at_all(tmp_path, monkeypatch):
    """Once the mark of the machine went before the folder did, and the study was taken for one from elsewhere."""
    states = []
    for point in range(60):
        root = tmp_path / str(point)
        for name in NEW:
            (root / name).parent.mkdir(parents=True, exist_ok=True)
            (root / name).write_bytes(b"old")
        more = stopped(root, point, monkeypatch)
        finish_change(root)
        found = {(root / name).read_bytes() for name in NEW}
        assert len(found) == 1, point
        assert not (root / WAITING).exists(), point
        states += found
        if not more:
            break
    else:
        pytest.fail("there is no end of renames")
    assert {b"old", b"new"} == set(states)
    assert states == sorted(states, reverse=True)  # once made, always made
