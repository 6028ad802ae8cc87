"""Lesson 3: the margin before the data. A lock that shows what was changed, and what a margin chosen afterwards costs."""

from __future__ import annotations

import re
import tempfile
from difflib import SequenceMatcher
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from scipy import stats

from studykit.core.errors import BadInput, single
from studykit.course.drawing import lines as curves
from studykit.course.replies import Check, Counted, Reply, counted, lesson, no, number, parts_of, word, yes
from studykit.course.worlds import Drawn, chance_errors, seed_of
from studykit.demos import copy_demo
from studykit.study import load_study
from studykit.study.lock import lock_folder, lock_status
from studykit.study.seal import LOCK

WORLDS, KEGS, SCATTER, MARGIN = 2000, 8, 4.0, 5.0
OUTCOME = re.compile(r"homogeneous|inconclusive|stratified|verdict|\boutcome|confidence|\binterval\b|significan|"
                     r"standard deviation|\bour (?:data|results?|samples?|readings?|bottles?)\b|\bthe data\b(?! sheets?)|"
                     r"(?:^|\b(?:the|these|those|this) )results? (?:look|show|say|are|is|was|were|came|come)|"
                     r"laboratory(?:'s \w+)? (?:measured|found|read|reported|says|said)|\bwe (?:measured|found|saw|got)\b|"
                     r"(?:phosphorus|P|it|they|we|stock|tote|fluid) (?:did not|didn't|does not|cannot|would not) pass\b", re.I)
"""Words by which a reason names what came out of this study; own choice, English only: a person has to read reasons."""
HINT = ("a standard, a data sheet, a contract, a wear test, with what it says",
        "what allows the wider margin, and where that is written", "your reason", "the reason", "five per cent was strict")
"""What the lesson itself says of reasons: copied out it is none."""
QUESTIONS = ("Does it name what others can look up: a document with its clause, a letter with its day, an experiment?",
             "Does it say that the wider margin does no harm, and not only that somebody wants it?",
             "Would it stand word for word, had this study come out otherwise?",
             "Does it say since when that is so, and why the plan did not know it?")
FEWEST_WORDS = 4
"""How many different words a reason has at least."""
_said: dict[str, str] = {}
drawn = Drawn()
NOBODY = ("A program cannot read a reason. It has looked only for empty words, for the lesson's own, and for words that name "
          "what came out of this study: mark it yourself below, then let somebody read it who does not know the result.")


def new_study() -> Path:
    """A planned study without results in a folder of its own: one tote, its margins set, nothing locked."""
    root = Path(tempfile.mkdtemp(prefix="lesson-")) / "tote"
    copy_demo("tote", root, untold=True)
    for path in (root / "raw").iterdir():
        path.rename(root.parent / path.name)
    return root


def results_arrive(root: Path, *, unlocked: bool = False) -> int:
    """The laboratory's files are laid into raw/; how many there are. BadInput without a lock, unless ``unlocked``."""
    if not unlocked:
        _need_lock(root)
    found = [p for p in root.parent.iterdir() if p.is_file()]
    for path in found:
        path.rename(root / "raw" / path.name)
    return len(list((root / "raw").iterdir()))


def lock(root: Path, reason: str = "") -> str:
    """What ``studykit lock FOLDER`` says, or with a reason its ``--amend "reason"``; a refusal as it is told.

    A reason that is plainly none is refused before it is recorded, so that another can be written.
    """
    said = "Refused: a reason is a sentence between quotation marks" if not isinstance(reason, str) else unfit(reason)
    if not said:
        try:
            said = lock_folder(root, reason).sentence
        except BadInput as error:
            said = "Refused: " + error.faults[0].line()
    _said[str(root)] = said
    return said


def unfit(reason: str) -> str:
    """Why a reason is plainly none: the lesson's own words, or what came out of this study; '' for all others."""
    plain = " ".join(re.findall(r"\w+", reason.casefold()))
    if any(SequenceMatcher(None, plain, " ".join(re.findall(r"\w+", h))).ratio() > 0.85 for h in HINT if plain):
        return "Refused: these are the lesson's own words. Write what is so in your case. Nothing was recorded."
    if reason and len({*plain.split()}) < FEWEST_WORDS:
        return "Refused: these are hardly words enough for a reason: say what allows the wider margin. Nothing was recorded."
    if found := OUTCOME.search(reason):
        return (f"Refused: “{found[0].strip()}” speaks of what came out of this study. Whoever reads a reason should find it "
                "good without knowing the result. Nothing was recorded: write another.")
    return ""


