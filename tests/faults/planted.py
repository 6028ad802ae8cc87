"""Faults of drawing, handling and measuring, each at three sizes, with the truth that a report is held against.

A planter changes a ``Lab`` and returns a ``Truth``: which causes count as the right one, and the places (codes of
samples, containers, runs or files) of which at least one must be named; ``near`` are places that may be named too.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.faults.laboratory import ANALYTES, CHECK, Lab, Setting, advected, make
from tests.faults.rows_and_dirt import (
    carried_tool,
    dust,
    exchanged_columns,
    exchanged_columns_everywhere,
    saturated,
    shifted_rows,
)
from tests.faults.truth import Fault, Truth, a_run, an_analyte, bottles, pick, run_bottles, scale, spot

CLEAR_EXCHANGE = 14
"""How many s_r two exchanged digits must move a value to count as clear."""
CLEAR_SLOPE = 5
"""How many s_r a wrong slope must move the check fluid to count as clear: its limits are four from their middle."""


def _exchange(lab: Lab, one: str, other: str) -> None:
    """The readings of two bottles under each other's codes (the codes stay where their bottles were planned)."""
    a, b = lab.rows(sample=one), lab.rows(sample=other)
    mean = [lab.true.loc[r, lab.analytes].to_numpy(float).mean(axis=0) for r in (a, b)]
    for rows, own, new in ((a, mean[0], mean[1]), (b, mean[1], mean[0])):
        scale(lab, rows, lab.analytes, new / own)


# -- bottles and containers --------------------------------------------------------------------------------------


def swap_of_bottles(lab: Lab, size: float) -> Truth:
    (c,) = pick(lab)
    names = list(dict.fromkeys(lab.wide.loc[lab.wide["depth"] != "", "depth"]))
    order = sorted(names, key=lambda d: float(lab.wide.loc[lab.wide["depth"] == d, "height"].iloc[0]))
    one, other = spot(lab, c, order[0]), spot(lab, c, order[-1])
    _exchange(lab, one, other)
    return Truth(causes=("swapped samples",), places=frozenset({c, one, other}), near=bottles(lab, c))


def swap_across(lab: Lab, size: float) -> Truth:
    a, b = pick(lab, 2)
    names = sorted(set(lab.wide.loc[lab.wide["depth"] != "", "depth"]),
                   key=lambda d: float(lab.wide.loc[lab.wide["depth"] == d, "height"].iloc[0]))
    one, other = spot(lab, a, names[0]), spot(lab, b, names[-1])
    _exchange(lab, one, other)
    return Truth(causes=("swapped samples",), places=frozenset({one, other}),
                 near=bottles(lab, a) | bottles(lab, b) | {a, b})


def exchanged_containers(lab: Lab, size: float) -> Truth:
    """Two lots differ by ``size``; one container of each carries the other's code."""
    signs = lab.rng.choice([-1.0, 1.0], len(lab.analytes))
    lots = dict(zip(lab.containers["container"], lab.containers["lot"], strict=True))
    second = np.flatnonzero(lab.wide["container"].map(lots).eq("L2").to_numpy())
    scale(lab, second, lab.analytes, np.exp(signs * np.log1p(size)))
    ones, twos = ([c for c in lab.stored() if lots[c] == k] for k in ("L1", "L2"))
    a, b = str(lab.rng.choice(ones)), str(lab.rng.choice(twos))
    scale(lab, lab.rows(container=a), lab.analytes, np.exp(signs * np.log1p(size)))
    scale(lab, lab.rows(container=b), lab.analytes, np.exp(-signs * np.log1p(size)))
    return Truth(causes=("exchanged containers",), places=frozenset({a, b}),
                 near=bottles(lab, a) | bottles(lab, b))


