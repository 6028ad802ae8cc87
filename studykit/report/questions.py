"""Five questions of whoever decides, answered on page one: all right, what to do, which containers, how sure, what unknown.

Like the rest of page one it computes nothing: every answer is put together from saved tables and recorded numbers.
"""

from __future__ import annotations

import re
from collections.abc import Callable

import pandas as pd

from studykit.ageing.tables import action_words
from studykit.core.listing import both, series
from studykit.core.record import literal
from studykit.inference.single import LABEL
from studykit.quality.flags import listed
from studykit.report import leftout, litres, visits
from studykit.report.beyond import LONG, by_zones, elsewhere, named, of_zones
from studykit.report.ends import ends_once
from studykit.report.firstpage import (
    beyond_groups,
    count,
    left_open,
    of_one,
    optional,
    recorded,
    share_is_why,
    together,
    word_of,
)
from studykit.report.sure import lost_of, sure
from studykit.study.actions import OWN, Action, barred_note
from studykit.study.ages import span_words, visit_days
from studykit.study.lock import lock_status
from studykit.study.stages import OpenStage
from studykit.verdict.cleared import NOT_SEEN, YES, count_words
from studykit.verdict.floors import BEYOND, FLOOR, MOST, SINGLE, UNDECIDED
from studykit.verdict.rule import NO_RESULT, ON_AVERAGE
from studykit.verdict.unopened import NO_WORD
from studykit.verdict.uses import UNOPENED, UNSEEN, USES, WHOLE, floors_beyond, said, shortly, unseen, vetoing

EVEN = {
    "homogeneous": "In the zones that were sampled, yes: every analyte that decides is shown to be within its margin.",
    "uneven": "Not everywhere: {mean}single containers or groups are shown to lie beyond.",
    "stratified": "No: {beyond} {verb} between depths by more than the margin.",
    "inconclusive": "It cannot be said yet: the results {of}show neither that everything lies within the margins nor that "
                    "anything lies beyond.",
}
FIRM = ("homogeneous", "uneven", "stratified")
"""Words of a study that is decided; beside another word a floor beyond the margin comes first."""
VETOED = ("homogeneous", "uneven")
"""Words of a study whose action the uses below may veto: all that do are listed there."""
ON_FLOOR = "No: on the floor liquid is shown to lie beyond the margin of {}. Of the zones "
ONE_SIDED = "No: {beyond} {verb} at some depth beyond the margin."
NOBODY = "It cannot be said: no analyte that decides could be judged."
SAFETY = "Before opening, moving or mixing a container: safety data sheet, rules of the site, the report's Cautions."
FEW = 4
"""Analytes that are named where all that decide are spoken of; of more it is said in general."""
HOPELESS = "no reasonable number of"
TIED = "cannot be told apart"
DAY = re.compile(r"\b\d{4}-\d\d-\d\d\b")
OTHERS = "; the others are not thereby shown to be within"
OF_MEAN = "not known on average (those named below lie beyond between depths)"
NO_CLEARANCE = ", no clearance"
OPEN = "not known"
"""How page one says that a use cannot be told."""


def five(stage: OpenStage) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """The five questions, each with the sentences of its answer as plain text."""
    asked: tuple[tuple[str, Callable[[OpenStage], list[str]]], ...] = (
        ("Is it all right?", right), ("What to do?", todo), ("Which containers?", which), ("How sure is that?", sure),
        ("What is unknown?", unknown))
    return tuple((question, tuple(together(t) for t in answer(stage))) for question, answer in asked)


def markdown(stage: OpenStage) -> str:
    """The five questions as paragraphs, the first of each beginning with the question."""
    return "\n\n".join(f"**{question}** " + "\n\n".join(together(literal(t)) for t in told) for question, told in five(stage))


def _verdicts(stage: OpenStage) -> pd.DataFrame:
    """The verdict table, of the analytes that decide."""
    table = stage.read_table("06-verdict", "verdicts", keep_default_na=False)
    return table[table["analyte"].map(stage.study.decides).astype(bool)]


def _uses(stage: OpenStage) -> pd.DataFrame:
    """The answer by use of the analytes that decide, named as people name them."""
    table = stage.read_table("06-verdict", "uses")
    table = table[table["analyte"].map(stage.study.decides).astype(bool)]
    return table.assign(name=table["analyte"].map(stage.study.label_of))


