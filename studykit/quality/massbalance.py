"""Does what the zones hold add up to what was filled? Mass balance of each container.

The zones of a container (spots, duplicates and splits, averaged by depth) share the liquid at the
heights half-way between their mid-heights. With the vessel's shape this gives each zone's volume,
with a density column its mass; the mass-weighted mean of a mass fraction (volume-weighted of
anything per volume) is compared with a whole: the remixed composite of the same container, else a
retained sample from filling, else the value as filled that the study states.

Less than the whole: the rest lies on the floor or walls, or below the deepest draw. More than the
whole is impossible and points to an error: a swap, a unit, a whole that was not mixed.

Interval: the weights are taken as exact; each determination has the repeatability standard
deviation s (drawing and measuring), so the difference has variance s^2 (sum w_i^2 / n_i + 1 / n_whole); a single container's is
widened by ``STEEP`` of its zones' range. A single
container is judged only against its own whole; the value as filled is that of the fluid, not of each
container, so it is compared with all containers together, by Student's t over their closures; own
wholes together by their sum against s_r. Where s_r is the study's own, Student's t takes the
place of the normal.
Viscosity is not additive and is left out.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from studykit.quality.flags import CHANCE, CheckResult, Flag, Scatter, shown
from studykit.study.columns import ZONE_KINDS
from studykit.study.definition import Study
from studykit.vessels import Shape

STEEP = 0.1
"""Share of the range of a container's zones that their weighting may miss: between the draws a steep profile bends."""
OF_THE_LOT = "sample kept from the filling of the lot"
BALANCE_COLUMNS = ["analyte", "container", "whole_is", "weights", "plain_mean", "zones", "whole", "closure_percent",
                   "low_percent", "high_percent", "sd_percent", "df", "p_more", "p_less"]


def zone_shares(study: Study, container: Mapping[Any, Any], heights: Sequence[float],
                densities: Sequence[float] | None = None) -> tuple[np.ndarray, str]:
    """Share of each zone (1-D, sums to 1), and in words how it was weighted.

    ``heights``: mid-heights as fractions of the liquid height (0 floor, 1 surface), any order,
    distinct. Zones meet half-way between neighbours; the outermost reach floor and surface.
    """
    share, words = _of_volumes(study.vessels.get(str(container.get("vessel", ""))), container.get("liquid_height_mm", np.nan),
                               container.get("fill_volume_l", np.nan), tuple(map(float, heights)))
    if densities is not None and np.all(np.isfinite(np.asarray(densities, dtype=float))):
        share = share * np.asarray(densities, dtype=float)
        return share / share.sum(), f"mass ({words})"
    return share.copy(), words


@lru_cache(maxsize=4096)
def _of_volumes(vessel: Shape | None, liquid: Any, filled: Any, heights: tuple[float, ...]) -> tuple[np.ndarray, str]:
    """Shares by volume; worked out once for containers of one shape, level and heights."""
    h = np.array(heights)
    if h.size == 0 or not np.all(np.isfinite(h)) or np.unique(h).size != h.size:
        raise ValueError(f"heights must be distinct finite fractions, but got {list(heights)}")
    order = np.argsort(h)
    cuts = np.concatenate([[0.0], (h[order][1:] + h[order][:-1]) / 2, [1.0]])
    volume, words = _cumulative_volume(vessel, liquid, filled, cuts)
    share = np.empty(h.size)
    share[order] = np.diff(volume) / volume[-1]
    return share, words


def _cumulative_volume(vessel: Shape | None, liquid: Any, filled: Any, cuts: np.ndarray) -> tuple[np.ndarray, str]:
    """Volume below each cut (fractions of the liquid height); plain fractions where the shape is not known."""
    level = float(liquid) if isinstance(liquid, (int, float)) and np.isfinite(liquid) else np.nan
    if vessel is None:
        return cuts, "height; the shape is not known"
    if np.isnan(level):
        if not isinstance(filled, (int, float)) or not np.isfinite(filled):
            return cuts, "height; the level is not known"
        level = vessel.height_mm(float(filled))
    return np.array([vessel.volume_l(c * level) for c in cuts]), "volume of the vessel"


