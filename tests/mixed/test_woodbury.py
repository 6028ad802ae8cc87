"""Cells of crossed factors and the pieces that they link, counted by hand."""

from __future__ import annotations

import numpy as np

from studykit.mixed.woodbury import choose_border, joint_cells, largest_piece


def test_cells_are_the_combinations_that_occur_and_pieces_are_what_they_link() -> None:
    # rows: (a, x) (a, y) (b, y) (a, x) | (c, z) (c, z): four cells in the first piece's two levels, one in the second
    one, other = np.array([0, 0, 1, 0, 2, 2]), np.array([0, 1, 1, 0, 2, 2])
    first, cell = joint_cells([one, other])
    assert first.tolist() == [0, 1, 2, 4]
    assert cell.tolist() == [0, 1, 2, 0, 3, 3]
    assert largest_piece([one, other]) == 3
    assert largest_piece([np.array([3, 3, 0, 1]), np.array([0, 0, 1, 2])]) == 1


def test_a_crossing_term_is_absorbed_where_the_piece_is_too_large_for_one_dense_matrix_and_only_there() -> None:
    """Containers crossed with two runs: 40 cells are inverted as they are, 400 fall into containers once the runs are out."""
    for containers, border in ((40, ()), (400, (1,))):
        crossed = [np.arange(containers), np.arange(containers) % 2]
        assert largest_piece(crossed[:1]) == 1
        assert choose_border(crossed) == border
