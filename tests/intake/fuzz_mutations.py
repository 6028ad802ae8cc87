"""Mutations of laboratory files: what editors, spreadsheets, mail and careless hands do to them, and plain damage."""

from __future__ import annotations

import random
from collections.abc import Callable

from tests.intake.fuzz_seeds import Seed

NASTY = (
    "", " ", "9,8", "9.8", "1.000", "1,000", "1.234,5", "1,234.5", "1 234", "1\u00a0234", "1\u202f234", "1'234", "12.34.567",
    "<1", "< 1", "<1,5", "≤2", "≥3", ">1000", "<<1", "<", "<-1", "n.d.", "ND", "BDL", "trace", "-", "--", "n/a", "NA", "nan",
    "inf", "-inf", "None", "null", "TRUE", "#DIV/0!", "#N/A", "=1+1", "=cmd|' /C calc'!A0", "+5", "+5+5", "-5", "-5+5",
    "@SUM(A1)", "\u22125", "\u20135", "1e3", "1E3", "1e999", "1e-999", "1e", "e5", "1_000", "0x10", "１２", "٣", "5.", ".5",
    ".", ",", "5%", "5 mg/kg", "ca. 5", "5*", "(5)", "5-6", "04.05.2026", "2026-05-04", "46146", "5;6", "5,6,7", "5|6", "5\t6",
    '5"', '"5"', '"', "'5'", "5\u200b", "\ufeff5", "5\u00ad", "٥", "½", "5²", "\x0b5", "5\x0c", "<b>5</b>",
    "<script>alert(1)</script>", "../../etc/passwd", "B001", "Si", "Sample", "mg/kg", "% m/m", "ppm", "MG/KG", "cSt", "furlong",
    "0", "0.0", "-0", "00012", "1" * 40, "9" * 400, "0." + "0" * 60 + "1", "x" * 3000, "Ångström", "日本", "🙂", "\u202e5",
)


def _lines(text: str) -> list[str]:
    return text.split("\n")


def _cell(text: str, seed: Seed, rng: random.Random, change: Callable[[str], str]) -> str:
    """Change one cell of one line."""
    lines = _lines(text)
    i = rng.randrange(len(lines))
    cells = lines[i].split(seed.delimiter)
    k = rng.randrange(len(cells))
    cells[k] = change(cells[k])
    lines[i] = seed.delimiter.join(cells)
    return "\n".join(lines)


def nasty_cell(text: str, seed: Seed, rng: random.Random) -> str:
    return _cell(text, seed, rng, lambda _: rng.choice(NASTY))


def swap_sign(text: str, seed: Seed, rng: random.Random) -> str:
    return _cell(text, seed, rng, lambda c: c.translate(str.maketrans(".,", ",.")))


def pad_cell(text: str, seed: Seed, rng: random.Random) -> str:
    return _cell(text, seed, rng, lambda c: rng.choice((" ", "\u00a0", "\t", "  ")) + c + rng.choice((" ", "", "\u202f")))


def quote_cell(text: str, seed: Seed, rng: random.Random) -> str:
    return _cell(text, seed, rng, lambda c: rng.choice((f'"{c}"', f'"{c}', f'{c}"', f"'{c}'", f'""{c}""')))


def type_into_cell(text: str, seed: Seed, rng: random.Random) -> str:
    def typed(c: str) -> str:
        k = rng.randrange(len(c) + 1)
        return c[:k] + rng.choice("0123456789.,-+eE<> ;'\"%xB\u2212") + c[k + rng.randrange(2):]
    return _cell(text, seed, rng, typed)


def all_signs(text: str, seed: Seed, rng: random.Random) -> str:
    return text.translate(str.maketrans(".,", ",."))


def all_delimiters(text: str, seed: Seed, rng: random.Random) -> str:
    return text.replace(seed.delimiter, rng.choice(";,\t|"))


def one_delimiter(text: str, seed: Seed, rng: random.Random) -> str:
    places = [k for k, c in enumerate(text) if c == seed.delimiter]
    k = rng.choice(places) if places else 0
    return text[:k] + rng.choice(("", ";", ",", "\t", "|", seed.delimiter * 2)) + text[k + 1:]