def _aside(stage: OpenStage, name: str) -> pd.DataFrame:
    """A table of the verdict stage, of the analytes that are for information only; named as people name them."""
    if all(map(stage.study.decides, stage.study.analytes)):
        return pd.DataFrame()
    table = stage.read_table("06-verdict", name, keep_default_na=False)
    table = table[~table["analyte"].map(stage.study.decides).astype(bool)]
    return table.assign(name=table["analyte"].map(stage.study.label_of))


def right(stage: OpenStage) -> list[str]:
    """Whether the study's word is a yes, and which use speaks against it."""
    table, word = _verdicts(stage), recorded(stage, "06-verdict").get("verdict", "")
    names = list(table.loc[(table.reindex(columns=["verdict", "stock"]) == "stratified").any(axis=1), "name"])
    lost = [n for n in names if n in lost_of(stage)] if word == "stratified" else []
    names = [n for n in names if n not in lost]
    mean = "on average it is within the margins, and " if (table["verdict"] == "homogeneous").all() else ""
    of = "" if all(map(stage.study.decides, stage.study.analytes)) else "of what decides "
    mean = mean.replace("it is", "what decides is") if of else mean
    sided = word == "stratified" and any(stage.study.analytes[a].margin.side for a in table.loc[
        table["verdict"] == "stratified", "analyte"])
    verbs = (("lies", "lie") if sided else ("differs", "differ"))[len(names) != 1]
    told = [(ONE_SIDED if sided else EVEN.get(word, NOBODY)).format(
        beyond=both(names), verb=verbs, mean=mean, of=of)]
    if word not in FIRM and len(low := floors_beyond(_uses(stage))):
        told[0] = ON_FLOOR.format(both(list(low["name"]))) + told[0][:1].lower() + told[0][1:]
    told += [f"{both(lost)} alone would too, but not with all analytes taken into account."] * bool(lost)
    told += _at_the_lock(stage, word)
    told += _last_visit(stage)
    told += leftout.verdicts(optional(stage, "06-verdict", "exclusions"), stage.study)
    if word == "homogeneous" and (against := _by_use(stage)):
        told.append("But not for every use: " + against)
    cannot = list(optional(stage, "06-verdict", "cannot").get("what", pd.Series(dtype=str)))
    return [*told, *[t for t in cannot if t.startswith((NO_WORD, NOT_SEEN))], *_of_few(stage)]


def _at_the_lock(stage: OpenStage, word: str) -> list[str]:
    """That the margins locked first would give another answer, where they do, and whether they were changed after results."""
    numbers = recorded(stage, "06-verdict")
    if not numbers.get("verdict_sentence_at_lock"):
        return []
    late = any(c.subject == "margin" and c.after_results for c in lock_status(stage.root, stage.study).changes)
    when = ", changed when results were already there" * late
    other = numbers["verdict_at_lock"]
    told = f"be “{other}”, not “{word}”" if other != word else f"still be “{word}”, but not every analyte's word"
    return [f"By the margins first locked{when}, the study's word would {told}."]


def _last_visit(stage: OpenStage) -> list[str]:
    """Of containers that were drawn at several ages: at which one the words and differences are; else nothing."""
    table = optional(stage, "06-verdict", "time-actions").reindex(columns=["age, months"])
    ages = [span_words(float(a)) for a in pd.to_numeric(table["age, months"]).dropna().sort_values()]
    if not ages or visit_days(stage.samples).groupby(stage.samples["container"]).nunique().max() < 2:
        return []
    when = " to ".join(dict.fromkeys((ages[0], ages[-1])))
    return [f"Words and differences here are those of each container's last visit, at {when} of age."]


