"""The commands for a filed report: to pack it, to export it, to check it, to compare it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from studykit.commands.app import Filed, Folder, Notebooks, Which, app, count
from studykit.commands.told import as_typed, facts, progress
from studykit.core.errors import visible


@app.command(epilog="Example: studykit pack my-study --to deposit.zip")
def pack(folder: Folder,
         to: Annotated[Path | None, typer.Option(help="The zip to write.", show_default="FOLDER.zip")] = None) -> None:
    """Write a filed study as one zip that can be checked and read without the kit."""
    from studykit.deposit.pack import pack as make

    made = make(folder, to)
    facts(deposit=made.file, files=made.files, bytes=made.size, notes=made.notes)
    typer.echo(f"Deposit: {made.file} ({count(made.files, 'file')}, {made.size / 1e6:.1f} MB)\n"
               f"Check:   studykit recheck {as_typed(made.file)}")
    for note in made.notes:
        typer.echo(f"note: {note}")


@app.command(epilog="Example: studykit export my-study --to for-the-meeting")
def export(folder: Folder,
           to: Annotated[Path | None, typer.Option(help="Folder to write to.", show_default="FOLDER-export")] = None) -> None:
    """Write a filed study's tables as two workbooks, those asked for first in one, and its figures for slides."""
    from studykit.deposit.export import export as write

    target = to or folder.resolve().with_name(f"{folder.resolve().name}-export")
    made = write(folder, target)
    facts(book=made.book, sheets=made.sheets, stages=made.stages, stage_sheets=made.stage_sheets,
          figures=made.figures, left_out=made.left_out)
    typer.echo(f"Workbook: {made.book} ({count(len(made.sheets), 'sheet')})\n"
               f"All other tables: {made.stages} ({count(len(made.stage_sheets), 'sheet')})\n"
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
    from studykit.report.verify import LISTED, bounded

    outcome = verify_filed(folder, certificates)
    facts(files=outcome.files, notes=outcome.notes)
    typer.echo(f"{count(outcome.files, 'file')} agree with report/manifest.json; nothing was re-executed: "
               f"studykit recheck {as_typed(folder)}")
    for note in bounded(outcome.notes, LISTED):
        typer.echo(f"note: {note}")


@app.command(epilog="Example: studykit recheck my-study")
def recheck(folder: Filed, notebooks: Notebooks = Which.kit) -> None:
    """Re-execute the study from raw data with the kit's notebooks, and compare everything that is filed."""
    from studykit.commands.filed import recheck_filed
    from studykit.report.verify import bounded

    outcome, record = recheck_filed(folder, progress, own=notebooks is Which.own)
    facts(numbers=outcome.numbers, outputs=outcome.outputs, files=outcome.files, pictures_only_alike=len(outcome.alike),
          notes=outcome.notes)
    for note in bounded(outcome.notes, "recheck.json"):
        typer.echo(f"note: {note}")
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
    facts(page=written.page, words=dict(zip(found.words["analyte"], found.words["word after"], strict=True)), notes=found.notes,
          unfiled=found.unfiled)
    for told in found.unfiled:
        typer.echo(visible(told))
    typer.echo(f"{found.sentence}\n\nPage: {written.page}")
    for note in found.notes:
        typer.echo(f"note: {visible(note)}")


@app.command(epilog="Example: studykit controls last-year my-study --to controls-of-two-years")
def controls(studies: Annotated[list[Path], typer.Argument(help="Studies of one laboratory, the earliest first.",
                                                           show_default=False)],
             to: Annotated[Path, typer.Option(help="Folder for the page, tables and proposals.")] = Path("controls")) -> None:
    """Put the controls of studies together: charts, what measuring, drawing and runs scatter, limits for the next."""
    from studykit.front import open as opened
    from studykit.register import write_record

    kept = write_record([opened(s) for s in studies], to)
    found = kept.found
    facts(page=kept.page, analytes=list(found.names), notes=found.notes)
    typer.echo(f"Page: {kept.page}\nFor the next study, if you agree: for-the-next-study.toml and check_limits.csv beside it")
    for note in found.notes:
        typer.echo(f"note: {visible(note)}")


@app.command(epilog="Example: studykit register studies --to register")
def register(folder: Annotated[Path, typer.Argument(help="The folder that the studies lie in, at any depth.",
                                                       show_default=False)],
             to: Annotated[Path, typer.Option(help="Folder for the register; give it again to refresh it.")] = Path("register"),
             fresh: Annotated[bool, typer.Option("--fresh", help="Read every study again, changed or not.")] = False,
             forget: Annotated[list[str] | None, typer.Option(help="A study that is gone and may leave the register.",
                                                              show_default=False)] = None,
             workers: Annotated[int, typer.Option(min=0, help="Processes that read side by side; 0: one per processor.")] = 0,
             ) -> None:
    """Put all studies of a folder into one register. Exit code 2: one cannot be read or is gone; 7: one was altered."""
    from studykit.core.workers import processors
    from studykit.register import write_register

    made = write_register(folder, to, fresh=fresh, forget=forget or (), workers=workers or processors(), say=progress)
    facts(page=made.page, studies=made.counts, read=len(made.register.read), lacking=made.lacking, altered=made.altered,
          notes=made.register.notes)
    typer.echo(f"{made.sentence} {len(made.register.read)} read anew.\nPage: {made.page}")
    for note in made.register.notes:
        typer.echo(f"note: {visible(note)}")
    for told in (*made.lacking, *made.altered):
        typer.echo(visible(told), err=True)
    if made.lacking or made.altered:
        raise typer.Exit(2 if made.lacking else 7)


@app.command(epilog="Example: studykit reports studies --to reports")
def reports(folder: Annotated[Path, typer.Argument(help="The folder that the studies lie in, at any depth.",
                                                   show_default=False)],
            to: Annotated[Path, typer.Option(help="Folder for the list of what became of each.")] = Path("reports"),
            notebooks: Notebooks = Which.ask,
            fresh: Annotated[bool, typer.Option("--fresh", help="Run every stage of every study.")] = False,
            workers: Annotated[int, typer.Option(min=0, help="Reports at once; 0: one in two processors.")] = 0,
            scheduler: Annotated[str, typer.Option(help="Address of a Dask scheduler whose workers make them.")] = "") -> None:
    """Make the reports of all studies of a folder, side by side. Exit code 2: one was not made; 8: rows were rejected."""
    from studykit.register import make_reports

    options = (*(("--notebooks", notebooks.value) if notebooks.choice else ()), *(("--fresh",) if fresh else ()))
    made = make_reports(folder, to, options=options, workers=workers, scheduler=scheduler, say=progress)
    facts(table=made.path, reports=made.table.to_dict("records"), notes=made.notes)
    failed = made.table[~made.table["exit_code"].isin([0, 8])]
    typer.echo(f"{count(len(made.table) - len(failed), 'report')} made of {len(made.table)}.\nList: {made.path}")
    for note in made.notes:
        typer.echo(f"note: {visible(note)}")
    for row in failed.to_dict("records"):
        typer.echo(visible(f"{row['study']}: {row['fault']} (exit code {row['exit_code']}: {row['meaning']})"), err=True)
    if made.exit_code:
        raise typer.Exit(made.exit_code)
