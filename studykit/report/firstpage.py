"""The first page of the report, from the tables and number records that the stages left behind.

Nothing is computed here: every sentence is put together from saved tables and records, so the
page cannot say anything that the stages did not find.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

import pandas as pd

from studykit.ageing.tables import action_words
from studykit.core.files import read_csv
from studykit.core.listing import of_series, series
from studykit.core.record import literal, read_records, significant
from studykit.inference.each import MAY
from studykit.inference.single import LABEL
from studykit.model.tables import MEANT, TRIED, unchanged
from studykit.quality.flags import listed
from studykit.report import history, visits
from studykit.report.beyond import by_zones, elsewhere, of_zones
from studykit.report.manifest import hashes, input_files
from studykit.study.actions import barred_lines
from studykit.study.ages import span_words
from studykit.study.cautions import markdown
from studykit.study.exclusions import exclusion_lines
from studykit.study.lock import LockStatus, lock_status
from studykit.study.seal import short
from studykit.study.spans import on_margin, unit_told
from studykit.study.stages import OpenStage
from studykit.verdict.cleared import litres_told
from studykit.verdict.containers import SHARE
from studykit.verdict.rule import ON_AVERAGE, ONE_ONLY
from studykit.verdict.uses import shown


def _place(stage: OpenStage, stem: str, name: str) -> Path:
    """A file of an earlier stage: of this run where it made one, else of the filed report."""
    path = stage.out.parent / stem / name
    return path if path.exists() else stage.root / "report" / stem / name


def recorded(stage: OpenStage, stem: str) -> dict[str, str]:
    """Printed text of the records of an earlier stage; empty where it recorded none."""
    path = _place(stage, stem, "numbers.json")
    return {r.name: r.text() for r in read_records(path)} if path.exists() else {}


def together(text: str) -> str:
    """Keep a number and its unit on one line."""
    return re.sub(r"(?<=[0-9]) (?=%|°C|mg|mm|g/|L\b|µm|months\b)", "\u00a0", text)


def optional(stage: OpenStage, stem: str, name: str) -> pd.DataFrame:
    """A table of an earlier stage; empty where that stage saved none or one without a column."""
    path = _place(stage, stem, f"{name}.csv")
    if not path.exists() or path.stat().st_size < 2:
        return pd.DataFrame()
    return read_csv(path, keep_default_na=False, dtype={"container": str, "group": str})  # codes are text


def words(stage: OpenStage) -> dict[str, str]:
    """Verdict word of each analyte."""
    table = stage.read_table("06-verdict", "verdicts", dtype=str)
    return dict(zip(table["analyte"], table["verdict"], strict=True))


def in_a_word(stage: OpenStage) -> dict[str, str]:
    """Word by which each analyte is listed, as in the study's sentence: of the stock, and whether only its mean is even."""
    table, few = stage.read_table("06-verdict", "verdicts", keep_default_na=False), of_one(stage)
    return {r["analyte"]: ONE_ONLY if r["analyte"] in few and r["verdict"] == "homogeneous" else
            word_of(str(r["verdict"]), str(r["stock"])) for _, r in table.iterrows()}


def word_of(verdict: str, stock: str) -> str:
    """The word for what the study claims: a mean that is homogeneous, open or not assessed says nothing yet of the stock."""
    if verdict != "stratified" and stock in ("uneven", "stratified"):
        return stock
    return ON_AVERAGE if verdict == "homogeneous" and stock == "inconclusive" else verdict


def answer(stage: OpenStage) -> str:
    """The verdict as a quotation block, with that at the margins locked first where it is another; then what changed since.

    Where much changed after the lock, that is told in short.
    """
    numbers = recorded(stage, "06-verdict")
    box = [f"> **{literal(numbers['verdict_sentence'])}**"]
    box += [">", f"> {literal(text)}"] if (text := numbers.get("verdict_sentence_at_lock")) else []
    return together("\n".join((*box, *history.above(*_history(stage)))))


def _history(stage: OpenStage) -> tuple[LockStatus, pd.DataFrame, list[str]]:
    """How the lock stands, the words at earlier margins, and what a person excluded, a sentence a reason."""
    return lock_status(stage.root, stage.study), optional(stage, "06-verdict", "margins-before"), _taken_out(stage)


