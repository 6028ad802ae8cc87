"""What operating systems and file managers lay into folders that pass through them: no data, no code. Standard library only.

It may lie anywhere in a study, is never read, run or copied, and is told in one note. Under such a name nothing else is
read either, whoever chose it.
"""

from __future__ import annotations

NAMES = frozenset({
    "__macosx", ".ds_store", ".localized", ".apdisk", ".fseventsd", ".spotlight-v100", ".trashes", ".temporaryitems",
    ".documentrevisions-v100", "thumbs.db", "ehthumbs.db", "ehthumbs_vista.db", "desktop.ini", "$recycle.bin",
    "system volume information", ".directory"})
"""In small letters: macOS and its zips, Windows, and the file managers of some desktops (from memory, no source)."""


def left_by_system(name: str) -> bool:
    """Whether a file or folder of this name was left by an operating system; ``._x`` is what macOS knows of a file x."""
    return name.startswith("._") or name.casefold() in NAMES


def out_of_sight(name: str) -> bool:
    """Whether a file or folder of this name is no part of a study: hidden, left by the system, or what Python caches."""
    return name.startswith(".") or name == "__pycache__" or left_by_system(name)
