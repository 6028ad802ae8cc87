"""Open JupyterLab on a study."""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
from pathlib import Path

from studykit.commands.course import is_course
from studykit.front import study_folder


def open_lab(folder: Path) -> int:
    """Start JupyterLab in a study folder, or in a course, and wait until it is closed; its exit code.

    BadInput where the folder holds no study, ModuleNotFoundError where JupyterLab is not installed.
    """
    root = (folder if is_course(folder) else study_folder(folder)).resolve()
    if importlib.util.find_spec("jupyterlab") is None:
        raise ModuleNotFoundError("No module named 'jupyterlab'", name="jupyterlab")
    kernels = os.environ | {"JUPYTER_PREFER_ENV_PATH": "1"}  # the kernel of this environment, not one of the user's others
    return subprocess.run([sys.executable, "-P", "-m", "jupyterlab", str(root)], env=kernels, check=False).returncode