def sealed(stage: OpenStage) -> str:
    """The seal of the lock and the newest days of sampling, lock and results, for the foot of the page.

    They tell which state was judged. The day on which the page is made is none of them: it comes out alike when run again.
    """
    status, told = lock_status(stage.root, stage.study), []
    if status.seal:
        told.append(f"Seal of the lock: {short(status.seal)}. The date of the lock is its author's own statement; a time "
                    "stamp, or the seal on a sheet or mail from before the data, supports it.")
    told.append(_days(stage, status.locked_on))
    return " ".join([*told, "Advice on homogeneity, not on fitness for use."])


def _days(stage: OpenStage, locked_on: str) -> str:
    """The newest days of sampling and of results, and that of the lock, each said as what it is; also where none is known."""
    sampled, reported = visits.sampled_on(stage), visits.newest([stage.results.get("reported_on")])
    days = [f"{what} on {day}" for what, day in (("Last sampled", sampled), ("plan locked", locked_on),
                                                 ("last result reported", reported)) if day]
    text = "; ".join(days) or "no day of sampling, lock or report is known"
    return f"{text[:1].upper()}{text[1:]}."


def _taken_out(stage: OpenStage) -> list[str]:
    """What a person excluded, each reason once with its samples, and what was taken back again."""
    lines = exclusion_lines(stage.root, stage.study, stage.results)
    if lines.empty:
        return []
    lines = lines.merge(stage.samples[["sample", "container"]], on="sample", how="left").fillna({"container": ""})
    told = []
    for (who, why, back), part in lines.groupby(["who", "reason", "taken_back_because"], sort=False, dropna=False):
        own = {str(c): list(dict.fromkeys(rows["sample"])) for c, rows in part.groupby("container", sort=False)}
        names = [text for c, codes in own.items() for text in
                 ([f"{c} ({len(codes)} samples)"] if c and len(codes) > 2 else [f"{s}{' of ' if c else ''}{c}" for s in codes])]
        what = series(dict.fromkeys(stage.study.label_of(a) for a in part["analyte"] if a)) or "all analytes"
        day = pd.Timestamp(part["date"].iloc[0]).date().isoformat()
        text = f"Excluded by {who} on {day}: {what} of {listed(names, 12)}, because: {str(why).rstrip('.')}."
        if (part["taken_back_on"].notna()).all():
            again = pd.Timestamp(part["taken_back_on"].iloc[0]).date().isoformat()
            text += f" Taken back on {again} by {part['taken_back_by'].iloc[0]}, because: {str(back).rstrip('.')}."
        told.append(text)
    return told


def of_one(stage: OpenStage) -> list[str]:
    """Analytes of a claim about more than one container whose word holds for the one in which they were measured."""
    told = optional(stage, "06-verdict", "sentences")
    if stage.study.scope == "container" or told.empty:
        return []
    return list(told.loc[told["holds for"] == LABEL, "analyte"])


def verdict_table(stage: OpenStage) -> pd.DataFrame:
    """The verdict table of the verdict stage; without the word for the stock where the claim is about one container."""
    table = stage.read_table("06-verdict", "verdicts").drop(columns="analyte").rename(columns={"name": "analyte"})
    table = table.drop(columns="stock") if table["stock"].isna().all() else table
    scales = list(zip(table["unit"].fillna("").astype(str), table["margin"].astype(str), strict=True))
    numbers = {c: [on_margin(float(x), *scale)[0] for x, scale in zip(table[c], scales, strict=True)]
               for c in ("difference", "low", "high")}
    return table.assign(**numbers, unit=[unit_told(*scale).strip() for scale in scales])


def by_use(stage: OpenStage) -> pd.DataFrame:
    """The answer by use as the verdict stage found it: one row an analyte, one column a use."""
    table = shown(stage.read_table("06-verdict", "uses"))
    return table.assign(analyte=[stage.study.label_of(a) for a in table["analyte"]])


