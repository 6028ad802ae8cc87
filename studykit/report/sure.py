"""How sure the answer of page one is: how much was looked at, what it rests on, and what in the data was asked about."""

from __future__ import annotations

import pandas as pd

from studykit.core.files import safe_name
from studykit.core.listing import both, series
from studykit.inference.single import SAFE_TIPPING
from studykit.inference.unlike import unlike_words
from studykit.quality.letter import ASKED, group_of
from studykit.report import leftout, visits
from studykit.report.firstpage import count, optional, recorded, rests_on
from studykit.study.lock import lock_status
from studykit.study.stages import OpenStage

EVENLY = ", where containers scatter evenly about their mean; more, where few of them hold a layer"
HELD_TOGETHER = ("The study's own word takes {every} analytes together: “homogeneous” needs each of them, “stratified” one "
                 "that stays so by Holm's method.")


def sure(stage: OpenStage) -> list[str]:
    """How much was looked at, when the rule was fixed, and what in the data was asked about."""
    n, q, i = (recorded(stage, s) for s in ("00-study", "04-quality", "03-intake"))
    came = q.get("samples_with_results", "")
    waits = visits.without_draws(stage)  # the checks leave visits to come out of what they count as planned
    measured = f", {came} with results" if waits or came != q.get("samples_planned", "") else ""
    told = [f"{count(n['containers_stored'], 'container')}, {count(n['depths'], 'depth')}, "
            f"{count(n['samples_planned'], 'sample')} planned{measured}; each “homogeneous” and each “stratified” may be "
            f"wrong with a chance of at most {100 * stage.study.alpha:g} %{EVENLY * (int(n['containers_stored']) > 1)}."]
    told += filter(None, (unlike_words(int(n["containers_stored"]), stage.study.alpha),))
    told += _all_taken_into_account(stage)
    status = lock_status(stage.root, stage.study)
    told += [] if status.first_page else [status.sentence]
    told += _left_out(stage)
    told += [*_stated(stage), *_not_published(stage, q)]
    taken = f"All {i['rows_in']}" if i["rows_in"] == i["rows_taken"] else f"{i['rows_taken']} of {i['rows_in']}"
    told.append(f"{taken} results were taken{leftout.of_taken(q)}; the checks found {_points(q['flags_stop'])} that "
                f"must be resolved first and {_points(q['flags_ask'])} to look into before the numbers are trusted"
                f"{_for_the_laboratory(stage)}.")
    return told


def _left_out(stage: OpenStage) -> list[str]:
    """Whether a verdict would be another without some single container, be it one of them or nearly any."""
    influence = optional(stage, "05-model", "influence")
    if "other verdicts" not in influence or influence.empty:
        return []
    return rests_on(stage, influence)


def lost_of(stage: OpenStage) -> list[str]:
    """Deciding analytes that are stratified, and not so with all analytes taken into account."""
    table = optional(stage, "06-verdict", "evidence")
    if table.empty:
        return []
    table = table[(table["verdict"] == "stratified") & table["analyte"].map(stage.study.decides).astype(bool)]
    p = pd.to_numeric(table["p beyond, Holm"], errors="coerce")
    return list(table.loc[p >= stage.study.alpha, "analyte"].map(stage.study.label_of))


def _for_the_laboratory(stage: OpenStage) -> str:
    """How many of these points the laboratory's own records can settle, as the letter asks; '' where there is no point."""
    flags = optional(stage, "04-quality", "flags")
    flags = flags[flags["concern"].isin(ASKED)] if len(flags) else flags
    asked = sum(group_of(f) is not None for f in flags.to_dict("records"))
    which = f"{asked or 'none'} of them" if len(flags) > 1 else "" if asked else "not"
    return f", {f'{which} in'.strip()} the laboratory's own records" * bool(len(flags))


def _all_taken_into_account(stage: OpenStage) -> list[str]:
    """Which analytes stay stratified where chance has several analytes to strike at, and which do not; without any the rule."""
    table, number = optional(stage, "06-verdict", "evidence"), sum(map(stage.study.decides, stage.study.analytes))
    if table.empty or number < 2:
        return []
    table = table[(table["verdict"] == "stratified") & table["analyte"].map(stage.study.decides).astype(bool)]
    names, lost = list(table["analyte"].map(stage.study.label_of)), lost_of(stage)
    stays, not_so = both([n for n in names if n not in lost]), both(lost)
    told = f"“stratified” still holds for {stays}" if stays else ""
    if not_so:
        told = (f"{told}, but not for" if told else "“stratified” no longer holds for") + (
            f" {not_so}: among so many analytes chance alone can do that once")
    every = "both" if number == 2 else f"all {number}"
    if not told:
        return [HELD_TOGETHER.format(every=every)]
    return [f"With {every} analytes taken into account (Holm's method) {told}."]


def _stated(stage: OpenStage) -> list[str]:
    """How many times the stated scatter each firm word of one container would bear, and which drawing alone may undo."""
    table = optional(stage, "06-verdict", "known-precision")
    if table.empty:
        return []
    firm = table.assign(name=table["analyte"].map(stage.study.label_of), bears=pd.to_numeric(table["holds up to"]))
    words = stage.read_table("06-verdict", "verdicts").set_index("analyte")["verdict"]
    taken_back = firm["analyte"].map(words).eq("inconclusive")  # where a declared depth has no result, say
    firm = firm[firm["bears"].notna() & ~taken_back & firm["analyte"].map(stage.study.decides).astype(bool)]
    if firm.empty:
        return []
    each = series(f"{r['name']} {r['bears']:.1f}" for r in firm.to_dict("records"))
    weak = both(list(firm.loc[firm["bears"] < SAFE_TIPPING, "name"]))
    outside = both(list(firm.loc[firm["provisional"].astype(str) == "True", "name"]))
    told = ["One container shows no scatter of its own. The verdicts rest on the stated precision and hold while the real "
            f"scatter, drawing included, is at most so many times as large: {each}."]
    told += [f"Drawing alone can undo the verdict of {weak}: draw one zone twice, both to be measured in one run."] * bool(weak)
    return told + [f"Outside the range of its stated precision: {outside}."] * bool(outside)


def _not_published(stage: OpenStage, n: dict[str, str]) -> list[str]:
    """Stated repeatability that stands in place of another one, published for the same method, with both, as recorded."""
    names = {a: safe_name(a) for a in stage.study.analytes}
    both = {a: (n.get(f"r_stated.{k}", ""), n.get(f"r_published.{k}", "")) for a, k in names.items()}
    each = "; ".join(f"{stage.study.label_of(a)} {own} in place of {known} published"
                     for a, (own, known) in both.items() if own != known)
    return [f"Repeatability r is the study's own: {each}."] if each else []


def _points(number: str) -> str:
    return "nothing" if number == "0" else count(number, "point")
