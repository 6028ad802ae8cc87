"""What no study says of itself and the register needs: fluid, package and laboratory of each, from ``register.toml``.

    [all]                          # of every study that says nothing else
    laboratory = "works laboratory"
    [studies."north/drums-2025"]   # the study's folder, as the register lists it
    fluid = "gear oil, grade 220"
    package = "drum 200 L"

Nothing is guessed: what is not written is not told, and a study without a fluid is put together with no other. Without a
package the names that the study itself gave to its vessels stand.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from studykit.core.errors import BadInput, Fault
from studykit.core.files import line_of_key, read_toml
from studykit.core.hashes import kind_of

FILE = "register.toml"
KEYS = ("fluid", "package", "laboratory")
LONGEST = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Named:
    """What a person wrote of all studies and of each, by its folder."""

    everywhere: Mapping[str, str]
    studies: Mapping[str, Mapping[str, str]]

    def of(self, study: str, vessels: Collection[str] = ()) -> dict[str, str]:
        """Fluid, package and laboratory of a study, '' where nobody wrote it; without a package its vessels."""
        told = {**dict.fromkeys(KEYS, ""), **self.everywhere, **self.studies.get(study, {})}
        return told | {"package": told["package"] or ", ".join(sorted(vessels))}


def read_names(folder: Path, studies: Collection[str]) -> Named:
    """``register.toml`` of a folder of studies; empty where there is none; BadInput lists every fault in it.

    ``studies``: those that are in the register, or were.
    """
    path = folder / FILE
    if not (kind := kind_of(path)):
        return Named(everywhere={}, studies={})
    if kind != "file":
        raise BadInput([Fault(file=FILE, reason=f"is a {kind}, not an ordinary file", remedy="write an ordinary file")])
    data, text = read_toml(path, "write it, or remove it")
    faults = [Fault(file=FILE, column=k, row=line_of_key(text, (k,)), reason="this key is not known here",
                    remedy="write [all] and [studies.\"FOLDER\"]") for k in data if k not in ("all", "studies")]
    own = data.get("studies", {})
    parts = {"all": data.get("all", {}), **({f"studies.{s}": v for s, v in own.items()} if isinstance(own, dict) else {})}
    if not isinstance(own, dict):
        faults.append(Fault(file=FILE, column="studies", reason="is no table", remedy="write [studies.\"FOLDER\"]"))
    for where, part in parts.items():
        faults += _faults(where, part, text)
    faults += [Fault(file=FILE, column=f"studies.{s}", row=line_of_key(text, ("studies", s)), value=s,
                     reason="no such study is in the register", remedy="write its folder as studies.csv lists it")
               for s in (own if isinstance(own, dict) else {}) if s not in studies]
    if faults:
        raise BadInput(faults, title="What is said of the studies has faults")
    return Named(everywhere=parts["all"], studies=own)


def _faults(where: str, part: Any, text: str) -> list[Fault]:
    if not isinstance(part, dict):
        return [Fault(file=FILE, column=where, reason="is no table", remedy=f"write [{where}] and its keys below")]
    out = []
    for key, value in part.items():
        at = line_of_key(text, (*where.split(".", 1), key))
        if key not in KEYS:
            out.append(Fault(file=FILE, column=f"{where}.{key}", row=at, reason="this key is not known here",
                             remedy=f"write one of {', '.join(KEYS)}"))
        elif not isinstance(value, str) or not value.strip() or len(value) > LONGEST:
            out.append(Fault(file=FILE, column=f"{where}.{key}", row=at, value=str(value)[:40],
                             reason=f"must be a text of at most {LONGEST} signs", remedy="write it in quotation marks"))
    return out
