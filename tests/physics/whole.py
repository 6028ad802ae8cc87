"""The physics over grids of inputs and over invented studies, every output of it, for ``tests.kept``."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from itertools import product
from typing import Any

import numpy as np

from studykit.core.errors import BadInput
from studykit.physics import bounds, column, diffusion, inputs, trial, velocity, viscosity
from studykit.physics.forecast import expected_curves
from studykit.physics.viscosity import Liquid, ViscosityLine
from tests.kept import Cases, Kept, columns, condensed, kept
from tests.physics.invented import containers, passed, run

OIL = Liquid(line=ViscosityLine.through(100.0, 40.0, 11.1, 100.0), density_kg_m3=870.0)
WATERY = Liquid(line=ViscosityLine.through(1.6, 5.0, 0.6, 45.0, (1.0, 60.0)), density_kg_m3=1000.0, expansion_per_k=2e-4,
                density_at_c=4.0)
Cells = Iterator[tuple[str, Any]]


def _velocities() -> Kept:
    out: list[tuple[str, Any]] = []
    words: list[str] = []
    d = np.logspace(-8, -1.5, 27)
    for eta, excess in product((1e-3, 0.3), (-150.0, 2.0, 4000.0)):
        options: tuple[dict[str, Any], ...] = ({}, {"volume_fraction": 0.2}, {"tube_diameter_m": 0.07},
                                               {"droplet_pa_s": 2e-3}, {"yield_stress_pa": 0.02})
        for k, option in enumerate(options):
            found = velocity.terminal_velocity(d, 1000 + excess, 1000.0, eta, **option)
            out += columns(f"terminal velocity {eta} {excess} {k}", found.to_table())
            words += found.notes
        held = velocity.held_by_yield_stress(d, excess, 0.02)
        out.append((f"held {eta} {excess}", condensed(held)))
        out.append((f"largest held {eta} {excess}", condensed(velocity.largest_held_m(excess, 0.02))))
    re = np.logspace(-4, 6, 41)
    out += [(f"drag {m}", condensed(velocity.drag_coefficient(re, m))) for m in (1.0, 1.5)]
    out.append(("exponent", condensed(velocity.richardson_zaki_exponent(np.concatenate([re, [0, 0.2, 1, 500]])))))
    out += [(f"hindrance {phi}", condensed(velocity.hindrance(phi, re))) for phi in (0.0, 0.1, 0.63)]
    out.append(("wall", condensed(velocity.wall_factor(np.linspace(1e-3, 0.5, 20), 1.0))))
    out.append(("droplet", condensed([velocity.droplet_factor(x, 0.1) for x in (0.0, 1e-3, 0.1, 10.0)])))
    out.append(("diffusion", condensed(velocity.diffusion_coefficient(d[:, None], 0.01, np.array([-10.0, 20.0, 60.0])))))
    out.append(("length", condensed(velocity.sedimentation_length(d[:, None], np.array([-50.0, 0.0, 900.0]), 5.0))))
    out.append(("peclet", condensed(velocity.peclet(0.3, np.logspace(-6, 3, 10)))))
    z = np.linspace(0, 1, 21)
    for pe in (-300.0, -1.0, -1e-13, 0.0, 1e-13, 2e-12, 0.3, 40.0):
        out.append((f"barometric {pe}", condensed(velocity.barometric_profile(z, pe))))
        out.append((f"held up {pe}", condensed([velocity.held_up_share(a, b, pe) for a, b in ((0, 1), (0.1, 0.3), (0.7, 1))])))
    return kept(out, words)


def _viscosities() -> Kept:
    out: list[tuple[str, Any]] = []
    t = np.linspace(-20, 100, 25)
    heavy = Liquid(line=ViscosityLine.through(680.0, 40.0, 36.0, 100.0), density_kg_m3=930.0, density_at_c=20.0)
    for name, liquid in (("oil", OIL), ("heavy", heavy)):
        out += [(f"{name} kinematic", condensed(liquid.line.kinematic_mm2_s(t))),
                (f"{name} density", condensed(liquid.density(t))), (f"{name} dynamic", condensed(liquid.dynamic_pa_s(t))),
                (f"{name} expansion", condensed([liquid.expansion(float(x)) for x in t]))]
    out.append(("into the cold", condensed(ViscosityLine(a=12.0, b=4.4, valid_c=(-270.0, 0.0)).kinematic_mm2_s(
        np.linspace(-270, 0, 28)))))
    v = np.logspace(np.log10(0.21), 4, 40)
    out += [("Z", condensed(viscosity.d341_z(v))), ("back", condensed(viscosity.d341_viscosity(viscosity.d341_z(v))))]
    y = [2.0, 2.9, 3.8, 4.1, 4.4, 4.7, 5.0, 5.9, 6.4, 6.9, 7.0, 7.4, 7.7, 8.2, 9.0, 11.0, 12.0, 14.0, 15.0, 16.0, 18.0, 20.0,
         22.0, 25.0, 28.0, 33.0, 40.0, 47.0, 55.0, 60.0, 70.0, 120.0]
    for ratio in (1.3, 4.0, 9.0, 25.0):
        out.append((f"index {ratio}", condensed([viscosity.viscosity_index(ratio * x, x, rounded=False) for x in y])))
    out.append(("index, rounded", condensed([viscosity.viscosity_index(9.3 * x, x) for x in y])))
    return kept(out)


def _diffusion() -> Kept:
    out: list[tuple[str, Any]] = []
    z = np.concatenate([np.linspace(0, 1, 21), [0.004, 0.996]])
    for pe in (0.0, 1e-10, 1e-3, 0.5, 7.0, 300.0, 1e5, 2e8):
        theta = np.array([0.0, 1e-9, 1e-4, 4.9e-3, 5.1e-3, 0.02, 0.049, 0.051, 0.3, 3.0])
        for sign in (1, -1):
            out.append((f"cumulative, Pe {sign * pe}", condensed(diffusion.cumulative(z, sign * pe * theta, theta))))
        out.append((f"method, Pe {pe}", condensed([diffusion.method_for(pe * x, x) for x in theta])))
    out.append(("front", condensed(diffusion.cumulative(z, np.array([0.0, 0.2, 0.9, 1.3, -0.4]), 0.0))))
    out.append(("equilibrium", condensed(diffusion.equilibrium(z, np.array([0.0, 1e-13, 1e-11, 0.1, 30.0])[:, None]))))
    out.append(("weights", condensed(diffusion.bernoulli(np.array([-800.0, -3, -2e-8, -5e-9, 0, 5e-9, 2e-8, 3, 800])))))
    ds = np.array([[0.01, -0.02, 0.3], [0.0, 0.01, 0.2], [0.05, -0.04, 0.0]] * 4)
    dtheta = np.array([[0.01, 0.002, 0.0], [0.02, 0.004, 0.0], [0.001, 0.03, 0.0]] * 4)
    march = diffusion.finite_volume(ds, dtheta, [0, 3, 12], 20)
    out += [("march", condensed(march.cumulative)), ("edges", condensed(march.edges)), ("steps", condensed([march.steps]))]
    return kept(out)


def _columns() -> Kept:
    out: list[tuple[str, Any]] = []
    words: list[str] = []
    cases = ((2700.0, 2e-7, 0.8, 0.0, None), (100.0, 3e-7, 0.0, 0.1, None), (1050.0, 4e-6, 0.4, 0.0, 1e-3),
             (OIL.density_kg_m3 + 1.0, 5e-7, 0.3, 0.0, None))
    for k, (density, median, log_sd, phi, droplet) in enumerate(cases):
        part = column.Component(name="x", density_kg_m3=density, volume_fraction=phi, droplet_pa_s=droplet,
                                sizes=column.Sizes.lognormal(median, log_sd, 7, "number" if k == 2 else "mass"))
        for name, liquid, height, warm in (("oil", OIL, 0.3, column.yearly_temperatures(12.0, 11.0, 900, 200)),
                                           ("watery", WATERY, 0.05, 20.0), ("wave", WATERY, 0.02,
                                                                            column.yearly_temperatures(15.0, 8.0, 400))):
            found = column.expected_column(part, liquid, height, [0.0, 3.0, 90.0, 399.0], warm, cells=40, heights=[0.11, 0.37])
            zones = column.spot_zones(("a", "b", "c"), 0.1)
            out += columns(f"zones {name} {k}", found.zone_table(zones))
            out += columns(f"tapered {name} {k}", found.zone_table(zones, lambda z: 1 + z * z))
            out += columns(f"profile {name} {k}", found.to_table())
            for field in ("heights", "cumulative", "by_class", "peclet", "fallen", "steps", "temperature_c"):
                out.append((f"{field} {name} {k}", condensed(getattr(found, field))))
            words.append(" ".join(found.method))
    return kept(out, words)


def _bounds() -> Kept:
    out: list[tuple[str, Any]] = []
    words: list[str] = []
    zones = (*column.spot_zones(("a", "b"), 0.1), column.ZoneOf(label="c", low=0.0, high=0.03))
    d = np.logspace(-8.5, -4.5, 25)
    for density, stirred in product((2700.0, 300.0), (False, True)):
        read = bounds.zone_response(density, OIL, 0.3, 700.0, 15.0, zones, d, 0.05, or_stirred=stirred)
        out.append((f"response {density} {stirred}", condensed(read)))
        for reference, (top, low) in product(("whole", "zones"), ((3.0, 5.0), (None, 12.0), (0.0, None), (40.0, -2.0))):
            bound = bounds.Bound(analyte="P", top_depletion_percent=top, bottom_excess_percent=low,
                                 reference=reference)  # type: ignore[arg-type]
            found = bounds.ruled_out(read, bound, density, rises=density < 800, diameters_m=d)
            name = f"{density} {stirred} {reference} {top} {low}"
            out += columns(f"ruled out {name}", found.to_table())
            out.append((f"sizes {name}", condensed([found.seen_from_m, found.seen_to_m, found.blind_from_m,
                                                    found.share_above(3e-7), found.smallest_seen_m(0.5)])))
            words.append(found.sentence("phosphorus" if top else ""))
    out += columns("chart", bounds.settling_chart(-80.0, 0.4, [1e-7, 3e-6], [1e-3, 0.5]))
    for size, density in product((2e-7, 3e-6), (300.0, 2700.0)):
        part = column.Component(name="x", density_kg_m3=density, sizes=column.Sizes.lognormal(size, 0.4, 6))
        out.append((f"standing {size} {density}", condensed([
            bounds.standing_days(part, OIL, 0.3, zones, m, 15.0, below_percent=b, area=a, longest_days=days)
            for m, b, a, days in ((5.0, None, None, 36525.0), (30.0, 20.0, lambda z: 1 + z, 36525.0),
                                  (5.0, None, None, 20.0))])))
        out.append((f"across {size} {density}", condensed(bounds.days_to_cross(size, density, OIL, 0.3, 15.0, 0.1))))
    out.append(("clears", condensed([bounds.diameter_to_clear(0.3, t, x, 0.2) for t, x in
                                     product((1.0, 900.0), (-50.0, 0.0, 200.0))])))
    out.append(("undone", condensed([bounds.undoing_difference_k(w, x, OIL, 15.0) for w, x in
                                     ((1e-4, 2700.0), (0.02, 300.0))])))
    words += [bounds.kelvin_text(x) for x in (1e-4, 0.0949, 0.095, 0.3, 99.0, 101.0)]
    words += [bounds.diameter_text(x) for x in (3e-9, 9.4e-8, 9.5e-8, 2e-6)]
    return kept(out, words)


def _trials() -> Kept:
    out: list[tuple[str, Any]] = []
    for k, t in enumerate((
            trial.Trial(diameter_um=3.0, excess_kg_m3=75.0, viscosity_mpa_s=300.0, temperature_c=18.0, swing_c=0.0,
                        height_mm=350.0, months=36.0, depths=("a", "b", "c")),
            trial.Trial(diameter_um=0.2, excess_kg_m3=-40.0, viscosity_mpa_s=20.0, temperature_c=10.0, swing_c=8.0,
                        height_mm=100.0, months=5.0, depths=("a", "b"), density_kg_m3=1000.0, slope=0.0),
            trial.Trial(diameter_um=20.0, excess_kg_m3=400.0, viscosity_mpa_s=0.1, temperature_c=25.0, swing_c=0.0,
                        height_mm=100.0, months=0.01, depths=tuple("abcdefghijklmnopqrstuvwxyzABCD"), slope=2.0))):
        found = trial.tried(t)
        out += columns(f"zones {k}", found.zones)
        out.append((f"numbers {k}", condensed([found.speed_mm_day, found.reynolds, found.days_to_cross, found.length_mm,
                                               *found.drawn])))
    return kept(out)


SETTLED = {"on_floor_percent": 6, "at_surface_percent": 6}
"""Decimals of what has left the liquid: what is left over of nearly nothing differs from processor to processor."""


def _study(seed: int) -> Kept:
    """An invented study, both directions of its estimate."""
    rng = np.random.default_rng(seed)
    study = passed(rng)
    table = containers(rng, study)
    outlook, out_of = run(study, table)
    out: list[tuple[str, Any]] = []
    for name in ("components", "profile", "curves", "chart"):
        out += columns(name, getattr(outlook, name).round(SETTLED))
    out += columns("curves alone", expected_curves(study, table))
    out.append(("expected gradient", condensed([outlook.expected_gradient_percent(f"A{i}") for i in range(2)])))
    for k, r in enumerate(out_of):
        out += columns(f"ruled out {k}", r.to_table())
        out.append((f"sizes {k}", condensed([r.seen_from_m, r.seen_to_m, r.blind_from_m])))
    out += columns("situations", inputs.situations(study, table))
    out += columns("situations without containers", inputs.situations(study, None))
    for v, h in product(study.vessels, table["liquid_height_mm"]):
        area = inputs.area_of(study, v, h)
        out.append((f"zones {h:.6g}", condensed([x for z in inputs.drawn_zones(study, v, h) for x in (z.low, z.high)])))
        out.append((f"area {h:.6g}", condensed([area(z) if area else None for z in (0.0, 0.4, 1.0)])))
    words = [*outlook.sentences, *outlook.missing, *outlook.cautions, *(r.sentence() for r in out_of)]
    try:
        t = trial.trial_of(study, table)
        out.append(("trial", condensed([t.diameter_um, t.excess_kg_m3, t.viscosity_mpa_s, t.temperature_c, t.swing_c,
                                        t.height_mm, t.months, t.density_kg_m3, t.slope])))
    except BadInput as error:
        words += [f.reason for f in error.faults]
    return kept(out, words)


QUICK: Cases = {"velocities": _velocities, "viscosities": _viscosities, "diffusion": _diffusion, "columns": _columns,
                "bounds": _bounds, "trials": _trials, "an invented study": partial(_study, 3)}
SLOW: Cases = {f"invented study {seed}": partial(_study, seed) for seed in range(10, 18)}