def profile_alt(stage: OpenStage) -> str:
    """Alt text of the profile figure, from the verdict table."""
    table, words = stage.read_table("06-verdict", "verdicts"), in_a_word(stage)
    parts = [f"{r['name']}: {words[r['analyte']]}, widest difference {significant(r['difference'], 2)} {r['unit']}"
             for r in table.to_dict("records") if r["difference"] == r["difference"]]
    return "Depth profiles of each analyte. " + "; ".join(parts)


def follows(stage: OpenStage) -> str:
    """What follows: sentences of the analytes that are not homogeneous, containers to treat, and groups.

    'No concern' stands only beside analytes that are homogeneous in what the study claims.
    """
    table = optional(stage, "06-verdict", "sentences")
    out = [f"- {literal(r['sentence'])}" for _, r in table.iterrows() if r["verdict"] != "homogeneous"]
    few = [stage.study.label_of(a) for a in of_one(stage) if a in set(table.loc[table["verdict"] == "homogeneous", "analyte"])]
    out += [f"- Homogeneous in the one container where it was measured, which says nothing of the others: "
            f"{literal(series(few))}."] * bool(few)
    rest = table[(table["verdict"] == "homogeneous") & (table["stock"] != "homogeneous")] if len(table) else table
    rest = rest[~rest["analyte"].isin(of_one(stage))] if len(rest) else rest
    for word, part in rest.groupby("stock", sort=False):
        who = literal(series(stage.study.label_of(a) for a in part["analyte"]))
        out.append(f"- Homogeneous on average only: {who}. " + (
            "Single containers or groups, named below, lie beyond the margin." if word == "uneven" else
            "Every container lies beyond the margin by itself." if word == "stratified" else _open(stage, part)))
    same = [stage.study.label_of(r["analyte"]) for _, r in table.iterrows()
            if r["verdict"] == "homogeneous" and r["stock"] == "homogeneous"]
    if same:
        out.append(f"- Homogeneous, so within the margin in the zones sampled: {literal(series(same))}.")
    beyond = optional(stage, "06-verdict", "containers-beyond")
    told = [*by_zones(beyond), *elsewhere(beyond)]
    out += [f"- {literal(t)}" for t in told] + ["- These containers are to be treated before use."] * bool(told)
    out += [f"- {literal(name)} lies beyond the margin in these groups: {literal('; '.join(where))}."
            for name, where in beyond_groups(stage)]
    out += [f"- {literal(t)}" for t in litres_told(optional(stage, "06-verdict", "litres-by-group"))]
    return together("\n".join(out + standing(stage)))


def _open(stage: OpenStage, rows: pd.DataFrame) -> str:
    """Why the stock of analytes that are homogeneous on average is open: what limits leave open, or the share that may be."""
    reasons = list(map(str, rows["reasons"]))
    share = ("The share of containers that could lie beyond the margin is larger than the "
             f"{stage.study.share_percent:g} % allowed (table of shares in the verdict chapter).")
    left = dict.fromkeys(literal(t) for t in map(left_open, reasons) if t)
    return " ".join([*[share] * any(map(share_is_why, reasons)), *left])


def left_open(reasons: str) -> str:
    """The sentence on what limits leave open among an analyte's reasons; '' where there is none."""
    _, found, after = reasons.partition(MAY)
    return f"{MAY}{after.partition('. ')[0].rstrip('.')}." if found else ""


def share_is_why(reasons: str) -> bool:
    """Whether an open stock is put down to the share of containers that could lie beyond, also where no reason is told."""
    return SHARE in reasons or MAY not in reasons


def beyond_groups(stage: OpenStage, *, deciding: bool = False) -> list[tuple[str, list[str]]]:
    """Name of each analyte with groups whose mean is shown to lie beyond the margin, and those groups in words.

    ``deciding``: without those that are for information only.
    """
    groups = optional(stage, "06-verdict", "groups")
    if "interval lies" not in groups:
        return []
    beyond = groups[groups["interval lies"] == "beyond the margin"]
    return [(stage.study.label_of(str(analyte)), [group_words(r) for _, r in part.iterrows()])
            for analyte, part in beyond.groupby("analyte", sort=False) if not deciding or stage.study.decides(str(analyte))]


