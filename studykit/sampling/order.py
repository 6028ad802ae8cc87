"""From containers to a plan: which are opened, what is drawn from each, blind codes, order at the laboratory.

Everything random comes from the study's seed, one stream a purpose (see ``codes.generator``), so the plan can
be made again from study.toml and the list of containers.

The order of the visits is random.  *Runs*: all samples of a container stay in one laboratory run (repeatability
holds within a run only), containers are dealt to the runs stratum by stratum, and within a run the order is
random, so that drift and carry-over cannot imitate depth or age (randomised blocks; Cochran and Cox,
Experimental Designs, chapter 4, from memory).  Check fluids stand at even distances, blanks anywhere.

*Apart*: ``submission`` is what the laboratory sees (run, position, code, volume, tests); ``key`` says what
each code is.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace

import pandas as pd

from studykit.core.errors import BadInput, Fault
from studykit.sampling.draws import DrawPlan, plan_draws
from studykit.sampling.visits import VisitStep, drawn_again, visits_of
from studykit.study.aliases import aliases
from studykit.study.codes import generator, make_codes, shuffled
from studykit.study.columns import CONTAINERS, SAMPLES
from studykit.study.definition import Study
from studykit.study.inventory import CONTROL_TREATMENTS, control, named_controls, wanted_controls

# ten pairs leave the true spread between 0.70 and 1.75 times the estimate (chi-square, 10 df, 90 %)
DUPLICATE_PAIRS = 10
CHECK_FLUID_EVERY = 12  # positions; every 10 to 15 is common practice, no source
DRAW_COLUMNS = ("visit", "container", "draw_order", "kind", "depth", "sample", "tip_mm", "below_surface_mm",
                "drawn_bottom_mm", "drawn_top_mm", "height", "purge_ml", "volume_ml", "discard_ml",
                "level_before_mm", "level_after_mm", "foreign_ml")
KEY_COLUMNS = ("sample", "container", "kind", "depth", "draw_order", "pair", "run", "position")
NO_PLACE: Mapping[str, object] = {"container": "", "depth": "", "draw_order": None, "pair": ""}
SUBMISSION_COLUMNS = ("run", "position", "sample", "volume_ml", "tests")
# how a control comes into the plan that the list of containers does not hold
ADD = {
    "remixed control": "list one more there, or take it out of [design] controls",
    "layered control": "make one up and list it (treatment layered control, with its vessel and liquid height), or "
                       "take it out of [design] controls",
}
# the same where [design] names no controls, so that nobody asked for it
USUAL = {
    "remixed control": "a hint, the plan is whole without it: one more container, mixed and drawn like the others, would show "
                       "what drawing alone does; list it in plan/containers.csv (treatment remixed control) if you want it",
    "layered control": "a hint, the plan is whole without it: a container with a layer made on purpose would show that the "
                       "laboratory sees one; list it in plan/containers.csv (treatment layered control) if you want it",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A whole sampling plan: tables as they are filed, the draw plan of each container, warnings.

    ``containers`` and ``samples`` have the columns of the tidy tables, ``draws`` the planned draws in the
    order of the visits, ``submission`` what the laboratory sees, ``key`` what the codes stand for. Where [time]
    plans visits, samples, draws and key have the day of each in ``visited_on``.
    """

    containers: pd.DataFrame
    samples: pd.DataFrame
    draws: pd.DataFrame
    submission: pd.DataFrame
    key: pd.DataFrame
    draw_plans: tuple[DrawPlan, ...]
    warnings: tuple[str, ...]
    seed: int

    @property
    def days(self) -> tuple[str, ...]:
        """The days of the planned visits, in order; none where there is one sampling."""
        return tuple(sorted({p.day for p in self.draw_plans if p.day}))

    def at(self, day: str) -> Plan:
        """The part of one visit."""
        first = day == self.days[0]
        key = self.key[(self.key["visited_on"] == day) | (first & (self.key["visited_on"] == ""))]
        mine = set(key["sample"])
        samples, draws, submission = (t[t["sample"].isin(mine)] for t in (self.samples, self.draws, self.submission))
        return replace(self, samples=samples, draws=draws, submission=submission, key=key,
                       draw_plans=tuple(p for p in self.draw_plans if p.day == day))

    def to_table(self) -> pd.DataFrame:
        """One row a container and visit: number, day where planned, samples, run, content, what is left."""
        rows, keys = [], dict(iter(self.key.groupby("container", sort=False)))
        for visit, plan in enumerate(self.draw_plans, start=1):
            own = keys.get(plan.container, self.key[:0])
            own = own[own["visited_on"] == plan.day] if plan.day else own
            rows.append((visit, plan.day, plan.container, len(plan.draws), ", ".join(sorted(set(own["run"]))),
                         plan.liquid_height_mm, plan.content_l, plan.left_l))
        table = pd.DataFrame(rows, columns=["visit", "visited_on", "container", "samples", "run", "liquid_height_mm",
                                            "content_l", "left_l"])
        return table if self.days else table.drop(columns="visited_on")


