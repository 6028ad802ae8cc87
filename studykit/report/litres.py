"""What page one says of the first and the last litres poured unmixed: of which analytes, and what is shown against it.

No sentence says that litres are within while an analyte that decides is shown to be stratified or uneven, or was not judged
by litres, without naming it in the same sentence.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd

from studykit.core.listing import both
from studykit.verdict.floors import BEYOND, MOST, SINGLE, WITHIN
from studykit.verdict.uses import ABOVE, AVERAGE

ENDS = ("first litres", "last litres")
LITRES = {
    frozenset({WITHIN}): "the first and the last litres are within the margins",
    **dict.fromkeys((frozenset({WITHIN, ABOVE}), frozenset({ABOVE})),
                    "the first litres are within the margins, and the following ones down to the lowest zone sampled")}
"""What is said of pouring by the words of the first and the last litres, where none is beyond a margin or undecided."""
FEW = 4
"""Analytes that are told by name where all of them are alike."""
MIXED = " (litres are held against the mixed contents)"
NOT_JUDGED = "First and last litres poured unmixed were not judged"


def told(uses: pd.DataFrame, verdicts: pd.DataFrame, aside: pd.DataFrame) -> str:
    """The sentence on pouring of the analytes that decide.

    ``uses``: the answer by use of those that decide (name, use, word); ``verdicts``: their name, verdict and stock;
    ``aside``: the answer by use of those for information only.
    """
    rows = uses[uses["use"].isin(ENDS)]
    words = [str(w) for w in rows["word"]]
    clause = LITRES.get(frozenset(w.removesuffix(AVERAGE) for w in words))
    judged, beyond = list(dict.fromkeys(rows["name"])), _beyond(verdicts)
    if clause is None:
        return f"{'; '.join((NOT_JUDGED, *beyond))}."
    mean = any(w.endswith(AVERAGE) for w in words)
    clause = f"on average {clause}" if mean else clause
    closed = [n for n in dict.fromkeys(uses["name"]) if n not in judged]
    if closed:
        clause = clause.replace("margins", "margin") if len(judged) == 1 else clause
        against = [*beyond, *[f"not judged by litres: {both(closed)}"]]
        text = (f"Nothing poured unmixed is shown to be within every margin: {'; '.join(against)}; of {both(judged)} alone "
                f"{clause}")
    else:
        names = clause.replace("margins", f"margin of {judged[0]}" if len(judged) == 1 else f"margins of {both(judged)}")
        clause = names if len(aside) else clause
        text = f"Poured unmixed, {clause}" + f", though {' and '.join(beyond)}{MIXED}" * bool(beyond)
    return "; ".join((text, *_information(aside, set(words)))) + "." + _not_shown(words, mean=mean)


def floor_within(uses: pd.DataFrame) -> str:
    """Of which analytes the floor was drawn and is shown within the margin; '' of none."""
    floor = uses[uses["use"] == "floor"]
    names, every = list(floor.loc[floor["word"] == WITHIN, "name"]), len(floor)
    who = f"all {every} analytes" if len(names) == every > FEW else both(names)
    return f"The floor, by its heels, is shown to lie within the margin of {who}." if names else ""


def besides(uses: pd.DataFrame, verdicts: pd.DataFrame) -> str:
    """Analytes that were not judged by litres, with what is shown of their zones; '' without any."""
    judged = set(uses.loc[uses["use"].isin(ENDS), "name"])
    closed = [n for n in dict.fromkeys(uses["name"]) if n not in judged]
    return f" Not judged by litres: {both(closed)}{_in_brackets(verdicts, closed)}." if closed else ""


def _in_brackets(verdicts: pd.DataFrame, names: Sequence[str]) -> str:
    found = _beyond(verdicts[verdicts["name"].isin(names)])
    return f" ({'; '.join(found)})" if found else ""


def _beyond(verdicts: pd.DataFrame) -> list[str]:
    """What is shown beyond a margin between depths, in clauses."""
    table = verdicts.reindex(columns=["name", "verdict", "stock"])
    mean = (table[["verdict", "stock"]] == "stratified").any(axis=1)
    single = ~mean & (table["stock"] == "uneven")
    names = list(table.loc[mean, "name"])
    told = [f"{both(names)} {'is' if len(names) == 1 else 'are'} stratified"] if names else []
    some = list(table.loc[single, "name"])
    return told + [f"single containers or groups lie beyond the margin of {both(some)}"] * bool(some)


def _information(aside: pd.DataFrame, words: set[str]) -> list[str]:
    """Analytes for information only for which the sentence does not hold, in clauses."""
    rows = aside[aside["use"].isin(ENDS)] if len(aside) else aside
    far, open_ = list[str](), list[str]()
    for name in dict.fromkeys(aside["name"]) if len(aside) else ():
        own = set(map(str, rows.loc[rows["name"] == name, "word"]))
        if own & {BEYOND, SINGLE, MOST}:
            far.append(name)
        elif not own or own - words:
            open_.append(name)
    return [f"{both(names)}, which decide{'s' * (len(names) == 1)} nothing, {what}" for names, what in (
        (far, "lie" + "s" * (len(far) == 1) + " beyond"),
        (open_, "is not shown to be" if len(open_) == 1 else "are not shown to be")) if names]


def _not_shown(words: Sequence[str], *, mean: bool) -> str:
    """Of what that is not shown: a single container, and what comes off the floor last."""
    floor = any(w.startswith(ABOVE) for w in words)
    if mean:
        return f" Of a single container that is not shown{', nor of what comes off the floor last' * floor}."
    return " What comes off the floor last is not shown to be." * floor


def volumes(recorded: Mapping[str, str]) -> str:
    """How many litres the first and the last ones are, from the numbers of the verdict stage; '' where it knew none."""
    if "litres.whole.least" not in recorded:
        return ""
    first, last, whole = (_range(recorded[f"litres.{part}.least"], recorded[f"litres.{part}.most"])
                          for part in ("first", "last", "whole"))
    alike = f"The first and the last litres are {first} each" if first == last else (
        f"The first litres are {first}, the last ones {last}")
    return f"{alike}, of {whole} in a container: what the uppermost and the lowest zone stand for."


def _range(least: str, most: str) -> str:
    return least if least == most else f"{least.removesuffix(' L')} to {most}"