def _of_few(stage: OpenStage) -> list[str]:
    """Analytes with results of fewer containers than were opened, and what their word holds for."""
    opened, fits = recorded(stage, "00-study").get("containers_stored", ""), optional(stage, "05-model", "fits")
    if stage.study.scope == "container" or fits.empty:
        return []
    one = [a for a in of_one(stage) if stage.study.decides(a)]
    told = [f"Measured in 1 of {count(opened, 'container')}: {both([*map(stage.study.label_of, one)])}. What is said "
            "of it holds for that container only."] * bool(one)
    some = {str(r["analyte"]): f"{float(r['containers']):g}" for r in fits.to_dict("records")
            if r["path"] == "mixed model" and stage.study.decides(r["analyte"])}
    out, gone = leftout.fewer(stage, some, opened)
    none = without_result(stage)
    all_but = str(int(opened or 0) - len(none))  # what lacks nothing but containers without any result is said once
    rows = [(f"{n} of {opened}", stage.study.label_of(a)) for a, n in some.items()
            if n not in (opened, all_but) and a not in gone]
    fewer = leftout.in_one(pd.DataFrame(rows, columns=["where", "name"]), len(some))
    return [*told, *[f"Not measured in all containers opened: {fewer}."] * bool(fewer), *out,
            *[f"Without any result: {named(none)}."] * bool(none)]


def without_result(stage: OpenStage) -> list[str]:
    """Stored containers of which no sample has a result of an analyte that decides."""
    counts = stage.results[stage.results["analyte"].map(stage.study.decides).astype(bool)]
    of = stage.samples.set_index("sample")["container"]
    seen = set(counts["sample"].map(of).dropna().astype(str))
    stored = stage.containers.loc[stage.containers["treatment"] == "stored", "container"].astype(str)
    return [c for c in stored if c not in seen]


def todo(stage: OpenStage) -> list[str]:
    """The action as the verdict stage printed it, the first and last litres, and how long it may stand."""
    action = recorded(stage, "06-verdict").get("action", "")
    note = barred_note(stage.study.safety)
    told = [note] * bool(note and note not in action) + [SAFETY]
    before, unopened, after = shortly(action).partition(UNOPENED)
    told[-1:-1] = [*[_in_whose_words(stage, before.strip())] * bool(action), *[unopened + after] * bool(unopened)]
    told += _poured(stage)
    standing = optional(stage, "06-verdict", "time-answers").get("in short", pd.Series(dtype=str))
    return told + list(filter(None, ends_once(list(standing))))


def _poured(stage: OpenStage) -> list[str]:
    """What is known of uses that speak against pouring as it stands, those alike in one sentence, then of how many litres."""
    uses, ends = _uses(stage), litres.volumes(recorded(stage, "06-verdict"))
    alike = dict[str, list[str]]()
    against, vetoed = _against(stage), recorded(stage, "06-verdict").get("verdict", FIRM[0]) in VETOED
    for use, text in against if vetoed else _against(stage, once=True):
        alike.setdefault(text, []).append(use + " poured unmixed" * (use == litres.ENDS[0]))
    told = [f"{both(names)[:1].upper()}{both(names)[1:]}: {text}." for text, names in alike.items()]
    spoken_of = uses["use"].isin(litres.ENDS).any()
    floor = litres.floor_within(uses)
    if not against:
        return [" ".join(filter(None, (_litres(stage), floor, ends if spoken_of else "")))]
    besides = f"{ends if spoken_of else ''}{litres.besides(uses, _verdicts(stage))}".strip()
    return [*told, *filter(None, (floor, besides))]


def _litres(stage: OpenStage) -> str:
    """What is said of the first and the last litres where none is beyond, and of which analytes."""
    return litres.told(_uses(stage), _verdicts(stage), _aside(stage, "uses"))


def _in_whose_words(stage: OpenStage, action: str) -> str:
    """An action that the study's author wrote, set in quotation marks: page one must not read as if the kit said it."""
    before = ""
    for said_first in (UNSEEN, barred_note(stage.study.safety)):
        if said_first and action.startswith(said_first):
            before, action = f"{before}{said_first} ", action.removeprefix(said_first).lstrip()
    mine = _own(stage, action)
    own = mine.do if mine else ""
    mixed = bool(mine and "mixing" in (mine.known or ()))  # such an action lets nothing be used unmixed
    clears = mixed or recorded(stage, "06-verdict").get("verdict", "") == "homogeneous"
    words = f"In the author's words{'' if clears else NO_CLEARANCE}: “{own}”{action.removeprefix(own)}"
    return before + (words if own else action)


