"""The commands before there are results: a demo, a new study, its check, plan and lock, and changes after the lock."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from studykit.commands.app import Folder, Notebooks, Which, app, count, report_made, say_rejected
from studykit.commands.told import as_typed, facts, progress


def _demos() -> list[str]:
    """What a shell may complete a demo's name to."""
    from studykit.demos.shipped import DEMOS

    return [*DEMOS, "list"]


@app.command(epilog="Example: studykit demo")
def demo(name: Annotated[str, typer.Argument(help="Which demo; 'list' names them.", autocompletion=_demos)] = "ropeway",
         to: Annotated[Path | None, typer.Option(help="Folder to make it in.", show_default="demo-NAME")] = None,
         class_copy: Annotated[bool, typer.Option("--class", help="For a class: without README and truth.json, which tell "
                                                                  "the truth and the faults; raw files and plan only, no "
                                                                  "report is made.")] = False) -> None:
    """Run the whole job on an invented study."""
    from studykit.demos.shipped import DEMOS, copy_demo

    if name == "list":
        for known, about in DEMOS.items():
            typer.echo(f"{known:10} {about}")
        return
    from studykit.commands.report import make_report
    from studykit.report.own import copy_notebooks

    folder = to or Path(f"demo-{name}")
    copy_demo(name, folder, untold=class_copy)
    copy_notebooks(folder)
    if class_copy:
        typer.echo(f"Study in {folder} (invented data), without its truth. Then: studykit report {as_typed(folder)}")
        return
    progress(f"Study in {folder} (invented data)\n")
    report_made(make_report(folder, progress), folder)


@app.command(epilog="Example: studykit new my-study")
def new(folder: Folder,
        single: Annotated[bool, typer.Option("--single", help="Ask nothing: a template for one container and a few numbers.")]
        = False,
        blank: Annotated[bool, typer.Option("--blank", help="Ask nothing: the template to fill in, as without a terminal.")]
        = False,
        answers: Annotated[Path | None, typer.Option(help="A file of answers (TOML, such as count = 12, margin.Si = \"20 %\"); "
                                                          "what is missing is asked at a terminal, else assumed and said.",
                                                     show_default=False)] = None,
        answer: Annotated[list[str] | None, typer.Option(help="One answer, such as count=12 or margin.Si=\"20 %\".",
                                                         show_default=False)] = None) -> None:
    """Make a study folder: from answers to a few questions, or a commented study.toml and table heads to fill in."""
    from studykit.commands.new import answered_study, answers_given, new_study
    from studykit.commands.told import asked_at_terminal

    person = sys.stdin.isatty() and sys.stdout.isatty()
    if person and not (single or blank):
        typer.echo("A few questions. Enter takes the answer in brackets; back returns to the question before; "
                   "Ctrl-C stops and leaves nothing behind. "
                   "For a template to fill in instead: --blank")
    if single or blank or not (person or answers or answer):
        lines = new_study(folder, single=single)
    else:
        lines = answered_study(folder, answers_given(answers, answer or []), asked_at_terminal if person else None)
    facts(folder=folder)
    for line in lines:
        typer.echo(line)


@app.command(epilog="Example: studykit check my-study")
def check(folder: Folder) -> None:
    """List every fault that plan, lock, intake or report would stop at; change nothing."""
    from studykit.commands.check import check_folder

    found = check_folder(folder)
    if found.intake is not None and not found.intake.complete:
        say_rejected(found.intake, folder, written=False)
    facts(containers=len(found.tables.containers), samples=len(found.tables.samples),
          results=len(found.tables.results) if found.taken else None, notes=found.notes)
    for line in (found.sentence(), *found.notes):
        typer.echo(line)


@app.command(epilog="Example: studykit plan my-study")
def plan(folder: Folder, notebooks: Notebooks = Which.ask,
         bottles: Annotated[int, typer.Option(help="Accept a plan of up to so many bottles, where [design] max_bottles "
                                                   "allows fewer.", show_default=False)] = 0,
         sister: Annotated[list[Path] | None, typer.Option(help="A study whose blind codes are in use too; none of them is "
                                                                "given again.", show_default=False)] = None) -> None:
    """Plan the study: what it takes, what it will be able to say, blind codes, order, sheets to print."""
    from studykit.commands.report import ahead_in

    with ahead_in(folder, plan=True):
        from studykit.commands.plan import make_plan_pages, opening

        first = opening(folder)
        typer.echo(first.text())
        asked = first.fault(bottles) is not None and sys.stdin.isatty() and sys.stdout.isatty()
        if asked and typer.confirm(f"Fill {first.bottles} bottles?"):
            bottles = first.bottles
        made = make_plan_pages(folder, progress, notebooks.choice, bottles=bottles, sisters=sister or ())
    facts(page=made.page, notes=made.notes, containers=first.stored + first.made_up, bottles=first.bottles)
    for note in made.notes:
        typer.echo(note)
    typer.echo(f"\nPlan: {made.page}\nSheets: {folder}/plan/sheets/\nThen:  studykit lock {as_typed(folder)}")


