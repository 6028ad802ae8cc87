"""Pictures held against each other: other letters are alike; another point, word, size or no picture at all is told."""

from __future__ import annotations

import io

import matplotlib.pyplot as plt
import pytest
from PIL import Image, ImageDraw

from studykit.report.pictures import unlike


def drawn(hinting: str = "force_autohint", points: tuple[float, ...] = (1.0, 3.0, 2.0), size: float = 5.0) -> bytes:
    """A small figure as PNG."""
    out = io.BytesIO()
    with plt.rc_context({"text.hinting": hinting}):
        figure, axes = plt.subplots(figsize=(size, 3))
        axes.plot(range(len(points)), points, "o")
        axes.set_title("difference, lower against upper")
        figure.savefig(out, format="png", dpi=100, metadata={"Software": None})
        plt.close(figure)
    return out.getvalue()


def altered(data: bytes, *, word: str = "", point: bool = False) -> bytes:
    """A picture with something put into it."""
    out = io.BytesIO()
    with Image.open(io.BytesIO(data)) as opened:
        picture = opened.convert("RGB")
    brush = ImageDraw.Draw(picture)
    brush.text((200, 100), word, fill=(0, 0, 0))
    if point:
        brush.ellipse((200, 100, 207, 107), fill=(30, 100, 180))
    picture.save(out, format="PNG")
    return out.getvalue()


def test_other_letters_are_alike():
    assert drawn() != drawn("no_hinting")
    assert unlike(drawn(), drawn("no_hinting")) == unlike(drawn("no_hinting"), drawn()) == unlike(drawn(), drawn()) == ""
    assert unlike(altered(drawn()), drawn()) == ""  # other bytes, the same pixels


@pytest.mark.parametrize("change", [
    lambda: altered(drawn(), word="homogeneous"), lambda: altered(drawn(), point=True),
    lambda: drawn(points=(1.0, 2.8, 2.0)), lambda: drawn(points=(1.0, 3.0))], ids=["word", "point", "moved", "gone"])
def test_another_point_or_word_is_told_with_its_place(change):
    other = change()
    assert unlike(other, drawn()).startswith("shows something else, first at ")
    assert unlike(drawn(), other).startswith("shows something else, first at ")


def test_another_size_and_what_is_no_picture_are_told():
    assert unlike(drawn(size=5.5), drawn()) == "has 550 x 300 pixels, not 500 x 300"
    bomb = io.BytesIO()
    Image.new("1", (14_000, 14_000)).save(bomb, format="PNG")
    assert unlike(bomb.getvalue(), drawn()).startswith(("cannot be read as a picture", "has 14000"))
    for data in (b"", b"x" * 100, drawn()[:200], drawn()[:-3000]):
        assert unlike(data, drawn()).startswith("cannot be read as a picture")
