"""What is expected of each analyte, and what a good plan contains beside the plain samples.

Expectations come, in this order, from [design.guesses], the laboratory's own repeatability, or the
published precision of the method at the nominal level (``methods.py``).  Spreads and gradient are on
the scale of the margin: per cent for a relative margin, else the analyte's unit.

A plan without controls can only say what the laboratory wrote down.  ``propose`` lists the controls a
careful person would add, how many, what they cost and which question each one answers; whatever
[design] controls does not name is left out (heel draw and composite follow [sampling]).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal, cast

import pandas as pd

from studykit.core.errors import BadInput, Fault
from studykit.design.cheapest import Aim, Costs
from studykit.design.operating import BOTH, DesignSize, Side
from studykit.inference import Margin
from studykit.sampling.outlay import PLAIN, counted, outlay
from studykit.study.definition import Assumption, DesignSettings, Study
from studykit.study.inventory import control, wanted_controls
from studykit.study.precision import R_FACTOR, STATED, precision

# ten pairs leave the true spread between 0.70 and 1.75 times the estimate (chi-square, 10 df, 90 %)
DUPLICATE_PAIRS = 10
CHECK_FLUID_EVERY = 12  # positions; every 10 to 15 is common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Control:
    """One kind of control: containers and samples it adds, how it is made, which question it answers."""

    name: str
    containers: int
    samples: int
    how: str
    answers: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """A plan in numbers: its size, the samples at every depth, controls, cost."""

    size: DesignSize
    plain: int
    controls: tuple[Control, ...]
    left_out: tuple[str, ...]
    cost: float

    @property
    def samples(self) -> int:
        """Samples sent to the laboratory, controls included."""
        return self.plain + sum(c.samples for c in self.controls)

    @property
    def determinations(self) -> int:
        """Determinations: replicates of every sample of a container, one of each control sample."""
        return self.plain * self.size.replicates + sum(c.samples for c in self.controls)

    def to_table(self) -> pd.DataFrame:
        """One row for the plain samples, then one a control."""
        first = {"what": PLAIN, "containers": self.size.containers,
                 "samples": self.plain, "how": "surface down, one clean tube per depth",
                 "answers": "do the depths differ, and by how much?"}
        return pd.DataFrame([first] + [{"what": c.name, "containers": c.containers, "samples": c.samples,
                                        "how": c.how, "answers": c.answers} for c in self.controls])


HOW = {
    "remixed control": ("one more container, mixed by the site's own procedure where [safety] clears it, rested "
                        "until the air is out, then drawn like the others",
                        "does the drawing itself make a gradient, and does mixing work?"),
    "layered control": ("a small clear vessel, lower third spiked by slow bottom filling, or two bottles made up "
                        "at a known difference", "would a gradient of that size have been seen?"),
    "duplicate": ("a second, independent draw of a zone under an unrelated code, spread over runs and depths",
                  "how large is the scatter of drawing and laboratory together?"),
    "check fluid": ("one well-mixed bottle, portioned blind, at even distances in every run",
                    "did the laboratory drift within a run or shift between runs?"),
    "blank": ("clean base fluid in an ordinary bottle, one in every run", "is anything carried over or brought in?"),
    "heel": ("the last 10 to 20 mm above the floor, drawn after all other depths where [safety] clears it",
             "does loose sediment lie where no depth reaches?"),
    "composite": ("what is left after the last draw, mixed by the site's own procedure where [safety] clears it, "
                  "then one sample",
                  "do the zones account for all of it, or has something stayed on the floor?"),
    "retained": ("one sample kept from the filling of each lot", "was it like this from the start?"),
    "sister": ("a container of the same lot, store and age, left untouched until a later visit (an opened one "
               "cannot tell)", "does it go on?"),
}


def guess_of(study: Study, analyte: str) -> Assumption | None:
    """What is expected of one analyte, with its source; None where nothing is known.

    A relative margin puts everything in per cent (of ``nominal`` where a source is absolute).  A published
    r holds for two results of one bottle: scatter of drawing is not in it.  BadInput for a method key that
    is not known.
    """
    own = study.design.guesses.get(analyte) if study.design else None
    if own is not None:
        return own
    declared = study.analytes[analyte]
    level = declared.nominal
    if declared.repeatability is not None:
        rep = declared.repeatability
        percent = rep.s_r_percent is not None or rep.r_percent is not None
        if declared.margin.relative and percent:
            return Assumption(s_r=rep.s_r_at(100.0), source=STATED + rep.source)
        if level is not None:
            return _scaled(rep.s_r_at(level), level, declared.margin.relative, STATED + rep.source)
        if not (declared.margin.relative or percent):
            return Assumption(s_r=rep.s_r_at(1.0), source=STATED + rep.source)
    if declared.method_key and level is not None:
        published = precision(declared.method_key, analyte, level, declared.unit)
        source = f"{published.source} ({published.sure})" + ("" if published.in_range else "; outside its range")
        return _scaled(published.s_r, level, declared.margin.relative, source)
    return None


def _scaled(s_r: float, level: float, relative: bool, source: str) -> Assumption:
    return Assumption(s_r=100 * s_r / level if relative else s_r, source=source)


def guess_from_pilot(s_r: float, sd_container_depth: float, sd_container: float = 0.0, gradient: float = 0.0,
                     source: str = "pilot study") -> Assumption:
    """A guess from the variance components of an earlier fit (standard deviations on the margin's scale)."""
    return Assumption(s_r=s_r, sd_container=sd_container, sd_container_depth=sd_container_depth, gradient=gradient,
                 source=source)


def aims_of(study: Study, gradients: Mapping[str, float] | None = None, *, every: bool = False) -> tuple[Aim, ...]:
    """The analytes of which something is expected, with their margins on the same scale: those that decide, or ``every``.

    ``gradients``: lowest minus top in the unit of the margin (per cent or absolute) from elsewhere, such as
    the settling estimate; used where [design.guesses] gives no gradient for the analyte.
    """
    typed = study.design.guesses if study.design else {}
    aims = []
    for name, declared in study.analytes.items():
        guess = guess_of(study, name) if every or study.decides(name) else None
        if guess is not None:
            own = typed.get(name)
            if gradients and name in gradients and (own is None or "gradient" not in own.model_fields_set):
                source = f"{guess.source}; difference from the settling estimate"
                guess = guess.model_copy(update={"gradient": gradients[name], "source": source})
            margin = Margin.declared(declared.margin, declared.unit)
            guess = guess.model_copy(update={"gradient": _on_scale(name, guess.gradient, margin)})
            aims.append(Aim(analyte=name, guess=guess, margin=margin.shown_sd(margin.edge), relative=margin.log,
                            unit=margin.unit, side=side_of(margin)))
    return tuple(aims)


def side_of(margin: Margin) -> Side:
    """Which side of a margin counts, as the chances take it."""
    return Side(sign=cast(Literal[-1, 0, 1], margin.side), log=margin.log) if margin.side else BOTH


def _on_scale(analyte: str, difference: float, margin: Margin) -> float:
    """A difference as people read it on the scale of scatter; BadInput for a fall of 100 % or more."""
    if margin.log and difference <= -100:
        raise BadInput([Fault(file="study.toml", column=f"design.guesses.{analyte}.gradient", value=f"{difference:g}",
                              reason="nothing can fall by 100 % or more", remedy="write a gradient above -100")])
    return margin.as_scatter(difference)


def expectations(study: Study, gradients: Mapping[str, float] | None = None) -> pd.DataFrame:
    """Per analyte: margin, guessed spreads and gradient, r against the margin, and where the guess is from."""
    known = {a.analyte: a for a in aims_of(study, gradients, every=True)}
    rows = []
    for name, declared in study.analytes.items():
        row: dict[str, object] = {"analyte": name, "margin": declared.margin.text(declared.unit)}
        aim = known.get(name)
        if aim is None:
            row |= {"source": "nothing is known: give [design.guesses], a repeatability, or nominal and method_key"}
        else:
            g = aim.guess
            row |= {"s_r": g.s_r, "sd_container": g.sd_container, "sd_container_depth": g.sd_container_depth,
                    "gradient": aim.shown(g.gradient), "unit": aim.unit, "r_over_margin": R_FACTOR * g.s_r / aim.margin,
                    "source": g.source}
        rows.append(row)
    columns = ["analyte", "margin", "s_r", "sd_container", "sd_container_depth", "gradient", "unit",
               "r_over_margin", "source"]
    return pd.DataFrame(rows).reindex(columns=columns)


def size_of(study: Study) -> DesignSize:
    """The planned size; BadInput where study.toml has no [design] section."""
    settings = settings_of(study)
    return DesignSize(containers=settings.containers, depths=len(study.factors.depths), replicates=settings.replicates,
                      scatter=study.factors.across_depths)


def settings_of(study: Study) -> DesignSettings:
    """The [design] section; BadInput where there is none."""
    if study.design is None:
        raise BadInput([Fault(file="study.toml", column="design", reason="there is no [design] section",
                              remedy="write one: containers, replicates, costs, guesses")])
    return study.design


def propose(study: Study, size: DesignSize | None = None, *, lots: int = 1, without: Sequence[str] = (),
            costs: Costs | None = None) -> Proposal:
    """The plan in numbers: controls that [design] asks for (less ``without``), laboratory runs, cost.

    ``lots``: lots among the containers (one retained sample each).  ValueError for an unknown control.
    """
    settings, size = settings_of(study), size or size_of(study)
    unknown = set(without) - set(HOW)
    if unknown:
        raise ValueError(f"without must name controls ({', '.join(HOW)}), but got {', '.join(sorted(unknown))}")
    wanted = [c for c in _wanted(study) if c not in without]
    made_up = sum(name in wanted for name in ("remixed control", "layered control"))
    added = {name: _count(name, size, lots, study, made_up) for name in wanted if name not in ("blank", "check fluid")}
    plain = size.samples + sum(s for _, s in added.values())
    each = math.ceil(plain / (size.containers + sum(c for c, _ in added.values())))
    every = study.sampling.check_fluid_every or CHECK_FLUID_EVERY
    checks = math.ceil(plain / every) if "check fluid" in wanted else 0
    room = study.sampling.run_capacity - ("blank" in wanted)
    if checks:
        room -= math.ceil(room / (every + 1))
    per_run = max(room // each, 1)
    runs = math.ceil(plain / min(max(per_run * each, each), room)) if room > 0 else plain
    if checks:
        added["check fluid"] = (0, max(checks, runs))
    if "blank" in wanted:
        added["blank"] = (0, runs)
    controls = tuple(Control(name=n, containers=c, samples=s, how=HOW[n][0], answers=HOW[n][1])
                     for n, (c, s) in added.items())
    extra = sum(c.samples for c in controls)
    money = costs or Costs(container=settings.cost_container, sample=settings.cost_sample, fixed=settings.cost_fixed,
                           determination=settings.cost_determination + sum(settings.cost_per_analyte.values()))
    opened = sum(c.containers for c in controls)
    cost = money.of(size) + opened * money.container + extra * (money.sample + money.determination)
    return Proposal(size=size, plain=size.samples, controls=controls, cost=cost,
                    left_out=tuple(n for n in HOW if n not in added))


def filed_proposal(study: Study, size: DesignSize, containers: pd.DataFrame, samples: pd.DataFrame) -> Proposal:
    """The plan in numbers as it is filed in the plan tables: what is promised is what is printed."""
    counts, cost = counted(samples, containers), outlay(study, containers, samples).cost
    opened, plain = counts.get(PLAIN, (0, 0))
    controls = tuple(Control(name=n, containers=counts[n][0], samples=counts[n][1], how=HOW[n][0], answers=HOW[n][1])
                     for n in HOW if n in counts)
    return Proposal(size=replace(size, containers=opened), plain=plain, controls=controls, cost=cost or 0.0,
                    left_out=tuple(n for n in HOW if n not in counts))


def _wanted(study: Study) -> list[str]:
    """Controls of the plan, with the floor draws switched on under [sampling]."""
    floor = {"heel": study.sampling.heel, "composite": study.sampling.residue}
    return [*(c for c in wanted_controls(study) if control(study, c)), *(name for name, on in floor.items() if on)]


def _count(name: str, size: DesignSize, lots: int, study: Study, opened: int) -> tuple[int, int]:
    """Containers and samples that one kind of control adds; ``opened``: containers that are controls."""
    if name in ("remixed control", "layered control"):  # drawn at every depth, as a stored container is
        return 1, size.depths
    if name == "duplicate":
        wanted = study.sampling.duplicates
        return 0, wanted if wanted is not None else min(DUPLICATE_PAIRS, size.samples)
    if name in ("heel", "composite"):  # controls are drawn like the others
        return 0, size.containers + opened
    if name == "retained":
        return 0, lots
    return size.containers, 0  # sister: set aside now, sampled at another visit
