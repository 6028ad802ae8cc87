"""The board before a person: ordinary sliders of the browser, which have names, take the keyboard and are read aloud.

It is an anywidget, so JupyterLab, Notebook, and editors that show widgets run it alike; its script stands in
``sliders.js`` and asks nothing of any other host.
"""

from __future__ import annotations

from pathlib import Path
from secrets import token_hex
from typing import Any

import anywidget
import traitlets

from studykit.notebook.board import Board

HERE = Path(__file__).resolve().parent


class Sliders(anywidget.AnyWidget):
    """The widget of one board: positions come in as ``at``, sentences and drawings go out."""

    _esm = (HERE / "sliders.js").read_text(encoding="utf-8")
    _css = (HERE / "sliders.css").read_text(encoding="utf-8")
    name = traitlets.Unicode().tag(sync=True)
    controls: traitlets.List[dict[str, Any]] = traitlets.List().tag(sync=True)
    at: traitlets.List[int] = traitlets.List().tag(sync=True)
    sentences: traitlets.List[str] = traitlets.List().tag(sync=True)
    drawings = traitlets.Unicode().tag(sync=True)
    still = traitlets.Unicode().tag(sync=True)  # the id of the still form above, hidden once the sliders are there

    def __init__(self, board: Board) -> None:
        self._board = board
        super().__init__(name=board.name, still=f"sk-still-{token_hex(6)}", **self._shown())
        self.observe(self._moved, names="at")

    def _shown(self) -> dict[str, Any]:
        board = self._board
        return {"controls": [{"name": c.name, "texts": list(c.texts), "unit": c.unit, "choice": c.choice}
                             for c in board.controls],
                "at": [c.at for c in board.controls], "sentences": list(board.said.sentences), "drawings": board.drawings()}

    def _moved(self, change: dict[str, Any]) -> None:
        if list(change["new"]) != [c.at for c in self._board.controls]:
            self._board.move(change["new"])
            with self.hold_sync():
                for key, value in self._shown().items():
                    setattr(self, key, value)

    def view(self) -> dict[str, Any]:
        """What a front end needs to show it."""
        data, _ = self._repr_mimebundle_() or ({}, {})
        return {kind: part for kind, part in data.items() if not kind.startswith("text/")}
