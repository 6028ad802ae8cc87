"""What a check answers."""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Mapping, Sequence
from contextlib import redirect_stdout
from dataclasses import dataclass
from typing import Any, Union

import pandas as pd

from studykit.core.errors import BadInput, Fault, single

OPEN = "Write your answer in place of the three dots in the cell above, run that cell, then this one."
PER_CENT = "That is in per cent; write the share, between 0 and 1."
RETURN = "Your function prints its answer; it has to hand it on: write `return` in place of `print`."
SPELLING = "The rule is right, the spelling is not: small letters, and nothing before or behind the word."
NOT_DRAWN = "Draw your worlds first: run the cells above this one."
NEAR = ("Near, as chance would have it, but not what your own worlds give: count them, and write two decimals or more. "
        "(Was the seed changed? Then run the cells from there on again.)")
Check = Union[Callable[[Any], "Reply"], "Counted"]


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Reply:
    """The answer of a check: whether it is right, and one or two sentences. ``done``: how a right one is called."""

    right: bool
    text: str
    done: str = "Right"

    def __repr__(self) -> str:
        return f"{self.done if self.right else 'Not yet'}. {self.text}"

    def _repr_markdown_(self) -> str:
        return f"**{self.done if self.right else 'Not yet'}.** {self.text}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """A check of what was counted in worlds: it is told their seed, or None for those that were drawn last."""

    of: Callable[[Any, int | None], Reply]


def yes(text: str) -> Reply:
    """A right answer."""
    return Reply(right=True, text=text)


def no(text: str) -> Reply:
    """An answer that is not right yet, with a hint."""
    return Reply(right=False, text=text)


def answer_to(checks: Mapping[str, Check], name: str, answer: Any, seed: int | None = None) -> Reply:
    """The reply of one of a lesson's checks; an exercise that was not begun is told how.

    ``seed``: the student's own worlds, for checks of what was counted in them (their name stands in ``Counted``).
    """
    if name not in checks:
        raise ValueError(f"name must be one of {', '.join(checks)}, but got {name!r}")
    parts = answer if isinstance(answer, list | tuple) else [answer]
    if any(p is ... for p in parts) or answer is None:
        return no(OPEN)
    check = checks[name]
    return check.of(answer, seed) if isinstance(check, Counted) else check(answer)


def solved(checks: Mapping[str, Check], answers: Mapping[str, Any], seed: int | None = None) -> None:
    """BadInput that names every exercise of these whose check is not met yet: what follows would tell their answers."""
    remedy = "this cell tells its answer: mend the exercise until its check says Right, then run this cell again"
    faults = [Fault(file=f"exercise {name}", reason="is not right yet", remedy=remedy)
              for name, answer in answers.items() if not answer_to(checks, name, answer, seed).right]
    if faults:
        raise BadInput(faults, title="This comes after the exercises")


def lesson(checks: Mapping[str, Check]) -> tuple[Callable[..., Reply], Callable[..., None]]:
    """``check`` and ``after`` of a lesson with these checks, as its notebook calls them."""
    def check(name: str, answer: Any, seed: int | None = None) -> Reply:
        """The reply to one of the exercises of this lesson; ``seed``: of the worlds that were counted, else the last ones."""
        return answer_to(checks, name, answer, seed)

    def after(seed: int | None = None, **answers: Any) -> None:
        """BadInput unless these exercises are right: what follows tells their answers."""
        solved(checks, answers, seed)

    return check, after


def value_of(answer: Any) -> float | Reply:
    """One finite number; else the reply that says what is wrong. Text and True or False are no numbers."""
    if isinstance(answer, str | bytes):
        return no("A number is asked for, without quotation marks.")
    try:
        value = _not_bool(float, answer)
    except (TypeError, ValueError):
        return no("One number is asked for.")
    except OverflowError:
        value = math.inf
    return float(value) if math.isfinite(value) else no("That is no finite number: look at what is divided by what.")


def number(answer: Any, right: float, within: float, said: str, wrong: Sequence[tuple[float, str]], else_: str) -> Reply:
    """A number against the right one: right within ``within``, a known wrong one with its hint, else the general hint.

    The nearest known wrong one counts, within the same tolerance relative to its size. Where a share between 0 and 1 is
    right, the same in per cent is known as wrong.
    """
    value = value_of(answer)
    if isinstance(value, Reply):
        return value
    if abs(value - right) <= within:
        return yes(said)
    share_of = within / abs(right) if right else 0.02
    wrong = [*wrong, (100 * right, PER_CENT)] if 0 < right < 1 else wrong
    near = [(abs(value - other), hint) for other, hint in wrong if abs(value - other) <= max(share_of * abs(other), 1e-12)]
    return no(min(near)[1] if near else else_)


def counted(answer: Any, own: Sequence[float | None], about: float, said: str, wrong: Sequence[tuple[float | None, str]],
            else_: str, hundred: str = PER_CENT) -> Reply:
    """A number against what a student's own worlds give, right to the digits that are written.

    ``own``: ways to count them that are all right. ``about``: how far a known wrong number may be missed to get its hint, some
    Monte Carlo errors. None stands for worlds that were not drawn. ``hundred``: the hint for a hundred times too much.
    """
    value = value_of(answer)
    if isinstance(value, Reply):
        return value
    right = [x for x in own if x is not None]
    if not right:
        return no(NOT_DRAWN)
    exactly = as_written(value)
    if any(abs(value - x) <= exactly for x in right):
        return yes(said)
    known = [(abs(value - x), hint) for x, hint in wrong if x is not None]
    known += [(abs(value - 100 * right[0]), hundred)] if 0 < abs(right[0]) < 1 else []
    exact = [k for k in known if k[0] <= exactly]
    close = [k for k in [(abs(value - right[0]), NEAR), *known] if k[0] <= about]
    return no(min(exact or close)[1] if exact or close else else_)


def word(answer: Any) -> str:
    """A word or name as it is compared: capitals, and blanks before, behind and doubled, do not count."""
    return " ".join(str(answer).split()).casefold()


def name_of(me: Any) -> str:
    """A student's name; BadInput for none, and for what is no text."""
    if not isinstance(me, str):
        raise single("me", "is no text", 'write your name between quotation marks: me = "robin"', value=repr(me)[:40])
    if not me.strip():
        raise single("me", "is empty", "write your name in the cell of the parameters: it makes your own data")
    return me


