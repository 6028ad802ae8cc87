"""How samples are drawn, as study.toml says it: places, volumes, tool, tests, controls, runs and the sheet of labels."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated

from pydantic import Field, model_validator

from studykit.study.factors import Name, NotNegative, Positive, Section


class TestVolume(Section):
    """How much sample one laboratory test needs."""

    __test__ = False
    name: Name
    volume_ml: Positive


class LabelSheet(Section):
    """A sheet of labels by its geometry."""

    rows: Annotated[int, Field(ge=1, le=60)] = 8
    columns: Annotated[int, Field(ge=1, le=20)] = 3
    label_width_mm: Positive = 63.5
    label_height_mm: Positive = 33.9
    margin_left_mm: NotNegative = 7.2
    margin_top_mm: NotNegative = 12.9
    gap_x_mm: NotNegative = 2.5
    gap_y_mm: NotNegative = 0.0
    page_width_mm: Positive = 210.0
    page_height_mm: Positive = 297.0

    @model_validator(mode="after")
    def _fits_the_page(self) -> LabelSheet:
        wide = self.margin_left_mm + self.columns * self.label_width_mm + (self.columns - 1) * self.gap_x_mm
        high = self.margin_top_mm + self.rows * self.label_height_mm + (self.rows - 1) * self.gap_y_mm
        if wide > self.page_width_mm or high > self.page_height_mm:
            raise ValueError(
                f"the labels need {wide:g} x {high:g} mm, but the page is "
                f"{self.page_width_mm:g} x {self.page_height_mm:g} mm"
            )
        return self


class ZonePlace(Section):
    """Where a depth label is drawn: middle of the zone as a fraction of the liquid height (1 = surface)."""

    label: Name
    height: Annotated[float, Field(ge=0, le=1)]


class SamplingSettings(Section):
    """Where and how much is drawn, tool, tests with their minimum volumes, controls, runs, label sheet.

    ``vessel_draw_ml``: another draw from the containers of a vessel, by the vessel's name. ``zones`` replaces the standards'
    positions (surface down), ``vessel_zones`` those of one vessel, with the same labels.
    ``heel`` and ``residue`` (the rest, stirred, after all draws) are drawn only where they are
    asked for. ``duplicates``, ``blanks_per_run`` and
    ``check_fluid_every`` left out follow [design] controls; ``check_fluid_every`` counts positions.
    """

    draw_ml: Positive = 100.0
    vessel_draw_ml: dict[str, Positive] = Field(default_factory=dict)
    purge_ml: NotNegative = 10.0
    discard_ml: NotNegative = 0.0
    zones: tuple[ZonePlace, ...] = ()
    vessel_zones: dict[str, tuple[ZonePlace, ...]] = Field(default_factory=dict)
    floor_gap_mm: NotNegative = 5.0
    heel: bool = False
    residue: bool = False
    tool: str = ""
    bottle_ml: Positive = 125.0
    tests: tuple[TestVolume, ...] = ()
    run_capacity: Annotated[int, Field(ge=1)] = 30
    duplicates: Annotated[int, Field(ge=0)] | None = None
    blanks_per_run: Annotated[int, Field(ge=0, le=5)] | None = None
    check_fluid_every: Annotated[int, Field(ge=0)] | None = None
    labels: LabelSheet = LabelSheet()

    @model_validator(mode="after")
    def _fits_its_bottle(self) -> SamplingSettings:
        most = max(self.draw_ml, *self.vessel_draw_ml.values(), 0.0)
        if most > self.bottle_ml:
            raise ValueError(f"draw_ml ({most:g}) is more than the bottle holds: bottle_ml is {self.bottle_ml:g}")
        return self

    def of(self, vessel: str) -> SamplingSettings:
        """The settings for containers of one vessel: with the draw and the places that were declared for it."""
        return self.model_copy(update={"draw_ml": self.vessel_draw_ml.get(vessel, self.draw_ml),
                                       "zones": self.vessel_zones.get(vessel, self.zones)})

    @model_validator(mode="after")
    def _surface_down(self) -> SamplingSettings:
        for zones in (self.zones, *self.vessel_zones.values()):
            _downwards(zones)
        return self


def _downwards(zones: tuple[ZonePlace, ...]) -> None:
    for above, below in pairwise(zones):
        if below.height >= above.height:
            raise ValueError(f"zones are out of order: {below.label!r} at {below.height:g} does not lie below "
                             f"{above.label!r} at {above.height:g}; list them from the surface down")