def liquid_mm(study: Study, vessel: str, height: float, fill: float) -> float:
    """Liquid height (mm) of a container from its height or, where that is missing, its fill volume (L).

    BadInput when both are missing or the vessel cannot hold it; ValueError for an unknown vessel.
    """
    if vessel not in study.vessels:
        raise ValueError(f"vessel must be one of {', '.join(study.vessels)}, but got {vessel!r}")
    shape = study.vessels[vessel]
    if not math.isnan(height):
        shape.volume_l(height)
        return float(height)
    if not math.isnan(fill):
        return float(shape.height_mm(fill))
    reason = "neither the liquid height nor the fill volume is known"
    raise BadInput([Fault(file=CONTAINERS.file, reason=reason, remedy="fill in liquid_height_mm or fill_volume_l")])


def _duplicates(study: Study, containers: pd.DataFrame) -> dict[str, dict[str, int]]:
    """Draws per container and depth where a blind duplicate is drawn; depths take turns."""
    wanted = study.sampling.duplicates
    stored = containers.loc[containers["treatment"].isin(("stored", "")), "container"].tolist()
    if wanted is None:
        wanted = min(DUPLICATE_PAIRS, len(stored) * len(study.factors.depths)) if control(study, "duplicate") else 0
    rng = generator(study.seed, "duplicates")
    depths = shuffled(study.factors.depths, rng)
    if wanted > len(stored) * len(depths):
        reason = f"asks for {wanted} blind duplicates, but {len(stored)} containers have {len(depths)} depths each"
        raise BadInput([Fault(file="study.toml", column="sampling.duplicates", reason=reason, remedy="ask for fewer")])
    order = shuffled(stored, rng)
    out: dict[str, dict[str, int]] = {}
    for i in range(wanted):
        turn, j = divmod(i, len(order))
        out.setdefault(order[j], {})[depths[(j + turn) % len(depths)]] = 2
    return out


def draw_plans(
    study: Study, containers: pd.DataFrame, repeats: Mapping[str, Mapping[str, int]] | None = None,
    left: Mapping[str, float] | None = None,
) -> tuple[DrawPlan, ...]:  # fmt: skip
    """The draw plan of every container in the order of the table; BadInput lists the faults of all of them.

    ``repeats``: container -> depth -> number of draws where it is not one; ``left``: container -> litres that an earlier
    visit left.
    """
    plans, faults = [], []
    for line, row in enumerate(containers.to_dict("records"), start=2):
        name = str(row["container"])
        try:
            level = liquid_mm(study, row["vessel"], row["liquid_height_mm"], row["fill_volume_l"])
            if name in (left or {}):
                level = float(study.vessels[row["vessel"]].height_mm((left or {})[name]))
            plans.append(
                plan_draws(study.vessels[row["vessel"]], level, study.factors.depths, study.sampling, container=name,
                           vessel_name=row["vessel"], draws_at=(repeats or {}).get(name, {}))
            )
        except BadInput as error:
            if error.faults[0].file == "study.toml":
                raise
            faults += [Fault(file=CONTAINERS.file, row=line, column="container", value=name, reason=f.reason,
                             remedy=f.remedy) for f in error.faults]
    if faults:
        raise BadInput(faults, title="The draw plan has faults")
    return tuple(plans)


