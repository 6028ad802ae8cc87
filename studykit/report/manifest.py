"""manifest.json: what went into a report and came out of it, so that another machine can compare. Standard library only.

Every file of a study folder belongs to one part: ``inputs`` (what a person or a laboratory put in), ``tidy`` (what
the intake made), ``outputs`` (the report), ``beside`` (anything else that lay there when the report was filed).
Left out: hidden files, what operating systems leave, scratch/, plan/sheets and plan/pages (made again at will), and
the records of a recheck.
"""

from __future__ import annotations

import hashlib
import json
import platform
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import cache
from importlib.metadata import PackageNotFoundError, distribution, version
from pathlib import Path
from typing import Any

from studykit import __version__
from studykit.core.hashes import WAITING, kind_of, sha256_of, walk
from studykit.core.litter import left_by_system, out_of_sight
from studykit.study.stages import HERE, share

SCHEMA = "studykit-manifest-2"
FILE = "report/manifest.json"
PACKAGES = ("numpy", "scipy", "pandas", "statsmodels", "matplotlib", "seaborn", "pillow", "pydantic", "papermill",
            "nbclient", "nbconvert", "ipykernel", "jupyterlab", "python-calamine", "openpyxl", "typst")
INPUTS = ("study.toml", "intake.toml", "plan", "raw", "notebooks")
PARTS = ("inputs", "tidy", "outputs", "beside")
UNHASHED = ("scratch", "report.part", "report.old", "recheck.json", "recheck.html", "build")
"""Names at the top of a study folder that no manifest lists."""
OWN = (".studykit.lock", ".studykit.holder.json", WAITING)
"""The kit's own files at the top of a study folder, which ``verify`` has other words for, or none."""
GIT, AS_THEY_ARE = ".gitattributes", b"* -text\n"
"""What ``new`` leaves for git, which would else rewrite line ends, and with them every hash; of no other words."""
AGAIN = ("plan/sheets", "plan/pages")
"""Folders that ``studykit plan`` makes again at will; no manifest lists them either."""
STAMPS = ("plan/plan.lock.tsr", "report/manifest.json.tsr")
"""Time stamps, which may come after the filing: they prove themselves and are not hashed."""


def part_of(relative: Path) -> str:
    """Which part of the manifest a file of the study belongs to; '' for none."""
    first, parts = relative.parts[0], relative.parts
    if any(map(out_of_sight, parts)) or first in UNHASHED:
        return ""
    if relative.as_posix() in (FILE, *STAMPS):
        return ""
    if relative.as_posix().startswith(tuple(f"{n}/" for n in AGAIN)) or parts[:2] == ("plan", "pages.part"):
        return ""
    return "inputs" if first in INPUTS else {"tidy": "tidy", "report": "outputs"}.get(first, "beside")


def unlisted(root: Path) -> tuple[str, ...]:
    """What lies in a study folder that no manifest lists and a reader might take for part of it; the kit's own left out."""
    top = [n for n in (*UNHASHED, *AGAIN) if kind_of(root / n)]
    hidden = (p.relative_to(root).as_posix() for p in _unseen(root) if not left_by_system(p.name))
    return (*top, *(h for h in hidden if h not in OWN and not (h == GIT and _is_for_git(root / GIT))))


def litter(root: Path) -> tuple[str, ...]:
    """What an operating system left in a study folder; no manifest lists it, and nothing reads it."""
    return tuple(p.relative_to(root).as_posix() for p in _unseen(root) if left_by_system(p.name))


def _unseen(root: Path) -> Iterator[Path]:
    return (p for p, _ in walk(root, shut=out_of_sight) if out_of_sight(p.name))


def _is_for_git(path: Path) -> bool:
    """Whether it is the file that ``new`` writes for git."""
    return kind_of(path) == "file" and path.stat().st_size == len(AS_THEY_ARE) and path.read_bytes() == AS_THEY_ARE


def files_of(root: Path) -> dict[str, tuple[Path, ...]]:
    """The ordinary files of a study folder by part, each in the order of names; links and devices are not followed."""
    found: dict[str, list[Path]] = {p: [] for p in PARTS}
    for path, kind in walk(root, shut=out_of_sight) if root.is_dir() else ():
        if kind == "file" and (part := part_of(path.relative_to(root))):
            found[part].append(path)
    return {p: tuple(sorted(files)) for p, files in found.items()}