@app.command(epilog='Example: studykit lock my-study --amend "two pails were empty"')
def lock(folder: Folder,
         amend: Annotated[str, typer.Option(help="After a change: the reason for it, kept with the lock.")] = "",
         of: Annotated[list[str] | None, typer.Option(help="The change that the reason is for, where several are open: plan, "
                                                           "analytes.P, alpha ...", show_default=False)] = None) -> None:
    """Lock the plan before results come: question, margins, model and plan tables, with date and hash."""
    from studykit.study.lock import lock_folder

    status = lock_folder(folder, amend, of or ())
    facts(state=status.state, locked_on=status.locked_on, seal=status.seal, changes=len(status.changes))
    typer.echo(f"{status.sentence}\nSeal of the lock, to keep elsewhere: {status.seal}\n"
               "The date above is your own statement until the seal is out of your reach: print the sheets again, which "
               f"carry it (studykit plan {as_typed(folder)}), send it "
               "in a mail, or lay a time stamp beside the lock (docs/recheck.md)")


Reason = Annotated[str, typer.Option(help="Why, in a few words; kept with the study.", show_default=False)]
Sisters = Annotated[list[Path] | None, typer.Option(help="A study whose blind codes are in use too; none of them is given "
                                                         "again.", show_default=False)]


@app.command(epilog='Example: studykit add my-study D13 D14 --like D07 --reason "two drums were found behind the rack"')
def add(folder: Folder, containers: Annotated[list[str], typer.Argument(help="Names of the new containers.",
                                                                        show_default=False)], reason: Reason,
        like: Annotated[str, typer.Option(help="A container of the plan that they are like in lot, store, vessel, liquid and "
                                               "day of filling.", show_default=False)] = "",
        cells: Annotated[list[str] | None, typer.Option("--set", help="A column of plan/containers.csv and its cell, such as "
                                                        "liquid_height_mm=810.", show_default=False)] = None,
        sister: Sisters = None) -> None:
    """After the lock: add containers, with codes, laboratory order and sheets of their own, and the reason in the lock."""
    from studykit.commands.living import add as add_to

    made = add_to(folder, containers, reason=reason, like=like, cells=cells or (), sisters=sister or ())
    facts(containers=made.containers, samples=made.codes, sheets=folder / made.sheets, notes=made.notes)
    for note in made.notes:
        typer.echo(f"note: {note}")
    typer.echo(f"{count(len(made.containers), 'container')} added: {', '.join(made.containers)}, "
               f"{count(len(made.codes), 'sample')}.\nSheets: {folder / made.sheets} (the additions alone)")


@app.command(epilog='Example: studykit exclude my-study D05 --reason "bung was open, rain got in" --who "store keeper"')
def exclude(folder: Folder, what: Annotated[str, typer.Argument(help="Code of a sample, or name of a container.",
                                                                show_default=False)], reason: Reason,
            who: Annotated[str, typer.Option(help="Who decides: initials, a name or a role.", show_default=False)],
            analyte: Annotated[str, typer.Option(help="One analyte only.", show_default="all")] = "",
            back: Annotated[bool, typer.Option("--back", help="Take the exclusion back; its line stays, with both reasons.")]
            = False) -> None:
    """Exclude the results of a sample or a container with a reason, or take that back; shows what it takes away."""
    from studykit.commands.living import FILE
    from studykit.commands.living import exclude as take_out

    made = take_out(folder, what, reason=reason, who=who, analyte=analyte, back=back)
    facts(samples=made.samples, told=made.told, notes=made.notes, file=folder / FILE)
    typer.echo(f"{'Taken back' if back else 'Excluded'}: {count(len(made.samples), 'sample')} "
               f"({', '.join(made.samples)})")
    for line in (*made.told, *(f"note: {n}" for n in made.notes)):
        typer.echo(f"  {line}")
    typer.echo(f"Recorded in {folder / FILE}. The report shows every word with and without what is excluded.")


@app.command(epilog='Example: studykit margin my-study P "8 %" --reason "the blender widened the tolerance of the additive"')
def margin(folder: Folder, analyte: Annotated[str, typer.Argument(help="Key or name of the analyte.", show_default=False)],
           value: Annotated[str, typer.Argument(help="The new margin with its unit.", show_default=False)],
           reason: Reason) -> None:
    """Change a margin with its reason, in study.toml and in the lock; the report gives the word at both margins."""
    from studykit.commands.living import margin as change

    made = change(folder, analyte, value, reason)
    facts(analyte=made.label, margin=made.new, margin_before=made.old, locked=made.locked, sides=made.sides)
    typer.echo(made.sentence())


@app.command(epilog="Example: studykit operating grid.toml --to grid")
def operating(scenario: Annotated[Path, typer.Argument(help="A TOML file with a margin and a grid of designs and truths.",
                                                       show_default=False)],
              to: Annotated[Path, typer.Option(help="Folder for the counts, the table and the page; again to go on.")] = Path(
                  "operating"),
              workers: Annotated[int, typer.Option(min=0, help="Processes on this machine; 0: one per processor.")] = 0,
              scheduler: Annotated[str, typer.Option(help="Address of a Dask scheduler that counts instead.")] = "") -> None:
    """Simulate studies over a grid of designs and truths, and count their words; goes on where it was stopped."""
    from studykit.core.workers import processors
    from studykit.design.grid_runs import run_scenario
    from studykit.design.scenario import read_scenario

    ran = run_scenario(read_scenario(scenario), to, workers=workers or processors(), scheduler=scheduler, say=progress)
    facts(page=ran.page, cells=len(ran.table), counted=ran.counted, taken=ran.taken)
    typer.echo(f"{count(ran.counted, 'block')} counted, {ran.taken} taken from before.\nPage: {ran.page}")