def standing(stage: OpenStage) -> list[str]:
    """How long it may stand, a sentence a group, and what to do with the containers; empty where nothing was asked of time."""
    told = optional(stage, "06-verdict", "time-answers")
    out = [f"- **How long it may stand.** {literal(text)}" for text in told.get("sentence", pd.Series(dtype=str))]
    out += [f"- {literal(text)}" for text in told.get("holds for", pd.Series(dtype=str)).unique() if text]
    todo = action_words(optional(stage, "06-verdict", "time-actions"), stage.study.labels)
    return [*out, *([f"- {literal(line.removeprefix('- '))}" for line in todo.splitlines()] if todo else [])]


def group_words(row: pd.Series) -> str:
    """The levels of a group in words: store and lot, any other factor, months."""
    names = [str(n) for n in row.index[: list(row.index).index("containers")] if n not in ("analyte", "age_months")]
    ordered = sorted(names, key=lambda n: ("store", "lot", n).index(n))
    parts = [f"{name} {row[name]}" for name in ordered if str(row[name]) not in ("", "nan")]
    if str(row.get("age_months", "")) not in ("", "nan"):
        parts.append(span_words(float(row["age_months"])))
    return ", ".join(parts)


def rests_on(stage: OpenStage, influence: pd.DataFrame) -> list[str]:
    """Of which containers leaving out one alone changes an analyte's word: the one by name, several counted."""
    stored = stage.containers.loc[stage.containers["treatment"] == "stored", "container"].astype(str)
    told = []
    for r in influence[influence["other verdicts"] != "none"].to_dict("records"):
        name, other, alone = stage.study.label_of(str(r["analyte"])), r["other verdicts"], of_series(str(r["without"]), stored)
        mean = f"On average {name} is {r['verdict']}"
        told.append(f"{mean}; that rests on one container: without {alone[0]} it is {other}." if len(alone) == 1 else
                    f"{mean}, but only just: leaving out any one of {len(alone)} containers makes it {other}.")
    told += _uneven_by_one(stage)
    some = influence[influence[TRIED] != "all"].to_dict("records") if TRIED in influence else []
    return told or [unchanged({stage.study.label_of(str(r["analyte"])): str(r[TRIED]) for r in some})]


def _uneven_by_one(stage: OpenStage) -> list[str]:
    """Analytes that are uneven by one container alone, without any group; leaving containers out is about the mean only."""
    table, beyond = (optional(stage, "06-verdict", name) for name in ("verdicts", "containers-beyond"))
    groups, zones = {name for name, _ in beyond_groups(stage)}, of_zones(beyond)
    if "stock" not in table or zones.empty:
        return []
    own = zones.groupby("name")["container"].unique()
    return [f"{name[:1].upper()}{name[1:]} is uneven by one container alone: {own[name][0]}."
            for name in table.loc[table["stock"] == "uneven", "name"] if name not in groups and len(own.get(name, ())) == 1]


def method(stage: OpenStage) -> str:
    """How it was found, in one paragraph, by the paths that the analytes took; then what page one only counts of the plan."""
    n, study = recorded(stage, "00-study"), stage.study
    paths = set(stage.read_table("05-model", "fits", dtype=str)["path"])
    text = (f"{count(n['containers_stored'], 'stored container')} and {count(n['containers_control'], 'control')} were "
            f"sampled at {n['depths']} depths ({literal(', '.join(study.factors.depths))}): "
            f"{count(n['samples_planned'], 'sample')} planned, {count(n['analytes'], 'analyte')}. ")
    if "mixed model" in paths:
        acting = listed([f.replace("age_months", "age").replace("_", " ") for f in study.factors.by_depth])
        further = f", with {acting} as factors that act on depth" if study.factors.by_depth else ""
        text += (f"Differences between depths were taken within each container and judged over the containers{further}. "
                 + (f"It was declared before the data that {MEANT[study.factors.across_depths]}, and that scatter decides "
                    f"({literal(study.factors.across_depths_reason).rstrip('.')}); the "
                    "answer without that assumption stands beside it in the model chapter. "
                    if study.factors.across_depths in MEANT else
                    "Nothing was assumed about how containers' profiles scatter. "))
    if "known precision" in paths:
        text += ("With one container the scatter cannot be estimated from the data: it was taken from the stated "
                 "repeatability of each method or laboratory. ")
    sided = [study.label_of(a) for a, declared in study.analytes.items() if declared.margin.side]
    beside = f", and {literal(series(sided))} by one test of each depth against its mixed container" if sided else ""
    return (text + "Differences between depths were judged by two one-sided tests against the declared margins at alpha = "
            f"{study.alpha:g}{beside}. Responsible: {literal(study.responsible)}." + history.in_full(*_history(stage)))


