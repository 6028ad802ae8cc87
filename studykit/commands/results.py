"""The commands from the laboratory's files to the report."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from studykit.commands.app import Folder, Notebooks, Which, app, count, report_made, say_rejected
from studykit.commands.told import facts, progress
from studykit.core.errors import visible


@app.command(epilog="Example: studykit intake my-study --suggest raw/results.csv")
def intake(folder: Folder,
           suggest: Annotated[Path | None, typer.Option(help="Propose a mapping for this raw file; write nothing.",
                                                        show_default=False)] = None,
           accept: Annotated[str, typer.Option(help="Accept rejected rows with this reason, for this run only.")] = ""
           ) -> None:
    """Take the laboratory's raw files in, or propose how to read one of them."""
    from studykit.commands.intake import propose, take_in
    from studykit.intake import mapping
    from studykit.study.tocome import days_to_come

    if suggest is not None:
        typer.echo(propose(folder, suggest))
        return
    outcome = take_in(folder, accept, progress)
    notes = days_to_come(folder, outcome.results)
    facts(files=len(outcome.files), results=len(outcome.results), rejected=len(outcome.rejected), complete=outcome.complete,
          notes=notes)
    for line in (outcome.sentence(), *notes):
        typer.echo(line)
    for name in mapping.hidden_files(folder):
        typer.echo(f"note: raw/{visible(name)} is hidden and was not read; rename it if it holds results")
    for name, why in mapping.unread_files(folder).items():
        if why.startswith("a README"):
            typer.echo(f"note: raw/{visible(name)} was not read, being a README: does it say anything about the results?")
    if not outcome.complete:
        say_rejected(outcome, folder, written=True)
    if accept and len(outcome.rejected):
        typer.echo("accepted for this run only; so that report and recheck accept it too, write in intake.toml:\n"
                   f"  accept_rejected = {json.dumps(accept.strip(), ensure_ascii=False)}\n"
                   f"  accept_rejected_rows = {json.dumps(outcome.named(), ensure_ascii=False)}")


@app.command(epilog="Example: studykit ask my-study")
def ask(folder: Folder,
        to: Annotated[Path | None, typer.Option(help="Folder to write to.", show_default="FOLDER-letter")] = None) -> None:
    """Write a letter to the laboratory: what the checks ask of it, in blind codes only, and what to measure again."""
    from studykit.commands.ask import write_questions

    made = write_questions(folder, to)
    facts(send=made.send, keep=made.keep, questions=made.questions, portions=made.portions)
    typer.echo(f"Send: {made.send} ({count(made.questions, 'row')} of questions and {count(made.portions, 'portion')} to be "
               f"measured again)\nKeep: {made.keep} (which portion is of which bottle; do not send it)")


@app.command(epilog="Example: studykit report my-study")
def report(folder: Folder, notebooks: Notebooks = Which.ask,
           fresh: Annotated[bool, typer.Option("--fresh", help="Run every stage, even where nothing changed since "
                                                               "this user's last report of the study.")] = False) -> None:
    """Run the stages from the raw files and write report/report.html; what did not change is kept."""
    from studykit.commands.report import make_report

    report_made(make_report(folder, progress, notebooks=notebooks.choice, fresh=fresh), folder)


@app.command(epilog="Example: studykit lab my-study")
def lab(folder: Folder) -> None:
    """Open JupyterLab in a study folder, with the kit's own Python behind its notebooks.

    A study that has no notebooks gets the kit's first, in its folder notebooks.
    """
    from studykit.commands.lab import open_lab

    raise typer.Exit(open_lab(folder))
