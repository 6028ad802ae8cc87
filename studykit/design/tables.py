"""The tables of the design notebook, made from an open stage.

Works for every study: without a [design] section the containers of the plan are the design, and where
nothing is known of an analyte or no costs are given, the tables say so instead of failing.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from studykit.core.errors import BadInput, Fault
from studykit.design.advice import advice_table, advise, watched_aliases
from studykit.design.assumptions import HOW, Proposal, aims_of, expectations, filed_proposal, propose
from studykit.design.cheapest import (
    UNTYPED_PROFILES,
    Aim,
    Costs,
    Limits,
    SearchResult,
    affordable_of,
    aim_chances,
    cheapest,
    costs_of,
    for_budget,
    limits_of,
    right_chance,
)
from studykit.design.operating import DesignSize, OperatingCharacteristic, beyond_share_bound, resolvable_margin
from studykit.design.simulation import Trouble, simulate_studies
from studykit.inference.margin import around
from studykit.physics.bounds import DAYS_PER_MONTH
from studykit.physics.forecast import Outlook, could_it_settle
from studykit.study.aliases import aliases
from studykit.study.definition import DesignSettings, Study
from studykit.study.stages import OpenStage
from studykit.study.tables import Tables

SEVERAL = (1, 2, 4, 6, 12, 24)  # the ladder of designs
MOST_RESULTS, FEWEST_STUDIES = 1_000_000, 100
"""Results of one analyte that are simulated one by one, and the fewest studies: their error is told beside them."""
DECLARED_STUDIES = 300
"""Studies simulated from single results under a declared scatter, whose lost readings cost 6 ms a study."""
NOTHING = "nothing is known of any analyte: give [design.guesses], a repeatability, or nominal and method_key"


@dataclass(frozen=True, slots=True, kw_only=True)
class DesignView:
    """A study's design as the notebook sees it; ``costs`` is None where no prices are given."""

    study: Study
    settings: DesignSettings
    size: DesignSize
    containers: pd.DataFrame
    outlook: Outlook
    aims: tuple[Aim, ...]
    gradients: tuple[tuple[str, float], ...]
    costs: Costs | None
    samples: pd.DataFrame

    @property
    def hardest(self) -> Aim | None:
        """The analyte with the lowest chance of its right verdict; None where nothing is known."""
        if not self.aims:
            return None
        return min(self.aims, key=lambda a: right_chance(a, self.size, self.study.alpha))

    @property
    def shown(self) -> Aim | None:
        """The analyte drawn in the figures: the hardest of those that a design can decide, else the hardest."""
        able = decidable(self)
        return min(able, key=lambda a: right_chance(a, self.size, self.study.alpha)) if able else self.hardest

    @property
    def limits(self) -> Limits:
        """The grid to search; a claim about one container is searched over determinations only."""
        if self.study.scope == "container":
            return Limits(depths=(self.size.depths,), min_containers=1, max_containers=1,
                          max_replicates=max(12, self.settings.max_replicates))
        return limits_of(self.settings, self.size.depths, self.size.scatter)


def design_faults(tables: Tables) -> list[Fault]:
    """What the design chapter would stop at: a guess that cannot be, limits without a design, too small a budget."""
    try:
        view = open_design(tables)
        sizes = view.limits.sizes() if view.aims else []
        if view.settings.budget is not None and view.costs is not None and sizes:
            affordable_of(sizes, view.costs, view.settings.budget)
    except BadInput as error:
        return list(error.faults)
    return []


def open_design(stage: OpenStage | Tables) -> DesignView:
    """The design of the open stage: [design] of study.toml, else the stored containers of the plan."""
    (study, settings, size), containers = _sized(stage), stage.containers
    outlook = could_it_settle(study, containers if len(containers) else None)
    gradients = _gradients(study, outlook)
    try:
        costs: Costs | None = costs_of(settings)
    except BadInput:
        costs = None
    return DesignView(study=study, settings=settings, size=size, containers=containers, outlook=outlook,
                      aims=aims_of(study, gradients), gradients=tuple(gradients.items()), costs=costs,
                      samples=stage.samples)