def wrong_product(lab: Lab, size: float) -> Truth:
    (c,) = pick(lab)
    factors = np.exp(np.log1p(size) * lab.rng.choice([-1.0, 1.0], len(lab.analytes))
                     * lab.rng.uniform(0.6, 1.4, len(lab.analytes)))
    scale(lab, lab.rows(container=c), lab.analytes, factors)
    return Truth(causes=("wrong product", "exchanged containers"), places=frozenset({c}), near=bottles(lab, c))


def mixed_container(lab: Lab, size: float) -> Truth:
    (c,) = pick(lab)
    rows = lab.rows(container=c)
    zone = rows[lab.wide.loc[rows, "depth"].to_numpy() != ""]
    true = lab.true.loc[zone, lab.analytes].to_numpy(float)
    scale(lab, zone, lab.analytes, true.mean(axis=0) / true)
    return Truth(causes=("disturbed container",), places=frozenset({c}), near=bottles(lab, c))


def heel_in_the_zone(lab: Lab, size: float) -> Truth:
    (c,) = pick(lab)
    rows = lab.rows(container=c, depth="lower", kind="spot")
    share = np.array([ANALYTES[a][3] for a in lab.analytes])
    scale(lab, rows, lab.analytes, 1 + size * share * 6.0)
    sample = spot(lab, c, "lower")
    return Truth(causes=("heel in the zone", "own settling"), places=frozenset({c, sample}), near=bottles(lab, c))


def diluted(lab: Lab, size: float) -> Truth:
    (c,) = pick(lab)
    scale(lab, lab.rows(container=c), lab.analytes, 1 - size)
    return Truth(causes=("diluted or evaporated",), places=frozenset({c}), near=bottles(lab, c))


def additives_diluted(lab: Lab, size: float) -> Truth:
    """A fluid of the same base is in it: most analytes are low by one factor, the last two of the list are as they were."""
    (c,) = pick(lab)
    scale(lab, lab.rows(container=c), lab.analytes[:-2], 1 - size)
    return Truth(causes=("diluted or evaporated",), places=frozenset({c}), near=bottles(lab, c))


def evaporated(lab: Lab, size: float) -> Truth:
    (c,) = pick(lab)
    scale(lab, lab.rows(container=c), lab.analytes, 1 + size)
    return Truth(causes=("diluted or evaporated",), places=frozenset({c}), near=bottles(lab, c))


def missing_purge(lab: Lab, size: float) -> Truth:
    """A share of each draw is what was drawn before it; the first draw of a container follows the one before."""
    a, b = pick(lab, 2)
    w = lab.wide
    spots = w.index[(w["container"] == a) & (w["kind"] == "spot")]
    order = sorted(spots, key=lambda i: int(w.at[i, "draw_order"]))
    before = lab.true.loc[lab.rows(container=b, kind="spot", depth="lower")[0], lab.analytes].to_numpy(float)
    drawn: dict[str, np.ndarray] = {}
    for i in order:
        own = lab.true.loc[i, lab.analytes].to_numpy(float)
        if w.at[i, "sample"] not in drawn:
            drawn[w.at[i, "sample"]] = (1 - size) * own + size * before
            before = drawn[w.at[i, "sample"]]
        scale(lab, np.array([i]), lab.analytes, drawn[w.at[i, "sample"]] / own)
    return Truth(causes=("missing purge", "disturbed container"), places=frozenset({a}), near=bottles(lab, a))


def portion(lab: Lab, size: float) -> Truth:
    """All analytes of one determination are low by one factor: a portion was weighed or diluted wrongly."""
    (c,) = pick(lab)
    i = int(lab.rng.choice(lab.rows(container=c, kind="spot")))
    scale(lab, np.array([i]), lab.analytes, 1 - size)
    return Truth(causes=("portion or dilution",), places=frozenset({str(lab.wide.at[i, "sample"])}),
                 near=bottles(lab, c) | {c})


# -- cells, rows, files ------------------------------------------------------------------------------------------


