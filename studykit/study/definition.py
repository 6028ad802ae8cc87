"""The study definition: study.toml read into one frozen object, or refused with every fault listed.

First the sections as frozen models, one class each: what may be written, in which units, with which limits.
Unknown keys are refused; a field's name carries its unit. Then the study itself, and how it is read.
"""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, ValidationError, model_validator

from studykit.core.change import finish_change
from studykit.core.errors import BadInput, Fault, single
from studykit.core.files import line_of_key, read_toml, safe_name
from studykit.core.plaintext import text_faults
from studykit.study.actions import Action
from studykit.study.drawing import SamplingSettings as SamplingSettings
from studykit.study.factors import (
    Factors,
    Name,
    NotNegative,
    Positive,
    Section,
    Sentence,
    TimeSettings,
    UnitText,
)
from studykit.study.factors import Scatter as Scatter
from studykit.study.naming import name_faults
from studykit.study.precision import find_method
from studykit.study.ranges import definition_faults
from studykit.study.reading import opened
from studykit.study.safety import SafetySettings
from studykit.study.spoken import spoken_faults
from studykit.vessels.shapes import Vessel


class Margin(Section):
    """The largest difference between depths that does not matter: per cent of the level, a factor, or absolute.

    ``side``: "below" or "above" where only that side matters: no zone may lie farther than that below (or above) its mixed
    container; left out, the margin is about every pair of depths, whichever holds more.
    """

    relative_percent: Positive | None = None
    factor: Positive | None = None
    absolute: Positive | None = None
    side: Literal["below", "above"] | None = None

    @model_validator(mode="after")
    def _one_of_three(self) -> Margin:
        if sum(x is not None for x in (self.relative_percent, self.factor, self.absolute)) != 1:
            raise ValueError("give exactly one of relative_percent, factor and absolute")
        if self.factor is not None and not 1.000001 <= self.factor <= 1000:
            raise ValueError("factor must be above 1 and at most 1000: 2 allows from half to double")
        if self.relative_percent is not None and not 1e-4 <= self.relative_percent < 100:
            raise ValueError("relative_percent must be from 0.0001 to below 100")
        if self.absolute is not None and not 1e-12 <= self.absolute <= 1e12:
            raise ValueError("absolute must be from 1e-12 to 1e12, in the analyte's unit")
        return self

    @property
    def relative(self) -> bool:
        """True where the margin is in per cent or a factor (analysed on the log scale)."""
        return self.absolute is None

    @property
    def percent(self) -> float | None:
        """How far one depth may lie above another, in per cent of it; None for an absolute margin."""
        return self.relative_percent if self.factor is None else 100 * (self.factor - 1)

    def at(self, level: float) -> float:
        """The margin in the analyte's unit at a level: a share of it, for a factor at most the level itself."""
        return float(self.absolute or 0.0) if self.percent is None else abs(level) * min(self.percent, 100.0) / 100

    def toml(self) -> str:
        """The margin as study.toml writes it."""
        parts = [f"{k} = {f'{v:.15g}' if k != 'side' else f'{chr(34)}{v}{chr(34)}'}"
                 for k, v in self.model_dump(exclude_none=True).items()]
        return f"{{ {', '.join(parts)} }}"

    def text(self, unit: str) -> str:
        """The margin as people write it, with sign and unit; the unit 1 is none. Of results in % it says of what."""
        per_cent, unit = "% of the value" if unit == "%" else "%", {"1": "", "%": "percentage points"}.get(unit, unit)
        plain = f"{self.absolute:g} {unit}".rstrip() if self.absolute is not None else (
            f"{self.relative_percent:g} {per_cent}" if self.factor is None else f"a factor of {self.factor:g}")
        if self.side is not None:
            return f"{plain} {self.side} the mixed container"
        return plain if self.factor is not None else f"±{plain}"


class Repeatability(Section):
    """A laboratory's own repeatability statement: exactly one of s_r, s_r_percent, r, r_percent."""

    s_r: Positive | None = None
    s_r_percent: Positive | None = None
    r: Positive | None = None
    r_percent: Positive | None = None
    source: Sentence

    @model_validator(mode="after")
    def _one_of_four(self) -> Repeatability:
        if sum(v is not None for v in (self.s_r, self.s_r_percent, self.r, self.r_percent)) != 1:
            raise ValueError("give exactly one of s_r, s_r_percent, r, r_percent")
        return self

    def s_r_at(self, level: float) -> float:
        """Repeatability standard deviation at ``level``, in the analyte's unit (r = 1.96·√2·s_r)."""
        absolute = self.s_r if self.s_r is not None else self.r
        value = absolute if absolute is not None else (self.s_r_percent or self.r_percent or 0.0) / 100 * level
        is_r = self.r is not None or self.r_percent is not None
        return value / (1.959963984540054 * 2**0.5) if is_r else value


