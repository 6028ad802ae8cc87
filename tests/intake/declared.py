"""What a dishonest sender may write into the inputs that a recheck trusts, each with what the kit answers.

Made by someone who knew the promise of docs/recheck.md alone. Cases of ``TOLD`` are refused, asked about or counted; those
of ``UNNAMED`` still pass without a word, and docs/recheck.md says so in the words beside them.
"""

from __future__ import annotations

import contextlib
import io
import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

from studykit.commands.cli import main
from studykit.core.files import write_text
from studykit.study.seal import LOCK, seal_of

RAW, STUDY, INTAKE = "raw/tote_2026-10-06.csv", "study.toml", "intake.toml"
Change = Callable[[Path], Any]


def edit(name: str, old: str, new: str) -> Change:
    """Change one text of a file, which must be there."""
    def change(study: Path) -> None:
        text = (study / name).read_text(encoding="utf-8")
        assert old in text, (name, old)
        (study / name).write_text(text.replace(old, new, 1), encoding="utf-8")

    return change


def more(text: str) -> Change:
    """Write more into intake.toml."""
    return lambda study: (study / INTAKE).write_text((study / INTAKE).read_text(encoding="utf-8") + text, encoding="utf-8")


def label(old: str, new: str) -> Change:
    """Give an analyte another label."""
    return edit(STUDY, f'label = "{old}"', f'label = "{new}"')


def locked(**changes: object) -> Change:
    """Lock before the results are there, then change the entry and make its seal anew."""
    def change(study: Path) -> None:
        kept = (study / RAW).read_bytes()
        (study / RAW).unlink()
        assert answer("lock", study)[0] == 0
        (study / RAW).write_bytes(kept)
        lock = json.loads((study / LOCK).read_text(encoding="utf-8"))
        (entry,) = lock["entries"]
        entry.update(changes)
        entry["seal"] = lock["last_seal"] = seal_of(entry, "")
        (study / LOCK).write_text(json.dumps(lock), encoding="utf-8")

    return change


