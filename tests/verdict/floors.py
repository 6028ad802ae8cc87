"""Invented studies with something on the floor: how many are filed as "use as it stands" all the same?

    python -m tests.verdict.floors 1000 7        1,000 studies with floors 1.5 to 20 margins off, then 400 at 1.25 and at 1,
                                                 then 1,000 with such a floor in some containers only

Each study is made from results up: 3 to 14 containers, a margin of 3 to 30 %, zones that agree within 0.3 margins, a
spread between containers, a repeatability of a twentieth to a quarter of the margin, heel draws in all containers or in
some (two at least), and on the floor a layer that lies so many margins off the zones, richer or poorer, with a scatter of
its own.  Patchy: the layer lies in a quarter of the containers or more and the others' floors are level; 18 to 24
containers, all floors drawn, 20 % allowed to lie beyond.  Nothing of the kit's model is used to make them.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

import studykit.notebook.stage as kit
from studykit.model import tables as model_tables
from studykit.study.actions import Action
from studykit.study.definition import parse_study
from studykit.verdict import uses
from studykit.verdict.rule import StudyVerdict
from studykit.verdict.tables import judge_all
from tests.studies import definition
from tests.verdict_cases import DEPTHS, make

FILED = "Use as it stands."
MOST, MANY = 14, 24  # containers of the study that all others are cut from


def template(folder: Path) -> kit.Stage:
    """The verdict stage of a study with every draw that an invented one may have."""
    return make(folder, {f"C{c}": {**{d: [100.0] for d in DEPTHS}, "heel": [100.0]} for c in range(MANY)}, share=90)


def readings(rng: np.random.Generator, size: float, floor: float, patchy: bool) -> tuple[dict[str, float], float]:
    """Sample to value of one study, and the repeatability limit r that was used.

    ``size``: the margin as a share; the floor lies ``floor`` margins off the zones, where ``patchy`` in a quarter to all of
    the containers.
    """
    n = int(rng.integers(18, MANY + 1)) if patchy else int(rng.integers(3, MOST + 1))
    level = float(10 ** rng.uniform(0.5, 3))
    s_r, spread = size * float(rng.uniform(0.05, 0.25)), float(rng.choice([0.0, 0.02, 0.1]))
    profile = size * rng.uniform(-0.15, 0.15, len(DEPTHS))
    scatter, richer = float(rng.choice([0.0, 0.1, 0.4])), bool(rng.random() < 0.5)  # of the layer between containers
    drawn = rng.permutation(n)[:n if rng.random() < 0.5 else int(rng.integers(2, n + 1))]
    drawn = np.arange(n) if patchy else drawn
    layered = rng.permutation(n)[:int(rng.integers(-(-n // 4), n + 1))] if patchy else drawn
    out = {}
    for c in range(n):
        own = level * float(np.exp(spread * rng.standard_normal()))
        for k, d in enumerate(DEPTHS):
            out[f"C{c}{d[:2]}"] = own * (1 + profile[k] + s_r * rng.standard_normal())
        if c in drawn:
            ratio = 1 + (c in layered) * max(floor * size * (1 + scatter * rng.standard_normal()), -0.5)
            out[f"C{c}he"] = own * ((ratio if richer else 1 / ratio) + float(np.mean(profile)) + s_r * rng.standard_normal())
    return out, 2.77 * s_r * level


def filed(full: kit.Stage, rng: np.random.Generator, floor: float, patchy: bool = False) -> tuple[bool, str]:
    """Whether page one prints the action of 'homogeneous' for such a study, and the study's word."""
    per_cent = float(rng.uniform(3, 30))
    (values, r), share = readings(rng, per_cent / 100, floor, patchy), 20 if patchy else 90
    stated = {"repeatability": {"r": r, "source": "invented"}} if patchy else {}  # else that of the containers is used
    p = {**definition(share_percent=share)["analytes"]["P"], "margin": {"relative_percent": per_cent}, **stated}
    keep = sorted({s[:-2] for s in values})
    t = full.tables
    results = t.results[t.results["sample"].astype(str).isin(values)]
    results = results.assign(value=[max(values[s], 1e-3) for s in results["sample"].astype(str)])
    tables = replace(t, study=parse_study(definition(analytes={"P": p}, share_percent=share)), results=results,
                     containers=t.containers[t.containers["container"].astype(str).isin(keep)],
                     samples=t.samples[t.samples["sample"].astype(str).isin(values)])
    stage = replace(full, tables=tables)
    models = model_tables.fit_all(stage)
    outcome = judge_all(stage, models)
    acting = StudyVerdict(word=outcome.word, sentence="", analytes=outcome.analytes,
                          action=Action(do=FILED if outcome.word == "homogeneous" else "Leave it shut."))
    return FILED in uses.action(stage, acting, uses.uses(stage, models, outcome)), outcome.word


def counted(count: int, seed: int, low: float, high: float, patchy: bool = False) -> tuple[int, int, int]:
    """Of ``count`` studies with floors ``low`` to ``high`` margins off: filed as use as it stands, zones homogeneous, all."""
    rng = np.random.default_rng([seed, round(100 * low)])
    with TemporaryDirectory() as folder:
        full = template(Path(folder) / "s")
        got = [filed(full, rng, float(np.exp(rng.uniform(np.log(low), np.log(high)))), patchy) for _ in range(count)]
    return sum(f for f, _ in got), sum(w == "homogeneous" for _, w in got), count


if __name__ == "__main__":
    for lowest, highest, part, some in ((1.5, 20.0, 1.0, False), (1.25, 1.25, 0.4, False), (1.0, 1.0, 0.4, False),
                                        (1.5, 20.0, 1.0, True)):
        where = f"floor {lowest} to {highest} margins off{' in some containers' * some}"
        print(f"{where}: filed as it stands, zones homogeneous, all:", *counted(
            int(part * int(sys.argv[1])), int(sys.argv[2]), lowest, highest, some), flush=True)