def _quality_samples(study: Study, size: int) -> list[str]:
    """Kinds of the blind controls that go into one run of ``size`` samples."""
    s = study.sampling
    blanks = s.blanks_per_run if s.blanks_per_run is not None else int(control(study, "blank"))
    every = s.check_fluid_every if s.check_fluid_every is not None else CHECK_FLUID_EVERY
    wanted = every > 0 and (s.check_fluid_every is not None or control(study, "check fluid"))
    return ["check fluid"] * (math.ceil(size / every) if wanted else 0) + ["blank"] * blanks


def _assign_runs(study: Study, containers: pd.DataFrame, sizes: Mapping[str, int]) -> dict[str, int]:
    """Run number (from 1) of every container: whole containers, strata spread, runs of nearly one size."""
    capacity = study.sampling.run_capacity
    faults = [
        Fault(file="study.toml", column="sampling.run_capacity", value=str(capacity),
              reason=f"a run cannot hold the {sizes[c]} samples of container {c} with its controls",
              remedy="raise it, or draw fewer samples of a container")
        for c, n in ((c, n + control(study, "retained")) for c, n in sizes.items())
        if n + len(_quality_samples(study, n)) > capacity
    ]
    if faults:
        raise BadInput(faults, title="The runs have faults")
    rng = generator(study.seed, "runs")
    strata = containers.groupby(["lot", "store"], sort=True)["container"]
    deck = [c for _, group in strata for c in shuffled(group, rng)]
    for runs in range(max(1, math.ceil(sum(sizes[c] for c in deck) / capacity)), len(deck) + 1):  # fewer cannot hold them
        load, heap = [0] * runs, [(0, r) for r in range(runs)]
        out: dict[str, int] = {}
        for c in deck:
            lightest = heap[0][1]
            load[lightest] += sizes[c]
            heapq.heapreplace(heap, (load[lightest], lightest))
            out[c] = lightest + 1
        kept = _retained(study, containers, out)
        full = [n + len(kept.get(run, ())) for run, n in enumerate(load, start=1)]
        if all(n + len(_quality_samples(study, n)) <= capacity for n in full):
            return out
    return out


def _retained(study: Study, containers: pd.DataFrame, runs: Mapping[str, int]) -> dict[int, list[str]]:
    """The lots whose sample kept from filling is measured in each run: where most containers of the lot are."""
    out: dict[int, list[str]] = {}
    if control(study, "retained"):
        stored = containers[~containers["treatment"].isin(CONTROL_TREATMENTS)]
        for lot, names in stored.groupby("lot", sort=True)["container"]:
            places = [runs[c] for c in names]
            out.setdefault(max(sorted(set(places)), key=places.count), []).append(str(lot))
    return out


def _submission_order(study: Study, rows: list[dict[str, object]], run: int) -> list[dict[str, object]]:
    """The samples of one run in random order with its blind controls put in."""
    rng = generator(study.seed, f"positions {run}")
    order = list(shuffled(rows, rng))
    kinds = _quality_samples(study, len(order))
    checks = kinds.count("check fluid")
    empty = {"lot": "", **NO_PLACE}
    for i in range(checks):
        place = round((i + 0.5) * len(rows) / checks) + i
        order.insert(place, {"kind": "check fluid", **empty})
    for _ in range(kinds.count("blank")):
        order.insert(int(rng.random() * (len(order) + 1)), {"kind": "blank", **empty})
    return order


