"""Several files of a study changed at once, all or none, whenever the process is killed.

The new files are written beside the study, into a folder that is then renamed: from that moment the change is made, and
whoever opens the study next on that machine puts the files in their places. A kill before it leaves the study as it
was. A change that waits in a study from elsewhere is refused: nobody who opens it has asked for it.
"""

from __future__ import annotations

import contextlib
import os
import platform
import shutil
from collections.abc import Mapping
from pathlib import Path

from studykit.core.errors import single
from studykit.core.files import inside, plain_os_errors, write_bytes
from studykit.core.hashes import WAITING as WAITING

MADE_ON = "made-on.txt"
PLACES = ("study.toml", "plan")
"""What a change may touch: a folder of that name in a study that was received moves nothing else."""


def change_files(root: Path, files: Mapping[str, bytes]) -> None:
    """Write several files of a study folder, all or none. Only study.toml and files under plan/."""
    waiting, part = root / WAITING, root / f"{WAITING}.part"
    if wrong := [name for name in files if Path(name).parts[0] not in PLACES]:
        raise ValueError(f"files must be study.toml or lie under plan/, but got {', '.join(wrong)}")
    shutil.rmtree(part, ignore_errors=True)
    for name, data in files.items():
        write_bytes(inside(part, name), data)
    write_bytes(part / MADE_ON, platform.node().encode())
    os.replace(part, waiting)
    finish_change(root)


def finish_change(root: Path) -> None:
    """Put the files of a change that a kill stopped in their places; nothing to do where there is none.

    BadInput where the change was not made on this machine.
    """
    waiting = root / WAITING
    if waiting.is_symlink() or not waiting.is_dir():
        return
    mark = waiting / MADE_ON
    if mark.is_symlink() or not mark.is_file() or mark.read_bytes()[:1000] != platform.node().encode():
        raise single(WAITING, "holds a change of the study that was not made on this machine",
                     "ask whoever sent it; delete the folder to read the study without the change")
    for path in sorted(p for p in waiting.rglob("*") if p.is_file() and not p.is_symlink()):
        name = path.relative_to(waiting)
        if name.parts[0] not in PLACES:
            continue
        target = inside(root, str(name))
        with plain_os_errors(target), contextlib.suppress(FileNotFoundError):  # another reader may be finishing it too
            target.parent.mkdir(parents=True, exist_ok=True)
            os.replace(path, target)
    part = root / f"{WAITING}.part"
    shutil.rmtree(part, ignore_errors=True)
    with contextlib.suppress(FileNotFoundError):
        os.replace(waiting, part)  # at once: without its mark, what is left would be taken for a change from elsewhere
    shutil.rmtree(part, ignore_errors=True)