def questions() -> pd.DataFrame:
    """What a reader asks of a reason."""
    return pd.DataFrame({"number": range(1, 1 + len(QUESTIONS)), "question": QUESTIONS})


def margins(root: Path) -> pd.DataFrame:
    """The margins as they stand in study.toml now."""
    own = load_study(root).analytes
    return pd.DataFrame([(k, f"{a.margin.percent or a.margin.absolute:g}",
                          "%" if a.margin.relative else a.unit, a.margin_reason) for k, a in own.items()],
                        columns=["analyte", "margin", "unit", "reason"])


def widen(root: Path, analyte: str, margin: float) -> None:
    """Write another margin into study.toml, as an editor would."""
    path = root / "study.toml"
    text = path.read_text(encoding="utf-8")
    shape = re.compile(rf"(\[analytes\.{re.escape(analyte)}\].*?margin = \{{ \w+ = )[\d.]+", re.S)
    path.write_text(shape.sub(lambda m: f"{m[1]}{margin:g}", text, count=1), encoding="utf-8")


def changes(root: Path) -> pd.DataFrame:
    """What was changed since the lock: place, old, new and reason; BadInput without a lock, which alone can show it."""
    _need_lock(root)
    return lock_status(root, load_study(root)).to_table()[["where", "old", "new", "reason"]]


def _need_lock(root: Path) -> None:
    if not (root / LOCK).exists():
        raise single("exercise locked", "there is no lock yet, and without one nothing shows what was changed",
                     "do exercise 1, then run this cell again")


def wrong_words(factor: float, kegs: int = KEGS) -> float:
    """Chance of the word homogeneous where the true difference is the margin, judged against ``factor`` margins afterwards.

    The difference is t distributed about the margin with ``kegs - 1`` degrees of freedom: the estimate's upper bound lies below
    ``factor`` margins with the probability of a noncentral t (Johnson, Kotz and Balakrishnan, Continuous Univariate
    Distributions, chapter 31). The lower side takes nothing away that counts here.
    """
    df, se = kegs - 1, SCATTER / np.sqrt(kegs)
    return float(stats.nct.sf(stats.t.ppf(0.95, df), df, (factor - 1) * MARGIN / se))


def draw(seed: int) -> np.ndarray:
    """Differences of eight kegs in per cent, (worlds, kegs): the true difference is exactly the margin of 5 %."""
    drawn.note("kegs", seed_of(seed))
    return _draw(seed_of(seed))


def _draw(seed: int) -> np.ndarray:
    return np.random.default_rng(seed).normal(MARGIN, SCATTER, (WORLDS, KEGS))


def upper_ends(worlds: np.ndarray) -> np.ndarray:
    """The upper end of each world's 90 % interval, in per cent."""
    n = worlds.shape[1]
    se = worlds.std(axis=1, ddof=1) / np.sqrt(n)
    return np.asarray(worlds.mean(axis=1) + stats.t.ppf(0.95, n - 1) * se)


def table() -> pd.DataFrame:
    """The chance of a wrong homogeneous against how far the margin is let out after the data."""
    steps = [1.0, 1.2, 1.4, 1.6, 1.8, 2.0]
    return pd.DataFrame({"margin afterwards, %": [MARGIN * s for s in steps],
                         "wrong homogeneous": [wrong_words(s) for s in steps]})


def picture(rows: pd.DataFrame) -> Figure:
    """That table as a curve."""
    return curves("margin that is judged against, % (declared: 5 %)", "share of wrong “homogeneous”",
                  rows["margin afterwards, %"].tolist(), [("true difference 5 %", rows["wrong homogeneous"].tolist())], 0.05)


