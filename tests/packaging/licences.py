"""The licences of everything that a run needs: ``python -m tests.packaging.licences``.

What the installed metadata say, walked from the kit's requirements with all extras but the tests'.
"""

from __future__ import annotations

import re
from importlib.metadata import PackageNotFoundError, distribution

from packaging.requirements import Requirement

COPYLEFT = re.compile(r"\b(?:A?GPL|LGPL|EUPL|MPL|CC[ -]BY[ -]SA|General Public|Mozilla Public)", re.IGNORECASE)
ALLOWED = {
    "certifi": "MPL 2.0, a list of certificates used as it is; comes with the Jupyter server",
    "tqdm": "MPL 2.0 beside MIT, used as it is; comes with papermill",
}
"""Weak copyleft at run time, each unchanged and replaceable, with what brings it."""


def needed(name: str = "studykit", extras: tuple[str, ...] = ("report", "lab", "sheets", "stamps", "many")) -> set[str]:
    """Names of all distributions that are installed because the kit needs them."""
    seen: set[str] = set()
    waiting = [(name, extras)]
    while waiting:
        this, wanted = waiting.pop()
        for text in distribution(this).requires or []:
            need = Requirement(text)
            if need.marker is not None and not any(need.marker.evaluate({"extra": e}) for e in (*wanted, "")):
                continue
            key = re.sub(r"[-_.]+", "-", need.name).lower()
            if key not in seen and key != name and _installed(key):
                seen.add(key)
                waiting.append((key, tuple(need.extras)))
    return seen


def _installed(name: str) -> bool:
    try:
        distribution(name)
    except PackageNotFoundError:
        return False
    return True


def licence(name: str) -> str:
    """What a distribution's metadata say of its licence: the expression, else the classifiers, else the first line of text."""
    meta = distribution(name).metadata
    classified = [c.rpartition("::")[2].strip() for c in meta.get_all("Classifier") or [] if c.startswith("License")]
    text = (meta.get("License") or "").strip().splitlines()
    return meta.get("License-Expression") or "; ".join(c for c in classified if c != "OSI Approved") or (text or [""])[0][:60]


def main() -> None:
    """Print the list."""
    for name in sorted(needed()):
        told = licence(name) or "not stated in its metadata"
        print(f"{name:32} {told}" + (f"   ({ALLOWED[name]})" if name in ALLOWED else ""))


if __name__ == "__main__":
    main()
