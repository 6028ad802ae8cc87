"""A letter to the laboratory: what the checks ask of it, in blind codes only, and what should be measured again.

A row is a bottle or a run, in random order; rows stand together by what is likeliest, and each group asks what somebody at
the bench can answer. Nothing says what a reading was expected to be, and nothing tells depths, containers, order of draws,
or which bottles belong together: suspected pairs are not named as pairs, and every list of bottles holds others about which
there is no question, of each depth as many. Causes that lie in a container or its drawing are no question for a laboratory;
their bottles only stand in the list to be measured again.

That list gives every portion a new code, some bottles two of them (blind duplicates). The portions are splits of their
bottles: ``lines`` has them as rows of plan/samples.csv, so that the answer is taken in like any other report.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from studykit.core.listing import series
from studykit.quality.exchanges import COLUMNS, ROWS
from studykit.quality.explain import DIRT
from studykit.quality.flags import LOST, listed
from studykit.quality.together import FLOOR
from studykit.study.codes import generator, make_codes, shuffled
from studykit.study.columns import CONTAINERS, SAMPLES, ZONE_KINDS
from studykit.study.definition import Study

ASKED = ("stop and find out", "ask before trusting")
QUESTIONS = ["group", "about", "code", "run", "position", "analytes", "reported", "answer", "found_by", "on"]
AGAIN = ["Sample", "Run", "Position", "Analyte", "Unit", "Result"]
NAME = "In words"
"""The column of again.csv with the analyte's name; the key beside it is what is read back."""
TWICE = 0.2
"""Share of the portions that are blind duplicates, two at least (common practice, no source)."""
MOST = 24
"""Bottles measured again, at most, before those of comparison (own judgement)."""
BESIDE = 3
"""Bottles of each run that are measured side by side (own judgement)."""
SIDE_BY_SIDE = ("drift", "run shift", "run offset", "run and stock", "carry-over", "control rules",
                "measured again")