def make_plan(study: Study, containers: pd.DataFrame, *, stream: str = "", avoid: Collection[str] = ()) -> Plan:
    """Plan the sampling of all given containers (columns of the containers table).

    ``stream``: what the codes are drawn from beside the seed; ``avoid``: codes already in use, here or in other studies.
    BadInput with every fault: a vessel that cannot hold its liquid, draws that exceed the content, zones out
    of order, a run too small for one container.
    """
    if containers.empty:
        raise BadInput([Fault(file=CONTAINERS.file, reason="lists no containers",
                              remedy="list them there, or the stock in plan/stock.csv")])
    repeats = _duplicates(study, containers)
    steps = visits_of(study, containers)
    ordered: list[DrawPlan] = []
    entries: list[dict[str, object]] = []
    for number, step in enumerate(steps, start=1):
        own = study.model_copy(update={"sampling": step.settings(study)})
        seed = "visits" if number == 1 else f"visits {number}"
        route = list(step.containers.loc[list(shuffled(step.containers.index, generator(study.seed, seed)))]["container"])
        left = {p.container: p.left_l for p in ordered} if step.again else {}
        twice = {c: d for i, (c, d) in enumerate(repeats.items()) if not step.again or i % len(steps) == number - 1}
        plans = draw_plans(own, step.containers, twice, left)
        by_name = {p.container: replace(p, day=step.day) for p in plans}
        now = [by_name[c] for c in route]
        entries += _run_entries(own, step, now, max((int(str(e["run"])[1:]) for e in entries), default=0))
        ordered += now
    for entry, code in zip(entries, make_codes(len(entries), study.seed, avoid=avoid, purpose=f"codes {stream}".strip()),
                           strict=True):
        entry["sample"] = code
    key = _with_pairs(pd.DataFrame(entries))
    draws = _draw_table(ordered, key)
    columns = [*KEY_COLUMNS, "visited_on"] if study.time is not None and study.time.visits else list(KEY_COLUMNS)
    return Plan(containers=containers, samples=_sample_table(study, draws, key), draws=draws,
                submission=submission_of(study, key, draws), key=key[columns], draw_plans=tuple(ordered),
                warnings=(*plan_warnings(study, containers, tuple(ordered), heel=study.sampling.heel),
                          *drawn_again(study, tuple(ordered)), *run_words(key)), seed=study.seed)


def _run_entries(study: Study, step: VisitStep, plans: list[DrawPlan], before: int) -> list[dict[str, object]]:
    """The bottles of one visit, run by run in the order of the laboratory; ``before``: runs of earlier visits."""
    runs = _assign_runs(study, step.containers, {p.container: len(p.draws) for p in plans})
    kept = _retained(study, step.containers, runs)
    out: list[dict[str, object]] = []
    for run in sorted(set(runs.values())):
        rows: list[dict[str, object]] = [
            {"kind": d.kind, "container": p.container, "depth": d.depth, "draw_order": d.order, "pair": "", "lot": ""}
            for p in plans if runs[p.container] == run for d in p.draws]
        rows += [{"kind": "retained", "lot": lot, **NO_PLACE} for lot in kept.get(run, ())]
        for position, entry in enumerate(_submission_order(study, rows, run + before), start=1):
            out.append({**entry, "run": f"R{run + before}", "position": position, "visited_on": step.day})
    return out


def _with_pairs(key: pd.DataFrame) -> pd.DataFrame:
    """The key with the code of the first draw beside every duplicate."""
    key["draw_order"] = key["draw_order"].astype("Int64")
    place = ["container", "visited_on", "depth"]
    first = key[key["kind"] == "spot"].set_index(place)["sample"]
    twins = key["kind"] == "duplicate"
    key.loc[twins, "pair"] = [first[at] for at in key.loc[twins, place].itertuples(index=False, name=None)]
    return key