def mass_balance(study: Study, containers: pd.DataFrame, samples: pd.DataFrame, t: pd.DataFrame,
                 scatter: Mapping[str, Scatter], apart: frozenset[tuple[str, str]] = frozenset()) -> CheckResult:
    """Closure of each container and analyte (zones as per cent of the whole, with 95 % interval).

    ``t``: working table. ``scatter``: that of one determination, in the unit of each analyte. Only
    containers with every declared depth measured are balanced. Flags: more than the whole
    (one-sided, Bonferroni over the rows), and the containers together against their wholes; those of ``apart``
    (analyte, container), in which something was found already, do not speak for all.
    """
    zones = t[t["kind"].isin(ZONE_KINDS) & (t["container"] != "")]
    density = samples.set_index("sample").get("density_kg_m3")
    zones = zones.assign(density=zones["sample"].map(density) if density is not None else np.nan)
    place = {str(r["container"]): r for r in containers.to_dict("records")}
    zones = zones[~zones["analyte"].isin([a for a, d in study.analytes.items() if d.kind == "viscosity"])]
    means = zones.groupby(["analyte", "container", "depth"], as_index=False).agg(
        value=("value", "mean"), height=("height", "mean"), n=("value", "size"), density=("density", "mean"))
    wholes = _wholes_of_lots(t, containers, samples) | _wholes(t)
    layered = set(t.loc[t["treatment"] == "layered control", "container"])
    shares = _Shares(study=study, place=place)
    rows = [_balance(shares, analyte, container, part, whole, scatter.get(analyte, Scatter(s=float("nan"))))
            for analyte, container, part, whole in _balanced(study, means, wholes, layered)]
    table = _with_chances(pd.DataFrame(rows, columns=[*BALANCE_COLUMNS[:7], "sd", "steep", "n_whole", "df"]))
    note = "" if rows else ("not assessed: no container has both its zones and a whole (composite, kept sample, or the "
                            "value as filled); depths that agree do not show that nothing lies on the floor")
    return CheckResult(rule="mass balance", table=table, note=note,
                       flags=_balance_flags(table, apart, zones.groupby("container")["sample"].unique()))


def _wholes_of_lots(t: pd.DataFrame, containers: pd.DataFrame,
                    samples: pd.DataFrame) -> dict[tuple[str, str], tuple[str, float, float]]:
    """The sample kept from the filling of a lot (column ``lot`` of the samples) as the whole of its containers.

    Not of a control, whose content was changed.
    """
    out: dict[tuple[str, str], tuple[str, float, float]] = {}
    if not {"lot"} <= set(samples) or "lot" not in containers:
        return out
    kept = t[(t["kind"] == "retained") & (t["container"] == "")]
    kept = kept.assign(lot=kept["sample"].map(samples.set_index("sample")["lot"]))
    stored = containers[containers["treatment"].isin(("", "stored"))]
    for key, values in kept[kept["lot"] != ""].groupby(["analyte", "lot"])["value"]:
        analyte, lot = (str(k) for k in key)
        for container in stored.loc[stored["lot"] == lot, "container"]:
            out[analyte, str(container)] = (OF_THE_LOT, float(values.mean()), float(len(values)))
    return out


def _wholes(t: pd.DataFrame) -> dict[tuple[str, str], tuple[str, float, float]]:
    """Own whole of each analyte and container: words, value, number of determinations; composites first."""
    out: dict[tuple[str, str], tuple[str, float, float]] = {}
    for kind, words in (("retained", "sample kept from filling"), ("composite", "remixed composite")):
        own = t[(t["kind"] == kind) & (t["container"] != "")]
        for key, values in own.groupby(["analyte", "container"])["value"]:
            analyte, container = (str(k) for k in key)
            out[analyte, container] = (words, float(values.mean()), float(len(values)))
    return out


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shares:
    """Shares of the zones of each container, computed once for each set of heights and densities."""

    study: Study
    place: Mapping[str, Mapping[Any, Any]]
    known: dict[tuple[str, bytes, bytes], tuple[np.ndarray, str]] = field(default_factory=dict)

    def of(self, container: str, heights: np.ndarray, densities: np.ndarray) -> tuple[np.ndarray, str]:
        """As ``zone_shares``."""
        key = (container, heights.tobytes(), densities.tobytes())
        if key not in self.known:
            self.known[key] = zone_shares(self.study, self.place[container], list(heights), list(densities))
        return self.known[key]


Part = dict[str, np.ndarray]


def _balanced(study: Study, means: pd.DataFrame, wholes: Mapping[tuple[str, str], tuple[str, float, float]],
              layered: set[str]) -> Iterator[tuple[str, str, Part, tuple[str, float, float]]]:
    """Analyte, container, zones and whole of each container that has both, every declared depth measured."""
    means = means.sort_values(["analyte", "container", "depth"], kind="stable")
    analyte, container, depth = (means[c].to_numpy(object) for c in ("analyte", "container", "depth"))
    numbers = {c: means[c].to_numpy(float) for c in ("value", "height", "n", "density")}
    cuts = np.flatnonzero((analyte[1:] != analyte[:-1]) | (container[1:] != container[:-1])) + 1
    declared = {a: d.nominal for a, d in study.analytes.items()}
    for low, high in zip([0, *cuts], [*cuts, len(means)], strict=True):
        if low == high:
            continue
        key = str(analyte[low]), str(container[low])
        nominal = declared.get(key[0])
        whole = wholes.get(key)
        if whole is None and nominal is not None and key[1] not in layered:
            whole = ("value as filled", float(nominal), float("inf"))
        heights = numbers["height"][low:high]
        complete = set(study.factors.depths) <= set(depth[low:high]) and bool(np.isfinite(heights).all())
        if whole is not None and complete and np.unique(heights).size == heights.size:
            yield *key, {k: v[low:high] for k, v in numbers.items()}, whole


