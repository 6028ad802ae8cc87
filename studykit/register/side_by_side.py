"""Two studies side by side as a page and tables to keep."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from studykit.core.errors import single
from studykit.core.files import together, write_csv, write_text
from studykit.core.plainpage import bullets, frame_table, heading, page, paragraph
from studykit.core.record import significant
from studykit.plot.profiles import against_margin
from studykit.register.changes import Changes, changes
from studykit.register.drawings import figure_html, outside

if TYPE_CHECKING:
    from studykit.front import OpenStudy

TABLES = ("words", "differences", "levels")
PAGE = "compare.html"
HOW = ("A change is what the later study found less what the earlier one found, with a 95 % interval; the two studies "
       "count as independent. The intervals hold one at a time: of twenty comparisons without any change about one is "
       "expected to show one. Words are each study's own, against its own margin and with its own number of containers: "
       "a word can change though nothing in the fluid did.")
AXIS = "change of a difference, in the later margin (band: within it)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """A comparison on disk: its page, its tables and what it found."""

    page: Path
    found: Changes


def write_comparison(earlier: OpenStudy, later: OpenStudy, to: Path) -> Written:
    """Compare two studies and write compare.html, words.csv, differences.csv and levels.csv into the folder ``to``.

    BadInput where both are one folder, where they share no analyte, and where ``to`` lies inside one of them or
    cannot be written.
    """
    to = outside(to, (earlier.root, later.root), "the two studies", "write it elsewhere: studykit compare A B --to FOLDER")
    if earlier.root.resolve() == later.root.resolve():
        raise single(str(later.root), "both studies are this folder", "name two: studykit compare EARLIER LATER")
    found = changes(earlier, later)
    with together(to) as made:
        for name in TABLES:
            write_csv(made / f"{name}.csv", getattr(found, name))
        write_text(made / PAGE, _page(earlier, later, found))
    return Written(page=to / PAGE, found=found)


def _page(earlier: OpenStudy, later: OpenStudy, found: Changes) -> str:
    names = dict(zip(found.words["analyte"], found.words["name"], strict=True))
    differences, levels = (t.assign(analyte=t["analyte"].map(names)) for t in (found.differences, found.levels))
    named = [f"{s.study.title} ({s.root.name})" for s in (earlier, later)]
    return page(f"{named[0]}, then {named[1]}", [
        *map(paragraph, found.unfiled), paragraph(found.sentence),
        heading("Words"), frame_table(found.words.drop(columns="analyte")),
        heading("Change of the differences between depths"), picture(differences),
        frame_table(differences.drop(columns=["in margins", "margin low", "margin high"]), infinite=True), paragraph(HOW),
        heading("Levels, and the check fluid"),
        paragraph("A change of the check fluid, if it is the same fluid, is the laboratory's. A change of the containers' "
                  "level together with it need not be the stock's."),
        frame_table(levels, infinite=True), heading("What limits this comparison"), bullets(found.notes)])


def picture(rows: pd.DataFrame) -> str:
    """The changes (DIFFERENCES) in units of the later margin as a picture with its words; nothing where there are none."""
    if rows.empty:
        return ""
    drawn = pd.DataFrame({"analyte": rows["analyte"] + ", " + rows["pair"], "verdict": rows["reads"],
                          "ratio": rows["in margins"], "low": rows["margin low"], "high": rows["margin high"]})
    said = "; ".join(f"{r['analyte']}: {significant(r['ratio'], 2)} margins" for r in drawn.to_dict("records"))
    return figure_html(against_margin(drawn, AXIS), f"Change of each difference, in units of the later margin. {said}")
