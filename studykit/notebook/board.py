"""A board of sliders: named quantities with units, and what is said and drawn of their position.

Everything here works without a front end; ``sliders`` shows a board, and ``live`` puts it before a person.
"""

from __future__ import annotations

import html
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import pandas as pd

from studykit.notebook.display import cell_text, table_html

UNDER = "Run by a person in a notebook, this cell has a slider for each of the quantities that can be set."


@dataclass(frozen=True, slots=True, kw_only=True)
class Control:
    """One slider: its name, its positions as people read them with their unit, and where it stands."""

    name: str
    texts: tuple[str, ...]
    values: tuple[float, ...]
    at: int
    unit: str = ""
    choice: bool = False  # a list to choose from, whose texts are words

    @property
    def value(self) -> float:
        """The number that the slider stands at."""
        return self.values[self.at]

    @property
    def text(self) -> str:
        """The same as a person reads it, without the unit."""
        return self.texts[self.at]


def slider(name: str, value: float, values: Iterable[float], unit: str = "", digits: int = 3) -> Control:
    """A slider over ``values`` and the ``value`` that it begins at; values that read alike are one stop."""
    stops = {f"{v:.{digits - 1}e}": float(v) for v in (*values, value)}
    every = tuple(sorted(stops.values()))
    return Control(name=name, unit=unit, values=every, texts=tuple(cell_text(v, digits) for v in every),
                   at=every.index(float(value)))


def chosen(name: str, options: Sequence[str], at: int = 0) -> Control:
    """A list to choose from."""
    return Control(name=name, texts=tuple(options), values=tuple(map(float, range(len(options)))), at=at, choice=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadOut:
    """What a position says: sentences, rows (what, value, unit) of a table, drawings with their alternative text inside."""

    sentences: tuple[str, ...]
    rows: tuple[tuple[str, float | str, str], ...]
    drawings: tuple[str, ...]


class Board:
    """Sliders by name, and what their position says; ``start`` gives the sliders of a choice, the first of them."""

    def __init__(self, name: str, start: Callable[[int], tuple[Control, ...]],
                 answer: Callable[[dict[str, float]], ReadOut]) -> None:
        self.name, self._start, self._answer = name, start, answer
        self.controls = start(0)
        self.said = answer(self.values())

    def values(self) -> dict[str, float]:
        """Where each slider stands, by its name."""
        return {c.name: c.value for c in self.controls}

    def move(self, at: Sequence[int]) -> None:
        """Put every slider to a position; another choice puts all others to what the study says of it."""
        first = self.controls[0]
        if first.choice and at[0] != first.at:
            self.controls = self._start(at[0])
        else:
            self.controls = tuple(replace(c, at=min(max(int(i), 0), len(c.values) - 1))
                                  for c, i in zip(self.controls, at, strict=True))
        self.said = self._answer(self.values())

    def table(self) -> pd.DataFrame:
        """The position and what it says, one row a quantity."""
        own = [(c.name, c.text, c.unit) for c in self.controls]
        return pd.DataFrame([*own, *self.said.rows], columns=["quantity", "value", "unit"])

    def drawings(self) -> str:
        """The drawings side by side, one below the other where there is no room."""
        return f'<div class="sk-drawings">{" ".join(self.said.drawings)}</div>'

    def still(self) -> dict[str, str]:
        """Table, sentences and drawings as a notebook shows them where nobody moves a slider."""
        caption = f"{self.name}: where the sliders stand, and what that says."
        said = "".join(f"<p>{html.escape(s)}</p>" for s in self.said.sentences)
        plain = pd.DataFrame({c: [cell_text(v) for v in self.table()[c]] for c in self.table()})
        return {"text/html": table_html(self.table(), caption) + said + self.drawings() + f"<p>{UNDER}</p>",
                "text/plain": "\n".join((caption, plain.to_string(index=False), *self.said.sentences, UNDER))}