def _sized(stage: OpenStage | Tables) -> tuple[Study, DesignSettings, DesignSize]:
    """The study with its [design], else with the stored containers of the plan for one, and what that comes to."""
    study, containers = stage.study, stage.containers
    stored = containers[containers["treatment"].isin(("", "stored"))]
    settings = study.design or DesignSettings(containers=max(len(stored), 1))
    if study.design is None:
        study = study.model_copy(update={"design": settings})
    return study, settings, DesignSize(containers=settings.containers, depths=len(study.factors.depths),
                                       replicates=settings.replicates, scatter=study.factors.across_depths)


def _gradients(study: Study, outlook: Outlook) -> dict[str, float]:
    """The settling estimate's difference per analyte in the unit of its margin, where it gives one."""
    out: dict[str, float] = {}
    for name, declared in study.analytes.items():
        percent = outlook.expected_gradient_percent(name)
        if percent is None:
            continue
        if declared.margin.relative:
            out[name] = percent
        elif declared.nominal is not None:
            out[name] = percent / 100 * declared.nominal
    return out


def settling_table(view: DesignView) -> pd.DataFrame:
    """The settling estimate in sentences, or what is missing for one."""
    if view.outlook.sentences:
        return pd.DataFrame({"what the declared components would do": list(view.outlook.sentences)})
    return pd.DataFrame({"missing for a settling estimate": list(view.outlook.missing)})


def components_table(view: DesignView) -> pd.DataFrame:
    """The declared components by store and vessel: how far thermal motion holds them up, how fast they cross.

    ``bottom / top then``: expected ratio of the drawn zones at the longest standing time of the plan (or after
    three years where there is no plan yet); empty where the top would hold nothing.  No rows where a section
    is missing.
    """
    keys = ["component", "store", "vessel"]
    columns = [*keys, "way", "sedimentation length, mm", "liquid height, mm", "days to cross", "standing, months",
               "bottom / top then", "days to the margin"]
    found, profile = view.outlook.to_table(), view.outlook.profile
    if found.empty or profile.empty:
        return pd.DataFrame(columns=columns)
    last = profile.sort_values("age_days").groupby(keys).tail(1)
    out = found.merge(last[[*keys, "age_days", "bottom_over_top"]], on=keys, how="left")
    out["standing, months"] = out["age_days"] / DAYS_PER_MONTH
    out = out.replace({"bottom_over_top": {float("inf"): float("nan")}, "days_to_margin": {float("inf"): float("nan")}})
    return out.rename(columns={"sedimentation_length_mm": "sedimentation length, mm", "days_to_cross": "days to cross",
                               "liquid_height_mm": "liquid height, mm", "bottom_over_top": "bottom / top then",
                               "days_to_margin": "days to the margin"})[columns]


def cautions(view: DesignView) -> str:
    """What is missing for the settling estimate, and what it cannot do."""
    missing = [f"{m[0].upper()}{m[1:]}." for m in view.outlook.missing] if view.outlook.sentences else []
    return "\n".join(f"- {line}" for line in (*missing, *view.outlook.cautions))


def expectation_table(view: DesignView) -> pd.DataFrame:
    """What is expected of each analyte and where that comes from."""
    return expectations(view.study, dict(view.gradients))


def said_table(view: DesignView, chance: float = 0.8) -> pd.DataFrame:
    """Per analyte: margin, smallest margin that can be shown, and chances in three worlds (per cent).

    The worlds: nothing has settled; the true difference is twice the margin; the guess.
    """
    rows = []
    for a in view.aims:
        still, layered = a.with_gradient(0.0), a.beyond_by(2, view.size.depths)
        got = aim_chances(a, view.size, view.study.alpha)
        least = resolvable_margin(view.size, still.guess, chance=chance, alpha=view.study.alpha, side=a.side)
        rows.append({"analyte": a.analyte, "margin": a.margin_at(a.margin), "smallest margin": a.margin_at(least),
                     "unit": a.unit,
                     "homogeneous if nothing settled": chance_percent(still, view, "homogeneous"),
                     "stratified if twice the margin": chance_percent(layered, view, "stratified"),
                     "guessed difference": a.shown(a.guess.gradient),
                     "homogeneous": percent(got.homogeneous), "stratified": percent(got.stratified),
                     "inconclusive": percent(got.inconclusive)})
    return _table(rows)


