"""What a planned study could not see, before there are results: sizes of faults that its checks would name.

Readings without a fault are made up for the bottles of the plan, in their runs and places there, with what study.toml
says of scatter (guesses, else the stated or published repeatability, the intermediate precision where it is given),
with tails of Student's t. Into these the faults are put as into real results (``unseen``). What nobody typed is taken
as nothing: containers that are alike, runs that do not differ. So real studies see less rather than more.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from studykit.design.assumptions import aims_of, propose
from studykit.design.cheapest import Aim
from studykit.inference import Margin
from studykit.quality.controls import read_check_limits
from studykit.quality.explain import scene
from studykit.quality.flags import shown, working_table
from studykit.quality.frame import NU, Frame, Vector, build_frame, fit
from studykit.quality.unseen import COLUMNS, Unseen, unseen
from studykit.quality.visits import unfold
from studykit.sampling.plan import filed_submission
from studykit.study.columns import NO_CONTAINER
from studykit.study.definition import Study
from studykit.study.stages import OpenStage

LOOKED_AT = ("drift", "shift", "container")
MOST_RUNS = 6
"""Runs looked at; what further ones of the same plan would show is alike."""
ANY_LEVEL = 100.0
"""Level of an analyte without a nominal value, in its unit: a relative scatter is the same at each."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Beforehand:
    """Sizes of faults that the plan would show (``seen``, None where nothing can be said), and what to know of them."""

    seen: Unseen | None
    notes: tuple[str, ...]

    @property
    def table(self) -> pd.DataFrame:
        """A row a fault and analyte, columns as of ``Unseen.table``; no rows where nothing can be said."""
        return self.seen.table.copy() if self.seen else pd.DataFrame(columns=COLUMNS)

    def words(self, study: Study) -> str:
        """The sizes and the notes, a line each."""
        said = self.seen.sentences(study.label_of) if self.seen else ()
        return "\n\n".join((*said, *self.notes))


def beforehand(stage: OpenStage) -> Beforehand:
    """What the plan of an open stage could not see; BadInput where its order at the laboratory is not as the kit wrote it.

    As it is filed; what is not there yet (bottles, their order at the laboratory) is made up after [design] and [sampling].
    """
    study, samples, containers = stage.study, stage.samples, stage.containers
    order, notes = filed_submission(stage.root), list[str]()
    if not len(samples):
        if study.design is None:
            return Beforehand(seen=None, notes=("Which faults would be seen can be said once there is a [design] or a plan.",))
        containers, samples = _sketched(study)
        notes.append("There is no plan yet: bottles are counted as [design] and [sampling] ask for them.")
    if not set(samples["sample"]) & set(order["sample"]):
        order = _dealt(study, samples)
        notes.append(f"Their order at the laboratory is made up: {_counted(order['run'].nunique(), 'run')}, whole containers "
                     "in each, check fluids at even distances.")
    found = seen_by(study, containers, samples, order, read_check_limits(stage.root, study))
    return replace(found, notes=(*notes, *found.notes)) if found.seen else found


def _counted(n: int, word: str) -> str:
    return f"{n} {word}{'' if n == 1 else 's'}"


