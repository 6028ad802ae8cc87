"""Lesson 3: the margin before the data. A lock that shows what was changed, and what a margin chosen afterwards costs."""

from __future__ import annotations

import re
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from scipy import stats

from studykit.core.errors import BadInput
from studykit.course.drawing import lines as curves
from studykit.course.replies import Check, Counted, Reply, answer_to, counted, no, number, solved, yes
from studykit.course.worlds import Drawn, seed_of
from studykit.demos import copy_demo
from studykit.study import load_study
from studykit.study.lock import lock_folder, lock_status

WORLDS, KEGS, SCATTER, MARGIN = 2000, 8, 4.0, 5.0
OUTCOME = re.compile(r"homogeneous|inconclusive|stratified|verdict|outcome|interval|significan|wanted|succe|realistic|"
                     r"(?:too|was|is|were|are|so) (?:strict|narrow|tight)|\bbetter\b|\bresults?\b(?! table)|otherwise|"
                     r"\binside\b|(?:cannot|can't|could not|couldn't) be (?:kept|met|held|reached)|\bfail|"
                     r"laboratory(?:'s \w+)? (?:measured|found|read|reported|says|said)|\bwe (?:measured|found|saw|got)|"
                     r"(?:was|were) (?:measured|found)|"
                     r"(?:not|n't|never|it|they|we|stock|tote|fluid|phosphorus|P) pass(?:es|ed)?\b|\bto pass\b", re.I)
"""Words by which a reason betrays that it was found after the result; own choice, English only."""
SOURCE = re.compile(r"standard|sheet|specif|\bspec\b|maker|manufactur|supplier|vendor|manual|handbook|\blaws?\b|regulation|"
                    r"directive|\bcode\b|guid(?:e|ance)|contract|customer|warrant|certificat|approv|\btests?\b|trial|"
                    r"stud(?:y|ies)|paper|publi|literature|edition|norm\b|\b(?:ISO|ASTM|DIN|EN|IEC)\b|experiment|article|tolera",
                    re.I)
"""Words by which a reason names something that others can look up: a rule, a document, an experiment; own choice too."""
drawn = Drawn()
AGAIN = "What was recorded stays, as in life. To write another: run the lesson from “A study without results” on."


def new_study() -> Path:
    """A planned study without results in a folder of its own: one tote, its margins set, nothing locked."""
    root = Path(tempfile.mkdtemp(prefix="lesson-")) / "tote"
    copy_demo("tote", root, untold=True)
    for path in (root / "raw").iterdir():
        path.rename(root.parent / path.name)
    return root


def results_arrive(root: Path) -> int:
    """The laboratory's files are laid into raw/; how many there are."""
    found = [p for p in root.parent.iterdir() if p.is_file()]
    for path in found:
        path.rename(root / "raw" / path.name)
    return len(list((root / "raw").iterdir()))


def lock(root: Path, reason: str = "") -> str:
    """What ``studykit lock FOLDER`` says, or with a reason its ``--amend "reason"``; a refusal as it is told."""
    if not isinstance(reason, str):
        return "Refused: a reason is a sentence between quotation marks"
    try:
        return lock_folder(root, reason).sentence
    except BadInput as error:
        return "Refused: " + error.faults[0].line()


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
    """What was changed since the lock: place, old, new, reason, and the day."""
    return lock_status(root, load_study(root)).to_table()[["where", "old", "new", "reason"]]


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
        return no("No amendment stands there yet: lesson.lock(root, \"your reason\"). A reason must say something.")
    if any(OUTCOME.search(r) for r in reasons):
        return no("Your reason speaks of the outcome. Whoever reads it should find it good without knowing the result. "
                  + AGAIN)
    if any(len({*re.findall(r"[^\W\d_]{2,}", r)}) < 4 or not SOURCE.search(r) for r in reasons):
        return no("Your reason does not say what allows the wider margin, and where that is written: a standard, a data "
                  "sheet, a contract, a wear test, with what it says. " + AGAIN)
    late = any(c.after_results for c in status.changes)
    told = ("The reason is kept beside the change, and so is the fact that results were there already: it convinces nobody "
            "by itself." if late else "The reason is kept beside the change.")
    return yes(told + " (Only a few words are looked for here: let your neighbour say whether it convinces.)")


def _below(edge: float, seed: int | None) -> float | None:
    """Share of the worlds of a student whose upper end lies below an edge in per cent."""
    return drawn.own("kegs", seed, lambda own: float((upper_ends(_draw(own)) < edge).mean()))


def _share(answer: Any, seed: int | None) -> Reply:
    p, own = wrong_words(1.5), _below(7.5, seed)
    means = float(stats.norm.cdf(0.5 * MARGIN / (SCATTER / np.sqrt(KEGS))))
    return counted(answer, [own], float(3 * np.sqrt(p * (1 - p) / WORLDS)), f"Not 5 in 100 but this (over all worlds {p:.3f}), "
                   "and each of those studies looks clean.",
                   [*((x, "That is the share under the declared margin. Let it out by half: 7.5 %.")
                      for x in (_below(5.0, seed), wrong_words(1.0))),
                    *((x, "That is the share at 10 %, twice the margin; half more is 7.5 %.")
                      for x in (_below(10.0, seed), wrong_words(2.0))),
                    *((1 - x, "That is the share of worlds in which even the wider margin does not help.")
                      for x in (own or p, p)),
                    (means, "You compared the means; the whole interval must lie inside, so compare upper ends.")],
                   "Count the worlds whose upper end lies below 7.5 %, and divide by the number of worlds.")


CHECKS: dict[str, Check] = {"locked": _locked, "seen": _seen, "amended": _amended, "share": Counted(of=_share)}


def after(seed: int | None = None, **answers: Any) -> None:
    """BadInput unless these exercises are right: what follows tells their answers."""
    solved(CHECKS, answers, seed)


def check(name: str, answer: Any, seed: int | None = None) -> Reply:
    """The reply to one of the exercises of this lesson; ``seed``: of the worlds that were counted, without it the last ones."""
    return answer_to(CHECKS, name, answer, seed)
