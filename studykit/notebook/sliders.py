"""Showing a board of sliders: to a person the sliders, elsewhere the position that the study stands at.

Where nobody sits (nbval, papermill, nbconvert, a report) a board is a table, sentences and still drawings.
"""

from __future__ import annotations

import gc

from IPython.core.getipython import get_ipython
from IPython.display import display

from studykit.notebook.board import Board


def person() -> bool:
    """True where a front end runs this cell that can ask a person something, as the cell's own message says.

    Jupyter's messages carry it for every cell (``allow_stdin``); runners of whole notebooks send false.
    """
    kernel = getattr(get_ipython(), "kernel", None)
    return kernel is not None and bool(kernel.get_parent().get("content", {}).get("allow_stdin"))


def show(board: Board) -> None:
    """Show the board: the still form, and to a person below it the sliders, which hide it where they come to life.

    Two outputs, because a page with both in one shows the sliders' place alone, empty where nothing brings them to life:
    a notebook opened again, or exported as a page.
    """
    still = dict(board.still())
    if not person():
        display(still, raw=True)
        return
    from studykit.notebook.live import Sliders

    live = Sliders(board)
    still["text/html"] = f'<div id="{live.still}">{still["text/html"]}</div>'
    display(still, raw=True)
    display(live.view(), raw=True)
    gc.collect()
    gc.freeze()  # else a full collection looks through all that is loaded, 0.15 s in the middle of a move
