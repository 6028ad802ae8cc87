"""Stores and laboratories as a stranger sees them, who had only the page's promise: nine fluids, one container to many.

What differs from the other worlds: fluids with three to ten analytes read by different tests; lots; profiles that rise, lie in
layers, cream, differ from container to container, with sediment that no zone holds; readings in random order over runs or
container by container; blanks that are reported as limits; a drift that starts right; copies, units, digits in the text as
written. All of it is invented. ``store`` makes a study, ``PLANTED`` are the faults by their names.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise

import numpy as np
import pandas as pd

from studykit.quality.assess import QualityReport, assess
from studykit.study.definition import Study, parse_study

# analyte: unit, kind, level, s_r in per cent, digits after the point, share that is suspended, limit, test
Spec = tuple[str, str, float, float, int, float, float | None, str]
MG, PART = "mg/kg", "% (m/m)"
FLUIDS: dict[str, dict[str, Spec]] = {
    "gear oil": {
        "KV40": ("mm²/s", "viscosity", 221.5, 0.15, 2, 0.0, None, "visc"), "P": (MG, "element", 340, 1.6, 0, 0.05, None, "icp"),
        "S": (PART, "element", 0.98, 1.2, 3, 0.0, None, "xrf"), "B": (MG, "element", 62, 2, 1, 0.5, None, "icp"),
        "Si": (MG, "element", 24, 3, 1, 0.95, 2, "icp"), "Ca": (MG, "element", 46, 2.2, 1, 0.1, None, "icp")},
    "hydraulic oil": {
        "KV40": ("mm²/s", "viscosity", 46.1, 0.15, 2, 0.0, None, "visc"), "P": (MG, "element", 412, 1.5, 0, 0.02, None, "icp"),
        "Zn": (MG, "element", 471, 1.5, 0, 0.02, None, "icp"), "Si": (MG, "element", 11.5, 4, 1, 1.0, 1, "icp")},
    "coolant": {
        "Glycol": (PART, "other", 49.2, 0.5, 2, 0.0, None, "dens"), "B": (MG, "element", 812, 1.5, 0, 0.05, None, "icp"),
        "Na": (MG, "element", 3460, 1.4, 0, 0.03, None, "icp"), "K": (MG, "element", 1287, 1.6, 0, 0.03, None, "icp"),
        "Mo": (MG, "element", 214, 2, 1, 0.1, None, "icp"), "Si": (MG, "element", 176, 2.5, 1, 0.6, 5, "icp"),
        "Nitrate": (MG, "other", 655, 2, 0, 0.0, None, "ic")},
    "graphite dispersion": {
        "Solids": (PART, "solids", 18.4, 1, 2, 1.0, None, "dry"),
        "KV40": ("mm²/s", "viscosity", 131, 0.5, 1, 0.15, None, "visc"),
        "S": (MG, "element", 1530, 2, 0, 0.7, None, "icp"), "Na": (MG, "element", 744, 2, 0, 0.1, None, "icp"),
        "Mo": (MG, "element", 2870, 1.8, 0, 0.98, None, "icp")},
    "ceramic slurry": {
        "Solids": (PART, "solids", 18.7, 0.8, 2, 1.0, None, "dry"), "Al": (MG, "element", 54400, 1.5, -1, 1.0, None, "xrf"),
        "Zr": (MG, "element", 27300, 1.5, -1, 1.0, None, "xrf")},
    "fertiliser": {
        "N": (PART, "other", 8.35, 0.9, 3, 0.2, None, "kjel"), "P": (MG, "element", 24200, 1.5, 0, 0.6, None, "icp"),
        "K": (MG, "element", 41700, 1.5, 0, 0.2, None, "icp"), "Mg": (MG, "element", 6120, 1.6, 0, 0.7, None, "icp"),
        "Mn": (MG, "element", 538, 1.8, 0, 0.85, None, "icp"), "Zn": (MG, "element", 296, 2, 1, 0.8, None, "icp"),
        "Fe": (MG, "element", 1190, 1.8, 0, 0.95, None, "icp"), "B": (MG, "element", 211, 2.2, 1, 0.1, None, "icp"),
        "Solids": (PART, "solids", 22.6, 1, 2, 1.0, None, "dry"), "Cl": (MG, "other", 15400, 1.2, 0, 0.0, None, "ic")},
    "engine oil": {
        "KV100": ("mm²/s", "viscosity", 14.12, 0.2, 3, 0.0, None, "visc"),
        "Ca": (MG, "element", 2210, 1.5, 0, 0.05, None, "icp"),
        "Mg": (MG, "element", 388, 1.7, 0, 0.05, None, "icp"), "P": (MG, "element", 872, 1.6, 0, 0.02, None, "icp"),
        "Zn": (MG, "element", 955, 1.6, 0, 0.02, None, "icp"), "Mo": (MG, "element", 83, 2.2, 1, 0.5, None, "icp"),
        "B": (MG, "element", 156, 2.2, 1, 0.3, None, "icp"), "S": (MG, "element", 2740, 1.5, 0, 0.0, None, "xrf"),
        "Si": (MG, "element", 7.4, 5, 1, 1.0, 1, "icp")},
    "pigment paste": {
        "Ti": (MG, "element", 63500, 1.3, -1, 1.0, None, "xrf"), "Ca": (MG, "element", 18300, 1.6, 0, 0.9, None, "xrf"),
        "Solids": (PART, "solids", 27.9, 0.9, 2, 1.0, None, "dry"), "Zn": (MG, "element", 1320, 2, 0, 0.3, None, "xrf"),
        "Acid": ("mg KOH/g", "other", 3.44, 2, 3, 0.0, None, "tit")},
    "fuel blend": {
        "Ester": (PART, "other", 19.8, 0.8, 2, 0.05, None, "ir"), "S": (MG, "element", 8.7, 3, 2, 0.0, None, "uv"),
        "KV40": ("mm²/s", "viscosity", 3.412, 0.2, 4, 0.0, None, "visc"), "K": (MG, "element", 2.9, 4, 2, 0.8, 0.5, "icp"),
        "P": (MG, "element", 3.6, 4, 2, 0.2, 0.5, "icp")},
}
DEPTHS = {2: ("upper", "lower"), 3: ("top", "middle", "bottom"), 4: ("top", "upper middle", "lower middle", "bottom"),
          5: ("surface", "upper", "centre", "lower", "lowest")}
PROFILES: dict[str, Callable[[np.ndarray, float], np.ndarray]] = {
    "flat": lambda h, s: np.ones_like(h), "exp": lambda h, s: np.exp(s * (0.5 - h)),
    "curved": lambda h, s: np.exp(s * (1 - h)**3),
    "layer": lambda h, s: np.where(h < 0.45, np.exp(s), 1.0), "clear": lambda h, s: np.where(h > 0.6, np.exp(-s), 1.0),
    "floor": lambda h, s: np.where(h < 0.26, np.exp(s), 1.0), "cream": lambda h, s: np.exp(-s * (0.5 - h)),
    "cream layer": lambda h, s: np.where(h > 0.7, np.exp(s), 1.0)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """What kind of store and laboratory. far: logarithm of the ratio between the ends of a profile. lost: share of what settles
    that no zone holds. order: random over the runs, or container by container."""

    fluid: str
    containers: int = 12
    depths: int = 3
    profile: str = "flat"
    far: float = 0.0
    lost: float = 0.0
    tails: str = "normal"
    draw: float = 0.5
    lots: int = 1
    duplicates: float = 0.25
    order: str = "random"
    run_length: int = 20
    limits: bool = True
    nominal: bool = True
    heels: bool = False
    two_runs: bool = False


@dataclass
class Store:
    """A study as it came about. b: a row a bottle; true, read: bottles x analytes; text: what is written instead."""

    place: Place
    b: pd.DataFrame
    true: np.ndarray
    read: np.ndarray
    check: np.ndarray
    rng: np.random.Generator
    text: dict[tuple[int, int], str] = field(default_factory=dict)
    copies: list[tuple[int, int, list[int]]] = field(default_factory=list)

    @property
    def analytes(self) -> list[str]:
        return list(FLUIDS[self.place.fluid])

    def spots(self, container: str = "", depth: str = "") -> list[int]:
        """Rows of spots, of this container and depth."""
        own = self.b["kind"].eq("spot") & (self.b["container"].eq(container) | (container == "")) & (
            self.b["depth"].eq(depth) | (depth == ""))
        return [int(i) for i in np.flatnonzero(own)]

    def code(self, row: int) -> str:
        return str(self.b["sample"].iat[row])

    def of_test(self, test: str) -> list[int]:
        """Columns that a test reads."""
        return [k for k, s in enumerate(FLUIDS[self.place.fluid].values()) if s[7] == test]


def tailed(place: Place, rng: np.random.Generator, *shape: int) -> np.ndarray:
    return rng.standard_normal(shape) if place.tails == "normal" else rng.standard_t(5, shape) / np.sqrt(5 / 3)


def store(place: Place, seed: int, before: Callable[[Store], None] | None = None) -> Store:
    """A study; ``before`` changes what its bottles hold before anything is read."""
    rng = np.random.default_rng([seed, 20261128])
    b = _bottles(place, rng)
    b = _ordered(place, b, rng)
    spec = list(FLUIDS[place.fluid].values())
    level, s_r = (np.array([s[k] for s in spec], dtype=float) for k in (2, 3))
    check = level * np.exp(rng.uniform(-0.45, 0.45, len(spec)) * np.where([s[1] == "viscosity" for s in spec], 0.3, 1.0))
    true = _content(place, b, check, rng)
    drawn = place.draw * s_r / 100 * tailed(place, rng, len(b), len(spec)) * b["container"].ne("").to_numpy()[:, None]
    s = Store(place=place, b=b, true=true * np.exp(drawn), read=true, check=check, rng=rng)
    if before:
        before(s)
    runs, code = np.unique(s.b["run"], return_inverse=True)
    shift = rng.normal(0, 0.35, (len(runs), len(spec)))[code]
    s.read = s.true * np.exp(s_r / 100 * (shift + tailed(place, rng, len(s.b), len(spec))))
    return s


def _bottles(place: Place, rng: np.random.Generator) -> pd.DataFrame:
    names, h = DEPTHS[place.depths], [(place.depths - k - 0.5) / place.depths for k in range(place.depths)]
    rows = []
    for i in range(place.containers):
        box, twice = f"V{i + 1:02d}", int(rng.integers(place.depths)) if rng.random() < place.duplicates else -1
        for k in range(place.depths):
            rows += [(box, "spot", names[k], h[k])] + [(box, "duplicate", names[k], h[k])] * (k == twice)
        rows += [(box, "heel", "heel", 0.02)] * place.heels
    b = pd.DataFrame(rows, columns=["container", "kind", "depth", "height"])
    b["draw_order"] = b.groupby("container").cumcount() + 1.0
    return b


def _ordered(place: Place, b: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Runs with a check fluid at the start, in the middle and at the end, and a blank somewhere."""
    order = rng.permutation(len(b))
    if place.order == "by container":
        rank = dict(zip(b["container"].unique(), rng.permutation(b["container"].nunique()), strict=True))
        order = order[np.argsort(b["container"].map(rank).to_numpy()[order], kind="stable")]
    count = max(-(-len(b) // place.run_length), 2 if place.two_runs else 1)
    parts = []
    for r, cut in enumerate(np.array_split(order, count)):
        fluid, blank = ({"container": "", "kind": kind, "depth": "", "height": np.nan} for kind in ("check fluid", "blank"))
        rows = [b.iloc[i].to_dict() for i in cut]
        half = len(rows) // 2
        rows = [fluid, *rows[:half], dict(fluid), *rows[half:], dict(fluid)]
        rows.insert(int(rng.integers(1, len(rows))), blank)
        parts.append(pd.DataFrame(rows).assign(run=f"R{r + 1}", run_order=np.arange(1, len(rows) + 1)))
    out = pd.concat(parts, ignore_index=True)
    out["sample"] = [f"{x}" for x in rng.permutation(90000)[:len(out)] + 10000]
    return out


def _content(place: Place, b: pd.DataFrame, check: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    spec = list(FLUIDS[place.fluid].values())
    level, share = (np.array([s[k] for s in spec], dtype=float) for k in (2, 5))
    thick = np.where([s[1] == "viscosity" for s in spec], 0.15, 1.0)
    boxes = sorted(set(b["container"]) - {""})
    lots = np.exp(rng.normal(0, 0.02, (place.lots, len(spec))) * thick)
    out = np.tile(check, (len(b), 1))
    out[b["kind"].eq("blank").to_numpy()] = 0.0
    middle = np.array([(k + 0.5) / place.depths for k in range(place.depths)])
    for i, box in enumerate(boxes):
        far = place.far * (rng.uniform(0.2, 1.3) if place.lost < 0 else np.exp(rng.normal(0, 0.12)))
        own = b["container"].eq(box).to_numpy()
        shape = PROFILES[place.profile]
        g = shape(b.loc[own, "height"].to_numpy(float), far) / shape(middle, far).mean()
        g = g * (1 - abs(place.lost)) if place.far > 0 else g
        fill = level * lots[i * place.lots // len(boxes)] * np.exp(rng.normal(0, 0.004, len(spec)) * thick)
        out[own] = fill * (1 - share + share * g[:, None])
    return out


# -- what the study and the laboratory report --------------------------------------------------------------------


@lru_cache(maxsize=64)
def study_of(fluid: str, depths: int, nominal: bool, lots: int) -> Study:
    """The definition of a study of this fluid."""
    analytes = {a: {"unit": unit, "method": f"in-house {test}", "margin": {"relative_percent": max(2.0, 5 * s_r)}, "kind": kind,
                    "margin_reason": "invented", "repeatability": {"s_r_percent": s_r, "source": "invented"},
                    **({"nominal": level} if nominal else {}), **({"limit": limit} if limit else {})}
                for a, (unit, kind, level, s_r, _, _, limit, test) in FLUIDS[fluid].items()}
    return parse_study({"title": f"invented {fluid}", "question": "settled?", "responsible": "tester", "invented": True,
                        "factors": {"depths": list(DEPTHS[depths]), "fixed": ["lot"] if lots > 1 else []}, "analytes": analytes,
                        "vessels": {"drum": {"shape": "upright_cylinder", "diameter_mm": 560, "height_mm": 870}}})


def written(s: Store) -> pd.DataFrame:
    """The tidy results: rounded, limits as "<", and the cells that were written otherwise."""
    spec = list(FLUIDS[s.place.fluid].items())
    text = np.empty(s.read.shape, dtype=object)
    for k, (_, (_, kind, level, _, digits, _, limit, _)) in enumerate(spec):
        v = np.round(s.read[:, k] / 10.0**-digits) * 10.0**-digits
        text[:, k] = [f"{x:.{max(0, digits)}f}" for x in v]
        text[v < (limit or 0.0), k] = f"<{limit}"
        text[s.b["kind"].eq("blank").to_numpy(), k] = f"<{limit or float(f'{level / 100:.1g}'):g}" if kind == "element" else ""
    for to, source, columns in s.copies:
        text[to, columns] = text[source, columns]
    for (row, k), value in s.text.items():
        text[row, k] = value
    parts = []
    for k, (a, x) in enumerate(spec):
        part = s.b[["sample", "run", "run_order"]].assign(analyte=a, unit=x[0], method=f"in-house {x[7]}")
        part["as_written"] = text[:, k]
        parts.append(part[part["as_written"].ne("")])
    out = pd.concat(parts, ignore_index=True)
    below = out["as_written"].str.startswith("<")
    out["value"] = out["as_written"].str.lstrip("<").astype(float)
    return out.assign(qualifier=np.where(below, "<", ""), limit=out["value"].where(below), replicate=1, revision=0,
                      reported_on="2026-05-04", source_file=out["run"] + ".csv", source_row=np.arange(2, len(out) + 2))


def flags(s: Store) -> pd.DataFrame:
    """The flags of the quality stage."""
    return report(s).flags


def report(s: Store) -> QualityReport:
    """All that the quality stage found."""
    p, spec = s.place, FLUIDS[s.place.fluid]
    study = study_of(p.fluid, p.depths, p.nominal, p.lots)
    boxes = sorted(set(s.b["container"]) - {""})
    containers = pd.DataFrame({"container": boxes, "lot": [f"L{i * p.lots // len(boxes) + 1}" for i in range(len(boxes))],
                               "store": "shed", "age_months": 15.0, "treatment": "stored", "vessel": "drum",
                               "liquid_height_mm": 800.0})
    samples = s.b[["sample", "container", "kind", "depth", "height", "draw_order"]]
    half = np.array([4 * x[3] / 100 for x in spec.values()]) * s.check
    limits = pd.DataFrame({"analyte": list(spec), "low": s.check - half, "high": s.check + half}) if p.limits else None
    return assess(study, containers, samples, written(s), limits=limits)


# -- what can go wrong: each returns the causes that are right and the words of which one has to be named --------


Truth = tuple[set[str], set[str]]


def _exchange(s: Store, one: int, other: int) -> None:
    s.read[[one, other]] = s.read[[other, one]]


def _within(s: Store) -> Truth:
    names = DEPTHS[s.place.depths]
    one, other = s.spots("V01", names[0])[0], s.spots("V01", names[-1])[0]
    _exchange(s, one, other)
    return {"swapped samples"}, {s.code(one), s.code(other)}


def _across(s: Store) -> Truth:
    names = DEPTHS[s.place.depths]
    one, other = s.spots("V01", names[0])[0], s.spots("V03", names[-1])[0]
    _exchange(s, one, other)
    return {"swapped samples"}, {s.code(one), s.code(other)}


def _rows(s: Store, container: str) -> np.ndarray:
    return s.b["container"].eq(container).to_numpy()


def _product(s: Store) -> Truth:
    s.read[_rows(s, "V02")] *= np.exp(np.linspace(-0.6, 0.6, s.read.shape[1]))
    return {"wrong product"}, {"V02"}


def _diluted(s: Store) -> Truth:
    thick = [x[1] == "viscosity" for x in FLUIDS[s.place.fluid].values()]
    s.read[_rows(s, "V02")] *= np.where(thick, 1.0, 0.78)
    return {"diluted or evaporated"}, {"V02"}


def _digits(s: Store, row: int, column: int, factor: float) -> None:
    digits = list(FLUIDS[s.place.fluid].values())[column][4]
    s.text[row, column] = f"{s.read[row, column] * factor:.{max(0, digits)}f}"


def _cell(s: Store) -> Truth:
    row = s.spots("V02", DEPTHS[s.place.depths][1])[0]
    _digits(s, row, 1, 1000.0)
    return {"unit slip"}, {s.code(row)}


def _row(s: Store) -> Truth:
    row, test = s.spots("V01", DEPTHS[s.place.depths][1])[0], list(FLUIDS[s.place.fluid].values())[1][7]
    for k in s.of_test(test):
        _digits(s, row, k, 10.0)
    return {"unit slip"}, {s.code(row)}


def _transposed(s: Store) -> Truth:
    row = s.spots("V02", DEPTHS[s.place.depths][1])[0]
    for k, x in enumerate(FLUIDS[s.place.fluid].values()):
        one, other, *rest = f"{s.read[row, k]:.{max(0, x[4])}f}"
        if other.isdigit() and one != other and other != "0" and abs(np.log(int(other) / int(one))) > 0.4:
            s.text[row, k] = other + one + "".join(rest)
            break
    return {"transposed digits", "value alone"}, {s.code(row)}


def _copied(s: Store) -> Truth:
    one, other = s.spots("V01")[0], s.spots("V02" if s.place.containers > 1 else "V01")[-1]
    s.copies.append((other, one, list(range(s.read.shape[1]))))
    return {"copied row"}, {s.code(one), s.code(other)}


def _portion(s: Store) -> Truth:
    row, test = s.spots("V02")[0], list(FLUIDS[s.place.fluid].values())[1][7]
    s.read[np.ix_([row], s.of_test(test))] *= 0.68
    return {"portion or dilution"}, {s.code(row)}


def _run(s: Store) -> np.ndarray:
    return s.b["run"].eq("R1").to_numpy()


def _shifted(s: Store) -> Truth:
    test = list(FLUIDS[s.place.fluid].values())[1][7]
    s.read[np.ix_(_run(s), s.of_test(test))] *= 1.12
    return {"run shift", "check fluid"}, {"R1"}  # the question of the check fluid asks about all readings of the run, too


def _drifted(s: Store) -> Truth:
    place = s.b.loc[_run(s), "run_order"].to_numpy(float)
    s_r = np.array([x[3] for x in FLUIDS[s.place.fluid].values()]) / 100
    some = np.arange(s_r.size) % 2 == 1
    s.read[_run(s)] *= np.exp(-9 * s_r * some * ((place - 1) / (place.max() - 1))[:, None])
    return {"drift"}, {"R1"}


def _carried(s: Store) -> Truth:
    """Each reading of a run holds 18 per cent of the one before it, that of the bottle after the blank of nothing."""
    rows = np.flatnonzero(_run(s))
    for before, row in pairwise(rows):
        s.read[row] = 0.82 * s.read[row] + 0.18 * s.read[before]
    after = [s.code(int(row)) for before, row in pairwise(rows) if s.b["kind"].iat[before] == "blank"]
    return {"carry-over"}, {"R1", *after}


def _unpurged(s: Store) -> Truth:
    """Each draw of a container holds 65 per cent of the one before it."""
    rows = np.flatnonzero(_rows(s, "V02"))
    rows = rows[np.argsort(s.b["draw_order"].to_numpy(float)[rows])]
    for before, row in pairwise(rows):
        s.read[row] = 0.35 * s.read[row] + 0.65 * s.read[before]
    return {"missing purge", "disturbed container"}, {"V02"}


def _heel(s: Store) -> Truth:
    """The lowest bottle of a container, and its heel, hold what has sunk to the floor."""
    suspended = np.array([x[5] for x in FLUIDS[s.place.fluid].values()])
    for row, share in [(r, 0.45) for r in s.spots("V02", DEPTHS[s.place.depths][-1])] + [
            (int(r), 1.0) for r in np.flatnonzero(_rows(s, "V02") & s.b["kind"].eq("heel").to_numpy())]:
        s.read[row] *= 1 - share + share * (0.45 + 3 * suspended)
    return {"heel in the zone", "own settling", "free water or heel at the floor"}, {"V02"}


PLANTED: dict[str, Callable[[Store], Truth]] = {
    "swap within": _within, "swap across": _across, "wrong product": _product, "dilution": _diluted, "unit in a cell": _cell,
    "unit in a row": _row, "transposed": _transposed, "copied row": _copied, "portion": _portion, "shift": _shifted,
    "drift": _drifted, "carry-over": _carried, "missing purge": _unpurged, "heel": _heel}