FOR_INFORMATION = " (for information)"
"""Stands behind the name of an analyte whose role is information, wherever it is told."""


class Analyte(Section):
    """One declared analyte: unit, method, margin and why that margin."""

    unit: UnitText
    method: Sentence
    margin: Margin
    margin_reason: Sentence
    label: str = ""
    kind: Literal["element", "viscosity", "water", "solids", "count", "other"] = "other"
    method_key: str = ""
    repeatability: Repeatability | None = None
    intermediate_s: Positive | None = None
    limit: Positive | None = None
    nominal: Positive | None = None
    sigma_pt: Positive | None = None
    blind_to: str = ""
    wear_metal: bool = False
    role: Literal["decides", "information"] = "decides"


class FluidSettings(Section):
    """The fluid: density and viscosity, for the settling estimate.

    Viscosity: two kinematic values (40 and 100 °C), or ``rest_viscosity_pa_s`` for a thickened
    fluid, taken for every temperature of the range.  ``density_expansion_per_k`` is needed
    outside 801 to 1164 kg/m³, where the rule for mineral oils does not hold.
    ``temperature_difference_k``: the largest difference inside one container during storage; left out where
    nobody knows, and then stirring by warmth cannot be excluded.
    """

    density_kg_m3: Positive
    density_at_c: float = 15.0
    density_expansion_per_k: NotNegative | None = None
    viscosity_mm2_s_at_40c: Positive | None = None
    viscosity_mm2_s_at_100c: Positive | None = None
    rest_viscosity_pa_s: Positive | None = None
    viscosity_from_c: float = -20.0
    viscosity_to_c: float = 150.0
    yield_stress_pa: NotNegative = 0.0
    storage_temperature_c: float = 20.0
    store_temperature_c: dict[str, float] = Field(default_factory=dict)
    yearly_swing_c: NotNegative = 0.0
    temperature_difference_k: Positive | None = None


class ComponentSettings(Section):
    """Something in the fluid that might settle or rise: density, median diameter by mass, volume share.

    ``log_sd``: standard deviation of the natural logarithm of the diameter.
    """

    name: Name
    analyte: str = ""
    density_kg_m3: Positive
    diameter_um: Positive
    log_sd: NotNegative = 0.0
    volume_fraction: Annotated[float, Field(ge=0, lt=0.64)] = 0.0
    note: str = ""


class Assumption(Section):
    """What a person expects of one analyte before the study, in the unit of its margin (% or absolute).

    ``months_to_margin``: when the difference passes the margin on average; ``own_rates_percent``: how much the rates of
    containers scatter about their mean, as its standard deviation in per cent of it. Both serve the chances of time.
    """

    s_r: Positive
    sd_container: NotNegative = 0.0
    sd_container_depth: NotNegative = 0.0
    gradient: Annotated[float, Field(allow_inf_nan=False)] = 0.0
    shape: Literal["linear", "lowest only"] = "linear"
    months_to_margin: Positive | None = None
    own_rates_percent: NotNegative | None = None
    source: str = ""


ControlKind = Literal["remixed control", "layered control", "duplicate", "check fluid", "blank", "retained",
                      "sister"]


MOST_CONTAINERS, MOST_REPLICATES, MOST_COMPONENTS = 5000, 100, 60
"""A study of more would take more memory and time than a desk's machine has: whoever sends one must not fill another's."""