def _sketched(study: Study) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Containers and samples that [design] and [sampling] ask for, of one lot and store."""
    made = propose(study)
    depths, names = study.factors.depths, [f"C{i + 1:03d}" for i in range(made.size.containers)]
    height = dict(zip(depths, 1 - (np.arange(len(depths)) + 0.5) / len(depths), strict=True))
    rows = [(c, d, "spot") for c in names for d in depths]
    for control in made.controls:
        if control.name == "duplicate":
            rows += [(names[i % len(names)], depths[i % len(depths)], "duplicate") for i in range(control.samples)]
        elif control.name == "check fluid":
            rows += [("", "", "check fluid")] * control.samples
    samples = pd.DataFrame(rows, columns=["container", "depth", "kind"])
    samples.insert(0, "sample", [f"S{i + 1:04d}" for i in range(len(rows))])
    samples["height"], samples["draw_order"] = samples["depth"].map(height).astype(float), 1
    return pd.DataFrame({"container": names, "lot": "", "store": "", "treatment": "stored"}), samples


def _dealt(study: Study, samples: pd.DataFrame) -> pd.DataFrame:
    """An order at the laboratory: whole containers dealt to as few runs as hold them, check fluids at even distances."""
    rng = np.random.default_rng([study.seed, 406])
    box = samples["container"].fillna("").to_numpy(object)
    fluid = samples["kind"].isin(NO_CONTAINER).to_numpy()
    runs = max(1, -(-len(samples) // study.sampling.run_capacity))
    names = [c for c in dict.fromkeys(box) if c]
    of = {c: i % runs for i, c in enumerate(rng.permutation(np.array(names, dtype=object)))}
    run = np.array([of.get(c, 0) for c in box])
    run[box == ""] = np.arange((box == "").sum()) % runs
    place = rng.random(len(samples))
    for g in range(runs):
        mine = np.flatnonzero((run == g) & fluid)
        place[mine] = (np.arange(mine.size) + 0.5) / max(1, mine.size)
    position = pd.Series(place).groupby(run).rank(method="first").to_numpy()
    return pd.DataFrame({"sample": samples["sample"].to_numpy(), "run": [f"R{g + 1}" for g in run], "position": position})


def seen_by(study: Study, containers: pd.DataFrame, samples: pd.DataFrame, order: pd.DataFrame,
            limits: pd.DataFrame | None = None) -> Beforehand:
    """What a plan could not see. ``order``: sample, run, position; ``limits``: of the check fluid, as in plan/check_limits.csv.

    Takes a second or two.
    """
    aims = {a.analyte: a for a in aims_of(study, every=True)}
    if not aims:
        return Beforehand(seen=None, notes=("The scatter of no analyte is known: give [design.guesses], a repeatability, or "
                                            "nominal and method_key.",))
    f, runs = _made_up(study, containers, samples, order, aims, limits)
    if not f.zone.any():
        return Beforehand(seen=None, notes=("No stored container is drawn in depths, so nothing can be said.",))
    units = {a: study.unit_of(a) for a in study.analytes}
    scatter = {a: _scale(study, aim, max(aim.guess.s_r, np.hypot(_measured(study, aim), aim.guess.sd_container_depth)))
               for a, aim in aims.items()}
    seen = unseen(scene(f, f.y, fit(f, f.y)), study.seed, LOOKED_AT, units, scatter)
    return Beforehand(seen=replace(seen, blind=()),  # levels of check fluid and stock are not known yet
                      notes=tuple(_notes(study, aims, f, runs)))


def _notes(study: Study, aims: Mapping[str, Aim], f: Frame, runs: int) -> list[str]:
    """What is not in the sizes, a sentence each."""
    out = []
    fluids = f.rows["kind"].eq("check fluid").groupby(f.rows["run"]).sum()
    out.append(f"Check fluids in a run: {shown(float(fluids.mean()), 2)} on average. A few more, at both ends among them, "
               "make a smaller drift or shift seen, and tell it from the containers.")
    alike = [study.label_of(a) for a, aim in aims.items() if aim.guess.sd_container == 0]
    if alike:
        out.append(f"Containers are taken to be alike (sd_container is not given) in {', '.join(alike)}: what one container "
                   "alone shows would really be seen later.")
    unknown = [study.label_of(a) for a in study.analytes if a not in aims]
    if unknown:
        out.append(f"No size is given for {', '.join(unknown)}: nothing is known of their scatter.")
    if runs > MOST_RUNS:
        out.append(f"Looked at: the first {MOST_RUNS} of {runs} runs.")
    return out


def _made_up(study: Study, containers: pd.DataFrame, samples: pd.DataFrame, order: pd.DataFrame, aims: Mapping[str, Aim],
             limits: pd.DataFrame | None) -> tuple[Frame, int]:
    """The frame of made-up readings without a fault, and how many runs the plan has."""
    rng = np.random.default_rng([study.seed, 405])
    visits = unfold(study, containers, samples, samples[["sample"]])
    rows = visits.samples.merge(order[["sample", "run", "position"]], on="sample")
    runs = sorted(set(rows["run"]))
    rows = rows[rows["run"].isin(runs[:MOST_RUNS])].reset_index(drop=True)
    rows["container"] = rows["container"].fillna("")
    parts = [_readings(study, rows, aim, _centre(limits, aim.analyte), rng) for aim in aims.values()]
    results = pd.concat(parts, ignore_index=True)
    t = working_table(study, visits.containers, visits.samples, results)
    return build_frame(t, results, visits.samples, {a: _scale(study, aim, aim.guess.s_r) for a, aim in aims.items()},
                       limits), len(runs)


def _centre(limits: pd.DataFrame | None, analyte: str) -> float:
    """What the check fluid should read, NaN where no limits are given."""
    own = None if limits is None else limits[limits["analyte"] == analyte]
    if own is None or own.empty:
        return float("nan")
    middle = float(own["low"].iloc[0] + own["high"].iloc[0]) / 2
    value = float(own["value"].iloc[0]) if "value" in own else float("nan")
    return value if np.isfinite(value) else middle


def _scale(study: Study, aim: Aim, told: float) -> float:
    """A standard deviation as it is told (per cent, or the unit) on the scale of analysis."""
    return told / 100 if Margin.declared(study.analytes[aim.analyte].margin, aim.unit).log else told


def _readings(study: Study, rows: pd.DataFrame, aim: Aim, fluid: float, rng: np.random.Generator) -> pd.DataFrame:
    """One determination of one analyte in every bottle of the plan, blanks left out."""
    declared, g = study.analytes[aim.analyte], aim.guess
    level = declared.nominal or (ANY_LEVEL if declared.margin.relative else 10 * aim.margin)
    own = rows[rows["kind"] != "blank"]
    known = np.where(own["kind"].eq("check fluid") & np.isfinite(fluid), fluid, level)
    free = own["kind"].isin(NO_CONTAINER).to_numpy()
    between = np.sqrt(max(0.0, (declared.intermediate_s or 0.0) ** 2 - _in_unit(study, aim, g.s_r, level) ** 2))
    drawn = _tailed(rng, own["container"].to_numpy(object), g.sd_container) + g.sd_container_depth * _t(rng, len(own))
    departs = np.where(free, 0.0, drawn) + _measured(study, aim) * _t(rng, len(own))
    y = _scale(study, aim, 1.0) * departs
    run = _tailed(rng, own["run"].to_numpy(object), between)
    value = known * np.exp(y) if declared.margin.relative else known + y
    return pd.DataFrame({"sample": own["sample"], "analyte": aim.analyte, "value": value + run * known / level,
                         "unit": declared.unit, "qualifier": "", "limit": np.nan, "replicate": 1, "run": own["run"],
                         "run_order": own["position"], "source_file": "plan"})


def _in_unit(study: Study, aim: Aim, told: float, level: float) -> float:
    return told / 100 * level if study.analytes[aim.analyte].margin.relative else told


def _measured(study: Study, aim: Aim) -> float:
    """Scatter of the mean of a bottle's determinations, as it is told."""
    return float(aim.guess.s_r / np.sqrt(study.design.replicates if study.design else 1))


def _t(rng: np.random.Generator, n: int) -> Vector:
    """Student's t with the tails that the model allows, of standard deviation 1."""
    return np.asarray(rng.standard_t(NU, n) / np.sqrt(NU / (NU - 2)))


def _tailed(rng: np.random.Generator, keys: np.ndarray, sd: float) -> Vector:
    """One number a key, the same for all its rows."""
    codes, distinct = pd.factorize(keys)
    return sd * _t(rng, len(distinct))[codes]


__all__ = ["Beforehand", "beforehand", "seen_by"]
