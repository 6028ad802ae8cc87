"""A model in the usual mixed-model notation: ``depth + lot + depth:lot + (1 | container)``.

The text is parsed by formulae (a published grammar with ``(1 | group)``); this module only says which
of what can be written the kit's engine fits: plain columns, their interactions, random intercepts and random slopes of numbers.
Slopes are read as lme4 reads them: ``(age_months | container)`` has an intercept and may be correlated with it,
``(0 + age_months | container)`` is a slope alone, ``(age_months || container)`` is both without a correlation (lme4's own
short form, which formulae does not know, so it is written out first).
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from studykit.core.errors import BadInput, Fault

WHERE = "formula"
GROUPED = re.compile(r"\(([^()]*\|[^()]*)\)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """Fixed terms ('depth', 'depth:lot') and random terms ('container', 'age_months | container') in the order written."""

    fixed: tuple[str, ...]
    random: tuple[str, ...]


def parse_formula(text: str, columns: Iterable[str], numbers: Iterable[str]) -> Terms:
    """The terms of a formula over the given columns, of which ``numbers`` can have random slopes.

    A response may stand before '~' and must then be ``y`` (the analyte on the scale of its margin). Raises
    BadInput listing every term that the engine does not fit and every name that is no column.
    """
    model = _parsed(text)
    known = set(columns)
    faults: list[Fault] = []
    fixed: list[str] = []
    random: list[str] = []
    for term in model.common_terms:
        if type(term).__name__ != "Intercept":
            fixed.append(_name(term, known, faults, text))
    for part in GROUPED.findall(text):  # in one parse, two brackets of the same group could not be told apart
        random += _grouped(part, known, set(numbers), faults, text)
    if not any(type(t).__name__ == "Intercept" for t in model.common_terms):
        faults.append(_fault(text, "the model has no intercept", "leave out '0 +' or '- 1'"))
    if model.response is not None and model.response.term.name != "y":
        faults.append(_fault(text, f"{model.response.term.name} is not the response", "leave out everything up to '~'"))
    if "depth" not in fixed:
        faults.append(_fault(text, "depth is missing from the fixed terms", "write depth first"))
    if not any(r == "container" or r.endswith("| container") for r in random):
        faults.append(_fault(text, "container is missing: samples of one container are not independent",
                             "add (1 | container)"))
    if faults:
        raise BadInput(faults)
    return Terms(fixed=tuple(fixed), random=tuple(random))


def _grouped(part: str, known: set[str], numbers: set[str], faults: list[Fault], text: str) -> list[str]:
    """The random terms of one pair of brackets, as the engine writes them."""
    apart = "||" in part
    groups = _parsed(f"({part})").group_terms
    group = _name(groups[0].factor, known, faults, text)
    slopes = [_name(g.expr, known, faults, text) for g in groups if type(g.expr).__name__ != "Intercept"]
    intercept = len(slopes) < len(groups)
    faults += [_fault(text, f"{s} has no numbers for a random slope", f"for a factor write (1 | {group}:{s})")
               for s in slopes if s in known - numbers]
    if apart or not slopes:
        return [*([group] if intercept else []), *(f"0 + {s} | {group}" for s in slopes)]
    return [f"{'' if intercept else '0 + '}{' + '.join(slopes)} | {group}"]


def _parsed(text: str) -> Any:
    from formulae import model_description
    from formulae.parser import ParseError
    from formulae.scanner import ScanError

    try:
        return model_description(text.replace("||", "|"))
    except (ParseError, ScanError, ValueError, TypeError, NotImplementedError) as error:
        raise BadInput([_fault(text, f"this cannot be read: {error}", "write for instance depth + (1 | container)")
                        ]) from None


def _name(term: Any, known: set[str], faults: list[Fault], text: str) -> str:
    """The term as the engine writes it; a function call or an unknown column becomes a fault."""
    parts = list(term.components)
    for part in parts:
        if type(part).__name__ != "Variable":
            faults.append(_fault(text, f"{part.name} is a function, and terms are plain columns", "make a column of it"))
        elif part.name not in known:
            faults.append(_fault(text, f"{part.name} is no column of these rows",
                                 "columns are " + ", ".join(sorted(known))))
    return ":".join(p.name for p in parts)


def _fault(text: str, reason: str, remedy: str) -> Fault:
    return Fault(file=WHERE, value=text, reason=reason, remedy=remedy)
