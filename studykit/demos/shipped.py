"""The demo studies that come with the kit: their names, and a working copy of one."""

from __future__ import annotations

from pathlib import Path

from studykit.core.errors import BadInput, Fault, single
from studykit.report.manifest import AS_THEY_ARE, GIT
from studykit.study.stages import share

#: Name of the demo folder -> what it shows, in one line.
DEMOS: dict[str, str] = {
    "ropeway": "gear oil in 24 pails, two stores: the antifoam settles, most does not, one margin cannot be decided",
    "tote": "one tote, three bottles: what one container can and cannot tell",
    "forge": "graphite in water, plainly layered: mass weighting, age, and what tumbling restores",
    "slip": "white slip in drums at four ages: it settles as Stokes' law predicts, the dissolved borax does not",
    "beacon": "chain oil in 12 kegs, upright and lying, each drawn again at four visits: rates, and a date on a keg",
}


def demo_folder(name: str) -> Path:
    """The folder of a demo in the checkout or in the installed kit; BadInput for an unknown name."""
    if name not in DEMOS:
        raise single("demo", "there is no demo of this name", "known are " + ", ".join(DEMOS), value=name)
    return share("demo_data") / name


TELLS = ("README.md", "truth.json")
"""Files of a demo that tell what was put in."""


def copy_demo(name: str, dest: Path | str, *, untold: bool = False) -> Path:
    """Copy a demo study into ``dest`` and return that folder; ``untold`` leaves out what tells the truth and the faults.

    A file for git keeps it from rewriting line ends, by which every file would differ from its manifest.

    A folder that already holds this demo unchanged is kept as it is, with whatever was made in
    it. BadInput where ``dest`` holds anything else: nothing there is overwritten.
    """
    from studykit.core.files import copy_in, together, write_bytes  # the list of demos needs no tables

    source, folder = demo_folder(name), Path(dest)
    files = [p for p in sorted(source.rglob("*")) if p.is_file() and not (untold and p.name in TELLS)]
    if untold and (told := [folder / n for n in TELLS if (folder / n).exists()]):
        raise BadInput([Fault(file=str(p), reason="lies there already and tells the truth",
                              remedy="name another folder with --to") for p in told])
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        _refuse_other(name, source, files, folder)
        return folder
    with together(folder) as made:
        copy_in(source, made, TELLS if untold else ())
        write_bytes(made / GIT, AS_THEY_ARE)
    return folder


def _refuse_other(name: str, source: Path, files: list[Path], folder: Path) -> None:
    """BadInput naming every file by which the folder differs from the demo."""
    faults = []
    for path in files:
        own = folder / path.relative_to(source)
        if not own.is_file() or own.read_bytes() != path.read_bytes():
            reason = "differs from the demo's" if own.is_file() else "is missing"
            faults.append(Fault(file=str(own), reason=reason, remedy="name another folder with --to"))
    if faults:
        raise BadInput(faults, title=f"{folder} holds something else than the demo {name!r}; nothing was changed")
