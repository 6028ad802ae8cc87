"""How much of a sparse droplet antifoam is left at a height after a time: the planted truth of the gear oil.

Stokes' law for rigid spheres, dilute, no convection; a log-normal mass distribution of
diameters (median ``MEDIAN_UM``, log SD ``LOG_SD``). A particle that has fallen past the height
is gone from it; what reached the floor stays there. Written here on purpose without the kit's
own settling module, so that the demo's truth does not follow that module's mistakes.
Viscosities of the VG 220 oil: 0.89 Pa·s at 18 °C, 2.13 Pa·s at 8 °C (Walther line through
220 mm²/s at 40 °C and 19 mm²/s at 100 °C, density 895 kg/m³).
"""

from __future__ import annotations

import math

import numpy as np

MEDIAN_UM = 6.0
LOG_SD = 0.4
DENSITY_DIFFERENCE = 75.0  # kg/m³: silicone 970, oil 895
VISCOSITY = {"valley": 0.89, "hut": 2.13}  # Pa·s
LIQUID_M = 0.317
SECONDS_A_MONTH = 365.2425 / 12 * 86400
HEEL_SHARE = 0.064  # of the volume: the lowest 20 mm of a pail
HEEL_CATCH = 0.5  # share of the deposit that a heel draw brings up


def _sizes() -> tuple[np.ndarray, np.ndarray]:
    """Diameters in m and their mass weights (sum 1)."""
    z = np.linspace(-5.0, 5.0, 2001)
    weight = np.exp(-0.5 * z**2)
    return MEDIAN_UM * 1e-6 * np.exp(LOG_SD * z), weight / weight.sum()


def _fall(store: str, age_months: float) -> tuple[np.ndarray, np.ndarray]:
    """Distance fallen in m by each size, and the mass weights."""
    d, weight = _sizes()
    speed = DENSITY_DIFFERENCE * 9.81 * d**2 / (18 * VISCOSITY[store])
    return speed * age_months * SECONDS_A_MONTH, weight


def remaining(store: str, age_months: float, height: float) -> float:
    """Concentration at a height (0 floor, 1 surface) as a fraction of the original one."""
    fallen, weight = _fall(store, age_months)
    return float(weight[fallen < (1 - height) * LIQUID_M].sum())


def on_floor(store: str, age_months: float) -> float:
    """Share of the antifoam that lies on the floor (straight walls)."""
    fallen, weight = _fall(store, age_months)
    return float((weight * np.minimum(fallen / LIQUID_M, 1.0)).sum())


def heel(store: str, age_months: float) -> float:
    """Concentration in a heel draw as a fraction of the original one: what is left there and part of the deposit."""
    return remaining(store, age_months, 0.03) + HEEL_CATCH * on_floor(store, age_months) / HEEL_SHARE


def crossing_months(store: str, low_height: float, high_height: float, ratio: float) -> float:
    """Age in months at which lower / upper reaches ``ratio`` (bisection to 0.01 month); inf beyond 600."""
    low, high = 0.0, 600.0
    if remaining(store, high, high_height) > 0 and \
            remaining(store, high, low_height) / remaining(store, high, high_height) < ratio:
        return math.inf
    while high - low > 0.01:
        middle = 0.5 * (low + high)
        top = remaining(store, middle, high_height)
        if top == 0 or remaining(store, middle, low_height) / top >= ratio:
            high = middle
        else:
            low = middle
    return high
