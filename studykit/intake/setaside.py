"""Names that the mapping sets to "" and that say something about the results of their sample: 'Sample valid', 'Dilution'.

They stand among the analytes, as lines or as columns, and are judged as columns with the same words are (`overlooked`).
"""

from __future__ import annotations

import numpy as np

from studykit.core.numbertext import tidy_text
from studykit.intake.columns import Table, Texts
from studykit.intake.headwords import symbol_of
from studykit.intake.mapping import FileMapping
from studykit.intake.overlooked import a_factor, judged, says_doubt
from studykit.intake.unitwords import unit_or_nothing

MOST = 200
"""Of so many names that are not used each is looked at."""


def aside_doubts(cells: Table, mapping: FileMapping) -> dict[int, str]:
    """Determinations (positions) in doubt by what stands under a name that is not used, with what it says.

    In a wide table it speaks of its line, else of its sample; a name that begins with that of an analyte, of this alone.
    """
    names = [tidy_text(n) for n in cells["name"].words]
    unused = [k for k, n in enumerate(names) if (t := mapping.target(n)) is not None and not t.analyte]
    gone = np.isin(cells["name"].codes, unused)
    if not gone.any():
        return {}
    whose = cells["line"] if mapping.layout == "wide" else cells["sample"].codes
    out: dict[int, str] = {}
    for k in unused[:MOST]:
        at = np.flatnonzero(cells["name"].codes == k)
        if len(at):
            about = _about(names[k], names, cells["name"].codes, unused) & ~gone
            told = _told(names[k], cells, at, whose, about)
            for i in np.flatnonzero(about & np.isin(whose, list(told))).tolist() if told else ():
                out.setdefault(i, f"its sample says {told[int(whose[i])][:60]!r} under {names[k]!r}, which is not used")
    return out


def _about(name: str, names: list[str], codes: np.ndarray, unused: list[int]) -> np.ndarray:
    """Which determinations a name may speak of: those of the analyte that it begins with ('Si flag'), else all."""
    words = name.replace("_", " ").replace("-", " ").split()
    own = [k for k, n in enumerate(names) if k not in unused and n and words[:len(n.split())] == n.split()]
    return np.isin(codes, own) if own else np.ones(len(codes), dtype=bool)


def _told(name: str, cells: Table, at: np.ndarray, whose: np.ndarray, about: np.ndarray) -> dict[int, str]:
    """What stands under a name, by whose it is, where that is a doubt; who has no such line counts as blank."""
    column = cells["text"].at(at)
    if (shown := cells["shown"].at(at)).flags(bool).any():
        column = Texts.of(b or a for a, b in zip(column.tolist(), shown.tolist(), strict=True))
    lacking = np.setdiff1d(whose[about], whose[at])
    blank = np.full(len(lacking), len(column.words), dtype=np.int32)
    column = Texts(np.concatenate([column.codes, blank]), [*column.words, ""])
    column = column.renamed([w.strip() for w in column.words])
    owners = np.concatenate([whose[at], lacking])
    counts = np.bincount(column.codes, minlength=len(column.words))
    strange, few = set[int](), set[int]()
    if a_factor(name) or not (symbol_of(name) or _measured(cells["unit"].at(at))):  # else it is another analyte
        strange, _, few = judged(name, column, counts)
    doubted = [n for n in np.flatnonzero(counts).tolist() if n in strange or says_doubt(column.words[n], n in few)]
    hit = np.isin(column.codes, doubted)
    return {owner: column.words[n].strip() for owner, n in zip(owners[hit].tolist(), column.codes[hit].tolist(), strict=True)}


def _measured(units: Texts) -> bool:
    return any(unit_or_nothing(tidy_text(u)) for u in units.distinct())
