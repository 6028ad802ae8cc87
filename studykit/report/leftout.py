"""What page one says beside an answer of results that a person excluded, where they would have changed it."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from studykit.core.listing import both
from studykit.model.tables import usable
from studykit.report.beyond import by_zones, elsewhere
from studykit.study.columns import ZONE_KINDS
from studykit.study.definition import Study
from studykit.study.stages import OpenStage
from studykit.verdict.below import told
from studykit.verdict.excluded import STUDY, WITH

MANY = 2
"""Analytes that are told by name even where all of them are alike."""
BY = "With the results that a person excluded"


def verdicts(table: pd.DataFrame, study: Study) -> list[str]:
    """Which verdicts would be others with what was excluded: the study's first."""
    if WITH not in table:
        return []
    other = table[table[WITH] != table["verdict as filed"]].to_dict("records")
    whole = [f"the study would be {r[WITH]} (not {r['verdict as filed']})" for r in other if r["analyte"] == STUDY]
    each = [f"{study.label_of(r['analyte'])} would be {r[WITH]} (not {r['verdict as filed']})" for r in other
            if r["analyte"] != STUDY]
    return [f"{BY} {'; '.join([*whole, *each])}."] * bool(other)


def containers(beyond: pd.DataFrame) -> list[str]:
    """Which containers would be named beyond with what was excluded, and are not without it."""
    told = [*by_zones(beyond), *elsewhere(beyond)] if "pair" in beyond else []
    return [f"{BY}, and not without them: {' '.join(told)} To leave results out clears no container."] * bool(told)


def fewer(stage: OpenStage, counts: dict[str, str], opened: str) -> tuple[list[str], set[str]]:
    """Of how many containers results are left where others were excluded, and of which analytes; ``counts``: by key."""
    if all(n == opened for n in counts.values()):
        return [], set()
    samples = stage.samples[stage.samples["kind"].isin(ZONE_KINDS)].set_index("sample")["container"]
    held = stage.results.assign(container=stage.results["sample"].map(samples)).dropna(subset="container")
    left = usable(stage)
    left = left.assign(container=left["sample"].map(samples)).dropna(subset="container")
    stored = set(stage.containers.loc[stage.containers["treatment"] == "stored", "container"].astype(str))
    all_, some = ({a: set(own.astype(str)) & stored for a, own in t.groupby("analyte")["container"]} for t in (held, left))
    out = {a: sorted(all_.get(a, set()) - some.get(a, set())) for a, n in counts.items() if n != opened}
    alike = pd.DataFrame([(f"{counts[a]} of {opened} (not in {both(gone)})", stage.study.label_of(a))
                          for a, gone in out.items() if gone], columns=["where", "name"])
    told = in_one(alike, len(counts))
    return [f"Left after exclusions: {told}."] * bool(told), {a for a, gone in out.items() if gone}


def in_one(alike: pd.DataFrame, every: int) -> str:
    """Analytes (column name) by where they were measured (where), those alike in one; ``every``: how many there are."""
    parts = [f"{'all analytes' if len(part) == every > MANY else both(list(part['name']))} in {where}"
             for where, part in alike.groupby("where", sort=False)]
    return "; ".join(parts)


def of_taken(numbers: Mapping[str, str]) -> str:
    """How many of the results taken a person left out, as a clause, from what the quality stage recorded; '' for none."""
    out = numbers.get("results_excluded", "0")
    return "" if out == "0" else f" from the files, and {out} of them left out by a person"


def only_limits(sentences: pd.DataFrame, study: Study) -> list[str]:
    """Analytes not assessed because most is known only as a limit: what would change that and what would not."""
    table = sentences.reindex(columns=["analyte", "verdict", "reasons"])
    rows = table[(table["verdict"] == "not assessed") & table["reasons"].astype(str).str.contains("known only as a limit")]
    rows = rows[rows["analyte"].map(study.decides).astype(bool)]
    under = {study.label_of(a): below for a, r in zip(rows["analyte"], rows["reasons"], strict=True)
             if (below := told(str(r)))}
    each = [f"{name[:1].upper()}{name[1:]}: {below[:1].lower()}{below[1:]}" for name, below in under.items()]
    names = [n for n in map(study.label_of, rows["analyte"]) if n not in under]
    return [*each, *[f"Of {both(names)} more than half of the results are known only as limits. More containers that read so "
            "change nothing; a method that reads lower can."] * bool(names)]