class DesignSettings(Section):
    """The planned size, costs and limits of the study, controls wanted, what is expected of each analyte.

    A determination is one sample tested once for all analytes together; it costs ``cost_determination``
    plus what ``cost_per_analyte`` lists. ``cost_fixed`` is spent in any case (set-up, transport).
    ``controls`` lists what the plan shall contain; leave out what is not wanted (heel draw and composite
    of the rest are switched under [sampling]).  ``max_bottles``: the plan asks before it fills more.
    ``minutes_container`` and ``minutes_draw`` (own guess, no source) give the hours at the bench.
    """

    containers: Annotated[int, Field(ge=1, le=MOST_CONTAINERS)] = 12
    replicates: Annotated[int, Field(ge=1, le=MOST_REPLICATES)] = 1
    target: Annotated[float, Field(gt=0, lt=1)] = 0.8
    cost_container: NotNegative = 0.0
    cost_sample: NotNegative = 0.0
    cost_determination: NotNegative = 0.0
    cost_fixed: NotNegative = 0.0
    cost_per_analyte: dict[str, NotNegative] = Field(default_factory=dict)
    currency: str = "units"
    budget: Positive | None = None
    max_containers: Annotated[int, Field(ge=1, le=MOST_CONTAINERS)] = 60
    max_replicates: Annotated[int, Field(ge=1, le=MOST_REPLICATES)] = 4
    max_samples: Annotated[int, Field(ge=1)] | None = None
    max_determinations: Annotated[int, Field(ge=1)] | None = None
    max_bottles: Annotated[int, Field(ge=1)] = 100
    minutes_container: NotNegative = 20.0
    minutes_draw: NotNegative = 5.0
    controls: tuple[ControlKind, ...] = ("remixed control", "layered control", "duplicate", "check fluid", "blank")
    guesses: dict[str, Assumption] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _priced(self) -> DesignSettings:
        costs = (self.cost_container, self.cost_sample, self.cost_determination, *self.cost_per_analyte.values())
        if self.budget is not None and not any(costs):
            raise ValueError("a budget without costs says nothing: give cost_container, cost_sample or "
                             "cost_determination, or leave budget out")
        return self


SAFE_NAME = r"^[A-Za-z0-9][A-Za-z0-9 _.+\-]*$"


def _safe(text: str) -> str:
    if not re.match(SAFE_NAME, text):
        raise ValueError("use letters, digits, space, and _ . + - only, starting with a letter or digit")
    return text


Key = Annotated[str, Field(min_length=1, max_length=40), AfterValidator(_safe)]


class DepositSettings(Section):
    """What a deposit of the study says of its use: licence (SPDX identifier), authors, and how to cite it; all may be empty."""

    licence: Annotated[str, Field(pattern=r"^[A-Za-z0-9.+-]{0,60}$")] = ""
    authors: tuple[Sentence, ...] = ()
    citation: Annotated[str, Field(max_length=1000)] = ""


