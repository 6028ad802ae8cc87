"""Pictures held against each other: other letters are alike; another point, word, size or no picture at all is told."""

from __future__ import annotations

import io
import struct
import zlib

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


@pytest.mark.slow
def test_other_letters_are_alike():
    assert drawn() != drawn("no_hinting")
    assert unlike(drawn(), drawn("no_hinting")) == unlike(drawn("no_hinting"), drawn()) == unlike(drawn(), drawn()) == ""
    assert unlike(altered(drawn()), drawn()) == ""  # other bytes, the same pixels


@pytest.mark.few(1)
@pytest.mark.parametrize("change", [
    lambda: altered(drawn(), word="homogeneous"), lambda: altered(drawn(), point=True),
    lambda: drawn(points=(1.0, 2.8, 2.0)), lambda: drawn(points=(1.0, 3.0))], ids=["word", "point", "moved", "gone"])
def test_another_point_or_word_is_told_with_its_place(change):
    other = change()
    assert unlike(other, drawn()).startswith("shows something else, first at ")
    assert unlike(drawn(), other).startswith("shows something else, first at ")


def chunk(kind: bytes, data: bytes) -> bytes:
    """A chunk of a PNG (ISO/IEC 15948, 5.3): length, name, data, CRC."""
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def test_a_picture_that_moves_or_is_shown_in_other_colours_is_told():
    """Pixels that agree say nothing of a second frame, a profile of colours, or a veil."""
    first, frames = drawn(), io.BytesIO()
    with Image.open(io.BytesIO(first)) as one, Image.open(io.BytesIO(drawn(points=(1.0, 1.0)))) as two:
        one.save(frames, format="PNG", save_all=True, append_images=[two], default_image=False)
        veiled, bare = io.BytesIO(), one.convert("RGBA")
        bare.putalpha(0)
        bare.save(veiled, format="PNG")
    assert unlike(frames.getvalue(), first).startswith("has parts that no picture of the kit has (acTL")
    for kind, data in ((b"gAMA", struct.pack(">I", 1)), (b"iCCP", b"x\0\0" + zlib.compress(b"x"))):
        assert kind.decode() in unlike(first[:33] + chunk(kind, data) + first[33:], first)
    assert "end" in unlike(first + b"<script>", first)
    assert unlike(veiled.getvalue(), first).startswith("shows something else")


@pytest.mark.slow
def test_another_size_and_what_is_no_picture_are_told():
    assert unlike(drawn(size=5.5), drawn()) == "has 550 x 300 pixels, not 500 x 300"
    bomb = io.BytesIO()
    Image.new("1", (14_000, 14_000)).save(bomb, format="PNG")
    assert unlike(bomb.getvalue(), drawn()).startswith(("cannot be read as a picture", "has 14000"))
    for data in (b"", b"x" * 100, drawn()[:200], drawn()[:-3000]):
        assert unlike(data, drawn()).startswith("cannot be read as a picture")
