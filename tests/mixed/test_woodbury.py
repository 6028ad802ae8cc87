"""Cells of crossed factors and the pieces that they link, counted by hand."""

from __future__ import annotations

import numpy as np

from studykit.mixed.woodbury import joint_cells, largest_piece


def test_cells_are_the_combinations_that_occur_and_pieces_are_what_they_link() -> None:
    # rows: (a, x) (a, y) (b, y) (a, x) | (c, z) (c, z): four cells in the first piece's two levels, one in the second
    one, other = np.array([0, 0, 1, 0, 2, 2]), np.array([0, 1, 1, 0, 2, 2])
    first, cell = joint_cells([one, other])
    assert first.tolist() == [0, 1, 2, 4]
    assert cell.tolist() == [0, 1, 2, 0, 3, 3]
    assert largest_piece([one, other]) == 3
    assert largest_piece([np.array([3, 3, 0, 1]), np.array([0, 0, 1, 2])]) == 1
