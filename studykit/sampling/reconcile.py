"""Custody and reconciliation: what was drawn against what was planned, read back from plan/samples.csv.

The plan is plan/draws.csv, written by ``studykit plan``.  A study without it (sampled before the kit was at
hand) is compared with what study.toml implies: one spot draw at every depth of every container.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from studykit.sampling.draws import needed_ml
from studykit.sampling.plan import filed
from studykit.study.ages import still_to_come, visit_days, was_drawn
from studykit.study.codes import likely_codes
from studykit.study.columns import ZONE_KINDS
from studykit.study.definition import Study

TOLERANCE = 0.10  # share of the planned volume that a drawn volume may be off: own choice, no source
PLANNED = ["sample", "container", "kind", "depth", "draw_order", "volume_ml", "height"]
FINDING_WORDS = ("missing", "extra", "out of order", "wrong volume", "too little for the tests", "wrong place",
                 "not logged")


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One difference between plan and log: what, which sample, where, planned and drawn as text."""

    what: str
    sample: str
    container: str
    depth: str
    planned: str
    drawn: str
    remark: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reconciliation:
    """Counts of planned and drawn samples, every difference, what the plan was taken from, and visits still to come.

    ``beside``: kinds of samples that are planned and not among those counted as draws, with their numbers.
    """

    planned: int
    drawn: int
    findings: tuple[Finding, ...]
    source: str
    later: tuple[str, ...] = ()
    beside: tuple[tuple[str, int], ...] = ()

    def to_table(self) -> pd.DataFrame:
        """One row a difference; a single row that says so before anything was drawn."""
        columns = ["what", "sample", "container", "depth", "planned", "drawn", "remark"]
        if self.planned and not self.drawn:
            nothing = {"what": "nothing drawn yet", "planned": f"{self.planned} draws", "drawn": "none"}
            return pd.DataFrame([dict.fromkeys(columns, "") | nothing])
        return pd.DataFrame([asdict(f) for f in self.findings], columns=columns)

    def counts(self) -> pd.DataFrame:
        """How many differences of each kind there are, all kinds listed."""
        found = [f.what for f in self.findings]
        return pd.DataFrame({"difference": FINDING_WORDS, "samples": [found.count(w) for w in FINDING_WORDS]})

    def beside_words(self) -> str:
        """Which planned samples are not counted among the draws; nothing where all are."""
        if not self.beside:
            return ""
        kinds = ", ".join(f"{n} {kind}" for kind, n in self.beside)
        more = sum(n for _, n in self.beside)
        return f"Besides these draws plan/samples.csv lists {more} samples that are not compared here: {kinds}."

    def sentence(self) -> str:
        """The outcome in one sentence."""
        more = f" Still to come: {', '.join(self.later)}." if self.later else ""
        if not self.findings:
            return f"All {self.planned} planned samples were drawn as planned ({self.source}).{more}"
        kinds = [f"{n} {w}" for w, n in self.counts().itertuples(index=False) if n]
        return f"{self.planned} samples were planned, {self.drawn} drawn: {', '.join(kinds)} ({self.source}).{more}"


def planned_draws(root: Path, study: Study, containers: pd.DataFrame) -> tuple[pd.DataFrame, str]:
    """The planned draws (sample, container, kind, depth, draw_order, volume_ml, height) and their source.

    ``sample`` is empty where study.toml implies the plan; codes are text.
    """
    numbers = ("draw_order", "volume_ml", "height")
    table = filed(root, "plan/draws.csv", lambda t: t[PLANNED].assign(**{c: pd.to_numeric(t[c]) for c in numbers}))
    if table is not None:
        return table, "plan/draws.csv"
    depths = list(study.factors.depths)
    rows = [{"sample": "", "container": c, "kind": "spot", "depth": d, "draw_order": i}
            for c in containers["container"] for i, d in enumerate(depths, start=1)]
    return pd.DataFrame(rows, columns=PLANNED), "one spot draw at every depth of study.toml"


def reconcile(root: Path, study: Study, containers: pd.DataFrame, samples: pd.DataFrame) -> Reconciliation:
    """Compare the filled-in samples table with the plan.

    ``samples``: the checked table; a row without time and volume counts as not drawn.  Blanks and check
    fluids are planned in the key, not drawn from a container, and only looked for by their code.
    """
    plan, source = planned_draws(root, study, containers)
    waits = still_to_come(samples)
    later = tuple(f"the visit of {d} ({n} samples)" for d, n in visit_days(samples)[waits].value_counts().sort_index().items())
    plan, samples = plan[~plan["sample"].isin(set(samples.loc[waits, "sample"]))], samples[~waits]
    logged = samples[was_drawn(samples)]
    by_code = bool((plan["sample"] != "").any())
    plan = plan if by_code else _at_each_visit(plan, samples)
    findings = _by_code(plan, samples, logged) if by_code else _by_place(plan, logged)
    findings += _order(logged, study.factors.depths) + _volumes(plan, logged, needed_ml(study.sampling))
    planned = len(plan)
    out = samples[(samples["container"] == "") if by_code else samples["kind"] != "spot"]
    beside = tuple((str(k), int(n)) for k, n in out["kind"].value_counts().sort_index().items())
    drawn = int((logged["container"] != "").sum()) if by_code else int(logged["kind"].eq("spot").sum())
    rank = {w: i for i, w in enumerate(FINDING_WORDS)}
    return Reconciliation(planned=planned, drawn=drawn, source=source, later=later, beside=beside,
                          findings=tuple(sorted(findings, key=lambda f: (rank[f.what], f.container, f.sample))))