def count(number: str, noun: str) -> str:
    """A recorded number with its noun, one or many."""
    return f"{number} {noun}{'' if number == '1' else 's'}" if number != "0" else f"no {noun}s"


def intake_words(n: Mapping[str, str]) -> str:
    """What became of the results in the raw files, in a sentence."""
    if n["rows_in"] == n["rows_taken"]:
        return f"All {n['rows_in']} results in the raw files were taken."
    return f"Of {n['rows_in']} results in the raw files {n['rows_taken']} were taken and {n['rows_rejected']} rejected."


def quality(stage: OpenStage) -> str:
    """What intake and quality found, in sentences."""
    n = recorded(stage, "03-intake")
    lines = [f"- {intake_words(n)}"]
    told = optional(stage, "04-quality", "sentences")
    if len(told):
        lines += [f"- {literal(t)}" for t in told.iloc[:, 0]]
    return "\n".join(lines)


def limits(stage: OpenStage) -> str:
    """What the study does not say: scope, heel, blind spots of methods, other stock."""
    lines = [f"- {literal(t)}" for t in optional(stage, "06-verdict", "cannot").get("what", pd.Series(dtype=str))]
    blind: dict[str, list[str]] = {}
    for key, analyte in stage.study.analytes.items():
        if analyte.blind_to:
            blind.setdefault(analyte.blind_to.rstrip("."), []).append(stage.study.label_of(key))
    lines += [f"- Blind spot of the method for {literal(series(who))}: {literal(text)}." for text, who in blind.items()]
    lines.append("- It is advice on homogeneity, not on fitness for use.")
    return "\n".join(lines)


def cautions(stage: OpenStage) -> str:
    """What the safety section does not clear, with the reasons, then the cautions of the first page that apply."""
    barred = [f"- **Not cleared.** {literal(text)}" for text in barred_lines(stage.study.safety)]
    return "\n".join((*barred, markdown("first", stage.study.safety)))


def trace(stage: OpenStage) -> pd.DataFrame:
    """Per analyte: verdict, values and limits that entered the fit, the table that lists them, the raw files behind it."""
    used = stage.read_table("05-model", "rows-used")
    verdicts = words(stage)
    rows = []
    for r in used.to_dict("records"):
        listed = stage.read_table("05-model", str(r["listed in"]).removesuffix(".csv"), dtype=str)
        files = ", ".join(sorted(set(listed["source_file"].dropna()))) if len(listed) else ""
        entered = [int((listed["entered the fit"] == how).sum()) for how in ("yes", "as a limit", "no")]
        rows.append((r["analyte"], verdicts.get(str(r["analyte"]), ""), *entered, f"report/05-model/{r['listed in']}", files))
    return pd.DataFrame(rows, columns=["analyte", "verdict", "values in the fit", "as limits", "not in it", "listed in",
                                       "raw files"])


def provenance(stage: OpenStage) -> pd.DataFrame:
    """Every input file with its hash, and the settings that decide numbers."""
    study = stage.study
    rows = [("alpha", f"{study.alpha:g}"), ("seed", str(study.seed)),
            ("differences between depths", f"{study.factors.across_depths} scatter across depths"),
            ("model engine", "studykit.mixed.fit, Kenward-Roger"), ("second opinion", "statsmodels MixedLM")]
    files = [f for f in input_files(stage.root) if "notebooks" not in f.relative_to(stage.root).parts]
    rows += [(path, entry["sha256"][:16]) for path, entry in hashes(stage.root, files).items()]
    return pd.DataFrame(rows, columns=["what", "value"])
