"""Reasons that say nothing: what the templates print for a person to write over, and words such as 'why'."""

from __future__ import annotations

import re
from collections.abc import Iterator

from studykit.core.errors import Fault
from studykit.study.definition import Study

_HOLLOW = re.compile(r"(write|type|put|say|fill in|give)\b.*\b(here|this)\b.*|(the )?(reason|source|role)( why)?|why|because|"
                     r"(write )?why( a smaller difference does not matter)?|see (above|below)|to follow|follows|later|"
                     r"to ?do|tb[ads]|to be (done|decided|added|written|named|filled in)|x{2,}|n\.?/?a\.?|none|test|lorem.*|"
                     r"the (role|person) (that|who) (answers for the decision|decides)", re.I)


def says_nothing(text: str) -> bool:
    """Whether a text is a placeholder, or holds no word at all."""
    plain = text.strip().strip(".!?…-–— ")
    return not re.search(r"\w\w", plain) or _HOLLOW.fullmatch(plain) is not None


def placeholder_faults(study: Study) -> list[Fault]:
    """Reasons, sources and roles of study.toml that nobody has written yet; the lock refuses them."""
    return [Fault(file="study.toml", column=where, value=text, reason="is a placeholder: nobody has written this yet",
                  remedy="write it in your own words before the lock") for where, text in _asked(study) if says_nothing(text)]


def _asked(study: Study) -> Iterator[tuple[str, str]]:
    """Place and text of everything that a person gives a reason, a source or a name for."""
    yield "responsible", study.responsible
    for name, a in study.analytes.items():
        yield f"analytes.{name}.margin_reason", a.margin_reason
        if a.repeatability is not None:
            yield f"analytes.{name}.repeatability.source", a.repeatability.source
    if study.factors.across_depths != "unstructured":
        yield "factors.across_depths_reason", study.factors.across_depths_reason
    yield from ((f"unusual.{place}", text) for place, text in study.unusual.items())
    yield from ((f"exclusion_rules[{i}]", rule) for i, rule in enumerate(study.exclusion_rules, start=1))
