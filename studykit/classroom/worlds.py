"""What is true of one student's kegs: drawn from the class's secret, whole, before anything is bought.

Every reading that money could buy exists from the start, so that buying again, or in another order, changes nothing.
Differences are drawn clear of the margin on either side (at most 0.4 or at least 1.6 of it), so that each analyte has a
right word.
"""

from __future__ import annotations

import hashlib
import hmac
import tomllib
from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd

from studykit.demos.simulate import AnalyteTruth, StudyTruth, simulate_results, stream
from studykit.study import Study
from studykit.study.definition import parse_study
from studykit.study.stages import HERE

DEPTHS, HEIGHTS = ("upper", "middle", "lower"), (0.8333, 0.5, 0.1667)
KEGS = tuple(f"K{i:02d}" for i in range(1, 25))
LOTS = {keg: f"L{1 + i % 2}" for i, keg in enumerate(KEGS)}
REPORTED = {"KV40": (0.01, 0.0), "P": (1.0, 10.0), "Ca": (0.1, 2.0), "Si": (0.1, 1.0), "Water": (1.0, 20.0)}
"""Rounding step of the report and limit of quantification of each analyte, in its unit (0: none)."""
DRAWS, MOST = 3, 4
"""Bottles that one zone of a keg can give, and determinations that one bottle can."""
KINDS = ("swapped bottles", "slipped digit", "wrong product", "bad portion", "run off", "lost bottle")
WITHIN, BEYOND, CHANCE = (0.0, 0.4), (1.6, 2.4), 0.4


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """One student's world: seed of the bench, truth, levels of the certified check fluid, kinds of fault to come."""

    bench: int
    truth: StudyTruth
    check: dict[str, float]
    kinds: tuple[str, ...]

    def readings(self) -> dict[str, np.ndarray]:
        """All readings of each bottle that could be bought: 'keg|zone|draw' to (determinations, analytes).

        Unrounded, free of faults. Zones: the depths, heel, and '' for a stirred whole.
        """
        kegs = pd.DataFrame({"container": KEGS, "lot": [LOTS[k] for k in KEGS]})
        rows = [(f"{k}|{z}|{n}", k, "spot" if z else "composite", z) for k in KEGS for z in (*DEPTHS, "heel", "")
                for n in range(DRAWS)]
        samples = pd.DataFrame(rows, columns=["sample", "container", "kind", "depth"])
        runs = pd.DataFrame({"sample": samples["sample"], "run": "1", "run_order": 1})
        long = simulate_results(self.truth, kegs, samples, runs)
        values = long["value"].to_numpy(float).reshape(len(self.truth.analytes), len(samples), MOST)  # as simulated: by analyte
        return dict(zip(samples["sample"], np.moveaxis(values, 0, 2), strict=True))

    def words(self, study: Study) -> dict[str, str]:
        """The right word of each analyte against the margins that the class was given."""
        return {a: self.truth.nature(a, float(margin_of(study, a)), KEGS) for a in study.analytes}


@cache
def template(name: str) -> str:
    """A file of the class's template as text."""
    return (HERE / "templates/class" / name).read_text(encoding="utf-8")


def filled(text: str, **words: object) -> str:
    """A template with its words put in: @STUDENT@ and the like."""
    for name, word in words.items():
        text = text.replace(f"@{name.upper()}@", str(word))
    return text


@cache
def given() -> Study:
    """The definition that the class is given, for its analytes, margins and precision."""
    blank = filled(template("study.toml"), student="S", **{"class": "C"}, seed=1, cost_container=1, cost_sample=1,
                   cost_determination=1)
    return parse_study(tomllib.loads(blank))


def margin_of(study: Study, analyte: str) -> float:
    """The declared margin as a number: per cent where relative, else in the analyte's unit."""
    margin = study.analytes[analyte].margin
    return float(margin.relative_percent or margin.absolute or 0.0)


def seed_of(secret: bytes, number: int, purpose: str) -> int:
    """A seed of one world for one purpose (HMAC-SHA-256): not to be had without the secret, nor one from another."""
    return int.from_bytes(hmac.digest(secret, f"world {number} {purpose}".encode(), hashlib.sha256))


def world_of(secret: bytes, number: int) -> World:
    """The world of this number in the class of this secret; the same each time."""
    study = given()
    rng = stream(seed_of(secret, number, "truth"), "world")
    beyond = rng.random(len(study.analytes)) < CHANCE
    if beyond.all() or not beyond.any():
        one = int(rng.integers(len(beyond)))
        beyond[one] = not beyond[one]
    analytes = tuple(_analyte(study, a, bool(b), rng) for a, b in zip(study.analytes, beyond, strict=True))
    truth = StudyTruth(depths=DEPTHS, heights=HEIGHTS, analytes=analytes, seed=seed_of(secret, number, "readings"),
                       determinations=MOST)
    kinds = rng.permutation(KINDS)[: int(rng.integers(3, 6))]
    told = stream(seed_of(secret, number, "check fluid"), "certificate")
    check = {a: round(float((study.analytes[a].nominal or 1.0) * told.uniform(0.9, 1.1)), 2) for a in study.analytes}
    return World(bench=seed_of(secret, number, "bench"), truth=truth, check=check, kinds=tuple(str(k) for k in kinds))


def _analyte(study: Study, name: str, beyond: bool, rng: np.random.Generator) -> AnalyteTruth:
    """One analyte: level, difference between the depths, and how kegs and laboratory scatter."""
    own = study.analytes[name]
    relative, nominal = own.margin.relative_percent is not None, own.nominal or 1.0
    margin = margin_of(study, name) / (100 if relative else 1)
    share = rng.uniform(*(BEYOND if beyond else WITHIN)) * (1 if rng.random() < 0.75 else -1)
    end = float(np.expm1(share * np.log1p(margin))) if relative else share * margin
    half = float(np.expm1(share / 2 * np.log1p(margin))) if relative else end / 2
    middle = half if rng.random() < 0.5 else 0.0  # linear in depth, or the lowest zone alone
    profile = (("middle", middle), ("lower", end), ("heel", end))
    lot = float(rng.choice([0.0, 0.03])) * (1 if relative else nominal)
    return AnalyteTruth(analyte=name, unit=own.unit, level=float(nominal * rng.uniform(0.9, 1.1)), relative=relative,
                        profile=profile, lot_shift=(("L2", lot),), sd_container=float(margin * rng.uniform(0.05, 0.3)),
                        sd_container_depth=float(margin * rng.uniform(0.05, 0.3)), s_r=s_r_of(study, name))


def s_r_of(study: Study, analyte: str) -> float:
    """Repeatability: a fraction of the level where the margin is relative, else in the unit."""
    own = study.analytes[analyte]
    assert own.repeatability is not None
    if own.margin.relative_percent is None:
        return own.repeatability.s_r_at(own.nominal or 1.0)
    return own.repeatability.s_r_at(1.0)