"""Rules that ask for bottles of a run again beside those of another."""
SHORT = re.compile(r"portion or dilution \(sample ([^\s)]+)")
"""A portion, and its bottle, as an explanation's words name them among its rivals."""
HIDDEN = ("container", "lot", "store", "vessel", "treatment", "orientation", "sister_of")
WITHHELD = "(name not given here)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Flags that one kind of look at the bench settles: its name, the rules, what is asked.

    ``by_run``: of a run. ``alone``: without bottles of comparison, since what is asked makes sense of its own bottles only.
    """

    name: str
    rules: frozenset[str]
    asks: tuple[str, ...]
    by_run: bool = False
    alone: bool = False


GROUPS = (
    Group(name="bottles without a result", rules=frozenset({"missing results"}), alone=True,
          asks=("Did this bottle arrive, and in which state (broken, leaking, label not legible)?",
                "Was it measured? If so, please send an amended report; if not, is there enough left to measure it?")),
    Group(name="numbers as they were written",
          rules=frozenset({"unit slip", "transposed digits", "value alone", DIRT, "impossible value", "odd limit",
                           "marked cell"}),
          asks=("Are number, unit, decimal point and digits the same in the instrument's own printout? Please send it.",
                "Was the value typed or computed by hand at any step, and from what?")),
    Group(name="weighing and dilution", rules=frozenset({"portion or dilution", FLOOR}),
          asks=("Which amount was taken, and which dilution was made? Please look at the balance's and the bench record.",
                "Is there enough left for another portion?")),
    Group(name="which bottle was read", rules=frozenset({"swapped samples", "copied row"}),
          asks=("Does the raw printout name this bottle at this place of the tray?",
                "Was the row typed or pasted, and from where?")),
    Group(name="repeated readings", rules=frozenset({"duplicates apart"}),
          asks=("Was each determination made from a portion of its own? Please send what each of them read.",
                "Was anything seen in the bottle or on the portion (haze, drops, particles), and how was it shaken?")),
    Group(name="rows and columns of a report", rules=frozenset({COLUMNS, ROWS}), by_run=True,
          asks=("Which channel of the instrument, and which place of its tray, stands under which name in this file? Please "
                "send its own printout.",
                "Was anything sorted, typed or pasted by hand on the way?")),
    Group(name="a run", by_run=True,
          rules=frozenset({"drift", "run shift", "run offset", "check fluid", "control rules", "carry-over", "blank",
                           "saturated curve", "measured again"}),
          asks=("When was the instrument calibrated in this run, and what did your own control samples read at its beginning "
                "and end?", "How was it rinsed between bottles, and was anything else changed or stopped during the run?")),
    Group(name="the whole report", by_run=True,
          rules=frozenset({"repeatability", "too good", "many duplicates apart", "coarse rounding", "digit preference"}),
          asks=("How are second determinations made: from a second portion, or by reading one preparation twice?",
                "How finely does the instrument give this analyte? Please send values that are not rounded.",
                "Please send the control chart of this analyte over the days of these runs.")),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Letter:
    """What goes to the laboratory, and what stays.

    questions (``QUESTIONS``) and again (``AGAIN``, results to be filled in) are for whoever measures; relabel (bottle,
    new_code) for whoever pours the portions and is somebody else; lines stay: the portions as rows of plan/samples.csv.
    """

    questions: pd.DataFrame
    again: pd.DataFrame
    relabel: pd.DataFrame
    lines: pd.DataFrame

    @property
    def empty(self) -> bool:
        """True where no check asks anything that a laboratory could answer or measure again."""
        return self.questions.empty and self.again.empty


def compose(study: Study, containers: pd.DataFrame, samples: pd.DataFrame, results: pd.DataFrame,
            flags: pd.DataFrame) -> Letter:
    """The letter for these flags (as of ``QualityReport.flags``); empty where nothing stops or asks."""
    open_ = flags[flags["concern"].isin(ASKED)].to_dict("records")
    names = _shown_names(containers, samples, results)
    rows: dict[tuple[str, str], set[str]] = {}
    for f in open_:
        group = group_of(f)
        if group is not None:
            for about in (_runs_of(f, results) if group.by_run else _bottles_of(f)):
                rows.setdefault((group.name, about), set()).update(_analytes(f, study))
    rng = generator(study.seed, f"letter/{_unguessed(samples)}")
    _with_others(rows, samples, results, rng)
    questions = _questions(study, rows, results, names, rng)
    bottles = {s for f in open_ for s in str(f["samples"]).split()} | _side_by_side(open_, samples, results, rng)
    analytes = sorted({a for f in open_ for a in _analytes(f, study)}, key=list(study.analytes).index)
    return _with_portions(study, samples, results, questions, bottles, analytes)


def group_of(flag: Mapping[Any, Any]) -> Group | None:
    """The group of a flag; None where it is no question for a laboratory. A unit of a whole file concerns its run.

    Settling that a portion of one test may bring about as well is a question about that portion. A bottle that was never drawn
    or whose readings this kit refused is none either.
    """
    if flag["rule"] == "missing results" and LOST not in str(flag.get("evidence", "")):
        return None
    if flag["rule"] == "own settling" and SHORT.search(str(flag.get("evidence", ""))):
        return next(g for g in GROUPS if "portion or dilution" in g.rules)
    if flag["rule"] == "unit slip" and str(flag["where"]).startswith("file "):
        return GROUPS[-1]
    return next((g for g in GROUPS if flag["rule"] in g.rules), None)


def _bottles_of(flag: Mapping[Any, Any]) -> list[str]:
    """The bottles that a question is about: of settling that a portion rivals, the one whose portion that is."""
    return SHORT.findall(str(flag["evidence"])) if flag["rule"] == "own settling" else str(flag["samples"]).split()


def _analytes(flag: Mapping[Any, Any], study: Study) -> list[str]:
    named = [a.strip() for a in str(flag["analyte"]).split(",")]
    return [a for a in named if a in study.analytes] or list(study.analytes)


def _runs_of(flag: Mapping[Any, Any], results: pd.DataFrame) -> list[str]:
    """The runs that a flag concerns: those that it names, else those of its bottles, else all."""
    runs = sorted({str(r) for r in results["run"].fillna("")} - {""})
    named = [r for r in runs if re.search(rf"(?<!\w){re.escape(r)}(?!\w)", str(flag["where"]))]
    own = set(results.loc[results["sample"].isin(str(flag["samples"]).split()), "run"].fillna("").astype(str)) - {""}
    return named or sorted(own) or runs or ["all"]


def _side_by_side(open_: Iterable[Mapping[Any, Any]], samples: pd.DataFrame, results: pd.DataFrame, rng: Any) -> set[str]:
    """What the flags of runs ask for: some bottles of each run that they name and of another one, and the check fluid."""
    flags = [f for f in open_ if f["rule"] in SIDE_BY_SIDE and str(f["where"]).startswith(("run", "all runs"))]
    own = results[["sample", "run"]].assign(run=results["run"].fillna("").astype(str)).drop_duplicates()
    kind = own["sample"].map(samples.set_index("sample")["kind"])
    named = {r for f in flags for r in _runs_of(f, results)}
    others = shuffled(sorted(set(own["run"]) - named), rng)[:1] if named else ()
    out: set[str] = set()
    for run in (*sorted(named), *others):
        out |= set(shuffled(sorted(own.loc[(own["run"] == run) & kind.isin(ZONE_KINDS), "sample"]), rng)[:BESIDE])
        out |= set(shuffled(sorted(own.loc[(own["run"] == run) & kind.eq("check fluid"), "sample"]), rng)[:1])
    return out


def _unguessed(samples: pd.DataFrame) -> str:
    """A text that follows from what only the plan knows, so that nobody repeats the random orders from the seed alone."""
    secret = samples[["sample", "container", "depth", "kind"]].astype(str).to_csv(index=False)
    return hashlib.sha256(secret.encode("utf-8")).hexdigest()


def _with_others(rows: dict[tuple[str, str], set[str]], samples: pd.DataFrame, results: pd.DataFrame, rng: Any) -> None:
    """To the bottles of each group, unless they stand alone, others are added, asked for in the same analytes."""
    for name in {group for group, _ in rows} & {g.name for g in GROUPS if not (g.by_run or g.alone)}:
        own = sorted(code for group, code in rows if group == name)
        for k, code in enumerate(_others(own, samples, results, rng)):
            rows[name, code] = set(rows[name, own[k % len(own)]])


def _others(own: Sequence[str], samples: pd.DataFrame, results: pd.DataFrame, rng: Any) -> list[str]:
    """Bottles without a question, so many of each depth that no depth is commoner than another among all of them.

    So a list tells nothing of depths even where its questions do. At most ``MOST``.
    """
    measured = samples[samples["sample"].isin(results["sample"]) & samples["kind"].isin(ZONE_KINDS)]
    depth = dict(zip(measured["sample"].astype(str), measured["depth"].astype(str), strict=True))
    count = {d: sum(depth.get(s) == d for s in own) for d in sorted(set(depth.values()))}
    out: list[str] = []
    for d, n in count.items():
        free = shuffled(sorted(s for s, at in depth.items() if at == d and s not in own), rng)
        out += free[: max(count.values()) - n]
    return list(shuffled(out, rng))[:MOST]


def _shown_names(containers: pd.DataFrame, samples: pd.DataFrame, results: pd.DataFrame) -> dict[str, str]:
    """Runs and report files as they may be shown: a name that holds a word of the plan is withheld."""
    own = [c for c in containers.columns if c not in CONTAINERS.names]
    told = [containers[c] for c in (*HIDDEN, *own) if c in containers]
    told += [samples[c] for c in ("depth", "kind", "tool") if c in samples]
    words = {w for column in told for text in column.dropna().astype(str).unique() for w in _words(text)}
    named = {str(x) for c in ("run", "source_file") for x in results[c].dropna().unique()}
    return {n: WITHHELD if _words(n) & words else n for n in named}


def _words(text: str) -> set[str]:
    return set(re.findall(r"[^\W_]+", text.casefold()))


def _called(study: Study) -> dict[str, str]:
    """Analytes as people name them, with the key behind, by which the laboratory's files may have them."""
    return {a: name if name == a else f"{name} ({a})" for a, name in study.labels.items()}


