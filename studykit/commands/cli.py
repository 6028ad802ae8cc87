"""The commands. No logic here: each command calls one function of the library and prints what it returns."""

from __future__ import annotations

import json
import sys
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from studykit import __version__
from studykit.commands.told import TELLING, any_sign, as_object, as_typed, facts, passphrase, progress
from studykit.core.errors import visible

if TYPE_CHECKING:
    from studykit.core.errors import StudyKitError
    from studykit.intake.take import IntakeOutcome
    from studykit.report.own import Choice

app = typer.Typer(no_args_is_help=True, pretty_exceptions_enable=False,
                  rich_markup_mode=None, context_settings={"help_option_names": ["-h", "--help"]},
                  help="Settling studies of stored fluids: has anything separated, so much that it matters?")


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


def _made(made: Any, folder: Path) -> None:
    words = {r.name: r.value for r in made.records if r.name.split(".")[0] in ("verdict", "stock", "action")}
    facts(sentence=made.sentence, page=made.page, words=words, numbers=len(made.records), rejected=made.rejected)
    action = f"\n{words['action']}" if words.get("action") else ""
    typer.echo(f"\n{made.sentence}{action}\n\nReport: {made.page}\nAgain:  studykit report {as_typed(folder)}"
               f"\nCheck:  studykit recheck {as_typed(folder)}\nBy hand: studykit lab {as_typed(folder)}")
    if made.rejected:
        typer.echo(f"\n{made.rejected} rows of the raw files could not be taken: see {folder}/tidy/rejected.csv\n"
                   "Correct the files or the mapping, or accept the loss with a reason in intake.toml: "
                   'accept_rejected = "why" and accept_rejected_rows = how many', err=True)
        raise typer.Exit(8)


