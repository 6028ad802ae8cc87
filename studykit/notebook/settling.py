"""Sliders over one sphere size in one liquid: how fast it falls or rises, and the profile over time."""

from __future__ import annotations

import math

import numpy as np

from studykit.design.tables import DesignView
from studykit.notebook.board import Board, Control, ReadOut, slider
from studykit.notebook.display import cell_text
from studykit.notebook.drawing import DASHES, Axes, drawing, legend
from studykit.notebook.sliders import show
from studykit.physics.bounds import DAYS_PER_MONTH
from studykit.physics.trial import Trial, Tried, trial_of, tried

NAME = "A sphere in its liquid"
FAR = 200.0  # per cent of mixed: the drawing goes no further
EXCESS = (*range(-300, -100, 50), *range(-100, -20, 10), *range(-20, 21), *range(30, 101, 10), *range(150, 1001, 50),
          *range(1500, 6001, 500))
MONTHS = (0.1, 0.25, 0.5, 1, 2, 3, 4, 6, 9, 12, 18, 24, 36, 48, 60, 84, 120)


def controls(start: Trial) -> tuple[Control, ...]:
    """The sliders at what the study declares, or at a droplet of antifoam size in oil."""
    return (slider("diameter", start.diameter_um, _even(0.05, 300.0), "µm"),
            slider("density difference, sphere less liquid", start.excess_kg_m3, (x for x in EXCESS if x), "kg/m³"),
            slider("viscosity at that temperature", start.viscosity_mpa_s, _even(0.5, 1e5), "mPa·s"),
            slider("temperature, mean of the year", start.temperature_c, range(-10, 46), "°C"),
            slider("yearly swing of temperature, ±", start.swing_c, range(21), "°C"),
            slider("liquid height", start.height_mm, _even(20.0, 3000.0), "mm"),
            slider("standing time", start.months, MONTHS, "months"))


def _even(low: float, high: float) -> list[float]:
    """Twenty numbers a decade, to two digits, from low to high."""
    decades = math.log10(high / low)
    return [float(f"{x:.1e}") for x in np.geomspace(low, high, round(20 * decades) + 1)]


def read_out(start: Trial, at: dict[str, float]) -> ReadOut:
    """What a position says, in words, numbers and two drawings."""
    diameter, excess, viscosity, temperature, swing, height, months = at.values()
    found = tried(Trial(diameter_um=diameter, excess_kg_m3=excess, viscosity_mpa_s=viscosity, temperature_c=temperature,
                        swing_c=swing, height_mm=height, months=months, depths=start.depths,
                        density_kg_m3=start.density_kg_m3, slope=start.slope))
    return ReadOut(sentences=_sentences(found), rows=_rows(found), drawings=(profile_drawing(found), zones_drawing(found)))


def _sentences(found: Tried) -> tuple[str, ...]:
    t, way = found.trial, "sinks" if found.trial.excess_kg_m3 > 0 else "rises"
    law = "" if found.reynolds <= 0.1 else " (faster than Stokes' law holds: Brown and Lawler's)"
    return (f"A sphere of {t.diameter_um:g} µm {way} {cell_text(abs(found.speed_mm_day), 3)} mm a day{law} and crosses "
            f"{t.height_mm:g} mm in {cell_text(found.days_to_cross, 3)} days; {_end(found)}.",
            f"After {t.months:g} months, in per cent of mixed: {_zones(found)}.",
            "An estimate for smooth spheres of one size in a still liquid with upright walls; it supports sampling and does "
            "not replace it.")


def _end(found: Tried) -> str:
    """Where all of it lies in the end."""
    place, length = ("floor" if found.trial.excess_kg_m3 > 0 else "surface"), found.length_mm
    if length > 10 * found.trial.height_mm:
        return "thermal motion keeps such spheres mixed for ever"
    return (f"in the end such spheres lie {'on the floor' if place == 'floor' else 'at the surface'}" if length < 0.1 else
            f"in the end thermal motion spreads them over {cell_text(length, 2)} mm from the {place}")


def _zones(found: Tried) -> str:
    last = found.zones.iloc[-1]
    where = [("on the floor", "on_floor_percent"), ("at the surface", "at_surface_percent")]
    return (", ".join(f"{d} {last[d]:.0f}" for d in found.trial.depths) + "; of the whole "
            + ", ".join(f"{last[column]:.0f} % {name}" for name, column in where))


def _rows(found: Tried) -> tuple[tuple[str, float | str, str], ...]:
    last = found.zones.iloc[-1]
    return (("speed, positive sinks", found.speed_mm_day, "mm/day"), ("time to cross the liquid", found.days_to_cross, "days"),
            ("sedimentation length", found.length_mm, "mm"),
            *((f"{d}, at the end", round(float(last[d]), 1), "% of mixed") for d in found.trial.depths),
            ("on the floor, at the end", round(float(last["on_floor_percent"]), 1), "% of all"),
            ("at the surface, at the end", round(float(last["at_surface_percent"]), 1), "% of all"))


def profile_drawing(found: Tried) -> str:
    """The profile at four ages: what each height reads, in per cent of mixed."""
    p, t = found.profile, found.trial
    axes = Axes(across="reading, % of mixed", up="height, mm", x=(0.0, FAR), y=(0.0, t.height_mm))
    middle, width = (p.heights[1:] + p.heights[:-1]) / 2 * t.height_mm, np.diff(p.heights)
    lines = [axes.line(100 * np.diff(p.cumulative[k]) / width, middle, dash)
             for k, dash in zip(found.drawn, DASHES, strict=True)]
    ages = [f"{cell_text(p.ages_days[k] / DAYS_PER_MONTH, 2)} mo." for k in found.drawn]
    return drawing(f"Reading against height at {', '.join(ages)}. {_sentences(found)[1]}",
                   (*lines, axes.frame(), legend(ages)))


def zones_drawing(found: Tried) -> str:
    """What the drawn zones read over time."""
    months = found.zones["age_days"].to_numpy() / DAYS_PER_MONTH
    depths = found.trial.depths[:1] + found.trial.depths[-1:] if len(found.trial.depths) > len(DASHES) else found.trial.depths
    axes = Axes(across="standing time, months", up="zone, % of mixed", x=(0.0, float(months[-1])), y=(0.0, FAR))
    lines = [axes.line(months, found.zones[d], dash) for d, dash in zip(depths, DASHES, strict=False)]
    return drawing(f"Zones over time. {_sentences(found)[1]}", (*lines, axes.frame(), legend(depths)))


def show_settling(view: DesignView) -> None:
    """The sliders for a person at the notebook, their still form elsewhere."""
    start = trial_of(view.study, view.containers)
    show(Board(NAME, lambda _: controls(start), lambda at: read_out(start, at)))