def unit_cell(lab: Lab, size: float) -> Truth:
    a, (c,) = an_analyte(lab), pick(lab)
    i = int(lab.rng.choice(lab.rows(container=c, kind="spot")))
    scale(lab, np.array([i]), [a], size)
    return Truth(causes=("unit slip",), places=frozenset({str(lab.wide.at[i, "sample"])}), near=frozenset({c}),
                 analytes=frozenset({a}))


def unit_row(lab: Lab, size: float) -> Truth:
    (c,) = pick(lab)
    i = int(lab.rng.choice(lab.rows(container=c, kind="spot")))
    scale(lab, lab.rows(sample=str(lab.wide.at[i, "sample"])), lab.analytes, size)
    return Truth(causes=("unit slip", "portion or dilution"), places=frozenset({str(lab.wide.at[i, "sample"])}),
                 near=frozenset({c}))


def _unit_files(lab: Lab, size: float, n: int) -> Truth:
    a = an_analyte(lab)
    files = [str(f) for f in lab.rng.choice(sorted(set(lab.wide["file"])), n, replace=False)]
    for f in files:
        scale(lab, lab.rows(file=f), [a], size)
    runs = {str(r) for r in lab.wide.loc[lab.wide["file"].isin(files), "run"]}
    return Truth(causes=("unit slip",), places=frozenset(files) | runs, analytes=frozenset({a}))


def unit_one_file(lab: Lab, size: float) -> Truth:
    return _unit_files(lab, size, 1)


def unit_two_files(lab: Lab, size: float) -> Truth:
    return _unit_files(lab, size, 2)


def unit_all_files(lab: Lab, size: float) -> Truth:
    return _unit_files(lab, size, 3)


def transposed(lab: Lab, size: float) -> Truth:
    """Two neighbouring digits change places; size: which (3 last two, 2 the two before, 1 the first two)."""
    for _ in range(200):
        a, (c,) = an_analyte(lab, ("P", "Zn", "Ca", "B", "Mo")), pick(lab)
        i = int(lab.rng.choice(lab.rows(container=c, kind="spot")))
        text = f"{lab.wide.at[i, a]:.{lab.decimals[a]}f}"
        digits = [k for k, ch in enumerate(text) if ch.isdigit()]
        where = {1: 0, 2: 1, 3: len(digits) - 2}[int(size)]
        one, other = digits[where], digits[where + 1]
        new = list(text)
        new[one], new[other] = new[other], new[one]
        moved = abs(float("".join(new)) / float(text) - 1) / ANALYTES[a][1]
        if text[one] != text[other] and "".join(new)[0] != "0" and moved > {1: CLEAR_EXCHANGE, 2: 4, 3: 0}[int(size)]:
            lab.edits.append((i, a, "".join(new)))
            break
    return Truth(causes=("transposed digits", "value alone"), places=frozenset({str(lab.wide.at[i, "sample"])}),
                 near=frozenset({c}), analytes=frozenset({a}))


def transposed_in_one(lab: Lab, size: float) -> Truth:
    """The same in one of two determinations of a bottle."""
    twice = lab.wide["sample"].duplicated(keep=False).to_numpy() & lab.wide["kind"].eq("spot").to_numpy()
    for i in lab.rng.permutation(np.flatnonzero(twice)):
        text = f"{lab.wide.at[i, 'P']:.0f}"
        new = text[1] + text[0] + text[2:]
        if new[0] != "0" and abs(float(new) / float(text) - 1) > size:
            lab.edits.append((int(i), "P", new))
            break
    return Truth(causes=("transposed digits",), places=frozenset({str(lab.wide.at[i, "sample"])}),
                 near=frozenset({str(lab.wide.at[i, "container"])}), analytes=frozenset({"P"}))


def copied(lab: Lab, size: float) -> Truth:
    """A row pasted over another, in as many analytes as ``size``."""
    one, other = pick(lab, 2)
    i, j = (int(lab.rng.choice(lab.rows(container=c, kind="spot"))) for c in (one, other))
    names = tuple(str(a) for a in lab.rng.choice([a for a in lab.analytes if a != "Ba"], int(size), replace=False))
    lab.copies.append((j, i, names))
    both = {str(lab.wide.at[k, "sample"]) for k in (i, j)}
    return Truth(causes=("copied row",), places=frozenset(both), near=frozenset({one, other}))