def _own(stage: OpenStage, action: str) -> Action | None:
    """The author's action that a printed one begins with; None where none is quoted."""
    mine = [a for a in stage.study.actions.values() if action.startswith(a.do) and a.do not in OWN]
    return max(mine, key=lambda a: len(a.do), default=None)


def _verb(stage: OpenStage) -> str:
    """What is done to a container that may not be used as it stands: treated where an action that does something is quoted."""
    action = recorded(stage, "06-verdict").get("action", "")
    for said_first in (UNSEEN, barred_note(stage.study.safety)):
        action = action.removeprefix(said_first).lstrip()
    mine = _own(stage, action)
    return "Treat" if mine and set(mine.known or ()) - {"nothing"} else "Set aside"


def _named_beyond(stage: OpenStage) -> set[str]:
    """Analytes of which containers or groups are named as beyond by their zones."""
    zones = of_zones(optional(stage, "06-verdict", "containers-beyond"))
    return set(zones.get("name", pd.Series(dtype=str))) | {name for name, _ in beyond_groups(stage, deciding=True)}


def _by_use(stage: OpenStage) -> str:
    """Uses other than the zones whose words veto, and for which analytes, in one sentence; '' where none has."""
    return "; ".join(f"{use} {text}" for use, text in told) + "." if (told := _against(stage)) else ""


def _against(stage: OpenStage, *, once: bool = False) -> list[tuple[str, str]]:
    """Each use other than the zones whose words veto, with these words and the analytes that they are about.

    ``once``: floors beyond are said with the answer and container by container under which, so they are only named here, beside
    others.
    """
    table, told, far = _uses(stage), list[tuple[str, str]](), _named_beyond(stage)
    for use in (u for u in USES if u != "zones"):
        rows = table[(table["use"] == use) & vetoing(table)]
        low = floors_beyond(rows) if use == "floor" and once else rows[:0]
        rows = rows.drop(low.index)
        whole = use == WHOLE  # the table by use has its reasons
        rows = rows[rows["word"] != UNDECIDED] if whole and told else rows
        named = () if whole else (SINGLE, MOST)
        rows = rows.assign(said=[said(r) if r["word"] in named else OF_MEAN if r["word"] == UNDECIDED and use in litres.ENDS
                                 and r["name"] in far else r["word"] for r in rows.to_dict("records")])
        every = table["name"].nunique()
        parts = [f"{str(words).replace(UNDECIDED, OPEN)} for "
                 + (f"all {every} analytes" if len(part) == every > FEW else both(list(part["name"])))
                 for words, part in rows.groupby("said", sort=False)]
        named_below = [f"beyond the margin for {both(list(low['name']))} (see which containers)"] * bool(len(low))
        told += [(use, "; ".join([*named_below, *parts]))] if parts else []
    return told


def which(stage: OpenStage) -> list[str]:
    """What to do with each container, and why; then the evidence: those shown to lie beyond a margin, and the groups."""
    opened = recorded(stage, "00-study").get("containers_stored", "")
    beyond = optional(stage, "06-verdict", "containers-beyond")
    told, others = by_zones(beyond), elsewhere(beyond)
    names = set(of_zones(beyond).get("container", pd.Series(dtype=str)).astype(str))
    others += _floors_on_average(stage, beyond)
    of, aside = _of_which(stage)
    rest = [] if opened in ("1", str(len(names))) else _of_the_others(
        stage, set(beyond.get("container", pd.Series(dtype=str)).astype(str)), bool(aside))
    if not names and others:
        told.append(f"The zones of the one that was opened are not shown to lie beyond {of}; the answer holds for it alone."
                    if opened == "1" else f"The zones of no single container are shown to lie beyond {of}, which does not "
                    f"show that each is within{aside}.")
    elif not names:
        told.append(f"No single container is shown to lie beyond {of}, which does not show that each is within{aside}."
                    if opened != "1" else f"The one that was opened: the answer holds for it alone{aside}.")
    elif opened == str(len(names)):
        told[-1] += f" That is every one of {opened} sampled."
    elif opened != "1":
        told[-1] += f" That is {len(names)} of {opened} sampled{'' if rest else OTHERS}."
    told += rest
    told += [" ".join(others)] if others else []
    told += leftout.containers(optional(stage, "06-verdict", "beyond-with-excluded"))
    return [*_acts(stage), *told] + [f"Groups whose mean lies beyond the margin of {name}: {'; '.join(groups[:LONG])}."
                                     for name, groups in beyond_groups(stage, deciding=True)]