def input_files(root: Path) -> tuple[Path, ...]:
    """Every file a person or a laboratory put into the study, in a fixed order."""
    return files_of(root)["inputs"]


def hashes(root: Path, files: Iterable[Path]) -> dict[str, dict[str, Any]]:
    """SHA-256 and size (bytes) of files, by their path in the study."""
    return {p.relative_to(root).as_posix(): {"sha256": sha256_of(p), "bytes": p.stat().st_size} for p in files}


def package_versions() -> dict[str, str]:
    """Versions of the packages that numbers and pages rest on, and the machine's kind."""
    out = {"studykit": __version__, "python": platform.python_version(),
           "machine": f"{platform.system()} {platform.machine()}"}
    for name in PACKAGES:
        try:
            out[name] = _version(name)
        except PackageNotFoundError:
            out[name] = "not installed"
    return out


def _version(name: str) -> str:
    """As ``importlib.metadata.version``, which reads the whole description too and takes several times as long."""
    head = (distribution(name).read_text("METADATA") or "").partition("\n\n")[0]
    found = re.search(r"(?mi)^Version:(.+)$", head)
    return found[1].strip() if found else version(name)


@cache
def kit_identity() -> dict[str, str]:
    """The kit's own code: version, one SHA-256 over its modules, templates and notebooks, and the commit if known."""
    files = [p for p in HERE.rglob("*") if p.suffix in (".py", ".j2", ".css", ".typ", ".toml") and p.is_file()
             and "share" not in p.relative_to(HERE).parts]
    lines = [f"{sha256_of(p)}  {p.relative_to(HERE).as_posix()}" for p in files]
    lines += [f"{sha256_of(p)}  notebooks/{p.name}" for p in share("notebooks").glob("0*.ipynb")]
    return {"version": __version__, "code": hashlib.sha256("\n".join(sorted(lines)).encode()).hexdigest(),
            "commit": _commit()}


def _commit() -> str:
    """The commit the kit was installed from, '' where that is not known."""
    try:
        source = json.loads(distribution("studykit").read_text("direct_url.json") or "{}")
    except (PackageNotFoundError, ValueError):
        source = {}
    known = str(source.get("vcs_info", {}).get("commit_id", ""))
    head = HERE.parent / ".git/HEAD"
    if known or not head.is_file():
        return known
    text = head.read_text(encoding="utf-8").strip()
    branch = HERE.parent / ".git" / text.removeprefix("ref: ")
    return branch.read_text(encoding="utf-8").strip() if text.startswith("ref: ") and branch.is_file() else text[:40]


def stage_entry(notebook: Path, own: bool, parameters: Mapping[str, Any]) -> dict[str, Any]:
    """What the manifest says of one notebook that was run; the two folders are left out of its parameters."""
    return {"sha256": sha256_of(notebook), "own": own,
            "parameters": {k: v for k, v in parameters.items() if k not in ("study", "out_dir")}}


def manifest_of(root: Path, report: Path, study: Mapping[str, Any], notebooks: Mapping[str, Any],
                taken: Sequence[str] = ()) -> dict[str, Any]:
    """The manifest of a finished report that lies in ``report`` and will be ``root/report``.

    ``study``: title, seed and alpha; ``notebooks``: one ``stage_entry`` a stage; ``taken``: stages that did not run, as
    nothing that they read had changed since the report before.
    """
    parts = files_of(root)
    outputs = sorted(p for p, kind in walk(report) if kind == "file" and p.name != "manifest.json")
    return {
        "schema": SCHEMA, **study,
        "engine": {"model": "studykit.mixed.fit", "small sample": "kenward-roger"},
        "inputs": hashes(root, parts["inputs"]), "tidy": hashes(root, parts["tidy"]),
        "outputs": {f"report/{k}": v for k, v in hashes(report, outputs).items()},
        "beside": hashes(root, parts["beside"]),
        "notebooks": dict(notebooks), "taken from the report before": list(taken),
        "kit": kit_identity(),
        "versions": package_versions(),
    }


def canonical(data: Any) -> str:
    """JSON as the kit writes it: sorted keys, two blanks, one line end at the end."""
    return json.dumps(data, indent=2, sort_keys=True, ensure_ascii=False, allow_nan=False) + "\n"