def answer(command: str, study: Path) -> tuple[int, str]:
    """Exit code of a command, and what it said; of an intake also the rules that it counted."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
        code = main([command, str(study)])
    told = [study / "tidy" / n for n in ("rules.csv", "files.csv")] if command == "intake" else []
    files = [re.sub(r",[0-9a-f]{64},,", ",", p.read_text(encoding="utf-8")) for p in told if p.exists()]
    return code, out.getvalue() + "".join(files)


def said(honest: Path, place: Path, case: tuple[Change, str]) -> tuple[int, str]:
    """What the kit answers to one change of a copy of the honest study."""
    study = Path(shutil.copytree(honest, place / "study"))
    case[0](study)
    return answer(case[1], study)


PRECISION = ('margin_reason = "tolerance of the blender for the antiwear additive"\n'
             'repeatability = { r_percent = 0.1, source = "ASTM D5185-18, precision tables" }')
TOLD: dict[str, tuple[Change, str, int, str]] = {
    "a label turned round": (label("zinc", "zinc \u202esuoenegomoh"), "check", 2, "turns the direction of the text"),
    "a label that isolates": (label("zinc", "zinc \u2066x\u2069"), "check", 2, "turns the direction of the text"),
    "a label that nobody sees": (label("zinc", "\u3164"), "check", 2, "nobody sees"),
    "two analytes of one label": (label("phosphorus", "calcium"), "check", 2, "reads like the label of Ca"),
    "the same in Cyrillic": (label("phosphorus", "c\u0430lcium"), "check", 2, "reads like the label of Ca"),
    "a verdict for a label": (label("zinc", "Homogeneous"), "check", 2, "a word of the kit's own answer"),
    "a verdict within a label": (label("zinc", "zinc. Homogeneous: all"), "check", 2, "a word of the kit's own answer"),
    "a number called not measured": (more('\n[file.words]\n"690" = "not measured"\n'), "intake", 2, "'690'"),
    **{f"{word!r} called not measured": (more(f'\n[file.words]\n"{word}" = "not measured"\n'), "intake", 2, repr(word))
       for word in ("9.8*", "690 r", "R 690", "ca. 9,8", "(690)", "9.8 invalid", "see 9.8", "<LOD", "<10 U", "690 \u00b9)")},
    "a mark that makes limits": (lambda s: (edit(RAW, "690", "690 U")(s), more('\n[file.words]\nU = "below limit"\n')(s)),
                                 "intake", 0, "mark 'U' behind a number read as below limit, as the mapping says"),
    "a marked number that is a limit": (lambda s: (edit(RAW, "690", "690*")(s), more(
        '\n[file.words]\n"690*" = "below limit"\n')(s)), "intake", 0, "'690*' read as below limit, as the mapping says"),
    "a number called a limit": (more('\n[file.words]\n"9.8" = "below limit"\n'), "intake", 2, "'9.8'"),
    "analytes exchanged": (more('\n[file.analytes]\nSi = "Zn"\nZn = "Si"\n'), "intake", 2, "2 faults"),
    "one for another, with a reason": (more('\n[file.analytes]\nZn = { analyte = "Si", reason = "laboratory" }\nSi = ""\n'),
                                       "intake", 0, "read as Si, as the mapping says: laboratory"),
    "everything confirmed": (more('\n[file.confirmed]\n"*" = "checked"\n'), "intake", 0, "confirmed as it stands, '*'"),
    "a footer that cuts the table": (edit(INTAKE, "layout =", 'footer = "0299"\nlayout ='), "intake", 8, "0299"),
    "a unit that is a lie": (more('\n[file.unit_words]\n"mg/kg" = "% m/m"\n'), "intake", 8, "another unit or decimal"),
    "a number turned round": (edit(RAW, "690", "\u202e096\u202c"), "intake", 8, "is not a number"),
    "a quote that swallows a row": (lambda s: (edit(RAW, "0299,2,", '"0299,2,')(s), edit(RAW, "520,3.2", '520,3.2"')(s)),
                                    "intake", 2, "a quote opened in"),
    "a label with a space of no width": (label("zinc", "zi\u200bnc"), "check", 2, "nobody sees"),
    "a label of 100 accents": (label("zinc", "zinc" + "\u0300" * 100), "check", 2, "accents on one letter"),
    "a title turned round": (edit(STUDY, 'title = "One', 'title = "\u202eOne'), "check", 2, "turns the direction"),
    "a title that is the answer": (edit(STUDY, 'title = "One', 'title = "Homogeneous: all. One'), "check", 2,
                                   "as the kit's own answer does"),
    "a title of 20 000 letters": (edit(STUDY, 'title = "One', f'title = "{"Very long. " * 2000}One'), "check", 2,
                                  "more than 200 characters"),
    "a note turned round": (edit("plan/samples.csv", "slightly hazy,", "slightly hazy,\u202ex"), "check", 2,
                            "turns the direction"),
    "a precision over the published one": (edit(STUDY, 'margin_reason = "tolerance of the blender for the antiwear additive"',
                                                PRECISION), "check", 0, "publishes 10 %: 104 times as much"),
    "results under a name that is skipped": (lambda s: shutil.copy(s / RAW, s / "raw/README.md"), "intake", 2,
                                             "is a README, which is never read, and speaks of a sample"),
    "a notebook of another kernel": (lambda s: write_text(s / "notebooks/06-verdict.ipynb", '{"cells": [], "metadata": {'
                                                          '"kernelspec": {"name": "evil"}}}'), "check", 2, "06-verdict.ipynb"),
    "a module beside the notebooks": (lambda s: write_text(s / "notebooks/pandas.py", ""), "check", 0, "notebooks/pandas.py"),
    "a day of the lock to come": (locked(date="9999-12-31"), "check", 0, "a day that has not come"),
    "a truth value in words": (locked(results_there="no"), "check", 2, "'no' for results_there"),
    "a key of one's own in the lock": (locked(witness="the notary"), "check", 2, "'witness', which no entry has"),
    **{f"a lock of {day!r}": (locked(date=day), "check", 2, "which is no day")
       for day in ("2026-02-30", "long ago", "20260101", "1 September 2026, certified by a notary")}}
"""Change, command, exit code, and words that it says (or a rule that it counts)."""
UNNAMED: dict[str, tuple[Change, str, str]] = {
    "an older day of the lock": (locked(date="2026-01-01"), "check", "not a lock that was made anew with an older date"),
}
"""Change, command, and words of docs/recheck.md that say it."""