def mapped(answer: Any) -> dict[Any, Any] | None:
    """What maps names to values: a dictionary, a pandas Series, a table of two columns; None for anything else."""
    if isinstance(answer, pd.Series):
        return dict(answer.to_dict())
    if isinstance(answer, pd.DataFrame) and answer.shape[1] == 2:
        return dict(zip(answer.iloc[:, 0], answer.iloc[:, 1], strict=True))
    return dict(answer) if isinstance(answer, Mapping) else None


def parts_of(answer: Any) -> list[Any]:
    """The parts of an answer in their order: of a list, tuple, array or Series; rows of a table; values of a dictionary.

    TypeError for what has no parts, and for text.
    """
    if isinstance(answer, str | bytes):
        raise TypeError("text has no parts")
    if isinstance(answer, pd.DataFrame):
        return [tuple(r) for r in answer.itertuples(index=False, name=None)]
    return list(answer.values()) if isinstance(answer, Mapping) else list(answer)


def as_written(value: float, least: int = 2) -> float:
    """Half a unit of the last decimal that a number is written with, ``least`` decimals or more."""
    _, _, decimals = f"{value:.9f}".rstrip("0").partition(".")
    return float(0.5 * 10.0 ** -max(least, min(len(decimals), 6)) * (1 + 1e-6))


def whole(answer: Any) -> int:
    """A whole number; TypeError or ValueError for anything else, text and True or False too."""
    try:
        value: int = _not_bool(int, answer)
    except OverflowError:
        raise ValueError("infinity is no whole number") from None
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
            got = [str(g) if isinstance(g, str) else g for g in (answer(*c) for c in cases)]
    except (Exception, SystemExit) as error:
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