def invented(lab: Lab, size: float) -> Truth:
    """Second readings and duplicates written down from the first, changed by about ``size``."""
    w = lab.wide
    first: dict[tuple[str, str], int] = {}
    for i in range(len(w)):
        key = (str(w.at[i, "container"]), str(w.at[i, "depth"]))
        if w.at[i, "depth"] and w.at[i, "kind"] in ("spot", "duplicate"):
            if key in first:
                base = w.loc[first[key], lab.analytes].to_numpy(float)
                lab.wide.loc[i, lab.analytes] = base * (1 + size * lab.rng.uniform(-1, 1, len(lab.analytes)))
            first.setdefault(key, i)
    return Truth(causes=("too good",), places=frozenset(lab.analytes) | {"whole study"})


# -- runs --------------------------------------------------------------------------------------------------------


def carry_over(lab: Lab, size: float) -> Truth:
    run = a_run(lab)
    rows = [int(i) for i in lab.rows(run=run)]
    values = lab.wide.loc[rows, lab.analytes].to_numpy(float).copy()
    for k in range(1, len(rows)):
        values[k] = (1 - size) * values[k] + size * values[k - 1]
    lab.wide.loc[rows, lab.analytes] = values
    return Truth(causes=("carry-over",), places=frozenset({run}), near=frozenset(lab.wide.loc[rows, "sample"]))


def carry_on_top(lab: Lab, size: float) -> Truth:
    """Every reading of a run holds a share of what the bottle before it held, on top of its own whole content."""
    run = a_run(lab)
    rows = [int(i) for i in lab.rows(run=run)]
    held = lab.wide.loc[rows, lab.analytes].to_numpy(float).copy()
    lab.wide.loc[rows[1:], lab.analytes] = held[1:] + size * held[:-1]
    return Truth(causes=("carry-over",), places=frozenset({run}), near=frozenset(lab.wide.loc[rows, "sample"]))


def _drift(lab: Lab, run: str, analyte: str, size: float) -> None:
    rows = lab.rows(run=run)
    order = lab.wide.loc[rows, "run_order"].to_numpy(float)
    place = (order - order.min()) / (order.max() - order.min()) - 0.5
    scale(lab, rows, [analyte], np.exp(size * place)[:, None])


def drift_one_run(lab: Lab, size: float) -> Truth:
    a, run = an_analyte(lab), a_run(lab)
    _drift(lab, run, a, size * ANALYTES[a][1])
    return Truth(causes=("drift",), places=frozenset({run}), near=frozenset({"check fluid"}), analytes=frozenset({a}))


def slipped(lab: Lab, fault: str, run: str, analyte: str, amount: float) -> Truth:
    """A drift, or a shift, of one run in one analyte by ``amount`` (logarithm)."""
    if fault == "drift":
        _drift(lab, run, analyte, amount)
    else:
        scale(lab, lab.rows(run=run), [analyte], float(np.exp(amount)))
    return Truth(causes=("drift",) if fault == "drift" else ("run shift",), places=frozenset({run}),
                 analytes=frozenset({analyte}))


def drift_opposite(lab: Lab, size: float) -> Truth:
    a = an_analyte(lab)
    for run, sign in (("R1", 1.0), ("R2", -1.0)):
        _drift(lab, run, a, sign * size * ANALYTES[a][1])
    return Truth(causes=("drift",), places=frozenset({"R1", "R2"}), analytes=frozenset({a}))


def run_shift(lab: Lab, size: float) -> Truth:
    a, run = an_analyte(lab), a_run(lab)
    scale(lab, lab.rows(run=run), [a], float(np.exp(size * ANALYTES[a][1])))
    return Truth(causes=("run shift",), places=frozenset({run}), near=frozenset(run_bottles(lab, run)),
                 analytes=frozenset({a}))


