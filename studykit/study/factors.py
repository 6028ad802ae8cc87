"""Base of all sections of study.toml, and two of them: which columns enter the model, and how differences run with time."""

from __future__ import annotations

import re
from datetime import date
from typing import Annotated, Any, Literal, get_args, get_origin

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationInfo, field_validator, model_validator

from studykit.core.units import parse_unit


def _known_unit(text: str) -> str:
    parse_unit(text)
    return text


UnitText = Annotated[str, Field(min_length=1), AfterValidator(_known_unit)]
Name = Annotated[str, Field(min_length=1, max_length=60)]
Sentence = Annotated[str, Field(min_length=3)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]


Scatter = Literal["unstructured", "pooled", "own gradient"]
"""How containers' profiles scatter across depths (``Factors.across_depths``)."""


class Section(BaseModel):
    """Base of all sections: frozen, unknown keys refused, no silent conversion of text to numbers."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=False, str_strip_whitespace=True)

    @field_validator("*", mode="before")
    @classmethod
    def _of_its_kind(cls, told: Any, info: ValidationInfo) -> Any:
        """Refuse a number written as text or as true, and a yes written as text or number: none of them is guessed."""
        if odd := _odd_kind(cls.model_fields[info.field_name or ""].annotation, told):
            raise ValueError(odd)
        return told


def _odd_kind(kind: Any, told: Any) -> str:
    """What is wrong with a value whose kind is a number or a yes or no; empty for any other kind."""
    parts = get_args(kind)
    if get_origin(kind) is dict and isinstance(told, dict):
        return next((odd for v in told.values() if (odd := _odd_kind(parts[1], v))), "")
    if get_origin(kind) is tuple and isinstance(told, list | tuple):
        return next((odd for v in told if (odd := _odd_kind(parts[0], v))), "")
    kinds = {kind, *(p for p in parts if isinstance(p, type)), *(a for p in parts for a in get_args(p) if isinstance(a, type))}
    if isinstance(told, dict | list) or kinds & {str, date}:
        return ""
    if kinds & {int, float} and isinstance(told, str | bool):
        return f"must be a number: write it without quotation marks, not {told!r}"
    return f"must be true or false, not {told!r}" if bool in kinds and not isinstance(told, bool) and told is not None else ""


FACTORS = ("lot", "store", "age_months", "treatment", "orientation", "vessel")
"""Factors that the kit knows by itself; any other column is declared under [factors.columns.NAME]."""


ON_THE_FLOOR = re.compile(r"heel|residue|floor|sump|sediment|sludge|dregs|boden", re.I)
"""Words for what lies on the floor: no zone is named so, since a label without a place of its own gets a slice above it."""


class OwnFactor(Section):
    """A column of one's own as a factor: categorical with its levels, or numeric with its unit.

    ``table``: 'containers' (it differs between containers) or 'samples' (it differs within them as well).
    """

    levels: Annotated[tuple[Name, ...], Field(min_length=2)] | None = None
    unit: UnitText | None = None
    table: Literal["containers", "samples"] = "containers"
    meaning: str = ""

    @model_validator(mode="after")
    def _one_kind(self) -> OwnFactor:
        if (self.levels is None) == (self.unit is None):
            raise ValueError("give levels = [...] for words, or unit = \"...\" for numbers, and not both")
        if self.levels is not None and len(set(self.levels)) != len(self.levels):
            raise ValueError("levels has a word twice")
        return self


class Factors(Section):
    """Which columns enter the model: depth labels from the surface down, further fixed terms, lab run.

    ``across_depths``: how containers' profiles scatter. 'unstructured' takes each difference's own scatter;
    'pooled' assumes the same scatter for every difference between depths, 'own gradient' a straight gradient of
    its own for each container; both need their reason.
    """

    depths: Annotated[tuple[Name, ...], Field(min_length=2, max_length=30)]
    fixed: tuple[Name, ...] = ()
    by_depth: tuple[Name, ...] = ()
    random: tuple[Name, ...] = ()
    columns: dict[Name, OwnFactor] = Field(default_factory=dict)
    run: bool = False
    across_depths: Scatter = "unstructured"
    across_depths_reason: str = ""

    @model_validator(mode="after")
    def _distinct(self) -> Factors:
        if len(set(self.depths)) != len(self.depths):
            raise ValueError("depths has a label twice")
        if taken := [d for d in self.depths if ON_THE_FLOOR.search(d)]:
            raise ValueError(f"a depth may not be named {', '.join(taken)}: it would belong to no zone; "
                             "ask for it with sampling.heel or sampling.residue, or name a depth on the floor bottom")
        unknown = [x for x in (*self.fixed, *self.random) if x not in FACTORS and x not in self.columns]
        if unknown:
            raise ValueError(f"{', '.join(unknown)} is no factor that the kit knows ({', '.join(FACTORS)}): declare the column "
                             "under [factors.columns.NAME], with levels or a unit")
        if taken := [x for x in self.columns if x in (*FACTORS, "container", "depth", "sample")]:
            raise ValueError(f"columns names {', '.join(taken)}, which the kit knows already: leave it out there")
        self._random_and_within()
        missing = [x for x in self.by_depth if x not in self.fixed]
        if missing:
            raise ValueError(f"by_depth names {', '.join(missing)}, which fixed does not list")
        if self.across_depths != "unstructured" and len(self.across_depths_reason) < 3:
            raise ValueError(f"across_depths = '{self.across_depths}' is an assumption: say why it holds in "
                             "across_depths_reason")
        return self


    def _random_and_within(self) -> None:
        """A random factor has levels and is not fixed as well; what differs within containers cannot act on their profile."""
        numbers = {"age_months", *(n for n, c in self.columns.items() if c.unit is not None)}
        if wrong := [x for x in self.random if x in self.fixed or x in numbers]:
            raise ValueError(f"random names {', '.join(wrong)}, which is fixed already or a number")
        if inner := [x for x in self.by_depth if x in self.columns and self.columns[x].table == "samples"]:
            raise ValueError(f"by_depth names {', '.join(inner)}, which differs within containers: only what differs between "
                             "containers can act on a container's profile")


def _no_day(text: str) -> bool:
    """Whether a text is no day of the form 2026-01-31."""
    try:
        date.fromisoformat(text)
    except ValueError:
        return True
    return False


class TimeSettings(Section):
    """How differences run with standing time, declared before the data.

    ``course``: a straight line in time, in the square root of time, or towards a level; ``half_months``: time to half of
    the final level, for 'saturating' only. ``starts``: what sets the clock to zero: 'filled' (filling alone), 'mixed'
    (filling or the last mixing, the later), 'moved' (the last move too, because it stirred). ``visits``: planned days of
    drawing, in order; ``containers``: 'sister' (each is opened once, at one of them) or 'same' (each is drawn at all).
    """

    course: Literal["linear", "square root", "saturating"] = "linear"
    half_months: Positive | None = None
    starts: Literal["filled", "mixed", "moved"] | None = None
    visits: tuple[date, ...] = ()
    containers: Literal["sister", "same"] | None = None

    @field_validator("visits", mode="before")
    @classmethod
    def _all_of_them(cls, given: object) -> object:
        """With a day that cannot be read, what is wrong with the others is said too, in one message."""
        texts = [str(g).strip() for g in given] if isinstance(given, list | tuple) else []
        bad = [t for t in texts if _no_day(t)]
        others = [t for t in texts if t not in bad]
        twice = sorted({t for t in others if others.count(t) > 1})
        more = [f"{', '.join(twice)} occurs twice"] if twice else []
        more += ["they are not in the order of their days"] if others != sorted(others) else []
        if bad and more:
            raise ValueError(f"{', '.join(bad)} is no day such as 2026-01-31; of the others {' and '.join(more)}")
        return given

    @model_validator(mode="after")
    def _half_time(self) -> TimeSettings:
        if self.course == "saturating" and self.half_months is None:
            raise ValueError("course = \"saturating\" needs half_months: after how many months half of it is done")
        if self.course != "saturating" and self.half_months is not None:
            raise ValueError("half_months belongs to course = \"saturating\", and to no other: leave it out")
        return self

    @model_validator(mode="after")
    def _days(self) -> TimeSettings:
        if bool(self.visits) != (self.containers is not None):
            raise ValueError("visits and containers belong together: the days, and whether 'sister' containers are opened once "
                             "each or the 'same' ones drawn again")
        if len(self.visits) == 1:
            raise ValueError("visits names one day only: leave it out, or name two or more")
        if twice := [f"{d}" for d in dict.fromkeys(self.visits) if self.visits.count(d) > 1]:
            raise ValueError(f"visits names {', '.join(twice)} twice: give each visit its own day")
        if list(self.visits) != sorted(self.visits):
            raise ValueError("visits must stand in the order of their days")
        return self
