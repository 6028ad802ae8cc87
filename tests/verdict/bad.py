"""Invented stocks that must not be used as they stand, and how many are filed so all the same.

    python -m tests.verdict.bad 300 7        300 bad studies of every kind in turn, then 60 good ones

Each is made from results up, 18 to 24 containers of three zones, with nothing of the kit's model: zones that agree, and
beside them what a laboratory, a sampler or a dishonest sender leaves behind.  The kinds stand in ``BAD``.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from studykit.model import tables as model_tables
from studykit.study.actions import Action
from studykit.verdict import uses
from studykit.verdict.rule import StudyVerdict
from studykit.verdict.tables import judge_all
from tests.verdict_cases import DEPTHS, make

FILED = "Use as it stands."
Cells = dict[str, dict[str, list[float | str]]]
LAYER = 1.6
"""What lies on the floor, or what the whole holds, as a multiple of the zones; the margin is 20 %."""


def level(rng: np.random.Generator, n: int, *kinds: str) -> Cells:
    """Containers whose zones, and samples of those kinds, differ by 2 % of scatter alone."""
    places = (*DEPTHS, *kinds)
    return {f"C{c}": {p: [round(15 * float(np.exp(0.02 * rng.standard_normal())), 3)] for p in places} for c in range(n)}


def _some(rng: np.random.Generator, cells: Cells, share: float) -> list[str]:
    """So large a share of the containers, at least one, drawn by lot."""
    return [str(c) for c in rng.permutation(list(cells))[:max(1, round(share * len(cells)))]]


def _layer(rng: np.random.Generator, n: int, kind: str, share: float) -> Cells:
    cells = level(rng, n, kind)
    for c in _some(rng, cells, share):
        cells[c][kind] = [float(LAYER * float(cells[c][kind][0]))]
    return cells


def _lost(rng: np.random.Generator, n: int, kind: str, *beside: str) -> Cells:
    """A fifth to all of the samples of a kind came back without a result, the others agree."""
    cells = level(rng, n, kind, *beside)
    for c in _some(rng, cells, float(rng.uniform(0.2, 1))):
        cells[c][kind] = []
    return cells


def _limits(rng: np.random.Generator, n: int, kind: str, limit: str) -> Cells:
    """Some to all of a kind are known only as a limit that may lie beyond, or does."""
    cells = level(rng, n, kind)
    for c in _some(rng, cells, float(rng.uniform(0.05, 1))):
        cells[c][kind] = [limit]
    return cells


def _few(rng: np.random.Generator, n: int) -> Cells:
    """Results of one container or of a few; the others were opened, and nothing came back."""
    cells = level(rng, n, "heel")
    for c in list(cells)[int(rng.integers(1, 9)):]:
        cells[c] = {p: [] for p in cells[c]}
    return cells


def _settled(rng: np.random.Generator, n: int) -> Cells:
    """A quarter to half of the containers settled, their lowest zone far beyond."""
    cells = level(rng, n)
    for c in _some(rng, cells, float(rng.uniform(0.25, 0.5))):
        cells[c]["lower"] = [LAYER * float(cells[c]["lower"][0])]
    return cells


BAD: Mapping[str, Callable[[np.random.Generator, int], Cells]] = {
    "results of few containers": _few,
    "settled in some": _settled,
    "layer on some floors": lambda r, n: _layer(r, n, "heel", float(r.uniform(0.05, 1))),
    "matter that the zones lack": lambda r, n: _layer(r, n, "composite", float(r.uniform(0.05, 1))),
    "heels lost": lambda r, n: _lost(r, n, "heel"),
    "rests lost": lambda r, n: _lost(r, n, "composite"),
    "rests lost beside heels": lambda r, n: _lost(r, n, "composite", "heel"),
    "heels above a limit": lambda r, n: _limits(r, n, "heel", ">30"),
    "rests above a limit": lambda r, n: _limits(r, n, "composite", ">30"),
    "heels below a useless limit": lambda r, n: _limits(r, n, "heel", "<40"),
    "rests below a useless limit": lambda r, n: _limits(r, n, "composite", "<40"),
}
GOOD: Mapping[str, Callable[[np.random.Generator, int], Cells]] = {
    "level": lambda r, n: level(r, n), "level with heels": lambda r, n: level(r, n, "heel"),
    "level with both": lambda r, n: level(r, n, "heel", "composite")}


def usable(folder: Path, cells: Cells) -> bool:
    """Whether page one would print the action of 'homogeneous' for such a study."""
    stage = make(folder, cells, margin={"relative_percent": 20}, repeatability={"s_r_percent": 2, "source": "invented"})
    models = model_tables.fit_all(stage)
    outcome = judge_all(stage, models)
    acting = StudyVerdict(word=outcome.word, sentence="", analytes=outcome.analytes,
                          action=Action(do=FILED if outcome.word == "homogeneous" else "Leave it shut."))
    return FILED in uses.action(stage, acting, uses.uses(stage, models, outcome))


def counted(count: int, seed: int, kinds: Mapping[str, Callable[[np.random.Generator, int], Cells]]) -> dict[str, list[bool]]:
    """Of ``count`` studies, the kinds in turn: whether each is filed as usable, by kind."""
    out: dict[str, list[bool]] = {}
    names = list(kinds)
    for k in range(count):
        rng, name = np.random.default_rng([seed, k]), names[k % len(names)]
        with TemporaryDirectory() as folder:
            out.setdefault(name, []).append(usable(Path(folder) / "s", kinds[name](rng, int(rng.integers(18, 25)))))
    return out


if __name__ == "__main__":
    for kinds, studies in ((BAD, int(sys.argv[1])), (GOOD, int(sys.argv[1]) // 5)):
        for which, filed in counted(studies, int(sys.argv[2]), kinds).items():
            print(f"{which}: {sum(filed)} of {len(filed)} filed as it stands", flush=True)
