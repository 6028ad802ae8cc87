"""Texts of study.toml that reach a sheet or the report, read for what nobody may be told at a container."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from studykit.core.errors import Fault
from studykit.study.wording import insulator_in, named_in, order_in

_AS_A_TOOL = {"floor draw"}
"""What the name of a tool may name: a bottom sampler is one."""


def spoken_faults(study: Any) -> list[Fault]:
    """Texts that read as an order, and a tool that the cautions forbid; no list of words is whole.

    ``study``: a ``study.definition.Study``, which imports this module.
    """
    orders = [Fault(file="study.toml", column=place, value=text,
                    reason=f"reads as an order at the container (\u201c{word}\u201d), and others read it",
                    remedy="write it as a question or a statement; what is to be done stands under [actions], with what it "
                           "asks for")
              for place, text in _texts(study) if (word := order_in(text))]
    return [*orders, *_tool_faults(study)]


def _texts(study: Any) -> Iterator[tuple[str, str]]:
    """Place and text of what a person wrote and others will read beside the container or in the report."""
    yield from (("title", study.title), ("question", study.question), ("responsible", study.responsible),
                ("sampling.tool", study.sampling.tool))
    for name, a in study.analytes.items():
        yield from ((f"analytes.{name}.{key}", getattr(a, key)) for key in ("label", "method", "margin_reason", "blind_to"))
        if a.repeatability is not None:
            yield f"analytes.{name}.repeatability.source", a.repeatability.source
    yield "factors.across_depths_reason", study.factors.across_depths_reason
    yield from ((f"unusual.{place}", why) for place, why in study.unusual.items())
    yield from (("sampling.tests", test.name) for test in study.sampling.tests)
    yield from ((f"exclusion_rules[{i}]", rule) for i, rule in enumerate(study.exclusion_rules, start=1))


def _tool_faults(study: Any) -> Iterator[Fault]:
    """A tool that names a forbidden deed, or a material that does not conduct where vapour or gas may ignite."""
    tool, place = study.sampling.tool, "sampling.tool"
    if named := [w for deed, w in named_in(tool).items() if deed not in _AS_A_TOOL]:
        yield Fault(file="study.toml", column=place, value=tool, reason=f"names what the cautions bar (\u201c{named[0]}\u201d)",
                    remedy="name the tool only, such as \"closed tube with depth stop\"")
    if study.safety.ignitable and (word := insulator_in(tool)):
        yield Fault(file="study.toml", column=place, value=tool, reason=f"is of a material that does not conduct "
                    f"(\u201c{word}\u201d), and by [safety] vapour or gas may ignite",
                    remedy="use one that conducts and say so, or answer [safety] from the data sheet")
