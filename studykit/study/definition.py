"""The study definition: study.toml read into one frozen object, or refused with every fault listed."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, ValidationError, model_validator

from studykit.core.errors import BadInput, Fault, single
from studykit.core.files import line_of_key, read_toml
from studykit.study.precision import find_method
from studykit.study.sections import (
    Analyte,
    ComponentSettings,
    DesignSettings,
    Factors,
    FluidSettings,
    SamplingSettings,
    Section,
    Sentence,
)
from studykit.vessels.shapes import Vessel

SAFE_NAME = r"^[A-Za-z0-9][A-Za-z0-9 _.+\-]*$"


def _safe(text: str) -> str:
    if not re.match(SAFE_NAME, text):
        raise ValueError("use letters, digits, space, and _ . + - only, starting with a letter or digit")
    return text


Key = Annotated[str, Field(min_length=1, max_length=40), AfterValidator(_safe)]


class Study(Section):
    """One study: its question, who answers for it, analytes with margins, factors, vessels."""

    title: Sentence
    question: Sentence
    responsible: Sentence
    scope: Literal["container", "lot", "store", "stock"] = "stock"
    alpha: Annotated[float, Field(gt=0, le=0.2)] = 0.05
    seed: Annotated[int, Field(ge=0)] = 0
    invented: bool = False
    language: Annotated[str, Field(pattern=r"^[a-z]{2}(-[A-Z]{2})?$")] = "en"
    actions: dict[Literal["homogeneous", "stratified", "inconclusive"], Sentence] = Field(default_factory=dict)
    factors: Factors
    analytes: Annotated[dict[Key, Analyte], Field(min_length=1)]
    vessels: Annotated[dict[Key, Vessel], Field(min_length=1)]
    fluid: FluidSettings | None = None
    components: tuple[ComponentSettings, ...] = ()
    design: DesignSettings | None = None
    sampling: SamplingSettings = SamplingSettings()
    exclusion_rules: tuple[Sentence, ...] = ()

    @model_validator(mode="after")
    def _names_known(self) -> Study:
        known = set(self.analytes)
        lost = [c.analyte for c in self.components if c.analyte and c.analyte not in known]
        lost += [g for g in (self.design.guesses if self.design else {}) if g not in known]
        if lost:
            raise ValueError(f"these analytes are not declared under [analytes]: {', '.join(sorted(set(lost)))}")
        return self

    def unit_of(self, analyte: str) -> str:
        """The unit in which the analyte is stored and reported."""
        return self.analytes[analyte].unit

    def label_of(self, analyte: str) -> str:
        """The analyte's long name where the study gives one, else its key."""
        return self.analytes[analyte].label or analyte


WORDS: dict[str, tuple[str, str]] = {
    "extra_forbidden": ("this key is not known here", "check the spelling, or remove it"),
    "missing": ("this key is required and missing", "add it"),
    "greater_than": ("must be greater than {gt}", "write a larger number"),
    "greater_than_equal": ("must be at least {ge}", "write a larger number"),
    "less_than": ("must be less than {lt}", "write a smaller number"),
    "less_than_equal": ("must be at most {le}", "write a smaller number"),
    "too_short": ("needs at least {min_length} entries", "add what is missing"),
    "string_too_short": ("must have at least {min_length} characters", "write it out"),
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
    try:
        study = Study.model_validate(data)
    except ValidationError as error:
        faults = [_fault(e, file, text) for e in error.errors(include_url=False)]
        raise BadInput(faults, title="The study definition has faults") from None
    faults = [f for name in study.analytes for f in _method_faults(study, name)]
    if faults:
        raise BadInput(faults, title="The study definition has faults")
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
        path = path / "study.toml"
    elif path.suffix != ".toml":
        raise single(str(path), "there is no such folder", "make it: studykit new FOLDER")
    data, text = read_toml(path, "make a study with: studykit new FOLDER")
    return parse_study(data, path.name, text)
