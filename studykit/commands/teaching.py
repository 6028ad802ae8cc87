"""The commands of the course and of a class."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import Annotated

import typer

from studykit.commands.app import Folder, app, count
from studykit.commands.told import as_typed, facts, passphrase
from studykit.core.errors import single, visible

Phrase = Annotated[Path | None, typer.Option(help="File whose first line is the passphrase; asked at the terminal without.",
                                             show_default="asked")]
Class = Annotated[Path, typer.Argument(help="The class's folder: the teacher's alone.", show_default=False)]


@app.command(epilog="Example: studykit course my-course")
def course(folder: Annotated[Path, typer.Argument(help="A new folder.", show_default=False)]) -> None:
    """Lay the course's lessons into a folder: notebooks with exercises and checks, without solutions."""
    from studykit.commands.course import lay_course

    lessons = lay_course(folder)
    facts(lessons=lessons, folder=folder)
    typer.echo(f"{count(len(lessons), 'lesson')} in {folder}, the first is {lessons[0]}.ipynb\n"
               f"Open:  studykit lab {as_typed(folder)}")


@app.command("class", epilog="Example: studykit class my-class --students 20 --budget 1200")
def class_(folder: Class,
           students: Annotated[int, typer.Option(help="How many, named student-01 and on.")] = 20,
           names: Annotated[Path | None, typer.Option(help="File with one name per line, in place of a number.",
                                                      show_default=False)] = None,
           budget: Annotated[float, typer.Option(help="What each may spend; a keg with four bottles costs 104.")] = 1200,
           passphrase_file: Phrase = None) -> None:
    """Make a class: a private, sealed world for each student, in which bottles are bought."""
    from studykit.classroom.make import make_class, names_of

    everyone = names_of(students, names)
    make_class(folder, everyone, budget, passphrase(passphrase_file, twice=True))
    facts(students=everyone, budget=budget, folders=folder / "students")
    typer.echo(f"{count(len(everyone), 'student')}, {budget:g} units each.\n"
               f"Hand out: the folders in {folder / 'students'}\nKeep:     {folder / 'teacher'} and the passphrase; without it "
               f"nobody can open the class\nThen:     studykit deliver {as_typed(folder)}, whenever orders are there")


@app.command(epilog="Example: studykit order my-study --again C44W4,XWX2L")
def order(folder: Folder,
          again: Annotated[str, typer.Option(help="Delivered bottles, comma between: one more determination each.")] = ""
          ) -> None:
    """In a class: write the order of a locked plan's bottles, for the teacher to deliver."""
    from studykit.classroom.orders import write_order

    made = write_order(folder, re.split(r"[,;\s]+", again.strip(" ,;")) if again.strip(" ,;") else ())
    facts(file=made.file, number=made.number, cost=made.cost, left=made.left, replaced=made.replaced)
    typer.echo(f"{count(made.kegs, 'keg')} to open, {count(made.bottles, 'bottle')}, "
               f"{count(made.determinations, 'determination')}: {made.cost:g} units; {made.left:g} are left after that.\n"
               f"Order: {made.file}{_instead(made.replaced)}\nWhat is delivered is paid for and cannot be drawn anew.")


def _instead(bottles: tuple[str, ...]) -> str:
    """What an order that was not delivered yet had asked for, where another takes its place."""
    named = ", ".join(bottles[:8]) + (f" and {len(bottles) - 8} more" if len(bottles) > 8 else "")
    return (f"\nIt takes the place of an order of this number that was not delivered, of {named}: what you still want of "
            "that has to be named again, in one order.") if bottles else ""


@app.command(epilog="Example: studykit deliver my-class")
def deliver(folder: Class, passphrase_file: Phrase = None) -> None:
    """In a class: deliver what students ordered and can pay; refuse the rest, each with its reasons."""
    from studykit.classroom.deliver import deliver as serve

    found = serve(folder, passphrase(passphrase_file))
    facts(orders=[{"student": d.student, "number": d.number, "state": d.state, "cost": d.cost, "left": d.left,
                   "reasons": [f.line() for f in d.faults]} for d in found])
    for d in found:
        paid = "" if d.faults else f", {d.cost:g} units, {d.left:g} left"
        typer.echo(f"{d.student}, {visible(d.file) or f'order {d.number}'}: {d.state}{paid}")
        for f in d.faults:
            typer.echo(f"  {f.line()}", err=True)
    typer.echo(f"{count(len(found), 'order')} looked at")
    if any(d.faults for d in found):
        raise typer.Exit(2)


@app.command(epilog="Example: studykit reveal my-class")
def reveal(folder: Class, passphrase_file: Phrase = None,
           anyway: Annotated[bool, typer.Option("--anyway", help="Reveal though some have not handed in; asked at the terminal "
                                                                 "without.")] = False) -> None:
    """In a class: open the truth, score every student, write tables, page and figure; nothing is sold afterwards."""
    from studykit.classroom.reveal import reveal as disclose
    from studykit.classroom.reveal import waiting

    phrase = passphrase(passphrase_file)
    late = waiting(folder, phrase)
    for line in late:
        typer.echo(f"not handed in: {line}")
    if late and not anyway and not (sys.stdin.isatty() and typer.confirm("Reveal all the same? Nothing is sold afterwards")):
        raise single(str(folder), f"not handed in, or not all of it: {count(len(late), 'student')}; nothing was revealed",
                     "copy their folders back first, or reveal without them: studykit reveal FOLDER --anyway")
    found = disclose(folder, phrase)
    for line in found.notes:
        typer.echo(f"note: {visible(line)}")
    facts(scores=found.scores.to_dict("records"), page=folder / "teacher/class.html")
    columns = ["student", "cost", "words right", "words open", "words wrong", "hold the truth", "intervals", "found", "missed",
               "precision"]
    typer.echo(found.scores[columns].to_string(index=False))
    for r in found.scores.to_dict("records"):
        if r["remarks"]:
            typer.echo(f"note: {r['student']}: {visible(r['remarks'])}")
    typer.echo(f"\nPage: {folder / 'teacher/class.html'}\nEach student's folder has its truth.json now.")
