"""Time that one move of a slider takes in the kernel, words and drawings included: every demo, both boards.

Half of the moves take one slider anywhere, half put all of them to one of their ends or where the study stands.

Run:  OPENBLAS_NUM_THREADS=1 python -m tests.benchmarks.bench_sliders
"""

from __future__ import annotations

import gc
import random
import time

from studykit.demos import DEMOS
from studykit.demos.shipped import demo_folder
from studykit.design.tables import open_design
from studykit.design.world import prepare
from studykit.notebook.board import Board
from studykit.notebook.explorer import NAME, desk_of
from studykit.notebook.settling import controls, read_out
from studykit.physics.trial import trial_of
from studykit.study.tables import load_tables

MOVES = 200


def moves(board: Board, seed: int = 1) -> list[float]:
    """Milliseconds of processor time of each of MOVES moves, each from where the last one stood, sorted."""
    rng, spent = random.Random(seed), []
    stands = [c.at for c in board.controls]
    for k in range(MOVES):
        at = [c.at for c in board.controls]
        which = rng.randrange(len(at))
        at[which] = rng.randrange(len(board.controls[which].values))
        if k % 2:  # the same analyte, everything else at an end
            at = [c.at if c.choice else rng.choice((0, len(c.values) - 1, s))
                  for c, s in zip(board.controls, stands, strict=True)]
        start = time.process_time()
        board.move(at)
        spent.append(1e3 * (time.process_time() - start))
    return sorted(spent)


def main() -> None:
    """Print the table."""
    prepare(range(2, 8))
    gc.collect()
    gc.freeze()  # as where the sliders are shown
    print("board                     demo       median, ms   19 of 20 within, ms   longest, ms")
    for name in DEMOS:
        view = open_design(load_tables(demo_folder(name), with_results=False))
        desk, sphere = desk_of(view), trial_of(view.study, view.containers)
        boards = {NAME: Board(NAME, desk.controls, desk.read_out),
                  "A sphere in its liquid": Board("", lambda _, s=sphere: controls(s), lambda at, s=sphere: read_out(s, at))}
        for title, board in boards.items():
            spent = moves(board)
            print(f"{title:25s} {name:8s} {spent[MOVES // 2]:12.1f} {spent[19 * MOVES // 20]:20.1f} {spent[-1]:14.1f}")


if __name__ == "__main__":
    main()
