"""Time and accuracy of the expected column against scipy's solve_ivp (BDF), in one run.

Two cases of 20 size classes, five years of daily temperatures, 200 cells, four ages: colloids in
water (Péclet below 400, diffusion matters) and droplets in oil (Péclet above 1000, fronts).
BDF gets the same Scharfetter-Gummel equations with the pattern of their Jacobian, class by class,
on the same 200 cells and on finer grids, with temperatures that step from day to day (as the
reference has them) or, which suits it better, interpolated between days.

Accuracy: largest error of a zone in % of mixed.  Reference of the first case: a march with four
times the cells and eight steps a day; of the second: fronts with diffusion left out, each zone
integrated exactly (diffusion moves these zones by less than 0.02 %).
Times are processor time of one thread.

Run:  OPENBLAS_NUM_THREADS=1 python tests/benchmarks/bench_column.py
"""

from __future__ import annotations

import time
from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp

from studykit.physics.column import (
    DAY_S,
    Component,
    Sizes,
    clock_rates,
    expected_column,
    spot_zones,
    yearly_temperatures,
)
from studykit.physics.diffusion import bernoulli, finite_volume
from studykit.physics.viscosity import Floats, Liquid, ViscosityLine

CLASSES, DAYS, CELLS = 20, 1826, 200
AGES = [365.0, 730.0, 1095.0, 1826.0]
ZONES = spot_zones(("upper", "middle", "lower"))
EDGES = [x for z in ZONES for x in (z.low, z.high)]
TEMPERATURES = yearly_temperatures(14, 11, DAYS)


@dataclass(frozen=True)
class Case:
    """One column: name, component, liquid, height in m."""

    name: str
    part: Component
    liquid: Liquid
    height: float


WATER = Liquid(line=ViscosityLine.through(1.0034, 20, 0.553, 50, (1, 60)), density_kg_m3=998.2, density_at_c=20,
               expansion_per_k=2e-4)
OIL = Liquid(line=ViscosityLine.through(220, 40, 19, 100), density_kg_m3=895)
CASES = (
    Case("colloids in water", Component(name="colloid", density_kg_m3=2700,
                                        sizes=Sizes.lognormal(0.02e-6, 0.8, CLASSES)), WATER, 0.1),
    Case("droplets in oil", Component(name="droplets", density_kg_m3=970,
                                      sizes=Sizes.lognormal(3.2e-6, 0.4, CLASSES)), OIL, 0.314),
)


def zones_of(case: Case, below: Floats, heights: Floats) -> Floats:
    """Zone means in % of mixed from cumulative mass (classes, ages, heights)."""
    mixture = np.einsum("k,kaz->az", case.part.sizes.share, below)
    ends = np.array([[np.interp([z.low, z.high], heights, row) for z in ZONES] for row in mixture])
    return 100 * (ends[..., 1] - ends[..., 0]) / np.array([z.high - z.low for z in ZONES])


def by_bdf(case: Case, rtol: float, smooth: bool, cells: int) -> Floats:
    """Cumulative mass (classes, ages, heights) by solve_ivp on the semi-discrete equations."""
    v, diffusion = clock_rates(case.part, case.liquid, case.height, TEMPERATURES)
    h, inner = 1 / cells, cells - 1
    z = np.linspace(0, 1, cells + 1)[1:-1]
    pattern = np.eye(inner) + np.eye(inner, k=1) + np.eye(inner, k=-1)
    out = np.zeros((CLASSES, len(AGES), cells + 1))
    for k in range(CLASSES):
        up = diffusion[:, k] / h**2 * bernoulli(v[:, k] * h / diffusion[:, k]) * DAY_S
        down = up + v[:, k] / h * DAY_S

        def rate(t: float, m: Floats, up: Floats = up, down: Floats = down) -> Floats:
            i = min(int(t), DAYS - 1)
            a, b = down[i], up[i]
            if smooth:
                j = min(max(t - 0.5, 0.0), DAYS - 1.001)
                i, part = int(j), j - int(j)
                a = (1 - part) * down[i] + part * down[i + 1]
                b = (1 - part) * up[i] + part * up[i + 1]
            full = np.concatenate([[0.0], m, [1.0]])
            return a * (full[2:] - m) - b * (m - full[:-2])

        got = solve_ivp(rate, (0, DAYS), z, method="BDF", t_eval=AGES, rtol=rtol, atol=rtol * 1e-2,
                        jac_sparsity=pattern)
        out[k, :, 1:-1], out[k, :, -1] = got.y.T, 1.0
    return out


def reference(case: Case) -> Floats:
    """Zones of the fine march (diffusion matters) or of sharp fronts (it does not)."""
    ds, dtheta = clock_rates(case.part, case.liquid, case.height, TEMPERATURES)
    if case is CASES[1]:
        fallen = np.vstack([np.zeros(CLASSES), np.cumsum(ds * DAY_S, axis=0)])[[int(a) for a in AGES]].T
        ends = np.array(EDGES)
        below = np.minimum(1.0, ends + fallen[:, :, None])
        mixture = np.einsum("k,kaz->az", case.part.sizes.share, below).reshape(len(AGES), len(ZONES), 2)
        return 100 * (mixture[..., 1] - mixture[..., 0]) / np.array([z.high - z.low for z in ZONES])
    ds, dtheta = (np.repeat(x * DAY_S / 8, 8, axis=0) for x in (ds, dtheta))
    fine = finite_volume(ds, dtheta, [int(8 * a) for a in AGES], 4 * CELLS)
    return zones_of(case, fine.cumulative.swapaxes(0, 1), fine.edges)


def run(case: Case, bdf: tuple[tuple[float, bool, int], ...]) -> None:
    """Print the times, errors and ratios of one case."""
    times = []
    for _ in range(7):
        start = time.process_time()
        p = expected_column(case.part, case.liquid, case.height, AGES, TEMPERATURES, cells=CELLS, heights=EDGES)
        times.append(time.process_time() - start)
    ours, truth = float(np.median(times)), reference(case)
    error = np.abs(zones_of(case, p.by_class, p.heights) - truth).max()
    print(f"{case.name}: Peclet {p.peclet.min():.3g} to {p.peclet.max():.3g}; {'; '.join(sorted(set(p.method)))}")
    print(f"  expected_column: {ours:.3f} s (median of 7), largest zone error {error:.4f} %")
    for rtol, smooth, cells in bdf:
        start = time.process_time()
        below = by_bdf(case, rtol, smooth, cells)
        took = time.process_time() - start
        error = np.abs(zones_of(case, below, np.linspace(0, 1, cells + 1)) - truth).max()
        print(f"  solve_ivp BDF, {cells} cells, rtol {rtol:g}, {'interpolated' if smooth else 'stepwise'}: {took:.2f} s, "
              f"largest zone error {error:.4f} %, ratio {took / ours:.0f}", flush=True)


def main() -> None:
    """Both cases."""
    run(CASES[0], ((1e-3, False, 200), (1e-5, True, 200), (1e-5, False, 200), (1e-5, True, 400), (1e-6, True, 400),
                   (1e-5, False, 400), (1e-6, False, 400)))
    run(CASES[1], ((1e-3, True, 200), (1e-5, True, 200), (1e-5, True, 800), (1e-5, True, 3200)))


if __name__ == "__main__":
    main()
