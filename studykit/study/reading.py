"""Which values of study.toml are read by whoever has opened it, so that a change of the others changes nothing for them.

A stage writes down each value when it is read first, while it runs. Reading a section as a whole (a dump, a comparison,
a hash, a copy, a pickle) is reading what stands in it. What no run reads of a value is that it is there: names of keys, and
how many entries a list has, count as read by all.
"""

from __future__ import annotations

import contextlib
import os
import sys
import threading
from collections.abc import Collection, Iterator, Mapping
from pathlib import Path
from typing import Any

from studykit.study.factors import Section

FILE = "*study.toml"
"""Stands for the file itself, opened for another purpose than to have it checked."""
ALL = ""
"""Stands for every value of the file."""
TELLS_KEYS = ("relative",)
"""Properties that tell no more than which keys are there."""
_ears: list[Ears] = []
_plain = Section.__getattribute__
_hooked: list[bool] = []


class _Deaf(threading.local):
    """Whether this thread is not to be heard."""

    now = False


class Ears:
    """Hears which values of the studies that are opened from now on are read, and appends their names to a file."""

    def __init__(self, path: Path) -> None:
        self.heard, self._deaf, self._opened = set[str](), _Deaf(), list[object]()
        self._names: dict[int, str] = {}
        path.parent.mkdir(parents=True, exist_ok=True)
        self._file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_APPEND, 0o600)
        os.write(self._file, b"\n")  # it listens

    def open(self, study: Section) -> None:
        """Listen to this study; what was read of it before, to check it, does not count."""
        self._opened.append(study)  # so that no other object gets its place in memory
        with self.deaf():
            self._names |= {id(section): name for section, name in _sections(study, ALL)}

    @contextlib.contextmanager
    def deaf(self) -> Iterator[None]:
        """Hear nothing meanwhile."""
        before, self._deaf.now = self._deaf.now, True
        try:
            yield
        finally:
            self._deaf.now = before

    def read(self, section: Section, attribute: str) -> Any:
        """An attribute of a section, and a note of it where it is a value of a study that is listened to."""
        name = None if self._deaf.now else self._names.get(id(section))
        if name is None:
            return _plain(section, attribute)
        if attribute in TELLS_KEYS:
            with self.deaf():
                return _plain(section, attribute)
        value = _plain(section, attribute)
        with self.deaf():
            for found in _told_by(section, name, attribute, value):
                self.note(found)
        return value

    def note(self, name: str) -> None:
        """Write a name down, unless it is there."""
        if name not in self.heard:
            self.heard.add(name)
            with contextlib.suppress(OSError):
                os.write(self._file, f"{name}\n".encode())

    def close(self) -> None:
        """Hear nothing more."""
        os.close(self._file)


def listen(path: Path) -> None:
    """From now on write down in this file what is read of every study that is opened in this process."""
    still()
    _ears.append(Ears(path))
    Section.__getattribute__ = _heard  # type: ignore[method-assign, assignment]
    if not _hooked:  # such a hook cannot be taken out again
        _hooked.append(True)
        sys.addaudithook(_opening)


def _heard(section: Section, name: str) -> Any:
    return _ears[0].read(section, name)


def still() -> None:
    """Listen no more."""
    Section.__getattribute__ = _plain  # type: ignore[method-assign]
    while _ears:
        _ears.pop().close()


def opened(study: Section) -> None:
    """Told of each study that was read and checked."""
    for ears in _ears:
        ears.open(study)


def heard_in(path: Path) -> tuple[str, ...]:
    """The names that a run wrote down; the whole file where nobody listened."""
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, ValueError):
        return (FILE,)
    return tuple(sorted(text.split("\n")[1:-1])) if text.startswith("\n") else (FILE,)


def blanked(data: Any, heard: Collection[str]) -> Any:
    """The contents of study.toml with nothing in the place of each value that is not among those heard of."""
    return _blanked(data, frozenset(heard), "")


def _blanked(data: Any, heard: frozenset[str], name: str) -> Any:
    if name in heard:
        return data
    if isinstance(data, Mapping):
        return {key: _blanked(value, heard, f"{name}.{key}" if name else str(key)) for key, value in data.items()}
    if isinstance(data, list) and any(isinstance(v, Mapping) for v in data):
        return [_blanked(value, heard, f"{name}.{k}") for k, value in enumerate(data)]
    return None


def _told_by(section: Section, name: str, attribute: str, value: Any) -> Iterator[str]:
    """The names of the values that reading this attribute tells."""
    if attribute == "__dict__":
        for key, inner in value.items():
            yield from _values(inner, f"{name}.{key}" if name else key)
    elif attribute.startswith("__pydantic_ser"):  # it writes a section without asking it for its values
        yield name
    elif attribute in type(section).model_fields:
        yield from _values(value, f"{name}.{attribute}" if name else attribute)


def _values(value: Any, name: str) -> Iterator[str]:
    """What is read with a value: itself, or of a collection that holds sections the rest of it."""
    if isinstance(value, Section):
        return
    inner = _inner(value, name)
    if not any(isinstance(v, Section) for v, _ in inner):
        yield name
        return
    for v, own in inner:
        yield from _values(v, own)


def _sections(value: Any, name: str) -> Iterator[tuple[Section, str]]:
    """The sections in a value, itself first, by their dotted names."""
    if isinstance(value, Section):
        yield value, name
        inner = [(getattr(value, f), f"{name}.{f}" if name else f) for f in type(value).model_fields]
    else:
        inner = _inner(value, name)
    for v, own in inner:
        yield from _sections(v, own)


def _inner(value: Any, name: str) -> list[tuple[Any, str]]:
    """The entries of a collection by their dotted names."""
    if isinstance(value, dict):
        return [(v, f"{name}.{k}") for k, v in value.items()]
    return [(v, f"{name}.{k}") for k, v in enumerate(value)] if isinstance(value, (tuple, list)) else []


def _opening(event: str, given: tuple[Any, ...]) -> None:
    """Hears of study.toml opened by anything but the kit's own reading of it."""
    if event != "open" or not _ears or not isinstance(given[0], (str, bytes, os.PathLike)):
        return
    if os.path.basename(os.fsdecode(given[0])) == "study.toml":
        frame = sys._getframe(1)
        while frame is not None and frame.f_code.co_name != "load_study":
            frame = frame.f_back  # type: ignore[assignment]
        if frame is None:
            _ears[0].note(FILE)
