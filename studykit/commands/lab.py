"""Open JupyterLab on a study."""

from __future__ import annotations

import importlib.util
import os
import shlex
import subprocess
import sys
from pathlib import Path

import typer

from studykit.commands.course import is_course
from studykit.core.errors import single
from studykit.front import study_folder
from studykit.report.own import copy_notebooks


def open_lab(folder: Path) -> int:
    """Start JupyterLab in a study folder, or in a course, and wait until it is closed; its exit code.

    BadInput where the folder holds no study, ModuleNotFoundError where JupyterLab is not installed.
    """
    course = is_course(folder)
    root = (folder if course else study_folder(folder)).resolve()
    if importlib.util.find_spec("jupyterlab") is None:
        raise ModuleNotFoundError("No module named 'jupyterlab'", name="jupyterlab")
    if not course and not (root / "notebooks").exists():
        copy_notebooks(root)
        typer.echo(f"{root.name} had no notebooks: the kit's were laid into {root.name}/notebooks")
    kernels = os.environ | {"JUPYTER_PREFER_ENV_PATH": "1"}  # the kernel of this environment, not one of the user's others
    command = [sys.executable, "-P", "-m", "jupyterlab", str(root)]
    code = subprocess.run(command, env=kernels, check=False).returncode
    if code and getattr(os, "geteuid", lambda: 1)() == 0:
        raise single("lab", f"JupyterLab ended with code {code}, and you are root: unless told otherwise it does not run as "
                     "root, who may change everything on this machine (its own line above says why it ended)",
                     "use an ordinary account; in a container that is yours alone: "
                     f"{shlex.join([*command[:1], '-m', 'jupyterlab', '--allow-root', str(root)])}")
    return code