def _text(row: dict[Hashable, Any]) -> str:
    words = dict.fromkeys(str(row[c]) for c in ("kind", "depth") if row[c])  # a heel is at the depth 'heel'
    return " ".join(words) + f" of {row['container'] or 'no container'}"


def _finding(what: str, row: dict[Hashable, Any], planned: str, drawn: str, remark: str = "") -> Finding:
    return Finding(what=what, sample=row["sample"], container=row["container"], depth=row["depth"], planned=planned,
                   drawn=drawn, remark=remark)


def _by_code(plan: pd.DataFrame, samples: pd.DataFrame, logged: pd.DataFrame) -> list[Finding]:
    """Missing, extra and misplaced samples where the plan has codes."""
    there = {r["sample"]: r for r in logged.to_dict("records")}
    wanted = {r["sample"]: r for r in plan.to_dict("records")}
    missing = [c for c in wanted if c not in there]
    out = [_finding("missing", wanted[c], _text(wanted[c]), "not drawn") for c in missing]
    for code, row in there.items():
        if row["container"] == "":
            continue
        if code not in wanted:
            near = likely_codes(code, missing)
            hint = f"perhaps {' or '.join(near)}, misread" if near else ""
            out.append(_finding("extra", row, "not planned", _text(row), hint))
        elif any(wanted[code][c] != row[c] for c in ("container", "kind", "depth")):
            out.append(_finding("wrong place", row, _text(wanted[code]), _text(row)))
    bench = samples[(samples["container"] == "") & ~was_drawn(samples)]
    out += [_finding("not logged", r, r["kind"], "no time and no volume") for r in bench.to_dict("records")]
    return out


def _at_each_visit(plan: pd.DataFrame, samples: pd.DataFrame) -> pd.DataFrame:
    """The implied draws of a container at each of its visits, with the day; without a day where it has none."""
    spots = samples[samples["kind"] == "spot"]
    days = spots.assign(day=visit_days(spots))[["container", "day"]].drop_duplicates()
    return plan.merge(days, on="container", how="left").fillna({"day": ""})


def _by_place(plan: pd.DataFrame, logged: pd.DataFrame) -> list[Finding]:
    """Missing and extra samples where the plan is implied: by container, visit and depth."""
    spots = logged[logged["kind"] == "spot"].assign(day=lambda s: visit_days(s))
    keys = ["container", "day", "depth"]
    there = set(spots[keys].astype(str).itertuples(index=False, name=None))
    out = [_finding("missing", r, _text(r), "not drawn") for r in plan.to_dict("records")
           if tuple(str(r[k]) for k in keys) not in there]
    again = spots[spots.duplicated(keys)]
    return out + [_finding("extra", r, "one spot draw", "a further one") for r in again.to_dict("records")]


def _order(logged: pd.DataFrame, depths: Iterable[str]) -> list[Finding]:
    """Draws that came after a deeper one (by time where logged, else by draw_order), container by container.

    A heel comes after every depth, a composite of the stirred rest after the heel.
    """
    rank = {d: i for i, d in enumerate(depths)}
    out = []
    logged = logged[logged["container"] != ""]
    for _, own in logged.groupby([logged["container"], visit_days(logged)], sort=False):
        timed = bool(own["drawn_at"].notna().all() and own["drawn_at"].is_unique)
        own = own.sort_values("drawn_at" if timed else "draw_order", kind="stable")
        deepest, last = -1, ""
        for row in own.to_dict("records"):
            below = len(rank) + (row["kind"] == "composite")
            place = rank.get(row["depth"], below) if row["kind"] in ZONE_KINDS else below
            if place < deepest:
                how = "by the times logged" if timed else "by draw_order"
                out.append(_finding("out of order", row, "from the surface down", f"after {last}", how))
            else:
                deepest, last = place, row["depth"] or row["kind"]
    return out


def _volumes(plan: pd.DataFrame, logged: pd.DataFrame, need_ml: float) -> list[Finding]:
    """Volumes off by more than the tolerance, or too small for the tests."""
    planned = dict(zip(plan["sample"], plan["volume_ml"], strict=True))
    out = []
    for row in logged[logged["volume_ml"].notna()].to_dict("records"):
        want, got = planned.get(row["sample"]), row["volume_ml"]
        if want and want == want and abs(got - want) > TOLERANCE * want:
            out.append(_finding("wrong volume", row, f"{want:g} mL", f"{got:g} mL"))
        if got < need_ml:
            out.append(_finding("too little for the tests", row, f"{need_ml:g} mL", f"{got:g} mL"))
    return out
