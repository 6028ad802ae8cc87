"""Run the stage notebooks in order: parameters checked first, progress shown, a failure told in a few lines.

The notebooks write into a new folder that replaces the old report only when all of them
have run, so a failed or killed run leaves the filed report as it was.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
import time
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import nbformat
from traitlets.config import Config

from studykit.core.errors import ParametersRefused, StageFailed
from studykit.core.files import require_writable, write_text

Say = Callable[[str], None]
PART, OLD = "report.part", "report.old"
HEADLESS = "STUDYKIT_HEADLESS"
PLACES = ("study", "out_dir")
"""Parameters that name folders of one machine; a filed notebook does not keep them."""
ANSI = re.compile(r"\x1b\[[0-9;]*m")


@dataclass(frozen=True, slots=True, kw_only=True)
class StageRun:
    """One executed notebook: where it lies, the parameters it had, how long it took (s)."""

    stem: str
    notebook: Path
    parameters: dict[str, Any]
    seconds: float


def accepted_parameters(notebook: Path) -> tuple[str, ...]:
    """Names set in the cell tagged ``parameters``; ParametersRefused where there is no such cell."""
    nb = nbformat.read(notebook, as_version=4)
    for cell in nb.cells:
        if cell.cell_type == "code" and "parameters" in cell.metadata.get("tags", []):
            return tuple(re.findall(r"^(\w+)\s*(?::[^=\n]+)?=", cell.source, flags=re.MULTILINE))
    raise ParametersRefused(f"{notebook.name}: no cell is tagged 'parameters' -> tag one, or use the kit's notebook")


def check_parameters(notebook: Path, given: Mapping[str, Any], required: Sequence[str] = ("study", "out_dir")) -> None:
    """ParametersRefused with every unknown and missing name, before anything runs."""
    accepted = accepted_parameters(notebook)
    unknown = [g for g in given if g not in accepted]
    missing = [r for r in required if r not in accepted or r not in given]
    if unknown or missing:
        parts = [f"unknown: {', '.join(unknown)}"] if unknown else []
        parts += [f"missing: {', '.join(missing)}"] if missing else []
        raise ParametersRefused(f"{notebook.name}: {'; '.join(parts)} -> accepted are {', '.join(accepted)}")


def _engine(say: Say, stem: str) -> str:
    """A papermill engine that tells of each finished cell; returns its registered name."""
    from papermill.engines import NBClientEngine, papermill_engines

    class Telling(NBClientEngine):  # type: ignore[misc]  # papermill has no types
        @classmethod
        def execute_managed_notebook(cls, nb_man: Any, kernel_name: str, **kw: Any) -> Any:
            code = [c for c in nb_man.nb.cells if c.cell_type == "code"]
            base, done = nb_man.cell_complete, [0]

            def complete(cell: Any, cell_index: int | None = None, **more: Any) -> None:
                base(cell, cell_index=cell_index, **more)
                if cell.cell_type == "code":
                    done[0] += 1
                    say(f"\r  {stem}  cell {done[0]} of {len(code)}")

            nb_man.cell_complete = complete
            kw.setdefault("extra_arguments", ["--log-level=50"])  # a kernel stopped in haste says so on stderr
            kw.setdefault("config", Config({"KernelManager": {"transport_encryption": "auto"}}))
            return super().execute_managed_notebook(nb_man, kernel_name, **kw)

    papermill_engines.register("studykit", Telling)
    return "studykit"


@contextlib.contextmanager
def _headless() -> Iterator[None]:
    """Kernels started meanwhile know that nobody sits before them."""
    before = os.environ.get(HEADLESS)
    os.environ[HEADLESS] = "1"
    try:
        yield
    finally:
        os.environ.pop(HEADLESS, None)
        if before is not None:
            os.environ[HEADLESS] = before


def run_notebook(source: Path, target: Path, parameters: Mapping[str, Any], say: Say) -> StageRun:
    """Execute one notebook in a fresh kernel; StageFailed tells the notebook, cell, source and last error line."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import papermill
        from nbclient.exceptions import CellTimeoutError, DeadKernelError
        from papermill.exceptions import PapermillExecutionError

        started = time.monotonic()
        target.parent.mkdir(parents=True, exist_ok=True)
        try:
            with _headless():
                papermill.execute_notebook(
                    str(source), str(target), parameters=dict(parameters), engine_name=_engine(say, source.stem),
                    kernel_name="python3", language="python", progress_bar=False, cwd=str(source.parent),
                    log_output=False,
                )
        except PapermillExecutionError as error:
            raise StageFailed(_tell(source, target, error)) from None
        except (DeadKernelError, CellTimeoutError, RuntimeError) as error:
            raise StageFailed(f"{source.name}: the kernel stopped: {error}") from None
    settle(target, parameters)
    seconds = time.monotonic() - started
    say(f"\r  {source.stem}  done in {seconds:.1f} s\n")
    return StageRun(stem=source.stem, notebook=target, parameters=dict(parameters), seconds=seconds)


