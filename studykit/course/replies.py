"""What a check answers."""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Mapping, Sequence
from contextlib import redirect_stdout
from dataclasses import dataclass
from typing import Any

OPEN = "Write your answer in place of the three dots in the cell above, run that cell, then this one."
PER_CENT = "That is in per cent; write the share, between 0 and 1."
RETURN = "Your function prints its answer; it has to hand it on: write `return` in place of `print`."
SPELLING = "The rule is right, the spelling is not: small letters, and nothing before or behind the word."
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

    The nearest known wrong one counts, within the same tolerance relative to its size. Where a share between 0 and 1 is
    right, the same in per cent is known as wrong. Text and True or False are no numbers.
    """
    if isinstance(answer, str | bytes):
        return no("A number is asked for, without quotation marks.")
    try:
        value = _not_bool(float, answer)
    except (TypeError, ValueError):
        return no("One number is asked for.")
    if not math.isfinite(value):
        return no("That is no finite number: look at what is divided by what.")
    if abs(value - right) <= within:
        return yes(said)
    share_of = within / abs(right) if right else 0.02
    wrong = [*wrong, (100 * right, PER_CENT)] if 0 < right < 1 else wrong
    near = [(abs(value - other), hint) for other, hint in wrong if abs(value - other) <= max(share_of * abs(other), 1e-12)]
    return no(min(near)[1] if near else else_)


def whole(answer: Any) -> int:
    """A whole number; TypeError or ValueError for anything else, text and True or False too."""
    value: int = _not_bool(int, answer)
    if isinstance(answer, str | bytes) or value != answer:
        raise ValueError(f"{answer!r} is no whole number")
    return value


def _not_bool(kind: Callable[[Any], Any], answer: Any) -> Any:
    if type(answer).__name__ in ("bool", "bool_"):
        raise TypeError("True and False are no numbers")
    return kind(answer)


def like_a_rule(answer: Any, cases: Sequence[tuple[Any, ...]], right: Callable[..., Any],
                wrong: Sequence[tuple[Callable[..., Any], str]]) -> tuple[str, tuple[Any, ...]] | None:
    """None where a function gives the right value for every case; else a hint, and the first case that is not right.

    A function that answers every case as a known wrong rule does gets the hint of that rule.
    """
    if not callable(answer):
        return "Write a function: its first line stands in the cell already.", ()
    try:
        with redirect_stdout(printed := io.StringIO()):
            got = [answer(*c) for c in cases]
    except Exception as error:
        return f"The function stops with {type(error).__name__}: {error}", ()
    wanted = [right(*c) for c in cases]
    if got == wanted:
        return None
    if all(g is None or g is ... for g in got):
        return (RETURN if printed.getvalue() else OPEN), ()
    if [str(g).strip().lower() for g in got] == wanted:
        return SPELLING, ()
    hint = next((h for rule, h in wrong if got == [rule(*c) for c in cases]), "")
    return hint, next(c for c, g, w in zip(cases, got, wanted, strict=True) if g != w)