@app.command(epilog="Example: studykit demo")
def demo(name: Annotated[str, typer.Argument(help="Which demo; 'list' names them.")] = "ropeway",
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
    _made(make_report(folder, progress), folder)


@app.command(epilog="Example: studykit new my-study")
def new(folder: Folder,
        single: Annotated[bool, typer.Option("--single", help="One container and a few numbers.")] = False) -> None:
    """Make a study folder to fill in: a commented study.toml, table heads, the notebooks."""
    from studykit.commands.new import new_study

    for line in new_study(folder, single=single):
        typer.echo(line)


@app.command(epilog="Example: studykit check my-study")
def check(folder: Folder) -> None:
    """List every fault that plan, lock, intake or report would stop at; change nothing."""
    from studykit.commands.check import check_folder

    found = check_folder(folder)
    if found.intake is not None and not found.intake.complete:
        _rejected(found.intake, folder, written=False)
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
               "The day above is your own word until the seal is out of your reach: print the sheets again, which carry it "
               f"(studykit plan {as_typed(folder)}), send it in a mail, or lay a time stamp beside the lock (docs/recheck.md)")


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
    typer.echo(f"{_count(len(made.containers), 'container')} added: {', '.join(made.containers)}, "
               f"{_count(len(made.codes), 'sample')}.\nSheets: {folder / made.sheets} (the additions alone)")


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
    typer.echo(f"{'Taken back' if back else 'Excluded'}: {_count(len(made.samples), 'sample')} "
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
    facts(analyte=made.label, margin=made.new, margin_before=made.old, locked=made.locked)
    typer.echo(made.sentence())


@app.command(epilog="Example: studykit intake my-study --suggest raw/results.csv")
def intake(folder: Folder,
           suggest: Annotated[Path | None, typer.Option(help="Propose a mapping for this raw file; write nothing.",
                                                        show_default=False)] = None,
           accept: Annotated[str, typer.Option(help="Accept rejected rows with this reason, for this run only.")] = ""
           ) -> None:
    """Take the laboratory's raw files in, or propose how to read one of them."""
    from studykit.commands.intake import propose, take_in

    if suggest is not None:
        typer.echo(propose(folder, suggest))
        return
    outcome = take_in(folder, accept, progress)
    facts(files=len(outcome.files), results=len(outcome.results), rejected=len(outcome.rejected), complete=outcome.complete)
    typer.echo(outcome.sentence())
    if not outcome.complete:
        _rejected(outcome, folder, written=True)
    if accept and len(outcome.rejected):
        typer.echo("accepted for this run only; so that report and recheck accept it too, write in intake.toml:\n"
                   f"  accept_rejected = {json.dumps(accept.strip(), ensure_ascii=False)}\n"
                   f"  accept_rejected_rows = {len(outcome.rejected)}")


@app.command(epilog="Example: studykit ask my-study")
def ask(folder: Folder,
        to: Annotated[Path | None, typer.Option(help="Folder to write to.", show_default="FOLDER-letter")] = None) -> None:
    """Write a letter to the laboratory: what the checks ask of it, in blind codes only, and what to measure again."""
    from studykit.commands.ask import write_questions

    made = write_questions(folder, to)
    facts(send=made.send, keep=made.keep, questions=made.questions, portions=made.portions)
    typer.echo(f"Send: {made.send} ({_count(made.questions, 'row')} of questions, {_count(made.portions, 'portion')} to be "
               f"measured again)\nKeep: {made.keep} (which portion is of which bottle; do not send it)")


@app.command(epilog="Example: studykit report my-study")
def report(folder: Folder, notebooks: Notebooks = Which.ask) -> None:
    """Run every stage from the raw files and write report/report.html."""
    from studykit.commands.report import make_report

    _made(make_report(folder, progress, notebooks=notebooks.choice), folder)


@app.command(epilog="Example: studykit lab my-study")
def lab(folder: Folder) -> None:
    """Open JupyterLab in a study folder, with the kit's own Python behind its notebooks."""
    from studykit.commands.lab import open_lab

    raise typer.Exit(open_lab(folder))


@app.command(epilog="Example: studykit pack my-study --to deposit.zip")
def pack(folder: Folder,
         to: Annotated[Path | None, typer.Option(help="The zip to write.", show_default="FOLDER.zip")] = None) -> None:
    """Write a filed study as one zip that can be checked and read without the kit."""
    from studykit.deposit.pack import pack as make

    made = make(folder, to)
    facts(deposit=made.file, files=made.files, bytes=made.size, notes=made.notes)
    typer.echo(f"Deposit: {made.file} ({_count(made.files, 'file')}, {made.size / 1e6:.1f} MB)\n"
               f"Check:   studykit recheck {as_typed(made.file)}")
    for note in made.notes:
        typer.echo(f"note: {note}")


@app.command(epilog="Example: studykit export my-study --to for-the-meeting")
def export(folder: Folder,
           to: Annotated[Path | None, typer.Option(help="Folder to write to.", show_default="FOLDER-export")] = None) -> None:
    """Write a filed study's tables as one workbook with a dictionary, and its figures for slides."""
    from studykit.deposit.export import export as write

    target = to or folder.resolve().with_name(f"{folder.resolve().name}-export")
    made = write(folder, target)
    facts(book=made.book, sheets=made.sheets, figures=made.figures, left_out=made.left_out)
    typer.echo(f"Workbook: {made.book} ({_count(len(made.sheets), 'sheet')})\n"
               f"Figures:  {target / 'figures'} ({made.figures}, with captions.csv)")
    for path in made.left_out:
        typer.echo(f"note: {path} has more rows than a sheet can hold; take the file")
    if made.older:
        typer.echo(f"note: the filed report is older than {', '.join(made.older)}: studykit report {as_typed(folder)}")


@app.command(epilog="Example: studykit summary my-study --to answer.pdf")
def summary(folder: Folder, to: Annotated[Path | None, typer.Option(help="The PDF to write.",
                                                                     show_default="FOLDER-summary.pdf")] = None) -> None:
    """Write page one of a filed report as a PDF, for people who never open a web page."""
    from studykit.deposit.summary import summary as write

    made = write(folder, to or folder.resolve().with_name(f"{folder.resolve().name}-summary.pdf"))
    facts(summary=made.file)
    typer.echo(f"Summary: {made.file}")
    if made.older:
        typer.echo(f"note: the filed report is older than {', '.join(made.older)}: studykit report {as_typed(folder)}")


@app.command(epilog="Example: studykit verify my-study")
def verify(folder: Filed,
           certificates: Annotated[Path | None, typer.Option(help="PEM file: whom to trust for time stamps.",
                                                             show_default=False)] = None) -> None:
    """Compare every file with the hashes of the filing, and the lock with its seals; run nothing."""
    from studykit.commands.filed import verify_filed

    outcome = verify_filed(folder, certificates)
    facts(files=outcome.files, notes=outcome.notes)
    typer.echo(f"{_count(outcome.files, 'file')} agree with report/manifest.json; nothing was re-executed: "
               f"studykit recheck {as_typed(folder)}")
    for note in outcome.notes:
        typer.echo(f"note: {visible(note)}")


@app.command(epilog="Example: studykit recheck my-study")
def recheck(folder: Filed, notebooks: Notebooks = Which.kit) -> None:
    """Re-execute the study from raw data with the kit's notebooks, and compare everything that is filed."""
    from studykit.commands.filed import recheck_filed

    outcome, record = recheck_filed(folder, progress, own=notebooks is Which.own)
    facts(numbers=outcome.numbers, outputs=outcome.outputs, files=outcome.files, pictures_only_alike=len(outcome.alike),
          notes=outcome.notes)
    for note in outcome.notes:
        typer.echo(f"note: {visible(note)}")
    typer.echo(f"{outcome.sentence()}\nRecord: {record}")


@app.command(epilog="Example: studykit compare last-year my-study --to last-year-and-this")
def compare(earlier: Annotated[Path, typer.Argument(help="The study that came first.", show_default=False)],
            later: Annotated[Path, typer.Argument(help="The study that came after, or another laboratory's.",
                                                  show_default=False)],
            to: Annotated[Path, typer.Option(help="Folder for the page and its tables.")] = Path("compare")) -> None:
    """Set two studies side by side: words, margins, what changed between the depths, the check fluid."""
    from studykit.front import open as opened
    from studykit.register import write_comparison

    written = write_comparison(opened(earlier), opened(later), to)
    found = written.found
    facts(page=written.page, words=dict(zip(found.words["analyte"], found.words["word after"], strict=True)), notes=found.notes)
    typer.echo(f"{found.sentence}\n\nPage: {written.page}")
    for note in found.notes:
        typer.echo(f"note: {note}")

Phrase = Annotated[Path | None, typer.Option(help="File whose first line is the passphrase; asked at the terminal without.",
                                             show_default="asked")]
Class = Annotated[Path, typer.Argument(help="The class's folder: the teacher's alone.", show_default=False)]


@app.command(epilog="Example: studykit course my-course")
def course(folder: Annotated[Path, typer.Argument(help="A new folder.", show_default=False)]) -> None:
    """Lay the course's lessons into a folder: notebooks with exercises and checks, without solutions."""
    from studykit.commands.course import lay_course

    lessons = lay_course(folder)
    facts(lessons=lessons, folder=folder)
    typer.echo(f"{_count(len(lessons), 'lesson')} in {folder}, the first is {lessons[0]}.ipynb\n"
               f"Open:  studykit lab {as_typed(folder)}")


@app.command("class", epilog="Example: studykit class my-class --students 20 --budget 1200")
def class_(folder: Class,
           students: Annotated[int, typer.Option(help="How many, named student-01 and on.")] = 20,
           names: Annotated[Path | None, typer.Option(help="File with a name a line, in place of a number.",
                                                      show_default=False)] = None,
           budget: Annotated[float, typer.Option(help="What each may spend; a keg with four bottles costs 104.")] = 1200,
           passphrase_file: Phrase = None) -> None:
    """Make a class: a private, sealed world for each student, in which bottles are bought."""
    from studykit.classroom.make import make_class, names_of

    made = make_class(folder, names_of(students, names), budget, passphrase(passphrase_file, twice=True))
    facts(students=made.students, budget=made.budget, folders=folder / "students")
    typer.echo(f"{_count(len(made.students), 'student')}, {made.budget:g} units each.\n"
               f"Hand out: the folders in {folder / 'students'}\nKeep:     {folder / 'teacher'} and the passphrase; without it "
               f"nobody can open the class\nThen:     studykit deliver {as_typed(folder)}, whenever orders are there")


@app.command(epilog="Example: studykit order my-study --again C44W4,XWX2L")
def order(folder: Folder,
          again: Annotated[str, typer.Option(help="Delivered bottles, comma between: one more determination each.")] = ""
          ) -> None:
    """In a class: write the order of a locked plan's bottles, for the teacher to deliver."""
    from studykit.classroom.orders import write_order

    made = write_order(folder, [c.strip() for c in again.split(",") if c.strip()])
    facts(file=made.file, number=made.number, cost=made.cost, left=made.left)
    typer.echo(f"{_count(made.kegs, 'keg')} to open, {_count(made.bottles, 'bottle')}, "
               f"{_count(made.determinations, 'determination')}: {made.cost:g} units; {made.left:g} are left after that.\n"
               f"Order: {made.file}\nWhat is delivered is paid for and cannot be drawn anew.")


@app.command(epilog="Example: studykit deliver my-class")
def deliver(folder: Class, passphrase_file: Phrase = None) -> None:
    """In a class: deliver what students ordered and can pay; refuse the rest, each with its reasons."""
    from studykit.classroom.deliver import deliver as serve

    found = serve(folder, passphrase(passphrase_file))
    facts(orders=[{"student": d.student, "number": d.number, "state": d.state, "cost": d.cost, "left": d.left,
                   "reasons": [f.line() for f in d.faults]} for d in found])
    for d in found:
        paid = "" if d.faults else f", {d.cost:g} units, {d.left:g} left"
        typer.echo(f"{d.student}, order {d.number}: {d.state}{paid}")
        for f in d.faults:
            typer.echo(f"  {f.line()}", err=True)
    typer.echo(f"{_count(len(found), 'order')} looked at")
    if any(d.faults for d in found):
        raise typer.Exit(2)


@app.command(epilog="Example: studykit reveal my-class")
def reveal(folder: Class, passphrase_file: Phrase = None) -> None:
    """In a class: open the truth, score every student, write tables, page and figure; nothing is sold afterwards."""
    from studykit.classroom.reveal import reveal as disclose

    found = disclose(folder, passphrase(passphrase_file))
    facts(scores=found.scores.to_dict("records"), page=folder / "teacher/class.html")
    columns = ["student", "cost", "words right", "words open", "words wrong", "hold the truth", "intervals", "found", "missed",
               "false alarms"]
    typer.echo(found.scores[columns].to_string(index=False))
    for r in found.scores.to_dict("records"):
        if r["remarks"]:
            typer.echo(f"note: {r['student']}: {visible(r['remarks'])}")
    typer.echo(f"\nPage: {folder / 'teacher/class.html'}\nEach student's folder has its truth.json now.")



def _rejected(outcome: IntakeOutcome, folder: Path, *, written: bool) -> None:
    """Say which rows of the raw files are not taken, and end with the exit code for that."""
    typer.echo("\n".join("  " + f.line() for f in outcome.faults()[:20]), err=True)
    typer.echo(f"rejected rows are listed in {folder}/tidy/rejected.csv" if written else
               f"{_count(len(outcome.rejected), 'row')} of the raw files would be rejected, and nobody has accepted that: "
               f"studykit intake {as_typed(folder)} lists them in tidy/rejected.csv", err=True)
    raise typer.Exit(8)


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


def _fail(error: StudyKitError) -> int:
    if TELLING["traceback"]:
        raise error
    typer.echo(str(error), err=True)
    return error.exit_code


def main(arguments: list[str] | None = None) -> int:
    """Run the command line; returns the exit code. Errors of a user give one message and no traceback."""
    any_sign()
    given = sys.argv[1:] if arguments is None else arguments
    options = given[: next((i for i, a in enumerate(given) if not a.startswith("-")), len(given))]
    return as_object(lambda: _run(given)) if "--json" in options else _run(given)[0]


def _run(given: list[str]) -> tuple[int, BaseException | None]:
    from studykit.core.errors import StudyKitError
    from studykit.core.extras import lacking

    sys.modules.setdefault("rfc3987_syntax", None)  # type: ignore[arg-type]  # see studykit.report.forks
    try:
        code = app(args=given, standalone_mode=False)
        return (code if isinstance(code, int) else 0), None
    except StudyKitError as error:
        return _fail(error), error
    except typer.Exit as stop:
        return stop.exit_code, None
    except KeyboardInterrupt as stop:
        typer.echo("stopped; what was filed before is unchanged", err=True)
        return 130, stop
    except Exception as error:
        if isinstance(error, ModuleNotFoundError) and (said := lacking(error)):
            typer.echo(said, err=True)
            return 9, error
        if hasattr(error, "show") and hasattr(error, "exit_code"):
            error.show()
            return int(error.exit_code), error
        if TELLING["traceback"]:
            raise
        typer.echo(f"studykit failed unexpectedly ({type(error).__name__}: {error}).\n"
                   "This is a fault of the kit; run again with: studykit --traceback ...", err=True)
        return 70, error


def entry() -> None:
    """The console command."""
    sys.exit(main())