def _acts(stage: OpenStage) -> list[str]:
    """What to do with each container opened, a sentence each; those without a result are named whatever was asked of time."""
    clear = optional(stage, "06-verdict", "containers-within").reindex(columns=["container", "within"])
    within, verb = set(clear.loc[clear["within"] == YES, "container"].astype(str)), _verb(stage)
    acts = action_words(optional(stage, "06-verdict", "time-actions"), stage.study.labels, verb, within)
    none = without_result(stage) if stage.study.scope != "container" else []
    told = [line.removeprefix("- ") for line in acts.splitlines()]
    at = next((k for k, line in enumerate(told) if not line.startswith(verb)), len(told))
    told[at:at] = [f"{verb}, or sample again before use: {named(none)}, because nothing is known of "
                   f"{'it' if len(none) == 1 else 'them'}: no result."] * bool(none)
    return told + (_dates_rest_on(stage) if DAY.search(acts) else [])


def _dates_rest_on(stage: OpenStage) -> list[str]:
    """That days to leave or to sample again may be too late, where age and lot cannot be told apart."""
    answers = optional(stage, "06-verdict", "time-answers")
    told = " ".join(map(str, [*answers.get("sentence", ()), *answers.get("holds for", ())]))
    return ["These days may be too late: what age does cannot be told apart here from other differences between "
            "containers."] * (TIED in told)


def _of_the_others(stage: OpenStage, beyond: set[str], aside: bool) -> list[str]:
    """How many containers of an uneven stock are shown within, and the names of those shown neither way.

    Of another stock that is not homogeneous only those that are shown something, where no list of what to do names each.
    """
    word, table = recorded(stage, "06-verdict").get("verdict"), optional(stage, "06-verdict", "containers-within")
    uneven, acts = word == "uneven", optional(stage, "06-verdict", "time-actions")
    within = count_words(table)
    if not within or (not uneven and (word == "homogeneous" or len(acts))):
        return []
    none, clear = set(without_result(stage)), table["within"] == YES
    open_ = [c for c in table.loc[~clear, "container"].astype(str) if c not in beyond | none]
    told = within.replace("every margin", "every margin that decides", 1) if aside else within
    closed = table["not judged"].astype(str).ne("").any()
    if not uneven and (closed or not (beyond or clear.any())):
        return []
    return [*[told] * bool(uneven or clear.any()),
            *[f"Shown neither beyond nor within every margin by their own zones, so not cleared: {listed(open_, LONG)}."]
            * bool(open_ and not closed)]


def _of_which(stage: OpenStage) -> tuple[str, str]:
    """Of which margins "no container beyond" speaks, and a clause on those for information, which it does not speak of."""
    aside = _aside(stage, "verdicts")
    if aside.empty:
        return "a margin", ""
    names = list(_verdicts(stage)["name"])
    of = f"the margin of {both(names)}" if 0 < len(names) <= FEW else "the margin of an analyte that decides"
    finals = [word_of(str(r["verdict"]), str(r["stock"])) for r in aside.to_dict("records")]
    parts = [f"{both(part)} {'is' if len(part) == 1 else 'are'} {word}"
             for word, part in aside.assign(final=finals).groupby("final", sort=False)["name"]]
    return of, f"; beside that, deciding nothing, {both(parts)}"


def _floors_on_average(stage: OpenStage, beyond: pd.DataFrame) -> list[str]:
    """Analytes of which the floors lie beyond on average, and no single container's is shown to."""
    own = set(beyond.loc[beyond["pair"] == FLOOR, "name"]) if len(beyond) else set()
    table = _uses(stage)
    rows = table[(table["use"] == "floor") & table["word"].isin((SINGLE, MOST, BEYOND)) & ~table["name"].isin(own)]
    return [f"On the floor the liquid lies on average beyond the margin of {both(list(rows['name']))}."] * bool(len(rows))