def calibration(lab: Lab, size: float) -> Truth:
    """One run reads an analyte with a wrong slope: the further from the stock's level, the more it is off.

    Of the clear size it moves the check fluid by ``CLEAR_SLOPE`` repeatabilities at least: beyond its limits.
    """
    moved = {a: abs(size * np.log(CHECK[a])) / ANALYTES[a][1] for a in lab.analytes}
    a, run = an_analyte(lab, tuple(a for a in ("P", "Zn", "S", "Ca", "B") if size < 0.3 or moved[a] > CLEAR_SLOPE)), a_run(lab)
    rows = lab.rows(run=run)
    ratio = lab.wide.loc[rows, [a]].to_numpy(float) / ANALYTES[a][0]
    ratio[ratio < 0.01] = 1.0
    scale(lab, rows, [a], ratio**size)
    return Truth(causes=("calibration", "run shift", "run offset", "check fluid"), places=frozenset({run}),
                 near=frozenset(run_bottles(lab, run)), analytes=frozenset({a}))


def check_fluid_spoiled(lab: Lab, size: float) -> Truth:
    """The check fluid of one run was not the check fluid any more: its readings are off, the samples' are not."""
    a, run = an_analyte(lab), a_run(lab)
    scale(lab, lab.rows(run=run, kind="check fluid"), [a], float(np.exp(size * ANALYTES[a][1])))
    return Truth(causes=("check fluid",), places=frozenset({run}), near=frozenset(run_bottles(lab, run)),
                 analytes=frozenset({a}))


def coarse(lab: Lab, size: float) -> Truth:
    """One analyte is rounded to a step of at least ``size`` repeatabilities."""
    a = an_analyte(lab)
    lab.decimals[a] = -int(np.ceil(np.log10(size * ANALYTES[a][1] * ANALYTES[a][0])))
    return Truth(causes=("coarse rounding",), places=frozenset({a}) | frozenset(lab.wide["file"]),
                 analytes=frozenset({a}))


def noisy(lab: Lab, size: float) -> Truth:
    """One analyte scatters ``size`` times as much as stated, bottle by bottle."""
    a = an_analyte(lab)
    extra = float(np.sqrt(size**2 - 1)) * ANALYTES[a][1]
    scale(lab, np.arange(len(lab.wide)), [a], np.exp(extra * lab.rng.standard_normal((len(lab.wide), 1))))
    everything = frozenset(lab.wide["sample"]) | frozenset(lab.containers["container"]) | frozenset(lab.wide["run"])
    return Truth(causes=("repeatability", "many duplicates apart", "duplicates apart"),
                 places=frozenset({"whole study"}) | everything, near=everything, analytes=frozenset({a}))

def _settled(s: Setting, size: float) -> Setting:
    return replace(s, settled=size)


