"""The command line: every command by its name, one message and an exit code for every error."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING

import typer

from studykit.commands import planning, results, sharing, teaching  # noqa: F401 - the help names them in this order
from studykit.commands.app import app
from studykit.commands.told import TELLING, any_sign, as_object

if TYPE_CHECKING:
    from studykit.core.errors import StudyKitError

__all__ = ["app", "entry", "main"]
THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
"""Read when numpy is first imported, which no command does before it runs."""


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
    except (KeyboardInterrupt, typer.Abort) as stop:
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


def entry(arguments: list[str] | None = None) -> None:
    """The console command: linear algebra on one thread, unless the caller's environment says otherwise.

    The kit's matrices are small and stages run side by side: more threads would only wait for one another.
    """
    for name in THREADS:
        os.environ.setdefault(name, "1")
    sys.exit(main(arguments))