def _table(rows: list[dict[str, Any]]) -> pd.DataFrame:
    """The rows as a table; a note where there are none."""
    return pd.DataFrame(rows if rows else {"note": [NOTHING]})


def percent(chance: float) -> float:
    """A chance in per cent, without digits that nobody can use."""
    return round(100 * chance, 3)


def chance_percent(aim: Aim, view: DesignView, word: str) -> float:
    """Chance of one verdict for the planned size, in per cent."""
    return percent(getattr(aim_chances(aim, view.size, view.study.alpha), word))


def two_more(view: DesignView) -> str:
    """What two more containers would buy, analyte by analyte; '' for one container or where nothing is known."""
    n, size = view.size.containers, view.size
    if n < 2 or not view.aims:
        return ""
    more = replace(size, containers=n + 2)
    lines = [f"{_judged_by(size)} Two more containers would buy:"]
    for a in view.aims:
        still = a.with_gradient(0.0)
        now, then = (f"{100 * right_chance(still, z, view.study.alpha):.0f}" for z in (size, more))
        least, less = (a.margin_at(resolvable_margin(z, still.guess, alpha=view.study.alpha, side=a.side))
                       for z in (size, more))
        chance = f"in {then} instead of {now} % of studies" if now != then else f"in {now} % of studies as before"
        lines.append(f"- {view.study.label_of(a.analyte)}: homogeneous, if nothing settled, {chance}; smallest margin "
                     f"{_size_of(a, less)} instead of {_size_of(a, least)}.")
    return "\n".join(lines)


def _size_of(aim: Aim, margin: float) -> str:
    """A margin as told, in words."""
    if not aim.side.sign:
        return around(margin, aim.unit)
    return f"{margin:.3g} {aim.unit} {'below' if aim.side.sign < 0 else 'above'} the mixed container"


def _judged_by(size: DesignSize) -> str:
    """On what the judgement of a difference rests, and with how many degrees of freedom."""
    n, k = size.containers, size.depths
    if size.scatter == "pooled" and k > 2:
        return (f"One scatter is declared for every difference between depths: {size.df:g} degrees of freedom from these {n} "
                "containers.")
    if size.scatter == "own gradient" and k > 2:
        return (f"A gradient of its own is declared for each of these {n} containers: {n - 1} degrees of freedom for the "
                f"gradients, {(n - 1) * (k - 2)} for what lies off them.")
    return (f"Every difference is judged by how it differs between these {n} containers, whatever the scatter at each "
            f"depth: {n - 1} degrees of freedom.")


def ladder(view: DesignView, chance: float = 0.8) -> pd.DataFrame:
    """For a ladder of designs, the smallest margin per analyte shown with ``chance`` if nothing had settled."""
    sizes = [(1, k) for k in (1, 2, 4)] + [(n, view.size.replicates) for n in SEVERAL if n > 1]
    plan = (view.size.containers, view.size.replicates)
    rows = []
    for n, k in sorted({*sizes, plan}):
        size = replace(view.size, containers=n, replicates=k)
        row: dict[str, Any] = {"containers": n, "determinations per sample": k, "results": size.determinations,
                               "this plan": "yes" if (n, k) == plan else ""}
        for a in view.aims:
            least = resolvable_margin(size, a.with_gradient(0.0).guess, chance=chance, alpha=view.study.alpha, side=a.side)
            row[f"{view.study.label_of(a.analyte)}, {a.unit}"] = a.margin_at(least)
        rows.append(row)
    return _table(rows if view.aims else [])