class Study(Section):
    """One study: its question, who answers for it, analytes with margins, factors, vessels.

    ``share_percent``: the largest share of containers, in per cent, that may lie beyond the margin where the claim
    is about more than one container.
    """

    title: Annotated[Sentence, Field(max_length=200)]
    question: Annotated[Sentence, Field(max_length=2000)]
    responsible: Sentence
    scope: Literal["container", "lot", "store", "stock"] = "stock"
    alpha: Annotated[float, Field(gt=0, le=0.2)] = 0.05
    seed: Annotated[int, Field(ge=0)] = 0
    invented: bool = False
    language: Annotated[str, Field(pattern=r"^[a-z]{2}(-[A-Z]{2})?$")] = "en"
    share_percent: Annotated[float, Field(gt=0, lt=100)] = 20
    actions: dict[Literal["homogeneous", "uneven", "stratified", "inconclusive"], Action] = Field(default_factory=dict)
    factors: Factors
    analytes: Annotated[dict[Key, Analyte], Field(min_length=1, max_length=200)]
    vessels: Annotated[dict[Key, Vessel], Field(min_length=1)]
    time: TimeSettings | None = None
    fluid: FluidSettings | None = None
    components: Annotated[tuple[ComponentSettings, ...], Field(max_length=MOST_COMPONENTS)] = ()
    design: DesignSettings | None = None
    sampling: SamplingSettings = SamplingSettings()
    safety: SafetySettings = SafetySettings()
    deposit: DepositSettings = DepositSettings()
    exclusion_rules: tuple[Sentence, ...] = ()
    unusual: dict[str, Sentence] = Field(default_factory=dict)

    @property
    def level(self) -> str:
        """Level of the interval that is held against a margin, 1 - 2 alpha, in words."""
        return f"{100 - 200 * self.alpha:g} %"

    @property
    def level_of_all(self) -> str:
        """Level of the intervals that hold for all pairs of depths together, 1 - alpha, in words."""
        return f"{100 - 100 * self.alpha:g} %"

    @model_validator(mode="after")
    def _names_known(self) -> Study:
        known = set(self.analytes)
        lost = [c.analyte for c in self.components if c.analyte and c.analyte not in known]
        lost += [g for g in (self.design.guesses if self.design else {}) if g not in known]
        if lost:
            raise ValueError(f"these analytes are not declared under [analytes]: {', '.join(sorted(set(lost)))}")
        own = {f"vessel_zones.{v}": zones for v, zones in self.sampling.vessel_zones.items()}
        for where, zones in {"zones": self.sampling.zones, **own}.items():
            places = [z.label for z in zones]
            if places != list(self.factors.depths) and (places or where != "zones"):
                raise ValueError(f"sampling.{where} lists {', '.join(places) or 'nothing'}, but the depths of [factors] are "
                                 f"{', '.join(self.factors.depths)}: write the same labels in both, from the surface down; "
                                 "in one study all vessels have the same depths, at heights of their own")
        return self

    @model_validator(mode="after")
    def _drawn_from_known_vessels(self) -> Study:
        for key in ("vessel_draw_ml", "vessel_zones"):
            if lost := sorted(set(getattr(self.sampling, key)) - set(self.vessels)):
                raise ValueError(f"sampling.{key} names vessels that are not under [vessels]: {', '.join(lost)}")
        return self

    @model_validator(mode="after")
    def _one_decides(self) -> Study:
        if not any(map(self.decides, self.analytes)):
            raise ValueError("every analyte has role = \"information\", so nothing could decide the verdict: leave the role "
                             "out for one of them at least")
        return self

    @model_validator(mode="after")
    def _one_sided_as_judged(self) -> Study:
        sided = [a for a, declared in self.analytes.items() if declared.margin.side]
        guesses = self.design.guesses if self.design else {}
        barred = {
            'scope = "container", since one container is judged by the difference of its depths': self.scope == "container",
            f'across_depths = "{self.factors.across_depths}", which is about pairs of depths':
                self.factors.across_depths != "unstructured",
            "a question about time, [time], which is told of pairs of depths": self.time is not None,
            "months_to_margin in [design.guesses], which is told of the lowest against the uppermost depth":
                any(a in guesses and guesses[a].months_to_margin is not None for a in sided)}
        if sided and (found := [what for what, there in barred.items() if there]):
            raise ValueError(f"a margin with a side ({', '.join(sided)}) is about each zone against its mixed container and "
                             f"does not go together with {'; nor with '.join(found)}: take one of them out")
        return self

    @model_validator(mode="after")
    def _files_apart(self) -> Study:
        for what, keys in (("analytes", list(self.analytes)), ("depths", self.factors.depths)):
            for i, key in enumerate(keys):
                same = [k for k in keys[:i] if safe_name(k).casefold() == safe_name(key).casefold()]
                if same:
                    raise ValueError(f"{what} {same[0]!r} and {key!r} would share a file where capitals and signs do not "
                                     "count in names: rename one of them")
        return self

    @model_validator(mode="after")
    def _as_warm_as_its_stores(self) -> Study:
        limit = self.safety.liquid_up_to_c
        if self.fluid is not None and not isinstance(limit, str):
            stores = self.fluid.storage_temperature_c, *self.fluid.store_temperature_c.values()
            warmest = max(stores) + self.fluid.yearly_swing_c
            if warmest > limit:
                raise ValueError(f"safety.liquid_up_to_c is {limit:g} °C, but [fluid] stores it at {warmest:g} °C: "
                                 "write the highest temperature that the liquid may have when it is opened")
        return self

    @model_validator(mode="after")
    def _material_of_each(self) -> Study:
        told, vessels = self.safety.vessel_material, ", ".join(f"{v} = \"...\"" for v in self.vessels)
        if isinstance(told, dict) and told.keys() != self.vessels.keys():
            raise ValueError(f"safety.vessel_material must name the vessels of [vessels], each once: {{ {vessels} }}")
        if told == "metal" and len(self.vessels) > 1:
            raise ValueError("safety.vessel_material is \"metal\" for several vessels at once, and the worst of them counts: "
                             f"say it of each, vessel_material = {{ {vessels} }}")
        return self

    def unit_of(self, analyte: str) -> str:
        """The unit in which the analyte is stored and reported."""
        return self.analytes[analyte].unit

    @property
    def labels(self) -> dict[str, str]:
        """The name of each analyte as people read it."""
        return {a: self.label_of(a) for a in self.analytes}

    def label_of(self, analyte: str) -> str:
        """The analyte's long name where the study gives one, else its key; marked where it is for information only."""
        return (self.analytes[analyte].label or analyte) + ("" if self.decides(analyte) else FOR_INFORMATION)

    def key_of(self, text: str) -> str:
        """The key of the analyte of this key or name, with or without what marks its role; '' where none or several have it."""
        if text in self.analytes:
            return text
        names = {k: {k, a.label or k, self.label_of(k)} for k, a in self.analytes.items()}
        found = [k for k, own in names.items() if text.strip().casefold() in map(str.casefold, own)]
        return found[0] if len(found) == 1 else ""

    def known(self) -> str:
        """Keys and names of all analytes in one phrase, for a message on an unknown one."""
        return "known are " + ", ".join(k + (f" ({a.label})" if a.label and a.label != k else "") for k, a in
                                        self.analytes.items())

    def decides(self, analyte: str) -> bool:
        """False for an analyte that is judged and reported but decides nothing (``role = "information"``)."""
        return self.analytes[analyte].role == "decides"


