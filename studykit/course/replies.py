"""What a check answers."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

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