def _draw_table(plans: list[DrawPlan], key: pd.DataFrame) -> pd.DataFrame:
    """Planned draws of all containers in the order of the visits."""
    place = zip(key["container"], key["visited_on"], key["draw_order"], key["sample"], strict=True)
    codes = {(c, day, int(o)): s for c, day, o, s in place if c}
    tables = []
    for visit, plan in enumerate(plans, start=1):
        table = plan.to_table().rename(columns={"order": "draw_order", "keep_ml": "volume_ml"})
        table["visit"] = visit
        table["visited_on"] = plan.day
        table["sample"] = [codes[(plan.container, plan.day, o)] for o in table["draw_order"]]
        tables.append(table)
    columns = [*DRAW_COLUMNS, "visited_on"] if any(p.day for p in plans) else list(DRAW_COLUMNS)
    return pd.concat(tables, ignore_index=True)[columns]


def _sample_table(study: Study, draws: pd.DataFrame, key: pd.DataFrame) -> pd.DataFrame:
    """plan/samples.csv before sampling: what is planned is filled in, what is logged is empty."""
    table = draws[["sample", "container", "kind", "depth", "draw_order"]].copy()
    table["height"] = draws["height"].round(4)
    table["tool"] = study.sampling.tool
    if "visited_on" in draws:
        table["visited_on"] = draws["visited_on"]
    bench = key.loc[key["container"] == "", ["sample", "container", "kind", "depth", "lot", "visited_on"]]
    table = pd.concat([table, bench if "visited_on" in draws else bench.drop(columns="visited_on")], ignore_index=True)
    table["draw_order"] = table["draw_order"].astype("Int64")
    columns = [c for c in SAMPLES.names if c != "density_kg_m3"]
    kept = bool((bench["lot"] != "").any())
    return table.reindex(columns=[*columns, "lot"] if kept else columns).fillna({"lot": ""} if kept else {})


def submission_of(study: Study, key: pd.DataFrame, draws: pd.DataFrame) -> pd.DataFrame:
    """What the laboratory sees: run, position, code, volume and tests; nothing that unblinds but a vessel's own volume."""
    table = key[["run", "position", "sample"]].copy()
    drawn = dict(zip(draws["sample"], draws["volume_ml"], strict=True))
    table["volume_ml"] = [float(drawn.get(s, study.sampling.draw_ml)) for s in table["sample"]]
    table["tests"] = ", ".join(t.name for t in study.sampling.tests) or ", ".join(study.analytes)
    return table[list(SUBMISSION_COLUMNS)]


def plan_warnings(study: Study, containers: pd.DataFrame, plans: tuple[DrawPlan, ...], *, heel: bool) -> tuple[str, ...]:
    """Warnings of all draw plans, each once with its containers, and what the plan leaves out (``heel``: it is drawn)."""
    where: dict[str, list[str]] = {}
    for plan in plans:
        for text in plan.warnings:
            where.setdefault(text, []).append(plan.container)
    out = [t if len(c) == len(plans) else f"{t} (container {', '.join(c)})" for t, c in where.items()]
    present = set(containers["treatment"])
    for name in CONTROL_TREATMENTS:
        if control(study, name) and name not in present:
            out.append(f"the plan should hold a {name}, but no container of plan/containers.csv is one: {ADD[name]}"
                       if named_controls(study) else USUAL[name])
    if "remixed control" in wanted_controls(study) and not control(study, "remixed control"):
        why = "; ".join(study.safety.bars("stirring", keys=True))
        out.append(f"no remixed control: [safety] does not clear mixing ({why})")
    if not heel:
        out.append("no heel draw: what already lies on the floor will not be seen (sampling.heel = true draws it, where "
                   "[safety] clears it)")
    return tuple(out)


def run_words(key: pd.DataFrame) -> tuple[str, ...]:
    """What to say where runs of the laboratory go with depths, so that a drift between runs looks like settling.

    key: one row a sample with its depth and run; samples without either do not count.
    """
    spots = key[key["depth"].fillna("") != ""]
    return tuple(f"{a.words()}, so a drift of the laboratory between runs cannot be told from settling: put all bottles of a "
                 "container into one run" for a in aliases(spots, ("run", "depth")))
