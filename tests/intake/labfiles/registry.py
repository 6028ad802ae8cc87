"""The register of kinds: each knows its name, family, where it fits, and what it touches."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from tests.intake.labfiles.build import SPREAD, TEXT, Builder

ALL = (*TEXT, *SPREAD)
LAYOUTS = ("long", "wide", "wide-samples")


@dataclass(frozen=True)
class Kind:
    """One way a laboratory file can be; `agree` None: the kind decides case by case."""

    name: str
    family: str
    agree: bool | None
    stage: str
    apply: Callable[[Builder], None]
    containers: tuple[str, ...] = ALL
    layouts: tuple[str, ...] = LAYOUTS
    slots: frozenset[str] = frozenset()
    scales: tuple[str, ...] = ()


KINDS: dict[str, Kind] = {}


def add(
    name: str,
    family: str,
    agree: bool | None,
    stage: str,
    apply: Callable[[Builder], None],
    *,
    containers: tuple[str, ...] = ALL,
    layouts: tuple[str, ...] = LAYOUTS,
    slots: str = "cell",
    scales: tuple[str, ...] = (),
) -> None:
    """Register a kind."""
    if name in KINDS:
        raise ValueError(f"two kinds named {name}")
    KINDS[name] = Kind(name, family, agree, stage, apply, containers, layouts, frozenset(slots.split()), scales)


def kind(
    name: str,
    family: str,
    agree: bool | None,
    stage: str,
    *,
    containers: tuple[str, ...] = ALL,
    layouts: tuple[str, ...] = LAYOUTS,
    slots: str = "cell",
    scales: tuple[str, ...] = (),
) -> Callable[[Callable[[Builder], None]], Callable[[Builder], None]]:
    """Register the function below as a kind."""

    def keep(apply: Callable[[Builder], None]) -> Callable[[Builder], None]:
        add(name, family, agree, stage, apply, containers=containers, layouts=layouts, slots=slots, scales=scales)
        return apply

    return keep