def _balance(shares: _Shares, analyte: str, name: str, part: Part, whole: tuple[str, float, float],
             own: Scatter) -> tuple[object, ...]:
    words, target, n_whole = whole
    share, weights = shares.of(name, part["height"], part["density"])
    sd = own.s * float(np.sqrt(np.sum(share**2 / part["n"]) + 1 / n_whole))
    steep = STEEP * float(np.ptp(part["value"]))
    return (analyte, name, words, weights, float(part["value"].mean()), float(share @ part["value"]), target, sd, steep,
            n_whole, own.df)


def _with_chances(t: pd.DataFrame) -> pd.DataFrame:
    """Closures in per cent with their intervals, and the chances of more and of less than the whole."""
    scale = 100 / t["whole"].where(t["whole"] != 0).astype(float)
    half = stats.t.ppf(0.975, t["df"].astype(float)) * t["sd"] + t["steep"]
    sd = t["sd"].astype(float)
    wide = sd + t["steep"] / 2
    z = ((t["zones"] - t["whole"]) / wide.where(wide > 0)).where(np.isfinite(t["n_whole"].astype(float))).astype(float)
    out = t.assign(closure_percent=t["zones"] * scale, low_percent=(t["zones"] - half) * scale,
                   high_percent=(t["zones"] + half) * scale, sd_percent=sd * scale,
                   p_more=stats.t.sf(z, t["df"].astype(float)), p_less=stats.t.cdf(z, t["df"].astype(float)))
    return out.reindex(columns=BALANCE_COLUMNS)


def _balance_flags(table: pd.DataFrame, apart: frozenset[tuple[str, str]], bottles: pd.Series) -> tuple[Flag, ...]:
    flags = []
    judged = table[table["p_more"].notna()]
    for r in judged[judged["p_more"] * max(1, len(judged)) < CHANCE].to_dict("records"):
        text = (f"the zones hold {shown(r['closure_percent'])} % of the {r['whole_is']} (95 % interval "
                f"{shown(r['low_percent'])} to {shown(r['high_percent'])}): more than was filled cannot be; a swapped "
                "bottle, a unit, or a whole that was not mixed?")
        flags.append(Flag(rule="more than was filled", concern="ask before trusting", analyte=r["analyte"],
                          where=f"container {r['container']}", evidence=text,
                          samples=tuple(sorted(map(str, bottles[r["container"]])))))
    own = [key not in apart for key in zip(table["analyte"], table["container"], strict=True)]
    groups = list(table[np.array(own, dtype=bool)].groupby(["analyte", "whole_is"], sort=True))
    for (analyte, whole), g in groups:
        if _p_together(g) * len(groups) < CHANCE:
            flags.append(_together(str(analyte), str(whole), g["closure_percent"].to_numpy(float)))
    return tuple(flags)


def _p_together(g: pd.DataFrame) -> float:
    """Two-sided chance of the closures of one analyte: own wholes against s_r, a stated value by t.

    Containers that share a whole share its error: their deviations add up as if wholly dependent, which errs on
    the side of no flag.
    """
    if g["p_less"].notna().all():
        shared = bool((g["whole_is"] == OF_THE_LOT).all())
        spread = g["sd_percent"].sum() if shared else np.sqrt((g["sd_percent"] ** 2).sum())
        t = (g["closure_percent"] - 100).sum() / spread
        return 2 * float(stats.t.sf(abs(t), g["df"].min()))
    closure = g["closure_percent"].to_numpy(float)
    enough = closure.size >= 3 and float(np.ptp(closure)) > 0
    return float(stats.ttest_1samp(closure, 100.0).pvalue) if enough else float("nan")


def _together(analyte: str, whole: str, closure: np.ndarray) -> Flag:
    """The flag for containers that together hold less, or more, than their wholes."""
    mean, n = float(closure.mean()), closure.size
    text = (f"the zones of {n} container{'' if n == 1 else 's'} hold {shown(mean, 3)} % of the {whole} on average "
            f"({shown(float(closure.min()), 3)} to {shown(float(closure.max()), 3)} %): ")
    stated = whole == "value as filled"
    if mean < 100:
        text += ("the rest lies where no sample was taken, on the floor or the walls"
                 + (", or the stated value is not that of these lots" if stated else "")
                 + "; agreement between the sampled depths does not cover that part")
    else:
        text += ("more than was filled: did it come in later (water, dirt), or "
                 + ("is the stated value not that of these lots?" if stated else "were the wholes not mixed?"))
    return Flag(rule="less than was filled" if mean < 100 else "more than was filled", evidence=text, analyte=analyte,
                concern="hint only" if stated else "ask before trusting", where="all containers")