def _locked(root: Any) -> Reply:
    try:
        status = lock_status(Path(root), load_study(Path(root)))
    except (BadInput, TypeError):
        return no("The folder of the study is asked for: `root`.")
    if status.state == "not locked":
        return no("There is no lock in the folder yet: lesson.lock(root).")
    if status.state == "locked late":
        return no("It was locked when the results were there already. Make a new study and lock it before they arrive.")
    if status.state == "edited by hand":
        return no("The lock does not fit its seal any more: it was edited by hand, and that shows.")
    return yes("Locked before any result. From here on a change stays visible.")


def _seen(answer: Any) -> Reply:
    return number(answer, 1, 0, "One change, with its old and new value, and without a reason. The report prints it "
                                "on page one.",
                  [(0, "The file was changed, and the lock knows what stood there: look at the table of changes."),
                   (2, "Count the rows of the table: did you widen more than one margin?")],
                  "Count the rows of the table of changes.")


def _amended(root: Any) -> Reply:
    try:
        status = lock_status(Path(root), load_study(Path(root)))
    except (BadInput, TypeError):
        return no("The folder of the study is asked for: `root`.")
    reasons = [c.reason for c in status.changes if c.reason]
    if not reasons:
        told = _said.get(str(root), "")
        return no(told if told.startswith("Refused") else "No amendment stands there yet: lesson.lock(root, \"your reason\"). "
                  "A reason must say something.")
    if why := unfit(reasons[-1]):
        return no(why.replace("Nothing was recorded", "It was recorded all the same, and stays, as in life")
                  + " To record another beside it: lesson.widen(root, \"P\", 8), then lesson.lock(root, \"why\").")
    late = any(c.after_results for c in status.changes)
    told = ("The reason is kept beside the change, and so is the fact that results were there already: it convinces nobody "
            "by itself." if late else "The reason is kept beside the change.")
    return Reply(right=True, text=f"{told} {NOBODY}", done="Recorded, not judged")


def _marked(answer: Any) -> Reply:
    try:
        marks = [word(x) for x in parts_of(answer)]
    except TypeError:
        marks = []
    if len(marks) != len(QUESTIONS) or not {*marks} <= {"yes", "no", "true", "false"}:
        return no(f'{len(QUESTIONS)} marks are asked, one a question, each "yes" or "no".')
    if poor := [k for k, m in enumerate(marks, start=1) if m in ("no", "false")]:
        return no(f"Honest, and a reader will say so too: question {poor[0]}. A reason can be recorded beside the first one: "
                  "lesson.widen(root, \"P\", 8), then lesson.lock(root, \"why\"); then mark that one.")
    return Reply(right=True, done="Marked", text="Your own word, which no program can check: read the reason aloud to somebody "
                                                 "who does not know the result.")


def _below(edge: float, seed: int | None) -> float | None:
    """Share of the worlds of a student whose upper end lies below an edge in per cent."""
    return drawn.own("kegs", seed, lambda own: float((upper_ends(_draw(own)) < edge).mean()))


def _share(answer: Any, seed: int | None) -> Reply:
    p, own = wrong_words(1.5), _below(7.5, seed)
    means = float(stats.norm.cdf(0.5 * MARGIN / (SCATTER / np.sqrt(KEGS))))
    return counted(answer, [own], chance_errors(p, WORLDS), f"Not 5 in 100 but this (over all worlds {p:.3f}), "
                   "and each of those studies looks clean.",
                   [*((x, "That is the share under the declared margin. Let it out by half: 7.5 %.")
                      for x in (_below(5.0, seed), wrong_words(1.0))),
                    *((x, "That is the share at 10 %, twice the margin; half more is 7.5 %.")
                      for x in (_below(10.0, seed), wrong_words(2.0))),
                    *((1 - x, "That is the share of worlds in which even the wider margin does not help.")
                      for x in (own or p, p)),
                    (means, "You compared the means; the whole interval must lie inside, so compare upper ends.")],
                   "Count the worlds whose upper end lies below 7.5 %, and divide by the number of worlds.")


CHECKS: dict[str, Check] = {"locked": _locked, "seen": _seen, "amended": _amended, "marked": _marked,
                            "share": Counted(of=_share)}
check, after = lesson(CHECKS)
