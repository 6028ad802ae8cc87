"""What a command tells: progress, sentences for people, or one JSON object for programs."""

from __future__ import annotations

import codecs
import contextlib
import io
import json
import os
import shlex
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from studykit.core.errors import COLUMNS, EXITS, BadInput, RunsDiffer, single

if TYPE_CHECKING:
    from studykit.study.asking import Question

TELLING: dict[str, Any] = {"traceback": False, "quiet": False, "command": "", "facts": {}}
"""How this run of the command line tells: its options, the command, and the facts of its answer."""


def facts(**found: Any) -> None:
    """Facts for the JSON object: words, counts, files."""
    TELLING["facts"].update(found)


NEAR = {"−": "-", "‐": "-", "‑": "-", "≤": "<=", "≥": ">=", "→": "->", "∞": "infinite", "μ": "u"}
"""Signs that older code pages lack, and what is written for them: the meaning stays, a minus above all."""


def _nearest(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    signs = error.object[error.start:error.end]
    return "".join(NEAR.get(s, f"(U+{ord(s):04X})") for s in signs), error.end


def any_sign() -> None:
    """Let every text be printed where the system's code page lacks signs, as on Windows into a file or a pipe."""
    codecs.register_error("studykit-nearest", _nearest)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper) and not stream.encoding.lower().startswith("utf"):
            stream.reconfigure(errors="studykit-nearest")


def as_typed(folder: Path) -> str:
    """A folder as it is typed in a command: quoted where its name needs it."""
    return subprocess.list2cmdline([str(folder)]) if os.name == "nt" else shlex.quote(str(folder))


def progress(text: str) -> None:
    """Progress on standard error; on a terminal a running cell overwrites its line."""
    terminal = sys.stderr.isatty()
    if TELLING["quiet"] or (text.startswith("\r") and not terminal and not text.endswith("\n")):
        return
    if terminal:
        sys.stderr.write(text + ("\x1b[K" if text.startswith("\r") else ""))
    elif text.endswith("\n"):
        sys.stderr.write(text.lstrip("\r"))
    sys.stderr.flush()


def answer(code: int, said: str, wrong: str, error: BaseException | None) -> dict[str, Any]:
    """The object that ``--json`` prints: command, exit code with its meaning, facts, faults, and the words for people."""
    faults = [dict(zip(COLUMNS, row, strict=True)) for row in error.rows()] if isinstance(error, BadInput) else []
    more = {"differences": list(error.differences)} if isinstance(error, RunsDiffer) else {}
    return {"command": TELLING["command"], "exit_code": code, "meaning": EXITS.get(code, ""), **TELLING["facts"],
            "faults": faults, **more, "said": [line for line in (said + wrong).splitlines() if line.strip()]}


def as_object(run: Callable[[], tuple[int, BaseException | None]]) -> int:
    """Run the command line with its words gathered, and print one object in their place."""
    out, wrong = io.StringIO(), io.StringIO()
    TELLING.update(command="", facts={})
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(wrong):
        code, error = run()
    found = answer(code, out.getvalue(), wrong.getvalue(), error)
    sys.stdout.write(json.dumps(found, default=str) + "\n")
    return code


def asked_at_terminal(question: Question) -> Any:
    """The answer of a person at the terminal, as read; asked again until it can be taken. Enter takes what is in brackets.

    ``Back`` where the person wants the question before.
    """
    import typer

    from studykit.study.readers import BACK, Back, Unclear

    while True:
        text = typer.prompt(question.text, default=question.default or "", prompt_suffix=" ",
                            show_default=question.default is not None)
        if str(text).strip().casefold() == BACK:
            raise Back
        try:
            if not str(text).strip():
                raise Unclear("this one needs an answer; Ctrl-C stops and leaves nothing behind")
            found = question.read(str(text))
            if question.remark is not None and (said := question.remark(found)):
                typer.echo(f"  {said} (another answer: {BACK})")
            return found
        except Unclear as error:
            typer.echo(f"  {error}")


def passphrase(file: Path | None, *, twice: bool = False) -> str:
    """The passphrase: the first line of the file, else asked at the terminal without showing it, ``twice`` for a new one."""
    import typer

    from studykit.core.files import read_bytes

    if file is not None:
        text = read_bytes(file, str(file), "name a file whose first line is the passphrase").decode("utf-8-sig", "replace")
        return (text.splitlines() or [""])[0]
    if not sys.stdin.isatty():
        raise single("passphrase", "there is no terminal to ask at", "give it with --passphrase-file FILE")
    return str(typer.prompt("Passphrase of the class", hide_input=True, confirmation_prompt=twice))
