"""Counts: how often clean studies raise a question, real settling a stop, and a planted fault its right cause.

A *suspect* is a flag that stops or asks. *Right*: a suspect with a right cause at a right place (and analyte, where
one was meant). *Wrong*: a suspect that names no place of the fault, or a study without fault that has one.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from studykit.quality.assess import assess, stated_scatter, tests_of, undone
from studykit.quality.beforehand import seen_by
from studykit.quality.flags import CHANCE, flag_table, working_table
from studykit.quality.frame import build_frame
from studykit.quality.replicates import scale_s
from studykit.quality.rules import RULES, TAILS, broken
from studykit.quality.slips import check_files
from studykit.quality.suspects import Suspects, check_suspects, search
from studykit.quality.unseen import FAULTS as FAULT_NAMES
from studykit.quality.unseen import unseen
from studykit.study.definition import Study, parse_study
from tests.faults.laboratory import ANALYTES, Lab, Setting, make, tailed
from tests.faults.planted import FAULTS, Truth, settled_study, slipped, spoiled

STOP, ASK = "stop and find out", "ask before trusting"
WORDS = re.compile(r"[\w.\-]+")


def flags_of(lab: Lab) -> pd.DataFrame:
    """The flags of a study, by the kit."""
    report = assess(*lab.tables(), limits=lab.limits)
    return report.flags


def explained(lab: Lab) -> pd.DataFrame:
    """The flags of the model and of whole files alone (a third of the time of ``flags_of``)."""
    study, containers, samples, results = lab.tables()
    files, _ = check_files(study, working_table(study, containers, samples, results), lab.limits)
    return flag_table([*files.flags, *(f for c in check_suspects(_searched(lab)) for f in c.flags)])


def _searched(lab: Lab) -> Suspects:
    """The search of a study alone, slips of whole files undone."""
    study, containers, samples, results = lab.tables()
    t = working_table(study, containers, samples, results)
    _, factor = check_files(study, t, lab.limits)
    stated = {a: s.s for a, s in stated_scatter(study, t).items()}
    return search(build_frame(undone(t, factor), results, samples, scale_s(study, t, stated), lab.limits,
                              tests_of(study)))


def places_of(flag: dict[Any, Any]) -> set[str]:
    """The codes that a flag names: words of where, its samples, its analytes."""
    words = set(WORDS.findall(str(flag["where"]))) | set(str(flag["samples"]).split())
    words |= {w.strip() for w in str(flag["analyte"]).replace(" and ", ",").split(",")} - {""}
    return words | {str(flag["where"])}


def right(flag: dict[Any, Any], truth: Truth) -> bool:
    """Right cause, at a right place, in a right analyte."""
    named = places_of(flag)
    about = not truth.analytes or not str(flag["analyte"]) or bool(named & truth.analytes)
    return flag["rule"] in truth.causes and bool(named & truth.places) and about


def elsewhere(flag: dict[Any, Any], truths: Iterable[Truth]) -> bool:
    """Names no place of any fault of the study."""
    named = places_of(flag)
    return not any(named & (t.places | t.near) for t in truths)


def wrong(flag: dict[Any, Any], truths: Iterable[Truth]) -> bool:
    """A suspect elsewhere; zones of all containers that hold less than was filled are none: these stocks have settled."""
    return elsewhere(flag, truths) and (flag["rule"], flag["where"]) != ("less than was filled", "all containers")


@dataclass
class Tally:
    """Counts over studies: n, and how many had each outcome; rules that fired, for the eye."""

    n: int = 0
    counts: Counter[str] = field(default_factory=Counter)
    rules: Counter[str] = field(default_factory=Counter)

    def add(self, **outcomes: bool) -> None:
        self.n += 1
        self.counts.update({k: int(v) for k, v in outcomes.items()})

    def share(self, what: str) -> float:
        return self.counts[what] / self.n if self.n else float("nan")


def clean(setting: Setting, seeds: range) -> Tally:
    """Clean studies: any stop, any question, any flag at all."""
    tally = Tally()
    for seed in seeds:
        f = flags_of(make(setting, seed))
        suspects = f[f["concern"].isin([STOP, ASK])]
        tally.add(stop=bool((f["concern"] == STOP).any()), question=bool(len(suspects)), flag=bool(len(f)))
        tally.rules.update(set(suspects["rule"]))
    return tally


def settled(setting: Setting, seeds: range) -> Tally:
    """Studies that have really settled: any stop, any question."""
    tally = Tally()
    for seed in seeds:
        f = flags_of(settled_study(setting, seed))
        suspects = f[f["concern"].isin([STOP, ASK])]
        tally.add(stop=bool((f["concern"] == STOP).any()), question=bool(len(suspects)))
        tally.rules.update({f"{r['concern'][:4]} {r['rule']}" for r in suspects.to_dict("records")})
    return tally


def foretold(setting: Setting, seeds: range) -> dict[str, Tally]:
    """Drift and shift: how often what one study names at 8 of 10 places is named in the next study of that design.

    The fault is put, at that size, into a fresh study at a run and analyte drawn by chance, and the whole search runs.
    """
    out = {"drift": Tally(), "shift": Tally()}
    for seed in seeds:
        seen = unseen(_searched(make(setting, seed)), seed, tuple(out))
        rng = np.random.default_rng([seed, 80])
        for fault, tally in out.items():
            usual = seen.table["analyte"].isin(["P", "Zn", "S", "Ca", "B"])
            sizes = seen.table[(seen.table["fault"] == FAULT_NAMES[fault]) & usual]
            row = sizes.iloc[int(rng.integers(len(sizes)))]
            if not row["most_from"] > 0:
                continue
            lab, run, a = make(setting, seed + 50_000), f"R{rng.integers(1, setting.runs + 1)}", str(row["analyte"])
            amount = float(np.log1p(row["most_from"] / 100)) * (1 if rng.random() < 0.5 else -1)
            truth = slipped(lab, fault, run, a, amount)
            tally.add(named=any(right(f, truth) for f in explained(lab).to_dict("records")))
    return out


def foreseen_plan(lab: Lab) -> tuple[Study, pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """A laboratory's study as it stood before: definition with guesses, containers, samples, order at the laboratory.

    The guesses are those of somebody who knows the spread of containers and of drawing, and nothing of tails and settling.
    """
    s, given = lab.setting, lab.study.model_dump(exclude_unset=True)
    given["design"] = {"containers": s.containers, "guesses": {
        a: {"s_r": 100 * ANALYTES[a][1], "sd_container": 100 * s.container_sd, "source": "invented",
            "sd_container_depth": 100 * s.draw * ANALYTES[a][1]} for a in lab.analytes}}
    order = lab.wide.drop_duplicates("sample")[["sample", "run", "run_order"]].rename(columns={"run_order": "position"})
    return parse_study(given), lab.containers, lab.samples, order


def foretold_by_plan(setting: Setting, seeds: range) -> dict[str, Tally]:
    """Drift and shift: how often what the plan alone foretells at 8 of 10 places is named in a study of that plan."""
    out = {"drift": Tally(), "shift": Tally()}
    for seed in seeds:
        lab = make(setting, seed)
        table = seen_by(*foreseen_plan(lab), lab.limits).table
        rng = np.random.default_rng([seed, 81])
        for fault, tally in out.items():
            usual = table["analyte"].isin(["P", "Zn", "S", "Ca", "B"])
            sizes = table[(table["fault"] == FAULT_NAMES[fault]) & usual]
            row = sizes.iloc[int(rng.integers(len(sizes)))]
            if row["most_from"] > 0:
                lab, run, a = make(setting, seed + 50_000), f"R{rng.integers(1, setting.runs + 1)}", str(row["analyte"])
                amount = float(np.log1p(row["most_from"] / 100)) * (1 if rng.random() < 0.5 else -1)
                truth = slipped(lab, fault, run, a, amount)
                tally.add(named=any(right(f, truth) for f in explained(lab).to_dict("records")))
    return out


def control_rules_fire(tails: str, n: int, seed: int, spread: bool) -> tuple[dict[str, float], Tally]:
    """Clean check fluids, three runs of three readings in eight analytes: share of runs and analytes that break each rule.

    In units of the repeatability: runs differ by 0.3, the reference value is off by its uncertainty of 0.3. ``spread``:
    the laboratory's own spread of single readings over runs is given; else the repeatability serves. The tally counts
    studies with a hint, with a question.
    """
    rng, setting = np.random.default_rng([seed, 1981]), Setting(tails=tails)
    run = np.repeat(["R1", "R2", "R3"], 3).astype(object)
    s = float(np.hypot(1, setting.run_sd)) if spread else 1.0
    counts, tally = Counter[str](), Tally()
    for _ in range(n):
        shift, error = setting.run_sd * rng.standard_normal((8, 3)), 0.3 * rng.standard_normal((8, 1))
        away = tailed(setting, rng, 8, 9) + np.repeat(shift, 3, axis=1) + error
        hits = [(rule, name) for x in away for rule, at in broken(run, x, s, 0.3) for name in set(run[at])]
        counts.update(rule for rule, _ in hits)
        tally.add(hint=bool(hits), question=bool((2 * stats.t.sf(np.abs(away) / np.hypot(s, 0.3), TAILS) * 72 < CHANCE).any()))
    return {rule: counts[rule] / (24 * n) for rule in RULES}, tally


def faulty(name: str, size: int, setting: Setting, seeds: range) -> Tally:
    """Studies with one fault: right cause and place, of these as a hint only, any suspect there, a wrong suspect."""
    tally = Tally()
    for seed in seeds:
        lab, truth = spoiled(name, size, setting, seed)
        f = flags_of(lab)
        suspects = f[f["concern"].isin([STOP, ASK])].to_dict("records")
        said = any(right(s, truth) for s in f.to_dict("records"))
        tally.add(right=said, hints=said and not any(right(s, truth) for s in suspects),
                  place=any(not elsewhere(s, [truth]) for s in suspects),
                  wrong=any(wrong(s, [truth]) for s in suspects))
        tally.rules.update({str(s["rule"]) + (" (elsewhere)" if elsewhere(s, [truth]) else "") for s in suspects})
    return tally


def two_faults(one: str, other: str, setting: Setting, seeds: range) -> Tally:
    """Studies with two faults of clear size: how often each has its right cause."""
    tally = Tally()
    for seed in seeds:
        value = [FAULTS[n].sizes[2] for n in (one, other)]
        lab = make(FAULTS[other].setting(FAULTS[one].setting(setting, value[0]), value[1]), seed)
        truths = [FAULTS[n].plant(lab, v) for n, v in zip((one, other), value, strict=True)]
        f = flags_of(lab).to_dict("records")
        tally.add(first=any(right(s, truths[0]) for s in f), second=any(right(s, truths[1]) for s in f))
    return tally


BESIDE = ("digits in one of two", "copied row", "invented repeats", "coarse rounding", "noisy laboratory", "calibration",
          "spoiled check fluid", "unit in a cell", "unit in a row", "transposed digits", "portion", "saturated curve",
          "columns in all files", "exchanged columns")
"""Faults that other checks than the explanations name."""


def found_by_size(seeds: range, path: Path, only: str = "") -> None:
    """How many studies have the right cause at the right place, fault by fault at each size; written after each round.

    Every fault and size has seeds of its own (1000 apart). Faults that the explanations name are looked for there alone, so
    nothing here tells of wrong suspects. ``only``: faults with this in their names; the counts of the others stay.
    """
    rows = [(name, k, fault.sizes[k]) for name, fault in FAULTS.items() for k in range(len(fault.sizes))]
    found = np.zeros(len(rows), dtype=int)
    kept = pd.read_csv(path) if only and path.exists() else pd.DataFrame({"fault": []})
    kept = kept[[only not in name for name in kept["fault"]]]
    for n, seed in enumerate(seeds, start=1):
        for i, (name, k, _) in enumerate(rows):
            if only not in name:
                continue
            lab, truth = spoiled(name, k, USUAL, seed + 1000 * i)
            flags = flags_of(lab) if name in BESIDE else explained(lab)
            found[i] += any(right(f, truth) for f in flags.to_dict("records"))
        table = pd.DataFrame(rows, columns=["fault", "step", "size"]).assign(studies=n, found=found, first_seed=seeds[0])
        new = table[[only in name for name in table["fault"]]].drop(columns="step")
        whole = pd.concat([part for part in (kept, new) if len(part)])
        whole.sort_values("fault", key=lambda f: f.map(list(FAULTS).index), kind="stable").to_csv(path, index=False)


PAIRS = (("wrong product", "drift in one run"), ("unit in a cell", "dilution"), ("copied row", "shift of one run"),
         ("exchanged containers", "unit in one file"), ("portion", "carry-over"), ("swap of two bottles", "unit in a row"))
LABORATORIES = {f"{n} containers, {tails}, drawing {draw:g}": Setting(containers=n, tails=tails, draw=draw)
                for n, tails, draw in product((12, 24), ("normal", "t5"), (0.0, 0.5, 1.0))}
USUAL = replace(Setting(), tails="t5", draw=0.5)
