"""The page "A first study in ten minutes" as steps: edits, saved files and commands, and how a person would do them."""

from __future__ import annotations

import re
import shlex
import shutil
from dataclasses import dataclass
from pathlib import Path

from tests.docs.reading import ROOT, blocks

PAGE = "docs/first-study.md"
EXAMPLE = ROOT / "docs/first-study"


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One block of the page: 'edit' (lines of a file), 'save' (a file), 'run' (one command), 'shown' (what it prints), 'there'
    (a file of the documentation, as it lies there)."""

    kind: str
    target: str
    text: str


def steps(page: str) -> list[Step]:
    """The blocks of the page in order, a command a step."""
    out = []
    for b in blocks({PAGE: page}):
        language, _, target = b.language.partition(" ")
        if language == "sh":
            out += [Step(kind="run", target="", text=line) for line in b.text.splitlines() if line.strip()]
        else:
            kind = "there" if target.startswith("docs/") else {"toml": "edit", "csv": "save", "text": "shown"}[language]
            out.append(Step(kind=kind, target=target, text=b.text))
    return out


def edited(file: str, lines: str) -> str:
    """The file with these lines in place of those of the same key and section; a commented line loses its mark."""
    section, out = "", file
    for line in lines.splitlines():
        if line.startswith("["):
            section = line
            if section not in out.splitlines():
                assert f"# {section}" in out.splitlines(), f"{section} is not in the file"
                out = re.sub(rf"(?m)^# {re.escape(section)}$", section, out)
        elif line.strip():
            out = _set(out, section, line)
    return out


def _set(text: str, section: str, line: str) -> str:
    """One key set within its section, at its own line where there is one, else as the section's first line."""
    rows = text.splitlines()
    first = rows.index(section) + 1 if section else 0
    last = next((i for i in range(first, len(rows)) if rows[i].startswith("[")), len(rows))
    key = line.partition("=")[0].strip()
    found = [i for i in range(first, last) if re.match(rf"(# )?{re.escape(key)} *=", rows[i])]
    if found:
        rows[found[0]] = line
    else:
        rows.insert(first, line)
    return "\n".join(rows) + "\n"


def do_edit(step: Step, study: Path) -> None:
    """Carry out an edit or a save in the study folder; intake.toml gets its entry appended."""
    path = study / step.target
    if step.kind == "save":
        path.write_text(step.text, encoding="utf-8")
    elif step.target == "intake.toml":
        path.write_text(path.read_text(encoding="utf-8") + "\n" + step.text, encoding="utf-8")
    else:
        path.write_text(edited(path.read_text(encoding="utf-8"), step.text), encoding="utf-8")


def command(step: Step, folder: Path) -> list[str] | None:
    """The arguments of a studykit command, the study's name made a path; a copy is done here and gives None."""
    words = shlex.split(step.text)
    if words[0] == "cp":
        shutil.copyfile(ROOT / words[1], folder / words[2])
        return None
    assert words[0] == "studykit", step.text
    return [str(folder / w) if w == "drums" else str(ROOT / w) if w.startswith("docs/") else w for w in words[1:]]