def simulated(view: DesignView, lost: float = 0.05, studies: int = 2000) -> pd.DataFrame:
    """The planned chances beside those of studies made from single results: all samples, then a share of them lost."""
    if not view.aims or view.size.containers < 2:
        return pd.DataFrame({"note": [NOTHING if not view.aims else
                                      "one container: the chances above are exact, nothing is left to simulate"]})
    worlds = (("all samples", Trouble()), (f"{100 * lost:g} % lost", Trouble(missing=lost)))
    table = pd.DataFrame([{"analyte": a.analyte} | _pair("planned", aim_chances(a, view.size, view.study.alpha))
                          for a in view.aims])
    worst, most = [0.0] * len(view.aims), min(studies, max(FEWEST_STUDIES, MOST_RESULTS // view.size.determinations))
    few = min(most, DECLARED_STUDIES) if view.size.scatter != "unstructured" else most
    for how, trouble in worlds:
        made = simulate_studies(view.aims, view.size, trouble, studies=few, seed=view.study.seed,
                                alpha=view.study.alpha)
        got = pd.DataFrame([_pair(how, c) for _, c in made.chances])
        table = pd.concat([table, got], axis=1)
        worst = [max(w, c.error("homogeneous"), c.error("stratified"))
                 for w, (_, c) in zip(worst, made.chances, strict=True)]
    return table.assign(**{"simulation error": [percent(w) for w in worst]})


def _pair(how: str, got: OperatingCharacteristic) -> dict[str, float]:
    return {f"homogeneous, {how}": percent(got.homogeneous), f"stratified, {how}": percent(got.stratified)}


def search(view: DesignView) -> SearchResult | None:
    """The cheapest designs that reach the target for every analyte that any design can decide; None without costs.

    Analytes that the largest design of the grid cannot decide are left out here; the warnings name them.
    """
    aims = decidable(view)
    if view.costs is None or not aims:
        return None
    return cheapest(aims, view.costs, view.limits, target=view.settings.target, alpha=view.study.alpha)


def decidable(view: DesignView) -> tuple[Aim, ...]:
    """The analytes for which the largest design of the grid reaches the target."""
    most = max(view.limits.sizes(), key=lambda s: (s.determinations, s.containers))
    return tuple(a for a in view.aims if right_chance(a, most, view.study.alpha) >= view.settings.target)


def cheapest_table(view: DesignView, found: SearchResult | None) -> pd.DataFrame:
    """The best few designs, or why there are none."""
    if found is None:
        reason = "no costs are given under [design]" if view.costs is None else "no analyte can be decided"
        return pd.DataFrame({"note": [reason]})
    return found.to_table().round(3) if found.best else pd.DataFrame({"note": [found.proof()]})


def by_analyte(view: DesignView) -> pd.DataFrame:
    """The cheapest design for each analyte by itself; a word where no design of the grid decides it."""
    if view.costs is None or not view.aims:
        return pd.DataFrame({"note": ["no costs are given under [design]" if view.aims else NOTHING]})
    rows = []
    for a in view.aims:
        got = cheapest((a,), view.costs, view.limits, target=view.settings.target, alpha=view.study.alpha, few=1)
        row: dict[str, Any] = {"analyte": a.analyte, "right verdict": a.right_at(view.size.depths)}
        if got.found is None:
            row["decided by"] = "no design of the grid"
        else:
            z = got.found.size
            by = f"{_counted(z.containers, 'container')}, {_counted(z.replicates, 'determination')} per sample"
            row |= {"decided by": by, "cost": got.found.cost, "chance, %": percent(got.found.lowest)}
        rows.append(row)
    return pd.DataFrame(rows)


def _counted(n: int, word: str) -> str:
    return f"{n} {word}{'' if n == 1 else 's'}"


def proof(view: DesignView, found: SearchResult | None) -> str:
    """How the cheapest design is known to be the cheapest, and which analytes were not asked for."""
    if found is None:
        return "Without costs no design is the cheapest."
    names = {a.analyte for a in decidable(view)}
    left = [view.study.label_of(a.analyte) for a in view.aims if a.analyte not in names]
    more = f" Left out, since no design of the grid decides them: {', '.join(left)}." if left else ""
    return found.proof() + more


def untyped_words(view: DesignView, found: SearchResult | None) -> str:
    """The cheapest design again with profiles that scatter, where their scatter is not given; '' where all is given."""
    aims = decidable(view)
    if view.costs is None or found is None or found.found is None or not any(a.untyped_profiles for a in aims):
        return ""
    worse = cheapest([a.scattered() for a in aims], view.costs, view.limits, target=view.settings.target,
                     alpha=view.study.alpha, few=1).found
    names = ", ".join(view.study.label_of(a.analyte) for a in aims if a.untyped_profiles)
    text = (f"The profiles of all containers are taken to be alike for {names}, because sd_container_depth is not given. Where "
            f"they scatter by {100 * UNTYPED_PROFILES:g} % of the margin, ")
    if worse is None:
        return text + "no design of the grid reaches the target."
    return (f"{text}the cheapest that reaches the target has {_counted(worse.size.containers, 'container')} and "
            f"{_counted(worse.size.replicates, 'determination')} per sample and costs {worse.cost:g} instead of "
            f"{found.found.cost:g} {view.settings.currency}.")


def confounded_words(study: Study, containers: pd.DataFrame, samples: pd.DataFrame) -> tuple[str, ...]:
    """Factors that cannot be told apart, a sentence each with the number that shows it: of containers, of samples and depth."""
    spots = samples[samples["kind"] == "spot"] if "kind" in samples else samples
    own = [f for f in study.factors.fixed if f in spots and f not in containers]
    tied = aliases(spots, ["depth", *own]) if own else ()
    return tuple(a.words() for a in (*watched_aliases(study, containers), *tied))


EARLY = ("small groups", "one value", "lone age", "ages", "margin below repeatability", "profiles not guessed",
         "one-sided margin", "share out of reach", "repeatability missing")
"""Warnings that ``check`` and ``plan`` say before anything is drawn; afterwards the first three only."""


def early_words(tables: Tables, drawn: bool) -> tuple[str, ...]:
    """What is better known before money is spent, a sentence each; ``drawn``: the results are there."""
    topics, (study, _, size) = EARLY[:3] if drawn else EARLY, _sized(tables)
    return tuple(f"[{a.topic}] {a.what}: {a.why}. {a.cure[0].upper()}{a.cure[1:]}."
                 for a in advise(study, size, tables.containers, tables.samples) if a.topic in topics)


def budget_table(view: DesignView) -> pd.DataFrame:
    """What the budget buys at best; a note where no budget or no costs are given."""
    if view.settings.budget is None or view.costs is None or not view.aims:
        return pd.DataFrame({"note": ["no budget is given under [design]"]})
    return for_budget(view.aims, view.costs, view.limits, view.settings.budget,
                      alpha=view.study.alpha).to_table().round(3)


def proposal(view: DesignView) -> Proposal:
    """The plan with its controls: as it is filed where it is, else about as many as it will hold."""
    if len(view.samples):
        return filed_proposal(view.study, view.size, view.containers, view.samples)
    lots = view.containers["lot"].replace("", pd.NA).nunique() if "lot" in view.containers else 1
    return propose(view.study, view.size, lots=max(int(lots), 1), costs=view.costs)


def left_out(plan: Proposal) -> pd.DataFrame:
    """The controls that the plan does without, and the question each would have answered."""
    return pd.DataFrame([(n, HOW[n][1]) for n in plan.left_out], columns=["left out", "then nobody can answer"])


def warnings_table(view: DesignView) -> pd.DataFrame:
    """Warnings about the plan; one row says so where there is none."""
    table = advice_table(advise(view.study, view.size, view.containers, view.samples))
    return table if len(table) else pd.DataFrame({"topic": ["nothing to warn about"]})


def record_design(stage: OpenStage, view: DesignView, found: SearchResult | None, plan: Proposal) -> None:
    """Record what the report quotes of the design."""
    stage.record("planned containers", view.size.containers)
    stage.record("planned determinations per sample", view.size.replicates)
    stage.record("planned samples with controls", plan.samples, table="plan")
    if view.study.scope != "container":
        stage.record("share of containers beyond the margin still possible if none is",
                     100 * beyond_share_bound(view.size.containers, view.study.alpha), "%")
    for a in view.aims:
        still = a.with_gradient(0.0)
        name = view.study.label_of(a.analyte)
        stage.record(f"{name}, chance of homogeneous if nothing settled",
                     chance_percent(still, view, "homogeneous"), "%", table="chances")
        least = resolvable_margin(view.size, still.guess, alpha=view.study.alpha, side=a.side)
        stage.record(f"{name}, smallest margin shown in 80 % of studies", a.margin_at(least), a.unit,
                     table="chances")
    if found is not None and found.found is not None:
        stage.record("cost of the cheapest design", found.found.cost, view.settings.currency, table="cheapest")