def settle(notebook: Path, parameters: Mapping[str, Any]) -> None:
    """Take out of an executed notebook what belongs to one machine or one run: folders, times, versions, random ids.

    Opened where it is filed, it then finds the study around it, and two runs of one study give the same bytes.
    """
    nb = json.loads(notebook.read_text(encoding="utf-8"))
    nb["metadata"] = {"kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
                      "language_info": {"name": "python"}}
    kept = {k: v for k, v in parameters.items() if k not in PLACES}
    cells = []
    for cell in nb["cells"]:
        tags = cell["metadata"].get("tags", [])
        cell["metadata"] = {"tags": tags} if tags else {}
        if "injected-parameters" in tags:
            cell["id"] = "parameters-given"
            cell["source"] = "".join(f"{k} = {v!r}\n" for k, v in kept.items())
        if kept or "injected-parameters" not in tags:
            cells.append(cell)
    nb["cells"] = cells
    write_text(notebook, json.dumps(nb, indent=1, ensure_ascii=False, sort_keys=True) + "\n")


def _tell(source: Path, target: Path, error: Any) -> str:
    """A failed cell in a few lines: notebook, step, cell number, its source, the last lines of the error."""
    nb = nbformat.read(source, as_version=4)
    heading = ""
    for cell in nb.cells[: error.cell_index + 1]:
        if cell.cell_type == "markdown":
            found = re.findall(r"^#+\s*(.+)$", cell.source, flags=re.MULTILINE)
            heading = found[-1] if found else heading
    code = "\n".join("    | " + line for line in error.source.strip().splitlines())
    value = ANSI.sub("", str(error.evalue)).strip()
    name = error.ename.rpartition(".")[2]
    return (f"{source.name}, step {heading!r}, code cell [{error.exec_count}] failed\n{code}\n"
            f"  {name}: {value}\n  the notebook up to this cell: {target.name} in {PART}/{source.stem}/")


def run_stages(root: Path, notebooks: Path, stems: Sequence[str], say: Say,
               extra: Mapping[str, Any] | None = None) -> tuple[StageRun, ...]:
    """Run the stages into ``report.part``; nothing runs where any notebook would refuse its parameters."""
    recover(root)
    require_writable(root)
    out = root / PART
    parameters = {"study": str(root.resolve()), "out_dir": str(out.resolve()), **(extra or {})}
    for stem in stems:
        check_parameters(notebooks / f"{stem}.ipynb", parameters)
    shutil.rmtree(out, ignore_errors=True)
    runs = []
    for stem in stems:
        say(f"  {stem}  starting")
        runs.append(run_notebook(notebooks / f"{stem}.ipynb", out / stem / f"{stem}.ipynb", parameters, say))
    return tuple(runs)


def recover(root: Path) -> None:
    """Put the filed report back where a kill came between the two renames of an exchange."""
    old, current = root / OLD, root / "report"
    if old.exists() and not current.exists():
        os.replace(old, current)
    shutil.rmtree(old, ignore_errors=True)


def exchange(root: Path) -> Path:
    """Put the finished ``report.part`` in the place of ``report``."""
    current, old, part = root / "report", root / OLD, root / PART
    if current.exists():
        os.replace(current, old)
    os.replace(part, current)
    with contextlib.suppress(OSError):
        shutil.rmtree(old)
    return current