def _questions(study: Study, rows: Mapping[tuple[str, str], set[str]], results: pd.DataFrame, names: Mapping[str, str],
               rng: Any) -> pd.DataFrame:
    """The rows by group, in random order within it."""
    called = _called(study)
    order = {g.name: k for k, g in enumerate(GROUPS)}
    by_run = {g.name for g in GROUPS if g.by_run}
    mixed = sorted(shuffled(sorted(rows), rng), key=lambda key: order[key[0]])
    out = []
    for group, about in mixed:
        analytes = [a for a in dict.fromkeys(results["analyte"]) if a in rows[group, about]]
        if group in by_run:
            out.append((group, "run", "", names.get(about, about), "", series(called[a] for a in analytes), "", "", "", ""))
            continue
        own = results[(results["sample"] == about) & results["analyte"].isin(analytes)]
        read = "; ".join(f"{called[r['analyte']]} {r['as_written']} {r['unit']}" for r in own.to_dict("records")) if (
            len(analytes) <= 2) else ""
        places = own.drop_duplicates(["run", "run_order"])
        run = ", ".join(dict.fromkeys(names.get(str(r), str(r)) for r in places["run"].fillna("")))
        at = ", ".join(dict.fromkeys(str(int(p)) for p in places["run_order"].dropna()))
        out.append((group, "bottle", about, run, at, series(called[a] for a in analytes), read, "", "", ""))
    return pd.DataFrame(out, columns=QUESTIONS, dtype=str)


