"""What is remembered is what would be worked out: by contents alone, for no two different arguments, and never from a file
that somebody spoilt."""

from __future__ import annotations

import dataclasses
import hashlib
import io
import os
import pickle
import shutil
import subprocess
import sys

import numpy as np
import pandas as pd
import pytest

from studykit.core import memory
from studykit.core.memory import PLACE, Unknown, digest, forget, remembered
from studykit.study.definition import Margin


@dataclasses.dataclass(frozen=True)
class Pair:
    a: object
    b: object = None
    cache: dict = dataclasses.field(default_factory=dict, compare=False)


@pytest.fixture
def place(tmp_path, monkeypatch):
    monkeypatch.setenv(PLACE, str(tmp_path / "made"))
    return tmp_path / "made"


def counted():
    """A remembered function, and the arguments of its real calls."""
    calls = []

    @remembered
    def f(x, y=2, *, z=3):
        calls.append((x, y, z))
        return pd.DataFrame({"x": [1.0, np.nan], "s": ["a", None]}).assign(y=y)

    return f, calls


def test_it_is_worked_out_once_and_the_same_comes_back(place):
    f, calls = counted()
    first = f(1.5)
    assert all(first.equals(g) for g in (f(1.5), f(1.5, 2), f(x=1.5, z=3, y=2)))
    assert calls == [(1.5, 2, 3)]
    f(1.5, z=4)
    assert len(calls) == 2


def test_columns_of_every_kind_that_tables_have_come_back(place):
    """Whole numbers and numbers with gaps, days, words and levels: taken the second time."""
    calls = []

    @remembered
    def f(x):
        calls.append(x)
        return FRAME.assign(c=pd.array([0.5, None], dtype="Float64"), d=pd.array([1, None], dtype="Int64"),
                            e=pd.to_datetime(["2026-01-01", None]), f=FRAME["b"].astype("category"), g=["x", None])

    pd.testing.assert_frame_equal(f(1), f(1))
    assert calls == [1]


def test_nothing_is_kept_where_nobody_asked_for_it(monkeypatch, tmp_path):
    monkeypatch.delenv(PLACE, raising=False)
    f, calls = counted()
    f(1), f(1)
    assert len(calls) == 2
    assert list(tmp_path.iterdir()) == []


FRAME = pd.DataFrame({"a": [1, 2], "b": ["x", "y"]})
UNLIKE = [
    1, 1.0, True, "1", b"1", None, (1,), [1], (1, 1), ((1,), 1), ("a", "b"), ("ab",), ("a", ("b",)), {"a": 1}, {"a": 2},
    {"a": 1, "b": 2}, {"b": 2, "a": 1}, -0.0, 0.0, float("nan"), np.float64(1), np.float32(1), np.int64(1),
    np.array([1.0]), np.array([1]), np.array([[1.0]]), np.array([1.0, 2.0]), np.array(["a"]), np.array(["a"], dtype=object),
    *(np.array(texts, dtype=object) for texts in (["a", "b"], ["ab", ""], ["", "ab"], ["b", "a"], ["1 1 a", "b"],
                                                  [["a"], ["b"]], ["a", None], ["a", float("nan")], ["a", 1], ["a", "\ud800"])),
    FRAME, FRAME.iloc[::-1], FRAME.rename(columns={"a": "c"}), FRAME.astype({"a": float}), FRAME.set_axis([5, 6]),
    FRAME.assign(b=FRAME["b"].astype("category")),
    FRAME.assign(b=pd.Categorical(FRAME["b"], categories=["y", "x"])),
    FRAME.assign(b=pd.Categorical(FRAME["b"], categories=["x", "y"], ordered=True)),
    FRAME["a"], FRAME["b"], pd.Index([1, 2]), Pair(1), Pair(1, 2), Pair((1, 2)), pd.Timestamp("2026-01-01"),
    Margin(relative_percent=5), Margin(relative_percent=6), Margin(factor=1.05), Margin(absolute=5, side="below"),
]


def test_no_two_different_arguments_tell_the_same():
    told = [digest(v) for v in UNLIKE]
    assert len(set(told)) == len(UNLIKE)
    assert told == [digest(pickle.loads(pickle.dumps(v))) for v in UNLIKE]
    assert digest("a", "b") != digest("ab") != digest("a", "b", "")


def test_what_is_no_part_of_a_value_is_left_out():
    assert digest(Pair(1, cache={"x": 1})) == digest(Pair(1))