def _without_word(table: pd.DataFrame) -> list[str]:
    """Analytes whose mean has no firm word, in sentences; of those with containers named beyond only the mean is open."""
    told, named = [], table["stock"].isin(("uneven", "stratified"))
    for verdict, words in (("inconclusive", "neither shown to be within its margin nor beyond"),
                           ("not assessed", "not assessed")):
        for own, text in ((~named, "{}: {}."),
                          (named, "Between depths, on average over the containers, {}, beside those named as beyond: {}.")):
            names = list(table.loc[(table["verdict"] == verdict) & own, "name"])
            told += [text.format(words, series(names))] if names else []
    return [t[:1].upper() + t[1:] for t in told]


def _hopeless(stage: OpenStage) -> list[str]:
    """Open analytes that no reasonable number of further results or containers would decide, in a sentence."""
    table = optional(stage, "06-verdict", "sentences").reindex(columns=["analyte", "verdict", "stock", "sentence"])
    open_ = (table["verdict"] == "inconclusive") & ~table["stock"].isin(("uneven", "stratified"))
    rows = table[open_ & table["sentence"].astype(str).str.contains(HOPELESS, case=False)]
    names = [stage.study.label_of(a) for a in rows["analyte"] if stage.study.decides(a)]
    told = f"No reasonable number of further results would decide {both(names)}: what was found lies close to the margin."
    return [told] * bool(names)


def _at_no_depth(stage: OpenStage) -> list[str]:
    """Depths at which an open analyte has no result, in a sentence each."""
    table = optional(stage, "06-verdict", "sentences").reindex(columns=["analyte", "verdict", "reasons"])
    open_ = table[table["verdict"] == "inconclusive"]
    where = open_["reasons"].astype(str).str.extract("^" + re.escape(NO_RESULT).replace(r"\{\}", "(.+?)"), expand=False)
    return [f"No result at {depths}: {series(stage.study.label_of(a) for a in open_.loc[rows.index, 'analyte'])}."
            for depths, rows in where.groupby(where, sort=False)]


def _visits_without(stage: OpenStage) -> list[str]:
    """Planned visits of which nothing was drawn or measured."""
    status = lock_status(stage.root, stage.study)
    return visits.without_draws(stage, [status.locked_on, *(c.date for c in status.changes)])


def unknown(stage: OpenStage) -> list[str]:
    """Analytes without a firm word, the floor, containers that were not opened, and where the rest stands."""
    table = _verdicts(stage)
    limits = leftout.only_limits(optional(stage, "06-verdict", "sentences"), stage.study)
    told = [" ".join([*open_, *_at_no_depth(stage), *_hopeless(stage), *limits])] if (open_ := _without_word(table)) else []
    rows = table[(table["verdict"] == "homogeneous") & (table["stock"] == "inconclusive")
                 & ~table["analyte"].isin(of_one(stage))]
    why = optional(stage, "06-verdict", "sentences").set_index("analyte")["reasons"] if len(rows) else pd.Series(dtype=str)
    share = [r["name"] for _, r in rows.iterrows() if share_is_why(str(why.get(r["analyte"], "")))]
    who = series(share) if len(share) <= FEW else f"each of the {len(share)} that are {ON_AVERAGE}"
    told += [f"More containers than the {stage.study.share_percent:g} % allowed could lie beyond the margin of "
             f"{who}."] if share else []
    told += [f"{r['name']}: {left}" for _, r in rows.iterrows() if (left := left_open(str(why.get(r["analyte"], ""))))]
    cannot = list(optional(stage, "06-verdict", "cannot").get("what", pd.Series(dtype=str)))
    told += _visits_without(stage)
    silent = not any("on the floor was not seen" in text for text in cannot[:2])
    told += ["What lies on the floor: no draw reached it."] * (silent and unseen(_uses(stage)))
    first = ((NO_WORD, NOT_SEEN), f"of it {LABEL}.")  # those were said under the first question
    cannot = [text for text in cannot if not text.startswith(first[0]) and not text.endswith(first[1])]
    new = [] if f"The answer {LABEL}." in cannot[:2] else cannot[:2]  # of one container that was said under which
    return [*told, *new, "What each method cannot see: in the report, under \u201cWhat this does not say\u201d."]
