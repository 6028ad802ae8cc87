"""Two pictures held against each other: by their bytes, else by tolerance, for other programs draw other letters.

Each window of 8 x 8 pixels of one must be found in the other within 6 pixels of its place, by its mean colour, and the
other way round. Edges of letters and lines then do not count; a point, a bar, a line or a word that is added, gone or
elsewhere does. What is alike within that is not the same: it is told and counted.
"""

from __future__ import annotations

import io
import warnings
from functools import cache

import numpy as np
from numpy.typing import NDArray

WINDOW, REACH = 8, 6
FAR = 64
"""How far a window's mean may be from all those near it in the other picture, of 255.

Measured with matplotlib 3.9.4 against the pinned one, over the pictures of the smallest demo: at most 51. Over those of
"slip" three of eighteen went beyond, with other ticks or a legend elsewhere, so 3.11 is the oldest allowed. A point of 7
pixels put into them gives 83 or more. Short words in small letters can stay below.
"""
PARTS = {b"IHDR", b"PLTE", b"tRNS", b"IDAT", b"IEND", b"pHYs", b"tEXt"}
"""Chunks of a PNG that the kit's pictures may have; others move it, or change its colours where it is shown."""
SLACK = 0.03
"""By how much of its length a side may differ: other letters move the edge of a picture."""


@cache
def unlike(filed: bytes, fresh: bytes) -> str:
    """Why a picture does not show what the one that was made again shows; '' where it does within the tolerance."""
    from PIL import Image

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            with Image.open(io.BytesIO(fresh)) as mine, Image.open(io.BytesIO(filed), formats=("PNG",)) as theirs:
                size = mine.size
                if any(abs(a - b) > SLACK * b for a, b in zip(theirs.size, size, strict=True)):
                    return f"has {theirs.size[0]} x {theirs.size[1]} pixels, not {size[0]} x {size[1]}"
                a, b = (np.asarray(p.convert("RGBA").resize(size), dtype=np.float32) for p in (theirs, mine))
    except (OSError, ValueError, SyntaxError, Warning, Image.DecompressionBombError) as error:
        return f"cannot be read as a picture ({type(error).__name__})"
    if odd := _chunks(filed) - PARTS:
        return f"has parts that no picture of the kit has ({', '.join(sorted(c.decode('ascii', 'replace') for c in odd))})"
    beyond = np.maximum(_beyond(a, b), _beyond(b, a)) > FAR
    if not beyond.any():
        return ""
    rows, columns = np.nonzero(beyond)
    return (f"shows something else, first at {100 * rows[0] / len(beyond):.0f} % of its height and "
            f"{100 * columns[0] / beyond.shape[1]:.0f} % of its width")


def _chunks(data: bytes) -> set[bytes]:
    """The names of the chunks that a PNG is made of, and b'end' for whatever stands after the last one."""
    found, at = set[bytes](), 8
    while at + 8 <= len(data) and b"IEND" not in found:
        found.add(data[at + 4:at + 8])
        at += 12 + int.from_bytes(data[at:at + 4], "big")
    return found | ({b"end"} if b"IEND" in found and at < len(data) else set())


def _beyond(a: NDArray[np.float32], b: NDArray[np.float32]) -> NDArray[np.float32]:
    """By how much the window about each pixel of ``a`` is outside of all windows of ``b`` near it (rows x columns)."""
    from scipy.ndimage import maximum_filter, minimum_filter, uniform_filter

    window, near = (WINDOW, WINDOW, 1), (2 * REACH + 1, 2 * REACH + 1, 1)
    theirs, mine = uniform_filter(b, window), uniform_filter(a, window)
    outside = np.maximum(minimum_filter(theirs, near) - mine, mine - maximum_filter(theirs, near))
    return np.asarray(outside.max(axis=2), dtype=np.float32)
