"""manifest.json: what went into a report and came out of it, so that another machine can compare."""

from __future__ import annotations

import platform
from collections.abc import Sequence
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from studykit import __version__
from studykit.core.files import sha256_of, write_json
from studykit.study.definition import Study
from studykit.study.stages import share

if TYPE_CHECKING:  # the stage notebooks hash inputs, and must not load what runs notebooks (seconds)
    from studykit.report.run import StageRun

SCHEMA = "studykit-manifest-1"
PACKAGES = ("numpy", "scipy", "pandas", "statsmodels", "matplotlib", "seaborn", "pint", "pydantic", "papermill",
            "nbclient", "nbconvert", "ipykernel", "jupyterlab", "python-calamine", "openpyxl", "typst")
INPUTS = ("study.toml", "intake.toml", "plan", "raw", "notebooks")


def input_files(root: Path) -> tuple[Path, ...]:
    """Every file a person or a laboratory put into the study, in a fixed order."""
    found: list[Path] = []
    for name in INPUTS:
        path = root / name
        if path.is_file():
            found.append(path)
        elif path.is_dir():
            found += [p for p in path.rglob("*") if p.is_file() and not _noise(p.relative_to(root))]
    return tuple(sorted(found))


def _noise(relative: Path) -> bool:
    return any(part.startswith(".") or part in ("__pycache__", "sheets", "pages", "pages.part") for part in relative.parts)


def hashes(root: Path, files: Sequence[Path]) -> dict[str, dict[str, Any]]:
    """SHA-256 and size (bytes) of files, by their path in the study."""
    return {p.relative_to(root).as_posix(): {"sha256": sha256_of(p), "bytes": p.stat().st_size} for p in files}


def package_versions() -> dict[str, str]:
    """Versions of the packages that numbers and pages rest on."""
    out = {"studykit": __version__, "python": platform.python_version()}
    for name in PACKAGES:
        try:
            out[name] = version(name)
        except PackageNotFoundError:
            out[name] = "not installed"
    return out


def write_manifest(root: Path, folder: Path, study: Study, notebooks: Path, runs: Sequence[StageRun]) -> Path:
    """Write manifest.json (comparable between machines) and run.json (times) into the report folder."""
    outputs = [p for p in folder.rglob("*") if p.is_file() and p.suffix in (".csv", ".json", ".png")]
    outputs = sorted(p for p in outputs if p.name not in ("manifest.json", "run.json"))
    tidy = sorted((root / "tidy").glob("*.csv")) if (root / "tidy").is_dir() else []
    write_json(folder / "manifest.json", {
        "schema": SCHEMA,
        "study": study.title,
        "seed": study.seed,
        "alpha": study.alpha,
        "engine": {"model": "studykit.mixed.fit", "small sample": "kenward-roger"},
        "inputs": hashes(root, input_files(root)),
        "tidy": hashes(root, tidy),
        "outputs": hashes(folder, outputs),
        "notebooks": {r.stem: {"sha256": sha256_of(notebooks / f"{r.stem}.ipynb"), "own": notebooks.parent == root,
                               "parameters": {k: v for k, v in r.parameters.items() if k not in ("study", "out_dir")}}
                      for r in runs},
        "kit notebooks": {p.name: sha256_of(p) for p in sorted(share("notebooks").glob("0*.ipynb"))},
        "versions": package_versions(),
    })
    return write_json(folder / "run.json", {"seconds": {r.stem: round(r.seconds, 2) for r in runs}})


def compare_files(filed: dict[str, Any], root: Path) -> list[dict[str, Any]]:
    """One row for each input file that changed, went missing or came new since the report was filed."""
    now = hashes(root, input_files(root))
    rows = []
    for path in sorted(filed.keys() | now.keys()):
        old, new = filed.get(path), now.get(path)
        if old is None or new is None:
            what = ("absent", "new file") if old is None else ("present", "file is gone")
        elif old["sha256"] != new["sha256"]:
            what = (old["sha256"][:12], new["sha256"][:12])
        else:
            continue
        rows.append({"stage": "inputs", "what": path, "filed": what[0], "re-executed": what[1], "tolerance": 0.0})
    return rows
