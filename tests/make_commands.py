"""Write docs/commands.md from the command line itself: ``python -m tests.make_commands``."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import typer.main

from studykit.commands.cli import app
from studykit.core import errors
from tests.make_dictionary import head, row

PAGE = Path(__file__).resolve().parent.parent / "docs/commands.md"


def commands() -> dict[str, Any]:
    """The commands by name, in the order in which they are declared."""
    group = typer.main.get_command(app)
    assert hasattr(group, "commands")
    return dict(group.commands)


def words(text: str) -> str:
    """Text of a docstring on one line."""
    return " ".join(text.split())


def parameter_rows(command: Any) -> Iterator[str]:
    """One row for each argument and option, its default beside it."""
    for p in command.params:
        option = p.param_type_name == "option"
        name = " / ".join([*p.opts, *p.secondary_opts]) if option else str(p.name).upper()
        told = p.show_default if isinstance(p.show_default, str) else ""
        default = "required" if p.required else told or ("" if p.default in (None, "", False) else str(p.default))
        yield row(f"`{name}`", default, words(getattr(p, "help", "") or ""))


def section(name: str, command: Any) -> Iterator[str]:
    """One command: what it does, what it takes, an example."""
    yield f"## {name}"
    yield ""
    yield words(command.help or "")
    yield ""
    rows = list(parameter_rows(command))
    if rows:
        yield from [*head("Takes", "Left out", "Meaning"), *rows, ""]
    example = re.sub(r"^Example: ", "", command.epilog or "")
    yield from ["```console", f"$ {example}", "```", ""]


def page() -> str:
    """The whole page."""
    lines = ["# Commands", "", "Made from the code by `python -m tests.make_commands`; do not edit.", "",
             "Every command prints its help with `-h`. Without `studykit` on the path: `python3 -m studykit COMMAND`.",
             "With `--traceback` before the command the full trace of an error is shown.", "",
             "| Exit code | Meaning |", "| --- | --- |"]
    lines += [row(str(code), text) for code, text in exit_codes()]
    lines.append("")
    for name, command in commands().items():
        lines += section(name, command)
    return "\n".join(lines).rstrip() + "\n"


def exit_codes() -> list[tuple[int, str]]:
    """Exit codes with their meaning; KeyError where an error class has a code without one."""
    codes = {thing.exit_code for thing in vars(errors).values()
             if isinstance(thing, type) and issubclass(thing, errors.StudyKitError)}
    return [(code, errors.EXITS[code]) for code in sorted(codes | {0, 8, 9, 70, 130})]


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8", newline="\n")
