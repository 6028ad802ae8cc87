"""What a check answers, and what an exercise run out of order is told."""

from __future__ import annotations

import json
import math
import re
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from studykit.study.stages import share

OPEN = "Write your answer in place of the three dots in the cell above, run that cell, then this one."
Check = Callable[[Any], "Reply"]


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Reply:
    """The answer of a check: whether it is right, and one or two sentences."""

    right: bool
    text: str

    def __repr__(self) -> str:
        return f"{'Right' if self.right else 'Not yet'}. {self.text}"

    def _repr_markdown_(self) -> str:
        return f"**{'Right' if self.right else 'Not yet'}.** {self.text}"


def yes(text: str) -> Reply:
    """A right answer."""
    return Reply(right=True, text=text)


def no(text: str) -> Reply:
    """An answer that is not right yet, with a hint."""
    return Reply(right=False, text=text)


def answer_to(checks: Mapping[str, Check], name: str, answer: Any) -> Reply:
    """The reply of one of a lesson's checks; an exercise that was not begun is told how."""
    if name not in checks:
        raise ValueError(f"name must be one of {', '.join(checks)}, but got {name!r}")
    parts = answer if isinstance(answer, list | tuple) else [answer]
    if any(p is ... for p in parts) or answer is None:
        return no(OPEN)
    return checks[name](answer)


def number(answer: Any, right: float, within: float, said: str, wrong: Sequence[tuple[float, str]], else_: str) -> Reply:
    """A number against the right one: right within ``within``, a known wrong one with its hint, else the general hint.

    The nearest known wrong one counts, within the same tolerance relative to its size.
    """
    try:
        value = float(answer)
    except (TypeError, ValueError):
        return no("One number is asked for.")
    if not math.isfinite(value):
        return no("That is no finite number: look at what is divided by what.")
    if abs(value - right) <= within:
        return yes(said)
    share_of = within / abs(right) if right else 0.02
    near = [(abs(value - other), hint) for other, hint in wrong if abs(value - other) <= max(share_of * abs(other), 1e-12)]
    return no(min(near)[1] if near else else_)


def like_a_rule(answer: Any, cases: Sequence[tuple[Any, ...]], right: Callable[..., Any],
                wrong: Sequence[tuple[Callable[..., Any], str]]) -> tuple[str, tuple[Any, ...]] | None:
    """None where a function gives the right value for every case; else a hint, and the first case that is not right.

    A function that answers every case as a known wrong rule does gets the hint of that rule.
    """
    if not callable(answer):
        return "Write a function: its first line stands in the cell already.", ()
    try:
        got = [answer(*c) for c in cases]
    except Exception as error:
        return f"The function stops with {type(error).__name__}: {error}", ()
    wanted = [right(*c) for c in cases]
    if got == wanted:
        return None
    if all(g is None or g is ... for g in got):
        return OPEN, ()
    hint = next((h for rule, h in wrong if got == [rule(*c) for c in cases]), "")
    return hint, next(c for c, g, w in zip(cases, got, wanted, strict=True) if g != w)


@cache
def _cells(stem: str) -> tuple[tuple[str, str], ...]:
    """The code cells of a lesson's notebook, each with the heading above it."""
    path = share("notebooks") / "course" / f"{stem}.ipynb"
    if not path.exists():
        return ()
    out, heading = [], "the first cells"
    for cell in json.loads(path.read_text(encoding="utf-8"))["cells"]:
        source = "".join(cell["source"])
        if cell["cell_type"] == "code":
            out.append((heading, source))
        elif found := re.findall(r"(?m)^#+ (.+)$", source):
            heading = found[-1]
    return tuple(out)


def made_under(stem: str, name: str) -> str:
    """The heading under which a lesson's notebook makes a name; '' where none does."""
    shape = re.compile(rf"(?m)^(?:def {re.escape(name)}\b|(?:\w+, )*{re.escape(name)}(?:, \w+)* *(?::[^=\n]+)?=(?!=))")
    return next((heading for heading, source in _cells(stem) if shape.search(source)), "")


def what_first(stem: str, name: str) -> str:
    """What to run first where a name is missing."""
    heading = made_under(stem, name)
    where = f"the cells under “{heading}”" if heading else "the cells above this one"
    return (f"`{name}` is not there yet: first run {where}, then this cell again. "
            "All at once: menu Run, Run All Above Selected Cell.")


def guard(stem: str) -> None:
    """In a notebook, tell what to run first in place of the trace of a NameError; elsewhere nothing."""
    shell = sys.modules["IPython"].get_ipython() if "IPython" in sys.modules else None
    if shell is None:
        return

    def told(own: Any, kind: type, error: NameError, _trace: Any, tb_offset: int | None = None) -> None:
        own._showtraceback(kind, error, [what_first(stem, str(getattr(error, "name", "") or "what is needed here"))])

    shell.set_custom_exc((NameError,), told)