@pytest.mark.parametrize("value", [lambda: 1, object(), {1, 2}, pd.MultiIndex.from_tuples([(1, 2)]), (1, object()),
                                   Pair(print)])
def test_what_cannot_be_told_is_worked_out_each_time(place, value):
    with pytest.raises(Unknown):
        digest(value)
    f, calls = counted()
    f(value), f(value)
    assert len(calls) == 2


def test_what_cannot_be_kept_is_given_all_the_same(place):
    calls = []

    @remembered
    def f(x):
        calls.append(x)
        return lambda: x

    assert (f(1)(), f(1)()) == (1, 1)
    assert len(calls) == 2


def called(module: str, name: str) -> bytes:
    """A pickle that calls what stands under this name, with a path that is not there."""
    told = b"".join(b"\x8c" + bytes([len(x)]) + x.encode() for x in (module, name))
    return b"\x80\x04" + told + b"\x93\x8c\x08/nowhere\x85R."


@pytest.mark.parametrize(("module", "name"), [
    ("os", "system"), ("pandas", "read_pickle"), ("numpy", "load"), ("numpy", "os.system"),
    ("studykit.core.memory", "os.system"), ("studykit.core.memory", "Path"), ("studykit.core.files", "write_bytes"),
    ("studykit.study.reading", "Ears"), ("pandas", "HDFStore"), ("builtins", "eval"), ("collections", "deque")])
def test_nothing_is_read_back_that_does_something(module, name):
    """Neither by its name nor through another module, by dots, where both lie in packages whose tables are read."""
    with pytest.raises(pickle.UnpicklingError, match="is not read back"):
        memory._Known(io.BytesIO(called(module, name))).load()


def test_the_records_of_the_kit_are_read_back():
    record = Margin(relative_percent=5)
    assert memory._Known(io.BytesIO(pickle.dumps(record, protocol=5))).load() == record


def spoilt(data: bytes) -> list[bytes]:
    bad = pickle.dumps(shutil.rmtree)
    evil = b"cos\nsystem\n(S'true'\ntR."
    return [b"", data[:-1], data + b"x", data[:70] + bytes([data[70] ^ 1]) + data[71:], b"0" * 64 + data[64:],
            *(hashlib.sha256(d).hexdigest().encode() + d for d in (b"", b"\x80", bad, evil))]


@pytest.mark.parametrize("which", range(9))
def test_a_spoilt_file_is_worked_out_anew(place, which):
    f, calls = counted()
    first = f(1)
    (path,) = (p for p in place.rglob("*") if p.is_file())
    path.write_bytes(spoilt(path.read_bytes())[which])
    assert f(1).equals(first)
    assert len(calls) == 2
    assert f(1).equals(first)
    assert len(calls) == 2  # the good one lies there again


def test_a_place_that_cannot_be_written_stops_nothing(place):
    place.write_text("a file stands there")
    f, calls = counted()
    f(1), f(1)
    assert len(calls) == 2


@pytest.mark.parametrize(("most", "made"), [(100_000, 1), (1000, 2)])
def test_what_is_too_large_is_given_and_not_kept(place, monkeypatch, most, made):
    monkeypatch.setattr(memory, "LARGEST", most)
    calls = []

    @remembered
    def f(x):
        calls.append(x)
        return np.full(1000, x)

    assert [f(2.5).sum() for _ in range(2)] == [2500.0, 2500.0]
    assert len(calls) == made


def test_what_was_used_longest_ago_is_forgotten(tmp_path):
    for k in range(5):
        (tmp_path / str(k)).write_bytes(b"12345")
        os.utime(tmp_path / str(k), (k, k))
    forget(tmp_path, 12)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["3", "4"]
    forget(tmp_path / "absent", 12)


def test_another_function_of_the_same_arguments_is_another(place):
    made = [remembered(lambda x: x), remembered(lambda x: x + 1)]
    made[1].__wrapped__.__qualname__ = "other"
    assert [f(1) for f in made] == [1, 2]


@pytest.mark.slow
def test_two_processes_tell_the_same():
    """Whatever the seed of their hashes."""
    code = "from tests.core.test_memory import *; print([digest(v) for v in UNLIKE if not isinstance(v, Pair)])"
    said = [subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True,
                           env=os.environ | {"PYTHONHASHSEED": seed}).stdout for seed in ("1", "2")]
    assert said[0] == said[1] != ""
    assert memory.keeping() == bool(os.environ.get(PLACE))