# A fault's place here makes its seeds in ``python -m tests.faults power``: new ones come at the end.
FAULTS: dict[str, Fault] = {
    "swap of two bottles": Fault(sizes=(0.25, 0.6, 1.5), plant=swap_of_bottles, setting=_settled),
    "swap across containers": Fault(sizes=(0.25, 0.6, 1.5), plant=swap_across, setting=_settled),
    "exchanged containers": Fault(sizes=(0.05, 0.15, 0.30), plant=exchanged_containers),
    "wrong product": Fault(sizes=(0.05, 0.12, 0.30), plant=wrong_product),
    "mixed container": Fault(sizes=(0.25, 0.6, 1.5), plant=mixed_container, setting=_settled),
    "heel in the zone": Fault(sizes=(0.03, 0.1, 0.4), plant=heel_in_the_zone),
    "dilution": Fault(sizes=(0.03, 0.08, 0.20), plant=diluted),
    "additives diluted": Fault(sizes=(0.03, 0.08, 0.20), plant=additives_diluted),
    "evaporation": Fault(sizes=(0.03, 0.08, 0.20), plant=evaporated),
    "missing purge": Fault(sizes=(0.2, 0.45, 0.8), plant=missing_purge, setting=lambda s, _: replace(s, settled=1.5)),
    "portion": Fault(sizes=(0.06, 0.12, 0.3), plant=portion),
    "unit in a cell": Fault(sizes=(0.1, 10.0, 1000.0), plant=unit_cell),
    "unit in a row": Fault(sizes=(0.1, 10.0, 1000.0), plant=unit_row),
    "unit in one file": Fault(sizes=(10.0, 0.001, 10000.0), plant=unit_one_file),
    "unit in two files": Fault(sizes=(10.0, 0.001, 10000.0), plant=unit_two_files),
    "unit in all files": Fault(sizes=(10.0, 0.001, 10000.0), plant=unit_all_files),
    "transposed digits": Fault(sizes=(3, 2, 1), plant=transposed),
    "digits in one of two": Fault(sizes=(0.1, 0.2, 0.4), plant=transposed_in_one),
    "copied row": Fault(sizes=(3, 5, 7), plant=copied),
    "invented repeats": Fault(sizes=(0.01, 0.004, 0.001), plant=invented),
    "carry-over": Fault(sizes=(0.05, 0.15, 0.30), plant=carry_over),
    "drift in one run": Fault(sizes=(1.5, 3.0, 6.0), plant=drift_one_run),
    "opposite drifts": Fault(sizes=(1.5, 3.0, 6.0), plant=drift_opposite),
    "shift of one run": Fault(sizes=(1.0, 2.5, 5.0), plant=run_shift),
    "calibration": Fault(sizes=(0.05, 0.12, 0.3), plant=calibration),
    "spoiled check fluid": Fault(sizes=(2.0, 4.0, 8.0), plant=check_fluid_spoiled),
    "coarse rounding": Fault(sizes=(0.5, 1.0, 3.0), plant=coarse),
    "noisy laboratory": Fault(sizes=(1.5, 2.2, 3.5), plant=noisy),
    "exchanged columns": Fault(sizes=(1.1, 2.5, 4.0), plant=exchanged_columns),
    "columns in all files": Fault(sizes=(1.1, 2.5, 4.0), plant=exchanged_columns_everywhere),
    "rows shifted": Fault(sizes=(0.3, 0.6, 1.0), plant=shifted_rows),
    "dust in one bottle": Fault(sizes=(0.2, 0.4, 0.8), plant=dust),
    "saturated curve": Fault(sizes=(0.1, 0.25, 0.5), plant=saturated),
    "tool carried on": Fault(sizes=(0.2, 0.45, 0.8), plant=carried_tool, setting=lambda s, _: replace(s, settled=1.5)),
    "carry-over on top": Fault(sizes=(0.05, 0.15, 0.30), plant=carry_on_top),
}


def spoiled(name: str, size: int, base: Setting, seed: int) -> tuple[Lab, Truth]:
    """A study with one fault at its size 0, 1 or 2."""
    fault = FAULTS[name]
    value = fault.sizes[size]
    lab = make(fault.setting(base, value), seed)
    return lab, fault.plant(lab, value)


def settled_study(base: Setting, seed: int) -> Lab:
    """A study in which one, some or all containers have really settled, creamed, half-settled or layered."""
    rng = np.random.default_rng([seed, 7])
    names = [f"C{i + 1:02d}" for i in range(base.containers)]
    n = int(rng.choice([1, 1, 1, 2, 3, base.containers // 2, base.containers]))
    kinds = ("settled", "creamed", "half-settled", "layered")
    one = str(rng.choice(kinds))
    own = {str(c): (one if rng.random() < 0.7 else str(rng.choice(kinds)), float(rng.uniform(0.15, 1.0)))
           for c in rng.choice(names, n, replace=False)}
    return make(replace(base, settled=float(rng.uniform(0, 0.5))), seed, own)


__all__ = ["FAULTS", "Fault", "Truth", "advected", "settled_study", "spoiled"]