PLACED = 100
"""Faults whose line is looked for; the rest of a file that is wrong all over is named without."""
WORDS: dict[str, tuple[str, str]] = {
    "extra_forbidden": ("this key is not known here", "check the spelling, or remove it"),
    "missing": ("this key is required and missing", "add it"),
    "greater_than": ("must be greater than {gt}", "write a larger number"),
    "greater_than_equal": ("must be at least {ge}", "write a larger number"),
    "less_than": ("must be less than {lt}", "write a smaller number"),
    "less_than_equal": ("must be at most {le}", "write a smaller number"),
    "too_short": ("needs at least {min_length} entries", "add what is missing"),
    "string_too_short": ("must have at least {min_length} characters", "write it out"),
    "string_too_long": ("has more than {max_length} characters", "say it in fewer words"),
    "float_parsing": ("is not a number", "write a number without quotes and unit"),
    "int_parsing": ("is not a whole number", "write a whole number"),
    "float_type": ("is not a number", "write a number without quotes and unit"),
    "literal_error": ("must be one of {expected}", "choose one of these"),
    "finite_number": ("must be a finite number", "write an ordinary number"),
}


def _fault(error: Any, file: str, text: str) -> Fault:
    """One pydantic error in plain words."""
    where = ".".join(str(x) for x in error["loc"] if x != "function-after")
    context = error.get("ctx") or {}
    reason, remedy = WORDS.get(error["type"], ("", ""))
    if reason:
        reason = reason.format(**context)
    else:
        reason, remedy = error["msg"].removeprefix("Value error, "), "correct it; docs/00-study.md lists the keys"
    value = error.get("input")
    shown = "" if isinstance(value, (dict, list, tuple)) or error["type"] == "missing" else str(value)
    line = line_of_key(text, tuple(where.split("."))) if text else None
    return Fault(file=file, row=line, column=where, value=shown, reason=reason, remedy=remedy)


def parse_study(data: dict[str, Any], file: str = "study.toml", text: str = "") -> Study:
    """A study definition from a dictionary; BadInput lists every fault at once, with lines where ``text`` is given."""
    faults = [replace(f, row=line_of_key(text, tuple(f.column.split("."))) if text and k < PLACED else None)
              for k, f in enumerate(text_faults(data, file))]
    try:
        study = Study.model_validate(data)
    except ValidationError as error:
        found = error.errors(include_url=False)
        faults += [_fault(e, file, text if k < PLACED else "") for k, e in enumerate(found)]
        raise BadInput(faults, title="The study definition has faults") from None
    faults += [f for name in study.analytes for f in _method_faults(study, name)]
    faults += name_faults(study.title, study.question, study.factors.depths, {n: a.label for n, a in study.analytes.items()})
    faults += definition_faults(study.fluid, study.components, study.unusual, study.safety) + spoken_faults(study)
    if faults:
        raise BadInput(faults, title="The study definition has faults")
    opened(study)
    return study


def _method_faults(study: Study, analyte: str) -> tuple[Fault, ...]:
    """A method key without stored precision, where the laboratory's own repeatability does not stand in for it."""
    declared = study.analytes[analyte]
    if declared.method_key and declared.repeatability is None:
        try:
            find_method(declared.method_key, analyte)
        except BadInput as error:
            return error.faults
    return ()


def load_study(path: Path | str) -> Study:
    """Read study.toml (or the study.toml in a folder) into a frozen Study; BadInput where it cannot be."""
    path = Path(path)
    if path.is_dir():
        finish_change(path)
        path = path / "study.toml"
    elif path.suffix != ".toml":
        raise single(str(path), "there is no such folder", "make it: studykit new FOLDER")
    data, text = read_toml(path, "make a study with: studykit new FOLDER")
    return parse_study(data, path.name, text)