def repeat_line(text: str, seed: Seed, rng: random.Random) -> str:
    lines = _lines(text)
    i = rng.randrange(len(lines))
    lines.insert(rng.randrange(len(lines) + 1), lines[i])
    return "\n".join(lines)


def drop_line(text: str, seed: Seed, rng: random.Random) -> str:
    lines = _lines(text)
    del lines[rng.randrange(len(lines))]
    return "\n".join(lines)


def swap_lines(text: str, seed: Seed, rng: random.Random) -> str:
    lines = _lines(text)
    i, k = rng.randrange(len(lines)), rng.randrange(len(lines))
    lines[i], lines[k] = lines[k], lines[i]
    return "\n".join(lines)


def insert_line(text: str, seed: Seed, rng: random.Random) -> str:
    lines = _lines(text)
    new = rng.choice(("", " ", seed.delimiter * 3, "Notes: see below", "Total;;;5", "B001", seed.delimiter.join(("B001", "9"))))
    lines.insert(rng.randrange(len(lines) + 1), new)
    return "\n".join(lines)


def columns(text: str, seed: Seed, rng: random.Random) -> str:
    """Drop, repeat, move or blank a column in every line."""
    how = rng.randrange(4)
    rows = [line.split(seed.delimiter) for line in _lines(text)]
    k, m = rng.randrange(4), rng.randrange(4)
    for row in rows:
        if max(k, m) < len(row):
            if how == 0:
                del row[k]
            elif how == 1:
                row.insert(m, row[k])
            elif how == 2:
                row[k], row[m] = row[m], row[k]
            else:
                row[k] = ""
    return "\n".join(seed.delimiter.join(r) for r in rows)


def cut(text: str, seed: Seed, rng: random.Random) -> str:
    return text[:rng.randrange(1, len(text) + 1)]


def line_ends(text: str, seed: Seed, rng: random.Random) -> str:
    return text.replace("\r\n", "\n").replace("\n", rng.choice(("\r\n", "\r", "\n\n", "\r\r\n", "\n\r")))


def other_unit(text: str, seed: Seed, rng: random.Random) -> str:
    old = rng.choice(("mg/kg", "cSt", "% m/m"))
    return text.replace(old, rng.choice(("ppm", "g/kg", "µg/g", "mm2/s", "%", "mg/L", "MG/KG", "", "g/t", "Mg/kg")),
                        rng.choice((1, -1)))


def capitals(text: str, seed: Seed, rng: random.Random) -> str:
    return rng.choice((text.upper(), text.lower(), _cell(text, seed, rng, str.swapcase)))


TEXT_MUTATIONS = (nasty_cell, nasty_cell, nasty_cell, swap_sign, pad_cell, quote_cell, type_into_cell, type_into_cell,
                  all_signs, all_delimiters, one_delimiter, repeat_line, drop_line, swap_lines, insert_line, columns, cut,
                  line_ends, other_unit, capitals)


def damage(data: bytes, rng: random.Random) -> bytes:
    """Bytes flipped, dropped, put in, repeated or cut off."""
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 5))):
        k = rng.randrange(len(out)) if out else 0
        how = rng.randrange(6)
        if how == 0 and out:
            out[k] ^= 1 << rng.randrange(8)
        elif how == 1 and out:
            out[k] = rng.randrange(256)
        elif how == 2:
            out[k:k] = bytes((rng.randrange(256),))
        elif how == 3:
            del out[k:k + rng.choice((1, 1, 2, 40))]
        elif how == 4:
            out[k:k] = out[k:k + rng.choice((1, 3, 30))]
        elif rng.random() < 0.3:
            del out[k:]
    return bytes(out)


def mutate_text(seed: Seed, rng: random.Random) -> bytes:
    """One mutated copy of a text seed: one to three changes of text, then perhaps another encoding or damage."""
    text = seed.data.decode(seed.encoding)
    kind = rng.random()
    if kind < 0.8:
        for _ in range(rng.choice((1, 1, 1, 2, 3))):
            text = rng.choice(TEXT_MUTATIONS)(text, seed, rng)
    encoding = seed.encoding
    if rng.random() < 0.15:
        encoding = rng.choice(("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252", "latin-1", "utf-32"))
    data = text.encode(encoding, errors="replace")
    return damage(data, rng) if kind >= 0.8 or rng.random() < 0.1 else data
