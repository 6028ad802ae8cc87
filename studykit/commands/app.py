"""What all commands share: the application and its options, kinds of arguments, sentences that several of them print.

No logic here nor in the modules of the commands: each command calls one function of the library and prints what it returns.
"""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from studykit import __version__
from studykit.commands.told import TELLING, as_typed, facts
from studykit.study.stages import share

if TYPE_CHECKING:
    from studykit.intake.take import IntakeOutcome
    from studykit.report.own import Choice

app = typer.Typer(no_args_is_help=True, pretty_exceptions_enable=False,
                  rich_markup_mode=None, context_settings={"help_option_names": ["-h", "--help"]},
                  help="Settling studies of stored fluids: has anything separated, so much that it matters?",
                  epilog=f"Pages to read: {share('docs')}")


class Which(StrEnum):
    """Whose notebooks run: the kit's, the study's own, or nobody's before somebody chose."""

    ask = "ask"
    kit = "kit"
    own = "own"

    @property
    def choice(self) -> Choice:
        """The choice as the library takes it."""
        return "" if self is Which.ask else "own" if self is Which.own else "kit"


Notebooks = Annotated[Which, typer.Option(help="Where a study has notebooks that differ from the kit's: run the kit's, or "
                                               "its own, which are code of whoever wrote them.")]
Folder = Annotated[Path, typer.Argument(help="The study folder.", show_default=False)]
Filed = Annotated[Path, typer.Argument(help="The study folder, or a deposit (a zip).", show_default=False)]


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"studykit {__version__}")
        raise typer.Exit


@app.callback()
def _common(context: typer.Context,
            version: Annotated[bool, typer.Option("--version", help="Print the version and stop.", is_eager=True,
                                                  callback=_version)] = False,
            quiet: Annotated[bool, typer.Option("--quiet", help="No progress; only the answer.")] = False,
            json: Annotated[bool, typer.Option("--json", help="One JSON object in place of sentences.")] = False,
            traceback: Annotated[bool, typer.Option(help="Show the full traceback of an error.")] = False) -> None:
    TELLING.update(traceback=traceback, quiet=quiet or json, command=context.invoked_subcommand or "")


def report_made(made: Any, folder: Path) -> None:
    """Print the answer of a report that was made; exit code 8 where rows were rejected."""
    from studykit.study.tocome import days_to_come

    notes = days_to_come(folder)
    words = {r.name: r.value for r in made.records if r.name.split(".")[0] in ("verdict", "stock", "action")}
    facts(sentence=made.sentence, at_locked_margins=made.at_lock, page=made.page, words=words, numbers=len(made.records),
          rejected=made.rejected, notes=notes)
    for line in notes:
        typer.echo(line)
    action = f"\nWhat to do, as study.toml declares it: {words['action']}" if words.get("action") else ""
    answer = "\n".join(filter(None, (made.sentence, made.at_lock)))
    ways = (f"\nAgain:  studykit report {as_typed(folder)}\nCheck:  studykit recheck {as_typed(folder)}"
            f"\nBy hand: studykit lab {as_typed(folder)}")
    typer.echo(f"{answer}{action}\nReport: {made.page}" if TELLING["quiet"] else
               f"\n{answer}{action}\n\nReport: {made.page}{ways}")
    if made.rejected:
        typer.echo(f"\n{made.rejected} rows of the raw files could not be taken: see {folder}/tidy/rejected.csv\n"
                   "Correct the files or the mapping, or accept the loss with a reason in intake.toml: "
                   'accept_rejected = "why" and accept_rejected_rows = which', err=True)
        raise typer.Exit(8)


def say_rejected(outcome: IntakeOutcome, folder: Path, *, written: bool) -> None:
    """Say which rows of the raw files are not taken, and end with the exit code for that."""
    typer.echo("\n".join("  " + f.line() for f in outcome.faults()[:20]), err=True)
    typer.echo(f"rejected rows are listed in {folder}/tidy/rejected.csv" if written else
               f"{count(len(outcome.rejected), 'row')} of the raw files would be rejected, and nobody has accepted that: "
               f"studykit intake {as_typed(folder)} lists them in tidy/rejected.csv", err=True)
    raise typer.Exit(8)


def count(number: int, noun: str) -> str:
    """A number with its noun, one or many."""
    return f"{number} {noun}{'' if number == 1 else 's'}"