def _with_portions(study: Study, samples: pd.DataFrame, results: pd.DataFrame, questions: pd.DataFrame,
                   bottles: set[str], analytes: Sequence[str]) -> Letter:
    """The letter with the list to be measured again: bottles in question, others among them, some twice."""
    purpose = f"again/{_unguessed(samples)}"
    rng = generator(study.seed, purpose)
    measured = samples[samples["sample"].isin(results["sample"]) & (
        samples["container"].ne("") | samples["kind"].eq("check fluid"))]
    known = measured["sample"].astype(str).tolist()
    asked = list(shuffled(sorted(bottles & set(known)), rng))[:MOST]
    drawn = list(shuffled(asked + _others(asked, samples, results, rng), rng)) if asked else []
    portions = drawn + drawn[: max(2, round(TWICE * len(drawn)))] if drawn else []
    codes = make_codes(len(portions), study.seed, avoid=set(samples["sample"].astype(str)), purpose=purpose)
    made = list(zip(portions, codes, strict=True))
    order = shuffled(range(len(made)), rng)
    again = [(made[i][1], "again", place, a, study.unit_of(a), "") for place, i in enumerate(order, 1) for a in analytes]
    return Letter(questions=questions, again=_named(pd.DataFrame(again, columns=AGAIN), study),
                  relabel=pd.DataFrame(shuffled(made, rng), columns=["bottle", "new_code"]),
                  lines=_lines(samples, made))


def _named(again: pd.DataFrame, study: Study) -> pd.DataFrame:
    """The list with the name of each analyte behind its key, where one has another name."""
    if all(study.labels.get(a, a) == a for a in again["Analyte"]):
        return again
    again.insert(AGAIN.index("Analyte") + 1, NAME, again["Analyte"].map(study.labels))
    return again


def _lines(samples: pd.DataFrame, made: Iterable[tuple[str, str]]) -> pd.DataFrame:
    """The portions as rows of plan/samples.csv."""
    by = {str(r["sample"]): r for r in samples.to_dict("records")}
    rows = []
    for bottle, code in sorted(made, key=lambda x: x[1]):
        own = by[bottle]
        kind = "split" if own["kind"] in ZONE_KINDS else own["kind"]
        rows.append({c: own.get(c) for c in ("container", "depth", "height")}
                    | {"sample": code, "kind": kind, "note": f"portion of {bottle}, measured again"})
    names = [c for c in SAMPLES.names if c in ("sample", "container", "kind", "depth", "height", "note")]
    return pd.DataFrame(rows, columns=names)


def reports_asked_about(containers: pd.DataFrame, samples: pd.DataFrame, results: pd.DataFrame) -> str:
    """The laboratory's files that the letter is about, in words; names that hold a word of the plan are withheld."""
    names = _shown_names(containers, samples, results)
    return listed(sorted({names[str(f)] for f in results["source_file"].dropna().unique()}), 8)


__all__ = ["AGAIN", "GROUPS", "NAME", "QUESTIONS", "Letter", "compose", "group_of", "reports_asked_about"]
