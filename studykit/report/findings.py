"""What each chapter found, in one sentence each, from the numbers that its stage recorded."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from studykit.core.listing import series
from studykit.core.ties import sort_key
from studykit.report.firstpage import count, intake_words, optional, recorded, rests_on
from studykit.study.stages import OpenStage


def findings(stage: OpenStage) -> pd.DataFrame:
    """One row a stage: stage, what it found; stages that recorded nothing are left out."""
    told = ((stem, _told(stage, stem, sentence)) for stem, sentence in SENTENCES.items())
    return pd.DataFrame([row for row in told if row[1]], columns=["stage", "what it found"])


def _told(stage: OpenStage, stem: str, sentence: Callable[[OpenStage, dict[str, str]], str]) -> str:
    numbers = recorded(stage, stem)
    return sentence(stage, numbers) if numbers else ""


def _study(_: OpenStage, n: dict[str, str]) -> str:
    return (f"{count(n['containers_stored'], 'stored container')}, {count(n['depths'], 'depth')}, "
            f"{count(n['analytes'], 'analyte')}; the question and a margin for each were declared.").capitalize()


def _design(stage: OpenStage, _: dict[str, str]) -> str:
    table = optional(stage, "01-design", "chances")
    column = "homogeneous if nothing settled"
    if column not in table or table[column].isna().all():
        return ""
    table = table[table[column].notna()].sort_values(column, kind="stable", key=sort_key)
    first, *others = (stage.study.label_of(str(a)) for a in table["analyte"])
    silent = [stage.study.label_of(a) for a in stage.study.analytes if a not in set(table["analyte"].astype(str))]
    rest = f", {series(others) if silent else 'every other analyte'} at least as often" if others else ""
    return (f"Had nothing settled, {first} would be called homogeneous in {float(table[column].iloc[0]):.0f} % of such "
            f"studies{rest}.{f' Of {series(silent)} too little was known beforehand to tell a chance.' if silent else ''}")


def _sampling(_: OpenStage, n: dict[str, str]) -> str:
    places = n["draws_different"]
    if n["draws_done"] == "0" != n["draws_planned"]:
        return (f"None of {n['draws_planned']} planned draws is logged: how, when and in which order they were drawn cannot be "
                "compared with the plan.")
    differ = "plan and log agree" if places == "0" else f"plan and log differ in {count(places, 'place')}"
    return f"Of {n['draws_planned']} planned draws {n['draws_done']} are logged; {differ}."


def _intake(stage: OpenStage, n: dict[str, str]) -> str:
    out = recorded(stage, "04-quality").get("results_excluded", "0")
    return intake_words(n) + ("" if out == "0" else f" A person left {out} of them out afterwards (see Quality).")


def _quality(_: OpenStage, n: dict[str, str]) -> str:
    return (f"{count(n['flags_stop'], 'flag')} to resolve first, {count(n['flags_ask'], 'flag')} to look into before the "
            f"numbers are trusted, {count(n['flags_hint'], 'hint')}; {count(n['results_excluded'], 'result')} taken out by a "
            "person.").capitalize()


def _model(stage: OpenStage, _: dict[str, str]) -> str:
    fits, moved = optional(stage, "05-model", "fits"), optional(stage, "05-model", "influence")
    judged = int((fits["path"] != "not assessed").sum()) if "path" in fits else 0
    text = f"{judged} of {count(str(len(stage.study.analytes)), 'analyte')} fitted or judged by a stated precision."
    if "other verdicts" not in moved or moved.empty:
        return text
    return " ".join((text, *rests_on(stage, moved)))


def _verdict(_: OpenStage, n: dict[str, str]) -> str:
    return " ".join(filter(None, (n["verdict_sentence"], n.get("verdict_sentence_at_lock", ""))))


SENTENCES: dict[str, Callable[[OpenStage, dict[str, str]], str]] = {
    "00-study": _study, "01-design": _design, "02-sampling": _sampling, "03-intake": _intake, "04-quality": _quality,
    "05-model": _model, "06-verdict": _verdict}
