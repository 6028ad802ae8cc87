"""The register of a folder of studies on disk: its page, its tables, and the index from which the next run goes on."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from studykit.core.errors import single
from studykit.core.files import together, write_csv, write_text
from studykit.core.plainpage import bullets, frame_table, heading, page, paragraph, table
from studykit.register.drift import DRIFT, Drift, drift
from studykit.register.entry import CHANGED, COPY, EMPTY, FILED, GONE, UNFILED, UNREADABLE
from studykit.register.forest import forest
from studykit.register.index import INDEX, Register, Say, build, index_text
from studykit.register.listing import analytes_table, studies_table
from studykit.register.naming import Named, read_names
from studykit.register.scatter import offer, repeatability
from studykit.register.together import Together
from studykit.register.together import together as put_together

PAGE, OFFER = "register.html", "for-the-next-study.toml"
TABLES = ("studies", "analytes", "repeatability")
ORDER = (FILED, CHANGED, UNFILED, EMPTY, COPY, UNREADABLE, GONE)
"""States in the order in which they are counted."""
WORDS = ("Words of a study as it was filed are those of its report; nothing was re-executed, and a sender who corrects the "
         "hashes too is not found out here: studykit recheck STUDY. Words of others are worked out from what lies there now.")

SCATTER = ["laboratory", "method", "analyte", "of", "studies", "df", "s", "low", "high", "unit", "told"]
MOST = 40
"""Reasons that the page lists; apart.csv has all."""
POOLS = ("The lowest depth against the uppermost in each container, studies and containers random; 95 % intervals, the "
         "wider of one with a single scatter of containers and one that leaves each study its own. pooled.csv has both, and "
         "forest.csv the studies. The mean speaks of studies like these: one done because something looked wrong is not like "
         "others.")
DRIFTS = ("Each reading less its reference value, against the day of its study (years.csv has them study by study); only "
          "where the studies give a reference value with its uncertainty. The intervals hold one at a time. studykit controls "
          "draws the readings of studies that are named.")
SCATTERS = ("All columns: repeatability.csv. Sums of squares within studies, added; low and high are 95 % limits by "
            "chi-square. Not pooled where the studies "
            "do not scatter alike at 1 %, or nobody wrote of which laboratory they are. for-the-next-study.toml has them as "
            "sections of study.toml, each with its source, for the next design.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """A register on disk: its page and tables, and what it found."""

    page: Path
    register: Register
    studies: pd.DataFrame
    analytes: pd.DataFrame
    repeatability: pd.DataFrame
    together: Together
    drift: Drift

    @property
    def counts(self) -> dict[str, int]:
        """How many studies are in each state."""
        found = Counter(self.studies["state"])
        return {state: found[state] for state in ORDER if found[state]}

    @property
    def sentence(self) -> str:
        """How many studies there are, and how many in each state."""
        return f"Studies: {len(self.studies)} ({', '.join(f'{n} {state}' for state, n in self.counts.items())})."

    @property
    def lacking(self) -> tuple[str, ...]:
        """Studies that could not be read or are gone, with the reason."""
        bad = self.studies[self.studies["state"].isin([UNREADABLE, GONE])]
        return tuple(f"{r['study']}: {r['state']}: {r['told']}" for r in bad.to_dict("records"))

    @property
    def altered(self) -> tuple[str, ...]:
        """Studies whose folder is no longer what their report was filed from."""
        bad = self.studies[self.studies["state"] == CHANGED]
        return tuple(f"{r['study']}: {r['told']}" for r in bad.to_dict("records"))


def write_register(folder: Path, to: Path, *, fresh: bool = False, forget: Collection[str] = (), workers: int = 1,
                   say: Say = lambda _: None) -> Written:
    """Write or refresh the register of the studies below ``folder`` in the folder ``to``; nothing else is changed.

    Studies that cannot be read, are gone or are copies stand in it with their reason and keep none of the others out.
    BadInput as of ``build`` and ``read_names``, and where ``to`` lies in a study or cannot be written.
    """
    folder, to = Path(folder), Path(to)
    _apart(folder, to)
    register = build(folder, to, fresh=fresh, forget=forget, workers=workers, say=say)
    names = read_names(folder, {e.study for e in register.entries} | set(forget))
    made = _made(to / PAGE, register, names)
    with together(to) as part:
        write_text(part / INDEX, index_text(register))
        for name in TABLES:
            write_csv(part / f"{name}.csv", getattr(made, name))
        for name in ("pooled", "forest", "apart"):
            write_csv(part / f"{name}.csv", getattr(made.together, name))
        write_csv(part / "drift.csv", made.drift.rates)
        write_csv(part / "years.csv", made.drift.years)
        write_text(part / OFFER, offer(made.repeatability, register.entries))
        write_text(part / PAGE, _page(folder, made))
    return made


def _made(place: Path, register: Register, names: Named) -> Written:
    return Written(page=place, register=register, studies=studies_table(register, names),
                   analytes=analytes_table(register, names), repeatability=repeatability(register.entries, names),
                   together=put_together(register.entries, names), drift=drift(register.entries, names))


def _apart(folder: Path, to: Path) -> None:
    """BadInput where the register would lie in a study, or take the place of the folder of studies itself."""
    if to.resolve() == folder.resolve():
        raise single(str(to), "is the folder of the studies itself", "write the register elsewhere: --to FOLDER")
    inside = next((p for p in (to.resolve(), *to.resolve().parents) if (p / "study.toml").exists()), None)
    if inside is not None:
        raise single(str(to), f"lies inside the study {inside.name}", "write the register elsewhere: --to FOLDER")


# -- the page ------------------------------------------------------------------------------------------------------


def _page(folder: Path, made: Written) -> str:
    return page(f"Studies in {folder.resolve().name}", [
        paragraph(made.sentence), *_attention(made), heading("Each study"), _each(made),
        paragraph(WORDS), heading("Differences, studies combined"), *_together(made.together), paragraph(POOLS),
        heading("Own repeatability, pooled over studies"), frame_table(made.repeatability[SCATTER]),
        paragraph(SCATTERS), heading("The check fluid over the years"), frame_table(made.drift.rates[DRIFT]),
        paragraph(DRIFTS),
        paragraph("All columns, and each analyte with its margin, differences and intervals: studies.csv and "
                                    "analytes.csv beside this page.")])


def _together(found: Together) -> list[str]:
    """A forest for each pooled mean with what limits it, then what stands by itself."""
    out = []
    for mean in found.pooled.to_dict("records"):
        same = found.forest["group"] == mean["group"]
        out += [forest(found.forest[same], mean), *([paragraph(f"Of these: {mean['told']}.")] if mean["told"] else [])]
    reasons = Counter(zip(found.apart["analyte"], found.apart["why"], strict=True))
    told = [f"{analyte}, {n} of the studies: {why}" for (analyte, why), n in reasons.most_common(MOST)]
    return [*out, *([paragraph("Not combined (each study in apart.csv):"), bullets(told)] if told else [])]


def _attention(made: Written) -> list[str]:
    """What somebody has to look at, above all else."""
    told = [*made.lacking, *made.altered, *(f"{r['study']}: {r['told']}" for r in made.studies.to_dict("records")
                                             if r["state"] == COPY), *made.register.notes]
    return [heading("To be looked at"), bullets(told)] if told else []


def _each(made: Written) -> str:
    """A line a study with the words of its analytes."""
    words = {str(s): "; ".join(f"{r['name']} {r['word']}" for r in own.to_dict("records"))
             for s, own in made.analytes.groupby("study", sort=False)}
    rows = [(r["study"], r["date"], r["state"], words.get(r["study"], ""), r["fluid"], r["package"], r["laboratory"], r["lots"],
             r["seal"]) for r in made.studies.to_dict("records")]
    return table(rows, ("study", "date", "state", "words", "fluid", "package", "laboratory", "lots", "seal"))
